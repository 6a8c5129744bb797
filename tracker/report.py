"""A case -> its report: one frozen value, from which page, PDF, tables and DICOM objects come.

Nothing here is measured and nothing is rounded.  There is no present time in it either: every
date comes from the case, so that the same case gives the same report.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Final, Literal

from tracker import uncertainty
from tracker.agreement import Beside as BesideRim
from tracker.agreement import Terms
from tracker.around import AnchorIn, Capsule, Film, FinalKept, LabrumSaid, Spell
from tracker.around_acts import AroundView
from tracker.around_films import Compared
from tracker.around_sums import Anchors, Arc
from tracker.casebook import Case, CasePicture, Standing
from tracker.logbook import Carried, Note
from tracker.measure import SCALE
from tracker.plan import carried_budget
from tracker.record import EventRow
from tracker.report_exposure import Exposure, asks, exposure_of, later
from tracker.values import (
    CAUTION,
    VIEW_LIMIT,
    Budget,
    BudgetRow,
    LimitMessage,
    Marks,
    Message,
    NotMeasurable,
    Plan,
    Quantity,
    ReferenceResult,
    Removal,
    Scale,
    ScaleRung,
    Side,
    View,
)

INTERVALS: Final = (
    "Each interval is the value plus and minus two standard uncertainties (2u) and is meant to "
    "hold the true value 19 times in 20. Its budget adds what is known of the marks, the "
    "outlines, the registration, the beam's direction and the scale. The intervals were checked "
    "against known truth on simulated pictures and on radiographs whose rim was cut back in the "
    "picture, not against CT after real operations."
)
"""The uncertainty statement."""

NOT_SEEN: Final[dict[View, str]] = {
    "AP": VIEW_LIMIT,
    "oblique": (
        "Oblique view: the rim where it is seen edge on. Lateral edge and back of the rim not seen "
        "in this view. Millimetres only."
    ),
    "false-profile": (
        "False profile: front edge only. Lateral edge and back of the rim not seen in this view. "
        "Millimetres only; no anterior angle is measured."
    ),
}
UNSEEN: Final = (
    "A rim thinned from the front or from behind moves no outline in one view.",
    "Cartilage, labrum and soft tissue are not measured.",
    "Bone burred after the last picture is in no number.",
)
"""What the view can't see: of each view, then of any."""

HowFinal = Literal["two exposures", "last while burring", "last measured"]
"""How the final picture before repair was found."""


@dataclass(frozen=True, eq=False, slots=True)
class Start:
    """What the first picture gave.

    Attributes
    ----------
    number : int
    name : str
    at : datetime
        When the picture came in.
    standing : str
    reasons : tuple of NotMeasurable
        Why it can't be used.
    notes : tuple of str
    lcea_deg : Quantity or None
        Lateral bony edge.
    radius_mm : float or None
        R, from the centre to the edge.
    head_mm : float or None
        Diameter of the marked head by the scale that was used.
    mm_per_px : float or None
    u_mm_per_px : float or None
        Standard uncertainty of the scale; None in records from before it was kept.
    scale_from : str or None
    """

    number: int
    name: str
    at: datetime
    standing: Standing
    reasons: tuple[NotMeasurable, ...] = ()
    notes: tuple[str, ...] = ()
    lcea_deg: Quantity | None = None
    radius_mm: float | None = None
    head_mm: float | None = None
    mm_per_px: float | None = None
    u_mm_per_px: float | None = None
    scale_from: ScaleRung | None = None


@dataclass(frozen=True, eq=False, slots=True)
class Line:
    """One later picture: its numbers, or why it has none.

    Attributes
    ----------
    number : int
    name : str
    at : datetime
    standing : str
    series : str
        "present", or "earlier" for a picture measured against an earlier first picture.
    removal : Removal or None
        Only where its numbers may be shown.
    message : str or None
    limits : tuple of str
    reasons : tuple of NotMeasurable
    notes : tuple of str
    retake : bool
        The tool asked for one more exposure.
    is_zero : bool
        It was brought as the zero picture.
    quiet : bool
        It was taken while nothing was burred; no total is built on it.
    """

    number: int
    name: str
    at: datetime
    standing: Standing
    series: Literal["present", "earlier"]
    removal: Removal | None = None
    message: Message | None = None
    limits: tuple[LimitMessage, ...] = ()
    reasons: tuple[NotMeasurable, ...] = ()
    notes: tuple[str, ...] = ()
    retake: bool = False
    is_zero: bool = False
    quiet: bool = False


