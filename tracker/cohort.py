"""Rows of many cases -> what they say together: how values spread, and how they go with time.

Everything is taken over cases, not over pictures, since pictures of one case are alike.  Nothing
here tells people apart: a row has no name in it, and no order but that of time.
"""

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from statistics import median
from typing import Final, Literal

import numpy as np

from tracker import spread
from tracker.provenance import Origin
from tracker.spread import Agreement, Bar, Estimate
from tracker.summary import CaseSummary, PlanKind
from tracker.values import Side, View

Cases = Literal["live", "folder", "demo", "all"]
Key = Literal[
    "left_mm",
    "planned_mm",
    "removed_mm",
    "planned_deg",
    "removed_deg",
    "passes",
    "pass_mm",
    "pass_deg",
    "pass_min",
    "pictures",
    "dose_dgycm2",
]
Step = Literal["month", "quarter", "year"]

MOST_STEPS: Final = 24
"""Steps of a trend; where there would be more, they are made longer."""
_DAYS_A_YEAR: Final = 365.25


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which cases are looked at.

    Attributes
    ----------
    since, until : date or None
        Of the day on which the case was opened, both included.
    side : {"left", "right"} or None
    plan : {"angle", "depth", "both"} or None
        What the plan gives.
    cases : {"live", "folder", "demo", "all"}
    view : {"AP", "false-profile", "oblique"} or None
        Views of one hip are cases of their own, and their numbers are not of one kind.
    """

    since: date | None = None
    until: date | None = None
    side: Side | None = None
    plan: PlanKind | None = None
    cases: Cases = "live"
    view: View | None = "AP"

    def takes(self, row: CaseSummary, day: date, *, of_any_origin: bool = False) -> bool:
        """Tell whether a case that was opened on that day is one of those."""
        return (
            (self.since is None or day >= self.since)
            and (self.until is None or day <= self.until)
            and self.side in (None, row.side)
            and self.plan in (None, row.plan_kind)
            and self.view in (None, row.view)
            and (of_any_origin or self.cases in ("all", row.origin))
        )


@dataclass(frozen=True, slots=True)
class Distribution:
    """How one value spreads over the cases that have it.

    Attributes
    ----------
    key : str
    unit : str
    median, mean : Estimate
    least, greatest : float
    bars : tuple of Bar
    u : float or None
        Median of the cases' own standard uncertainties: what of the spread is only measuring.
    """

    key: Key
    unit: str
    median: Estimate
    mean: Estimate
    least: float
    greatest: float
    bars: tuple[Bar, ...]
    u: float | None = None


@dataclass(frozen=True, slots=True)
class Share:
    """The share of cases of which something holds."""

    name: str
    part: int
    whole: int
    estimate: Estimate | None


@dataclass(frozen=True, slots=True)
class ReasonCount:
    """How often a reason kept pictures from being measured."""

    reason: str
    pictures: int
    cases: int
    estimate: Estimate | None
    """Share of the cases in which it came up at least once."""


@dataclass(frozen=True, slots=True)
class Point:
    """One step of a trend: the mean over its cases."""

    label: str
    estimate: Estimate


@dataclass(frozen=True, slots=True)
class Trend:
    """How a value goes with time.

    Attributes
    ----------
    key : str
    unit : str
    step : {"month", "quarter", "year"}
    points : tuple of Point
        Steps without a case are left out.
    a_year : Estimate or None
        Change a year by a straight line through all cases.
    """

    key: Key
    unit: str
    step: Step
    points: tuple[Point, ...]
    a_year: Estimate | None


@dataclass(frozen=True, slots=True)
class Cohort:
    """What the chosen cases say together.

    Attributes
    ----------
    wanted : Wanted
    rows : tuple of CaseSummary
        The newest first.
    by_origin : tuple of (str, int)
        Cases that fit everything but where they came from.
    ended : int
        Cases with a picture that counts.
    open_cases : int
        Of those, cases that nobody has closed: their last picture stands for their end.
    at_least : int
        Cases whose total is a least; they are in no distribution of removed or planned.
    after_last : int
        Cases with pictures after the last that counts.
    distributions : tuple of Distribution
    shares : tuple of Share
    not_measured : Estimate or None
        Share of pictures, as a ratio of sums over cases.
    pictures, unmeasured : int
    reasons : tuple of ReasonCount
    trends : tuple of Trend
    eye : Agreement or None
        The surgeon's own estimate less what was measured, mm.
    eye_pairs : tuple of (float, float)
        Estimate and measurement.
    eye_cases : int
    with_dose, dose_pictures : int
        Cases with a dose, and pictures whose header says one.
    unsure_dose : int
        Cases whose headers may say a running total; they are in no distribution of dose.
    unread : tuple of str
        Cases whose entries can't be read; they are in nothing here.
    """

    wanted: Wanted
    rows: tuple[CaseSummary, ...]
    by_origin: tuple[tuple[Origin, int], ...]
    ended: int
    open_cases: int
    at_least: int
    after_last: int
    distributions: tuple[Distribution, ...]
    shares: tuple[Share, ...]
    not_measured: Estimate | None
    pictures: int
    unmeasured: int
    reasons: tuple[ReasonCount, ...]
    trends: tuple[Trend, ...]
    eye: Agreement | None
    eye_pairs: tuple[tuple[float, float], ...]
    eye_cases: int
    with_dose: int
    dose_pictures: int
    unsure_dose: int
    unread: tuple[str, ...] = ()


Value = Callable[[CaseSummary], float | None]


@dataclass(frozen=True, slots=True)
class Numbers:
    """What many cases need of one, worked out once a row.

    Attributes
    ----------
    opened_at : datetime
        In this machine's time zone.
    day : date
    values : tuple of float or None
        One for each distribution.
    """

    opened_at: datetime
    day: date
    values: tuple[float | None, ...]


def _left(row: CaseSummary) -> float | None:
    return row.left_mm.value if row.left_mm else None


def _removed_mm(row: CaseSummary) -> float | None:
    return row.removed_mm.value if row.removed_mm and row.whole else None


def _removed_deg(row: CaseSummary) -> float | None:
    return row.removed_deg.value if row.removed_deg and row.whole else None


def _pass_mm(row: CaseSummary) -> float | None:
    return _mean([one.removed_mm.value for one in row.passes])


def _pass_deg(row: CaseSummary) -> float | None:
    return _mean([one.removed_deg.value for one in row.passes])


def _mean(values: list[float]) -> float | None:
    return sum(values) / len(values) if values else None


def _dose(row: CaseSummary) -> float | None:
    """Return the dose where it is known which it is."""
    return row.dose_dgycm2 if row.dose_last_dgycm2 is None else None


def _pass_min(row: CaseSummary) -> float | None:
    times = [one.minutes for one in row.passes if one.minutes is not None]
    return median(times) if times else None


_VALUES: Final[tuple[tuple[Key, str, Value], ...]] = (
    ("left_mm", "mm", _left),
    ("passes", "", lambda row: float(len(row.passes)) if row.final is not None else None),
    ("planned_mm", "mm", lambda row: row.planned_mm if row.whole else None),
    ("removed_mm", "mm", _removed_mm),
    ("planned_deg", "°", lambda row: row.planned_deg if row.whole else None),
    ("removed_deg", "°", _removed_deg),
    ("pass_mm", "mm", _pass_mm),
    ("pass_deg", "°", _pass_deg),
    ("pass_min", "min", _pass_min),
    ("pictures", "", lambda row: float(row.pictures) if row.final is not None else None),
    ("dose_dgycm2", "dGy cm²", _dose),
)

_TRENDS: Final[tuple[Key, ...]] = ("left_mm", "pass_min", "pictures")


def numbers_of(row: CaseSummary) -> Numbers:
    """Return what many cases need of one."""
    at = row.opened_at.astimezone()
    return Numbers(at, at.date(), tuple(value(row) for _, _, value in _VALUES))


def cohort(
    rows: Sequence[CaseSummary],
    wanted: Wanted,
    unread: tuple[str, ...] = (),
    numbers: Sequence[Numbers] | None = None,
) -> Cohort:
    """Put together what the chosen cases say.

    Parameters
    ----------
    rows : sequence of CaseSummary
        The newest first.
    wanted : Wanted
    unread : tuple of str, optional
        Cases without a row, since their entries can't be read.
    numbers : sequence of Numbers, optional
        Of the rows, where they have been worked out before.

    Returns
    -------
    Cohort
    """
    known: tuple[Origin, ...] = ("live", "folder", "demo")
    of_any = [
        (row, its)
        for row, its in zip(rows, numbers or map(numbers_of, rows), strict=True)
        if wanted.takes(row, its.day, of_any_origin=True)
    ]
    origins = Counter(row.origin for row, _ in of_any)
    both = [(row, its) for row, its in of_any if wanted.cases in ("all", row.origin)]
    chosen = tuple(row for row, _ in both)
    ended = [row for row in chosen if row.final is not None]
    looked = [row for row in chosen if row.measured + row.not_measured]
    eyes = [row for row in chosen if row.eye]
    times = [its.opened_at for _, its in both]
    columns = [[its.values[k] for _, its in both] for k in range(len(_VALUES))]
    named = [(key, unit, column) for (key, unit, _), column in zip(_VALUES, columns, strict=True)]
    return Cohort(
        wanted=wanted,
        rows=chosen,
        by_origin=tuple((origin, origins[origin]) for origin in known),
        ended=len(ended),
        open_cases=sum(row.standing != "closed" for row in ended),
        at_least=sum(not row.whole for row in ended),
        after_last=sum(row.after_last > 0 for row in ended),
        distributions=tuple(
            found
            for key, unit, column in named
            if (found := _distribution(key, unit, column, chosen)) is not None
        ),
        shares=_shares(chosen, ended, looked),
        not_measured=spread.ratio(
            [row.not_measured for row in looked],
            [row.not_measured + row.measured + row.wrong_outline for row in looked],
        ),
        pictures=sum(row.not_measured + row.measured + row.wrong_outline for row in looked),
        unmeasured=sum(row.not_measured for row in looked),
        reasons=_reasons(looked),
        trends=tuple(
            trend
            for key, unit, column in named
            if key in _TRENDS and (trend := _trend(key, unit, column, times)) is not None
        ),
        eye=spread.agreement(
            [[(one.eye_mm, one.measured_mm.value) for one in row.eye] for row in eyes]
        ),
        eye_pairs=tuple((one.eye_mm, one.measured_mm.value) for row in eyes for one in row.eye),
        eye_cases=len(eyes),
        with_dose=sum(row.dose_dgycm2 is not None for row in chosen),
        dose_pictures=sum(row.dose_pictures for row in chosen),
        unsure_dose=sum(row.dose_last_dgycm2 is not None for row in chosen),
        unread=unread,
    )


def _distribution(
    key: Key, unit: str, column: Sequence[float | None], rows: Sequence[CaseSummary]
) -> Distribution | None:
    values = np.array([number for number in column if number is not None])
    middle, average = spread.median(values), spread.mean(values)
    if middle is None or average is None:
        return None
    u = None
    if key in ("left_mm", "removed_mm", "removed_deg"):
        u = median(
            quantity.u
            for row, number in zip(rows, column, strict=True)
            if number is not None and (quantity := getattr(row, key)) is not None
        )
    bars = spread.histogram(values, whole=unit == "")
    least, greatest = float(values.min()), float(values.max())
    return Distribution(key, unit, middle, average, least, greatest, bars, u)


def _shares(
    chosen: Sequence[CaseSummary], ended: Sequence[CaseSummary], looked: Sequence[CaseSummary]
) -> tuple[Share, ...]:
    def share(
        name: str, rows: Sequence[CaseSummary], holds: Callable[[CaseSummary], bool]
    ) -> Share:
        part = sum(map(holds, rows))
        return Share(name, part, len(rows), spread.share(part, len(rows)))

    return (
        share("measured at all", chosen, lambda row: row.final is not None),
        share("more to go at the end", ended, lambda row: row.message == "more to go"),
        share("may be at the plan", ended, lambda row: row.message == "may be at the plan"),
        share("past the plan", ended, lambda row: row.message == "past the plan"),
        share("lower limit reached", ended, lambda row: "lower limit reached" in row.limits),
        share("greatest depth reached", ended, lambda row: "greatest depth reached" in row.limits),
        share("a picture not measured", looked, lambda row: row.not_measured > 0),
        share("an outline found wrong", looked, lambda row: row.wrong_outline > 0),
        share("pictures after the last that counts", ended, lambda row: row.after_last > 0),
    )


def _reasons(looked: Sequence[CaseSummary]) -> tuple[ReasonCount, ...]:
    pictures: Counter[str] = Counter()
    cases: Counter[str] = Counter()
    for row in looked:
        for reason, count in row.reasons:
            pictures[reason] += count
            cases[reason] += 1
    order = sorted(pictures, key=lambda reason: (-pictures[reason], reason))
    return tuple(
        ReasonCount(
            reason, pictures[reason], cases[reason], spread.share(cases[reason], len(looked))
        )
        for reason in order
    )


def _trend(
    key: Key, unit: str, column: Sequence[float | None], times: Sequence[datetime]
) -> Trend | None:
    found = [(at, number) for at, number in zip(times, column, strict=True) if number is not None]
    if not found:
        return None
    found.sort(key=lambda one: one[0])
    step = _step(found[0][0], found[-1][0])
    groups: dict[str, list[float]] = {}
    for at, number in found:
        groups.setdefault(_label(at, step), []).append(number)
    points = []
    for label, values in groups.items():
        average = spread.mean(values)
        assert average is not None
        points.append(Point(label, average))
    start = found[0][0].timestamp()
    years = [(at.timestamp() - start) / 86400 / _DAYS_A_YEAR for at, _ in found]
    slope = spread.slope(years, [number for _, number in found])
    return Trend(key, unit, step, tuple(points), slope)


def _step(first: datetime, last: datetime) -> Step:
    months = (last.year - first.year) * 12 + last.month - first.month + 1
    if months <= MOST_STEPS:
        return "month"
    return "quarter" if months <= 3 * MOST_STEPS else "year"


def _label(at: datetime, step: Step) -> str:
    """Name the step in which a moment lies.

    >>> _label(datetime(2026, 11, 5), "quarter")
    '2026 Q4'
    """
    if step == "month":
        return f"{at.year}-{at.month:02}"
    return f"{at.year} Q{(at.month + 2) // 3}" if step == "quarter" else str(at.year)
