"""A case is deleted whole, by command, with a line in the audit; what others hold stays."""

import hashlib
import json
from pathlib import Path

import pytest
import sqlalchemy as sa
from sqlalchemy.exc import IntegrityError

from tests import standins
from tests.postgres import Server
from tests.records import fill, rows
from tests.test_store import STAMP, files
from tracker import tables, verifying, wholecase
from tracker.acting import acting_as
from tracker.errors import NotFound
from tracker.store import Store


@pytest.fixture(params=["sqlite", "postgres"])
def database(request: pytest.FixtureRequest) -> str:
    if request.param == "sqlite":
        return ""
    server: Server = request.getfixturevalue("server")
    return server.database()


def digest(tenths: int) -> str:
    return hashlib.sha256(standins.png(tenths)).hexdigest()


def test_a_case_is_deleted_and_the_audit_says_so(tmp_path: Path, database: str) -> None:
    fill(tmp_path, "p1", database=database)
    fill(tmp_path, "p2", database=database, pictures=(5, 30))
    with Store(tmp_path, STAMP, database=database) as store:
        before = rows(store)
        case = store.case("p1")
        head = store.head(case)
        with acting_as("command line"):
            wholecase.delete(store, case, "asked for by the patient")
        with pytest.raises(NotFound):
            store.case("p1")
        assert rows(store) == {"p2": before["p2"]}
        [line] = store.audit()
        assert (line.kind, line.role) == ("deleted", "command line")
        said = json.loads(line.body)
        assert said["case"] == "p1"
        assert said["head"] == head
        assert said["reason"] == "asked for by the patient"
        # The first picture and the one of 0.5 mm are the other case's as well.
        assert said["files"] == [digest(9)]
        assert {path.name for path in files(tmp_path)} == {digest(0), digest(5), digest(30)}
        verifying.verify(store)
        for table in tables.GROWING:
            with store.reading() as link:
                found = link.execute(table.select()).mappings().all()
            assert case.key not in [row.get("case_key", row["key"]) for row in found]


def test_a_name_can_be_used_again_and_a_key_never(tmp_path: Path, database: str) -> None:
    fill(tmp_path, "p1", "p2", database=database)
    with Store(tmp_path, STAMP, database=database) as store:
        last = store.case("p2")
        wholecase.delete(store, last, "x")
        again = store.add_case("p2", "{}")
        assert again.key > last.key
        with pytest.raises(IntegrityError, match="append-only"), store.writing() as link:
            link.execute(tables.EVENTS.delete().where(tables.EVENTS.c.case_key == again.key))
        verifying.verify(store)


def test_nothing_goes_without_its_line(tmp_path: Path, database: str) -> None:
    fill(tmp_path, "p1", "p2", database=database)
    with Store(tmp_path, STAMP, database=database) as store:
        one, two = store.case("p1"), store.case("p2")
        for table in tables.GROWING:
            column = table.c.key if table is tables.CASES else table.c.case_key
            with pytest.raises(IntegrityError, match="append-only"), store.writing() as link:
                link.execute(
                    _named(store, link, one.key, two.key, table.delete().where(column == two.key))
                )
        assert store.audit() == ()


def _named(
    store: Store, link: sa.Connection, deleted: int, imported: int, then: sa.Delete
) -> sa.Delete:
    """Write into the audit about two cases, only one of which is deleted."""
    store.note_in_audit(link, tables.DELETED, "{}", deleted)
    store.note_in_audit(link, "imported", "{}", imported)
    return then


@pytest.mark.parametrize("moment", ["before the commit", "after the commit"])
def test_a_deletion_that_is_cut_short_is_undone_or_finished(
    tmp_path: Path, database: str, monkeypatch: pytest.MonkeyPatch, moment: str
) -> None:
    fill(tmp_path, "p1", database=database)
    fill(tmp_path, "p2", database=database, pictures=(30,))

    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("power lost")

    with Store(tmp_path, STAMP, database=database) as store:
        before = rows(store)
        if moment == "before the commit":
            monkeypatch.setattr(store, "note_in_audit", broken)
        else:
            monkeypatch.setattr(store.shelf, "take_away", broken)
        with pytest.raises(RuntimeError, match="power lost"):
            wholecase.delete(store, store.case("p1"), "x")
    monkeypatch.undo()
    with Store(tmp_path, STAMP, database=database) as store:
        wholecase.finish_deletions(store)
        if moment == "before the commit":
            assert rows(store) == before
            assert len(files(tmp_path)) == 4
        else:
            assert list(rows(store)) == ["p2"]
            assert {path.name for path in files(tmp_path)} == {digest(0), digest(30)}
        verifying.verify(store)
        wholecase.finish_deletions(store)


def test_a_file_that_came_again_is_not_taken_away_late(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Between the deletion that was cut short and its end, another case brought the picture."""
    fill(tmp_path, "p1")
    with Store(tmp_path, STAMP) as store:
        monkeypatch.setattr(store.shelf, "take_away", lambda _: None)
        wholecase.delete(store, store.case("p1"), "x")
        monkeypatch.undo()
        case = store.add_case("p2", "{}")
        store.keep_picture(case, standins.png(9), "a.png")
        wholecase.finish_deletions(store)
    assert {path.name for path in files(tmp_path)} == {digest(9)}
