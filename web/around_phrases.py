"""What lies beside the resection, in words: traction, labrum, finals, films, entries."""

from collections.abc import Iterable
from datetime import datetime
from typing import Final

from markupsafe import Markup

from tracker.service import AnchorIn, AroundView, Entry, FilmMarks
from tracker.values import Quantity
from web import words
from web.around_contexts import (
    AnchorContext,
    AroundContext,
    BriefContext,
    ClockContext,
    EntryContext,
    FilmContext,
    FilmMarksContext,
    FinalContext,
    LabrumContext,
    PictureChoice,
)
from web.budgets import budget_contexts
from web.contexts import Figure, Shell, case_base
from web.phrases import reading_context, who

FINALS: Final = {"before repair": "Final before repair", "after traction": "After traction"}
_AGAINST: Final = {
    "film": "the film before",
    "typed": "the film before, as read by hand",
    "first picture": "the first C-arm picture, which saw the hip from another direction",
}
_STANDINGS: Final = {
    "stands": "",
    "measured again": "The pictures were measured again since: save it again.",
    "outline wrong": "The outline of one of the two looks wrong since: it is no final.",
    "taken back": "One of the two pictures was taken back: it is no final.",
    "new first picture": "A new first picture was taken since: it counts from the one before.",
}


def around_context(
    view: AroundView, film: FilmMarks | None, problem: str = "", hint: str = ""
) -> AroundContext:
    """Put how it stands beside the resection into words.

    Parameters
    ----------
    view : AroundView
    film : FilmMarks or None
        A film that waits for its marks.
    problem, hint : str
        Why the last thing sent was not written down.
    """
    case, said = view.case, view.around
    shell = Shell(f"Around the resection, case {case.row.id}", "around", case.row.id)
    movement = {None: "", True: "yes", False: "no"}[said.movement_tested]
    return AroundContext(
        shell=shell,
        who=who(case),
        problem=problem,
        hint=hint,
        clock=clock_context(view),
        labrum=_labrum(view),
        finals=tuple(_final(view, when) for when in FINALS),
        choices=_choices(view),
        capsule=said.capsule or "",
        movement=movement,
        film=_film(view, film),
        estimates_asked=said.estimates_asked,
        entries=tuple(_entry(entry) for entry in reversed(said.entries)),
        last_event=case.last_event,
    )


def brief_context(view: AroundView) -> BriefContext:
    """Put what Pictures and Review show of it into words."""
    said = view.around
    finals = tuple(final for final in (_final(view, when) for when in FINALS) if final.at)
    lines = []
    if said.labrum:
        labrum = _labrum(view)
        is_in = sum(place.key is not None for place in labrum.places)
        text = f"{said.labrum.start} to {said.labrum.end}"
        text += f", {labrum.length}" if labrum.length else ""
        lines.append(("labrum detached", text))
        if labrum.anchors:
            planned = len(view.anchors.places) if view.anchors else 0
            lines.append(("anchors", f"{is_in} in, {planned} planned"))
    elif said.anchors:
        lines.append(("anchors", f"{len(said.anchors)} in"))
    if said.capsule:
        lines.append(("capsule", said.capsule))
    if said.movement_tested is not None:
        lines.append(("movement tested", "yes" if said.movement_tested else "no"))
    film = _film(view, None)
    if film.after:
        lines.append(("film after the operation", film.after))
    if film.change:
        lines.append(("against before", film.change))
    return BriefContext(
        address=f"{case_base(view.case.row.id)}/around",
        estimate=tuple(
            (picture.number, picture.result.limits if picture.result else ())
            for picture in view.waiting
        ),
        clock=clock_context(view),
        finals=finals,
        pair=_pair(view),
        lines=tuple(lines),
    )


# --- traction ----------------------------------------------------------------------------


def clock_context(view: AroundView) -> ClockContext:
    """Put the traction clock into words."""
    clock, now = view.around.traction, view.now
    total_s = clock.total_s(now)
    offered = None
    if view.distracted is not None and not clock.spells and not view.case.log.closed:
        at = words.minute(view.distracted.row.received_at)
        why = f"The head lies elsewhere than on the first picture from picture {{}} at {at} on."
        if view.distracted.role == "first":
            why = f"The first picture, at {at}, was taken under traction."
        offered = (view.distracted.number, why.format(view.distracted.number))
    return ClockContext(
        is_on=clock.is_on,
        running_s=total_s if clock.is_on else None,
        total=words.age(total_s) if clock.spells else "",
        spells=tuple(_spell(spell.on_at, spell.off_at) for spell in clock.spells),
        marks=tuple(
            (mark * 60, f"{mark} min", words.minute(at) if at else "")
            for mark, at in clock.reached(now)
        ),
        offered=offered,
    )


