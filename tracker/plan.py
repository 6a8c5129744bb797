"""Plan and removal -> what is left to do, and which end of its interval speaks.

What is left to a target angle is ``(LCEA now - target) * R`` with
``LCEA now = LCEA0 - recession / R``.  The reference angle LCEA0 and the recession share
the reference's outline: found a little too far out, it raises both, and it cancels in
what is left.  The budgets are therefore joined row by row (:func:`uncertainty.linear`),
not by their totals.
"""

import math
from dataclasses import dataclass
from typing import Final, Literal

from tracker import uncertainty
from tracker.values import Budget, LimitMessage, Message, Plan, Quantity

CONFIRM_BELOW_LCEA_DEG: Final = 25.0
"""A socket that may be this shallow before anything is removed asks for a second look."""

NoteKind = Literal[
    "confirm-shallow-start",
    "target-near-limit",
    "depth-near-limit",
    "already-at-target",
    "depth-over-greatest",
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
    to_limit_mm : Quantity
        To the lower limit of the angle.
    rule : {"target", "depth"}
        Which part of the plan ``to_plan_mm`` speaks of.
    message : str
        Where the interval value ± 2u lies against the plan.
    limits : tuple of str
        Limits that may have been reached, judged at the harmful end of the interval.
    budgets : tuple of Budget
        Of ``lcea_deg``, ``to_plan_mm`` and ``to_limit_mm``, in this order.
    """

    lcea_deg: Quantity
    to_plan_mm: Quantity
    to_limit_mm: Quantity
    rule: Literal["target", "depth"]
    message: Message
    limits: tuple[LimitMessage, ...]
    budgets: tuple[Budget, ...]


def remaining(
    plan: Plan,
    *,
    reference_lcea_deg: float,
    lcea_budget: Budget,
    recession_mm: float,
    recession_budget: Budget,
    radius_mm: float,
    radius_budget: Budget | None = None,
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

    choices: list[tuple[Quantity, Budget, Literal["target", "depth"]]] = []
    if plan.target_lcea_deg is not None:
        choices.append((*to_angle("remaining", plan.target_lcea_deg), "target"))
    if plan.depth_mm is not None:
        rows = uncertainty.linear("remaining", "mm", [(-1.0, recession_budget)])
        left = uncertainty.quantity(plan.depth_mm - recession_mm, rows)
        choices.append((left, rows, "depth"))
    if not choices:
        raise ValueError("a plan has a target angle or a depth")
    to_plan, plan_rows, rule = min(choices, key=lambda choice: choice[0].value)
    to_limit, limit_rows = to_angle("to the lower limit", plan.floor_lcea_deg)
    lcea = uncertainty.quantity(lcea_now, lcea_rows)
    removed = uncertainty.quantity(recession_mm, recession_budget)
    return Remaining(
        lcea_deg=lcea,
        to_plan_mm=to_plan,
        to_limit_mm=to_limit,
        rule=rule,
        message=message(to_plan),
        limits=limits(plan, lcea, removed),
        budgets=(lcea_rows, plan_rows, limit_rows),
    )


def message(to_plan: Quantity) -> Message:
    """Return which side of the plan the interval value ± 2u speaks for.

    >>> message(Quantity(1.0, 0.5, "mm"))
    'may be at the plan'
    """
    if to_plan.low > 0:
        return "more to go"
    if to_plan.high < 0:
        return "past the plan"
    return "may be at the plan"


def limits(plan: Plan, lcea_deg: Quantity, removed_mm: Quantity) -> tuple[LimitMessage, ...]:
    """Return the limits that may have been reached: the harmful end of each interval speaks."""
    reached: list[LimitMessage] = []
    if lcea_deg.low <= plan.floor_lcea_deg:
        reached.append("lower limit reached")
    if plan.max_depth_mm is not None and removed_mm.high >= plan.max_depth_mm:
        reached.append("greatest depth reached")
    return tuple(reached)


def check_plan(
    plan: Plan,
    lcea_deg: Quantity,
    radius_mm: float,
    *,
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
    confirm_below_deg : float
        A start that may lie under this angle asks for a deliberate yes.

    Returns
    -------
    tuple of PlanNote
        Empty where nothing is to be said.
    """
    notes: list[PlanNote] = []
    limit, two_u = plan.floor_lcea_deg, 2 * lcea_deg.u
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
    if plan.target_lcea_deg is not None:
        if plan.target_lcea_deg - two_u <= limit:
            notes.append(
                PlanNote(
                    "target-near-limit",
                    f"At the target of {plan.target_lcea_deg:g}° the angle is known to "
                    f"± {two_u:.1f}°, so the lower limit of {limit:g}° may be reached before it.",
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
    if plan.depth_mm is not None:
        end = lcea_deg.value - math.degrees(plan.depth_mm / radius_mm)
        if end - two_u <= limit:
            notes.append(
                PlanNote(
                    "depth-near-limit",
                    f"After {plan.depth_mm:g} mm the angle would be {end:.1f}° ± {two_u:.1f}°, "
                    f"so the lower limit of {limit:g}° may be reached before it.",
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
