"""The rows behind a number, in words."""

from collections.abc import Iterable
from typing import Final

from tracker.values import Budget
from web import words
from web.contexts import BudgetContext

_RESULTS: Final = {
    "recession_mm": "removed",
    "recession": "removed",
    "lcea": "LCEA",
    "lcea_deg": "LCEA",
    "remaining": "left to the plan",
    "to the lower limit": "left to the lower limit",
    "area_mm2": "outline area",
    "thinned_area_mm2": "thinned area",
    "difference": "difference of the two",
    "arc length": "length of the detached labrum",
    "socket radius": "socket's radius",
}
"""What the budgets' results are called on the pages."""
UNITS: Final = {"mm2": "mm²", "deg": "°", "1": "", "h": "h"}


def budget_context(budget: Budget) -> BudgetContext:
    """Put the rows behind a number into words, the largest share first."""
    rows = tuple(
        (
            row.source,
            f"{words.significant(row.u)} {unit(row.unit)}".strip(),
            words.significant(row.contribution),
            row.note,
        )
        for row in sorted(budget.rows, key=lambda row: -row.contribution)
    )
    combined = sum(row.contribution**2 for row in budget.rows) ** 0.5
    name = _RESULTS.get(budget.result, budget.result)
    return BudgetContext(name, unit(budget.unit), rows, words.significant(combined))


def budget_contexts(budgets: Iterable[Budget]) -> tuple[BudgetContext, ...]:
    """Put several budgets into words."""
    return tuple(map(budget_context, budgets))


def unit(name: str) -> str:
    """Return a unit as it is written."""
    return UNITS.get(name, name)
