"""What moved when a case was measured again: each picture before and after, against U.

``U`` is the expanded uncertainty (k = 2) of the number before: a difference under it is one that
the number's own interval allows for.
"""

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

from tracker.order import Measured
from tracker.plaincsv import Cell, csv_text
from tracker.record import ResultRow, decode
from tracker.values import Quantity

Change = Literal["same", "moved", "verdict", "new"]


@dataclass(frozen=True, slots=True)
class Reading:
    """What one result says of a picture.

    Attributes
    ----------
    verdict : str
        "measured", or the first reason why not.
    number : Quantity or None
        mm removed; of a first picture its LCEA, degrees.
    left_mm : Quantity or None
    message : str or None
    limits : tuple of str
    """

    verdict: str
    number: Quantity | None = None
    left_mm: Quantity | None = None
    message: str | None = None
    limits: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Move:
    """One picture before and after.

    Attributes
    ----------
    picture : int
    kind : {"reference", "still"}
    before : Reading or None
        None where the record has no result that holds.
    after : Reading
    same : bool
        The two results agree to the last bit.
    """

    picture: int
    kind: Literal["reference", "still"]
    before: Reading | None
    after: Reading
    same: bool

    @property
    def change(self) -> Change:
        """What kind of change it is."""
        if self.before is None:
            return "new"
        if self.before.verdict != self.after.verdict:
            return "verdict"
        return "same" if self.same else "moved"

    @property
    def difference(self) -> float | None:
        """Number after less number before, in its own unit."""
        if self.before is None or self.before.number is None or self.after.number is None:
            return None
        return self.after.number.value - self.before.number.value

    @property
    def in_expanded(self) -> float | None:
        """The difference as a share of U of the number before; its size only."""
        if self.difference is None or self.before is None or self.before.number is None:
            return None
        return abs(self.difference) / (2 * self.before.number.u)

    @property
    def is_seen(self) -> bool:
        """True where a table of numbers shows the change; else it is in details only."""
        return self.change in ("verdict", "new") or bool(self.difference) or self.message_changed

    @property
    def message_changed(self) -> bool:
        """True where another message or limit would be said."""
        if self.before is None:
            return False
        return (self.before.message, self.before.limits) != (self.after.message, self.after.limits)


@dataclass(frozen=True, slots=True)
class Tally:
    """Moves counted.

    Attributes
    ----------
    pictures : int
    same : int
        To the last bit.
    within, beyond : int
        Numbers that moved by up to U, and by more.
    verdicts : int
        Measured before and not after, or the other way, or for another reason.
    messages : int
        Other message or limit.
    new : int
        Without a result before.
    other : int
        Same numbers, other details.
    largest : float
        Of the moves, as a share of U.
    """

    pictures: int = 0
    same: int = 0
    within: int = 0
    beyond: int = 0
    verdicts: int = 0
    messages: int = 0
    new: int = 0
    other: int = 0
    largest: float = 0.0


def moves(before: dict[int, ResultRow], after: Sequence[Measured]) -> tuple[Move, ...]:
    """Compare a case's results.

    Parameters
    ----------
    before : dict of int to ResultRow
        The results that hold in the record, by picture number.
    after : sequence of Measured

    Returns
    -------
    tuple of Move
        In the order of ``after``.
    """
    found = []
    for one in after:
        row = before.get(one.number)
        if row is not None and row.kind != one.kind:
            row = None
        new = json.loads(one.body)
        old = None if row is None else json.loads(row.body)
        kind: Literal["reference", "still"] = "still" if one.kind == "still" else "reference"
        found.append(
            Move(
                one.number,
                kind,
                None if old is None else _reading(kind, old),
                _reading(kind, new),
                old is not None and _timeless(old) == _timeless(new),
            )
        )
    return tuple(found)


def same_result(one: Measured, row: ResultRow | None) -> bool:
    """Tell whether the record holds this very result, whatever time it took."""
    if row is None or row.kind != one.kind:
        return False
    return _timeless(json.loads(row.body)) == _timeless(json.loads(one.body))


