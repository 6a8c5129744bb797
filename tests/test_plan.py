"""What is left to the plan, its correlation with the reference, and the messages."""

import math
from typing import Any

import numpy as np
import pytest

from tracker import plan as step
from tracker import uncertainty
from tracker.values import Budget, BudgetRow, Carried, Plan, Quantity

R_MM = 26.0
MM_PER_DEG = math.radians(R_MM)


def budget(unit: str, *rows: tuple[str, float, float]) -> Budget:
    return Budget("test", unit, tuple(BudgetRow(s, u, unit, c) for s, u, c in rows))


def left(plan: Plan, **changes: Any) -> step.Remaining:
    known: dict[str, Any] = {
        "reference_lcea_deg": 40.0,
        "lcea_budget": budget("deg", ("centre", 0.8, 1.0), ("direction", 1.0, 1.0)),
        "recession_mm": 1.0,
        "recession_budget": budget("mm", ("outline", 0.2, 1.0)),
        "radius_mm": R_MM,
    }
    return step.remaining(plan, **(known | changes))


# --- geometry -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("radius_mm", "s_mm", "deg"),
    [(24, 2, 4.77), (24, 5, 11.94), (25, 3, 6.88), (26, 5, 11.02), (28.2, 2, 4.06)],
)
def test_degrees_of_an_arc(radius_mm: float, s_mm: float, deg: float) -> None:
    """Arc over radius: 57.2958 s / R (plane geometry, worked by hand)."""
    result = left(
        Plan(floor_lcea_deg=20, target_lcea_deg=30), recession_mm=s_mm, radius_mm=radius_mm
    )
    assert 40.0 - result.lcea_deg.value == pytest.approx(deg, abs=0.005)


def test_what_is_left_and_what_is_removed_make_up_the_whole() -> None:
    plan = Plan(floor_lcea_deg=25, target_lcea_deg=33)
    whole = left(plan, recession_mm=0.0).to_plan_mm.value
    assert whole == pytest.approx(7 * MM_PER_DEG)
    for removed in (0.5, 2.0, 6.0):
        assert left(plan, recession_mm=removed).to_plan_mm.value == pytest.approx(whole - removed)


def test_past_the_target_is_negative() -> None:
    result = left(Plan(floor_lcea_deg=25, target_lcea_deg=39.5))
    assert result.to_plan_mm.value < 0


def test_the_plan_reached_first_rules() -> None:
    both = Plan(floor_lcea_deg=25, target_lcea_deg=33, depth_mm=2.0)
    result = left(both)
    assert result.rule == "depth"
    assert result.to_plan_mm.value == pytest.approx(1.0)
    both = Plan(floor_lcea_deg=25, target_lcea_deg=38, depth_mm=2.0)
    result = left(both)
    assert result.rule == "target"
    assert result.to_plan_mm.value == pytest.approx(2 * MM_PER_DEG - 1.0)


def test_a_plan_without_an_end_is_an_error() -> None:
    with pytest.raises(ValueError, match="target angle or a depth"):
        left(Plan(floor_lcea_deg=25))


# --- uncertainty ----------------------------------------------------------------------------


def test_reference_outline_cancels_in_what_is_left() -> None:
    """An error of the reference's edge raises angle and recession alike."""
    shared = left(
        Plan(floor_lcea_deg=25, target_lcea_deg=33),
        lcea_budget=budget("deg", ("reference outline", 0.4, 1 / MM_PER_DEG)),
        recession_budget=budget("mm", ("reference outline", 0.4, 1.0), ("outline", 0.3, -1.0)),
    )
    assert shared.to_plan_mm.u == pytest.approx(0.3)
    assert shared.lcea_deg.u == pytest.approx(0.3 / MM_PER_DEG)
    assert uncertainty.combine(shared.budgets[1]) == pytest.approx(shared.to_plan_mm.u)


def test_the_depth_plan_does_not_know_the_angle() -> None:
    result = left(Plan(floor_lcea_deg=25, depth_mm=3.0))
    assert result.to_plan_mm == Quantity(2.0, 0.2, "mm")
    assert result.to_limit_mm is not None
    assert result.to_limit_mm.u > 0.4


