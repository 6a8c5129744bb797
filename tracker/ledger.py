"""Record and pipeline joined: a case read from its journal, its pictures measured in order.

A picture is kept on disk before it is measured.  If the machine stops between the two, it is
measured when the case is next looked at.
"""

from collections import OrderedDict
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from threading import Lock, RLock
from typing import Final

from tracker import casebook, pipeline
from tracker.acting import SOFTWARE
from tracker.casebook import Case, CasePicture, Proposal
from tracker.decoding import Decoder
from tracker.errors import NotFound, StoreError, UnreadableImage
from tracker.identity import Kept, blank_of
from tracker.record import PictureRow, ResultRow, from_text, to_text
from tracker.settings import Settings
from tracker.store import Store
from tracker.values import NotMeasurable, ReferenceResult, Still, StillResult

_MOST_READY: Final = 8
"""Cases whose prepared first picture is held in memory; others are prepared again."""

_MOST_READ: Final = 64
"""Cases that are held in memory as they stand; others are read again."""

_Result = tuple[ResultRow, StillResult | ReferenceResult]
"""A result's row without its text, and its value."""

Listener = Callable[[str, int], None]
_Step = tuple[int, int | None, bool]
"""What of a picture the state after it depends on: number, frame, whether it is no pass."""


class Ledger:
    """Cases as they stand, and the measuring of what waits.

    Parameters
    ----------
    store : Store
    settings : Settings
    timer : callable
        Gives seconds, for the time a picture took.
    decoder : Decoder
    """

    def __init__(
        self, store: Store, settings: Settings, timer: Callable[[], float], decoder: Decoder
    ) -> None:
        self.store = store
        self._decoder = decoder
        self._settings = settings
        self._timer = timer
        self._guard = Lock()
        self._locks: dict[str, RLock] = {}
        self._cases: OrderedDict[str, Case] = OrderedDict()
        self._results: dict[str, dict[int, _Result]] = {}
        self._trails: OrderedDict[str, _Trail] = OrderedDict()
        self._listeners: list[Listener] = []

    @contextmanager
    def alone(self, case_id: str) -> Iterator[None]:
        """Hold a case: one picture is measured at a time, in the order of arrival."""
        with self._guard:
            lock = self._locks.setdefault(case_id, RLock())
        with lock:
            yield

    def case(self, case_id: str) -> Case:
        """Return a case as it stands; what waits is measured first.

        Raises
        ------
        NotFound
        """
        known = self._cases.get(case_id)
        if known is not None:
            return known
        self.store.case(case_id)
        with self.alone(case_id):
            return self._cases.get(case_id) or self.measure_waiting(case_id)

    def in_memory(self, case_id: str) -> Case | None:
        """Return a case as it stands if it has been read already; nothing is read or measured."""
        return self._cases.get(case_id)

    def reread(self, case_id: str) -> Case:
        """Read a case's journal again after an entry."""
        store = self.store
        row = store.case(case_id)
        results = self._results.setdefault(case_id, {})
        # Results are only ever added: those that were read stay as they are.
        for made in store.results(row, after=max(list(results), default=0)):
            results[made.serial] = replace(made, body=""), _value(made)
        case = casebook.read_case(row, store.events(row), store.pictures(row), results)
        with self._guard:
            self._cases[case_id] = case
            self._cases.move_to_end(case_id)
            # Those that were changed longest ago are read again when they are looked at.
            while len(self._cases) > _MOST_READ:
                left, _ = self._cases.popitem(last=False)
                self._results.pop(left, None)
        return case

    def append(self, case: Case, kind: str, body: object, role: str | None = None) -> Case:
        """Add an entry to a case's journal; without a role, whoever acts at present says it."""
        self.store.append(case.row, kind, to_text(body), role)
        return self.reread(case.row.id)

    def start_again(self, case: Case) -> Case:
        """Forget what is ready, as marks, plan or first picture have changed; measure; tell."""
        with self._guard:
            self._trails.pop(case.row.id, None)
        case = self.measure_waiting(case.row.id)
        self.tell(case)
        return case

    def still(self, row: PictureRow) -> Still:
        """Return a kept picture as recorded; of a run its last frame."""
        return self.decode(self.store.picture_bytes(row), row.name)

    def shown(self, picture: CasePicture) -> Still:
        """Return a case's picture as it is measured and shown: of a run the frame asked for."""
        return self.decode(self.store.picture_bytes(picture.row), picture.row.name, picture.frame)

    def decode(self, data: bytes, name: str, frame: int | None = None) -> Still:
        """Return the picture in a file's bytes, or raise UnreadableImage."""
        return self._decoder.decode(data, name, self._settings.images, frame)

    def keep(self, data: bytes, still: Still, frame: int | None = None) -> Kept:
        """Return what is kept of a file from which a picture was read."""
        blank = blank_of(still, self._settings)
        limits, key = self._settings.images, self.store.secret
        return self._decoder.keep(data, still.name, limits, key, blank=blank, frame=frame)

    def measure_waiting(self, case_id: str) -> Case:
        """Measure every picture that is kept and has no result, in the order they were taken in.

        What was measured before a picture came that was taken earlier is measured again; its
        earlier result stays in the record.  Without agreed marks nothing is measured; they are
        proposed instead.
        """
        case = self.reread(case_id)
        if case.first is None:
            return case
        if case.setup.marks is None:
            return case if case.proposal else self._propose(case)
        waiting = case.to_measure
        if case.first.reference is not None and not waiting:
            return case
        state, trail = self._state(case), self._trail(case)
        for picture in waiting:
            try:
                still = self._measurable(picture)
            except (StoreError, UnreadableImage):
                # Its file is damaged, or could not be decoded this time: it waits, and keeps no
                # other from being measured.
                continue
            started = self._timer()
            result, after = pipeline.measure_still(still, state, self._settings)
            result = replace(result, elapsed_ms=(self._timer() - started) * 1000)
            self.store.add_result(case.row, picture.row, "still", to_text(result))
            state = pipeline.beside(state, after) if picture.quiet else after
            trail.add(picture, state)
        return self.reread(case_id)

    # --- listening -----------------------------------------------------------------------

    def listen(self, listener: Listener) -> Callable[[], None]:
        """Call ``listener(case_id, last_event)`` after every change; returns how to stop it."""
        with self._guard:
            self._listeners.append(listener)

        def stop() -> None:
            with self._guard:
                if listener in self._listeners:
                    self._listeners.remove(listener)

        return stop

    def tell(self, case: Case) -> None:
        """Tell everyone who listens that a case has changed."""
        with self._guard:
            listeners = tuple(self._listeners)
        for listener in listeners:
            listener(case.row.id, case.last_event)

    # --- inside --------------------------------------------------------------------------

    def _propose(self, case: Case) -> Case:
        first = first_picture(case)
        proposed = pipeline.propose_marks(self.shown(first), case.setup.side, self._settings)
        if isinstance(proposed, NotMeasurable):
            proposal = Proposal(first.number, reason=proposed)
        else:
            proposal = Proposal(first.number, marks=proposed)
        return self.append(case, casebook.PROPOSAL, proposal, SOFTWARE)

    def _state(self, case: Case) -> pipeline.CaseState:
        """Return the state that the case's pictures so far leave for the next one.

        What is in memory is used as far as it goes; the rest (after a restart, or when an outline
        was found wrong) is measured again from the kept pictures, and its results thrown away:
        those in the record stand.
        """
        again = {picture.number for picture in case.to_measure}
        wanted = [
            picture
            for picture in case.stills
            if picture.result and not picture.distrusted and picture.number not in again
        ]
        trail = self._trail(case)
        known = trail.steps
        shared = 0
        while shared < min(len(known), len(wanted)) and known[shared] == _step(wanted[shared]):
            shared += 1
        trail.cut(shared)
        for picture in wanted[shared:]:
            before = trail.states[-1]
            try:
                still = self._measurable(picture)
            except (StoreError, UnreadableImage):
                # Damaged since: its result stands, and the next ones are measured without it.
                trail.add(picture, before)
                continue
            _, after = pipeline.measure_still(still, before, self._settings)
            trail.add(picture, pipeline.beside(before, after) if picture.quiet else after)
        return trail.states[-1]

    def _measurable(self, picture: CasePicture) -> Still:
        """Return a picture that belongs to the case, whatever its header says of that.

        Whose it is and of which side was compared when it came, and somebody has said yes to it
        where that did not fit.
        """
        still = self.shown(picture)
        if still.facts is None or picture.arrival is None:
            return still
        return replace(still, facts=replace(still.facts, side=None, patient_key=""))

    def _trail(self, case: Case) -> "_Trail":
        """Return the states in memory, begun from the prepared first picture where there are none.

        The case is held by the caller.
        """
        with self._guard:
            trail = self._trails.get(case.row.id)
            if trail is not None:
                self._trails.move_to_end(case.row.id)
                return trail
        first = first_picture(case)
        plates = [picture for picture in case.pictures if picture.role == "plate"]
        more = tuple(self.still(picture.row) for picture in plates[1:])
        plate, object_ = case.aside("plate"), _object(case)
        prepared = pipeline.prepare_reference(
            self._measurable(first),
            case.setup,
            self._settings,
            plate=self.still(plate.row) if plate else None,
            **({"more_plates": more} if more else {}),
            object_still=self.still(object_.row) if object_ else None,
        )
        if first.reference is None:
            self.store.add_result(case.row, first.row, "reference", to_text(prepared.result))
        trail = _Trail(pipeline.open_case(prepared))
        with self._guard:
            self._trails[case.row.id] = trail
            while len(self._trails) > _MOST_READY:
                self._trails.popitem(last=False)
        return trail


