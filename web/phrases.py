"""From what the service knows to what a page says: views in, contexts out."""

from typing import Final

from markupsafe import Markup

from tracker.service import (
    Case,
    GlanceView,
    MarksReading,
    MarksView,
    PictureView,
    SourceState,
)
from tracker.values import NotMeasurable, Quantity
from web import words
from web.agreed import agreed_context, view_limit
from web.agreed_contexts import AgreedContext
from web.arrived import arrived_context, said_of
from web.contexts import (
    ErrorContext,
    Figure,
    Finding,
    GlanceContext,
    MarksContext,
    PicturesContext,
    ReadingContext,
    Shell,
    VerdictContext,
)
from web.desk import desk_context
from web.phase import as_heard, phase_context, ways_in

STALE_AFTER_S: Final = 60

_COUNTED: Final = ("measured", "recorded", "estimate first", "not measured", "outline wrong")
"""Standings of a picture whose age is said."""


def error_context(message: str, hint: str, status: int) -> ErrorContext:
    """Put an error into words."""
    return ErrorContext(Shell("Not possible", "error"), message, hint, status)


def glance_context(view: GlanceView) -> GlanceContext:
    """Put what the wall shows into words."""
    case, shown = view.case, view.shown
    shell = Shell(f"Glance, case {case.row.id}", "glance", case.row.id, view_limit=view_limit(case))
    if view.standing == "closed":
        shown = None
    removal = shown.removal if shown else None
    figure_text, unit = "", ""
    if removal:
        figure_text, unit = words.left(removal.remaining_mm, at_most=case.at_most)
    counted = shown is not None and view.standing in _COUNTED
    age_s = (view.now - shown.received_at).total_seconds() if shown and counted else None
    last = ""
    if view.last_left is not None:
        lastfigure, last_unit = words.left(view.last_left, at_most=case.at_most)
        before = words.before_passes(view.passes_since)
        last = f"last measured {lastfigure} {last_unit}, {before}"
    said = GlanceContext(
        shell=shell,
        who=who(case),
        standing=view.standing,
        heading=_heading(view.standing, case),
        figure_text=figure_text,
        unit=unit,
        interval=words.left_interval(removal.remaining_mm, at_most=case.at_most) if removal else "",
        message=shown.result.message or "" if removal and shown and shown.result else "",
        limits=shown.result.limits if removal and shown and shown.result else (),
        findings=_estimate_first(shown)
        if view.standing == "estimate first"
        else findings(view.reasons),
        last_measured=last,
        age_s=age_s,
        age=words.age(age_s) if age_s is not None else "",
        is_stale=age_s is not None and age_s >= STALE_AFTER_S,
        lcea=_lcea(case, removal.lcea_deg if removal else _untouched(view)),
        picture_line=_picture_line(shown, case),
        number=shown.number if shown else None,
        figure=figure(shell, shown) if shown else None,
        start=_start(shell, case, shown),
        strip=Markup(view.strip),
        last_event=view.last_event,
        agreed=_agreed(view, "glance", shown),
    )
    return as_heard(case, said)


def _agreed(view: GlanceView, page: str, shown: PictureView | None) -> AgreedContext:
    return agreed_context(
        view.case,
        view.views or (view.case,),
        page,
        quality=view.quality,
        shown=shown,
        has_test_picture=view.test_picture,
    )


def _estimate_first(shown: PictureView | None) -> tuple[Finding, ...]:
    """Say what a number waits for; a limit that may be reached does not wait."""
    limits = shown.result.limits if shown and shown.result else ()
    said = "Say what is removed in all; it is written on Pictures."
    return (
        *(Finding(f"{limit.capitalize()}.", "Said at once: it does not wait.") for limit in limits),
        Finding("The picture is measured.", said),
    )


