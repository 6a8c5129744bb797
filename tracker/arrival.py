"""What a picture's own header said when it came, and what of it does not fit the case.

Nothing here names anybody: patient, name and study are hashes made with the record's own key, and
the facts are those of the de-identified copy.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final, Literal

from tracker.record import EventRow, from_text
from tracker.values import HeaderFacts, Side, Who

ARRIVED: Final = "arrived"
BELONGS: Final = "belongs"
BELONGS_NOT: Final = "belongs-not"
FRAME: Final = "frame"
ORDER: Final = "order"

What = Literal["patient", "side", "study"]


@dataclass(frozen=True, slots=True)
class Arrival:
    """A picture with a header, as it came.

    Attributes
    ----------
    sha256 : str
        Of the kept file.
    facts : HeaderFacts
        Of the de-identified copy.
    who : Who
    lag_s : float or None
        How far the C-arm's clock was behind ours, the picture's way here included.
    differs : tuple of str
        What did not fit the case when it came.
    frame : int or None
        Which frame of the kept run was asked for.
    """

    sha256: str
    facts: HeaderFacts
    who: Who = field(default_factory=Who)
    lag_s: float | None = None
    differs: tuple[What, ...] = ()
    frame: int | None = None

    @property
    def series(self) -> str:
        """In which the C-arm's count of its pictures counts on."""
        if self.facts.series_number is None:
            return ""
        return f"{self.who.study}/{self.facts.series_number}"


@dataclass(frozen=True, slots=True)
class Order:
    """Whether the C-arm's clock puts pictures in order, or their arrival."""

    as_they_came: bool


def read(events: Iterable[EventRow]) -> dict[str, Arrival]:
    """Return arrivals by the kept file's hash; the last one of each counts."""
    found = {}
    for event in events:
        if event.kind == ARRIVED:
            arrival = from_text(Arrival, event.body)
            found[arrival.sha256] = arrival
    return found


def lag(taken: str | None, now: datetime) -> float | None:
    """Return how far a C-arm's clock is behind ours, s; it says no time zone, so ours is meant.

    Parameters
    ----------
    taken : str or None
        Date and time in ISO 8601.
    now : datetime
        With its time zone.

    Examples
    --------
    >>> lag(None, datetime.now().astimezone()) is None
    True
    """
    if taken is None:
        return None
    local = now.astimezone().replace(tzinfo=None)
    return (local - datetime.fromisoformat(taken)).total_seconds()


def differences(
    facts: HeaderFacts, who: Who, accepted: Iterable[Arrival], side: Side
) -> tuple[What, ...]:
    """Compare a picture's header with the case and with the pictures that belong to it.

    What somebody has said yes to once is known from then on: the second patient number of one
    patient, a study that was begun anew, a side that is set wrongly for a whole study.

    Parameters
    ----------
    facts : HeaderFacts
    who : Who
    accepted : iterable of Arrival
        Of the pictures that belong to the case.
    side : {"left", "right"}
        The case's.

    Returns
    -------
    tuple of str
        "patient", "side", "study"; another patient's study is not named besides.
    """
    known = tuple(accepted)
    found: list[What] = []
    if any(
        mine and theirs and mine not in theirs
        for mine, theirs in (
            (who.patient, {one.who.patient for one in known} - {""}),
            (who.name, {one.who.name for one in known} - {""}),
        )
    ):
        found.append("patient")
    if facts.side is not None and facts.side != side:
        same = [one for one in known if one.facts.side == facts.side]
        if not any(one.who.study and one.who.study == who.study for one in same):
            found.append("side")
    studies = {one.who.study for one in known} - {""}
    if "patient" not in found and who.study and studies and who.study not in studies:
        found.append("study")
    return tuple(found)
