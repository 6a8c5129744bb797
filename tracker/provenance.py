"""Where a case's pictures came from and what their headers said, read from the journal.

A case whose pictures came in one after another while it went on is *live*; one that was read from
a case folder afterwards has no times of its own; the demo shows nobody.  As everywhere in the
record, entries are only added.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final, Literal

from tracker.record import EventRow, from_text
from tracker.values import HeaderFacts

ORIGIN: Final = "origin"
HEADER: Final = "header"

Origin = Literal["live", "folder", "demo"]


@dataclass(frozen=True, slots=True)
class HeaderNote:
    """What many cases together need of a picture's header, so that no picture need be opened.

    Attributes
    ----------
    number : int
        Of the picture.
    dose_area_dgycm2, entrance_dose_mgy : float or None
        As the header says it of this picture and of the screening before it.
    acquired : str or None
        By the C-arm's clock, ISO 8601 without a time zone.
    """

    number: int
    dose_area_dgycm2: float | None = None
    entrance_dose_mgy: float | None = None
    acquired: str | None = None


@dataclass(frozen=True, slots=True)
class Provenance:
    """Where a case came from, and what headers said, by picture number."""

    origin: Origin = "live"
    headers: dict[int, HeaderNote] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class _OriginNote:
    origin: Origin


def origin_note(origin: Origin) -> object:
    """Return the entry that says where a case came from."""
    return _OriginNote(origin)


def header_note(number: int, facts: HeaderFacts | None) -> HeaderNote | None:
    """Return the entry for a picture's header; None where it says nothing of this."""
    if facts is None:
        return None
    note = HeaderNote(number, facts.dose_area_dgycm2, facts.entrance_dose_mgy, facts.acquired)
    return None if note == HeaderNote(number) else note


def read(events: Iterable[EventRow]) -> Provenance:
    """Read a case's provenance from its journal."""
    origin: Origin = "live"
    headers: dict[int, HeaderNote] = {}
    for event in events:
        if event.kind == ORIGIN:
            origin = from_text(_OriginNote, event.body).origin
        elif event.kind == HEADER:
            note = from_text(HeaderNote, event.body)
            headers[note.number] = note
    return Provenance(origin, headers)