@dataclass(frozen=True, eq=False, slots=True)
class FinalState:
    """The final state before repair.

    Attributes
    ----------
    number : int
        Of the picture.
    numbers : tuple of int
        The two pictures that were taken together as the final, or the one.
    at : datetime
    how : str
        How it was chosen.
    removed_mm, left_mm : Quantity
    lcea_deg : Quantity or None
        Means of two exposures where these were saved and agree, else of the picture; without
        angles the last is None.
    difference_mm : Quantity or None
        Of the two exposures.
    agree : bool
        False where two exposures were saved and differ by more than their interval.
    removal : Removal
        Of the picture.
    message : str or None
    limits : tuple of str
    change_deg : Quantity or None
        Fall of the angle since the first picture; what both pictures share cancels.
    total_mm : Quantity or None
        With what was carried over from an earlier first picture.
    """

    number: int
    numbers: tuple[int, ...]
    at: datetime
    how: HowFinal
    removed_mm: Quantity
    left_mm: Quantity
    lcea_deg: Quantity | None
    difference_mm: Quantity | None
    agree: bool
    removal: Removal
    message: Message | None
    limits: tuple[LimitMessage, ...]
    change_deg: Quantity | None
    total_mm: Quantity | None


@dataclass(frozen=True, eq=False, slots=True)
class Beside:
    """What was written beside the resection; None or empty where nothing was.

    Attributes
    ----------
    spells : tuple of Spell
        Times under traction.
    traction_s : float or None
        All of them together, up to the last entry.
    traction_on : bool
        Traction is on at the last entry.
    labrum : LabrumSaid or None
        The detached stretch on the clock face.
    arc : Arc or None
        The same in millimetres.
    spacing_mm : float or None
    planned : Anchors or None
    anchors : tuple of AnchorIn
    capsule : str or None
    movement_tested : bool or None
    film_before, film_after : Film or None
    compared : Compared or None
    after_traction : FinalKept or None
        Two exposures after traction.
    estimates : tuple of (int, float, Quantity or None)
        Picture, what the surgeon took to be removed before the number showed, and the number.
    """

    spells: tuple[Spell, ...] = ()
    traction_s: float | None = None
    traction_on: bool = False
    labrum: LabrumSaid | None = None
    arc: Arc | None = None
    spacing_mm: float | None = None
    planned: Anchors | None = None
    anchors: tuple[AnchorIn, ...] = ()
    capsule: Capsule | None = None
    movement_tested: bool | None = None
    film_before: Film | None = None
    film_after: Film | None = None
    compared: Compared | None = None
    after_traction: FinalKept | None = None
    estimates: tuple[tuple[int, float, Quantity | None], ...] = ()


@dataclass(frozen=True, slots=True)
class Made:
    """What made the numbers, and the record they lie in.

    Attributes
    ----------
    software, settings : str
        Version and digest of the settings of this report.
    measured_with : tuple of (str, str)
        Versions and digests that measured the pictures.
    entries : int
        Length of the case's journal.
    chain : str
        Head of the case's chain of hashes; empty where the record has none.
    """

    software: str
    settings: str
    measured_with: tuple[tuple[str, str], ...]
    entries: int
    chain: str


@dataclass(frozen=True, eq=False, slots=True)
class Report:
    """The report of a case.

    Attributes
    ----------
    case_id : str
    side : {"left", "right"}
    view : str
    opened_at, last_at : datetime
        First and last entry of the journal.
    closed : bool
    standing : str
        Of the case.
    plan : Plan
    terms : Terms
        What was agreed when the case was opened.
    beside_rim : str
        What lies beside the rim, and whether the edge is taken with or without it.
    other_views : tuple of (str, str)
        Cases of other views of the same hip, and their views.
    angles : bool
        Angles are said; else millimetres only.
    silent : bool
        Numbers are recorded and shown nowhere until the case is closed.
    at_most : bool
        Less may be left than is said: burred unseen before the present first picture.
    plan_notes : tuple of str
        What the plan looks like on this hip.
    plan_confirmed : bool
    marks : Marks or None
        As agreed.
    marks_at : datetime or None
    scale : Scale
        As given.
    start : Start or None
        None while there is no picture.
    lines : tuple of Line
        The later pictures, in order.
    final : FinalState or None
        None while nothing is measured.
    carried : Carried or None
    zero_skipped : bool
    unreadable : tuple of (datetime or None, str, str)
        Files that were no pictures: when, name, why.
    exposure : Exposure
    beside : Beside
    notes : tuple of Note
    made : Made
    """

    case_id: str
    side: Side
    view: View
    opened_at: datetime
    last_at: datetime
    closed: bool
    standing: Standing
    plan: Plan
    terms: Terms
    beside_rim: str
    other_views: tuple[tuple[str, View], ...]
    angles: bool
    silent: bool
    at_most: bool
    plan_notes: tuple[str, ...]
    plan_confirmed: bool
    marks: Marks | None
    marks_at: datetime | None
    scale: Scale
    start: Start | None
    lines: tuple[Line, ...]
    final: FinalState | None
    carried: Carried | None
    zero_skipped: bool
    unreadable: tuple[tuple[datetime | None, str, str], ...]
    exposure: Exposure
    beside: Beside
    notes: tuple[Note, ...]
    made: Made
    caution: str = CAUTION
    intervals: str = INTERVALS

    @property
    def unseen(self) -> tuple[str, ...]:
        """What the case's view can't see."""
        return NOT_SEEN[self.view], *UNSEEN

    @property
    def measured(self) -> tuple[Line, ...]:
        """Pictures with numbers."""
        return tuple(line for line in self.lines if line.removal is not None)

    @property
    def unmeasured(self) -> tuple[Line, ...]:
        """Pictures without numbers."""
        return tuple(line for line in self.lines if line.removal is None)


