"""Whatever is changed behind the record's back is found, and the first of it is named."""

import hashlib
import sqlite3
from pathlib import Path

import pytest
import sqlalchemy as sa

from tests import standins
from tests.postgres import Server
from tests.records import fill
from tests.test_store import STAMP
from tracker.errors import StoreError
from tracker.store import Store
from tracker.verifying import Walked, verify


@pytest.fixture(params=["sqlite", "postgres"])
def database(request: pytest.FixtureRequest) -> str:
    if request.param == "sqlite":
        return ""
    server: Server = request.getfixturevalue("server")
    return server.database()


@pytest.fixture
def record(tmp_path: Path, database: str) -> Path:
    fill(tmp_path / "record", "p1", "p2", database=database)
    return tmp_path / "record"


def test_a_record_as_it_was_written_is_walked_whole(record: Path, database: str) -> None:
    told: list[int] = []
    with Store(record, STAMP, database=database, reads_only=True) as store:
        walked = verify(store, lambda walked: told.append(walked.cases))
        assert walked == Walked(cases=2, entries=20, pictures=6, results=6)
    assert told == [1, 2]


def meddle(record: Path, database: str, table: str, change: str) -> None:
    """Change rows as somebody does who has the database and switches its triggers off."""
    if database:
        engine = sa.create_engine(database)
        with engine.begin() as link:
            link.exec_driver_sql(f"ALTER TABLE {table} DISABLE TRIGGER ALL")
            link.exec_driver_sql("SET session_replication_role = replica")
            link.exec_driver_sql(change)
        engine.dispose()
        return
    file = sqlite3.connect(record / "tracker.sqlite")
    for action in ("update", "delete"):
        file.execute(f"DROP TRIGGER {table}_no_{action}")
    file.execute(change)
    file.commit()
    file.close()


IN_P1 = "case_key = (SELECT key FROM cases WHERE id = 'p1')"

CHANGES = {
    "a note's words": (
        "events",
        f"UPDATE events SET body = '{{}}' WHERE kind = 'note' AND {IN_P1}",
        r"case p1, entry 10 of 10 \(note, .*hash does not fit",
    ),
    "who said it": (
        "events",
        f"UPDATE events SET role = 'surgeon' WHERE kind = 'marks' AND {IN_P1}",
        r"case p1, entry 4 of 10 \(marks, ",
    ),
    "when": (
        "events",
        "UPDATE events SET at = '2031-05-04T09:00:00.000000+00:00' WHERE kind = 'opened'",
        r"case p1, entry 1 of 10 \(opened, ",
    ),
    "an entry gone": (
        "events",
        f"DELETE FROM events WHERE kind = 'marks' AND {IN_P1}",
        r"case p1, entry 4 of 9|entries of journals are gone",
    ),
    "an entry moved to another case": (
        "events",
        f"UPDATE events SET case_key = 2 WHERE kind = 'marks' AND {IN_P1}",
        r"case p1, entry 4 of 9",
    ),
    "a result's numbers": (
        "results",
        f"UPDATE results SET body = replace(body, '1', '2') WHERE serial = 2 AND {IN_P1}",
        r"case p1, result 2: its row is not what the journal covers",
    ),
    "a result gone": (
        "results",
        f"DELETE FROM results WHERE serial = 2 AND {IN_P1}",
        r"case p1, entry 7 of 10 \(result, .*result 2, which it announces, is gone",
    ),
    "a picture's name": (
        "pictures",
        f"UPDATE pictures SET name = 'other.png' WHERE number = 1 AND {IN_P1}",
        r"case p1, picture 1: its row is not",
    ),
    "a picture's file": (
        "pictures",
        f"UPDATE pictures SET sha256 = '{'0' * 64}' WHERE number = 1 AND {IN_P1}",
        r"case p1, picture 1: its row is not",
    ),
    "the case's name": (
        "cases",
        "UPDATE cases SET id = 'p3' WHERE id = 'p1'",
        r"case p3, entry 1 of 10",
    ),
    "a time that is none": (
        "events",
        f"UPDATE events SET at = 'soon' WHERE kind = 'note' AND {IN_P1}",
        r"row \d+ can't be read",
    ),
}


@pytest.mark.parametrize("name", CHANGES)
def test_what_was_changed_is_named(record: Path, database: str, name: str) -> None:
    table, change, match = CHANGES[name]
    meddle(record, database, table, change)
    with (
        Store(record, STAMP, database=database, reads_only=True) as store,
        pytest.raises(StoreError, match=match),
    ):
        verify(store)


def test_a_row_that_the_journal_does_not_know_is_named(record: Path, database: str) -> None:
    with Store(record, STAMP, database=database) as store, store.writing() as link:
        link.exec_driver_sql(
            "INSERT INTO results (case_key, serial, picture_key, sha256, at, kind, software, "
            "settings, body) SELECT case_key, 77, picture_key, sha256, at, kind, software, "
            "settings, body FROM results WHERE key = 2"
        )
    with (
        Store(record, STAMP, database=database) as store,
        pytest.raises(StoreError, match="case p1, result 77: the journal does not announce it"),
    ):
        verify(store)


