"""The order in which pictures were taken, by clocks that are wrong in every way."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracker.timeline import Moment, Timeline, read

HOUR = 3600.0


def came(*pairs: tuple[float, float | None]) -> list[Moment]:
    """Pictures 1, 2, … by when each came and when it was taken by the C-arm's clock, seconds."""
    return [
        Moment(number, at, None if own is None else at - own)
        for number, (at, own) in enumerate(pairs, start=1)
    ]


def test_a_picture_that_was_under_way_is_put_back() -> None:
    found = read(came((0, 0), (60, 60), (120, 120), (130, 90)))

    assert found == Timeline((1, 2, 4, 3), (0, 60, 90, 120), (4,), 0, 4)


@pytest.mark.parametrize("wrong_by", [-30 * 365 * 86_400.0, -7.5 * HOUR, 0.4, 26 * HOUR])
def test_a_clock_that_is_wrong_throughout_orders_as_well(wrong_by: float) -> None:
    pairs = [(0.0, 0.0), (60.0, 58.0), (120.0, 117.5), (130.0, 90.0)]
    found = read(came(*((at, own + wrong_by) for at, own in pairs)))

    assert found.order == (1, 2, 4, 3)
    assert found.offset_s == pytest.approx(-wrong_by)
    assert found.timed == 4


def test_without_times_the_order_is_that_of_arrival() -> None:
    assert read(came((0, None), (1, None), (2, None))) == Timeline((1, 2, 3), (0, 1, 2))
    assert read([]) == Timeline((), ())


def test_pictures_with_and_without_times_are_put_between_one_another() -> None:
    found = read(came((0, 0), (60, None), (120, 120), (125, 30)))

    assert found.order == (1, 4, 2, 3)


def test_a_clock_set_back_is_given_away_by_the_counter() -> None:
    moments = [
        Moment(1, 0, 10, "a", 1),
        Moment(2, 60, 10, "a", 2),
        Moment(3, 120, HOUR + 10, "a", 3),
        Moment(4, 180, HOUR + 10, "a", 4),
    ]
    found = read(moments)

    assert (found.order, found.late, found.set_back) == ((1, 2, 3, 4), (), True)
    assert found.offset_s == HOUR + 10


def test_a_late_picture_with_a_lower_count_is_put_back() -> None:
    moments = [
        Moment(1, 0, 10, "a", 1),
        Moment(2, 60, 10, "a", 3),
        Moment(3, 300, 280, "a", 2),
    ]
    assert read(moments).order == (1, 3, 2)
    # The same count in another series says nothing.
    moments[2] = Moment(3, 300, 280, "b", 9)
    assert read(moments).order == (1, 3, 2)


def test_a_clock_set_back_is_given_away_by_the_second_picture() -> None:
    pairs = [(0.0, 0.0), (60.0, 60.0), (120.0, 120.0 - HOUR), (200.0, 200.0 - HOUR)]

    assert read(came(*pairs[:3])).order == (3, 1, 2)
    assert read(came(*pairs)).order == (1, 2, 3, 4)
    # And what comes late by the clock as it is now is still put back.
    assert read(came(*pairs, (260.0, 230.0 - HOUR), (262.0, 210.0 - HOUR))).order[-2:] == (6, 5)


def test_pictures_that_were_held_up_together_are_put_back_together() -> None:
    found = read(came((0, 0), (600, 600), (605, 100), (607, 200), (609, 300)))

    assert (found.order, found.set_back) == ((1, 3, 4, 5, 2), False)


def test_a_clock_set_forward_changes_no_order() -> None:
    found = read(came((0, 0), (60, 60), (120, 120 + HOUR), (180, 180 + HOUR)))

    assert (found.order, found.late) == ((1, 2, 3, 4), ())
    assert found.offset_s == -HOUR


def test_midnight_is_crossed_with_and_without_a_new_date() -> None:
    day = 24 * HOUR
    assert read(came((day - 60, day - 60), (day + 60, day + 60))).order == (1, 2)
    stale = came((day - 60, day - 60), (day + 60, 60), (day + 120, 120), (day + 125, 80))
    found = read(stale)

    assert (found.order, found.offset_s) == ((1, 2, 4, 3), 0)


def test_uneven_ways_and_whole_seconds_change_no_order() -> None:
    found = read(came((0, 0), (2.0, 1), (3.1, 1), (9.0, 4.5), (20, 19)))

    assert found.order == (1, 2, 3, 4, 5)


def test_a_person_can_say_that_the_clock_is_not_to_be_used() -> None:
    found = read(came((0, 0), (60, 60), (65, 20)), as_they_came=True)

    assert (found.order, found.late, found.offset_s) == ((1, 2, 3), (), 0)


@given(
    st.lists(st.tuples(st.floats(50, 400), st.booleans()), min_size=1, max_size=12),
    st.floats(-1e9, 1e9),
)
def test_whatever_the_offset_a_case_with_late_pictures_is_put_right(
    steps: list[tuple[float, bool]], offset: float
) -> None:
    """Every second picture may come after its successor; the first comes at once."""
    taken, now = [], 0.0
    for step, _ in steps:
        now += step
        taken.append(now)
    arrives = [at + 1.0 for at in taken]
    for place in range(1, len(steps) - 1, 2):
        if steps[place][1]:
            arrives[place] = taken[place + 1] + 8.0 + place
    arrived = sorted(range(len(taken)), key=arrives.__getitem__)
    moments = [Moment(n, arrives[n], arrives[n] - taken[n] + offset) for n in arrived]
    found = read(moments)

    assert sorted(found.order) == list(range(len(taken)))
    if not found.set_back:
        assert found.order == tuple(range(len(taken)))


@given(
    st.lists(
        st.tuples(
            st.floats(0, 1e5), st.none() | st.floats(-1e9, 1e9), st.none() | st.integers(0, 5)
        ),
        max_size=15,
    )
)
def test_any_clock_gives_every_picture_one_place(
    said: list[tuple[float, float | None, int | None]],
) -> None:
    said.sort(key=lambda one: one[0])
    moments = [Moment(n, at, lag, "a", count) for n, (at, lag, count) in enumerate(said)]
    found = read(moments)

    assert sorted(found.order) == list(range(len(said)))
    assert len(found.taken_s) == len(said)
    assert all(
        taken <= moments[n].came_s for n, taken in zip(found.order, found.taken_s, strict=True)
    )
