"""Pictures as they come in: kept without names, held back where they do not fit, put in order.

A picture whose header names another patient, the other side or another examination is kept and
measured only when somebody has said that it belongs to the case: in two steps, or in one where
nothing but the examination is another.
"""

import hashlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

from tracker import arrival, casebook, gallery, logbook
from tracker.arrival import Arrival, Order, What
from tracker.casebook import Case, CasePicture, UnreadableNote
from tracker.errors import InputError, UnreadableImage
from tracker.identity import Kept
from tracker.ledger import Ledger, picture_of
from tracker.settings import Settings
from tracker.values import HeaderFacts, Still, StillResult

_IN_THE_CASE: Final = ("first", "still", "earlier", "held")


@dataclass(frozen=True, eq=False, slots=True)
class Added:
    """What became of a picture that came in.

    Attributes
    ----------
    number : int or None
        Its number within the case; None where the file is no picture.
    is_new : bool
        False when the case already held the same bytes; then nothing was added.
    result : StillResult or None
        None for the first picture, for one that is held, and while the first picture's marks are
        not agreed.
    rehearsed : bool
        It is a rehearsal's picture, and no picture of the case.
    held : tuple of str
        What of its header does not fit the case: it waits for somebody to say that it belongs.
    """

    number: int | None
    is_new: bool
    result: StillResult | None
    rehearsed: bool = False
    held: tuple[What, ...] = ()


@dataclass(frozen=True, slots=True)
class Beside:
    """What else is done with each picture.

    Attributes
    ----------
    takes : callable
        Takes a rehearsal's picture and says so.
    """

    takes: Callable[[str, bytes, str, Still], bool]


