"""Plan and removal -> what is left to do, and which end of its interval speaks.

What is left to a target angle is ``(LCEA now - target) * R`` with
``LCEA now = LCEA0 - recession / R``.  The reference angle LCEA0 and the recession share
the reference's outline: found a little too far out, it raises both, and it cancels in
what is left.  The budgets are therefore joined row by row (:func:`uncertainty.linear`),
not by their totals.

Depths count from the untouched rim.  After a new first picture in mid-case what was removed
before it (carried) and the recession since make up the depth; both were measured with the same
scale, whose error is one and the same row.  Where something may have been burred in between,
the carried total is a least: what is left to a depth is then a most, and "more to go" can't be
said.  Angles are read off the new first picture itself and carry nothing.
"""

import math
from dataclasses import dataclass
from typing import Final, Literal

from tracker import uncertainty
from tracker.values import Budget, BudgetRow, Carried, LimitMessage, Message, Plan, Quantity

CONFIRM_BELOW_LCEA_DEG: Final = 25.0
"""A socket that may be this shallow before anything is removed asks for a second look."""

NoteKind = Literal[
    "confirm-shallow-start",
    "target-near-limit",
    "depth-near-limit",
    "already-at-target",
    "depth-over-greatest",
    "already-at-depth",
]


@dataclass(frozen=True, slots=True)
class PlanNote:
    """A finding on the plan, in one sentence; with ``confirm`` it asks for a deliberate yes."""

    kind: NoteKind
    text: str
    confirm: bool = False


@dataclass(frozen=True, slots=True)
class Remaining:
    """What is left after a picture, in mm along the roof's arc; negative = past it.

    Attributes
    ----------
    lcea_deg : Quantity
        Lateral centre-edge angle now (lateral bony edge).
    to_plan_mm : Quantity
        To the target angle or to the planned depth, whichever is reached first.
    to_limit_mm : Quantity or None
        To the lower limit of the angle; None where the plan has none.
    rule : {"target", "depth"}
        Which part of the plan ``to_plan_mm`` speaks of.
    message : str
        Where the interval value ± 2u lies against the plan.
    limits : tuple of str
        Limits that may have been reached, judged at the harmful end of the interval.
    budgets : tuple of Budget
        Of ``lcea_deg``, ``to_plan_mm`` and ``to_limit_mm``, in this order.
    at_most : bool
        Bone of which nothing is known may have been burred: less than ``to_plan_mm`` may be left.
    """

    lcea_deg: Quantity
    to_plan_mm: Quantity
    to_limit_mm: Quantity | None
    rule: Literal["target", "depth"]
    message: Message
    limits: tuple[LimitMessage, ...]
    budgets: tuple[Budget, ...]
    at_most: bool = False


