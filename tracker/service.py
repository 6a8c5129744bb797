"""The one seam: what can be done with a case, for command line, pages and demo alike.

Every use case reads the record, lets the pipeline measure, and writes the record; see
:mod:`tracker.ledger` for the order in which that happens.
"""

import math
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, Self

from tracker import __version__, casebook, casefolder, casetoml, logbook, squaring, views, wholecase
from tracker.acting import THEATRE, acting_as
from tracker.agreeing import Agreeing
from tracker.agreement import Beside, Rehearsed, Terms
from tracker.around import AnchorIn, Entry
from tracker.around_acts import AroundActs, AroundView
from tracker.around_films import FilmMarks
from tracker.around_views import ReviewBeside
from tracker.arrival import What
from tracker.casebook import Case, CasePicture, Phase, PhaseNote
from tracker.decoding import SHARED, Decoder
from tracker.dosing import CaseDose, dose_of
from tracker.errors import InputError, InternalError, InvalidCase, UnreadableImage
from tracker.gallery import Form
from tracker.gate import Gate, NewCode
from tracker.health import Health, Trouble
from tracker.hips import Hips
from tracker.instance import InstanceNames, names_of
from tracker.intake import Added, Intake
from tracker.intake import Beside as BesideIntake
from tracker.ledger import Ledger, Listener, first_picture, picture_of
from tracker.listing import Listing, ListPage
from tracker.logbook import Carried, Note
from tracker.many import Many
from tracker.plan import PlanNote
from tracker.provenance import Origin
from tracker.record import Stamp
from tracker.reporting import Reporting
from tracker.sessions import DeviceRole, Session
from tracker.settings import DEFAULTS, Settings
from tracker.showing import Showing
from tracker.sources import Source, SourceState
from tracker.store import Store
from tracker.values import (
    CaseSetup,
    Floats,
    Marks,
    NotMeasurable,
    Plan,
    Quantity,
    Reason,
    Still,
    StillResult,
    View,
)
from tracker.views import GlanceView, MarksReading, MarksView, PictureView, ReviewEntry, ReviewView

__all__ = [
    "THEATRE",
    "Added",
    "AnchorIn",
    "AroundView",
    "Beside",
    "Case",
    "CaseDose",
    "CasePicture",
    "DeviceRole",
    "Entry",
    "FilmMarks",
    "Gate",
    "GlanceView",
    "InstanceNames",
    "ListPage",
    "MarksReading",
    "MarksView",
    "NewCode",
    "Phase",
    "PictureView",
    "PlanNote",
    "Rehearsed",
    "ReviewBeside",
    "ReviewEntry",
    "ReviewView",
    "Service",
    "Session",
    "SourceState",
    "Terms",
    "Trouble",
    "What",
    "acting_as",
    "dose_of",
]


_MOST_CHARACTERS: Final = 1000


def _now() -> datetime:
    return datetime.now(UTC)


