"""Use case: an archive measured again with the present software, and what moved.

Comparing writes nothing into the record.  Adding appends results, never replaces: each says which
software made it, and the earlier ones stay.  A finished case is noted in a file, so that a run that
was stopped goes on where it was.
"""

import json
from collections.abc import Callable, Iterable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field, replace
from typing import Any, Final

from tracker import bare, build, casebook, moved
from tracker.derived import Lines
from tracker.errors import TrackerError, Unwritable
from tracker.farm import Done, Farm, Job
from tracker.moved import Move
from tracker.order import Measured, Order, order_of, plain_of, results_in
from tracker.record import CaseRow, PictureRow, ResultRow, decode, encode, from_text, to_text
from tracker.settings import Settings
from tracker.store import Store
from tracker.values import StillResult

REMEASURED: Final = "remeasured"
"""Kind of the journal's entry that closes the results that were added to a case."""
CHANGED: Final = "The case has changed meanwhile; run the command again."


@dataclass(frozen=True, slots=True)
class Wish:
    """What is to be done.

    Attributes
    ----------
    add : bool
        Add results to closed cases; else only compare.
    open_too : bool
        Add to cases that nobody has closed as well: their numbers on the wall may change.
    cases : tuple of str
        Only these; all where empty.
    """

    add: bool = False
    open_too: bool = False
    cases: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Progress:
    """Told after each case."""

    case_id: str
    finished: int
    total: int
    pictures: int
    moved: int
    failed: str = ""
    again: bool = True
    """False where an earlier run had finished it."""


@dataclass(slots=True)
class Outcome:
    """What came of a run.

    Attributes
    ----------
    total : int
        Cases looked at.
    done, earlier : int
        Cases measured now, and by an earlier run of the same software.
    nothing : list of str
        Cases without agreed marks.
    not_added : list of str
        Cases that are open, so that nothing was added to them.
    added : int
        Results added.
    failed : list of (str, str)
        Cases that could not be measured again, and why.
    moves : list of (str, Move)
        Every picture that was compared, by case.
    """

    total: int = 0
    done: int = 0
    earlier: int = 0
    nothing: list[str] = field(default_factory=list)
    not_added: list[str] = field(default_factory=list)
    added: int = 0
    failed: list[tuple[str, str]] = field(default_factory=list)
    moves: list[tuple[str, Move]] = field(default_factory=list)

    @property
    def finished(self) -> int:
        """Cases that need no more."""
        return self.done + self.earlier + len(self.nothing) + len(self.failed)


@dataclass(frozen=True, eq=False, slots=True)
class _Begun:
    """A case that is being measured."""

    row: CaseRow
    is_open: bool
    head: str
    order: Order
    pictures: dict[int, PictureRow]
    before: dict[int, ResultRow]