def pictures_context(
    view: GlanceView, marks: MarksView | None, sources: tuple[SourceState, ...] = ()
) -> PicturesContext:
    """Put what to do next into words, and what the last picture gave."""
    case = view.case
    shell = Shell(
        f"Pictures, case {case.row.id}", "pictures", case.row.id, view_limit=view_limit(case)
    )
    stage = {
        "no picture": "first",
        "marks to agree": "marks",
        "first unusable": "unusable",
        "closed": "closed",
    }.get(case.standing, "passes")
    if stage == "passes" and marks is not None:
        stage = "marks"
    elif stage == "marks" and case.proposal is None:
        stage = "proposing"
    shown = view.shown if stage == "passes" else None
    number = len(case.pictures)
    return PicturesContext(
        shell=shell,
        who=who(case),
        stage=stage,
        next_picture="the first picture" if stage == "first" else f"picture {number}",
        verdict=_verdict(shell, shown, view) if shown else None,
        marks=_marks(shell, marks, view) if marks else None,
        findings=findings(view.reasons) if stage != "passes" else (),
        earlier=tuple(_earlier(case, shown.number if shown else None)),
        waiting=len(case.waiting),
        lcea=_lcea(case, shown.removal.lcea_deg if shown and shown.removal else view.start_lcea),
        notes=view.quality,
        can_replace_first=not any(p.is_measured and not p.distrusted for p in case.stills),
        desk=desk_context(case, () if case.silent else view.plan_notes),
        phase=phase_context(case),
        ways=ways_in(case, sources),
        last_event=view.last_event,
        agreed=_agreed(view, "", shown),
        arrived=arrived_context(case, shown.number if shown else None),
    )


def reading_context(
    reading: MarksReading, *, angles: bool = True, silent: bool = False
) -> ReadingContext:
    """Put what the marks say into words.

    Parameters
    ----------
    reading : MarksReading
    angles : bool
        Angles are said in this view.
    silent : bool
        Numbers are recorded only: no angle, and of the plan what asks for a yes.
    """
    socket = reading.socket
    if isinstance(socket, NotMeasurable):
        return ReadingContext(False, words.seen(socket), "", "", "", "", None)
    lcea = f"{words.value(socket.lcea_deg, 0)}° ({words.interval(socket.lcea_deg, 0)})"
    if not angles:
        lcea = "not measured here: millimetres only"
    elif silent:
        lcea = "recorded, shown once the case is closed"
    notes = reading.plan_notes
    said = tuple(note.text for note in notes)
    if silent:
        said = tuple(_WITHOUT_NUMBERS[note.kind] for note in notes if note.confirm)
    diameter = scale = plausible = ""
    if reading.head_diameter_mm is not None and reading.mm_per_px is not None:
        diameter = f"{reading.head_diameter_mm:.1f} mm"
        scale = f"{reading.mm_per_px:.4f} mm a pixel, {RUNGS[reading.scale_from or '']}"
        plausible = words.head_size(reading.head_diameter_mm, reading.given_head_mm)
    circle = (*socket.head.centre_px, socket.head.radius_px)
    return ReadingContext(
        True,
        "",
        lcea,
        diameter,
        scale,
        plausible,
        circle,
        said,
        any(note.confirm for note in notes),
        reading.quality,
    )


_WITHOUT_NUMBERS: Final = {
    "confirm-shallow-start": (
        "The socket may be shallow before anything is removed: bone taken away can't be put back."
    ),
    "target-near-limit": "The lower limit may be reached before the target.",
    "depth-near-limit": "The lower limit may be reached before the planned depth.",
}


RUNGS: Final = {
    "mm_per_px": "as given",
    "object_diameter_mm": "from the object",
    "head_diameter_mm": "from the head's diameter",
    "": "",
}


def who(case: Case) -> str:
    """Return whose pictures these are."""
    opened = words.minute(case.row.opened_at)
    return f"{words.hip(case.setup.side)}, case {case.row.id}, opened {opened}"


def _heading(standing: str, case: Case) -> str:
    anew = case.log.carried is not None
    return {
        "no picture": "No new first picture yet" if anew else "No picture yet",
        "marks to agree": "Marks to agree on Pictures",
        "first unusable": "The first picture can't be used",
        "ready": "Ready for the next pass" if anew else "Ready: nothing burred yet",
        "waiting": "Being measured",
        "measured": "",
        "recorded": "Picture taken in and usable",
        "estimate first": "Your own estimate first",
        "not measured": "Not measured",
        "outline wrong": "No number: the outline looks wrong",
        "to look at": "Kept to look at",
        "closed": "Case closed",
    }[standing]


def _start(shell: Shell, case: Case, shown: PictureView | None) -> str:
    """Return the address of the rim at the start, where it lies exactly under the one shown."""
    if shown is None or shown.removal is None or case.first is None:
        return ""
    return f"{shell.base}/pictures/{case.first.number}/{shown.form}.png"


def findings(reasons: tuple[NotMeasurable, ...]) -> tuple[Finding, ...]:
    """Return what was seen and what to do, for each reason."""
    return tuple(Finding(words.seen(reason), reason.what_to_do) for reason in reasons)


def _untouched(view: GlanceView) -> Quantity | None:
    """The angle at the start holds until the first pass; after that an old one would look new."""
    return view.start_lcea if view.standing == "ready" else None