def test_budget_against_simulation_and_numerical_derivatives() -> None:
    """Two routes: rows joined by source, and the whole chain simulated with its errors.

    The chain: the reference's edge angle, this picture's edge angle, the head-ward
    direction and the scale, each with an error; everything else follows.
    """
    truth = np.array([40.0, 36.0, 0.0, 0.25])  # deg, deg, deg, mm per px
    u = np.array([0.5, 0.3, 1.0, 0.005])
    radius_px, target = 104.0, 33.0

    def chain(x: np.ndarray) -> tuple[float, float, float]:
        radius_mm = radius_px * x[3]
        lcea0 = float(x[0] + x[2])
        recession = math.radians(x[0] - x[1]) * radius_mm
        lcea = lcea0 - math.degrees(recession / radius_mm)
        return recession, lcea, math.radians(lcea - target) * radius_mm

    recession, lcea, to_plan = chain(truth)
    names = ("reference outline", "outline", "direction", "scale")
    recession_rows = [
        (name, float(u[i]), uncertainty.numerical_sensitivity(lambda x: chain(x)[0], truth, i))
        for i, name in enumerate(names)
        if name != "direction"
    ]
    result = left(
        Plan(floor_lcea_deg=25, target_lcea_deg=target),
        lcea_budget=budget("deg", ("reference outline", u[0], 1.0), ("direction", u[2], 1.0)),
        recession_mm=recession,
        recession_budget=budget("mm", *recession_rows),
        radius_mm=radius_px * truth[3],
        radius_budget=budget("mm", ("scale", u[3], radius_px)),
    )
    rng = np.random.default_rng(5)
    draws = np.array([chain(truth + u * rng.normal(size=4)) for _ in range(20_000)])
    assert result.to_plan_mm.value == pytest.approx(to_plan)
    assert result.lcea_deg.value == pytest.approx(lcea)
    assert result.to_plan_mm.u == pytest.approx(draws[:, 2].std(), rel=0.03)
    assert result.lcea_deg.u == pytest.approx(draws[:, 1].std(), rel=0.03)


# --- messages -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (1.1, "more to go"),
        (1.0, "may be at the plan"),
        (0.0, "may be at the plan"),
        (-1.0, "may be at the plan"),
        (-1.1, "past the plan"),
    ],
)
def test_message_by_interval(value: float, expected: str) -> None:
    assert step.message(Quantity(value, 0.5, "mm")) == expected


def test_limits_speak_at_the_harmful_end() -> None:
    plan = Plan(floor_lcea_deg=25, target_lcea_deg=30, max_depth_mm=4)
    assert step.limits(plan, Quantity(29.1, 2.0, "deg"), Quantity(2.9, 0.5, "mm")) == ()
    assert step.limits(plan, Quantity(29.0, 2.0, "deg"), Quantity(3.0, 0.5, "mm")) == (
        "lower limit reached",
        "greatest depth reached",
    )


@pytest.mark.parametrize(
    ("value", "u", "limit", "probability"),
    [(3.0, 0.87, 4.0, 0.125), (2.26, 0.87, 4.0, 0.023), (27.0, 2.2, 25.0, 1 - 0.182)],
)
def test_conformance(value: float, u: float, limit: float, probability: float) -> None:
    """JCGM 106:2012 clause 7, normal law; the numbers worked with scipy's normal tail."""
    q = Quantity(value, u, "mm")
    assert uncertainty.probability_above(q, limit) == pytest.approx(probability, abs=5e-4)


def test_guard_band_is_the_message_boundary() -> None:
    """JCGM 106:2012 8.3.2, guard band of U: 4.0 mm planned, u 0.87 -> 2.26 mm removed."""
    plan = Plan(floor_lcea_deg=10, depth_mm=4.0)
    rows = budget("mm", ("outline", 0.87, 1.0))
    assert left(plan, recession_mm=2.25, recession_budget=rows).message == "more to go"
    assert left(plan, recession_mm=2.27, recession_budget=rows).message == "may be at the plan"


# --- worked budgets -------------------------------------------------------------------------


def test_worked_budget_of_one_contour_point() -> None:
    """Worked by hand: edge 0.5 mm on each picture, registration 0.40, scale 3 %, pose 0.30."""
    rows = [("edge 0", 0.5, 1.0), ("edge 1", 0.5, -1.0), ("registration", 0.4, 1.0)]
    rows += [("scale", 0.03, 3.0), ("pose", 0.3, 1.0)]
    assert uncertainty.combine(budget("mm", *rows)) == pytest.approx(0.871, abs=5e-4)


def test_worked_budget_of_the_angle() -> None:
    """Worked by hand: edge 0.7 mm at 25 mm, centre 0.5 mm, axis 1° -> 2.21°."""
    per_mm = math.degrees(1 / 25)
    rows = [("edge", 0.7, per_mm), ("centre", 0.5, per_mm), ("axis", 1.0, 1.0)]
    assert uncertainty.combine(budget("deg", *rows)) == pytest.approx(2.21, abs=5e-3)


# --- plan against reference -----------------------------------------------------------------


def kinds(plan: Plan, lcea: Quantity) -> set[str]:
    return {note.kind for note in step.check_plan(plan, lcea, R_MM)}


def test_an_ordinary_plan_has_no_notes() -> None:
    plan = Plan(floor_lcea_deg=25, target_lcea_deg=33, depth_mm=3, max_depth_mm=5)
    assert step.check_plan(plan, Quantity(42, 1.5, "deg"), R_MM) == ()


@pytest.mark.parametrize(
    ("plan", "lcea", "kind"),
    [
        (Plan(25, target_lcea_deg=28), Quantity(42, 1.5, "deg"), "target-near-limit"),
        (Plan(20, target_lcea_deg=24), Quantity(27, 1.5, "deg"), "confirm-shallow-start"),
        (Plan(20, target_lcea_deg=33), Quantity(32, 1.0, "deg"), "already-at-target"),
        (Plan(30, depth_mm=5), Quantity(42, 1.0, "deg"), "depth-near-limit"),
        (Plan(10, depth_mm=5, max_depth_mm=4), Quantity(42, 1.0, "deg"), "depth-over-greatest"),
    ],
)
def test_each_note(plan: Plan, lcea: Quantity, kind: str) -> None:
    assert kinds(plan, lcea) == {kind}


