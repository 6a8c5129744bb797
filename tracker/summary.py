"""One case -> one frozen row: what was planned and reached, pass by pass, and what it took.

A row holds numbers only, no pictures and no drawings, so that thousands fit in memory.
"""

import json
import math
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final, Literal

from tracker.casebook import Case, CasePicture, Standing
from tracker.dosing import dose_of
from tracker.logbook import ZERO
from tracker.provenance import Origin
from tracker.record import EventRow
from tracker.values import (
    LimitMessage,
    MarksSource,
    Message,
    Plan,
    Quantity,
    Reason,
    ReferenceResult,
    Removal,
    ScaleRung,
    Side,
    View,
)

PlanKind = Literal["angle", "depth", "both"]

_NO_EXPOSURE: Final = frozenset({"plate", "object", "film", "held"})
"""Roles of pictures that were not taken to see what has been removed."""


@dataclass(frozen=True, slots=True)
class PassRow:
    """From one measured picture to the next, while burring.

    Attributes
    ----------
    number : int
        Of the picture that ends it.
    removed_mm, removed_deg : Quantity
        What the second reads more than the first; noise can bring it under zero.  The two are
        taken as independent, which makes u too large where they share an error.
    minutes : float or None
        From when they were taken, by the case's timeline; by the C-arm's clock alone in a case
        that was not live; None where no clock says it, or nothing was measured before.
    """

    number: int
    removed_mm: Quantity
    removed_deg: Quantity
    minutes: float | None = None


@dataclass(frozen=True, slots=True)
class EyeRow:
    """The surgeon's own estimate of a picture, and what was measured on it, mm removed."""

    number: int
    eye_mm: float
    measured_mm: Quantity


@dataclass(frozen=True, slots=True)
class CaseSummary:
    """One case as a row among many.

    Attributes
    ----------
    case_id : str
    opened : str
        ISO 8601 with its time zone.
    side, view : str
    origin : {"live", "folder", "demo"}
    standing : str
        Of its latest picture.
    plan : Plan
    start_lcea : Quantity or None
        Degrees; of the case's very first picture.
    planned_mm, planned_deg : float or None
        What the plan asks for on this hip.  Its error is in ``left_mm``, not here.
    final : int or None
        The picture whose numbers stand for the case, as in its report: the last that counts
        while burring, else the last that counts.
    removed_mm, removed_deg : Quantity or None
        On that picture, with what earlier series had removed.
    whole : bool
        False where something was burred between two series: the total is then a least.
    left_mm, to_limit_mm : Quantity or None
        Left to the plan and to the lower limit on it.
    message : str or None
        As it was said on it.
    limits : tuple of str
    after_last : int
        Pictures after it, while burring, that don't count: what was burred since is not in the row.
    passes : tuple of PassRow
    pictures : int
        Exposures: without copies of a picture that was there already.
    measured, not_measured, copies, wrong_outline, unreadable : int
        Pictures after a first one, by what became of them; files that were no picture.
    reasons : tuple of (str, int)
        First reason of each picture that was not measured, the commonest first.
    dose_dgycm2 : float or None
        Sum of what headers say, dGy cm².
    dose_last_dgycm2 : float or None
        Of the last picture, where headers may say a running total: the dose is then one of the two.
    dose_pictures : int
        Pictures whose header says it.
    eye : tuple of EyeRow
    marks : str or None
    scale_from : str or None
    software : tuple of str
        Versions that measured it.
    """

    case_id: str
    opened: str
    side: Side
    view: View
    origin: Origin
    standing: Standing
    plan: Plan
    start_lcea: Quantity | None = None
    planned_mm: float | None = None
    planned_deg: float | None = None
    final: int | None = None
    removed_mm: Quantity | None = None
    removed_deg: Quantity | None = None
    whole: bool = True
    left_mm: Quantity | None = None
    to_limit_mm: Quantity | None = None
    message: Message | None = None
    limits: tuple[LimitMessage, ...] = ()
    after_last: int = 0
    passes: tuple[PassRow, ...] = ()
    pictures: int = 0
    measured: int = 0
    not_measured: int = 0
    copies: int = 0
    wrong_outline: int = 0
    unreadable: int = 0
    reasons: tuple[tuple[str, int], ...] = ()
    dose_dgycm2: float | None = None
    dose_last_dgycm2: float | None = None
    dose_pictures: int = 0
    eye: tuple[EyeRow, ...] = ()
    marks: MarksSource | None = None
    scale_from: ScaleRung | None = None
    software: tuple[str, ...] = ()

    @property
    def opened_at(self) -> datetime:
        """When the case was opened."""
        return datetime.fromisoformat(self.opened)

    @property
    def plan_kind(self) -> PlanKind:
        """What the plan gives: an angle, a depth, or both."""
        if self.plan.depth_mm is None:
            return "angle"
        return "depth" if self.plan.target_lcea_deg is None else "both"

    @property
    def burring_minutes(self) -> float | None:
        """Time of all passes together; None where one of them has none."""
        times = [one.minutes for one in self.passes if one.minutes is not None]
        return sum(times) if times and len(times) == len(self.passes) else None


