"""Journal, pictures and results -> the case as it stands now.

The record only grows; what holds at present is found by reading it from its beginning.  New marks,
a new plan or a new first picture make earlier results history: the pictures are then measured
again, and both results stay in the record.
"""

import json
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Final, Literal

from tracker import agreement, around, arrival, logbook, timeline
from tracker.agreement import Agreement
from tracker.around import Around
from tracker.arrival import Arrival
from tracker.logbook import Logbook
from tracker.record import CaseRow, EventRow, PictureRow, Plain, ResultRow, from_text, to_text
from tracker.timeline import Timeline
from tracker.values import (
    Carried,
    CaseSetup,
    Marks,
    NotMeasurable,
    Plan,
    Reason,
    ReferenceResult,
    Scale,
    StillResult,
)

Role = Literal["first", "still", "held", "plate", "object", "film", "set aside", "earlier"]
Standing = Literal[
    "no picture",
    "marks to agree",
    "first unusable",
    "ready",
    "waiting",
    "held",
    "measured",
    "estimate first",
    "recorded",
    "not measured",
    "outline wrong",
    "to look at",
    "closed",
]
"""How a picture of a case stands; without a picture to measure, how the case stands."""
Phase = Literal["before burring", "burring", "repair", "femur"]
"""What the surgeon is doing; pictures are always kept, and judged aloud only while burring."""

OPENED: Final = "opened"
PICTURE: Final = "picture"
JOINED: Final = "joined"
PROPOSAL: Final = "proposal"
MARKS: Final = "marks"
PLAN: Final = "plan"
RESULT: Final = "result"
FIRST_AGAIN: Final = "first-again"
OUTLINE_WRONG: Final = "outline-wrong"
OUTLINE_RIGHT: Final = "outline-right"
UNREADABLE: Final = "unreadable"
PHASE: Final = "phase"
TAKEN_BACK: Final = "taken-back"
TO_LOOK_AT: Final = "to-look-at"
SCALE: Final = "scale"
ORIGINAL: Final = "original"


@dataclass(frozen=True, eq=False, slots=True)
class Proposal:
    """Marks proposed on the first picture, or why there are none."""

    number: int
    marks: Marks | None = None
    reason: NotMeasurable | None = None


@dataclass(frozen=True, slots=True)
class UnreadableNote:
    """A file that came and was no picture; its bytes are not kept."""

    name: str
    message: str
    at: datetime | None = None
    sha256: str = ""


@dataclass(frozen=True, slots=True)
class PhaseNote:
    """The phase that begins here, and whether it is paused."""

    phase: Phase
    paused: bool = False


@dataclass(frozen=True, eq=False, slots=True)
class CasePicture:
    """One picture of the case with what was found on it.

    Attributes
    ----------
    row : PictureRow
    role : str
        "first" for the reference, "still" for those measured against it.
    result : StillResult or None
        Of a still; None while it waits.
    reference : ReferenceResult or None
        Of the first picture.
    measured_at : datetime or None
    software : str
        What made the result.
    distrusted : bool
        Somebody said that the outline looks wrong.
    to_look_at : bool
        Not measured, and kept without being measured.
    withheld : bool
        Its number waits: for the surgeon's own estimate, or for the end of a case whose numbers
        are recorded only.
    arrival : Arrival or None
        What its own header said when it came.
    joined_at : datetime or None
        When it joined the case.
    frame : int or None
        Which frame of a run somebody asked for.
    phase : str
        In which it was taken.
    paused : bool
        It was taken while the phase was paused.
    made : int
        Key of the journal's entry for its result: of two results the later was made later.
    """

    row: PictureRow
    role: Role
    result: StillResult | None = None
    reference: ReferenceResult | None = None
    measured_at: datetime | None = None
    software: str = ""
    distrusted: bool = False
    to_look_at: bool = False
    withheld: bool = False
    arrival: Arrival | None = None
    joined_at: datetime | None = None
    frame: int | None = None
    phase: Phase = "burring"
    paused: bool = False
    made: int = 0

    @property
    def number(self) -> int:
        """Number of the picture within its case, from 0."""
        return self.row.number

    @property
    def counts(self) -> bool:
        """True when the picture's numbers may be shown as numbers."""
        return self.is_measured and not self.distrusted and not self.withheld

    @property
    def is_measured(self) -> bool:
        """True when there are numbers, whether or not they may be shown."""
        return self.result is not None and self.result.verdict == "measured"

    @property
    def quiet(self) -> bool:
        """True where no burring was going on: measured, but no total is built on it."""
        return self.paused or self.phase in ("repair", "femur")

    @property
    def is_pass(self) -> bool:
        """True when it counts and burring, or its beginning, was going on."""
        return self.counts and not self.quiet


