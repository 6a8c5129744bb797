"""What each page needs to know about a case, unrounded; the pages only put it into words.

Nothing here measures: values come from the record, drawings from :mod:`tracker.drawing` and
:mod:`tracker.charts`.
"""

import math
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

import numpy as np

from tracker import charts, firstlook, gallery
from tracker.casebook import Case, CasePicture, Standing
from tracker.charts import Step, StripMarks
from tracker.gallery import Form, Frame
from tracker.marks import socket_from_marks
from tracker.plan import PlanNote, check_plan
from tracker.values import (
    CaseSetup,
    Floats,
    Marks,
    NotMeasurable,
    Quantity,
    ReferenceResult,
    Removal,
    ScaleRung,
    Socket,
    StillResult,
    View,
)

OUTWARD: Final[dict[View, str]] = {
    "AP": "lateral",
    "oblique": "outward",
    "false-profile": "front",
}
"""The direction in which the edge lies, by view; only an AP view shows the lateral one."""
_INWARD: Final[dict[View, str]] = {
    "AP": "towards the mid-line",
    "oblique": "inward",
    "false-profile": "back",
}
_EDGE: Final[dict[View, str]] = {
    "AP": "lateral edge",
    "oblique": "edge in this view",
    "false-profile": "front edge",
}

_HANDLES: Final = 5
_STRIP: Final = (760, 520)
_SMALL_STRIP: Final = (640, 200)
_CHART: Final = (760, 520)


@dataclass(frozen=True, eq=False, slots=True)
class PictureView:
    """One picture of the case as a page shows it.

    Attributes
    ----------
    number : int
    name : str
    received_at : datetime
    standing : str
    form : str
        In which form the picture is shown.
    width, height : int
        Of that form, pixels.
    lines : str
        The drawing that lies over it; empty where there is none.
    result : StillResult or None
    reference : ReferenceResult or None
    silent, angles, at_most : bool
        Of the case: numbers are not shown, angles are said, less may be left than is said.
    """

    number: int
    name: str
    received_at: datetime
    standing: Standing
    form: Form
    width: int
    height: int
    lines: str
    result: StillResult | None
    reference: ReferenceResult | None
    silent: bool = False
    angles: bool = True
    at_most: bool = False

    @property
    def removal(self) -> Removal | None:
        """The picture's numbers, where they may be shown."""
        return self.result.removal if self.result and self.standing == "measured" else None


@dataclass(frozen=True, eq=False, slots=True)
class GlanceView:
    """What the wall shows: what is left now, or why nothing can be said.

    Attributes
    ----------
    case : Case
    standing : str
        Of the latest picture; of the case while there is none to measure.
    shown : PictureView or None
        The latest picture that says anything; files that were already in the case are passed over.
    last_left : Quantity or None
        What was left on the last picture that counts, where ``shown`` is not it.
    passes_since : int
        Pictures after that one.
    start_lcea, target_lcea, floor_lcea : Quantity or float or None
        Degrees.
    reasons : tuple of NotMeasurable
    plan_notes : tuple of PlanNote
        What the plan looks like on this hip.
    quality : tuple of str
        What speaks against the first picture.
    strip : str
    now : datetime
        When this was put together.
    last_event : int
        Of any view of the hip.
    views : tuple of Case
        Of the same hip, this one among them.
    test_picture : bool
        The rehearsal's picture is there to be seen.
    """

    case: Case
    standing: Standing
    shown: PictureView | None
    last_left: Quantity | None
    passes_since: int
    start_lcea: Quantity | None
    reasons: tuple[NotMeasurable, ...]
    plan_notes: tuple[PlanNote, ...]
    quality: tuple[str, ...]
    strip: str
    now: datetime
    last_event: int
    views: tuple[Case, ...] = ()
    test_picture: bool = False


@dataclass(frozen=True, eq=False, slots=True)
class ReviewEntry:
    """One picture on Review: whole, and with the rim magnified where it was measured."""

    whole: PictureView
    rim: PictureView | None


@dataclass(frozen=True, eq=False, slots=True)
class ReviewView:
    """The whole case for reading afterwards."""

    case: Case
    pictures: tuple[ReviewEntry, ...]
    strip: str
    chart: str
    passes_on_rim: str
    passes_on_whole: str
    now: datetime
    views: tuple[Case, ...] = ()
    quality: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False, slots=True)