def build(
    around: AroundView,
    events: tuple[EventRow, ...],
    plan_notes: Iterable[str],
    made_with: tuple[str, str],
) -> Report:
    """Put a case's report together.

    Parameters
    ----------
    around : AroundView
        The case, and how it stands beside the resection at its last entry.
    events : tuple of EventRow
        The case's whole journal.
    plan_notes : iterable of str
        What the plan looks like on this hip.
    made_with : tuple of str
        Version of this software and digest of its settings.

    Returns
    -------
    Report
    """
    case = around.case
    lines = tuple(_line(case, picture) for picture in later(case))
    marks_at = [event.at for event in events if event.kind == "marks"]
    return Report(
        case_id=case.row.id,
        side=case.setup.side,
        view=case.setup.view,
        opened_at=case.row.opened_at,
        last_at=events[-1].at,
        closed=case.log.closed,
        standing=case.standing,
        plan=case.setup.plan,
        terms=case.agreement.terms,
        beside_rim=_beside_rim(case.agreement.beside),
        other_views=tuple((other.case_id, other.view) for other in case.agreement.views),
        angles=case.angles,
        silent=case.silent,
        at_most=case.at_most,
        plan_notes=tuple(plan_notes),
        plan_confirmed=case.log.plan_confirmed,
        marks=case.setup.marks,
        marks_at=(marks_at[-1] if marks_at else events[0].at) if case.setup.marks else None,
        scale=case.setup.scale,
        start=_start(case),
        lines=lines,
        final=_final(case, lines),
        carried=case.log.carried,
        zero_skipped=case.log.zero_skipped,
        unreadable=tuple((note.at, note.name, note.message) for note in case.unreadable),
        exposure=exposure_of(case),
        beside=_beside(around, lines, events[-1].at),
        notes=case.log.notes,
        made=Made(*made_with, _measured_with(events), len(events), events[-1].chain),
    )


# --- pictures ----------------------------------------------------------------------------


def _line(case: Case, picture: CasePicture) -> Line:
    result = picture.result
    shown = result.removal if result and picture.counts else None
    reasons = result.reasons if result else ()
    return Line(
        number=picture.number,
        name=picture.row.name,
        at=picture.row.received_at,
        standing=case.standing_of(picture),
        series="earlier" if picture.role == "earlier" else "present",
        removal=shown,
        message=result.message if result and shown else None,
        limits=result.limits if result and shown else (),
        reasons=reasons,
        notes=result.notes if result and not case.silent else (),
        retake=asks(reasons),
        is_zero=picture.number == case.log.zero_number,
        quiet=picture.quiet,
    )


def _start(case: Case) -> Start | None:
    first = case.first
    if first is None:
        return None
    row, found = first.row, first.reference
    start = Start(first.number, row.name, row.received_at, case.standing_of(first))
    if found is None:
        return start
    return Start(
        start.number,
        start.name,
        start.at,
        start.standing,
        reasons=found.reasons,
        notes=() if case.silent else found.notes,
        lcea_deg=found.lcea_deg if case.angles and not case.silent else None,
        radius_mm=_radius_mm(found),
        head_mm=2 * found.head_radius_px * found.mm_per_px
        if found.head_radius_px and found.mm_per_px
        else None,
        mm_per_px=found.mm_per_px,
        u_mm_per_px=found.u_scale * found.mm_per_px if found.u_scale and found.mm_per_px else None,
        scale_from=found.scale_from,
    )