@dataclass(frozen=True, eq=False, slots=True)
class Case:
    """The case as it stands.

    Attributes
    ----------
    row : CaseRow
    setup : CaseSetup
        With the marks that were agreed and the present plan.
    proposal : Proposal or None
        What was proposed on the present first picture.
    pictures : tuple of CasePicture
        In the order in which they joined the case.
    unreadable : tuple of UnreadableNote
    last_event : int
        Key of the last entry of the journal.
    phase : str
        As somebody said last; while nobody has, burring begins when the marks are agreed.
    paused : bool
    log : Logbook
        What people said beside it.
    originals : frozenset of str
        Hashes of files of which a copy without a name is kept.
    around : Around
        What is kept beside the resection.
    agreement : Agreement
        What was agreed when it was opened.
    timeline : Timeline
        The order in which the pictures were taken.
    as_they_came : bool
        Somebody said that the C-arm's clock is not to be used for it.
    """

    row: CaseRow
    setup: CaseSetup
    proposal: Proposal | None
    pictures: tuple[CasePicture, ...]
    unreadable: tuple[UnreadableNote, ...]
    last_event: int
    phase: Phase = "before burring"
    paused: bool = False
    log: Logbook = field(default_factory=Logbook)
    originals: frozenset[str] = frozenset()
    around: Around = field(default_factory=Around)
    agreement: Agreement = field(default_factory=Agreement)
    timeline: Timeline = field(default_factory=lambda: Timeline((), ()))
    as_they_came: bool = False

    @property
    def silent(self) -> bool:
        """True while numbers are recorded and shown nowhere: until the case is closed."""
        return self.agreement.terms.numbers == "recorded only" and not self.log.closed

    @property
    def angles(self) -> bool:
        """True where angles are said: an AP view whose first picture is without traction."""
        return self.setup.plan.floor_lcea_deg is not None

    @property
    def at_most(self) -> bool:
        """True where less may be left than is said: burred unseen before this first picture."""
        carried = self.setup.carried
        return carried is not None and not carried.whole and self.setup.plan.depth_mm is not None

    @property
    def aloud(self) -> bool:
        """True while pictures are judged aloud, that is on Glance."""
        return self.phase == "burring" and not self.paused

    def knows_unreadable(self, sha256: str) -> bool:
        """Tell whether these bytes have come before and were no picture."""
        return any(note.sha256 == sha256 for note in self.unreadable)

    @property
    def first(self) -> CasePicture | None:
        """The first picture, against which the others are measured."""
        return next((picture for picture in self.pictures if picture.role == "first"), None)

    @property
    def reference(self) -> ReferenceResult | None:
        """What the first picture gave, once marks are agreed."""
        return self.first.reference if self.first else None

    @property
    def stills(self) -> tuple[CasePicture, ...]:
        """The pictures after the first, in the order in which they were taken."""
        place = {number: place for place, number in enumerate(self.timeline.order)}
        chosen = (picture for picture in self.pictures if picture.role == "still")
        return tuple(sorted(chosen, key=lambda picture: place.get(picture.number, 0)))

    @property
    def held(self) -> tuple[CasePicture, ...]:
        """Pictures that wait for somebody to say whether they belong to this case."""
        return tuple(picture for picture in self.pictures if picture.role == "held")

    @property
    def last_arrived(self) -> CasePicture | None:
        """The picture after the first that came last, whenever it was taken."""
        return next((one for one in reversed(self.pictures) if one.role == "still"), None)

    @property
    def to_measure(self) -> tuple[CasePicture, ...]:
        """Pictures that wait, and those that build on results made before one of an earlier one."""
        newest, stills = 0, self.stills
        for place, picture in enumerate(stills):
            if picture.result is None or (picture.made < newest and not picture.distrusted):
                rest = stills[place:]
                return tuple(one for one in rest if one.result is None or not one.distrusted)
            newest = max(newest, picture.made)
        return ()

    @property
    def earlier(self) -> tuple[CasePicture, ...]:
        """Pictures from before a new first picture was taken in mid-case."""
        return tuple(picture for picture in self.pictures if picture.role == "earlier")

    @property
    def waiting(self) -> tuple[CasePicture, ...]:
        """Stills that are kept and not yet measured."""
        return tuple(picture for picture in self.stills if picture.result is None)

    @property
    def believed(self) -> tuple[StillResult, ...]:
        """Results that later pictures may build on."""
        return tuple(
            picture.result
            for picture in self.stills
            if picture.result and not picture.distrusted and not picture.quiet
        )

    @property
    def latest(self) -> CasePicture | None:
        """The latest picture that says anything.

        Repeats of an earlier one are passed over; while burring so is what was taken between.
        """
        for picture in reversed(self.stills):
            if picture.quiet and self.aloud:
                continue
            reasons = picture.result.reasons if picture.result else ()
            if not (reasons and reasons[0].reason == Reason.DUPLICATE):
                return picture
        return self.first

    @property
    def standing(self) -> Standing:
        """How the latest picture stands; a closed case is closed."""
        if self.log.closed:
            return "closed"
        return self.standing_of(self.latest)

    def standing_of(self, picture: CasePicture | None) -> Standing:
        """Return how a picture stands; without one, how the case stands."""
        if picture is None or picture.role == "first":
            if self.first is None:
                return "no picture"
            if self.reference is None:
                return "marks to agree"
            return "ready" if self.reference.usable else "first unusable"
        if picture.role == "held":
            return "held"
        if picture.result is None:
            return "waiting" if self.setup.marks else "marks to agree"
        if picture.distrusted:
            return "outline wrong"
        if picture.to_look_at:
            return "to look at"
        if picture.withheld and picture.is_measured:
            return "recorded" if self.silent else "estimate first"
        return "measured" if picture.result.verdict == "measured" else "not measured"

    def aside(self, role: Role) -> CasePicture | None:
        """Return the picture that is kept for another use, if there is one."""
        return next((picture for picture in self.pictures if picture.role == role), None)


