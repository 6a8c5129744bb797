"""The rows of all cases of a record, kept up to date: each is put together once.

A row stands until its case's journal grows.  Rows are kept in memory and in a file that can be
made again (:mod:`tracker.derived`), so that a service that starts need not read the whole record.
"""

import contextlib
from threading import Lock
from typing import Final

from tracker import bare, build, casebook, heads, provenance
from tracker.casebook import Case
from tracker.derived import FOLDER, Lines
from tracker.errors import TrackerError
from tracker.heads import Mark
from tracker.record import CaseRow, EventRow, decode, encode
from tracker.store import Store
from tracker.summary import CaseSummary, summarise

FILE: Final = "rows.jsonl"
_WORTH_WRITING: Final = 50
"""Rows put together before they are written; fewer are quickly made again."""


class Roll:
    """Rows of a record's cases.

    Parameters
    ----------
    store : Store
    """

    def __init__(self, store: Store) -> None:
        self._store = store
        self._lines = Lines(store.folder / FOLDER / FILE)
        self._guard = Lock()
        self._mark: Mark | None = None
        self._kept: dict[int, tuple[str, CaseSummary]] = {}
        self._rows: tuple[CaseSummary, ...] = ()
        self._unread: tuple[str, ...] = ()
        self._is_loaded = False

    def rows(self) -> tuple[Mark, tuple[CaseSummary, ...], tuple[str, ...]]:
        """Return the rows as they stand.

        Returns
        -------
        mark : Mark
            Changes whenever a row may have changed.
        rows : tuple of CaseSummary
            The newest case first.
        unread : tuple of str
            Cases whose entries can't be read; they have no row.
        """
        with self._guard:
            now = heads.mark(self._store)
            if now != self._mark:
                self._renew()
                # What could not be read is tried again the next time.
                self._mark = None if self._unread else now
            return now, self._rows, self._unread

    def _renew(self) -> None:
        if not self._is_loaded:
            self._load()
        made, kept, unread = 0, {}, []
        for key, (case, head) in heads.heads(self._store).items():
            known = self._kept.get(key)
            if known is not None and known[0] == head:
                kept[key] = known
                continue
            try:
                kept[key] = head, self._row(case)
                made += 1
            except (TrackerError, LookupError, TypeError, ValueError):
                # One damaged case does not take the others away.
                unread.append(case.id)
        is_smaller = not self._kept.keys() <= kept.keys()
        self._kept = kept
        self._rows = tuple(row for _, row in kept.values())
        self._unread = tuple(unread)
        if made >= _WORTH_WRITING or is_smaller:
            self._keep()

    def _row(self, case: CaseRow) -> CaseSummary:
        read, events = bare_case(self._store, case)
        return summarise(read, events, provenance.read(events))

    def _load(self) -> None:
        """Take rows that this very software wrote."""
        self._is_loaded = True
        first, *lines = self._lines.read() or [{}]
        if first != _made_by():
            return
        for line in lines:
            row = decode(CaseSummary, line["row"])
            self._kept[line["key"]] = line["head"], row

    def _keep(self) -> None:
        lines = (
            {"key": key, "head": head, "row": encode(row)}
            for key, (head, row) in self._kept.items()
        )
        # A full or read-only disk costs time at the next start, and nothing else.
        with contextlib.suppress(OSError):
            self._lines.replace([_made_by(), *lines])


def _made_by() -> dict[str, str]:
    return {"build": build.digest()}


def bare_case(store: Store, case: CaseRow) -> tuple[Case, tuple[EventRow, ...]]:
    """Return a case without its drawings, and its journal."""
    whole = store.whole(case)
    results = {row.serial: (row, bare.bare(row)) for row in whole.results}
    return casebook.read_case(case, whole.events, whole.pictures, results), whole.events
