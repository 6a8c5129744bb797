"""Arithmetic beside the resection, against printed values, by hand, and by a second route."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.fakes import removal
from tracker import around_sums, uncertainty
from tracker.values import Budget, BudgetRow, Quantity, Removal


def radius(mm: float, u: float = 0.6) -> Quantity:
    return Quantity(mm, u, "mm")


@pytest.mark.parametrize(("mm", "hour_mm"), [(24.0, 12.57), (25.0, 13.09), (26.0, 13.61)])
def test_one_clock_hour_along_the_rim(mm: float, hour_mm: float) -> None:
    """Plane geometry: 30° of a circle of radius 24, 25, 26 mm."""
    assert around_sums.arc("12:00", "1:00", radius(mm)).length_mm.value == pytest.approx(
        hour_mm, abs=0.005
    )


def test_the_mean_published_detachment_in_degrees() -> None:
    """106 hips: 3.5 clock hours = 105°, between 9:00 and 3:00 (Dumont et al., ISAKOS 2019,
    poster 615)."""
    stretch = around_sums.arc("11:30", "3:00", radius(25.0))
    assert (stretch.hours, stretch.degrees) == (3.5, 105.0)
    assert stretch.length_mm.value == pytest.approx(math.radians(105) * 25.0)


def test_usual_anchors_lie_15_to_20_degrees_apart() -> None:
    """Handbook pairing: a spacing of 6 to 10 mm is one anchor per 15 to 20° (from memory); on
    sockets of 22 to 30 mm, 15 to 20° are 5.8 to 10.5 mm."""
    for mm in (22.0, 25.0, 30.0):
        low, high = math.radians(15) * mm, math.radians(20) * mm
        stretch = around_sums.arc("11:00", "2:30", radius(mm))
        for spacing in (low, high):
            found = around_sums.anchors(stretch, spacing)
            apart = stretch.degrees / found.number
            assert 0.8 * 15 <= apart <= 20.0001
    assert math.radians(15) * 22 == pytest.approx(5.76, abs=0.01)
    assert math.radians(20) * 30 == pytest.approx(10.47, abs=0.01)


def test_anchors_by_hand() -> None:
    """2 h at R = 25 are 26.18 mm; at most 9 mm apart that makes 3, 8.73 mm apart, each in the
    middle of 40 minutes of the clock face."""
    found = around_sums.anchors(around_sums.arc("11:00", "1:00", radius(25.0)), 9.0)
    assert found.number == 3
    assert found.apart_mm == pytest.approx(8.727, abs=0.001)
    assert found.places == ("11:20", "12:00", "12:40")
    assert found.fewest <= 3 <= found.most


def test_a_whole_number_of_spacings_is_not_rounded_up() -> None:
    stretch = around_sums.arc("12:00", "1:00", radius(24.0))
    assert around_sums.anchors(stretch, stretch.length_mm.value / 4).number == 4
    assert around_sums.anchors(stretch, 100.0).number == 1


@given(
    st.integers(0, 143),
    st.integers(1, 143),
    st.floats(18.0, 32.0),
    st.floats(3.0, 25.0),
)
def test_anchors_are_never_further_apart_than_asked(
    begin: int, length: int, mm: float, spacing: float
) -> None:
    start, end = around_sums.place(begin * 5), around_sums.place((begin + length) * 5)
    stretch = around_sums.arc(start, end, radius(mm))
    found = around_sums.anchors(stretch, spacing)
    assert found.apart_mm <= spacing + 1e-6
    assert found.number == len(found.places)
    assert found.fewest <= found.number <= found.most
    for text in found.places:
        inside = around_sums.hours_between(start, text)
        assert inside <= stretch.hours + 5 / 60 or inside >= 12 - 5 / 60


def test_the_arc_s_budget_against_simulation() -> None:
    """Second route: ends, radius and the rim's own shape drawn at random."""
    rng = np.random.default_rng(7)
    stretch = around_sums.arc("11:00", "2:00", radius(25.0, 0.6))
    n = 200_000
    ends = rng.uniform(-0.25, 0.25, (2, n))
    hours = 3.0 + ends[1] - ends[0]
    shape = rng.uniform(-0.05, 0.05, n)
    drawn = np.radians(30) * hours * rng.normal(25.0, 0.6, n) * (1 + shape)
    assert stretch.length_mm.u == pytest.approx(float(drawn.std()), rel=0.01)
    assert stretch.length_mm.value == pytest.approx(float(drawn.mean()), rel=0.002)
    assert uncertainty.combine(stretch.budget) == pytest.approx(stretch.length_mm.u)