class MarksReading:
    """What a set of marks says, before it is agreed.

    Attributes
    ----------
    socket : Socket or NotMeasurable
    mm_per_px : float or None
        From what was given of the scale, the surest first.
    scale_from : str or None
    head_diameter_mm : float or None
        Of the marked head, by that scale.
    given_head_mm : float or None
        Of the head as it was given, where the scale comes from elsewhere.
    plan_notes : tuple of PlanNote
        What the plan looks like on this hip.
    """

    socket: Socket | NotMeasurable
    mm_per_px: float | None = None
    scale_from: ScaleRung | None = None
    head_diameter_mm: float | None = None
    given_head_mm: float | None = None
    plan_notes: tuple[PlanNote, ...] = ()
    quality: tuple[str, ...] = ()
    """What speaks against this first picture, in sentences."""


@dataclass(frozen=True, eq=False, slots=True)
class MarksView:
    """The first picture with marks to agree.

    Attributes
    ----------
    case : Case
    picture : CasePicture
    width, height : int
        Of the picture, pixels.
    marks : Marks
        Proposed; where nothing could be proposed, a start for dragging.
    handles_px : ndarray of shape (N, 2)
        Points on the head's outline to drag: a few of the marks, spread along the arc.
    object_px : ndarray of shape (2, 2) or None
        Ends of the object of known size, where the case has one; not yet placed where they lie as
        :func:`object_to_start_from` puts them.
    proposed : bool
    reading : MarksReading
    """

    case: Case
    picture: CasePicture
    width: int
    height: int
    marks: Marks
    handles_px: Floats
    object_px: Floats | None
    proposed: bool
    reading: MarksReading


def read_marks(setup: CaseSetup, marks: Marks, *, traction_on: bool = False) -> MarksReading:
    """Read off what marks say: angle, scale, size of the head.

    Parameters
    ----------
    setup : CaseSetup
    marks : Marks
    traction_on : bool
        It was agreed that traction is on.
    """
    socket = socket_from_marks(marks, setup.side)
    if isinstance(socket, NotMeasurable):
        return MarksReading(socket)
    diameter_px = 2 * socket.head.radius_px
    scale = setup.scale
    rung: ScaleRung
    if scale.mm_per_px is not None:
        mm_per_px, rung = scale.mm_per_px, "mm_per_px"
    elif scale.object_diameter_mm is not None and scale.object_px is not None:
        length_px = math.dist(*scale.object_px)
        mm_per_px, rung = scale.object_diameter_mm / length_px, "object_diameter_mm"
    elif scale.head_diameter_mm is not None:
        mm_per_px, rung = scale.head_diameter_mm / diameter_px, "head_diameter_mm"
    else:
        return MarksReading(socket)
    radius_mm = socket.edge_radius_px * mm_per_px
    return MarksReading(
        socket,
        mm_per_px,
        rung,
        diameter_px * mm_per_px,
        None if rung == "head_diameter_mm" else scale.head_diameter_mm,
        check_plan(setup.plan, socket.lcea_deg, radius_mm, carried=setup.carried),
        _said(
            firstlook.traction(
                socket.head.centre_px,
                socket.head.radius_px,
                socket.rim_edge_px,
                mm_per_px,
                agreed=traction_on,
            ),
            firstlook.turn(socket.up_px),
        ),
    )


def _said(*sentences: str) -> tuple[str, ...]:
    return tuple(sentence for sentence in sentences if sentence)


def quality_of(case: Case) -> tuple[str, ...]:
    """Say what speaks against the first picture, once its marks are agreed."""
    found, marks = case.reference, case.setup.marks
    if found is None or marks is None or found.mm_per_px is None or found.overlay is None:
        return ()
    if found.centre_px is None or found.head_radius_px is None or found.rim_edge_px is None:
        return ()
    agreed, beside = case.agreement.terms.traction_on, case.agreement.beside
    left_out = beside.what if beside.how == "without" else ""
    return _said(
        firstlook.traction(
            found.centre_px, found.head_radius_px, marks.rim_edge_px, found.mm_per_px, agreed=agreed
        ),
        firstlook.turn(found.up_px) if found.up_px else "",
        firstlook.covered(found.overlay.hidden),
        firstlook.away_from_mark(marks.rim_edge_px, found.rim_edge_px, found.mm_per_px, left_out),
    )


def with_object(setup: CaseSetup, object_px: Floats | None, size: tuple[int, int]) -> CaseSetup:
    """Return a set-up with the object's ends as marked; none where they were not yet moved."""
    if object_px is None or np.array_equal(object_px, object_to_start_from(*size)):
        return setup
    (x0, y0), (x1, y1) = object_px.tolist()
    return replace(setup, scale=replace(setup.scale, object_px=((x0, y0), (x1, y1))))


