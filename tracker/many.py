"""Use case: what the cases of a record say together, and what each must write down for that."""

from collections import OrderedDict
from dataclasses import dataclass
from threading import Lock
from typing import Final

from tracker import plots, provenance
from tracker.casebook import Case
from tracker.cohort import (
    Cases,
    Cohort,
    Distribution,
    Key,
    Numbers,
    Trend,
    Wanted,
    cohort,
    numbers_of,
)
from tracker.cohort_table import NO_RANKING, WHAT_INTERVALS, cases_csv, passes_csv
from tracker.heads import Mark
from tracker.ledger import Ledger
from tracker.provenance import Origin, OriginNote
from tracker.roll import Roll
from tracker.spread import Estimate
from tracker.summary import CaseSummary, PlanKind

__all__ = [
    "NO_RANKING",
    "WHAT_INTERVALS",
    "CaseSummary",
    "Cases",
    "Cohort",
    "CohortView",
    "Distribution",
    "Estimate",
    "Many",
    "PlanKind",
    "Trend",
    "Wanted",
]

_MOST_KEPT: Final = 16
"""Choices whose answer is held while the record stays as it is."""
_SPREAD: Final = (560, 300)
_TREND: Final = (760, 300)
_PLAN_AT: Final[dict[Key, float]] = {"left_mm": 0.0}

TITLES: Final[dict[Key, str]] = {
    "left_mm": "what was left to the plan at the end",
    "planned_mm": "millimetres planned",
    "removed_mm": "millimetres removed",
    "planned_deg": "degrees planned",
    "removed_deg": "degrees removed",
    "passes": "number of passes",
    "pass_mm": "millimetres a pass",
    "pass_deg": "degrees a pass",
    "pass_min": "time a pass",
    "pictures": "number of pictures",
    "dose_dgycm2": "dose-area product",
}
"""What the charts show, in words."""


@dataclass(frozen=True, slots=True)
class CohortView:
    """What the chosen cases say, with its charts as SVG text by what they show.

    Attributes
    ----------
    cohort : Cohort
    spreads, trends : tuple of str
        One for each distribution and trend, in their order.
    eye : str
        Empty where nothing was recorded.
    """

    cohort: Cohort
    spreads: tuple[str, ...]
    trends: tuple[str, ...]
    eye: str


class Many:
    """Questions about many cases.

    Parameters
    ----------
    ledger : Ledger
    """

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger
        self._roll = Roll(ledger.store)
        self._guard = Lock()
        self._known: OrderedDict[tuple[Mark, Wanted], CohortView] = OrderedDict()
        # A row is held with its numbers, so that its identity stays its own.
        self._numbers: dict[int, tuple[CaseSummary, Numbers]] = {}

    # --- what is written for it ----------------------------------------------------------

    def note_origin(self, case: Case, origin: Origin) -> None:
        """Write down that a case is not live."""
        self._ledger.append(case, provenance.ORIGIN, OriginNote(origin))

    # --- what is asked -------------------------------------------------------------------

    def cohort(self, wanted: Wanted) -> Cohort:
        """Return what the chosen cases say together."""
        return self.view(wanted).cohort

    def view(self, wanted: Wanted) -> CohortView:
        """Return what the chosen cases say together, with its charts."""
        mark, rows, unread = self._roll.rows()
        with self._guard:
            known = self._known.get((mark, wanted))
        if known is None:
            known = _view(cohort(rows, wanted, unread, self._numbers_of(rows)))
            if unread:
                return known
            with self._guard:
                self._known[mark, wanted] = known
                while len(self._known) > _MOST_KEPT:
                    self._known.popitem(last=False)
        return known

    def _numbers_of(self, rows: tuple[CaseSummary, ...]) -> list[Numbers]:
        """Return the rows' numbers; those of a row that is still the same are kept."""
        with self._guard:
            old = self._numbers
        new = {id(row): old.get(id(row)) or (row, numbers_of(row)) for row in rows}
        with self._guard:
            self._numbers = new
        return [new[id(row)][1] for row in rows]

    def cases_csv(self, wanted: Wanted) -> str:
        """Return the chosen cases as CSV, one line a case."""
        return cases_csv(self.cohort(wanted).rows)

    def passes_csv(self, wanted: Wanted) -> str:
        """Return the passes of the chosen cases as CSV, one line a pass."""
        return passes_csv(self.cohort(wanted).rows)


def _view(found: Cohort) -> CohortView:
    eye = ""
    if found.eye is not None:
        title = "Own estimate less measurement, against measurement, with limits of agreement"
        eye = plots.agreement_chart(*_TREND, found.eye_pairs, found.eye, title)
    spreads = tuple(map(_spread, found.distributions))
    return CohortView(found, spreads, tuple(map(_trend, found.trends)), eye)


def _spread(one: Distribution) -> str:
    title = f"{one.median.cases} cases by {TITLES[one.key]}"
    return plots.spread_chart(*_SPREAD, one, title, plan_at=_PLAN_AT.get(one.key))


def _trend(one: Trend) -> str:
    title = f"Mean by {one.step}: {TITLES[one.key]}"
    return plots.trend_chart(*_TREND, one, title, zero="plan" if one.key == "left_mm" else "")