@dataclass(frozen=True, eq=False, slots=True)
class _Series:
    """Pictures measured against one first picture, and what had been removed before it."""

    reference: ReferenceResult
    radius_mm: float
    before: Quantity | None
    stills: list[CasePicture]

    def counted(self) -> Iterator[tuple[CasePicture, Removal]]:
        """Yield the pictures that count, with their numbers."""
        for picture in self.stills:
            if picture.counts and picture.result and picture.result.removal:
                yield picture, picture.result.removal


def summarise(case: Case, events: Iterable[EventRow], origin: Origin) -> CaseSummary:
    """Put a case into one row.

    Parameters
    ----------
    case : Case
        Its results may lack their drawings.
    events : iterable of EventRow
        The case's journal.
    origin : {"live", "folder", "demo"}

    Returns
    -------
    CaseSummary
    """
    taken = [one for one in case.pictures if one.role not in _NO_EXPOSURE]
    looked = [one for one in taken if one.result is not None]
    copies = [one for one in looked if _first_reason(one) == Reason.DUPLICATE]
    reasons = Counter(
        str(reason)
        for one in looked
        if (reason := _first_reason(one)) is not None and reason != Reason.DUPLICATE
    )
    numbers = {one.number for one in taken} - {one.number for one in copies}
    dose = dose_of(case.pictures)
    series = list(_series(case))
    reference = case.reference
    row = CaseSummary(
        case_id=case.row.id,
        opened=case.row.opened_at.isoformat(),
        side=case.setup.side,
        view=case.setup.view,
        origin=origin,
        standing=case.standing,
        plan=case.setup.plan,
        start_lcea=series[0].reference.lcea_deg if series else None,
        passes=tuple(_passes(series, _Clocks(case, origin), _zeros(events))),
        pictures=len(numbers),
        measured=sum(one.counts for one in looked),
        not_measured=sum(reasons.values()),
        copies=len(copies),
        wrong_outline=sum(one.distrusted for one in looked),
        unreadable=len(case.unreadable),
        reasons=tuple(sorted(reasons.items(), key=lambda one: (-one[1], one[0]))),
        dose_dgycm2=dose.sum_dgycm2,
        dose_last_dgycm2=dose.last_dgycm2,
        dose_pictures=dose.said,
        eye=tuple(_eye(case, series)),
        marks=reference.marks if reference else None,
        scale_from=reference.scale_from if reference else None,
        software=tuple(sorted({one.software for one in case.pictures if one.software})),
    )
    return _with_end(row, case, series)


def _zeros(events: Iterable[EventRow]) -> frozenset[int]:
    """Return the pictures that were brought as zero pictures, of all series."""
    return frozenset(int(json.loads(e.body)["number"]) for e in events if e.kind == ZERO)


def _series(case: Case) -> Iterator[_Series]:
    """Yield the case's series in order; one whose first picture can't be used has no numbers."""
    place = {number: place for place, number in enumerate(case.timeline.order)}
    found: _Series | None = None
    for picture in case.pictures:
        if picture.role in ("first", "earlier") and picture.reference is not None:
            if found is not None:
                found.stills.sort(key=lambda one: place.get(one.number, 0))
                yield found
            found = _opened(picture.reference, found)
        elif picture.role in ("still", "earlier") and found is not None:
            found.stills.append(picture)
    if found is not None:
        found.stills.sort(key=lambda one: place.get(one.number, 0))
        yield found


def _opened(reference: ReferenceResult, last: _Series | None) -> _Series:
    before = None
    if last is not None:
        totals = [_total(last.before, removal) for _, removal in last.counted()]
        before = totals[-1] if totals else last.before
    radius_mm = math.nan
    if reference.centre_px and reference.rim_edge_px and reference.mm_per_px:
        radius_mm = math.dist(reference.centre_px, reference.rim_edge_px) * reference.mm_per_px
    return _Series(reference, radius_mm, before, [])


def _total(before: Quantity | None, removal: Removal) -> Quantity:
    """Return what was removed in all, with what earlier series had removed."""
    if before is None:
        return removal.recession_mm
    own = removal.running_mm
    return Quantity(before.value + own.value, math.hypot(before.u, own.u), own.unit)


