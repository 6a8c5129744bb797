"""The page of many cases: what was chosen, what these cases say together, and each as a line."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from typing import Annotated, Any, Final, cast, get_args
from urllib.parse import urlencode

from fastapi import APIRouter, Depends, Request
from markupsafe import Markup
from starlette.responses import Response

from tracker.errors import InputError
from tracker.many import (
    NO_RANKING,
    WHAT_INTERVALS,
    Cases,
    CaseSummary,
    Cohort,
    CohortView,
    Distribution,
    Estimate,
    PlanKind,
    Trend,
    Wanted,
)
from tracker.service import Service
from tracker.values import SENTENCES, Quantity, Reason, Side, View
from web import words
from web.cohort_contexts import CaseRow, ChoiceForm, CohortContext, Drawn, Option
from web.contexts import Shell, case_base
from web.pages import render

router = APIRouter()

LINES: Final = 50
"""Cases in one part of the table."""

_SIDES: Final = {"": "both", "left": "left", "right": "right"}
_PLANS: Final = {"": "any", "angle": "target angle", "depth": "depth", "both": "angle and depth"}
_VIEWS: Final = {"AP": "AP", "false-profile": "false profile", "oblique": "oblique", "all": "all"}
_ORIGINS: Final = {
    "live": "live",
    "folder": "read from folders afterwards",
    "demo": "the demo's",
    "all": "all of them",
}
_NAMES: Final = {
    "left_mm": "Left to the plan at the end",
    "planned_mm": "Planned",
    "removed_mm": "Removed at the end",
    "planned_deg": "Planned, as an angle",
    "removed_deg": "Fall of LCEA at the end",
    "passes": "Passes a case",
    "pass_mm": "A pass, mean of each case",
    "pass_deg": "A pass as an angle, mean of each case",
    "pass_min": "Time a pass, median of each case",
    "pictures": "Pictures a case",
    "dose_dgycm2": "Dose-area product a case",
}
_SHARES: Final = {"measured at all": "with a picture that counts"}


@dataclass(frozen=True, slots=True)
class Asked:
    """What the address asks for, as text; empty where it leaves it open."""

    since: str = ""
    until: str = ""
    side: str = ""
    plan: str = ""
    view: str = "AP"
    cases: str = "live"

    def wanted(self) -> Wanted:
        """Return the choice.

        Raises
        ------
        InputError
            A day is none, or a word is not one to choose.
        """
        since, until = _day(self.since), _day(self.until)
        if since and until and since > until:
            raise InputError("The first day is after the last.", hint="Exchange them.")
        for given, known in (
            (self.side, _SIDES),
            (self.plan, _PLANS),
            (self.view, _VIEWS),
            (self.cases, _ORIGINS),
        ):
            if given not in known:
                raise InputError(f"{given} can't be chosen.", hint="Choose one of the list.")
        return Wanted(
            since,
            until,
            cast(Side, self.side) if self.side in get_args(Side) else None,
            cast(PlanKind, self.plan) if self.plan in get_args(PlanKind) else None,
            cast(Cases, self.cases),
            cast(View, self.view) if self.view in get_args(View) else None,
        )

    def address(self, path: str, **more: Any) -> str:
        """Return an address that asks the same; what is as usual is left out."""
        usual = {"view": "AP", "cases": "live"}
        parts = {
            name: text
            for name in ("since", "until", "side", "plan", "view", "cases")
            if (text := getattr(self, name)) and text != usual.get(name)
        }
        asked = urlencode({**parts, **more})
        return f"{path}?{asked}" if asked else path


def _day(text: str) -> date | None:
    try:
        return date.fromisoformat(text) if text else None
    except ValueError:
        raise InputError(f"{text} is no day.", hint="Write it as 2026-11-25.") from None


def _service(request: Request) -> Service:
    service: Service = request.app.state.service
    return service


def _asked(
    since: str = "",
    until: str = "",
    side: str = "",
    plan: str = "",
    view: str = "AP",
    cases: str = "live",
) -> Asked:
    return Asked(since, until, side, plan, view, cases)


Choice = Annotated[Asked, Depends(_asked)]


# --- addresses ---------------------------------------------------------------------------


@router.get("/cohort")
def cohort(request: Request, asked: Choice, page: int = 1) -> Response:
    """Show what the chosen cases say together."""
    many = _service(request).many
    try:
        view, problem, status = many.view(asked.wanted()), "", 200
    except InputError as error:
        asked = Asked()
        view, status = many.view(asked.wanted()), 422
        problem = f"{words.ended(error.message)} {words.sentence(error.hint)} All are shown."
    return render("cohort.html", context(view, asked, page, problem), status=status)


@router.get("/cohort.csv")
def cases_csv(request: Request, asked: Choice) -> Response:
    """Return the chosen cases, one line a case."""
    return _csv(_service(request).many.cases_csv(asked.wanted()), "cases.csv")


@router.get("/cohort-passes.csv")
def passes_csv(request: Request, asked: Choice) -> Response:
    """Return the passes of the chosen cases, one line a pass."""
    return _csv(_service(request).many.passes_csv(asked.wanted()), "passes.csv")


def _csv(text: str, name: str) -> Response:
    kept = {"Content-Disposition": f'attachment; filename="{name}"'}
    return Response(text, media_type="text/csv; charset=utf-8", headers=kept)


# --- words -------------------------------------------------------------------------------


def context(view: CohortView, asked: Asked, page: int, problem: str = "") -> CohortContext:
    """Put the chosen cases into words."""
    found = view.cohort
    pages = max(1, -(-len(found.rows) // LINES))
    page = min(max(page, 1), pages)
    shown = found.rows[(page - 1) * LINES : page * LINES]
    first = (page - 1) * LINES + 1
    return CohortContext(
        shell=Shell("Many cases", "cohort"),
        form=ChoiceForm(
            asked.since,
            asked.until,
            _options(_SIDES, asked.side),
            _options(_PLANS, asked.plan),
            _options(_VIEWS, asked.view),
            _options(_ORIGINS, asked.cases),
            problem,
        ),
        counts=tuple(_counts(found)),
        shares=tuple(
            (
                _SHARES.get(one.name, one.name),
                f"{one.part} of {one.whole}",
                _per_cent(one.estimate),
            )
            for one in found.shares
            if one.estimate is not None
        ),
        spreads=tuple(map(_spread, found.distributions, view.spreads)),
        trends=tuple(map(_trend, found.trends, view.trends)),
        eye=_eye(found, view.eye),
        reasons=tuple(
            (
                SENTENCES[Reason(one.reason)],
                str(one.pictures),
                str(one.cases),
                _per_cent(one.estimate),
            )
            for one in found.reasons
        ),
        not_measured=_not_measured(found),
        dose=_dose(found),
        rows=tuple(map(_row, shown)),
        page_said=f"{first} to {first + len(shown) - 1} of {len(found.rows)}, the newest first"
        if shown
        else "",
        newer=asked.address("/cohort", page=page - 1) if page > 1 else "",
        older=asked.address("/cohort", page=page + 1) if page < pages else "",
        cases_csv=asked.address("/cohort.csv"),
        passes_csv=asked.address("/cohort-passes.csv"),
        unread=", ".join(found.unread),
        others=replace(asked, cases="all").address("/cohort")
        if not found.rows and any(count for _, count in found.by_origin)
        else "",
        intervals=WHAT_INTERVALS,
        no_ranking=NO_RANKING,
    )


def _options(texts: Mapping[str, str], chosen: str) -> tuple[Option, ...]:
    return tuple(Option(value, text, value == chosen) for value, text in texts.items())


def _counts(found: Cohort) -> list[str]:
    said = [
        f"{words.count(len(found.rows), 'case', 'cases')} chosen, {found.ended} with numbers.",
        "By where they came from: "
        + ", ".join(
            f"{count} {name}"
            for (_, count), name in zip(
                found.by_origin, ("live", "from folders", "of the demo"), strict=True
            )
        )
        + ".",
    ]
    if found.open_cases:
        n = words.count(found.open_cases, "case is", "cases are")
        said.append(f"{n} not closed: the last picture stands for the end.")
    if found.after_last:
        n = words.count(found.after_last, "case has", "cases have")
        said.append(
            f"{n} pictures after the last that counts; what was burred since is in no number."
        )
    if found.at_least:
        n = words.count(found.at_least, "case has", "cases have")
        said.append(
            f"{n} a total that is only a least, and {'is' if found.at_least == 1 else 'are'}"
            " left out where totals are shown."
        )
    return said


def _spread(one: Distribution, svg: str) -> Drawn:
    places = 1 if one.unit else 0
    unit = f" {one.unit}" if one.unit and one.unit != "°" else one.unit
    said = [
        f"Median {_with(one.median, max(places, 1))}{unit}, mean {_with(one.mean, 1)}{unit}; "
        f"{_number(one.least, places)} to {_number(one.greatest, places)}{unit} in "
        f"{words.count(one.median.cases, 'case', 'cases')}."
    ]
    if one.key == "left_mm":
        said.append("Under zero is past the plan.")
    if one.u is not None:
        said.append(
            f"Each number's own uncertainty is about {words.significant(one.u)}{unit} (u); "
            "so much of the spread is measuring."
        )
    return Drawn(_NAMES[one.key], Markup(svg), tuple(said))


def _trend(one: Trend, svg: str) -> Drawn:
    unit = f" {one.unit}" if one.unit else ""
    said = [
        f"Mean by {one.step} of opening, with Student's interval; a hollow dot rests on one case."
    ]
    if one.a_year is not None:
        said.append(f"A straight line changes by {_with(one.a_year, 2)}{unit} a year.")
    return Drawn(_NAMES[one.key], Markup(svg), tuple(said))


def _eye(found: Cohort, svg: str) -> Drawn | None:
    if found.eye is None:
        return None
    said = [
        f"The surgeon's own estimate less what was measured: mean {_with(found.eye.mean, 2)} mm "
        f"over {words.count(found.eye_cases, 'case', 'cases')}, "
        f"{words.count(found.eye.pairs, 'picture', 'pictures')}."
    ]
    if found.eye.limit_low is not None and found.eye.limit_high is not None:
        low, high = (_number(one, 2) for one in (found.eye.limit_low, found.eye.limit_high))
        said.append(f"19 of 20 pictures lie about between {low} and {high} mm (dashed).")
    said.append("The measurement is no truth: its own interval is in every difference.")
    return Drawn("Own estimate less measurement", Markup(svg), tuple(said))


def _not_measured(found: Cohort) -> str:
    if found.not_measured is None:
        return "No picture was looked at."
    return (
        f"{found.unmeasured} of {found.pictures} pictures were not measured, "
        f"{_per_cent(found.not_measured)}, copies apart."
    )


def _dose(found: Cohort) -> str:
    if not found.with_dose:
        return "No header says a dose."
    unsure = ""
    if found.unsure_dose:
        n = words.count(found.unsure_dose, "case", "cases")
        unsure = f" In {n} it may be a running total; such cases are in no distribution of dose."
    return (
        f"{words.count(found.dose_pictures, 'picture', 'pictures')} in "
        f"{words.count(found.with_dose, 'case', 'cases')} say a dose; where only some of a case's "
        f"pictures do, its sum is a least.{unsure}"
    )


def _row(row: CaseSummary) -> CaseRow:
    least = "" if row.whole else "at least "
    times = [one.minutes for one in row.passes if one.minutes is not None]
    each = ""
    if row.passes:
        mm = sum(one.removed_mm.value for one in row.passes) / len(row.passes)
        deg = sum(one.removed_deg.value for one in row.passes) / len(row.passes)
        each = f"{_number(mm, 1)} mm\n{_number(deg, 1)}°"
    return CaseRow(
        case_id=row.case_id,
        address=f"{case_base(row.case_id)}/review",
        opened=words.day(row.opened_at),
        origin=row.origin,
        side=row.side,
        plan=_plan(row),
        planned=_two(row.planned_mm, row.planned_deg),
        removed=least + _quantities(row.removed_mm, row.removed_deg),
        left="\n".join(_left(row.left_mm)) if row.left_mm else "",
        passes=str(len(row.passes)) if row.final is not None else "",
        each=each,
        minutes=f"{sum(times) / len(times):.1f} min" if times else "",
        pictures=str(row.pictures),
        not_measured=str(row.not_measured),
        dose=_dose_of(row),
        eye=_eyes(row),
    )


def _plan(row: CaseSummary) -> str:
    parts = []
    if row.plan.target_lcea_deg is not None:
        parts.append(f"{row.plan.target_lcea_deg:g}°")
    if row.plan.depth_mm is not None:
        parts.append(f"{row.plan.depth_mm:g} mm")
    return ", ".join(parts)


def _two(mm: float | None, deg: float | None) -> str:
    if mm is None:
        return ""
    return f"{_number(mm, 1)} mm" + (f"\n{_number(deg, 1)}°" if deg is not None else "")


def _quantities(mm: Quantity | None, deg: Quantity | None) -> str:
    if mm is None:
        return ""
    said = f"{words.value(mm)} mm ({words.interval(mm)})"
    return said if deg is None else f"{said}\n{words.value(deg)}° ({words.interval(deg)})"


def _left(quantity: Quantity) -> tuple[str, str]:
    figure, said = words.left(quantity)
    return f"{figure} {said}", f"({words.left_interval(quantity)})"


def _dose_of(row: CaseSummary) -> str:
    if row.dose_dgycm2 is None:
        return ""
    if row.dose_last_dgycm2 is None:
        return f"{row.dose_dgycm2:.1f}"
    return f"{row.dose_last_dgycm2:.1f} or {row.dose_dgycm2:.1f}"


def _eyes(row: CaseSummary) -> str:
    if not row.eye:
        return "not recorded"
    apart = sum(one.eye_mm - one.measured_mm.value for one in row.eye) / len(row.eye)
    return f"{_number(apart, 1)} mm ({len(row.eye)})"


def _per_cent(one: Estimate | None) -> str:
    if one is None:
        return ""
    if one.low is None or one.high is None:
        return f"{100 * one.value:.0f} %"
    return f"{100 * one.value:.0f} % ({100 * one.low:.0f} to {100 * one.high:.0f})"


def _with(one: Estimate, places: int) -> str:
    """Return a value with its interval, or with the word that there are too few cases for one."""
    if one.low is None or one.high is None:
        return f"{_number(one.value, places)} (too few cases for an interval)"
    return (
        f"{_number(one.value, places)} ({_number(one.low, places)} to {_number(one.high, places)})"
    )


def _number(value: float, places: int) -> str:
    return words.decimals(value, places).replace("-", "−")