def remaining(
    plan: Plan,
    *,
    reference_lcea_deg: float,
    lcea_budget: Budget,
    recession_mm: float,
    recession_budget: Budget,
    radius_mm: float,
    radius_budget: Budget | None = None,
    carried: Carried | None = None,
    carried_rows: Budget | None = None,
) -> Remaining:
    """Find what is left to the plan and to its limits.

    Parameters
    ----------
    plan : Plan
        With a target angle, a depth, or both; with both the one reached first rules.
    reference_lcea_deg : float
        Angle of the lateral bony edge on the reference.
    lcea_budget : Budget
        Of the reference angle, in deg: its outline, centre, head-ward direction.
    recession_mm : float
        Bone removed along the roof's arc since the reference; positive = removed.
    recession_budget : Budget
        Of the recession, in mm.  Rows that name a source of ``lcea_budget`` are the same
        error and carry a signed sensitivity; a positive error of the reference's outline
        raises angle and recession alike.
    radius_mm : float
        R, from the centre to the edge.
    radius_budget : Budget, optional
        Of R, in mm; its scale row names the scale row of ``recession_budget``.
    carried : Carried, optional
        Removed before the present reference; counts for depths.
    carried_rows : Budget, optional
        Of ``carried``, of :func:`carried_budget`.

    Returns
    -------
    Remaining
    """
    if plan.target_lcea_deg is None and plan.depth_mm is None:
        raise ValueError("a plan has a target angle or a depth")
    radius = radius_budget or Budget("radius", "mm", ())
    mm_per_deg = math.radians(radius_mm)
    lcea_now = reference_lcea_deg - recession_mm / mm_per_deg
    lcea_rows = uncertainty.linear(
        "lcea",
        "deg",
        [
            (1.0, lcea_budget),
            (-1.0 / mm_per_deg, recession_budget),
            (recession_mm / mm_per_deg / radius_mm, radius),
        ],
    )

    def to_angle(result: str, angle_deg: float) -> tuple[Quantity, Budget]:
        rows = uncertainty.linear(
            result,
            "mm",
            [
                (mm_per_deg, lcea_budget),
                (-1.0, recession_budget),
                (math.radians(reference_lcea_deg - angle_deg), radius),
            ],
        )
        return uncertainty.quantity((lcea_now - angle_deg) * mm_per_deg, rows), rows

    before = carried.removed_mm.value if carried else 0.0
    total_rows = uncertainty.linear(
        "removed",
        "mm",
        [(1.0, recession_budget)] + ([] if carried_rows is None else [(1.0, carried_rows)]),
    )
    choices: list[tuple[Quantity, Budget, Literal["target", "depth"]]] = []
    if plan.target_lcea_deg is not None:
        choices.append((*to_angle("remaining", plan.target_lcea_deg), "target"))
    if plan.depth_mm is not None:
        rows = uncertainty.linear("remaining", "mm", [(-1.0, total_rows)])
        left = uncertainty.quantity(plan.depth_mm - before - recession_mm, rows)
        choices.append((left, rows, "depth"))
    if not choices:
        raise ValueError("a plan has a target angle or a depth")
    to_plan, plan_rows, rule = min(choices, key=lambda choice: choice[0].value)
    to_limit: Quantity | None = None
    limit_rows: tuple[Budget, ...] = ()
    if plan.floor_lcea_deg is not None:
        to_limit, rows = to_angle("to the lower limit", plan.floor_lcea_deg)
        limit_rows = (rows,)
    lcea = uncertainty.quantity(lcea_now, lcea_rows)
    removed = uncertainty.quantity(before + recession_mm, total_rows)
    at_most = carried is not None and not carried.whole and plan.depth_mm is not None
    return Remaining(
        lcea_deg=lcea,
        to_plan_mm=to_plan,
        to_limit_mm=to_limit,
        rule=rule,
        message=message(to_plan, at_most=at_most),
        limits=limits(plan, lcea, removed),
        budgets=(lcea_rows, plan_rows, *limit_rows),
        at_most=at_most,
    )


def carried_budget(carried: Carried, scale: BudgetRow) -> Budget:
    """Return the rows behind what was carried: the scale's, shared with later ones, and the rest.

    Parameters
    ----------
    carried : Carried
    scale : BudgetRow
        The scale's row of any other number: its source, and its relative u.

    Returns
    -------
    Budget
        In mm.
    """
    removed = carried.removed_mm
    by_scale = min(scale.u * abs(removed.value), removed.u)
    rest = math.sqrt(max(removed.u**2 - by_scale**2, 0.0))
    rows = [BudgetRow("removed before this first picture", rest, "mm", 1.0, "carried over")]
    if by_scale > 0:
        share = math.copysign(by_scale / scale.u, removed.value)
        rows.append(BudgetRow(scale.source, scale.u, scale.unit, share, scale.note))
    return Budget("carried", "mm", tuple(rows))


def message(to_plan: Quantity, *, at_most: bool = False) -> Message:
    """Return which side of the plan the interval value ± 2u speaks for.

    >>> message(Quantity(1.0, 0.5, "mm"))
    'may be at the plan'
    >>> message(Quantity(2.0, 0.5, "mm"), at_most=True)
    'may be at the plan'
    """
    if to_plan.low > 0 and not at_most:
        return "more to go"
    if to_plan.high < 0:
        return "past the plan"
    return "may be at the plan"


