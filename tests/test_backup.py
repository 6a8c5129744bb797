"""A copy of a live record is a record; what is made from it says the same."""

import io
import json
import threading
import zipfile
from pathlib import Path

import pytest

from tests import standins
from tests.postgres import Server
from tests.records import fill, rows, table
from tests.test_store import STAMP
from tracker import verifying, wholecase
from tracker.backup import backup, restore
from tracker.errors import Busy, InputError, StoreError
from tracker.store import Store


@pytest.fixture
def databases(server: Server) -> dict[str, str]:
    return {"sqlite": "", "postgres": server.database(), "other": server.database()}


@pytest.mark.parametrize(
    ("source", "target"),
    [("sqlite", "sqlite"), ("sqlite", "postgres"), ("postgres", "sqlite"), ("postgres", "other")],
)
def test_a_record_comes_back_as_it_was(
    tmp_path: Path, databases: dict[str, str], source: str, target: str
) -> None:
    fill(tmp_path / "old", "p1", "p2", "p3", database=databases[source])
    with Store(tmp_path / "old", STAMP, database=databases[source]) as store:
        wholecase.delete(store, store.case("p3"), "x")
        before = rows(store)
        with Store(tmp_path / "old", STAMP, database=databases[source], reads_only=True) as looks:
            backup(looks, tmp_path / "copy.zip")
        secret, audit = store.secret, store.audit()
    walked = restore(tmp_path / "copy.zip", tmp_path / "new", STAMP, database=databases[target])
    assert (walked.cases, walked.pictures) == (2, 6)
    with Store(tmp_path / "new", STAMP, database=databases[target]) as store:
        assert rows(store) == before
        assert store.secret == secret
        assert store.audit()[: len(audit)] == audit
        assert store.audit_of("copied")
        # The deleted case's key never comes again: the audit would let the new case's rows go.
        assert store.add_case("p4", "{}").key == 4
        verifying.verify(store)
    shown = table(tmp_path / "new", "p1", databases[target])
    assert shown == table(tmp_path / "old", "p1", databases[source])
    assert not list(tmp_path.rglob(".coming-*"))


def test_the_copy_unpacked_is_a_record(tmp_path: Path) -> None:
    fill(tmp_path / "old", "p1")
    with Store(tmp_path / "old", STAMP, reads_only=True) as store:
        backup(store, tmp_path / "copy.zip")
    with zipfile.ZipFile(tmp_path / "copy.zip") as packed:
        packed.extractall(tmp_path / "new")
    with Store(tmp_path / "new", STAMP) as store:
        assert verifying.verify(store).pictures == 3


def test_a_copy_is_made_while_a_service_writes(tmp_path: Path) -> None:
    """What was there when it began is in it, whole; writers wait for nothing."""
    fill(tmp_path / "old", "p1")
    with Store(tmp_path / "old", STAMP) as store:
        case, stop, written = store.case("p1"), threading.Event(), 0

        def write() -> None:
            nonlocal written
            while not stop.is_set():
                data = standins.png(written % 200) + written.to_bytes(4, "big")
                picture, _ = store.keep_picture(case, data, "a.png")
                store.add_result(case, picture, "still", "{}")
                written += 1

        writer = threading.Thread(target=write)
        writer.start()
        try:
            with Store(tmp_path / "old", STAMP, reads_only=True) as looks:
                for k in range(3):
                    backup(looks, tmp_path / f"copy{k}.zip")
        finally:
            stop.set()
            writer.join()
    assert written > 3
    for k in range(3):
        walked = restore(tmp_path / f"copy{k}.zip", tmp_path / f"new{k}", STAMP)
        assert walked.cases == 1


def test_a_case_deleted_meanwhile_is_not_half_in_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fill(tmp_path / "old", "p1", "p2")
    with Store(tmp_path / "old", STAMP) as store:
        real, count = store.shelf.get, 0

        def get(digest: str) -> bytes:
            nonlocal count
            count += 1
            if count == 2:
                wholecase.delete(store, store.case("p2"), "x")
            return real(digest)

        monkeypatch.setattr(store.shelf, "get", get)
        backup(store, tmp_path / "copy.zip")
    walked = restore(tmp_path / "copy.zip", tmp_path / "new", STAMP)
    assert walked.cases == 1


