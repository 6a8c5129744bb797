"""The films before and after the operation: each measured by itself, with its own marks.

Nothing is registered and no millimetre is given: a film and the case's pictures were taken from
different directions.  What is compared is one angle, of one edge.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

from tracker import around, casetoml, pipeline, uncertainty, views
from tracker.around import FilmBrought, FilmProposal, FilmSaid, FilmWhen
from tracker.around_sums import (
    U_BEAM_CENTRE_DEG,
    U_READ_DEG,
    FilmChange,
    Variant,
    film_change,
)
from tracker.casebook import Case
from tracker.errors import InputError, NotFound
from tracker.identity import Kept
from tracker.ledger import Ledger, picture_of
from tracker.settings import Settings
from tracker.values import (
    Budget,
    BudgetRow,
    Floats,
    Marks,
    NotMeasurable,
    Quantity,
    Scale,
)
from tracker.views import MarksReading

USUAL_HEAD_MM: Final = 48.0
"""Diameter to lay the generic pelvis on a film where the case knows none; no angle needs it."""
_ANGLES: Final = (-20.0, 85.0)
_EXPECTED: Final = 1024
"""Side of a picture, in pixels, on which marks scatter as ``casetoml.MARK_SCATTER_PX`` says."""

NoteOriginal = Callable[[Case, int, bytes, Kept], None]


@dataclass(frozen=True, eq=False, slots=True)
class FilmMarks:
    """A film with marks to agree.

    Attributes
    ----------
    case_id : str
        The case that stands for the hip, with which the film is kept.
    when : {"before", "after"}
    number : int
    width, height : int
        Of the film, pixels.
    marks : Marks
        Proposed; where nothing could be proposed, a start for dragging.
    handles_px : ndarray of shape (N, 2)
    proposed : bool
    reading : MarksReading
    """

    case_id: str
    when: FilmWhen
    number: int
    width: int
    height: int
    marks: Marks
    handles_px: Floats
    proposed: bool
    reading: MarksReading


@dataclass(frozen=True, slots=True)
class Compared:
    """The film after the operation set against what is known from before.

    Attributes
    ----------
    before, after : Quantity
        Degrees.
    against : {"film", "typed", "first picture"}
        What the angle from before was read off.
    change : FilmChange or None
        None where the two are of different edges.
    """

    before: Quantity
    after: Quantity
    against: str
    change: FilmChange | None


class Films:
    """What can be done with the films of a case.

    Parameters
    ----------
    ledger : Ledger
    settings : Settings
    note_original : callable
        Writes down the hash of a file of which a copy is kept.
    """

    def __init__(self, ledger: Ledger, settings: Settings, note_original: NoteOriginal) -> None:
        self._ledger = ledger
        self._settings = settings
        self._note_original = note_original

    def bring(self, case_id: str, when: FilmWhen, data: bytes, name: str) -> int:
        """Keep a film and propose marks on it; return its picture's number.

        Raises
        ------
        InputError
            The same picture is already in the case as another thing.
        UnreadableImage
        NotFound
        """
        ledger, name, case_id = self._ledger, name[:255], hip_of(self._ledger, case_id)
        with ledger.alone(case_id):
            case = ledger.case(case_id)
            still = ledger.decode(data, name)
            kept = ledger.keep(data, still)
            row, _ = ledger.store.keep_picture(case.row, kept.data, name, "film")
            case = ledger.reread(case_id)
            if picture_of(case, row.number).role != "film":
                raise InputError(
                    f"This picture is already in the case as picture {row.number}.",
                    hint="A film is a picture of its own.",
                )
            self._note_original(case, row.number, data, kept)
            if all(one.number != row.number for one in case.around.proposals):
                found = pipeline.propose_marks(still, case.setup.side, self._settings)
                proposal = (
                    FilmProposal(row.number, reason=found)
                    if isinstance(found, NotMeasurable)
                    else FilmProposal(row.number, marks=found)
                )
                case = ledger.append(case, around.FILM_PROPOSAL, proposal)
            case = ledger.append(case, around.FILM_BROUGHT, FilmBrought(when, row.number))
        ledger.tell(case)
        return row.number

    def marks_to_agree(self, case_id: str, when: FilmWhen) -> FilmMarks | None:
        """Return a film with the marks to agree on it; None where none waits for them."""
        case = self._ledger.case(hip_of(self._ledger, case_id))
        brought = next((film for film in case.around.films if film.when == when), None)
        if brought is None:
            return None
        still = self._ledger.still(picture_of(case, brought.number).row)
        height, width = still.grey.shape
        proposal = _proposal(case, brought.number)
        marks = proposal.marks if proposal else None
        proposed = marks is not None
        if marks is None:
            u_px = casetoml.MARK_SCATTER_PX
            marks = views.marks_to_start_from(case.setup, width, height, u_px)
        return FilmMarks(
            case.row.id,
            when,
            brought.number,
            width,
            height,
            marks,
            views.handles(marks),
            proposed,
            self.read_marks(case_id, marks),
        )

    def read_marks(self, case_id: str, marks: Marks | None, number: int = 0) -> MarksReading:
        """Return what marks on a film say, without agreeing them; None reads those proposed on it.

        A film has no scale of its own: the head's diameter is taken as the case knows it.
        """
        case = self._ledger.case(hip_of(self._ledger, case_id))
        marks = marks or _proposed(case, number)
        reading = views.read_marks(replace(case.setup, scale=_scale(case)), marks)
        return replace(reading, plan_notes=())

    def agree(self, case_id: str, number: int, marks: Marks | None) -> Case:
        """Measure a film with marks; None takes them as they were proposed.

        Raises
        ------
        InputError
            The marks can't be used, or none were proposed.
        NotFound
            No such film waits for its marks.
        """
        ledger, case_id = self._ledger, hip_of(self._ledger, case_id)
        with ledger.alone(case_id):
            case = ledger.case(case_id)
            brought = next((film for film in case.around.films if film.number == number), None)
            if brought is None:
                raise NotFound(f"No film {number} of case {case_id} waits for marks.")
            said = self._measured(case, brought, marks or _proposed(case, number))
            case = ledger.append(case, around.FILM, said)
        ledger.tell(case)
        return case

    def typed(self, case_id: str, when: FilmWhen, lcea_deg: float, variant: Variant) -> Case:
        """Write down an angle as somebody read it off a film.

        Raises
        ------
        InputError
            The angle is none that a hip has.
        """
        if not _ANGLES[0] <= lcea_deg <= _ANGLES[1]:
            raise InputError(
                f"An LCEA of {lcea_deg:g}° is none that a hip has.",
                hint=f"Write one from {_ANGLES[0]:g} to {_ANGLES[1]:g}°.",
            )
        rows = (BudgetRow("reading by hand", U_READ_DEG, "deg", 1.0, "published readers"),)
        said = FilmSaid(
            when,
            Quantity(lcea_deg, U_READ_DEG, "deg"),
            "typed",
            variant,
            budget=Budget("lcea_deg", "deg", rows),
        )
        ledger, case_id = self._ledger, hip_of(self._ledger, case_id)
        with ledger.alone(case_id):
            case = ledger.append(ledger.case(case_id), around.FILM, said)
        ledger.tell(case)
        return case

    def _measured(self, case: Case, brought: FilmBrought, marks: Marks) -> FilmSaid:
        """Follow the bone's outline between the marks; where that can't be done take the marks."""
        still = self._ledger.still(picture_of(case, brought.number).row)
        setup = replace(case.setup, view="AP", scale=_scale(case), marks=marks, plate=None)
        found = pipeline.prepare_reference(still, setup, self._settings).result
        socket = views.read_marks(setup, marks).socket
        if found.usable and found.lcea_deg is not None:
            lcea, budget = found.lcea_deg, found.budget
            if budget is not None and not isinstance(socket, NotMeasurable):
                budget = _with_mark(budget, abs(lcea.value - socket.lcea_deg.value))
                lcea = uncertainty.quantity(lcea.value, budget)
            return FilmSaid(
                brought.when,
                lcea,
                "outline",
                number=brought.number,
                marks=marks,
                budget=budget,
            )
        if marks.source == "given":
            factor = max(still.grey.shape) / _EXPECTED
            marks = replace(
                marks,
                u_px=marks.u_px * factor,
                u_horizontal_deg=marks.u_horizontal_deg * factor,
            )
        socket = views.read_marks(setup, marks).socket
        if isinstance(socket, NotMeasurable):
            raise InputError(socket.sentence, hint=socket.what_to_do)
        return FilmSaid(
            brought.when,
            socket.lcea_deg,
            "marks",
            number=brought.number,
            marks=marks,
            budget=socket.budget,
            why_marks=found.reasons[0] if found.reasons else None,
        )


def hip_of(ledger: Ledger, case_id: str) -> str:
    """Return the case that stands for a hip: what is said of the hip is kept there.

    Raises
    ------
    NotFound
    """
    return ledger.case(case_id).agreement.terms.view_of or case_id


def compared(case: Case) -> Compared | None:
    """Set the film after the operation against what is known from before; None where there is none.

    The film before comes first; without one, the first picture of the case serves, which saw the
    hip from another direction.
    """
    after, before = case.around.film_after, case.around.film_before
    if after is None:
        return None
    now = after.said.lcea_deg
    if before is not None:
        then = before.said.lcea_deg
        same = before.said.variant == after.said.variant
        against = "typed" if before.said.by == "typed" else "film"
        return Compared(then, now, against, film_change(then, now) if same else None)
    start = case.reference.lcea_deg if case.reference else None
    if start is None:
        return None
    same = after.said.variant == "lateral bony edge"
    change = film_change(start, now, u_view_deg=U_BEAM_CENTRE_DEG) if same else None
    return Compared(start, now, "first picture", change)


def _with_mark(budget: Budget, apart_deg: float) -> Budget:
    """Add that the edge's mark and its outline say different angles.

    On a case's pictures the mark only says where to read, and every later picture is read there
    too; on a film by itself a mark that lies up the wall reads the wall.
    """
    u_deg = uncertainty.rectangular(apart_deg)
    row = BudgetRow("mark and outline of the edge", u_deg, "deg", 1.0, "as far as they lie apart")
    return replace(budget, rows=(*budget.rows, row))


def _proposal(case: Case, number: int) -> FilmProposal | None:
    return next((one for one in case.around.proposals if one.number == number), None)


def _proposed(case: Case, number: int) -> Marks:
    proposal = _proposal(case, number)
    if proposal is None or proposal.marks is None:
        raise InputError("No marks were proposed.", hint="Set them by hand.")
    return proposal.marks


def _scale(case: Case) -> Scale:
    """Return the head's size as the case knows it, for a film that has no scale of its own."""
    found = case.reference
    if found is not None and found.head_radius_px and found.mm_per_px:
        return Scale(head_diameter_mm=2 * found.head_radius_px * found.mm_per_px)
    return Scale(head_diameter_mm=case.setup.scale.head_diameter_mm or USUAL_HEAD_MM)