def limits(plan: Plan, lcea_deg: Quantity, removed_mm: Quantity) -> tuple[LimitMessage, ...]:
    """Return the limits that may have been reached: the harmful end of each interval speaks."""
    reached: list[LimitMessage] = []
    if plan.floor_lcea_deg is not None and lcea_deg.low <= plan.floor_lcea_deg:
        reached.append("lower limit reached")
    if plan.max_depth_mm is not None and removed_mm.high >= plan.max_depth_mm:
        reached.append("greatest depth reached")
    return tuple(reached)


def check_plan(
    plan: Plan,
    lcea_deg: Quantity,
    radius_mm: float,
    *,
    carried: Carried | None = None,
    confirm_below_deg: float = CONFIRM_BELOW_LCEA_DEG,
) -> tuple[PlanNote, ...]:
    """Compare a plan with the reference it is to be carried out on.

    Parameters
    ----------
    plan : Plan
    lcea_deg : Quantity
        Angle of the lateral bony edge on the reference.
    radius_mm : float
        R, from the centre to the edge.
    carried : Carried, optional
        Removed before this reference; counts for depths.
    confirm_below_deg : float
        A start that may lie under this angle asks for a deliberate yes.

    Returns
    -------
    tuple of PlanNote
        Empty where nothing is to be said.
    """
    notes: list[PlanNote] = []
    if plan.floor_lcea_deg is not None:
        notes += _angle_notes(plan, plan.floor_lcea_deg, lcea_deg, confirm_below_deg)
    before = carried.removed_mm.value if carried else 0.0
    if plan.depth_mm is not None:
        left, two_u = max(plan.depth_mm - before, 0.0), 2 * lcea_deg.u
        end = lcea_deg.value - math.degrees(left / radius_mm)
        limit = plan.floor_lcea_deg
        if limit is not None and end - two_u <= limit:
            notes.append(
                PlanNote(
                    "depth-near-limit",
                    f"After {left:g} mm the angle would be {end:.1f}° ± {two_u:.1f}°, "
                    f"so the lower limit of {limit:g}° may be reached before it.",
                    confirm=True,
                )
            )
        if before >= plan.depth_mm:
            notes.append(
                PlanNote(
                    "already-at-depth",
                    f"{before:.1f} mm were removed before this first picture: nothing is left to "
                    f"the planned {plan.depth_mm:g} mm.",
                )
            )
        if plan.max_depth_mm is not None and plan.depth_mm > plan.max_depth_mm:
            notes.append(
                PlanNote(
                    "depth-over-greatest",
                    f"The planned {plan.depth_mm:g} mm is more than the greatest depth of "
                    f"{plan.max_depth_mm:g} mm.",
                )
            )
    return tuple(notes)


def _angle_notes(
    plan: Plan, limit: float, lcea_deg: Quantity, confirm_below_deg: float
) -> list[PlanNote]:
    """Compare the angles of a plan with the one that the hip begins with."""
    notes: list[PlanNote] = []
    two_u = 2 * lcea_deg.u
    if lcea_deg.low < confirm_below_deg:
        notes.append(
            PlanNote(
                "confirm-shallow-start",
                f"LCEA is {lcea_deg.value:.1f}° before anything is removed and may be as low as "
                f"{lcea_deg.low:.1f}°, under {confirm_below_deg:g}°: bone taken away can't be "
                "put back.",
                confirm=True,
            )
        )
    if plan.target_lcea_deg is None:
        return notes
    if plan.target_lcea_deg - two_u <= limit:
        notes.append(
            PlanNote(
                "target-near-limit",
                f"At the target of {plan.target_lcea_deg:g}° the angle is known to "
                f"± {two_u:.1f}°, so the lower limit of {limit:g}° may be reached before it.",
                confirm=True,
            )
        )
    if lcea_deg.value <= plan.target_lcea_deg:
        notes.append(
            PlanNote(
                "already-at-target",
                f"LCEA is {lcea_deg.value:.1f}° before anything is removed: nothing is left "
                f"to the target of {plan.target_lcea_deg:g}°.",
            )
        )
    return notes