def test_a_copy_is_given_up_where_cases_keep_going(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fill(tmp_path / "old", *(f"p{k}" for k in range(6)), pictures=())
    with Store(tmp_path / "old", STAMP) as store:
        real, left = store.shelf.get, [case.id for case in store.cases()]

        def get(digest: str) -> bytes:
            data = real(digest)
            wholecase.delete(store, store.case(left.pop()), "x")
            return data

        monkeypatch.setattr(store.shelf, "get", get)
        with pytest.raises(Busy, match="given up"):
            backup(store, tmp_path / "copy.zip")
    assert [path.name for path in tmp_path.iterdir()] == ["old"]


def test_nothing_is_written_over(tmp_path: Path) -> None:
    fill(tmp_path / "old", "p1", pictures=())
    with Store(tmp_path / "old", STAMP) as store:
        backup(store, tmp_path / "copy.zip")
        with pytest.raises(InputError, match="there already"):
            backup(store, tmp_path / "copy.zip")
    for folder in (tmp_path / "old", tmp_path):
        with pytest.raises(InputError, match="not empty"):
            restore(tmp_path / "copy.zip", folder, STAMP)


def test_a_database_that_holds_a_record_is_left_alone(tmp_path: Path, server: Server) -> None:
    database = server.database()
    fill(tmp_path / "old", "p1", database=database)
    with Store(tmp_path / "old", STAMP, database=database) as store:
        backup(store, tmp_path / "copy.zip")
        before = rows(store)
    with pytest.raises((InputError, StoreError), match=r"holds a record|not those of"):
        restore(tmp_path / "copy.zip", tmp_path / "new", STAMP, database=database)
    with Store(tmp_path / "old", STAMP, database=database) as store:
        assert rows(store) == before


def bad(**files: bytes) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as packed:
        for name, data in files.items():
            packed.writestr(name, data)
    return buffer.getvalue()


@pytest.mark.parametrize(
    "data",
    [
        b"",
        bytes(300),
        bad(x=b"y"),
        bad(**{"key": bytes(32), "tracker.sqlite": b"", "../evil": b""}),
        bad(**{"key": bytes(32), "tracker.sqlite": b"", "pictures/aa/../../evil": b""}),
        bad(**{"key": bytes(32), "tracker.sqlite": b"", f"pictures/aa/{'b' * 64}": b""}),
    ],
)
def test_what_is_no_copy_is_refused(tmp_path: Path, data: bytes) -> None:
    (tmp_path / "bad.zip").write_bytes(data)
    with pytest.raises(InputError, match="is no copy of a record"):
        restore(tmp_path / "bad.zip", tmp_path / "new", STAMP)
    assert not list(tmp_path.rglob("*evil*"))
    with pytest.raises(InputError, match="can't be read"):
        restore(tmp_path / "none.zip", tmp_path / "other", STAMP)


def test_a_damaged_copy_is_refused(tmp_path: Path) -> None:
    fill(tmp_path / "old", "p1")
    with Store(tmp_path / "old", STAMP) as store:
        backup(store, tmp_path / "copy.zip")
    with zipfile.ZipFile(tmp_path / "copy.zip") as packed:
        files = {name: packed.read(name) for name in packed.namelist()}
    picture = next(name for name in files if name.startswith("pictures/"))
    changes = {"a picture": {picture: b"x"}, "tables": {"tracker.sqlite": b"x" * 5000}}
    for k, change in enumerate(changes.values()):
        (tmp_path / "bad.zip").write_bytes(bad(**(files | change)))
        with pytest.raises((InputError, StoreError), match="damaged"):
            restore(tmp_path / "bad.zip", tmp_path / f"new{k}", STAMP)
    without = {name: data for name, data in files.items() if name != picture}
    (tmp_path / "bad.zip").write_bytes(bad(**without))
    with pytest.raises(StoreError, match=r"picture \d .*can't be read"):
        restore(tmp_path / "bad.zip", tmp_path / "new9", STAMP)


def test_the_copy_says_that_it_is_one(tmp_path: Path) -> None:
    fill(tmp_path / "old", "p1")
    with Store(tmp_path / "old", STAMP) as store:
        last = store.events(store.case("p1"))[-1].key
        backup(store, tmp_path / "copy.zip")
        assert store.audit() == ()
    restore(tmp_path / "copy.zip", tmp_path / "new", STAMP)
    with Store(tmp_path / "new", STAMP) as store:
        [line] = store.audit()
    assert line.kind == "copied"
    assert json.loads(line.body) == {"from": "sqlite", "upto": last}
