"""The record keeps what it acknowledged, adds nothing twice and forgets nothing.

What does not hang on one database's own ways is asked of both.
"""

import itertools
import os
import shutil
import sqlite3
import stat
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy.exc import IntegrityError

from tests.postgres import Server
from tracker import chain
from tracker.acting import acting_as
from tracker.errors import Busy, InputError, InvalidCase, NotFound, StoreError, Unwritable
from tracker.record import Stamp, time_text
from tracker.store import SCHEMA_VERSION, Store

STAMP = Stamp("0.1.0", "abcdef012345")
PICTURE = bytes(range(256)) * 40


class Clock:
    """A clock that moves one second with each look."""

    def __init__(self) -> None:
        self.now = datetime(2031, 5, 4, 9, 12, tzinfo=UTC)

    def __call__(self) -> datetime:
        self.now += timedelta(seconds=1)
        return self.now


@pytest.fixture(params=["sqlite", "postgres"])
def database(request: pytest.FixtureRequest) -> str:
    """Where the tables lie: empty for the folder, else a fresh database of a real server."""
    if request.param == "sqlite":
        return ""
    server: Server = request.getfixturevalue("server")
    return server.database()


@pytest.fixture
def store(tmp_path: Path, database: str) -> Iterator[Store]:
    with Store(tmp_path, STAMP, Clock(), database=database) as opened:
        yield opened


@pytest.fixture
def sqlite_store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path, STAMP, Clock()) as opened:
        yield opened


def test_everything_is_there_after_a_restart(tmp_path: Path, database: str) -> None:
    with Store(tmp_path, STAMP, Clock(), database=database) as store:
        case = store.add_case("p1", '{"side":"left"}')
        picture, _ = store.keep_picture(case, PICTURE, "000.png")
        store.add_result(case, picture, "still", '{"verdict":"measured"}')
        store.append(case, "outline-wrong", '{"number":0}')
        before = (store.cases(), store.pictures(case), store.results(case), store.events(case))
    with Store(tmp_path, Stamp("0.2.0", "x"), database=database) as store:
        after = (store.cases(), store.pictures(case), store.results(case), store.events(case))
        assert after == before
        assert store.picture_bytes(picture) == PICTURE
    assert [event.kind for event in before[3]] == ["opened", "picture", "result", "outline-wrong"]
    assert before[2][0].software == "0.1.0"
    assert before[2][0].sha256 == picture.sha256


def test_the_same_bytes_add_nothing_to_a_case(store: Store) -> None:
    case = store.add_case("p1", "{}")
    first, is_new = store.keep_picture(case, PICTURE, "a.png")
    assert is_new
    events = store.events(case)
    again, is_new = store.keep_picture(case, PICTURE, "b.png")
    assert not is_new
    assert again == first
    assert store.events(case) == events
    other = store.add_case("p2", "{}")
    _, is_new = store.keep_picture(other, PICTURE, "a.png")
    assert is_new


def test_pictures_are_numbered_within_their_case(store: Store) -> None:
    one, two = store.add_case("p1", "{}"), store.add_case("p2", "{}")
    for k in range(3):
        store.keep_picture(one, PICTURE + bytes([k]), f"{k}.png")
    store.keep_picture(two, PICTURE, "0.png")
    assert [picture.number for picture in store.pictures(one)] == [0, 1, 2]
    assert [picture.number for picture in store.pictures(two)] == [0]


def test_event_keys_rise_and_can_be_resumed_from(store: Store) -> None:
    case = store.add_case("p1", "{}")
    third = [store.append(case, "note", f'{{"n":{k}}}') for k in range(4)][2]
    assert [event.body for event in store.events(case, after=third.key)] == ['{"n":3}']


def test_a_second_case_of_the_same_name_is_refused(store: Store) -> None:
    store.add_case("p1", "{}")
    with pytest.raises(InvalidCase, match="already in the record"):
        store.add_case("p1", "{}")
    assert len(store.cases()) == 1


def test_an_unknown_case_is_not_found(store: Store) -> None:
    with pytest.raises(NotFound, match="p9"):
        store.case("p9")


def test_two_services_never_share_a_record(tmp_path: Path, database: str) -> None:
    with (
        Store(tmp_path, STAMP, database=database),
        pytest.raises(Busy, match="Another service"),
    ):
        Store(tmp_path, STAMP, database=database)
    Store(tmp_path, STAMP, database=database).close()


def test_two_services_never_share_a_database_from_two_folders(
    tmp_path: Path, server: Server
) -> None:
    database = server.database()
    with Store(tmp_path / "a", STAMP, database=database):
        shutil.copytree(tmp_path / "a", tmp_path / "b")
        with pytest.raises(Busy, match="Another service"):
            Store(tmp_path / "b", STAMP, database=database)
    Store(tmp_path / "b", STAMP, database=database).close()


