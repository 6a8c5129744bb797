"""Arithmetic of what is kept beside the resection: labrum and anchors, two exposures, two films.

The rim's clock face is that of the case: 12 is its highest point, 3 in front on both sides.
"""

import math
import re
from dataclasses import dataclass, replace
from typing import Final, Literal

from tracker import uncertainty
from tracker.values import Budget, BudgetRow, Quantity, Removal

HOUR_DEG: Final = 30.0
U_CLOCK_H: Final = uncertainty.rectangular(0.25)
"""Of one end read off the clock face by eye: to a quarter of an hour either way; common practice,
no source."""
U_CIRCLE: Final = uncertainty.rectangular(0.05)
"""Of an arc on a rim taken as a circle of the socket's radius, as a share: the rim is wavy and its
opening no great circle; common practice, no source."""
U_BEAM_CENTRE_DEG: Final = 1.4
"""Of an angle on a film centred on the mid-line set against a C-arm picture centred on the hip: the
film sees the hip about 5° from the side."""
U_READ_DEG: Final = 2.2
"""Of an angle read off a film by hand: the standard error of measurement of published readers, from
a spread of 7° between hips and an agreement of 0.90 between readers (7·√(1 − 0.90) = 2.21)."""
LEAST_RESOLVED_DEG: Final = 5.0
"""Two films read by themselves differ by less than this within the readers' own error (published
standard errors of 2 to 3° give 5 to 8° for a change)."""
OWN_NOISE: Final = frozenset({"outline of this picture"})
"""Rows that each exposure has for itself without doubt."""
UNSPLIT: Final = "all of it"
"""Row of a number whose budget is not known."""
OWN: Final = OWN_NOISE | {"registration", UNSPLIT}
"""Rows in which two exposures can differ."""

Variant = Literal["lateral bony edge", "end of the sourcil"]
"""The edge at which an angle is read; angles of two edges are never subtracted."""

_CLOCK: Final = re.compile(r"(1[0-2]|[1-9]):([0-5][0-9])")


# --- the clock face ----------------------------------------------------------------------


def minutes(clock: str) -> int | None:
    """Return a place on the clock face in minutes from 12; None where the text names none.

    >>> minutes("11:30"), minutes("12:00"), minutes("13:00"), minutes("3")
    (690, 0, None, None)
    """
    found = _CLOCK.fullmatch(clock)
    return (int(found[1]) * 60 + int(found[2])) % 720 if found else None


def place(minutes_from_12: float, step: int = 5) -> str:
    """Return a place on the clock face as text, to whole steps of minutes.

    >>> place(0), place(692), place(718), place(65)
    ('12:00', '11:30', '12:00', '1:05')
    """
    whole = round(minutes_from_12 / step) * step % 720
    return f"{whole // 60 or 12}:{whole % 60:02}"


def hours_between(start: str, end: str) -> float:
    """Return the hours from one place to another, clockwise as an anatomical clock runs.

    >>> hours_between("11:00", "2:30")
    3.5
    """
    first, last = minutes(start), minutes(end)
    if first is None or last is None:
        raise ValueError(f"{start!r} or {end!r} is no place on the clock face")
    return ((last - first) % 720) / 60


# --- labrum and anchors ------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Arc:
    """A stretch of the rim, on the clock face and in millimetres.

    Attributes
    ----------
    start, end : str
    hours, degrees : float
    radius_mm, length_mm : Quantity
    budget : Budget
        The rows behind ``length_mm``.
    """

    start: str
    end: str
    hours: float
    degrees: float
    radius_mm: Quantity
    length_mm: Quantity
    budget: Budget


@dataclass(frozen=True, slots=True)
class Anchors:
    """Anchors spread evenly over a stretch of the rim.

    Attributes
    ----------
    spacing_mm : float
        The surgeon's own: neighbours lie no further apart.
    number : int
    fewest, most : int
        Over the interval of the stretch's length.
    apart_mm : float
        From one to the next.
    places : tuple of str
        On the clock face, to five minutes.
    """

    spacing_mm: float
    number: int
    fewest: int
    most: int
    apart_mm: float
    places: tuple[str, ...]


def socket_radius(
    radius_mm: float, u_relative_scale: float, u_centre_mm: float, u_edge_mm: float
) -> tuple[Quantity, Budget]:
    """Return R, from the socket's centre to the roof's lateral edge, with its budget.

    Parameters
    ----------
    radius_mm : float
    u_relative_scale : float
    u_centre_mm, u_edge_mm : float
        Of the centre and of the edge, along the line from one to the other.
    """
    rows = (
        BudgetRow("scale", u_relative_scale, "1", radius_mm, "head diameter, object or spacing"),
        BudgetRow("centre", u_centre_mm, "mm", 1.0, "head circle"),
        BudgetRow("edge", u_edge_mm, "mm", 1.0, "outline of the first picture"),
    )
    budget = Budget("socket radius", "mm", rows)
    return uncertainty.quantity(radius_mm, budget), budget


