"""Review in words: the whole case, and two of its pictures compared as the address asks."""

from dataclasses import dataclass
from typing import Final, Literal
from urllib.parse import urlencode

from markupsafe import Markup

from tracker.service import (
    AroundView,
    Case,
    PictureView,
    ReviewBeside,
    ReviewEntry,
    ReviewView,
    dose_of,
)
from tracker.values import Budget, Quantity, Removal
from web import words
from web.agreed import agreed_context, agreed_lines, view_limit
from web.around_phrases import brief_context
from web.arrived import beside_burring, dose_words, said_of
from web.budgets import budget_context
from web.contexts import (
    Choice,
    CompareContext,
    Figure,
    ReviewContext,
    RowContext,
    Shell,
)
from web.desk import before_series, carried_text, written, zero_context
from web.phrases import RUNGS, figure, findings, who

Mode = Literal["side", "blink", "wipe", "passes"]
Extent = Literal["rim", "whole"]

MODES: Final[dict[Mode, str]] = {
    "side": "Side by side",
    "blink": "Blink",
    "wipe": "Wipe",
    "passes": "All outlines",
}
EXTENTS: Final[dict[Extent, str]] = {"rim": "The rim", "whole": "Whole picture"}


@dataclass(frozen=True, slots=True)
class Wanted:
    """What the address asks to compare; None where it leaves the choice open."""

    first: int | None = None
    second: int | None = None
    mode: Mode = "side"
    extent: Extent = "rim"

    def address(self, base: str, **changes: object) -> str:
        """Return the address of the comparison with some of it changed."""
        asked = {
            "first": self.first,
            "second": self.second,
            "mode": self.mode,
            "extent": self.extent,
        }
        return f"{base}/review?{urlencode(asked | changes)}"


def review_context(
    view: ReviewView, around: AroundView, beside: ReviewBeside, wanted: Wanted | None = None
) -> ReviewContext:
    """Put the whole case into words.

    Parameters
    ----------
    view : ReviewView
    around : AroundView
    beside : ReviewBeside
    wanted : Wanted, optional
        What to compare; the first picture and the latest measured one where it is open.

    Returns
    -------
    ReviewContext
    """
    case = view.case
    shell = Shell(f"Review, case {case.row.id}", "review", case.row.id, view_limit=view_limit(case))
    asked, note = _settled(view, wanted or Wanted())
    return ReviewContext(
        shell=shell,
        who=who(case),
        opened=f"{words.day(case.row.opened_at)}, {words.minute(case.row.opened_at)}",
        plan=tuple(_plan(view)),
        strip=Markup(view.strip),
        chart=Markup(view.chart),
        said=written(case),
        zero=zero_context(case).text,
        carried=carried_text(case),
        before=before_series(case),
        compare=_compare(shell, view, beside, asked, note),
        rows=tuple(_row(shell, case, entry.whole, beside, asked) for entry in view.pictures),
        around=brief_context(around),
        eye=Markup(beside.eye),
        over_time=Markup(beside.time),
        exposures=_exposures(view, beside),
        unreadable=tuple(
            (note.name, words.clock(note.at) if note.at else "", note.message)
            for note in case.unreadable
        ),
        last_event=max(one.last_event for one in (case, *view.views)),
        agreed=agreed_context(case, view.views or (case,), "review", quality=view.quality),
    )


# --- the comparison ----------------------------------------------------------------------


def _registered(view: ReviewView) -> dict[int, ReviewEntry]:
    """Return the pictures that lie in the first one's frame, by number."""
    return {entry.whole.number: entry for entry in view.pictures if entry.rim is not None}


def _comparable(view: ReviewView, mode: Mode) -> dict[int, ReviewEntry]:
    """Return the pictures that may be compared: beside one another all of them, else registered."""
    if mode != "side":
        return _registered(view)
    return {entry.whole.number: entry for entry in view.pictures}


