"""What people said about a case beside its pictures, read from the journal.

Closed or open, the zero picture, the deliberate yes to a plan, notes.  As everywhere in the
record, entries are only added: what holds is what was said last.
"""

import json
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

from tracker.record import EventRow, from_text
from tracker.values import Carried

__all__ = [
    "BURR",
    "CLOSED",
    "NEW_SERIES",
    "NOTE",
    "PLAN_CONFIRMED",
    "REOPENED",
    "ZERO",
    "ZERO_SKIPPED",
    "Carried",
    "Logbook",
    "Note",
    "read",
]

CLOSED: Final = "closed"
REOPENED: Final = "reopened"
ZERO: Final = "zero"
ZERO_SKIPPED: Final = "zero-skipped"
NOTE: Final = "note"
PLAN_CONFIRMED: Final = "plan-confirmed"
NEW_SERIES: Final = "new-series"
BURR: Final = "burr"


@dataclass(frozen=True, slots=True)
class Note:
    """What somebody wrote down, about the case or about one of its pictures."""

    text: str
    number: int | None = None
    at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Logbook:
    """What was said about a case.

    Attributes
    ----------
    closed : bool
        Nothing is added and no number stands on the wall.
    zero_number : int or None
        The picture that was brought as the zero picture: traction on, rim not yet burred.
    zero_skipped : bool
        Somebody said that there will be none.
    plan_confirmed : bool
        Somebody said yes to what the present marks and plan warn of.
    notes : tuple of Note
        In the order in which they were written.
    carried : Carried or None
        What was removed before the present first picture.
    burr_runs : bool
        Somebody said that the burr is running; a picture ends it.
    """

    closed: bool = False
    zero_number: int | None = None
    zero_skipped: bool = False
    plan_confirmed: bool = False
    notes: tuple[Note, ...] = ()
    carried: Carried | None = None
    burr_runs: bool = False


def read(events: Iterable[EventRow]) -> Logbook:
    """Read the logbook from a case's journal."""
    log = Logbook()
    for event in events:
        match event.kind:
            case "closed" | "reopened":
                log = replace(log, closed=event.kind == CLOSED)
            case "zero":
                number = int(json.loads(event.body)["number"])
                log = replace(log, zero_number=number, zero_skipped=False)
            case "zero-skipped":
                log = replace(log, zero_skipped=True)
            case "first-again":
                # A new first picture asks for its own zero picture and its own yes.
                log = replace(log, zero_number=None, zero_skipped=False, plan_confirmed=False)
            case "new-series":
                carried = from_text(Carried, event.body)
                log = replace(log, zero_number=None, zero_skipped=False, plan_confirmed=False)
                log = replace(log, carried=carried)
            case "marks" | "plan":
                log = replace(log, plan_confirmed=False)
            case "picture" | "joined":
                log = replace(log, burr_runs=False)
            case "burr":
                log = replace(log, burr_runs=bool(json.loads(event.body)["on"]))
            case "plan-confirmed":
                log = replace(log, plan_confirmed=True)
            case "note":
                note = replace(from_text(Note, event.body), at=event.at)
                log = replace(log, notes=(*log.notes, note))
    return log