def test_what_may_pass_the_lower_limit_asks_for_a_yes() -> None:
    notes = step.check_plan(Plan(20, target_lcea_deg=22), Quantity(26, 1.5, "deg"), R_MM)
    assert [(n.kind, n.confirm) for n in notes] == [
        ("confirm-shallow-start", True),
        ("target-near-limit", True),
    ]
    notes = step.check_plan(Plan(30, depth_mm=5), Quantity(42, 1.0, "deg"), R_MM)
    assert [(n.kind, n.confirm) for n in notes] == [("depth-near-limit", True)]


def test_without_a_lower_limit_nothing_is_said_of_the_angle() -> None:
    plan = Plan(None, depth_mm=3, max_depth_mm=5)
    assert step.check_plan(plan, Quantity(12, 1.5, "deg"), R_MM) == ()
    result = left(plan, reference_lcea_deg=-20.0)
    assert result.to_limit_mm is None
    assert result.limits == ()
    assert [one.result for one in result.budgets] == ["lcea", "remaining"]


# --- after a new first picture in mid-case --------------------------------------------------

SCALE = BudgetRow("scale", 0.03, "1", 1.0)
CARRIED = Carried(Quantity(2.0, 0.2, "mm"), whole=True, number=4)


def after_break(carried: Carried, plan: Plan, **changes: Any) -> step.Remaining:
    """Recession 1.0 mm since, whose budget shares the scale with what was carried."""
    recession = Budget(
        "recession",
        "mm",
        (BudgetRow("outline", 0.2, "mm", 1.0), BudgetRow("scale", 0.03, "1", 1.0)),
    )
    rows = step.carried_budget(carried, SCALE)
    known: dict[str, Any] = {"recession_budget": recession, "carried": carried}
    return left(plan, **known, carried_rows=rows, **changes)


def test_what_was_carried_counts_for_depths_and_not_for_angles() -> None:
    plan = Plan(20, target_lcea_deg=30, depth_mm=5, max_depth_mm=6)
    result = after_break(CARRIED, plan)
    assert result.rule == "depth"
    assert result.to_plan_mm.value == pytest.approx(5 - 2 - 1)
    angle = after_break(CARRIED, Plan(20, target_lcea_deg=30))
    assert (
        angle.to_plan_mm
        == left(
            Plan(20, target_lcea_deg=30),
            recession_budget=Budget(
                "recession",
                "mm",
                (BudgetRow("outline", 0.2, "mm", 1.0), BudgetRow("scale", 0.03, "1", 1.0)),
            ),
        ).to_plan_mm
    )


def test_the_scale_of_what_was_carried_is_the_scale_of_what_came_after() -> None:
    """Simulated: one scale error for both parts, an outline error for each."""
    result = after_break(CARRIED, Plan(None, depth_mm=5))
    rng = np.random.default_rng(11)
    scale = 1 + 0.03 * rng.standard_normal(200_000)
    own = math.sqrt(0.2**2 - (0.03 * 2.0) ** 2)
    before = 2.0 * scale + own * rng.standard_normal(scale.size)
    since = 1.0 * scale + 0.2 * rng.standard_normal(scale.size)
    assert result.to_plan_mm.u == pytest.approx(np.std(5 - before - since), rel=0.01)
    rows = {row.source: row.contribution for row in result.budgets[1].rows}
    assert rows["scale"] == pytest.approx(0.03 * 3.0)


def test_the_greatest_depth_counts_from_the_untouched_rim() -> None:
    plan = Plan(None, depth_mm=5, max_depth_mm=3.5)
    assert after_break(CARRIED, plan).limits == ("greatest depth reached",)
    assert after_break(CARRIED, plan, recession_mm=0.5).limits == ()


def test_where_something_was_burred_unseen_nothing_says_more_to_go() -> None:
    least = Carried(CARRIED.removed_mm, whole=False, number=4)
    plan = Plan(None, depth_mm=9)
    assert after_break(CARRIED, plan).message == "more to go"
    result = after_break(least, plan)
    assert (result.message, result.at_most) == ("may be at the plan", True)
    assert after_break(least, plan, recession_mm=9.0).message == "past the plan"
    angle = Plan(20, target_lcea_deg=30)
    assert (after_break(least, angle).message, after_break(least, angle).at_most) == (
        "more to go",
        False,
    )


def test_a_plan_that_was_reached_before_the_break_is_said() -> None:
    notes = step.check_plan(Plan(None, depth_mm=2), Quantity(40, 1.5, "deg"), R_MM, carried=CARRIED)
    assert [note.kind for note in notes] == ["already-at-depth"]
    near = Plan(30, depth_mm=5)
    assert step.check_plan(near, Quantity(42, 1.0, "deg"), R_MM)
    assert step.check_plan(near, Quantity(42, 1.0, "deg"), R_MM, carried=CARRIED) == ()