def read_case(
    row: CaseRow,
    events: tuple[EventRow, ...],
    pictures: tuple[PictureRow, ...],
    results: dict[int, tuple[ResultRow, StillResult | ReferenceResult]],
) -> Case:
    """Read a case's journal from its beginning.

    Parameters
    ----------
    row : CaseRow
    events : tuple of EventRow
        The whole journal, in order; the first entry opens the case.
    pictures : tuple of PictureRow
    results : dict
        Result rows and their decoded values by the serial number in the journal.

    Returns
    -------
    Case
    """
    setup = from_text(CaseSetup, events[0].body)
    proposal: Proposal | None = None
    unreadable: list[UnreadableNote] = []
    phase: PhaseNote | None = None
    originals: set[str] = set()
    rows = {picture.number: picture for picture in pictures}
    seen: dict[int, CasePicture] = {}
    arrivals = arrival.read(events)
    phases: list[tuple[datetime, PhaseNote]] = []
    as_they_came = False
    for event in events[1:]:
        match event.kind:
            case "picture" | "joined":
                number = _join(seen, rows, json.loads(event.body))
                came = arrivals.get(rows[number].sha256)
                seen[number] = replace(seen[number], arrival=came, joined_at=event.at)
                seen[number] = replace(seen[number], frame=came.frame if came else None)
                if phase is not None:
                    seen[number] = replace(seen[number], phase=phase.phase, paused=phase.paused)
            case "belongs":
                number = _number(event)
                first = not any(picture.role == "first" for picture in seen.values())
                seen[number] = replace(seen[number], role="first" if first else "still")
            case "belongs-not":
                number = _number(event)
                seen[number] = replace(seen[number], role="set aside")
            case "frame":
                number, frame = _number(event), int(json.loads(event.body)["frame"])
                if seen[number].role == "first":
                    proposal = None
                seen[number] = replace(_without_result(seen[number]), frame=frame)
            case "order":
                as_they_came = from_text(arrival.Order, event.body).as_they_came
            case "first-again" | "new-series":
                proposal, setup = None, replace(setup, marks=None)
                if event.kind == logbook.NEW_SERIES:
                    setup = replace(setup, carried=from_text(Carried, event.body))
                left: Role = "set aside" if event.kind == FIRST_AGAIN else "earlier"
                for number, picture in seen.items():
                    if picture.role in ("first", "still"):
                        seen[number] = replace(picture, role=left)
            case "proposal":
                proposal = from_text(Proposal, event.body)
            case "marks":
                setup = replace(setup, marks=from_text(Marks, event.body))
                _forget_results(seen)
            case "plan":
                setup = replace(setup, plan=from_text(Plan, event.body))
                _forget_results(seen)
            case "result":
                number = _number(event)
                result_row, value = results[json.loads(event.body)["result"]]
                seen[number] = _with_result(seen[number], result_row, value, event.key)
            case "outline-wrong" | "outline-right":
                number = _number(event)
                seen[number] = replace(seen[number], distrusted=event.kind == OUTLINE_WRONG)
            case "taken-back":
                number = _number(event)
                seen[number] = replace(seen[number], role="set aside")
            case "to-look-at":
                number = _number(event)
                seen[number] = replace(seen[number], to_look_at=True)
            case "scale":
                setup = replace(setup, scale=from_text(Scale, event.body))
                _forget_results(seen)
            case "unreadable":
                note_ = from_text(UnreadableNote, event.body)
                unreadable.append(replace(note_, at=event.at))
            case "phase":
                phase = from_text(PhaseNote, event.body)
                phases.append((event.at, phase))
            case "original":
                originals.add(json.loads(event.body)["sha256"])
    beside = around.read(events)
    for number in beside.awaited & seen.keys():
        seen[number] = replace(seen[number], withheld=True)
    log, agreed = logbook.read(events), agreement.read(events)
    if agreed.terms.numbers == "recorded only" and not log.closed:
        seen = {number: replace(picture, withheld=True) for number, picture in seen.items()}
    order = _timeline(seen, as_they_came=as_they_came)
    for number, taken in zip(order.order, order.taken_s, strict=True):
        if number in order.late:
            seen[number] = _in_phase_of(seen[number], taken, phases)
    if phase is None:
        phase = PhaseNote("burring" if setup.marks else "before burring")
    return Case(
        row,
        setup,
        proposal,
        tuple(seen.values()),
        tuple(unreadable),
        events[-1].key,
        phase.phase,
        phase.paused,
        log,
        frozenset(originals),
        beside,
        agreed,
        order,
        as_they_came,
    )