def _spell(on_at: datetime, off_at: datetime | None) -> str:
    return f"on {words.minute(on_at)}" + (f", off {words.minute(off_at)}" if off_at else "")


# --- labrum ------------------------------------------------------------------------------


def _labrum(view: AroundView) -> LabrumContext:
    said, arc, anchors = view.around.labrum, view.arc, view.anchors
    in_at = {one.place: one for one in view.around.anchors}
    places = dict.fromkeys((*(anchors.places if anchors else ()), *in_at))
    number = rule = ""
    if anchors:
        number = words.count(anchors.number, "anchor", "anchors")
        if (anchors.fewest, anchors.most) != (anchors.number, anchors.number):
            number += f" ({anchors.fewest} to {anchors.most})"
        rule = (
            f"{anchors.apart_mm:.1f} mm apart: each in the middle of its own equal share, so that "
            f"none lies more than {anchors.spacing_mm:g} mm from the next."
        )
    return LabrumContext(
        start=said.start if said else "",
        end=said.end if said else "",
        spacing=f"{view.around.spacing_mm:g}" if view.around.spacing_mm else "",
        length=_with_interval(arc.length_mm, "mm", 0) if arc else "",
        radius=_with_interval(view.radius_mm, "mm") if view.radius_mm else "",
        anchors=number,
        rule=rule,
        places=tuple(_anchor(place, in_at) for place in places),
        drawing=Markup(view.clock),
        budgets=budget_contexts(
            one for one in (arc.budget if arc else None, view.radius_budget) if one
        ),
    )


def _anchor(place: str, in_at: dict[str, AnchorIn]) -> AnchorContext:
    one = in_at.get(place)
    return AnchorContext(place, one.key if one else None, words.minute(one.at) if one else "")


# --- the finals --------------------------------------------------------------------------


def _final(view: AroundView, when: str) -> FinalContext:
    kept = next((one for one in reversed(view.around.finals) if one.said.when == when), None)
    name = FINALS[when]
    if kept is None:
        return FinalContext(when, name, None, "", "", "", "", "", "", "", "", ())
    both = kept.said.exposures
    first, second = kept.said.numbers
    apart = f"{words.value(both.difference_mm)} mm ({words.interval(both.difference_mm)})"
    problem = _STANDINGS[kept.standing]
    if not both.agree:
        apart_mm, most = abs(both.difference_mm.value), 2 * both.difference_mm.u
        problem = (
            f"The two differ by {apart_mm:.1f} mm, more than the {most:.1f} mm that two exposures "
            "of one state do: no mean is given. Look at both outlines, match the view, and take "
            "two more."
        )
    if view.case.silent:
        silent = "Numbers are recorded and shown once the case is closed."
        unlike = "The two do not agree: look at both outlines, match the view, and take two more."
        at, pair = words.clock(kept.at), f"pictures {first} and {second}"
        said = silent if both.agree else unlike
        return FinalContext(when, name, kept.key, "", "", "", "", "", said, at, pair, ())
    given = kept.given and both.removed_mm is not None
    return FinalContext(
        when=when,
        name=name,
        key=kept.key,
        figure=words.value(both.removed_mm) if given and both.removed_mm else "",
        interval=words.interval(both.removed_mm) if given and both.removed_mm else "",
        left=words.left_sentence(both.left_mm) if given and both.left_mm else "",
        lcea=_with_interval(both.lcea_deg, "°", 0)
        if given and both.lcea_deg and view.case.angles
        else "",
        apart=apart,
        problem=problem,
        at=words.clock(kept.at),
        pictures=f"pictures {first} and {second}",
        budgets=budget_contexts(both.budgets) if given or not both.agree else (),
    )


def _pair(view: AroundView) -> tuple[int, ...]:
    """Return the last two pictures of burring, until the final before repair is saved."""
    last = [picture.number for picture in view.counted if not picture.quiet][-2:]
    if len(last) < 2 or view.case.log.closed or view.around.final("before repair") is not None:
        return ()
    return tuple(last)


def _choices(view: AroundView) -> tuple[PictureChoice, ...]:
    """Return the pictures of which two make a final, the latest first and proposed."""
    found = []
    for k, picture in enumerate(reversed(view.counted)):
        removal = picture.result.removal if picture.result else None
        if removal is None:
            continue
        hidden = removal.hidden_share
        covered = f", {100 * hidden:.0f} % of the outline hidden" if hidden > _COVERED else ""
        text = f"Picture {picture.number} at {words.clock(picture.row.received_at)}{covered}"
        found.append(PictureChoice(picture.number, text, k < 2))
    return tuple(found[:_MOST_CHOICES])


