"""The record keeps what it acknowledged, adds nothing twice and forgets nothing."""

import os
import sqlite3
import stat
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tracker.errors import Busy, InvalidCase, NotFound, StoreError, Unwritable
from tracker.record import Stamp
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


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path, STAMP, Clock()) as opened:
        yield opened


def test_everything_is_there_after_a_restart(tmp_path: Path) -> None:
    with Store(tmp_path, STAMP, Clock()) as store:
        case = store.add_case("p1", '{"side":"left"}')
        picture, _ = store.keep_picture(case, PICTURE, "000.png")
        store.add_result(case, picture, "still", '{"verdict":"measured"}')
        store.append(case, "outline-wrong", '{"number":0}')
        before = (store.cases(), store.pictures(case), store.results(case), store.events(case))
    with Store(tmp_path, Stamp("0.2.0", "x")) as store:
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


def test_two_services_never_share_a_record(tmp_path: Path) -> None:
    with Store(tmp_path, STAMP), pytest.raises(Busy, match="Another service"):
        Store(tmp_path, STAMP)
    Store(tmp_path, STAMP).close()


def test_a_newer_record_is_refused_and_left_alone(tmp_path: Path) -> None:
    Store(tmp_path, STAMP).close()
    link = sqlite3.connect(tmp_path / "tracker.sqlite")
    link.execute("UPDATE schema_version SET version = ?", (SCHEMA_VERSION + 1,))
    link.commit()
    link.close()
    for _ in range(2):
        with pytest.raises(Unwritable, match="form 2"):
            Store(tmp_path, STAMP)


@pytest.mark.parametrize("table", ["cases", "pictures", "results", "events"])
@pytest.mark.parametrize("change", ["DELETE FROM {}", "UPDATE {} SET key = key + 1"])
def test_the_tables_refuse_changes(tmp_path: Path, table: str, change: str) -> None:
    with Store(tmp_path, STAMP) as store:
        case = store.add_case("p1", "{}")
        picture, _ = store.keep_picture(case, PICTURE, "a.png")
        store.add_result(case, picture, "still", "{}")
    link = sqlite3.connect(tmp_path / "tracker.sqlite")
    with pytest.raises(sqlite3.IntegrityError, match="append-only"):
        link.execute(change.format(table))
    link.close()


def test_sqlite_runs_in_its_safe_mode(store: Store) -> None:
    with store._engine.connect() as link:
        modes = [
            link.exec_driver_sql(f"PRAGMA {name}").scalar_one()
            for name in ("journal_mode", "synchronous", "foreign_keys", "busy_timeout")
        ]
    assert modes == ["delete", 3, 1, 5000]


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

    monkeypatch.setattr("tracker.store._insert", broken)
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
        patch.setattr("tracker.store._forbid_changes", broken)
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


def files(folder: Path) -> list[Path]:
    return [path for path in (folder / "pictures").rglob("*") if path.is_file()]