def _timeline(seen: dict[int, CasePicture], *, as_they_came: bool) -> Timeline:
    """Return the order in which the pictures of the case were taken.

    They are seen in the order in which they came.  A clock that was set back in between must not
    put a later one before an earlier one.
    """
    moments: list[timeline.Moment] = []
    for picture in seen.values():
        if picture.role in ("first", "still", "earlier"):
            came, at = picture.arrival, picture.joined_at or picture.row.received_at
            last_s = moments[-1].came_s if moments else at.timestamp()
            moments.append(
                timeline.Moment(
                    picture.number,
                    max(at.timestamp(), last_s),
                    came.lag_s if came else None,
                    came.series if came else "",
                    came.facts.instance_number if came else None,
                )
            )
    return timeline.read(moments, as_they_came=as_they_came)


def _in_phase_of(
    picture: CasePicture, taken_s: float, phases: list[tuple[datetime, PhaseNote]]
) -> CasePicture:
    """Return a picture that came late with the phase in which it was taken."""
    then = [note for at, note in phases if at.timestamp() <= taken_s]
    note = then[-1] if then else PhaseNote("burring")
    return replace(picture, phase=note.phase, paused=note.paused)


def _join(seen: dict[int, CasePicture], rows: dict[int, PictureRow], plain: Plain) -> int:
    """Let a picture join the case: the first is the reference, unless it is for another use."""
    number, role = int(plain["number"]), plain["role"]
    seen.pop(number, None)
    if role == "still" and not any(picture.role == "first" for picture in seen.values()):
        role = "first"
    seen[number] = CasePicture(rows[number], role)
    return number


def _number(event: EventRow) -> int:
    return int(json.loads(event.body)["number"])


def _forget_results(seen: dict[int, CasePicture]) -> None:
    for number, picture in seen.items():
        if picture.role in ("first", "still"):
            seen[number] = _without_result(picture)


def _without_result(picture: CasePicture) -> CasePicture:
    nothing = replace(picture, result=None, reference=None, measured_at=None, software="", made=0)
    return replace(nothing, distrusted=False, to_look_at=False)


def _with_result(
    picture: CasePicture, row: ResultRow, value: StillResult | ReferenceResult, made: int
) -> CasePicture:
    found = replace(picture, measured_at=row.at, software=row.software, made=made)
    if isinstance(value, StillResult):
        kept = picture.to_look_at and value.verdict == "refused"
        return replace(found, result=value, to_look_at=kept)
    return replace(found, reference=value)


def opening(setup: CaseSetup) -> str:
    """Return the text with which a case's journal begins."""
    return to_text(setup)
