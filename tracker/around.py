"""What is kept in mind between picture and picture, read from the journal.

Traction, labrum and anchors, capsule, movement, the films before and after, the final before
repair, the surgeon's own estimates.  Each is a time-stamped entry.  None is needed to measure, and
none is ever changed: a later entry corrects an earlier one or withdraws it, and both stay.
"""

import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, Final, Literal

from tracker.around_sums import TwoExposures, Variant
from tracker.record import EventRow, from_text
from tracker.values import Budget, Marks, NotMeasurable, Quantity

TRACTION: Final = "traction"
LABRUM: Final = "labrum"
SPACING: Final = "anchor-spacing"
ANCHOR: Final = "anchor"
CAPSULE: Final = "capsule"
MOVEMENT: Final = "movement"
FILM_BROUGHT: Final = "film-brought"
FILM_PROPOSAL: Final = "film-proposal"
FILM: Final = "film"
FINAL: Final = "final"
ESTIMATES: Final = "estimates"
ESTIMATE: Final = "estimate"
WITHDRAWN: Final = "withdrawn"

TRACTION_MARKS_MIN: Final = (60, 90, 120)
"""When traction's length is said; common practice, no source."""

When = Literal["before repair", "after traction"]
Capsule = Literal["closed", "closed in part", "left open"]
FilmWhen = Literal["before", "after"]
FilmBy = Literal["outline", "marks", "typed"]
Standing = Literal["stands", "measured again", "outline wrong", "taken back", "new first picture"]


# --- what is written ---------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class TractionSaid:
    """Traction goes on, or comes off.

    Attributes
    ----------
    on : bool
    at : str
        When, ISO 8601 with its zone; it may be written down later.
    picture : int or None
        The picture that offered the moment.
    corrects : int or None
        Key of the entry that this one replaces.
    """

    on: bool
    at: str
    picture: int | None = None
    corrects: int | None = None


@dataclass(frozen=True, slots=True)
class LabrumSaid:
    """The stretch over which the labrum is detached, on the clock face (3 in front)."""

    start: str
    end: str


@dataclass(frozen=True, slots=True)
class SpacingSaid:
    """The surgeon's own distance from anchor to anchor."""

    spacing_mm: float


@dataclass(frozen=True, slots=True)
class AnchorSaid:
    """An anchor that is in, at its place on the clock face."""

    place: str


@dataclass(frozen=True, slots=True)
class CapsuleSaid:
    """What became of the capsule."""

    state: Capsule


@dataclass(frozen=True, slots=True)
class MovementSaid:
    """Whether the hip's movement was tested."""

    tested: bool


@dataclass(frozen=True, slots=True)
class FilmBrought:
    """A film that is kept, to be measured by itself."""

    when: FilmWhen
    number: int


@dataclass(frozen=True, eq=False, slots=True)
class FilmProposal:
    """Marks proposed on a film, or why there are none."""

    number: int
    marks: Marks | None = None
    reason: NotMeasurable | None = None


@dataclass(frozen=True, eq=False, slots=True)
class FilmSaid:
    """The angle on a film, measured by itself.

    Attributes
    ----------
    when : {"before", "after"}
    lcea_deg : Quantity
    by : {"outline", "marks", "typed"}
        From the bone's outline between the marks, from the marks alone, or as somebody read it.
    variant : str
        The edge at which it is read.
    number : int or None
        The film's picture.
    marks : Marks or None
    budget : Budget or None
    why_marks : NotMeasurable or None
        Why the outline could not be followed.
    """

    when: FilmWhen
    lcea_deg: Quantity
    by: FilmBy
    variant: Variant = "lateral bony edge"
    number: int | None = None
    marks: Marks | None = None
    budget: Budget | None = None
    why_marks: NotMeasurable | None = None


@dataclass(frozen=True, slots=True)
class FinalSaid:
    """Two exposures with the metal out, taken together.

    Attributes
    ----------
    when : {"before repair", "after traction"}
    numbers : tuple of int
        The two pictures.
    exposures : TwoExposures
    """

    when: When
    numbers: tuple[int, int]
    exposures: TwoExposures


@dataclass(frozen=True, slots=True)
class EstimatesSaid:
    """Whether the surgeon's own estimate is asked for before a number shows."""

    asked: bool


@dataclass(frozen=True, slots=True)
class EstimateSaid:
    """What the surgeon took to be removed in all, before the number showed; None where skipped."""

    number: int
    removed_mm: float | None = None


@dataclass(frozen=True, slots=True)
class WithdrawnSaid:
    """An entry that does not hold, by its key."""

    key: int