def file_of(record: Path, tenths: int) -> Path:
    digest = hashlib.sha256(standins.png(tenths)).hexdigest()
    path = record / "pictures" / digest[:2] / digest
    path.chmod(0o640)
    return path


def test_a_damaged_still_is_named(tmp_path: Path) -> None:
    fill(tmp_path, "p1")
    path = file_of(tmp_path, 5)
    data = bytearray(path.read_bytes())
    data[500] ^= 1
    path.write_bytes(bytes(data))
    with Store(tmp_path, STAMP) as store:
        with pytest.raises(StoreError, match=r"case p1, picture 1 \(005.png\): .* is damaged"):
            verify(store)
        path.unlink()
        with pytest.raises(StoreError, match=r"case p1, picture 1 \(005.png\): .* can't be read"):
            verify(store)


def test_the_end_of_a_journal_that_is_gone_leaves_its_number(tmp_path: Path) -> None:
    """The last note hangs on nothing, and a chain does not know how long it is."""
    fill(tmp_path, "p1")
    meddle(tmp_path, "", "events", "DELETE FROM events WHERE kind = 'note'")
    with Store(tmp_path, STAMP) as store, pytest.raises(StoreError, match=r"1 entries .* are gone"):
        verify(store)


def test_a_changed_audit_is_named(tmp_path: Path) -> None:
    fill(tmp_path, "p1")
    with Store(tmp_path, STAMP) as store:
        for _ in range(2):
            with store.writing() as link:
                store.note_in_audit(link, "imported", "{}", 7)
        verify(store)
    for change in ("body = 'x'", "case_key = 8", "chain = ''"):
        with Store(tmp_path, STAMP) as store, store.engine.connect() as link:
            link.exec_driver_sql("DROP TRIGGER IF EXISTS audit_no_update")
            link.exec_driver_sql(f"UPDATE audit SET {change} WHERE key = 1")
            with pytest.raises(StoreError, match=r"line 1 of the audit \(imported\)"):
                verify_over(store, link)


def test_the_end_of_the_audit_that_is_gone_leaves_its_number(tmp_path: Path) -> None:
    fill(tmp_path, "p1")
    with Store(tmp_path, STAMP) as store, store.writing() as link:
        store.note_in_audit(link, "imported", "{}", 7)
    meddle(tmp_path, "", "audit", "DELETE FROM audit")
    with Store(tmp_path, STAMP) as store, pytest.raises(StoreError, match=r"1 lines .* are gone"):
        verify(store)


def test_a_forged_line_of_the_audit_is_named(tmp_path: Path) -> None:
    """One that says that a case was deleted, and not how many entries it had."""
    fill(tmp_path, "p1")
    with Store(tmp_path, STAMP) as store:
        with store.writing() as link:
            store.note_in_audit(link, "deleted", "{}", 7)
        with store.engine.connect() as link:
            link.exec_driver_sql("DROP TRIGGER audit_no_update")
            link.exec_driver_sql("UPDATE audit SET chain = ''")
            with pytest.raises(StoreError, match=r"line 1 of the audit \(deleted\)"):
                verify_over(store, link)


def test_a_text_that_is_none_is_one_clear_line(tmp_path: Path) -> None:
    fill(tmp_path, "p1")
    meddle(tmp_path, "", "events", "UPDATE events SET body = CAST(x'ff00' AS TEXT) WHERE key = 2")
    with Store(tmp_path, STAMP) as store, pytest.raises(StoreError, match="record is damaged"):
        verify(store)


def verify_over(store: Store, link: sa.Connection) -> None:
    """Walk what is not committed."""
    link.commit()
    verify(store)


def test_a_page_of_the_database_that_is_damaged_is_one_clear_line(tmp_path: Path) -> None:
    fill(tmp_path, *(f"p{k}" for k in range(12)), pictures=())
    path = tmp_path / "tracker.sqlite"
    data = bytearray(path.read_bytes())
    # The pages after those that say what tables there are.
    for page in range(20, len(data) // 4096):
        data[page * 4096 : page * 4096 + 64] = bytes(64)
    path.write_bytes(bytes(data))
    with (
        Store(tmp_path, STAMP, reads_only=True) as store,
        pytest.raises(StoreError, match=r"the database: |The record is damaged"),
    ):
        verify(store)


def test_a_record_is_walked_while_a_service_writes(record: Path, database: str) -> None:
    with (
        Store(record, STAMP, database=database) as store,
        Store(record, STAMP, database=database, reads_only=True) as other,
    ):
        case = store.case("p1")
        told: list[int] = []

        def write(walked: Walked) -> None:
            told.append(walked.entries)
            picture, _ = store.keep_picture(case, standins.png(20 + len(told)), "more.png")
            store.add_result(case, picture, "still", "{}")

        verify(other, write)
        assert verify(other).pictures == 8
