"""The time axis of a case: round times of day, and at least one time."""

from datetime import datetime

import pytest

from tracker.around_views import _ticks


@pytest.fixture
def start() -> datetime:
    """Nine in the morning and a little, by this machine's own zone."""
    return datetime(2026, 3, 4, 9, 3, 20).astimezone()


def test_ticks_are_round_times_within_the_case(start: datetime) -> None:
    ticks = _ticks(start, 0.0, 40.0)
    assert 3 <= len(ticks) <= 9
    for minute, text in ticks:
        assert 0 <= minute <= 40
        hours, minutes = map(int, text.split(":"))
        # 9:03:20 is 543 1/3 minutes after midnight.
        assert 60 * hours + minutes == pytest.approx(543 + 1 / 3 + minute)
        assert minutes % 5 == 0


def test_a_case_of_seconds_says_when_it_was(start: datetime) -> None:
    assert _ticks(start, 0.0, 0.07) == [(0.0, "09:03:20")]