class Remeasuring:
    """Measures a record again.

    Parameters
    ----------
    store : Store
        May be one that only reads, unless results are to be added.
    settings : Settings
    progress : Lines
        Where finished cases are noted.
    wish : Wish
    """

    def __init__(self, store: Store, settings: Settings, progress: Lines, wish: Wish) -> None:
        self._store = store
        self._settings = settings
        self._progress = progress
        self._wish = wish
        self._begun: dict[str, _Begun] = {}
        self._outcome = Outcome()

    def forget(self) -> None:
        """Do again what an earlier run had finished."""
        self._write_progress([])

    def run(self, farm: Farm, tell: Callable[[Progress], None]) -> Outcome:
        """Measure until all is done.

        Parameters
        ----------
        farm : Farm
        tell : callable
            Told after each case.

        Returns
        -------
        Outcome

        Raises
        ------
        NotFound
            No case has a name that was wished for.
        StoreError
            Results or progress can't be written; what is finished stays.
        """
        store, wanted = self._store, self._wish.cases
        rows = [store.case(name) for name in wanted] or list(reversed(store.cases()))
        out = self._outcome = Outcome(total=len(rows))
        noted = self._progress.read()
        known = {line["case"]: line for line in noted if self._is_ours(line)}
        if len(known) < len(noted):
            # What other software had finished is of no use any more.
            self._write_progress(known.values())
        jobs = self._jobs(rows, known, tell)
        with closing(farm.run(jobs)) as answers:
            for one in answers:
                begun = self._begun.pop(one.key)
                found = self._take(begun, one)
                tell(
                    Progress(
                        one.key,
                        out.finished,
                        out.total,
                        len(found),
                        sum(move.change != "same" for move in found),
                        next((why for name, why in out.failed if name == one.key), ""),
                    )
                )
        order = {row.id: place for place, row in enumerate(rows)}
        out.moves.sort(key=lambda pair: order[pair[0]])
        return out

    # --- before --------------------------------------------------------------------------

    def _jobs(
        self, rows: list[CaseRow], known: dict[str, Any], tell: Callable[[Progress], None]
    ) -> Iterator[Job]:
        """Yield what is to be done, read from the record only when somebody is free for it."""
        out = self._outcome
        for row in rows:
            try:
                begun = self._begin(row)
            except (TrackerError, LookupError, TypeError, ValueError) as error:
                why = error.message if isinstance(error, TrackerError) else "It can't be read."
                out.failed.append((row.id, why))
                tell(Progress(row.id, out.finished, out.total, 0, 0, why))
                continue
            if not begun.order.series:
                out.nothing.append(row.id)
                continue
            line = known.get(row.id)
            if line is not None and self._is_finished(line, begun):
                self._take_noted(line, begun)
                tell(Progress(row.id, out.finished, out.total, len(line["moves"]), 0, again=False))
                continue
            self._begun[row.id] = begun
            parts = begun.order.parts

            def load(parts: Any = parts, begun: _Begun = begun) -> bytes:
                return b"".join(
                    self._store.picture_bytes(begun.pictures[part.number]) for part in parts
                )

            yield Job(row.id, plain_of(begun.order), begun.order.pictures, load)

    def _begin(self, row: CaseRow) -> _Begun:
        whole = self._store.whole(row)
        events, pictures = whole.events, whole.pictures
        stored = {one.serial: one for one in whole.results}
        results = {serial: (one, bare.bare(one)) for serial, one in stored.items()}
        case = casebook.read_case(row, events, pictures, results)
        order = order_of(case, events, pictures, results, self._settings)
        serials = {
            event.key: int(json.loads(event.body)["result"])
            for event in events
            if event.kind == casebook.RESULT
        }
        before = {
            picture.number: stored[serials[picture.made]]
            for picture in case.pictures
            if picture.result is not None or picture.reference is not None
        }
        by_number = {picture.number: picture for picture in pictures}
        head = events[-1].chain
        return _Begun(row, not case.log.closed, head, order, by_number, before)

    def _is_ours(self, line: dict[str, Any]) -> bool:
        return (
            line.get("build") == build.digest()
            and line.get("settings") == self._settings.digest()
            and {"case", "work", "added", "moves"} <= line.keys()
        )

    def _is_finished(self, line: dict[str, Any], begun: _Begun) -> bool:
        """Tell whether an earlier run did all that is wished for now."""
        same = line["work"] == begun.order.digest()
        return same and (bool(line["added"]) or not self._adds_to(begun))

    def _adds_to(self, begun: _Begun) -> bool:
        return self._wish.add and (self._wish.open_too or not begun.is_open)

    # --- after ---------------------------------------------------------------------------

    def _take(self, begun: _Begun, one: Done) -> tuple[Move, ...]:
        """Compare a case's answer, add it if that is wished for, and note that it is finished."""
        out, case_id = self._outcome, begun.row.id
        results, failed = results_in(one.answer) if one.answer else ((), one.failed)
        if not failed and [r.number for r in results] != _numbers(begun.order):
            failed = "The worker's answer does not fit the case."
        if not failed and self._adds_to(begun) and self._store.head(begun.row) != begun.head:
            failed = CHANGED
        if failed:
            out.failed.append((case_id, failed))
            return ()
        found = moved.moves(begun.before, results)
        if self._adds_to(begun):
            self._add(begun, results, found)
        elif self._wish.add:
            out.not_added.append(case_id)
        self._note(begun, found)
        out.done += 1
        out.moves += [(case_id, move) for move in found]
        return found

    def _add(self, begun: _Begun, results: tuple[Measured, ...], found: tuple[Move, ...]) -> None:
        """Add results; what the record has already from this very software is not added twice."""
        added = 0
        for one in results:
            row = begun.before.get(one.number)
            is_there = moved.same_result(one, row) and self._is_mine(row)
            if not is_there:
                picture = begun.pictures[one.number]
                self._store.add_result(begun.row, picture, one.kind, _timed(one))
                added += 1
        if added:
            counts = moved.tally(found)
            body = {"build": build.digest(), "added": added, "pictures": counts.pictures}
            self._store.append(begun.row, REMEASURED, to_text(body | {"same": counts.same}))
        self._outcome.added += added

    def _is_mine(self, row: ResultRow | None) -> bool:
        stamp = self._store.stamp
        return row is not None and (row.software, row.settings) == (stamp.software, stamp.settings)

    def _note(self, begun: _Begun, found: tuple[Move, ...]) -> None:
        line = {
            "build": build.digest(),
            "settings": self._settings.digest(),
            "case": begun.row.id,
            "work": begun.order.digest(),
            "added": self._adds_to(begun),
            "moves": [encode(move) for move in found],
        }
        with self._progress_speaks_plainly():
            self._progress.add(line)

    def _write_progress(self, lines: Iterable[dict[str, Any]]) -> None:
        with self._progress_speaks_plainly():
            self._progress.replace(lines)

    @contextmanager
    def _progress_speaks_plainly(self) -> Iterator[None]:
        try:
            yield
        except OSError:
            raise Unwritable(
                f"Progress can't be written to {self._progress.path}.",
                hint="Give a file that can be, with --progress.",
            ) from None

    def _take_noted(self, line: dict[str, Any], begun: _Begun) -> None:
        found = [decode(Move, plain) for plain in line["moves"]]
        self._outcome.earlier += 1
        if self._wish.add and not self._adds_to(begun):
            self._outcome.not_added.append(begun.row.id)
        self._outcome.moves += [(begun.row.id, move) for move in found]


def _numbers(order: Order) -> list[int]:
    """Return the pictures that an answer must have, in order."""
    return [part.number for one in order.series for part in (one.first, *one.stills)]


def _timed(one: Measured) -> str:
    """Return a result's text with the time it took."""
    if one.kind != "still":
        return one.body
    return to_text(replace(from_text(StillResult, one.body), elapsed_ms=one.elapsed_ms))