class Intake:
    """Takes pictures into cases.

    Parameters
    ----------
    ledger : Ledger
    settings : Settings
    clock : callable
        Gives the present time with its time zone.
    beside : Beside
    """

    def __init__(
        self, ledger: Ledger, settings: Settings, clock: Callable[[], datetime], beside: Beside
    ) -> None:
        self._ledger = ledger
        self._settings = settings
        self._clock = clock
        self._beside = beside

    def take(
        self,
        case_id: str,
        data: bytes,
        name: str,
        *,
        as_zero: bool = False,
        frame: int | None = None,
        from_archive: bool = False,
        before: CasePicture | None = None,
    ) -> Added:
        """Take in a picture; see :meth:`tracker.service.Service.add_picture`.

        ``from_archive``: it comes with others in the order of a folder, long after it was taken,
        and somebody has put them together: neither its time nor its examination is looked at.
        ``before``: it is the kept copy of this picture of another case; whom it names and how far
        the C-arm's clock was off are known from there.
        """
        ledger, name = self._ledger, name[:255]
        case = ledger.case(case_id)
        if case.log.closed:
            raise InputError(f"Case {case_id} is closed.", hint="Open it again on Pictures.")
        with ledger.alone(case_id):
            still, kept = self._read(case_id, data, name, frame)
            if before is not None and before.arrival is not None:
                kept = replace(kept, who=before.arrival.who)
            if self._beside.takes(case_id, data, name, still):
                return Added(None, False, None, rehearsed=True)
            case = ledger.case(case_id)
            known = self._in_the_case(case, kept)
            differs = () if known else self._differs(case, kept, from_archive=from_archive)
            if kept.facts is not None and still.facts is not None and known is None:
                lag_s = self._lag_s(still.facts, before, from_archive=from_archive)
                facts = replace(kept.facts, averaged=still.facts.averaged)
                self._note_arrival(case, replace(kept, facts=facts), lag_s, differs)
            role = "held" if differs else "still"
            row, is_new = ledger.store.keep_picture(case.row, kept.data, name, role)
            case = ledger.reread(case_id)
            self.note_original(case, row.number, data, kept)
            if picture_of(case, row.number).role not in _IN_THE_CASE:
                joined = {"number": row.number, "role": role}
                case, is_new = ledger.append(case, casebook.JOINED, joined), True
            elif known is not None and frame is not None and known.frame != kept.frame:
                case = self._choose(case, known, kept.frame)
            if as_zero and is_new and picture_of(case, row.number).role == "still":
                ledger.append(case, logbook.ZERO, {"number": row.number})
            case = ledger.measure_waiting(case_id)
        if is_new or frame is not None:
            ledger.tell(case)
        return Added(row.number, is_new, picture_of(case, row.number).result, held=differs)

    def keep_aside(self, case_id: str, data: bytes, name: str, role: casebook.Role) -> None:
        """Keep a picture that is not one of the sequence, or not yet."""
        still = self._ledger.decode(data, name)
        kept = self._ledger.keep(data, still)
        case = self._ledger.case(case_id)
        with self._ledger.alone(case_id):
            row, _ = self._ledger.store.keep_picture(case.row, kept.data, name, role)
            self.note_original(self._ledger.reread(case_id), row.number, data, kept)

    def note_original(self, case: Case, number: int, data: bytes, kept: Kept) -> None:
        """Write down the hash of a file of which a copy is kept; keep it too if that is set."""
        digest = kept.original_sha256
        if not digest or digest in case.originals:
            return
        if self._settings.identity.keep_original:
            self._ledger.store.keep_original(digest, data)
        self._ledger.append(case, casebook.ORIGINAL, {"number": number, "sha256": digest})

    # --- what is held --------------------------------------------------------------------

    def belongs(self, case_id: str, number: int, word: str = "") -> Case:
        """Say that a held picture belongs to the case; it is then measured.

        Parameters
        ----------
        case_id : str
        number : int
        word : str
            :func:`word_for` the picture, as proof that what differs has been looked at; not needed
            where only the examination is another.

        Returns
        -------
        Case

        Raises
        ------
        InputError
            The picture is not held, or the second step is missing.
        """
        self._ledger.case(case_id)
        with self._ledger.alone(case_id):
            case = self._ledger.case(case_id)
            held = _held(case, number)
            if needs_two_steps(held) and word != word_for(case, held):
                raise InputError(
                    f"Picture {number} does not fit this case: {' and '.join(_seen(held))}.",
                    hint="Look at what differs, then say a second time that it belongs.",
                )
            case = self._ledger.append(case, arrival.BELONGS, {"number": number})
            # What was said of one picture holds for others that differ in the same way.
            for other in case.held:
                came = other.arrival
                known = _accepted(case)
                if came and not arrival.differences(came.facts, came.who, known, case.setup.side):
                    case = self._ledger.append(case, arrival.BELONGS, {"number": other.number})
            case = self._ledger.measure_waiting(case_id)
        self._ledger.tell(case)
        return case

    def belongs_not(self, case_id: str, number: int) -> Case:
        """Set a held picture aside: it is no picture of this case.

        Raises
        ------
        InputError
            The picture is not held.
        """
        self._ledger.case(case_id)
        with self._ledger.alone(case_id):
            case = self._ledger.case(case_id)
            _held(case, number)
            case = self._ledger.append(case, arrival.BELONGS_NOT, {"number": number})
        self._ledger.tell(case)
        return case

    # --- frames and order ----------------------------------------------------------------

    def choose_frame(self, case_id: str, number: int, frame: int) -> Case:
        """Measure another frame of a run.

        Parameters
        ----------
        case_id : str
        number : int
        frame : int
            Counted from 0.

        Raises
        ------
        InputError
            The picture is no run, has no such frame, or is the first one and has its marks.
        """
        self._ledger.case(case_id)
        with self._ledger.alone(case_id):
            case = self._ledger.case(case_id)
            case = self._choose(case, picture_of(case, number), frame)
            case = self._ledger.measure_waiting(case_id)
        self._ledger.tell(case)
        return case

    def order_by(self, case_id: str, *, as_they_came: bool) -> Case:
        """Say whether the C-arm's clock puts pictures in order; totals are made again."""
        self._ledger.case(case_id)
        with self._ledger.alone(case_id):
            case = self._ledger.case(case_id)
            if case.as_they_came == as_they_came:
                return case
            self._ledger.append(case, arrival.ORDER, Order(as_they_came))
            case = self._ledger.measure_waiting(case_id)
        self._ledger.tell(case)
        return case

    def word(self, case_id: str, number: int) -> str:
        """Return the word by which :meth:`belongs` knows that a held picture was looked at."""
        case = self._ledger.case(case_id)
        return word_for(case, _held(case, number))

    def size(self, case_id: str, number: int) -> tuple[int, int]:
        """Return a picture's width and height in pixels."""
        picture = picture_of(self._ledger.case(case_id), number)
        height, width = self._ledger.shown(picture).grey.shape
        return width, height

    def frame_png(self, case_id: str, number: int, frame: int) -> bytes:
        """Return one frame of a run as PNG.

        Raises
        ------
        UnreadableImage
            There is no such frame.
        """
        row = picture_of(self._ledger.case(case_id), number).row
        data = self._ledger.store.picture_bytes(row)
        return gallery.recorded_png(self._ledger.decode(data, row.name, frame))

    # --- inside --------------------------------------------------------------------------

    def _read(self, case_id: str, data: bytes, name: str, frame: int | None) -> tuple[Still, Kept]:
        """Return the picture and what is kept of it; write down what is no picture, once."""
        ledger = self._ledger
        try:
            still = ledger.decode(data, name, frame)
            if frame is not None and still.facts is None:
                raise InputError(f"{name} is no run of several frames.")
            return still, ledger.keep(data, still, frame)
        except UnreadableImage as error:
            case = ledger.case(case_id)
            digest = hashlib.sha256(data).hexdigest()
            if not case.knows_unreadable(digest):
                note = UnreadableNote(name, error.message, sha256=digest)
                ledger.tell(ledger.append(case, casebook.UNREADABLE, note))
            raise

    def _in_the_case(self, case: Case, kept: Kept) -> CasePicture | None:
        digest = hashlib.sha256(kept.data).hexdigest()
        chosen = (one for one in case.pictures if one.role in _IN_THE_CASE)
        return next((one for one in chosen if one.row.sha256 == digest), None)

    def _differs(self, case: Case, kept: Kept, *, from_archive: bool) -> tuple[What, ...]:
        if kept.facts is None:
            return ()
        found = arrival.differences(kept.facts, kept.who, _accepted(case), case.setup.side)
        return tuple(what for what in found if not (from_archive and what == "study"))

    def _lag_s(
        self, facts: HeaderFacts, before: CasePicture | None, *, from_archive: bool
    ) -> float | None:
        if from_archive:
            return None
        if before is None:
            return arrival.lag(facts.acquired, self._clock())
        if before.arrival is None or before.arrival.lag_s is None:
            return None
        # A copy's date is moved; how far it lags goes on growing while it waits.
        waited = self._clock() - before.row.received_at
        return before.arrival.lag_s + waited.total_seconds()

    def _note_arrival(
        self, case: Case, kept: Kept, lag_s: float | None, differs: tuple[What, ...]
    ) -> None:
        """Write down what a header says before its picture is kept, so that neither is alone."""
        assert kept.facts is not None
        came = Arrival(
            hashlib.sha256(kept.data).hexdigest(),
            kept.facts,
            kept.who,
            lag_s,
            differs,
            kept.frame,
        )
        self._ledger.append(case, arrival.ARRIVED, came)

    def _choose(self, case: Case, picture: CasePicture, frame: int | None) -> Case:
        facts = picture.arrival.facts if picture.arrival else None
        frames = facts.frames if facts else 1
        if frame is None or frames == 1:
            raise InputError(f"Picture {picture.number} is no run of several frames.")
        if not 0 <= frame < frames:
            raise InputError(
                f"The run has {frames} frames, so there is no frame {frame + 1}.",
                hint="Ask for another frame.",
            )
        if picture.role == "first" and case.setup.marks is not None:
            raise InputError(
                "The marks are on the frame that was shown.",
                hint="Set the first picture aside and bring it again.",
            )
        if picture.frame == frame:
            return case
        said = {"number": picture.number, "frame": frame}
        return self._ledger.append(case, arrival.FRAME, said)


