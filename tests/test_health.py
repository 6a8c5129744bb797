"""What is wrong with the record is said before the next picture comes, and unsaid when mended."""

import errno
import os
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.test_store import PICTURE, STAMP, files
from tracker.errors import StoreError
from tracker.health import Health
from tracker.store import Store

AT = datetime(2031, 5, 4, 9, 12, tzinfo=UTC)


class Seconds:
    """A timer that moves on far enough for a new look each time."""

    def __init__(self, step: float = 10.0) -> None:
        self.now, self.step = 0.0, step

    def __call__(self) -> float:
        self.now += self.step
        return self.now


def what(health: Health) -> list[tuple[str, bool]]:
    return [(one.what, one.stops) for one in health.troubles()]


def test_a_record_that_is_well_says_nothing(tmp_path: Path) -> None:
    with Store(tmp_path, STAMP) as store:
        health = Health(store, Seconds())
        assert what(health) == []
        store.keep_picture(store.add_case("p1", "{}"), PICTURE, "a.png")
        assert what(health) == []
        assert len(files(tmp_path)) == 1


@pytest.mark.parametrize(
    ("code", "message"),
    [
        (errno.ENOSPC, "The record's disk is full."),
        (errno.EROFS, "The record's folder can't be written (Read-only file system)."),
        (errno.EIO, "The record's folder can't be written (Input/output error)."),
    ],
)
def test_a_disk_that_takes_nothing_stops(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: int, message: str
) -> None:
    with Store(tmp_path, STAMP) as store:
        health = Health(store, Seconds())

        def refuse(_: int) -> None:
            raise OSError(code, os.strerror(code))

        monkeypatch.setattr(os, "fsync", refuse)
        assert what(health) == [(message, True)]
        assert files(tmp_path) == []
        monkeypatch.undo()
        assert what(health) == []


def test_a_record_that_was_moved_away_stops_until_it_is_back(tmp_path: Path) -> None:
    place = tmp_path / "record"
    with Store(place, STAMP) as store:
        health = Health(store, Seconds())
        place.rename(tmp_path / "away")
        [(said, stops)] = what(health)
        assert "has been moved or deleted" in said
        assert stops
        (tmp_path / "away").rename(place)
        assert what(health) == []


def test_little_space_is_a_warning(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with Store(tmp_path, STAMP) as store:
        monkeypatch.setattr("tracker.health.LOW_BYTES", 10**18)
        [(said, stops)] = what(Health(store, Seconds()))
        assert said.startswith("The record's disk has ")
        assert not stops


@pytest.mark.parametrize(
    ("back", "said"),
    [
        (timedelta(seconds=20), None),
        (timedelta(seconds=90), "90 s"),
        (timedelta(minutes=30), "30 min"),
        (timedelta(hours=5), "5 h"),
        (timedelta(days=400), "400 days"),
    ],
)
def test_a_clock_that_jumped_back_is_told(
    tmp_path: Path, back: timedelta, said: str | None
) -> None:
    now = AT
    with Store(tmp_path, STAMP, lambda: now) as store:
        case = store.add_case("p1", "{}")
        health = Health(store, Seconds())
        assert what(health) == []
        now = AT - back
        # What is written now is older than what was written before: the warning stays.
        for _ in range(2):
            expected = [] if said is None else [(f"This machine's clock is {said} behind the "
                                                 "record's last entry.", False)]  # fmt: skip
            assert what(health) == expected
            store.append(case, "note", "{}")
        now = AT + timedelta(seconds=1)
        assert what(health) == []


def test_a_damaged_picture_is_told_until_it_is_mended(tmp_path: Path) -> None:
    with Store(tmp_path, STAMP) as store:
        health = Health(store, Seconds())
        case = store.add_case("p1", "{}")
        picture, _ = store.keep_picture(case, PICTURE, "a.png")
        [path] = files(tmp_path)
        path.chmod(0o640)
        path.write_bytes(b"x")
        assert what(health) == []
        with pytest.raises(StoreError):
            store.picture_bytes(picture)
        assert what(health) == [(f"The picture {picture.sha256[:12]} is damaged.", False)]
        # Whoever brings the picture again mends it.
        _, is_new = store.keep_picture(case, PICTURE, "a.png")
        assert not is_new
        assert what(health) == []
        assert store.picture_bytes(picture) == PICTURE


def test_a_missing_picture_that_was_put_back_by_hand_is_well(tmp_path: Path) -> None:
    with Store(tmp_path, STAMP) as store:
        health = Health(store, Seconds())
        picture, _ = store.keep_picture(store.add_case("p1", "{}"), PICTURE, "a.png")
        [path] = files(tmp_path)
        path.rename(tmp_path / "away")
        with pytest.raises(StoreError):
            store.picture_bytes(picture)
        assert len(what(health)) == 1
        (tmp_path / "away").rename(path)
        assert what(health) == []


def test_a_row_that_cant_be_read_is_told(tmp_path: Path) -> None:
    with Store(tmp_path, STAMP) as store:
        health = Health(store, Seconds())
        case = store.add_case("p1", "{}")
        with store.writing() as link:
            link.exec_driver_sql("DROP TRIGGER events_no_update")
            link.exec_driver_sql("UPDATE events SET at = 'soon'")
        with pytest.raises(StoreError, match="event row 1"):
            store.events(case)
        assert any("row 1 can't be read" in said for said, _ in what(health))


def test_a_look_is_not_taken_more_often_than_every_few_seconds(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Store(tmp_path, STAMP) as store:
        health, looks = Health(store, Seconds(0.5)), 0
        check: Callable[[], None] = store.check_held

        def counted() -> None:
            nonlocal looks
            looks += 1
            check()

        monkeypatch.setattr(store, "check_held", counted)
        for _ in range(9):
            health.troubles()
        assert looks <= 3
        health.look_again()
        health.troubles()
        assert looks <= 4
