"""What was agreed when a case was opened, beside what measuring needs; read from the journal.

Whether numbers are shown live, where the plan's angle comes from, whether traction was already
on, what lies beside the rim, which other views of the same hip there are, and the rehearsals.
What was said last holds.
"""

import json
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final, Literal

from tracker.record import EventRow, from_text
from tracker.values import View

AGREED: Final = "agreed"
BESIDE: Final = "beside-rim"
VIEW_OPENED: Final = "view-opened"
REHEARSED: Final = "rehearsed"
REHEARSAL: Final = "rehearsal"

Numbers = Literal["live", "recorded only"]
Film = Literal["", "X-ray lying", "X-ray standing", "CT", "C-arm picture"]
Edge = Literal["lateral bony edge"]
What = Literal["rim fragment", "ossicle", "calcified labrum"]
How = Literal["", "with", "without"]
Rehearsal = Literal["", "waiting", "shown"]


@dataclass(frozen=True, slots=True)
class Terms:
    """What is agreed when a case is opened.

    Attributes
    ----------
    numbers : {"live", "recorded only"}
        Recorded only: shown nowhere until the case is closed.
    film : str
        What the plan's angle was measured on, and in which posture; empty where nobody said.
    edge : str
        At which edge it was measured there.
    traction_on : bool
        The first picture is taken under traction: millimetres only.
    view_of : str
        The case of which this is another view; empty where it stands for its hip.
    """

    numbers: Numbers = "live"
    film: Film = ""
    edge: Edge = "lateral bony edge"
    traction_on: bool = False
    view_of: str = ""


@dataclass(frozen=True, slots=True)
class Beside:
    """Something that lies beside the rim, and whether the marked edge is of it or of the rim."""

    how: How = ""
    what: What = "ossicle"


@dataclass(frozen=True, slots=True)
class OtherView:
    """Another view of the same hip: a case of its own."""

    case_id: str
    view: View


@dataclass(frozen=True, slots=True)
class Rehearsed:
    """A test picture that came by the way that will be used; it is no picture of the case.

    Attributes
    ----------
    name : str
    sha256 : str
        Of the file as it came: it never becomes a picture of the case.
    width, height : int
        Pixels.
    at : datetime or None
    """

    name: str
    sha256: str
    width: int
    height: int
    at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Agreement:
    """What was agreed, as it stands.

    Attributes
    ----------
    terms : Terms
    beside : Beside
    views : tuple of OtherView
        Opened from this case.
    rehearsals : tuple of Rehearsed
        In the order in which they came.
    rehearsal : {"", "waiting", "shown"}
        Waiting for its one picture; showing it, until somebody says so or a first picture comes.
    """

    terms: Terms = Terms()
    beside: Beside = Beside()
    views: tuple[OtherView, ...] = ()
    rehearsals: tuple[Rehearsed, ...] = ()
    rehearsal: Rehearsal = ""

    def knows_rehearsal(self, sha256: str) -> bool:
        """Tell whether these bytes were a rehearsal's picture."""
        return any(one.sha256 == sha256 for one in self.rehearsals)


def read(events: Iterable[EventRow]) -> Agreement:
    """Read what was agreed from a case's journal."""
    found = Agreement()
    for event in events:
        match event.kind:
            case "agreed":
                found = replace(found, terms=from_text(Terms, event.body))
            case "beside-rim":
                found = replace(found, beside=from_text(Beside, event.body))
            case "view-opened":
                found = replace(found, views=(*found.views, from_text(OtherView, event.body)))
            case "rehearsal":
                found = replace(found, rehearsal="waiting" if json.loads(event.body)["on"] else "")
            case "rehearsed":
                one = replace(from_text(Rehearsed, event.body), at=event.at)
                found = replace(found, rehearsals=(*found.rehearsals, one), rehearsal="shown")
            case "picture" | "joined":
                found = replace(found, rehearsal="")
    return found
