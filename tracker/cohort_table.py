"""Many cases as tables: CSV of cases and of passes with a documented header, text for a terminal.

Computing never rounds: numbers in CSV carry every digit.  ``u`` is a standard uncertainty (k = 1);
an empty cell means that the value is not there, never 0.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Final

from tracker.cohort import Cohort, Distribution
from tracker.plaincsv import Cell, csv_text
from tracker.spread import Estimate
from tracker.summary import CaseSummary, PassRow
from tracker.values import CAUTION, Quantity


@dataclass(frozen=True, slots=True)
class Column:
    """One column of the CSV of cases."""

    name: str
    unit: str
    meaning: str
    value: Callable[[CaseSummary], Cell]


@dataclass(frozen=True, slots=True)
class PassColumn:
    """One column of the CSV of passes."""

    name: str
    unit: str
    meaning: str
    value: Callable[[CaseSummary, PassRow], Cell]


def _of(name: str, part: str) -> Callable[[CaseSummary], Cell]:
    def value(row: CaseSummary) -> Cell:
        quantity: Quantity | None = getattr(row, name)
        found: float | None = getattr(quantity, part, None)
        return found

    return value


def _pair(name: str, column: str, unit: str, meaning: str) -> tuple[Column, Column]:
    """Return the columns of a quantity and of its standard uncertainty."""
    return (
        Column(column, unit, meaning, _of(name, "value")),
        Column(f"u_{column}", unit, "standard uncertainty of it (k = 1)", _of(name, "u")),
    )


def _mean(values: list[float]) -> float | None:
    return sum(values) / len(values) if values else None


COLUMNS: Final[tuple[Column, ...]] = (
    Column("case", "", "pseudonym", lambda row: row.case_id),
    Column("opened", "", "when the case was opened, ISO 8601 with zone", lambda row: row.opened),
    Column("from", "", "live, folder (read afterwards) or demo", lambda row: row.origin),
    Column("side", "", "the patient's", lambda row: row.side),
    Column("view", "", "AP, false-profile or oblique", lambda row: row.view),
    Column("standing", "", "of the case now; closed once somebody closed it", lambda r: r.standing),
    Column("plan", "", "what the plan gives: angle, depth or both", lambda row: row.plan_kind),
    Column("target_lcea_deg", "°", "of the plan", lambda row: row.plan.target_lcea_deg),
    Column("planned_depth_mm", "mm", "of the plan", lambda row: row.plan.depth_mm),
    Column("lower_limit_deg", "°", "lower limit of LCEA", lambda row: row.plan.floor_lcea_deg),
    Column("greatest_depth_mm", "mm", "of the plan", lambda row: row.plan.max_depth_mm),
    *_pair("start_lcea", "start_lcea_deg", "°", "LCEA on the case's very first picture"),
    Column(
        "planned_mm",
        "mm",
        "what the plan asks for on this hip; its error is in left_mm",
        lambda row: row.planned_mm,
    ),
    Column("planned_deg", "°", "the same as an angle", lambda row: row.planned_deg),
    Column("final_picture", "", "whose numbers stand for the end", lambda row: row.final),
    *_pair("removed_mm", "removed_mm", "mm", "removed at the end"),
    *_pair("removed_deg", "removed_deg", "°", "fall of LCEA at the end"),
    Column("removed_is", "", "total, or least where a total is only a least", lambda row: _is(row)),
    *_pair("left_mm", "left_mm", "mm", "left to the plan at the end; negative is past it"),
    *_pair("to_limit_mm", "to_limit_mm", "mm", "left to the lower limit at the end"),
    Column("message", "", "said on the final picture", lambda row: row.message),
    Column("limits", "", "said on it, with ; between", lambda row: ";".join(row.limits)),
    Column(
        "pictures_after",
        "",
        "pictures while burring after the final one that don't count",
        lambda row: row.after_last,
    ),
    Column("passes", "", "measured steps while burring", lambda row: len(row.passes)),
    Column(
        "mean_pass_mm",
        "mm",
        "mean over the passes",
        lambda row: _mean([one.removed_mm.value for one in row.passes]),
    ),
    Column(
        "mean_pass_deg",
        "°",
        "mean over the passes",
        lambda row: _mean([one.removed_deg.value for one in row.passes]),
    ),
    Column(
        "passes_timed",
        "",
        "passes with a time",
        lambda row: sum(one.minutes is not None for one in row.passes),
    ),
    Column(
        "mean_pass_min",
        "min",
        "mean over the passes with a time",
        lambda row: _mean([one.minutes for one in row.passes if one.minutes is not None]),
    ),
    Column("pictures", "", "exposures, without copies", lambda row: row.pictures),
    Column("measured", "", "pictures with numbers", lambda row: row.measured),
    Column("not_measured", "", "pictures without, copies apart", lambda row: row.not_measured),
    Column("outline_wrong", "", "numbers that somebody took back", lambda row: row.wrong_outline),
    Column("copies", "", "pictures that were there already", lambda row: row.copies),
    Column("no_pictures", "", "files that were no picture", lambda row: row.unreadable),
    Column(
        "reasons",
        "",
        "first reason of each picture not measured, name:count with ; between",
        lambda row: ";".join(f"{reason}:{count}" for reason, count in row.reasons),
    ),
    Column("dose_dgycm2", "dGy cm²", "sum of what headers say", lambda row: row.dose_dgycm2),
    Column(
        "dose_last_dgycm2",
        "dGy cm²",
        "of the last picture, where headers may say a running total; else empty",
        lambda row: row.dose_last_dgycm2,
    ),
    Column("dose_pictures", "", "pictures whose header says it", lambda row: row.dose_pictures),
    Column("eye_pictures", "", "pictures with an own estimate", lambda row: len(row.eye)),
    Column(
        "eye_less_measured_mm",
        "mm",
        "mean of the surgeon's own estimate less what was measured",
        lambda row: _mean([one.eye_mm - one.measured_mm.value for one in row.eye]),
    ),
    Column("marks", "", "given or proposed", lambda row: row.marks),
    Column("scale_from", "", "what the scale was taken from", lambda row: row.scale_from),
    Column(
        "software", "", "versions that measured, with ; between", lambda r: ";".join(r.software)
    ),
)
"""Columns of the CSV of cases, in order."""

PASS_COLUMNS: Final[tuple[PassColumn, ...]] = (
    PassColumn("case", "", "pseudonym", lambda row, _: row.case_id),
    PassColumn("opened", "", "when the case was opened", lambda row, _: row.opened),
    PassColumn("from", "", "live, folder or demo", lambda row, _: row.origin),
    PassColumn("side", "", "the patient's", lambda row, _: row.side),
    PassColumn(
        "picture", "", "number of the picture that ends the pass", lambda _, one: one.number
    ),
    PassColumn(
        "removed_mm",
        "mm",
        "what it reads more than the one before; noise can bring it under zero",
        lambda _, one: one.removed_mm.value,
    ),
    PassColumn(
        "u_removed_mm", "mm", "standard uncertainty of it (k = 1)", lambda _, one: one.removed_mm.u
    ),
    PassColumn("removed_deg", "°", "the same as an angle", lambda _, one: one.removed_deg.value),
    PassColumn(
        "u_removed_deg", "°", "standard uncertainty of it (k = 1)", lambda _, one: one.removed_deg.u
    ),
    PassColumn(
        "minutes",
        "min",
        "since the picture before; empty where unknown",
        lambda _, one: one.minutes,
    ),
)
"""Columns of the CSV of passes, in order."""


def cases_csv(rows: Iterable[CaseSummary]) -> str:
    """Return one line a case, the oldest first, under a header of names."""
    lines = [[column.value(row) for column in COLUMNS] for row in rows]
    return csv_text([column.name for column in COLUMNS], reversed(lines))


def passes_csv(rows: Iterable[CaseSummary]) -> str:
    """Return one line a pass, the oldest case first, under a header of names."""
    oldest_first = reversed(list(rows))
    return csv_text(
        [column.name for column in PASS_COLUMNS],
        ([c.value(row, one) for c in PASS_COLUMNS] for row in oldest_first for one in row.passes),
    )


def _is(row: CaseSummary) -> str | None:
    if row.removed_mm is None:
        return None
    return "total" if row.whole else "least"


# --- a terminal's text -------------------------------------------------------------------

NAMES: Final = {
    "left_mm": "left to the plan at the end",
    "planned_mm": "planned",
    "removed_mm": "removed",
    "planned_deg": "planned",
    "removed_deg": "removed",
    "passes": "passes a case",
    "pass_mm": "a pass, mean of the case",
    "pass_deg": "a pass, mean of the case",
    "pass_min": "time a pass, median of the case",
    "pictures": "pictures a case",
    "dose_dgycm2": "dose-area product a case",
}
"""What the distributions are called."""

NO_RANKING: Final = (
    "These figures describe cases, not people: they hold no name, and patients, plans and bone "
    "differ more than hands do. Don't rank or judge anybody by them."
)
WHAT_INTERVALS: Final = (
    "Intervals cover 95 %: medians between order statistics, means and slopes by Student, shares "
    "of cases by Clopper and Pearson, shares of pictures by ratio over cases."
)


def text_lines(cohort: Cohort) -> list[str]:
    """Return what a terminal shows."""
    origins = ", ".join(f"{count} {origin}" for origin, count in cohort.by_origin)
    lines = [
        f"{len(cohort.rows)} cases ({cohort.wanted.cases}); by where they came from: {origins}",
        f"{cohort.ended} with numbers; {cohort.open_cases} of these not closed, "
        f"{cohort.at_least} with a total that is only a least, "
        f"{cohort.after_last} with pictures after the last that counts",
        "",
    ]
    if cohort.unread:
        lines[-1:] = [f"can't be read, and in nothing here: {', '.join(cohort.unread)}", ""]
    if cohort.distributions:
        heading: tuple[str, ...] = ("", "cases", "median", "95 %", "mean", "95 %", "range")
        table = [heading, *map(_line, cohort.distributions)]
        widths = [max(len(row[k]) for row in table) for k in range(len(table[0]))]
        lines += [
            "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
            for row in table
        ]
        lines.append("")
    for share in cohort.shares:
        if share.estimate is not None:
            span = _span(share.estimate, 100, 0)
            lines.append(f"{share.name}: {share.part} of {share.whole} cases ({span} %)")
    if cohort.not_measured is not None:
        span = _span(cohort.not_measured, 100, 1)
        lines.append(f"pictures not measured: {cohort.unmeasured} of {cohort.pictures} ({span} %)")
    for reason in cohort.reasons:
        lines.append(f"  {reason.reason}: {reason.pictures} pictures in {reason.cases} cases")
    eye = cohort.eye
    if eye is None:
        lines.append("eye against measurement: not recorded")
    else:
        span = _span(eye.mean, 1, 2)
        lines.append(
            f"eye less measurement: mean {eye.mean.value:.2f} mm ({span}) over {cohort.eye_cases} "
            f"cases, {eye.pairs} pictures"
        )
        if eye.limit_low is not None and eye.limit_high is not None:
            lines.append(f"  limits of agreement {eye.limit_low:.2f} to {eye.limit_high:.2f} mm")
    return [*lines, "", WHAT_INTERVALS, NO_RANKING, CAUTION]


def _line(one: Distribution) -> tuple[str, ...]:
    places = 0 if one.unit == "" else 2
    unit = f", {one.unit}" if one.unit else ""
    return (
        NAMES[one.key] + unit,
        str(one.median.cases),
        f"{one.median.value:.{places or 1}f}",
        _span(one.median, 1, places or 1),
        f"{one.mean.value:.{places or 1}f}",
        _span(one.mean, 1, places or 1),
        f"{one.least:.{places}f} to {one.greatest:.{places}f}",
    )


def _span(estimate: Estimate, factor: float, places: int) -> str:
    """Return an interval's ends, or that there are too few cases for one."""
    if estimate.low is None or estimate.high is None:
        return "too few"
    return f"{factor * estimate.low:.{places}f} to {factor * estimate.high:.{places}f}"