_COVERED: Final = 0.05
"""Share of the outline from which metal over it is said."""
_MOST_CHOICES: Final = 4


# --- the films ---------------------------------------------------------------------------


def _film(view: AroundView, marks: FilmMarks | None) -> FilmContext:
    before, after = view.around.film_before, view.around.film_after
    change = note = ""
    if view.compared is not None:
        found = view.compared
        against = _AGAINST[found.against]
        if found.change is None:
            change = "not compared"
            note = "The two angles are of different edges; such angles are never subtracted."
        elif not found.change.resolved:
            change = "not resolved"
            note = (
                f"It differs by {words.value(found.change.change_deg, 0)}° "
                f"({words.interval(found.change.change_deg, 0)}) from {against}. Two films read by "
                "themselves can't tell less than 5°, nor less than their own interval."
            )
        else:
            turn = found.change.change_deg
            change = f"{words.value(turn, 0)}° ({words.interval(turn, 0)})"
            note = f"Against {against}: {_with_interval(found.before, '°', 0)}."
    return FilmContext(
        before=_angle(before.said.lcea_deg, before.said.by, before.said.variant) if before else "",
        before_key=before.key if before else None,
        after=_angle(after.said.lcea_deg, after.said.by, after.said.variant) if after else "",
        after_key=after.key if after else None,
        change=change,
        change_note=note,
        marks=_film_marks(marks) if marks else None,
    )


def _angle(lcea: Quantity, by: str, variant: str) -> str:
    how = {"outline": "", "marks": ", by its marks alone", "typed": ", as read by hand"}[by]
    return f"LCEA {_with_interval(lcea, '°', 0)}, {variant}{how}"


def _film_marks(view: FilmMarks) -> FilmMarksContext:
    def xy(point: Iterable[float]) -> tuple[str, str]:
        x, y = point
        return f"{x:.1f}", f"{y:.1f}"

    name = f"The film {view.when} the operation"
    return FilmMarksContext(
        number=view.number,
        name=name,
        figure=Figure(
            src=f"{case_base(view.case_id)}/pictures/{view.number}/recorded.png",
            width=view.width,
            height=view.height,
            lines=Markup(),
            alt=name,
        ),
        head=tuple(xy(point) for point in view.handles_px.tolist()),
        edge=xy(view.marks.rim_edge_px),
        horizontal=tuple(xy(point) for point in view.marks.horizontal_px.tolist()),
        proposed=view.proposed,
        reading=reading_context(view.reading),
    )


# --- entries -----------------------------------------------------------------------------


def _entry(entry: Entry) -> EntryContext:
    said = entry.said
    clock, on = "", None
    can_withdraw = entry.holds
    match type(said).__name__:
        case "TractionSaid":
            at, on = datetime.fromisoformat(said.at), said.on
            clock = words.minute(at)
            text = f"traction {'on' if said.on else 'off'} at {clock}"
            text += f", from picture {said.picture}" if said.picture is not None else ""
        case "LabrumSaid":
            text = f"labrum detached from {said.start} to {said.end}"
        case "SpacingSaid":
            text = f"anchors {said.spacing_mm:g} mm apart"
        case "AnchorSaid":
            text = f"anchor in at {said.place}"
        case "CapsuleSaid":
            text = f"capsule {said.state}"
        case "MovementSaid":
            text = f"movement {'tested' if said.tested else 'not tested'}"
        case "FilmBrought":
            text = f"film {said.when} the operation brought, picture {said.number}"
        case "FilmSaid":
            text = f"film {said.when}: {_angle(said.lcea_deg, said.by, said.variant)}"
        case "FinalSaid":
            first, second = said.numbers
            text = f"{FINALS[said.when].lower()}: pictures {first} and {second}"
        case "EstimatesSaid":
            text = f"own estimate {'asked for' if said.asked else 'no longer asked for'}"
            can_withdraw = False
        case _:
            judged = "skipped" if said.removed_mm is None else f"{said.removed_mm:g} mm removed"
            text = f"own estimate of picture {said.number}: {judged}"
            can_withdraw = False
    return EntryContext(
        entry.key, words.clock(entry.at), text, entry.holds, can_withdraw, clock, on
    )


def _with_interval(quantity: Quantity, unit: str, places: int = 1) -> str:
    gap = "" if unit == "°" else " "
    return f"{words.value(quantity, places)}{gap}{unit} ({words.interval(quantity, places)})"