def arc(start: str, end: str, radius_mm: Quantity) -> Arc:
    """Return a stretch of the rim's clock face as a length on a circle of the socket's radius.

    Parameters
    ----------
    start, end : str
        Places on the clock face, such as "11:00"; clockwise from one to the other.
    radius_mm : Quantity
    """
    hours = hours_between(start, end)
    turn = math.radians(hours * HOUR_DEG)
    length = turn * radius_mm.value
    per_hour = math.radians(HOUR_DEG) * radius_mm.value
    rows = (
        BudgetRow(
            "ends on the clock face",
            U_CLOCK_H,
            "h",
            math.sqrt(2) * per_hour,
            "each to a quarter of an hour; common practice, no source",
        ),
        BudgetRow(
            "the rim is no circle", U_CIRCLE, "1", length, "within 5 %; common practice, no source"
        ),
        BudgetRow("socket radius", radius_mm.u, "mm", turn, "measured on the first picture"),
    )
    budget = Budget("arc length", "mm", rows)
    length_mm = uncertainty.quantity(length, budget)
    return Arc(start, end, hours, hours * HOUR_DEG, radius_mm, length_mm, budget)


def anchors(stretch: Arc, spacing_mm: float) -> Anchors:
    """Spread anchors over a stretch: each in the middle of its own equal share of it.

    So neighbours lie at most ``spacing_mm`` apart, and each end of the stretch at most half of
    that from an anchor: beyond it the labrum is still attached.
    """
    length = stretch.length_mm
    number = _number(length.value, spacing_mm)
    begin = minutes(stretch.start) or 0
    share = stretch.hours * 60 / number
    return Anchors(
        spacing_mm,
        number,
        _number(length.low, spacing_mm),
        _number(length.high, spacing_mm),
        length.value / number,
        tuple(place(begin + (k + 0.5) * share) for k in range(number)),
    )


def _number(length_mm: float, spacing_mm: float) -> int:
    return max(1, math.ceil(length_mm / spacing_mm - 1e-9))


# --- two exposures -----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class TwoExposures:
    """Two pictures of the same state taken together.

    Attributes
    ----------
    difference_mm : Quantity
        Removed on the second less removed on the first.
    agree : bool
        They differ by no more than the difference's own 2u.
    removed_mm, left_mm, lcea_deg : Quantity or None
        Means; None where the two do not agree.
    budgets : tuple of Budget
        The rows behind each of them, and behind the difference.
    """

    difference_mm: Quantity
    agree: bool
    removed_mm: Quantity | None
    left_mm: Quantity | None
    lcea_deg: Quantity | None
    budgets: tuple[Budget, ...]


def two_exposures(first: Removal, second: Removal) -> TwoExposures:
    """Take two exposures of the same state together.

    Notes
    -----
    What both share (first picture, scale, centre, direction, the bone's depth and shape) is one
    and the same error: in the mean it does not shrink, in the difference it cancels.  How far two
    registrations of one view share their error is not known, so each number takes the worse
    case: in the mean they share all of it, in the difference nothing.
    """
    apart = second.recession_mm.value - first.recession_mm.value
    own = [_of(one, "recession_mm", one.recession_mm) for one in (first, second)]
    rows = uncertainty.linear(
        "difference",
        "mm",
        [(-1.0, _marked(own[0], OWN, 1)), (1.0, _marked(own[1], OWN, 2))],
    )
    difference = uncertainty.quantity(apart, rows)
    if abs(apart) > uncertainty.expanded(difference.u):
        return TwoExposures(difference, False, None, None, None, (rows,))
    means: list[Budget] = []

    def mean(
        name: str, unit: str, pair: tuple[Quantity | None, Quantity | None]
    ) -> Quantity | None:
        a, b = pair
        if a is None or b is None:
            return None
        terms = [
            (0.5, _marked(_of(one, name, q), OWN_NOISE, k))
            for k, (one, q) in enumerate(((first, a), (second, b)), 1)
        ]
        means.append(uncertainty.linear(name, unit, terms))
        return uncertainty.quantity((a.value + b.value) / 2, means[-1])

    removed = mean("recession_mm", "mm", (first.recession_mm, second.recession_mm))
    left = mean("remaining", "mm", (first.remaining_mm, second.remaining_mm))
    lcea = mean("lcea", "deg", (first.lcea_deg, second.lcea_deg))
    return TwoExposures(difference, True, removed, left, lcea, (*means, rows))


def _of(removal: Removal, name: str, quantity: Quantity) -> Budget:
    """Return the budget of one of a picture's numbers; one row of its u where there is none."""
    for budget in removal.budgets:
        if budget.result == name and budget.rows:
            return budget
    return Budget(name, quantity.unit, (BudgetRow(UNSPLIT, quantity.u, quantity.unit, 1.0),))


def _marked(budget: Budget, own: frozenset[str], exposure: int) -> Budget:
    """Give an exposure's own rows a name of their own, so that they are not taken as shared."""
    rows = tuple(
        replace(row, source=f"{row.source}, exposure {exposure}") if row.source in own else row
        for row in budget.rows
    )
    return replace(budget, rows=rows)


# --- two films ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class FilmChange:
    """How an angle on one film differs from that on an earlier one.

    Attributes
    ----------
    change_deg : Quantity
        After less before: negative where the roof covers less.
    resolved : bool
        It is larger than what two films read by themselves can tell, and than its own 2u.
    """

    change_deg: Quantity
    resolved: bool


def film_change(before: Quantity, after: Quantity, *, u_view_deg: float = 0.0) -> FilmChange:
    """Set the film after the operation against the one before; both of the same edge.

    Parameters
    ----------
    before, after : Quantity
        Degrees, each read by itself.
    u_view_deg : float
        From how differently the two were taken.
    """
    value = after.value - before.value
    change = Quantity(value, math.hypot(before.u, after.u, u_view_deg), "deg")
    resolved = abs(value) >= max(LEAST_RESOLVED_DEG, uncertainty.expanded(change.u))
    return FilmChange(change, resolved)