def _with_end(row: CaseSummary, case: Case, series: list[_Series]) -> CaseSummary:
    """Add how the case ended: by the picture whose numbers stand for it."""
    counted = [(one, picture, removal) for one in series for picture, removal in one.counted()]
    if not counted:
        return row
    while_burring = [one for one in counted if not one[1].quiet]
    last, picture, removal = (while_burring or counted)[-1]
    total = _total(last.before, removal)
    planned_mm = total.value + removal.remaining_mm.value
    stills = [still for one in series for still in one.stills]
    after = stills[[still.number for still in stills].index(picture.number) + 1 :]
    result, carried = picture.result, case.log.carried
    return replace(
        row,
        final=picture.number,
        planned_mm=planned_mm,
        planned_deg=_degrees(planned_mm, last.radius_mm),
        removed_mm=total,
        removed_deg=_fall(series[0], last, total, removal),
        whole=carried is None or carried.whole,
        left_mm=removal.remaining_mm,
        to_limit_mm=removal.to_floor_mm,
        message=result.message if result else None,
        limits=result.limits if result else (),
        after_last=sum(
            not still.quiet and _first_reason(still) != Reason.DUPLICATE for still in after
        ),
    )


def _fall(first: _Series, last: _Series, total: Quantity, removal: Removal) -> Quantity | None:
    """Return the fall of the angle since the case's very first picture.

    Within a series the scale cancels; of two series each has an angle of its own.
    """
    if last is first:
        return _angle(total, last.radius_mm, _u_without_scale(removal))
    start, now = first.reference.lcea_deg, removal.lcea_deg
    if start is None:
        return None
    return Quantity(start.value - now.value, math.hypot(start.u, now.u), "deg")


def _passes(series: list[_Series], clocks: "_Clocks", zeros: frozenset[int]) -> Iterator[PassRow]:
    """Yield the passes: from one picture that counts to the next, while burring."""
    for one in series:
        before: tuple[CasePicture, Removal] | None = None
        for picture, removal in one.counted():
            change, u_angle = removal.recession_mm, _u_without_scale(removal)
            minutes = None
            if before is not None:
                earlier = before[1].recession_mm
                u = math.hypot(change.u, earlier.u)
                change = Quantity(change.value - earlier.value, u, change.unit)
                u_angle = math.hypot(u_angle, _u_without_scale(before[1]))
                minutes = clocks.minutes(before[0], picture)
            angle = _angle(change, one.radius_mm, u_angle)
            burred = picture.is_pass and picture.phase == "burring"
            if burred and picture.number not in zeros and angle is not None:
                yield PassRow(picture.number, change, angle, minutes)
            before = picture, removal


def _eye(case: Case, series: list[_Series]) -> Iterator[EyeRow]:
    said = {one.number: one.removed_mm for one in case.around.estimates}
    for one in series:
        for picture, removal in one.counted():
            eye_mm = said.get(picture.number)
            if eye_mm is not None:
                yield EyeRow(picture.number, eye_mm, _total(one.before, removal))


class _Clocks:
    """When pictures were taken, as far as any clock is to be believed.

    Parameters
    ----------
    case : Case
    origin : str
    """

    def __init__(self, case: Case, origin: Origin) -> None:
        times = zip(case.timeline.order, case.timeline.taken_s, strict=True)
        self._taken_s = dict(times) if origin == "live" else {}

    def minutes(self, earlier: CasePicture, later: CasePicture) -> float | None:
        """Return the time between two exposures; None where no clock says it."""
        begin, end = (self._taken_s.get(one.number) for one in (earlier, later))
        if begin is None or end is None:
            begin, end = (_by_device(one) for one in (earlier, later))
        # A clock that was set back in between says nothing.
        return None if begin is None or end is None or end < begin else (end - begin) / 60


def _by_device(picture: CasePicture) -> float | None:
    """Return what the C-arm's clock said, seconds; it says no time zone, which cancels."""
    text = picture.arrival.facts.acquired if picture.arrival else None
    try:
        return None if text is None else datetime.fromisoformat(text).timestamp()
    except ValueError:
        return None


def _first_reason(picture: CasePicture) -> Reason | None:
    reasons = picture.result.reasons if picture.result else ()
    return reasons[0].reason if reasons else None


def _u_without_scale(removal: Removal) -> float:
    """Return u of the recession, mm, without the scale's share, which cancels in an angle."""
    for budget in removal.budgets:
        if budget.result == "recession_mm":
            shares = [row.contribution for row in budget.rows if row.source != "scale"]
            return math.hypot(*shares) or removal.recession_mm.u
    return removal.recession_mm.u


def _degrees(mm: float, radius_mm: float) -> float | None:
    angle = math.degrees(mm / radius_mm)
    return angle if math.isfinite(angle) else None


def _angle(length: Quantity, radius_mm: float, u_mm: float) -> Quantity | None:
    """Return a length along the roof's arc as an angle."""
    value = _degrees(length.value, radius_mm)
    return None if value is None else Quantity(value, math.degrees(u_mm / radius_mm), "deg")
