"""Where a case's pictures came from, read from the journal.

A case whose pictures came in one after another while it went on is *live*; one that was read from
a case folder afterwards has no times of arrival worth the name; the demo shows nobody.  As
everywhere in the record, entries are only added.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final, Literal

from tracker.record import EventRow, from_text

ORIGIN: Final = "origin"

Origin = Literal["live", "folder", "demo"]


@dataclass(frozen=True, slots=True)
class OriginNote:
    """What a case that is not live says of itself."""

    origin: Origin


def read(events: Iterable[EventRow]) -> Origin:
    """Read from a case's journal where it came from."""
    origin: Origin = "live"
    for event in events:
        if event.kind == ORIGIN:
            origin = from_text(OriginNote, event.body).origin
    return origin
