"""A record of the older form opens, says what it said, and the old form stays beside it."""

import hashlib
import json
import sqlite3
from pathlib import Path

import pytest

from tests import form_1, standins
from tests.test_store import STAMP, Clock
from tracker import chain, migrate
from tracker.errors import StoreError, Unwritable
from tracker.record import time_text, to_text
from tracker.service import Service
from tracker.store import Store, hash_of_picture, hash_of_result

PICTURES = [bytes([k]) * 100 for k in range(3)]


def old(folder: Path) -> bytes:
    form_1.write(folder, {"p1": '{"a":1}', "p2": '{"a":2}'}, PICTURES, '{"verdict":"measured"}')
    return (folder / "tracker.sqlite").read_bytes()


def rows(path: Path, table: str) -> list[tuple[object, ...]]:
    link = sqlite3.connect(path)
    try:
        return link.execute(f"SELECT * FROM {table} ORDER BY key").fetchall()
    finally:
        link.close()


def test_an_older_record_is_migrated_with_a_backup_beside_it(tmp_path: Path) -> None:
    before = old(tmp_path)
    with Store(tmp_path, STAMP, Clock()) as store:
        assert [case.id for case in store.cases()] == ["p2", "p1"]
        for case in store.cases():
            events = store.events(case)
            assert [event.kind for event in events] == ["opened", *["picture", "result"] * 3]
            assert {event.role for event in events} == {migrate.ROLE}
            pictures, results = store.pictures(case), store.results(case)
            assert [store.picture_bytes(picture) for picture in pictures] == PICTURES
            assert [json.loads(event.body)["result"] for event in events[2::2]] == [
                result.serial for result in results
            ]
            covers = [event.covers for event in events]
            assert covers[1::2] == [hash_of_picture(picture) for picture in pictures]
            assert covers[2::2] == [hash_of_result(row, k) for k, row in enumerate(results)]
            linked = chain.start(case.id, time_text(case.opened_at))
            for event in events:
                said = (event.kind, event.body, event.software, event.settings, event.role)
                linked = chain.link(linked, (time_text(event.at), *said, event.covers))
                assert event.chain == linked
            assert store.head(case) == linked
        [line] = store.audit()
        assert line.kind == "migrated"
        kept = tmp_path / json.loads(line.body)["kept_as"]
        keys = {event.key for case in store.cases() for event in store.events(case)}
    assert kept.name == "tracker-form-1.sqlite"
    assert kept.read_bytes() == before
    assert keys == set(range(1, 15))
    for table in ("cases", "pictures"):
        assert rows(kept, table) == rows(tmp_path / "tracker.sqlite", table)
    with Store(tmp_path, STAMP, Clock()) as store:
        assert len(store.audit()) == 1
    assert len(list(tmp_path.glob("*.sqlite*"))) == 2


def test_a_migrated_record_goes_on(tmp_path: Path) -> None:
    old(tmp_path)
    with Store(tmp_path, STAMP, Clock()) as store:
        case = store.case("p1")
        picture, is_new = store.keep_picture(case, PICTURES[0], "again.png")
        assert not is_new
        result = store.add_result(case, picture, "still", "{}")
        assert result.serial == max(row.serial for row in store.results(case))
        assert [row.serial for row in store.results(case)] == [1, 3, 5, 6]
        fourth, _ = store.keep_picture(case, b"more", "003.png")
        assert fourth.number == 3
        assert store.add_case("p3", "{}").key == 3


def test_a_migrated_case_stands_as_it_stood(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tracker.ledger.pipeline", standins)
    opening = to_text(standins.setup(marks=standins.marks()))
    pictures = [standins.png(0), standins.png(18)]
    form_1.write(tmp_path, {"p1": opening, "p2": opening}, pictures[:1], _reference(), "reference")
    with Service(tmp_path) as service:
        for case_id in ("p1", "p2"):
            case = service.case(case_id)
            assert case.standing == "ready"
            added = service.add_picture(case_id, pictures[1], "001.png")
            assert added.result is not None
            assert added.result.verdict == "measured"


def _reference() -> str:
    from tracker import images

    still = images.decode(standins.png(0), "000.png")
    prepared = standins.prepare_reference(still, standins.setup(marks=standins.marks()))
    return to_text(prepared.result)


@pytest.mark.parametrize("moment", ["tables", "half", "linked"])
def test_a_migration_that_is_cut_short_leaves_the_old_record_and_is_done_next_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, moment: str
) -> None:
    before = old(tmp_path)

    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("power lost")

    def half(*arguments: object) -> None:
        if arguments[2]["key"] == 2:  # type: ignore[index]
            raise RuntimeError("power lost")

    what = {
        "tables": ("tracker.migrate.tables.make", broken),
        "half": ("tracker.migrate._copy_case", half),
        "linked": ("tracker.migrate.Path.replace", broken),
    }
    with monkeypatch.context() as patch:
        patch.setattr(*what[moment])
        with pytest.raises(RuntimeError, match="power lost"):
            Store(tmp_path, STAMP)
    assert (tmp_path / "tracker.sqlite").read_bytes() == before
    with Store(tmp_path, STAMP) as store:
        assert len(store.cases()) == 2
        [line] = store.audit()
    assert (tmp_path / json.loads(line.body)["kept_as"]).read_bytes() == before


def test_an_older_record_is_not_migrated_by_who_only_looks(tmp_path: Path) -> None:
    before = old(tmp_path)
    with pytest.raises(Unwritable, match="form 1"):
        Store(tmp_path, STAMP, reads_only=True)
    assert (tmp_path / "tracker.sqlite").read_bytes() == before


def test_an_older_record_that_is_damaged_is_named_and_left(tmp_path: Path) -> None:
    old(tmp_path)
    path = tmp_path / "tracker.sqlite"
    link = sqlite3.connect(path)
    link.execute("DROP TRIGGER results_no_delete")
    link.execute("DELETE FROM results WHERE key = 4")
    link.commit()
    link.close()
    before = hashlib.sha256(path.read_bytes()).hexdigest()
    with pytest.raises(StoreError, match="names a result that is not there"):
        Store(tmp_path, STAMP)
    assert hashlib.sha256(path.read_bytes()).hexdigest() == before
    assert [one.name for one in tmp_path.glob("*.sqlite*")] == ["tracker.sqlite"]