def _radius_mm(found: ReferenceResult) -> float | None:
    if found.centre_px is None or found.rim_edge_px is None or found.mm_per_px is None:
        return None
    return math.dist(found.centre_px, found.rim_edge_px) * found.mm_per_px


def _budget(removal: Removal, result: str) -> Budget | None:
    return next((budget for budget in removal.budgets if budget.result == result), None)


# --- the final state ---------------------------------------------------------------------


def _final(case: Case, lines: tuple[Line, ...]) -> FinalState | None:
    found = {line.number: line for line in lines if line.removal and line.series == "present"}
    if not found:
        return None
    kept = case.around.final("before repair")
    if kept is not None and set(kept.said.numbers) <= found.keys() and kept.standing == "stands":
        last = found[kept.said.numbers[-1]]
        how: HowFinal = "two exposures"
    else:
        kept = None
        passes = [line for line in found.values() if not line.quiet]
        last = passes[-1] if passes else list(found.values())[-1]
        how = "last while burring" if len(passes) < len(found) and passes else "last measured"
    removal = last.removal
    assert removal is not None
    two = kept.said.exposures if kept else None
    removed = (two.removed_mm if two else None) or removal.recession_mm
    return FinalState(
        number=last.number,
        numbers=kept.said.numbers if kept else (last.number,),
        at=last.at,
        how=how,
        removed_mm=removed,
        left_mm=(two.left_mm if two else None) or removal.remaining_mm,
        lcea_deg=((two.lcea_deg if two else None) or removal.lcea_deg) if case.angles else None,
        difference_mm=two.difference_mm if two else None,
        agree=two.agree if two else True,
        removal=removal,
        message=last.message,
        limits=last.limits,
        change_deg=_change(case.reference, removal, removed) if case.angles else None,
        total_mm=_total(case.log.carried, case.reference, removal),
    )


def _total(
    carried: Carried | None, reference: ReferenceResult | None, removal: Removal
) -> Quantity | None:
    """Return what was carried over and what was removed since; one scale is behind both."""
    if carried is None:
        return None
    before, now = carried.removed_mm, removal.running_mm
    value, budget = before.value + now.value, _budget(removal, "recession_mm")
    if budget is None or reference is None or reference.u_scale is None:
        return Quantity(value, before.u + now.u, now.unit)
    scale = BudgetRow(SCALE, reference.u_scale, "1", 1.0)
    parts = [(1.0, budget), (1.0, carried_budget(carried, scale))]
    return uncertainty.quantity(value, uncertainty.linear("total", "mm", parts))


def _change(
    reference: ReferenceResult | None, removal: Removal, removed: Quantity
) -> Quantity | None:
    """Return the fall of the angle: the recession over R, in which the scale cancels."""
    radius = _radius_mm(reference) if reference else None
    budget = _budget(removal, "recession_mm")
    if radius is None or budget is None:
        return None
    rows = [row.contribution for row in budget.rows if row.source != SCALE]
    u = math.degrees(math.hypot(*rows) / radius)
    return Quantity(math.degrees(removed.value / radius), u, "deg")


# --- beside the resection ----------------------------------------------------------------


def _beside_rim(beside: BesideRim) -> str:
    return f"edge taken {beside.how} the {beside.what}" if beside.how else ""


def _beside(view: AroundView, lines: tuple[Line, ...], last_at: datetime) -> Beside:
    around = view.around
    shown = {line.number: line.removal.running_mm for line in lines if line.removal}
    return Beside(
        spells=around.traction.spells,
        traction_s=around.traction.total_s(last_at) if around.traction.spells else None,
        traction_on=around.traction.is_on,
        labrum=around.labrum,
        arc=view.arc,
        spacing_mm=around.spacing_mm,
        planned=view.anchors,
        anchors=around.anchors,
        capsule=around.capsule,
        movement_tested=around.movement_tested,
        film_before=around.film_before,
        film_after=around.film_after,
        compared=view.compared,
        after_traction=around.final("after traction"),
        estimates=tuple(
            (one.number, one.removed_mm, shown.get(one.number))
            for one in around.estimates
            if one.removed_mm is not None
        ),
    )


def _measured_with(events: tuple[EventRow, ...]) -> tuple[tuple[str, str], ...]:
    made = [(event.software, event.settings) for event in events if event.kind == "result"]
    return tuple(dict.fromkeys(made))