# --- what holds --------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Spell:
    """A time under traction; ``off_at`` is None while it lasts."""

    on_at: datetime
    off_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Traction:
    """The traction clock.

    Attributes
    ----------
    spells : tuple of Spell
        In order.
    ends_at : datetime or None
        When the case was closed: no clock runs on after that.
    """

    spells: tuple[Spell, ...] = ()
    ends_at: datetime | None = None

    @property
    def is_on(self) -> bool:
        """True while traction lasts."""
        return bool(self.spells) and self.spells[-1].off_at is None and self.ends_at is None

    def total_s(self, now: datetime) -> float:
        """Return the seconds under traction up to now, all spells together."""
        return sum((end - start).total_seconds() for start, end in self._until(now))

    def reached(self, now: datetime) -> tuple[tuple[int, datetime | None], ...]:
        """Return each mark in minutes, with the moment at which it was reached."""
        return tuple((mark, self._moment(mark * 60.0, now)) for mark in TRACTION_MARKS_MIN)

    def _until(self, now: datetime) -> Iterator[tuple[datetime, datetime]]:
        last = now if self.ends_at is None else min(now, self.ends_at)
        for spell in self.spells:
            end = last if spell.off_at is None else min(spell.off_at, last)
            if end > spell.on_at:
                yield spell.on_at, end

    def _moment(self, after_s: float, now: datetime) -> datetime | None:
        for start, end in self._until(now):
            length = (end - start).total_seconds()
            if length >= after_s:
                return start + (end - start) * (after_s / length)
            after_s -= length
        return None


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry as it was written.

    Attributes
    ----------
    key : int
    at : datetime
        When it was written.
    said : dataclass instance
    holds : bool
        Neither corrected nor withdrawn.
    """

    key: int
    at: datetime
    said: Any
    holds: bool = True


@dataclass(frozen=True, slots=True)
class AnchorIn:
    """An anchor that is in."""

    key: int
    at: datetime
    place: str


@dataclass(frozen=True, eq=False, slots=True)
class Film:
    """The angle on a film, and when it was agreed."""

    key: int
    at: datetime
    said: FilmSaid


@dataclass(frozen=True, slots=True)
class FinalKept:
    """Two exposures taken together, and whether what was saved still stands."""

    key: int
    at: datetime
    said: FinalSaid
    standing: Standing = "stands"

    @property
    def given(self) -> bool:
        """True where a mean may be given as the final: the two agree, and it still stands."""
        return self.said.exposures.agree and self.standing == "stands"


@dataclass(frozen=True, slots=True)
class Estimate:
    """The surgeon's own estimate of one picture, before its number showed."""

    number: int
    at: datetime
    removed_mm: float | None


@dataclass(frozen=True, eq=False, slots=True)
class Around:
    """What holds beside the resection.

    Attributes
    ----------
    traction : Traction
    labrum : LabrumSaid or None
    spacing_mm : float or None
    anchors : tuple of AnchorIn
    capsule : {"closed", "closed in part", "left open"} or None
    movement_tested : bool or None
    films : tuple of FilmBrought
        Kept and not yet measured with marks that somebody agreed.
    proposals : tuple of FilmProposal
    film_before, film_after : Film or None
    finals : tuple of FinalKept
        The latest of each kind last.
    estimates_asked : bool
    estimates : tuple of Estimate
    awaited : frozenset of int
        Pictures whose numbers wait for the surgeon's own estimate.
    entries : tuple of Entry
        All of it as it was written, in order.
    """

    traction: Traction = field(default_factory=Traction)
    labrum: LabrumSaid | None = None
    spacing_mm: float | None = None
    anchors: tuple[AnchorIn, ...] = ()
    capsule: Capsule | None = None
    movement_tested: bool | None = None
    films: tuple[FilmBrought, ...] = ()
    proposals: tuple[FilmProposal, ...] = ()
    film_before: Film | None = None
    film_after: Film | None = None
    finals: tuple[FinalKept, ...] = ()
    estimates_asked: bool = False
    estimates: tuple[Estimate, ...] = ()
    awaited: frozenset[int] = frozenset()
    entries: tuple[Entry, ...] = ()

    def final(self, when: When) -> FinalKept | None:
        """Return the latest final of a kind."""
        return next((one for one in reversed(self.finals) if one.said.when == when), None)


# --- reading -----------------------------------------------------------------------------

_BODIES: Final[dict[str, type[Any]]] = {
    TRACTION: TractionSaid,
    LABRUM: LabrumSaid,
    SPACING: SpacingSaid,
    ANCHOR: AnchorSaid,
    CAPSULE: CapsuleSaid,
    MOVEMENT: MovementSaid,
    FILM_BROUGHT: FilmBrought,
    FILM: FilmSaid,
    FINAL: FinalSaid,
    ESTIMATES: EstimatesSaid,
    ESTIMATE: EstimateSaid,
}