def _settled(view: ReviewView, wanted: Wanted) -> tuple[Wanted, str]:
    """Fill in what the address leaves open, and replace what can't be compared, saying so."""
    placed, numbers = list(_registered(view)), _comparable(view, wanted.mode)
    if not placed:
        return wanted, ""
    first = wanted.first if wanted.first in numbers else placed[0]
    second = wanted.second if wanted.second in numbers else placed[-1]
    missing = [n for n in (wanted.first, wanted.second) if n is not None and n not in numbers]
    note = ""
    if missing:
        named = " and ".join(f"Picture {n}" for n in dict.fromkeys(missing))
        note = f"{named} can't be laid over the first one; another is shown."
    return Wanted(first, second, wanted.mode, wanted.extent), note


def _compare(
    shell: Shell, view: ReviewView, beside: ReviewBeside, asked: Wanted, note: str
) -> CompareContext | None:
    entries = _comparable(view, asked.mode)
    if not _registered(view) or asked.first not in entries or asked.second not in entries:
        return None
    first, second = entries[asked.first], entries[asked.second]

    def choices(part: str, chosen: object, texts: dict[str, str]) -> tuple[Choice, ...]:
        return tuple(
            Choice(
                f"{part}-{key}", text, "", asked.address(shell.base, **{part: key}), key == chosen
            )
            for key, text in texts.items()
        )

    def pictures(part: str, chosen: int) -> tuple[Choice, ...]:
        return tuple(
            Choice(
                f"{part}-{number}",
                str(number),
                _removed_briefly(entry.whole),
                asked.address(shell.base, **{part: number}),
                number == chosen,
            )
            for number, entry in entries.items()
        )

    passes = view.passes_on_rim if asked.extent == "rim" else view.passes_on_whole
    return CompareContext(
        mode=asked.mode,
        modes=choices("mode", asked.mode, {str(key): text for key, text in MODES.items()}),
        extents=choices("extent", asked.extent, {str(key): text for key, text in EXTENTS.items()}),
        firsts=pictures("first", asked.first),
        seconds=pictures("second", asked.second),
        first=_extent_figure(shell, first, asked.extent),
        second=_extent_figure(shell, second, asked.extent),
        first_name=_name(first.whole),
        second_name=_name(second.whole),
        passes=Markup(passes),
        note=note,
        row=_row(shell, view.case, second.whole, beside, asked),
    )


def _extent_figure(shell: Shell, entry: ReviewEntry, extent: Extent) -> Figure:
    shown = entry.rim if extent == "rim" and entry.rim else entry.whole
    return figure(shell, shown)


def _name(picture: PictureView) -> str:
    name = "First picture" if picture.standing == "ready" else f"Picture {picture.number}"
    placed = picture.removal is not None or picture.standing == "ready"
    recorded = "" if placed else ", as recorded"
    return f"{name} at {words.clock(picture.received_at)}{recorded}"


def _removed_briefly(picture: PictureView) -> str:
    if picture.removal is None:
        return "start" if picture.standing == "ready" else "no number"
    return f"{words.value(picture.removal.recession_mm)} mm"


# --- the rows ----------------------------------------------------------------------------


def _plan(view: ReviewView) -> list[tuple[str, str]]:
    case = view.case
    plan, reference = case.setup.plan, case.reference
    lines = []
    if plan.target_lcea_deg is not None:
        lines.append(("target LCEA", f"{plan.target_lcea_deg:g}°, lateral bony edge"))
    if plan.depth_mm is not None:
        lines.append(("planned depth", f"{plan.depth_mm:g} mm"))
    if plan.floor_lcea_deg is not None:
        lines.append(("lower limit", f"{plan.floor_lcea_deg:g}°"))
    if plan.max_depth_mm is not None:
        lines.append(("greatest depth", f"{plan.max_depth_mm:g} mm"))
    if plan.clock is not None:
        lines.append(("zone on the clock face", f"{plan.clock[0]} to {plan.clock[1]}"))
    lines += agreed_lines(case)
    if reference and reference.lcea_deg and case.angles and not case.silent:
        lines.append(("LCEA at the start", f"{_with_interval(reference.lcea_deg)}°"))
    if reference and reference.mm_per_px:
        rung = RUNGS[reference.scale_from or ""]
        lines.append(("scale", f"{reference.mm_per_px:.4f} mm a pixel, {rung}"))
    if reference:
        lines.append(("marks", reference.marks))
    return lines