def _lcea(case: Case, now: Quantity | None) -> str:
    plan = case.setup.plan
    if now is None or case.silent or plan.floor_lcea_deg is None:
        return ""
    text = f"LCEA {words.value(now, 0)}°"
    if plan.target_lcea_deg is not None:
        text += f" → plan {plan.target_lcea_deg:.0f}°"
    return f"{text}, lower limit {plan.floor_lcea_deg:.0f}°"


def _picture_line(shown: PictureView | None, case: Case) -> str:
    if shown is None:
        return ""
    name = "First picture" if shown.standing == "ready" else f"Picture {shown.number}"
    line = f"{name} at {words.clock(shown.received_at)}"
    last = case.last_arrived
    if last is not None and last.number in case.timeline.late:
        line += f"; picture {last.number} came later and was taken before it"
    held = [str(picture.number) for picture in case.held]
    if held:
        line += f"; held, see Pictures: {', '.join(held)}"
    return line


def figure(shell: Shell, picture: PictureView) -> Figure:
    """Return a picture with the lines over it."""
    return Figure(
        src=f"{shell.base}/pictures/{picture.number}/{picture.form}.png",
        width=picture.width,
        height=picture.height,
        lines=Markup(picture.lines),
        alt=f"C-arm picture {picture.number}",
    )


def _verdict(shell: Shell, shown: PictureView, view: GlanceView) -> VerdictContext:
    removal, result = shown.removal, shown.result
    removed = figure_text = unit = ""
    at_most = view.case.at_most
    if removal:
        figure_text, unit = words.left(removal.remaining_mm, at_most=at_most)
        quantity = removal.recession_mm
        since = " since this first picture" if view.case.setup.carried else ""
        removed = f"{words.value(quantity)} mm removed{since} ({words.interval(quantity)})"
    return VerdictContext(
        number=shown.number,
        at=words.clock(shown.received_at),
        heading=_heading(shown.standing, view.case),
        figure_text=figure_text,
        unit=unit,
        interval=words.left_interval(removal.remaining_mm, at_most=at_most) if removal else "",
        message=(result.message or "") if removal and result else "",
        limits=result.limits if removal and result else (),
        findings=findings(view.reasons),
        removed=removed,
        notes=(*result.notes, *said_of(view.case, shown.number)) if removal and result else (),
        standing=shown.standing,
        figure=figure(shell, shown),
    )


def _marks(shell: Shell, view: MarksView, glance: GlanceView) -> MarksContext:
    def xy(point: tuple[float, float]) -> tuple[str, str]:
        return f"{point[0]:.1f}", f"{point[1]:.1f}"

    return MarksContext(
        figure=Figure(
            src=f"{shell.base}/pictures/{view.picture.number}/recorded.png",
            width=view.width,
            height=view.height,
            lines=Markup(),
            alt="The first C-arm picture",
        ),
        head=tuple(xy((float(x), float(y))) for x, y in view.handles_px),
        edge=xy(view.marks.rim_edge_px),
        horizontal=tuple(xy((float(x), float(y))) for x, y in view.marks.horizontal_px),
        object_ends=()
        if view.object_px is None
        else tuple(xy((float(x), float(y))) for x, y in view.object_px),
        object_mm=f"{view.case.setup.scale.object_diameter_mm or 0:g} mm",
        hip=words.hip(view.case.setup.side),
        zone=" to ".join(view.case.setup.plan.clock or ()),
        proposed=view.proposed,
        reading=reading_context(view.reading, angles=glance.case.angles, silent=glance.case.silent),
    )


def _earlier(case: Case, shown: int | None) -> list[tuple[int, str, str]]:
    """Return number, time and verdict of the pictures before the one shown, newest first."""
    lines = []
    for picture in reversed(case.stills):
        if picture.number == shown:
            continue
        removal = picture.result.removal if picture.result and picture.counts else None
        if removal is not None:
            text = words.left_sentence(removal.remaining_mm, at_most=case.at_most)
        elif picture.distrusted:
            text = "outline looks wrong"
        elif picture.withheld and case.silent and picture.is_measured:
            text = "usable, recorded"
        elif picture.withheld and picture.is_measured:
            text = "waits for your own estimate"
        elif picture.result is None:
            text = "kept, waits to be measured"
        else:
            text = f"{words.NOT_MEASURED}: {words.seen(picture.result.reasons[0])}"
        lines.append((picture.number, words.clock(picture.row.received_at), text))
    return lines
