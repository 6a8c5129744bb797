"""The list of cases: how each stands, read from its journal and from no more than it needs.

A whole case is read with all its results, tens of kilobytes each.  How a case stands hangs on the
last one or two: the others are left where they are, and the journal is read with blanks for them.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from threading import Lock
from typing import Final

from tracker import casebook, lightly
from tracker.casebook import Case, Standing
from tracker.errors import InternalError, StoreError
from tracker.ledger import Ledger
from tracker.record import CaseRow, ResultRow, WholeCase, from_text
from tracker.values import NotMeasurable, Reason, ReferenceResult, Side, StillResult, View

A_PAGE: Final = 20
_MOST_KEPT: Final = 300
_UNREAD: Final = (NotMeasurable(Reason.UNREADABLE),)


@dataclass(frozen=True, slots=True)
class ListedView:
    """Another view of a listed hip."""

    view: View
    case_id: str
    standing: Standing


@dataclass(frozen=True, slots=True)
class Listed:
    """One line of the list.

    Attributes
    ----------
    case_id : str
    opened_at : datetime
    side, view : str or None
        None where the case can't be read.
    standing : str or None
    views : tuple of ListedView
        Every view of the hip, this case's first, where there are several.
    """

    case_id: str
    opened_at: datetime
    side: Side | None
    view: View | None
    standing: Standing | None
    views: tuple[ListedView, ...] = ()


@dataclass(frozen=True, slots=True)
class ListPage:
    """A part of the list, the newest first.

    Attributes
    ----------
    lines : tuple of Listed
    older : int or None
        From where the next part goes on; None at the end.
    total : int
        Cases in the record.
    find : str
        What was looked for in the names.
    """

    lines: tuple[Listed, ...]
    older: int | None
    total: int
    find: str = ""


class Listing:
    """The list of a record's cases.

    Parameters
    ----------
    ledger : Ledger
    """

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger
        self._store = ledger.store
        self._guard = Lock()
        self._read_before: dict[int, tuple[str, Case]] = {}

    def page(self, *, before: int | None = None, find: str = "", limit: int = A_PAGE) -> ListPage:
        """Return a part of the list.

        Parameters
        ----------
        before : int, optional
            As ``older`` of the part before.
        find : str, optional
            Only cases whose name holds this.
        limit : int, optional
        """
        rows = self._store.cases(limit + 1, before, find)
        shown = rows[:limit]
        cases = self._cases(shown)
        named = {one.case_id for case in cases.values() if case for one in case.agreement.views}
        beside = self._cases(self._store.cases_named(named - cases.keys())) | cases
        lines = tuple(
            _listed(row, cases[row.id], beside)
            for row in shown
            if not _stands_elsewhere(cases[row.id])
        )
        older = shown[-1].key if len(rows) > limit else None
        return ListPage(lines, older, self._store.count_cases(), find)

    def _cases(self, rows: Iterable[CaseRow]) -> dict[str, Case | None]:
        """Return cases by name, those in memory as they are; None for one that can't be read."""
        found: dict[str, Case | None] = {row.id: self._ledger.in_memory(row.id) for row in rows}
        unread = [row for row in rows if found[row.id] is None]
        heads = lightly.heads(self._store, tuple(unread))
        for row in [*unread]:
            head, case = self._read_before.get(row.key, ("", None))
            if case is not None and head == heads.get(row.key):
                found[row.id] = case
                unread.remove(row)
        lights = lightly.journals(self._store, tuple(unread))
        bodies = lightly.last_bodies(self._store, lights)
        for light in lights:
            try:
                case = found[light.row.id] = self._read(light, bodies)
            except (StoreError, InternalError, LookupError, ValueError, TypeError):
                found[light.row.id] = None
            else:
                self._keep(light, case)
        return found

    def _keep(self, light: WholeCase, case: Case) -> None:
        with self._guard:
            self._read_before[light.row.key] = light.events[-1].chain, case
            while len(self._read_before) > _MOST_KEPT:
                del self._read_before[next(iter(self._read_before))]

    def _read(self, light: WholeCase, bodies: Mapping[tuple[int, int], str]) -> Case:
        results: dict[int, tuple[ResultRow, StillResult | ReferenceResult]] = {}
        unread: dict[int, int] = {}
        for row in light.results:
            body = bodies.get((light.row.key, row.serial))
            value = _BLANKS[row.kind == "still"]() if body is None else _value(row, body)
            results[row.serial] = row, value
            if body is None:
                unread[id(value)] = row.serial
        while True:
            case = casebook.read_case(light.row, light.events, light.pictures, results)
            latest = case.latest
            shown = (latest.result or latest.reference) if latest else None
            serial = unread.pop(id(shown), None)
            if serial is None:
                return case
            row = results[serial][0]
            results[serial] = row, _value(row, lightly.body(self._store, light.row, serial))


def _value(row: ResultRow, body: str) -> StillResult | ReferenceResult:
    if row.kind == "still":
        return from_text(StillResult, body)
    return from_text(ReferenceResult, body)


def _blank_still() -> StillResult:
    return StillResult("", "", "refused", _UNREAD, 0.0)


def _blank_reference() -> ReferenceResult:
    return ReferenceResult("", "given", _UNREAD)


_BLANKS: Final[dict[bool, Callable[[], StillResult | ReferenceResult]]] = {
    True: _blank_still,
    False: _blank_reference,
}


def _stands_elsewhere(case: Case | None) -> bool:
    """Tell whether a case is a view of a hip that another case stands for."""
    return case is not None and bool(case.agreement.terms.view_of)


def _listed(row: CaseRow, case: Case | None, known: Mapping[str, Case | None]) -> Listed:
    if case is None:
        return Listed(row.id, row.opened_at, None, None, None)
    others = [known.get(one.case_id) for one in case.agreement.views]
    views = tuple(
        ListedView(one.setup.view, one.row.id, one.standing) for one in (case, *others) if one
    )
    setup = case.setup
    shown = views if len(views) > 1 else ()
    return Listed(row.id, row.opened_at, setup.side, setup.view, case.standing, shown)