def test_a_database_with_the_pictures_of_another_record_is_refused(
    tmp_path: Path, server: Server
) -> None:
    database = server.database()
    Store(tmp_path / "a", STAMP, database=database).close()
    with pytest.raises(StoreError, match="not those of this database"):
        Store(tmp_path / "b", STAMP, database=database)
    Store(tmp_path / "a", STAMP, database=database).close()


def test_a_database_that_went_away_is_one_clear_line_and_comes_back(
    tmp_path: Path, server: Server
) -> None:
    with Store(tmp_path, STAMP, database=server.database()) as store:
        case = store.add_case("p1", "{}")
        server.stop()
        try:
            with pytest.raises(Unwritable, match="does not answer"):
                store.keep_picture(case, PICTURE, "a.png")
            with pytest.raises(Unwritable, match="does not answer"):
                store.events(case)
        finally:
            server.start()
        _, is_new = store.keep_picture(case, PICTURE, "a.png")
        assert is_new
        assert [event.kind for event in store.events(case)] == ["opened", "picture"]


def test_a_service_whose_database_went_away_and_was_taken_by_another_one_writes_no_more(
    tmp_path: Path, server: Server
) -> None:
    database = server.database()
    with Store(tmp_path / "a", STAMP, database=database) as store:
        case = store.add_case("p1", "{}")
        shutil.copytree(tmp_path / "a", tmp_path / "b")
        server.stop()
        server.start()
        with (
            Store(tmp_path / "b", STAMP, database=database),
            pytest.raises(Busy, match="Another service"),
        ):
            store.append(case, "note", "{}")


@pytest.mark.parametrize(
    "address", ["sqlite:///x", "mysql://a/b", "nonsense", "postgresql+psycopg2://x/y"]
)
def test_a_database_of_another_kind_is_refused(tmp_path: Path, address: str) -> None:
    with pytest.raises(InputError, match="address"):
        Store(tmp_path, STAMP, database=address)


def test_a_newer_record_is_refused_and_left_alone(tmp_path: Path, database: str) -> None:
    with Store(tmp_path, STAMP, database=database) as store, store.writing() as link:
        link.exec_driver_sql(f"UPDATE schema_version SET version = {SCHEMA_VERSION + 1}")
    for reads_only in (False, False, True):
        with pytest.raises(Unwritable, match="form 3"):
            Store(tmp_path, STAMP, database=database, reads_only=reads_only)


@pytest.mark.parametrize("table", ["cases", "pictures", "results", "events", "audit"])
@pytest.mark.parametrize("change", ["DELETE FROM {}", "UPDATE {} SET key = key + 1"])
def test_the_tables_refuse_changes(store: Store, table: str, change: str) -> None:
    case = store.add_case("p1", "{}")
    picture, _ = store.keep_picture(case, PICTURE, "a.png")
    store.add_result(case, picture, "still", "{}")
    with store.writing() as link:
        store.note_in_audit(link, "imported", "{}", case.key)
    with pytest.raises(IntegrityError, match="append-only"), store.writing() as link:
        link.exec_driver_sql(change.format(table))


def test_the_tables_cant_be_emptied_at_once(tmp_path: Path, server: Server) -> None:
    with Store(tmp_path, STAMP, database=server.database()) as store:
        store.add_case("p1", "{}")
        with pytest.raises(IntegrityError, match="append-only"), store.writing() as link:
            link.exec_driver_sql("TRUNCATE events")


def test_sqlite_runs_in_its_safe_mode(sqlite_store: Store) -> None:
    with sqlite_store.engine.connect() as link:
        modes = [
            link.exec_driver_sql(f"PRAGMA {name}").scalar_one()
            for name in (
                "journal_mode",
                "synchronous",
                "foreign_keys",
                "busy_timeout",
                "secure_delete",
            )
        ]
    assert modes == ["delete", 3, 1, 5000, 1]