def object_to_start_from(width: int, height: int) -> Floats:
    """Return two ends of an object, to be dragged to their places."""
    return np.array([[round(width * 0.2), height // 4], [round(width * 0.3), height // 4]], float)


def handles(marks: Marks) -> Floats:
    """Return a few of the head's marks, spread evenly along their arc."""
    points = marks.head_px
    if len(points) <= _HANDLES:
        return points
    away = points - points.mean(axis=0)
    turns = np.sort(np.arctan2(away[:, 1], away[:, 0]))
    gaps = np.diff(np.append(turns, turns[0] + 2 * np.pi))
    # Counted from behind the widest gap, so that the arc's two ends are among those chosen.
    begin = turns[(int(gaps.argmax()) + 1) % len(turns)]
    order = np.argsort((np.arctan2(away[:, 1], away[:, 0]) - begin) % (2 * np.pi))
    chosen: Floats = points[order[np.linspace(0, len(points) - 1, _HANDLES).round().astype(int)]]
    return chosen


def marks_to_start_from(setup: CaseSetup, width: int, height: int, u_px: float) -> Marks:
    """Return marks somewhere sensible on the picture, to be dragged to their places."""
    side_px = min(width, height)
    centre, radius = np.array([width / 2, height * 0.55]), 0.14 * side_px
    turns = np.radians([200.0, 240.0, 280.0, 320.0, 20.0])
    head = centre + radius * np.column_stack([np.cos(turns), np.sin(turns)])
    lateral = 1.0 if setup.side == "left" else -1.0
    edge = centre + 1.15 * radius * np.array([lateral * 0.6, -0.8])
    level = height * 0.85
    return Marks(
        head_px=head,
        rim_edge_px=(float(edge[0]), float(edge[1])),
        horizontal_px=np.array([[width * 0.25, level], [width * 0.75, level]]),
        source="given",
        u_px=u_px,
        u_horizontal_deg=math.degrees(math.sqrt(2) * u_px / (width * 0.5)),
    )


def picture_view(
    case: Case,
    picture: CasePicture,
    whole: Frame,
    own_size: tuple[int, int],
    *,
    rim: bool,
    thinned: bool = False,
) -> PictureView:
    """Put one picture and its lines together.

    Parameters
    ----------
    case : Case
    picture : CasePicture
    whole : Frame
        Frame of the first picture.
    own_size : tuple of int
        Width and height of this picture as recorded.
    rim : bool
        Show the rim magnified rather than the whole picture, where that can be done.
    thinned : bool
        Draw where bone is thinned.

    Returns
    -------
    PictureView
    """
    standing = case.standing_of(picture)
    reference, side = case.reference, case.setup.side
    form: Form = "recorded"
    size, lines = own_size, ""
    drawn = None
    borders: tuple[Floats, ...] = ()
    if reference is not None and reference.usable:
        removal = picture.result.removal if picture.result else None
        if picture.role == "first":
            # Where numbers are recorded only, the lines of the plan would tell them.
            drawn, to_reference = None if case.silent else reference.overlay, None
        elif removal is not None and picture.counts:
            drawn, to_reference = removal.overlay, removal.to_reference
            if thinned and removal.thinned is not None:
                borders = removal.thinned.borders_px
    if drawn is not None and reference is not None:
        frame = gallery.rim_frame(reference) if rim else whole
        form = "rim" if rim else "registered"
        size = (frame.width, frame.height)
        title = f"Picture {picture.number} with the rim's lines"
        lines = gallery.lines_in(
            frame,
            drawn,
            to_reference,
            reference,
            side,
            title,
            thinned=borders,
            outward=OUTWARD[case.setup.view],
        )
    return PictureView(
        number=picture.number,
        name=picture.row.name,
        received_at=picture.row.received_at,
        standing=standing,
        form=form,
        width=size[0],
        height=size[1],
        lines=lines,
        result=picture.result,
        reference=picture.reference,
        silent=case.silent,
        angles=case.angles,
        at_most=case.at_most,
    )


def glance(case: Case, shown: PictureView | None, now: datetime) -> GlanceView:
    """Put together what the wall shows.

    Parameters
    ----------
    case : Case
    shown : PictureView or None
        Of the latest picture that says anything.
    now : datetime

    Returns
    -------
    GlanceView
    """
    standing = shown.standing if shown else case.standing_of(None)
    if case.log.closed:
        standing = "closed"
    last_left, passes_since = None, 0
    if standing in ("not measured", "waiting", "to look at", "estimate first"):
        for picture in reversed(case.stills):
            if picture.is_pass and picture.result and picture.result.removal:
                last_left = picture.result.removal.remaining_mm
                break
            passes_since += 1
    reasons: tuple[NotMeasurable, ...] = ()
    if standing == "not measured" and shown and shown.result:
        reasons = shown.result.reasons
    elif standing == "first unusable" and case.reference:
        reasons = case.reference.reasons
    elif standing == "marks to agree" and case.proposal and case.proposal.reason:
        reasons = (case.proposal.reason,)
    return GlanceView(
        case=case,
        standing=standing,
        shown=shown,
        last_left=last_left,
        passes_since=passes_since,
        start_lcea=case.reference.lcea_deg if case.reference else None,
        reasons=reasons,
        plan_notes=plan_notes(case),
        quality=quality_of(case),
        strip=strip_of(case, _SMALL_STRIP) if standing == "measured" else "",
        now=now,
        last_event=case.last_event,
    )


def plan_notes(case: Case) -> tuple[PlanNote, ...]:
    """Compare the plan with the hip on the first picture; empty while that is not usable."""
    found = case.reference
    if found is None or found.lcea_deg is None or found.mm_per_px is None:
        return ()
    if found.centre_px is None or found.rim_edge_px is None:
        return ()
    radius_mm = math.dist(found.centre_px, found.rim_edge_px) * found.mm_per_px
    return check_plan(case.setup.plan, found.lcea_deg, radius_mm, carried=case.setup.carried)


def review(
    case: Case, pictures: tuple[ReviewEntry, ...], whole: Frame | None, now: datetime
) -> ReviewView:
    """Put together the whole case for reading afterwards; ``whole`` frames the first picture."""
    on_rim = on_whole = ""
    reference = case.reference
    if whole is not None and reference is not None and reference.usable:
        on_rim = passes_of(case, reference, gallery.rim_frame(reference))
        on_whole = passes_of(case, reference, whole)
    strip, chart = strip_of(case, _STRIP), chart_of(case)
    quality = quality_of(case)
    return ReviewView(case, pictures, strip, chart, on_rim, on_whole, now, quality=quality)


def passes_of(case: Case, reference: ReferenceResult, frame: Frame) -> str:
    """Draw the outlines of all passes in one frame."""
    drawn = [(removal.overlay, removal.to_reference) for removal in _removals(case)]
    title = "The rim's outline at the start and after each measured pass"
    return gallery.passes_in(frame, drawn, reference, title)


def strip_of(case: Case, size: tuple[int, int]) -> str:
    """Draw the rim unrolled over the passes; empty while nothing is measured."""
    removals = _removals(case)
    reference = case.reference
    if not removals or reference is None or reference.lcea_deg is None:
        return ""
    latest_one = removals[-1]
    marks = StripMarks(
        edge_deg=reference.lcea_deg.value,
        removed_mm=latest_one.recession_mm,
        plan_mm=latest_one.recession_mm.value + latest_one.remaining_mm.value,
        greatest_mm=_greatest_left(case),
        lateral_on_the_right=lateral_on_the_right(reference, case),
        ends=(_INWARD[case.setup.view], OUTWARD[case.setup.view]),
        edge=_EDGE[case.setup.view],
    )
    title = "The rim unrolled: millimetres removed along it, picture by picture"
    profiles = [removal.profile for removal in removals]
    return charts.strip(*size, profiles, marks, title)


def chart_of(case: Case, size: tuple[int, int] = _CHART) -> str:
    """Draw removed and left over the pictures; empty while there is none to measure."""
    if not case.stills or case.silent:
        return ""
    removals = _removals(case)
    to_floor = removals[-1].to_floor_mm if removals else None
    limit = removals[-1].remaining_mm.value - to_floor.value if to_floor else None
    steps = []
    for picture in case.stills:
        if (picture.withheld or picture.quiet) and picture.is_measured:
            continue
        removal = picture.result.removal if picture.result and picture.counts else None
        removed = removal.recession_mm if removal else None
        left = removal.remaining_mm if removal else None
        steps.append(Step(picture.number, removed, left))
    return charts.chart(
        *size,
        steps,
        limit_mm=limit,
        greatest_mm=_greatest_left(case),
        title="Removed and left over the pictures, with intervals that hold 19 times in 20",
    )


def _greatest_left(case: Case) -> float | None:
    """Return the greatest depth from the present first picture on."""
    greatest, carried = case.setup.plan.max_depth_mm, case.setup.carried
    if greatest is None or carried is None:
        return greatest
    return max(greatest - carried.removed_mm.value, 0.0)


def _removals(case: Case) -> list[Removal]:
    return [
        picture.result.removal
        for picture in case.stills
        if picture.is_pass and picture.result and picture.result.removal
    ]


def lateral_on_the_right(reference: ReferenceResult, case: Case) -> bool:
    """Tell on which side of the first picture lateral lies, so that strip and picture agree."""
    up = reference.up_px or (0.0, -1.0)
    lateral_x = -up[1] if case.setup.side == "left" else up[1]
    if math.isclose(lateral_x, 0.0, abs_tol=0.05):
        return case.setup.side == "left"
    return lateral_x > 0