class Service:
    """A record in a folder and everything that can be done with it.

    Parameters
    ----------
    folder : Path
        Where the record is kept; made if absent.
    settings : Settings, optional
    clock : callable, optional
        Gives the present time with its time zone.
    timer : callable, optional
        Gives seconds, for the time a picture took.
    decoder : Decoder, optional
        What reads pictures' bytes.
    database : str, optional
        Address of a PostgreSQL database that holds the tables; pictures stay in the folder.

    Raises
    ------
    Busy
        Another service holds the record.
    Unwritable
    """

    def __init__(
        self,
        folder: Path,
        settings: Settings = DEFAULTS,
        *,
        clock: Callable[[], datetime] = _now,
        timer: Callable[[], float] = time.perf_counter,
        decoder: Decoder = SHARED,
        database: str = "",
    ) -> None:
        self.settings = settings
        self.now = clock
        stamp = Stamp(__version__, settings.digest())
        self._store = Store(folder, stamp, clock, database=database)
        wholecase.finish_deletions(self._store)
        self._ledger = Ledger(self._store, settings, timer, decoder)
        self._showing = Showing(self._ledger)
        self.agreeing = Agreeing(self._ledger)
        self.listing = Listing(self._ledger)
        self.health = Health(self._store)
        self.hips = Hips(self._ledger, self.open_case)
        self.many = Many(self._ledger)
        self.intake = Intake(self._ledger, settings, clock, BesideIntake(self.agreeing.takes))
        self.around = AroundActs(self._ledger, settings, clock, self.intake.note_original)
        self.reports = Reporting(self._ledger, (stamp.software, stamp.settings))
        self.gate = Gate(folder, clock)
        """Which other devices come in."""
        self._sources: list[Source] = []

    def close(self) -> None:
        """Let go of the record."""
        self._store.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def listen(self, listener: Listener) -> Callable[[], None]:
        """Call ``listener(case_id, last_event)`` after every change; returns how to stop it."""
        return self._ledger.listen(listener)

    def attach(self, source: Source) -> None:
        """Let a way in that runs by itself be shown; who made it starts and stops it."""
        self._sources.append(source)

    def sources(self) -> tuple[SourceState, ...]:
        """Return how each way in stands that runs by itself."""
        return tuple(source.state for source in self._sources)

    # --- cases ---------------------------------------------------------------------------

    def open_case(self, setup: CaseSetup) -> Case:
        """Open a case; marks may come with it or later.

        Raises
        ------
        InvalidCase
            The name is taken, or can't be part of an address.
        """
        if not casetoml.can_name(setup.id):
            raise InvalidCase(
                f"{setup.id!r} can't name a case.",
                hint="A pseudonym has no slash, no dot in front and no blanks around it.",
            )
        with self._ledger.alone(setup.id):
            self._store.add_case(setup.id, casebook.opening(setup))
            case = self._ledger.reread(setup.id)
        self._ledger.tell(case)
        return case

    def open_hip(
        self, plain: dict[str, Any], terms: Terms, others: dict[View, dict[str, Any]]
    ) -> Case:
        """Open a case, with other views of its hip, from keys and tables of a case.toml.

        The ends of an object of known size may be left to the first picture.  Angles are planned
        in an AP view alone, and not where the first picture is taken under traction.

        Raises
        ------
        InvalidCase
        """
        angles = plain.get("view") == "AP" and not terms.traction_on
        setup = casetoml.setup_from(plain, object_later=True, angles=angles)
        plans = {view: self.plan_of_view(plan) for view, plan in others.items()}
        return self.hips.open_hip(setup, terms, plans)

    @staticmethod
    def plan_of_view(plain: dict[str, Any]) -> Plan:
        """Return a plan in millimetres from the keys of a case.toml's table, checked as such.

        Raises
        ------
        InvalidCase
        """
        return casetoml.plan_from(plain, angles=False)

    def take_as_view(self, case_id: str, number: int, view: View, plan: Plan | None) -> Case:
        """Take a picture that could not be measured as one of another view of the hip.

        Parameters
        ----------
        case_id : str
        number : int
        view : str
            Opened with ``plan`` if it is not there yet.
        plan : Plan or None

        Raises
        ------
        InputError
            The picture was measured, or the view is not open and no plan is given.
        """
        data, name = self.hips.picture_for(case_id, number)
        views = {case.setup.view: case for case in self.hips.views(case_id)}
        if view in views and views[view].row.id == case_id:
            raise InputError("This picture is of that view already.")
        if view not in views and plan is None:
            raise InputError(f"No {view} view is open.", hint="Say its planned depth.")
        other = views[view] if plan is None else self.hips.add_view(case_id, view, plan)
        came = picture_of(self.case(case_id), number)
        self.intake.take(other.row.id, data, name, before=came)
        if self.case(case_id).standing_of(picture_of(self.case(case_id), number)) != "to look at":
            self.keep_to_look_at(case_id, number)
        return self.case(other.row.id)

    def cases(self) -> tuple[Case, ...]:
        """Return all cases, the newest first."""
        return tuple(self.case(row.id) for row in self._store.cases())

    def count_cases(self) -> int:
        """Return the number of cases in the record."""
        return self._store.count_cases()

    def head(self, case_id: str) -> str:
        """Return the hash of a case's last entry, which stands for all that its journal says.

        Raises
        ------
        NotFound
        """
        return self._store.head(self._store.case(case_id))

    def case(self, case_id: str) -> Case:
        """Return a case as it stands.

        Raises
        ------
        NotFound
        """
        return self._ledger.case(case_id)

    # --- pictures ------------------------------------------------------------------------

    def add_picture(
        self,
        case_id: str,
        data: bytes,
        name: str,
        *,
        as_zero: bool = False,
        frame: int | None = None,
    ) -> Added:
        """Take in a picture: the first becomes the reference, later ones are measured.

        Parameters
        ----------
        case_id : str
        data : bytes
            The file as it came.
        name : str
            The file's name, for people.
        as_zero : bool
            It is brought as the zero picture: traction on, rim not yet burred.
        frame : int, optional
            Which frame of a run, counted from 0; the last one if not said.

        Returns
        -------
        Added

        Raises
        ------
        InputError
            The case is closed.
        UnreadableImage
            The bytes are no picture; that something came is written down once.
        NotFound
        """
        return self.intake.take(case_id, data, name, as_zero=as_zero, frame=frame)

    def check_picture(self, data: bytes, name: str) -> None:
        """Look whether bytes are a whole picture; nothing is written.

        Raises
        ------
        UnreadableImage
        """
        self._ledger.decode(data, name)

    def instance_names(self, data: bytes) -> InstanceNames:
        """Return what a DICOM file calls itself; nothing is decoded or written."""
        return names_of(data)

    def has_seen(self, case_id: str, digest: str) -> bool:
        """Tell whether a case holds a picture that came as bytes of this SHA-256, in any role.

        What could not be read is not held: it may be tried again.

        Raises
        ------
        NotFound
        """
        case = self.case(case_id)
        held = any(picture.row.sha256 == digest for picture in case.pictures)
        rehearsed = case.agreement.rehearsal != "waiting" and case.agreement.knows_rehearsal(digest)
        return held or digest in case.originals or rehearsed

    def set_phase(self, case_id: str, phase: Phase, *, paused: bool = False) -> Case:
        """Say what is being done now; saying it again changes nothing."""
        self.case(case_id)
        with self._ledger.alone(case_id):
            case = self.case(case_id)
            if (case.phase, case.paused) == (phase, paused):
                return case
            case = self._ledger.append(case, casebook.PHASE, PhaseNote(phase, paused))
        self._ledger.tell(case)
        return case

    # --- what people say about a case ----------------------------------------------------

    def close_case(self, case_id: str) -> Case:
        """Close a case: no number stands on the wall, and no picture is taken in."""
        return self._say(case_id, logbook.CLOSED, lambda case: case.log.closed)

    def reopen_case(self, case_id: str) -> Case:
        """Open a closed case again."""
        return self._say(case_id, logbook.REOPENED, lambda case: not case.log.closed)

    def say_burr(self, case_id: str, *, runs: bool) -> Case:
        """Say that the burr is running, or has stopped; the next picture says so too."""
        return self._say(
            case_id, logbook.BURR, lambda case: case.log.burr_runs == runs, {"on": runs}
        )

    def skip_zero(self, case_id: str) -> Case:
        """Write down that there will be no zero picture."""
        return self._say(case_id, logbook.ZERO_SKIPPED, lambda case: case.log.zero_skipped)

    def take_note(self, case_id: str, text: str, number: int | None = None) -> Case:
        """Write a note about a case, or about one of its pictures.

        Raises
        ------
        InputError
            The note is empty, or longer than 1000 characters.
        """
        text = text.strip()
        if not 1 <= len(text) <= _MOST_CHARACTERS:
            raise InputError(
                "The note is empty." if not text else "The note is too long.",
                hint=f"Write one of up to {_MOST_CHARACTERS} characters.",
            )
        if number is not None:
            picture_of(self.case(case_id), number)
        return self._say(case_id, logbook.NOTE, lambda _: False, Note(text, number))

    def take_back(self, case_id: str, number: int) -> Case:
        """Set the latest picture aside, as if it had not been brought; its file is kept.

        Raises
        ------
        InputError
            It is not the latest one.
        """
        self.case(case_id)
        with self._ledger.alone(case_id):
            case = self.case(case_id)
            last = case.last_arrived
            if last is None or last.number != number:
                raise InputError(
                    f"Picture {number} is not the latest one.",
                    hint="Only the latest picture can be taken back.",
                )
            case = self._ledger.append(case, casebook.TAKEN_BACK, {"number": number})
        self._ledger.tell(case)
        return case

    def keep_to_look_at(self, case_id: str, number: int) -> Case:
        """Keep a picture that could not be measured, without asking for another.

        Raises
        ------
        InputError
            The picture is measured.
        """
        self.case(case_id)
        with self._ledger.alone(case_id):
            case = self.case(case_id)
            if case.standing_of(picture_of(case, number)) != "not measured":
                raise InputError(f"Picture {number} is not one that could not be measured.")
            case = self._ledger.append(case, casebook.TO_LOOK_AT, {"number": number})
        self._ledger.tell(case)
        return case

    def _say(
        self, case_id: str, kind: str, is_said: Callable[[Case], bool], body: object = None
    ) -> Case:
        """Write something down unless it holds already."""
        self.case(case_id)
        with self._ledger.alone(case_id):
            case = self.case(case_id)
            if is_said(case):
                return case
            case = self._ledger.append(case, kind, {} if body is None else body)
        self._ledger.tell(case)
        return case

    def replace_first(self, case_id: str) -> Case:
        """Set aside the pictures so far; the next picture is a new first one.

        Raises
        ------
        InputError
            A picture has already been measured against the first one.
        """
        self.case(case_id)
        with self._ledger.alone(case_id):
            case = self.case(case_id)
            if any(picture.is_measured and not picture.distrusted for picture in case.stills):
                raise InputError(
                    "Pictures have been measured against the first one; it stays.",
                    hint="Open a new case to start again.",
                )
            return self._ledger.start_again(self._ledger.append(case, casebook.FIRST_AGAIN, {}))

    def begin_series(self, case_id: str, *, nothing_burred: bool) -> Case:
        """Go on with a new first picture in mid-case; what was removed so far is carried over.

        Parameters
        ----------
        case_id : str
        nothing_burred : bool
            Nothing was burred since the last measured picture; else the total reads "at least".

        Returns
        -------
        Case

        Raises
        ------
        InputError
            Nothing has been measured yet.
        """
        self.case(case_id)
        with self._ledger.alone(case_id):
            case = self.case(case_id)
            measured = [
                p for p in case.stills if p.is_measured and not p.distrusted and not p.quiet
            ]
            if not measured:
                raise InputError(
                    "Nothing has been measured against the first picture.",
                    hint="Set it aside instead.",
                )
            carried = _carried(case.log.carried, measured[-1], whole=nothing_burred)
            return self._ledger.start_again(self._ledger.append(case, logbook.NEW_SERIES, carried))

    def judge_outline(self, case_id: str, number: int, *, wrong: bool) -> Case:
        """Write down that a picture's outline looks wrong, or right after all.

        While it looks wrong its numbers are shown nowhere and nothing builds on them.
        """
        self.case(case_id)
        with self._ledger.alone(case_id):
            case = self.case(case_id)
            if picture_of(case, number).distrusted == wrong:
                return case
            kind = casebook.OUTLINE_WRONG if wrong else casebook.OUTLINE_RIGHT
            case = self._ledger.append(case, kind, {"number": number})
        self._ledger.tell(case)
        return case

    def still(self, case_id: str, number: int) -> Still:
        """Return a picture of a case as recorded, from the kept file."""
        return self._ledger.shown(picture_of(self.case(case_id), number))

    # --- what the pages show -------------------------------------------------------------

    def glance(self, case_id: str) -> GlanceView:
        """Return how one view stands: what is left now, or why nothing can be said."""
        # Looked up first: what changes meanwhile is then shown by the next renewal.
        views = self.hips.views(case_id)
        return replace(
            self._showing.glance(case_id, self.now()),
            last_event=max(case.last_event for case in views),
            views=views,
            test_picture=self.agreeing.shows_rehearsal(case_id),
        )

    def wall(self, case_id: str) -> GlanceView:
        """Return what the wall shows: of the hip's views the one that was brought last."""
        return self.glance(self.hips.last_brought(case_id).row.id)

    def review(self, case_id: str) -> ReviewView:
        """Return the whole case for reading afterwards."""
        views = self.hips.views(case_id)
        return replace(self._showing.review(case_id, self.now()), views=views)

    def picture_png(self, case_id: str, number: int, form: Form) -> bytes:
        """Return a picture as a page shows it; see :meth:`tracker.showing.Showing.picture_png`."""
        return self._showing.picture_png(case_id, number, form)

    def marks_to_agree(self, case_id: str) -> MarksView:
        """Return the first picture with the marks that are proposed, or to start from."""
        return self._showing.marks_to_agree(case_id)

    def given_marks(self, plain: dict[str, Any]) -> Marks:
        """Return marks from the keys of a case.toml's table, checked as such.

        Raises
        ------
        InvalidCase
        """
        return casetoml.marks_from(plain)

    def read_marks(
        self, case_id: str, marks: Marks | None, object_px: Floats | None = None
    ) -> MarksReading:
        """Return what marks say, without agreeing them; None reads those that are shown."""
        case = self.case(case_id)
        traction_on = case.agreement.terms.traction_on
        setup = self._showing.setup_with_object(case_id, object_px)
        return views.read_marks(setup, marks or self._as_shown(case), traction_on=traction_on)

    # --- marks ---------------------------------------------------------------------------

    def set_marks(self, case_id: str, marks: Marks) -> Case:
        """Agree the marks on the first picture, and measure what waits for them.

        Raises
        ------
        NotFound
            There is no first picture yet.
        """
        case = self.case(case_id)
        with self._ledger.alone(case_id):
            first_picture(case)
            return self._ledger.start_again(self._ledger.append(case, casebook.MARKS, marks))

    def agree_marks(
        self,
        case_id: str,
        marks: Marks | None,
        *,
        object_px: Floats | None = None,
        confirmed: bool = False,
    ) -> Case:
        """Agree the marks as people do it: with a deliberate yes where the plan asks for one.

        Parameters
        ----------
        case_id : str
        marks : Marks or None
            None takes them as they are shown: those agreed before, else those proposed.
        object_px : ndarray of shape (2, 2), optional
            Ends of the object of known size.
        confirmed : bool
            Somebody said yes to what the plan looks like on this hip.

        Returns
        -------
        Case

        Raises
        ------
        InputError
            The plan asks for a yes that was not given, no marks were proposed, or the scale is to
            come from an object whose ends are not marked.
        NotFound
            There is no first picture yet.
        """
        case = self.case(case_id)
        first_picture(case)
        marks = self._as_shown(case) if marks is None else marks
        setup = self._showing.setup_with_object(case_id, object_px)
        scale = setup.scale
        if scale.object_px is None and (scale.mm_per_px, scale.head_diameter_mm) == (None, None):
            raise InputError(
                "The two ends of the object of known size are not marked.",
                hint="Drag both to the object's ends.",
            )
        doubts = [note for note in views.read_marks(setup, marks).plan_notes if note.confirm]
        if doubts and not confirmed:
            raise InputError(doubts[0].text, hint="Say yes to it beside the marks, or cancel.")
        with self._ledger.alone(case_id):
            case = self.case(case_id)
            if setup.scale != case.setup.scale:
                case = self._ledger.append(case, casebook.SCALE, setup.scale)
            case = self._ledger.append(case, casebook.MARKS, marks)
            if doubts:
                case = self._ledger.append(case, logbook.PLAN_CONFIRMED, {})
            return self._ledger.start_again(case)

    def accept_proposed(self, case_id: str) -> Case:
        """Agree the marks as they were proposed.

        Raises
        ------
        InputError
            No marks were proposed.
        """
        return self.set_marks(case_id, self._proposed(self.case(case_id)))

    @staticmethod
    def _proposed(case: Case) -> Marks:
        if case.proposal is None or case.proposal.marks is None:
            raise InputError("No marks were proposed.", hint="Set them by hand.")
        return case.proposal.marks

    def _as_shown(self, case: Case) -> Marks:
        return case.setup.marks or self._proposed(case)

    # --- case folders --------------------------------------------------------------------

    def import_folder(self, folder: Path, origin: Origin = "folder") -> Iterator[Added]:
        """Open a case from a case folder and take its pictures in one after another.

        Proposed marks are taken as they are where the folder gives none.

        Parameters
        ----------
        folder : Path
        origin : {"folder", "demo"}
            By which many cases are told apart.

        Yields
        ------
        Added
            One for each picture, as soon as it is measured.

        Raises
        ------
        InvalidCase
            The folder can't be used, or the record already has a case of this name.
        """
        found = casefolder.read_case(folder)
        case_id = self.open_case(self._as_put_right(found)).row.id
        self.many.note_origin(self.case(case_id), origin)
        if found.grid is not None:
            for path in (found.grid, *found.more_grids):
                self._keep_aside(case_id, path, "plate")
        wanted = found.setup.scale.object_file
        if wanted is not None:
            self._keep_aside(case_id, folder / wanted, "object")
        for path in found.pictures:
            yield self._import_picture(case_id, path)

    def _as_put_right(self, found: casefolder.CaseFolder) -> CaseSetup:
        """Return a folder's set-up; its marks lie on the first picture as it was recorded."""
        try:
            data = casefolder.read_picture(found.pictures[0], self.settings.images.max_bytes)
            first = self._ledger.decode(data, found.pictures[0].name)
        except UnreadableImage:
            return found.setup
        return squaring.carried(found.setup, first)

    def _keep_aside(self, case_id: str, path: Path, role: casebook.Role) -> None:
        data = casefolder.read_picture(path, self.settings.images.max_bytes)
        self.intake.keep_aside(case_id, data, path.name, role)

    def _import_picture(self, case_id: str, path: Path) -> Added:
        try:
            data = casefolder.read_picture(path, self.settings.images.max_bytes)
            added = self.intake.take(case_id, data, path.name, from_archive=True)
        except UnreadableImage as error:
            found = NotMeasurable(Reason.UNREADABLE, error.message)
            return Added(None, False, StillResult(path.name, "", "refused", (found,), 0.0))
        case = self.case(case_id)
        if case.setup.marks is None and case.proposal and case.proposal.marks:
            self.accept_proposed(case_id)
        return added


def _carried(before: Carried | None, last: CasePicture, *, whole: bool) -> Carried:
    """Add a series' running total to what was carried into it."""
    if last.result is None or last.result.removal is None:
        raise InternalError(f"picture {last.number} counts and has no numbers")
    total = last.result.removal.running_mm
    if before is None:
        return Carried(total, whole, last.number)
    value, u = total.value + before.removed_mm.value, math.hypot(total.u, before.removed_mm.u)
    return Carried(Quantity(value, u, total.unit), whole and before.whole, last.number)