def read(events: Iterable[EventRow]) -> Around:
    """Read what holds beside the resection from a case's journal.

    Parameters
    ----------
    events : iterable of EventRow
        The whole journal, in order.

    Returns
    -------
    Around
    """
    journal = tuple(events)
    entries = _entries(journal)
    holding = tuple(entry for entry in entries if entry.holds)

    def last(kind: type[Any]) -> Entry | None:
        return next((one for one in reversed(holding) if isinstance(one.said, kind)), None)

    labrum, spacing, asked = last(LabrumSaid), last(SpacingSaid), last(EstimatesSaid)
    capsule, movement = last(CapsuleSaid), last(MovementSaid)
    films = [Film(e.key, e.at, e.said) for e in holding if isinstance(e.said, FilmSaid)]
    estimates = _estimates(holding)
    return Around(
        traction=Traction(_spells(holding), _closed_at(journal)),
        labrum=labrum.said if labrum else None,
        spacing_mm=spacing.said.spacing_mm if spacing else None,
        anchors=tuple(
            AnchorIn(e.key, e.at, e.said.place) for e in holding if isinstance(e.said, AnchorSaid)
        ),
        capsule=capsule.said.state if capsule else None,
        movement_tested=movement.said.tested if movement else None,
        films=_unread(holding, films),
        proposals=tuple(
            from_text(FilmProposal, event.body) for event in journal if event.kind == FILM_PROPOSAL
        ),
        film_before=next((film for film in reversed(films) if film.said.when == "before"), None),
        film_after=next((film for film in reversed(films) if film.said.when == "after"), None),
        finals=tuple(
            FinalKept(e.key, e.at, e.said, _standing(e, journal))
            for e in holding
            if isinstance(e.said, FinalSaid)
        ),
        estimates_asked=bool(asked and asked.said.asked),
        estimates=estimates,
        awaited=_awaited(journal, {one.number for one in estimates}),
        entries=entries,
    )


def _entries(journal: tuple[EventRow, ...]) -> tuple[Entry, ...]:
    found: dict[int, Entry] = {}
    for event in journal:
        if event.kind == WITHDRAWN:
            _end(found, from_text(WithdrawnSaid, event.body).key)
        elif event.kind in _BODIES:
            said = from_text(_BODIES[event.kind], event.body)
            _end(found, getattr(said, "corrects", None))
            found[event.key] = Entry(event.key, event.at, said)
    return tuple(found.values())


def _end(found: dict[int, Entry], key: int | None) -> None:
    if key is not None and key in found:
        found[key] = replace(found[key], holds=False)


def _spells(holding: tuple[Entry, ...]) -> tuple[Spell, ...]:
    """Put what was said of traction in the order in which it happened."""
    said = [entry.said for entry in holding if isinstance(entry.said, TractionSaid)]
    spells: list[Spell] = []
    for one in sorted(said, key=lambda one: datetime.fromisoformat(one.at)):
        at, lasting = datetime.fromisoformat(one.at), bool(spells) and spells[-1].off_at is None
        if one.on and not lasting:
            spells.append(Spell(at))
        elif not one.on and lasting:
            spells[-1] = replace(spells[-1], off_at=at)
    return tuple(spells)


def _closed_at(journal: tuple[EventRow, ...]) -> datetime | None:
    last = next((e for e in reversed(journal) if e.kind in ("closed", "reopened")), None)
    return last.at if last and last.kind == "closed" else None


def _unread(holding: tuple[Entry, ...], films: list[Film]) -> tuple[FilmBrought, ...]:
    """Return the films that were brought and not yet measured, one of each kind."""
    read_ = {film.said.number for film in films}
    found: dict[FilmWhen, FilmBrought] = {}
    for entry in holding:
        if isinstance(entry.said, FilmBrought):
            found[entry.said.when] = entry.said
    return tuple(film for film in found.values() if film.number not in read_)


def _standing(entry: Entry, journal: tuple[EventRow, ...]) -> Standing:
    """Tell whether a final still says what its two pictures say."""
    standing: Standing = "stands"
    wrong: set[int] = set()
    for event in journal:
        if event.key <= entry.key:
            continue
        match event.kind:
            case "first-again" | "new-series":
                return "new first picture"
            case "marks" | "plan" | "scale":
                standing = "measured again"
            case "taken-back" | "outline-wrong" | "outline-right":
                number = int(json.loads(event.body)["number"])
                if number not in entry.said.numbers:
                    continue
                if event.kind == "taken-back":
                    return "taken back"
                wrong.add(number) if event.kind == "outline-wrong" else wrong.discard(number)
    return "outline wrong" if wrong and standing == "stands" else standing


def _estimates(holding: tuple[Entry, ...]) -> tuple[Estimate, ...]:
    """Return the first estimate of each picture: a later one was made knowing the number."""
    found: dict[int, Estimate] = {}
    for entry in holding:
        if isinstance(entry.said, EstimateSaid):
            one = Estimate(entry.said.number, entry.at, entry.said.removed_mm)
            found.setdefault(one.number, one)
    return tuple(found.values())


def _awaited(journal: tuple[EventRow, ...], given: set[int]) -> frozenset[int]:
    """Return the pictures that came while estimates were asked for and have none."""
    asked = quiet = False
    came: set[int] = set()
    for event in journal:
        match event.kind:
            case "estimates":
                asked = from_text(EstimatesSaid, event.body).asked
                if not asked:
                    came.clear()
            case "phase":
                plain = json.loads(event.body)
                quiet = plain["phase"] != "burring" or bool(plain.get("paused"))
            case "picture" | "joined":
                plain = json.loads(event.body)
                if asked and not quiet and plain["role"] == "still":
                    came.add(int(plain["number"]))
            case "zero":
                came.discard(int(json.loads(event.body)["number"]))
            case "first-again" | "new-series":
                came.clear()
    return frozenset(came - given)