def tally(found: Iterable[Move]) -> Tally:
    """Count moves."""
    pictures = same = within = beyond = verdicts = messages = new = other = 0
    largest = 0.0
    for move in found:
        pictures += 1
        messages += move.message_changed
        new += move.change == "new"
        verdicts += move.change == "verdict"
        same += move.change == "same"
        if move.change != "moved":
            continue
        share = move.in_expanded or 0.0
        within += 0 < share <= 1
        beyond += share > 1
        other += share == 0
        largest = max(largest, share)
    return Tally(pictures, same, within, beyond, verdicts, messages, new, other, largest)


def _timeless(plain: dict[str, Any]) -> dict[str, Any]:
    """Leave out how long it took, and what older records did not yet hold and have empty."""
    return {
        name: value for name, value in plain.items() if name != "elapsed_ms" and value is not None
    }


def _reading(kind: str, plain: dict[str, Any]) -> Reading:
    reasons = plain.get("reasons") or []
    if reasons:
        return Reading(str(reasons[0]["reason"]))
    if kind == "reference":
        return Reading("measured", _quantity(plain.get("lcea_deg")))
    removal = plain["removal"]
    return Reading(
        "measured",
        _quantity(removal["recession_mm"]),
        _quantity(removal["remaining_mm"]),
        plain.get("message"),
        tuple(plain.get("limits") or ()),
    )


def _quantity(plain: dict[str, Any] | None) -> Quantity | None:
    return None if plain is None else decode(Quantity, plain)


# --- tables ------------------------------------------------------------------------------

HEADER: Final = (
    "case",
    "picture",
    "what",
    "verdict_before",
    "verdict_after",
    "before",
    "u_before",
    "after",
    "u_after",
    "unit",
    "difference",
    "difference_in_U",
    "left_before_mm",
    "left_after_mm",
    "message_before",
    "message_after",
    "change",
)
"""Columns of the CSV; ``before`` and ``after`` are mm removed, of a first picture its LCEA."""


def cells(case_id: str, move: Move) -> tuple[Cell, ...]:
    """Return one line of the CSV, with every digit."""
    old, new = move.before, move.after
    before, after = old.number if old else None, new.number
    unit = (before or after).unit if before or after else ""  # type: ignore[union-attr]
    return (
        case_id,
        move.picture,
        "first" if move.kind == "reference" else "later",
        old.verdict if old else "",
        new.verdict,
        before.value if before else None,
        before.u if before else None,
        after.value if after else None,
        after.u if after else None,
        unit,
        move.difference,
        move.in_expanded,
        old.left_mm.value if old and old.left_mm else None,
        new.left_mm.value if new.left_mm else None,
        (old.message if old else None) or "",
        new.message or "",
        move.change,
    )


def moves_csv(found: Iterable[tuple[str, Move]]) -> str:
    """Return every picture that was compared, one a line, under a header of names."""
    return csv_text(HEADER, (cells(case_id, move) for case_id, move in found))


HEADINGS: Final = ("case", "picture", "before", "after", "difference", "against U", "message")
"""Of the terminal's table; U = 2u of the number before."""


def move_line(case_id: str, move: Move) -> tuple[str, ...]:
    """Return one line of the terminal's table."""
    unit = "°" if move.kind == "reference" else "mm"
    old = move.before
    difference = "" if move.difference is None else f"{move.difference:+.3f}"
    share = "" if move.in_expanded is None else f"{move.in_expanded:.2f} U"
    before = "no result" if old is None else _said(old, unit)
    said = ""
    if old is not None and move.message_changed:
        said = f"{old.message or 'nothing'} -> {move.after.message or 'nothing'}"
    return case_id, str(move.picture), before, _said(move.after, unit), difference, share, said


def _said(reading: Reading, unit: str) -> str:
    if reading.number is None:
        return reading.verdict
    return f"{reading.number.value:.3f} {unit} (u {reading.number.u:.3f})"