def test_a_picture_is_on_disk_and_synced_before_its_row(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """If the row can't be written, the file is already there; never the other way round."""
    synced: list[str] = []
    real = os.fsync

    def fsync(handle: int) -> None:
        synced.append("folder" if stat.S_ISDIR(os.fstat(handle).st_mode) else "file")
        real(handle)

    monkeypatch.setattr(os, "fsync", fsync)
    case = store.add_case("p1", "{}")

    def broken(*_: object, **__: object) -> int:
        assert synced == ["file", "folder", "folder"]
        assert len(files(tmp_path)) == 1
        raise RuntimeError("power lost")

    monkeypatch.setattr("tracker.store.insert", broken)
    with pytest.raises(RuntimeError, match="power lost"):
        store.keep_picture(case, PICTURE, "a.png")
    monkeypatch.undo()
    assert store.pictures(case) == ()
    _, is_new = store.keep_picture(case, PICTURE, "a.png")
    assert is_new


def test_no_half_written_file_is_left(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    case = store.add_case("p1", "{}")

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(Unwritable, match="full"):
        store.keep_picture(case, PICTURE, "a.png")
    assert files(tmp_path) == []
    assert store.pictures(case) == ()


def test_a_new_record_is_made_whole_or_not_at_all(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> None:
        raise RuntimeError("power lost")

    with monkeypatch.context() as patch:
        patch.setattr("tracker.tables.forbid_changes", broken)
        with pytest.raises(RuntimeError, match="power lost"):
            Store(tmp_path, STAMP)
    link = sqlite3.connect(tmp_path / "tracker.sqlite")
    assert link.execute("SELECT count(*) FROM sqlite_master").fetchone() == (0,)
    link.close()
    with Store(tmp_path, STAMP) as store:
        store.add_case("p1", "{}")


def test_many_writers_at_once_wait_for_each_other(store: Store) -> None:
    cases = [store.add_case(f"p{k}", "{}") for k in range(4)]

    def bring(k: int) -> None:
        for n in range(8):
            store.keep_picture(cases[k], PICTURE + bytes([k, n]), f"{n}.png")

    with ThreadPoolExecutor(4) as hands:
        list(hands.map(bring, range(4)))
    for case in cases:
        assert [picture.number for picture in store.pictures(case)] == list(range(8))


def test_a_damaged_or_missing_file_is_named(store: Store, tmp_path: Path) -> None:
    case = store.add_case("p1", "{}")
    picture, _ = store.keep_picture(case, PICTURE, "a.png")
    [path] = files(tmp_path)
    path.chmod(0o640)
    path.write_bytes(PICTURE[:-1])
    with pytest.raises(StoreError, match="damaged"):
        store.picture_bytes(picture)
    other = store.add_case("p2", "{}")
    mended, _ = store.keep_picture(other, PICTURE, "a.png")
    assert store.picture_bytes(mended) == PICTURE
    [path] = files(tmp_path)
    path.unlink()
    with pytest.raises(StoreError, match="can't be read"):
        store.picture_bytes(picture)


def test_a_folder_that_cant_be_made_is_one_clear_line(tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("a file")
    with pytest.raises(Unwritable, match="can't be written"):
        Store(tmp_path / "taken", STAMP)


def test_a_file_that_is_no_record_is_one_clear_line(tmp_path: Path) -> None:
    (tmp_path / "tracker.sqlite").write_bytes(b"this is no database, but long enough to be read")
    with pytest.raises(StoreError, match="damaged"):
        Store(tmp_path, STAMP)
    (tmp_path / "tracker.sqlite").unlink()
    Store(tmp_path, STAMP).close()


def test_an_entry_says_who_wrote_it(store: Store) -> None:
    case = store.add_case("p1", "{}")
    with acting_as("theatre"):
        picture, _ = store.keep_picture(case, PICTURE, "a.png")
        store.add_result(case, picture, "still", "{}")
        store.append(case, "note", "{}")
        store.append(case, "proposal", "{}", "software")
        with acting_as("surgeon"):
            store.append(case, "plan", "{}")
    store.append(case, "note", "{}")
    roles = ["software", "theatre", "software", "theatre", "software", "surgeon", "software"]
    assert [event.role for event in store.events(case)] == roles


def test_a_chain_hangs_on_every_entry_and_belongs_to_its_case(store: Store) -> None:
    one, two = store.add_case("p1", "{}"), store.add_case("p2", "{}")
    assert store.head(one) != store.head(two)
    heads = [store.head(one)]
    for k in range(3):
        picture, _ = store.keep_picture(one, PICTURE + bytes([k]), f"{k}.png")
        heads.append(store.head(one))
        store.add_result(one, picture, "still", "{}")
        heads.append(store.head(one))
        store.append(two, "note", "{}")
    events = store.events(one)
    assert [event.chain for event in events] == heads
    assert len(set(heads)) == len(heads)
    for before, event in itertools.pairwise(events):
        said = (event.kind, event.body, event.software, event.settings, event.role, event.covers)
        assert event.chain == chain.link(before.chain, (time_text(event.at), *said))


def test_what_is_said_is_what_is_read(store: Store) -> None:
    case = store.add_case("p1", "{}")
    assert store.append(case, "note", '{"text":"±Ω"}', "reviewer") == store.events(case)[-1]
    picture, _ = store.keep_picture(case, PICTURE, "a\0b\udc80.png")
    assert store.pictures(case) == (picture,)
    assert picture.name == "a?b?.png"
    result = store.add_result(case, picture, "still", "{}")
    assert store.results(case) == (result,)


def test_results_are_numbered_within_their_case(store: Store) -> None:
    for case_id in ("p1", "p2"):
        case = store.add_case(case_id, "{}")
        picture, _ = store.keep_picture(case, PICTURE, "a.png")
        assert [store.add_result(case, picture, "still", "{}").serial for _ in range(3)] == [
            1,
            2,
            3,
        ]


def test_cases_are_read_in_pages(store: Store) -> None:
    for k in range(5):
        store.add_case(f"p{k}", "{}")
    first = store.cases(limit=2)
    assert [case.id for case in first] == ["p4", "p3"]
    assert [case.id for case in store.cases(limit=2, before=first[-1].key)] == ["p2", "p1"]
    assert [case.id for case in store.cases(before=first[-1].key)] == ["p2", "p1", "p0"]
    assert [case.id for case in store.cases(find="P3")] == ["p3"]
    assert [case.id for case in store.cases_named(["p1", "p9"])] == ["p1"]
    for text in ("%", "_", "p%"):
        assert store.cases(find=text) == ()
    assert store.count_cases() == 5


def test_who_only_looks_may_look_while_a_service_writes(tmp_path: Path, database: str) -> None:
    with Store(tmp_path, STAMP, database=database) as store:
        case = store.add_case("p1", "{}")
        with Store(tmp_path, STAMP, database=database, reads_only=True) as other:
            store.keep_picture(case, PICTURE, "a.png")
            assert len(other.events(case)) == 2
            assert other.picture_bytes(other.pictures(case)[0]) == PICTURE
            with pytest.raises(StoreError):
                other.append(case, "note", "{}")
    for folder in (tmp_path / "none", tmp_path / "pictures"):
        with pytest.raises(NotFound, match="no record"):
            Store(folder, STAMP, reads_only=True)
        assert not (folder / "lock").exists()


def test_a_record_that_was_moved_away_takes_in_nothing_until_it_is_back(tmp_path: Path) -> None:
    place, away = tmp_path / "record", tmp_path / "away"
    with Store(place, STAMP) as store:
        case = store.add_case("p1", "{}")
        place.rename(away)
        for _ in range(2):
            with pytest.raises(Unwritable):
                store.append(case, "note", "{}")
            with pytest.raises(Unwritable):
                store.keep_picture(case, PICTURE, "a.png")
        away.rename(place)
        _, is_new = store.keep_picture(case, PICTURE, "a.png")
        assert is_new
        assert [event.kind for event in store.events(case)] == ["opened", "picture"]


@pytest.mark.parametrize("name", ["tracker.sqlite", "lock"])
def test_a_file_deleted_under_the_record_is_noticed(tmp_path: Path, name: str) -> None:
    with Store(tmp_path, STAMP) as store:
        case = store.add_case("p1", "{}")
        (tmp_path / name).unlink()
        with pytest.raises(Unwritable, match="moved or deleted"):
            store.append(case, "note", "{}")


def test_a_file_deleted_while_it_is_written_is_noticed(tmp_path: Path) -> None:
    """The commit goes into a file that nobody will find: it is not acknowledged."""
    with Store(tmp_path, STAMP) as store:
        case = store.add_case("p1", "{}")
        with pytest.raises(Unwritable, match="moved or deleted"), store.writing():
            (tmp_path / "tracker.sqlite").unlink()
        with pytest.raises(Unwritable, match="moved or deleted"):
            store.append(case, "note", "{}")


def test_a_record_on_a_network_share_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tracker.engines.network_share", lambda folder, mounts: "nfs4")
    with pytest.raises(Unwritable, match=r"network share \(nfs4\)"):
        Store(tmp_path / "record", STAMP)
    assert not (tmp_path / "record" / "tracker.sqlite").exists()


def test_an_old_sqlite_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tracker.engines.OLDEST_SQLITE", (9, 0, 0))
    with pytest.raises(Unwritable, match=r"SQLite of this Python is 3\."):
        Store(tmp_path, STAMP)


def test_a_record_in_the_newer_journal_mode_is_brought_back(tmp_path: Path) -> None:
    Store(tmp_path, STAMP).close()
    link = sqlite3.connect(tmp_path / "tracker.sqlite")
    assert link.execute("PRAGMA journal_mode=WAL").fetchone() == ("wal",)
    link.close()
    with Store(tmp_path, STAMP) as store, store.engine.connect() as again:
        assert again.exec_driver_sql("PRAGMA journal_mode").scalar_one() == "delete"


def files(folder: Path) -> list[Path]:
    return [path for path in (folder / "pictures").rglob("*") if path.is_file()]