def _value(row: ResultRow) -> StillResult | ReferenceResult:
    if row.kind == "still":
        return from_text(StillResult, row.body)
    return from_text(ReferenceResult, row.body)


class _Trail:
    """The pipeline's state after each picture of a case, in order."""

    def __init__(self, opened: pipeline.CaseState) -> None:
        self.steps: list[_Step] = []
        self.states = [opened]

    def add(self, picture: CasePicture, state: pipeline.CaseState) -> None:
        """Go on by one picture."""
        self.steps.append(_step(picture))
        self.states.append(state)

    def cut(self, length: int) -> None:
        """Go back to the first ``length`` pictures."""
        del self.steps[length:], self.states[length + 1 :]


def _step(picture: CasePicture) -> _Step:
    return picture.number, picture.frame, picture.quiet


def picture_of(case: Case, number: int) -> CasePicture:
    """Return a case's picture by its number.

    Raises
    ------
    NotFound
    """
    for picture in case.pictures:
        if picture.number == number:
            return picture
    raise NotFound(f"Case {case.row.id} has no picture {number}.")


def first_picture(case: Case) -> CasePicture:
    """Return a case's first picture.

    Raises
    ------
    NotFound
    """
    if case.first is None:
        raise NotFound(f"Case {case.row.id} has no first picture.", hint="Add it first.")
    return case.first


def _object(case: Case) -> CasePicture | None:
    name = case.setup.scale.object_file
    return next((picture for picture in case.pictures if picture.row.name == name), None)