def needs_two_steps(picture: CasePicture) -> bool:
    """Tell whether a held picture may be of somebody else, or of the other hip."""
    return picture.arrival is None or set(picture.arrival.differs) != {"study"}


def word_for(case: Case, picture: CasePicture) -> str:
    """Return the word that shows that a held picture has been looked at."""
    seen = ",".join(picture.arrival.differs) if picture.arrival else ""
    text = f"{case.row.id}\0{picture.number}\0{picture.row.sha256}\0{seen}"
    return hashlib.sha256(text.encode()).hexdigest()[:12]


_SEEN: Final[dict[What, str]] = {
    "patient": "another patient's",
    "side": "of the other side",
    "study": "of another examination",
}


def _seen(picture: CasePicture) -> tuple[str, ...]:
    differs = picture.arrival.differs if picture.arrival else ()
    return tuple(f"by its header it is {_SEEN[what]}" for what in differs)


def _held(case: Case, number: int) -> CasePicture:
    picture = picture_of(case, number)
    if picture.role != "held":
        raise InputError(f"Picture {number} is not held.")
    return picture


def _accepted(case: Case) -> tuple[Arrival, ...]:
    """Return what the headers said of the pictures that belong to the case."""
    return tuple(
        picture.arrival
        for picture in case.pictures
        if picture.arrival and picture.role in ("first", "still", "earlier")
    )