_STANDINGS: Final = {
    "ready": "first picture",
    "estimate first": "waits for the surgeon's own estimate",
}


def _row(
    shell: Shell, case: Case, picture: PictureView, beside: ReviewBeside, asked: Wanted
) -> RowContext:
    removal, result = picture.removal, picture.result
    standing = _STANDINGS.get(picture.standing, picture.standing)
    reasons = result.reasons if result else ()
    if picture.standing == "first unusable" and picture.reference:
        reasons = picture.reference.reasons
    notes = result.notes if result else picture.reference.notes if picture.reference else ()
    if picture.silent:
        notes = ()
    beam = ""
    if removal:
        tilt, oblique = removal.beam.tilt, removal.beam.oblique
        beam = f"tilt {_with_interval(tilt)}°, oblique {_with_interval(oblique)}°"
    lcea = removal.lcea_deg if removal else None
    if picture.standing == "ready" and picture.reference and not picture.silent:
        lcea = picture.reference.lcea_deg
    if not picture.angles:
        lcea = None
    is_placed = removal is not None or picture.standing == "ready"
    here = asked.address(shell.base, second=picture.number) if is_placed else ""
    return RowContext(
        number=picture.number,
        address=here or f"#picture-{picture.number}",
        at=f"{words.clock(picture.received_at)}{beside_burring(case, picture.number)}",
        name=picture.name,
        standing=standing,
        figure=figure(shell, picture),
        removed=_with_interval(removal.recession_mm) if removal else "",
        running=_with_interval(removal.running_mm) if removal else "",
        left=words.left_sentence(removal.remaining_mm, at_most=picture.at_most) if removal else "",
        lcea=_with_interval(lcea) if lcea else "",
        area=_with_interval(removal.area_mm2, 0) if removal else "",
        beam=beam,
        message=(result.message or "") if removal and result else "",
        limits=result.limits if removal and result else (),
        findings=findings(reasons),
        notes=(*notes, *said_of(case, picture.number, header=True)),
        budgets=tuple(map(budget_context, _budgets(picture))),
        thinned=_thinned(removal),
        thinned_why=findings((removal.thinned_why,)) if removal and removal.thinned_why else (),
        thinned_strip=Markup(beside.thinned.get(picture.number, "")),
    )


def _budgets(picture: PictureView) -> tuple[Budget, ...]:
    """Return the budgets of all numbers of a picture that are shown."""
    removal, reference = picture.removal, picture.reference
    if removal is not None:
        thinned = (removal.thinned.budget,) if removal.thinned else ()
        return (*removal.budgets, *thinned)
    shown = picture.angles and not picture.silent
    if picture.standing == "ready" and shown and reference and reference.budget:
        return (reference.budget,)
    return ()


def _thinned(removal: Removal | None) -> str:
    if removal is None or removal.thinned is None:
        return ""
    found = removal.thinned
    return (
        f"{_with_interval(found.area_mm2, 0)} mm² against {found.against}; "
        f"losses under {found.detection_mm:.1f} mm of cortex are not told from nothing"
    )


def _exposures(view: ReviewView, beside: ReviewBeside) -> tuple[tuple[str, str], ...]:
    """Say how many pictures were taken, and what their headers say of dose."""
    found = beside.exposures
    lines = [("pictures", f"{found.pictures}, {found.measured} of them with numbers")]
    name, _, dose = dose_words(dose_of(view.case.pictures)).partition(": ")
    if dose:
        lines.append((name.lower(), dose.rstrip(".")))
    if found.kv:
        low, high = min(found.kv), max(found.kv)
        lines.append(("tube", f"{low:.0f} kV" if low == high else f"{low:.0f} to {high:.0f} kV"))
    return tuple(lines)


def _with_interval(quantity: Quantity, places: int = 1) -> str:
    return f"{words.value(quantity, places)} ({words.interval(quantity, places)})"