def test_the_radius_carries_the_scale() -> None:
    quantity, rows = around_sums.socket_radius(28.2, 0.02, 0.3, 0.2)
    assert quantity.u == pytest.approx(math.hypot(28.2 * 0.02, 0.3, 0.2))
    assert [row.source for row in rows.rows] == ["scale", "centre", "edge"]


def test_no_place_on_the_clock_face_is_no_arc() -> None:
    with pytest.raises(ValueError, match="clock face"):
        around_sums.arc("13:00", "1:00", radius(25.0))


# --- two exposures -----------------------------------------------------------------------

ROWS = (
    BudgetRow("outline of the first picture", 0.10, "mm", 1.0),
    BudgetRow("outline of this picture", 0.12, "mm", -1.0),
    BudgetRow("registration", 0.15, "mm", -1.0),
    BudgetRow("scale", 0.02, "1", 3.0),
)


def exposed(mm: float) -> Removal:
    rows = (*ROWS[:3], replace(ROWS[3], sensitivity=mm))
    u = math.hypot(*(row.contribution for row in rows))
    return replace(
        removal(mm),
        recession_mm=Quantity(mm, u, "mm"),
        budgets=(Budget("recession_mm", "mm", rows),),
    )


def test_shared_parts_do_not_shrink_in_the_mean_and_cancel_in_the_difference() -> None:
    """By hand: the two noises of 0.12 shrink by √2 in the mean; first outline, registration and
    scale don't.  In the difference the first outline is gone, the rest adds in squares."""
    found = around_sums.two_exposures(exposed(3.0), exposed(3.2))
    assert found.agree
    assert found.removed_mm is not None
    assert found.removed_mm.value == pytest.approx(3.1)
    assert found.removed_mm.u == pytest.approx(
        math.hypot(0.10, 0.12 / math.sqrt(2), 0.15, 0.02 * 3.1)
    )
    assert found.difference_mm.value == pytest.approx(0.2)
    assert found.difference_mm.u == pytest.approx(
        math.hypot(0.12 * math.sqrt(2), 0.15 * math.sqrt(2), 0.02 * 0.2)
    )


def test_the_mean_is_never_surer_than_its_shared_part() -> None:
    one = exposed(3.0)
    found = around_sums.two_exposures(one, one)
    assert found.removed_mm is not None
    single = removal().recession_mm.u
    assert found.removed_mm.u > math.hypot(0.10, 0.15)
    assert found.left_mm is not None
    # Without a budget nothing is known to be its own: the mean is no surer than one of the two.
    assert found.left_mm.u == pytest.approx(removal().remaining_mm.u)
    assert single > 0


def test_two_that_disagree_have_no_mean() -> None:
    found = around_sums.two_exposures(exposed(3.0), exposed(3.9))
    assert abs(found.difference_mm.value) > 2 * found.difference_mm.u
    assert not found.agree
    assert (found.removed_mm, found.left_mm, found.lcea_deg) == (None, None, None)
    assert [one.result for one in found.budgets] == ["difference"]


# --- two films ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("after", "u", "resolved"),
    [(36.1, 1.0, False), (35.9, 1.0, True), (35.0, 2.2, False), (30.0, 2.2, True)],
)
def test_films_that_differ_by_less_than_five_degrees_are_not_resolved(
    after: float, u: float, resolved: bool
) -> None:
    """Published: least change that readers tell, 5 to 8° (SEM 2 to 3°, MDC = 1.96·√2·SEM)."""
    found = around_sums.film_change(Quantity(41.0, u, "deg"), Quantity(after, u, "deg"))
    assert found.resolved is resolved
    assert found.change_deg.value == pytest.approx(after - 41.0)


def test_the_reader_s_error_is_the_published_one() -> None:
    """SD 7°, ICC 0.90: SEM 2.21°, least change 6.14°."""
    sem = 7 * math.sqrt(1 - 0.90)
    assert pytest.approx(sem, abs=0.02) == around_sums.U_READ_DEG
    assert 1.96 * math.sqrt(2) * sem == pytest.approx(6.14, abs=0.01)
