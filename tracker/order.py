"""A case as a piece of work: set-up and bytes in, results out; whoever does it needs no record.

The pictures of a case depend on their order, so the case is the unit.  An order is plain text with
the pictures' bytes behind it; the answer is plain text.  Both may go to another process or another
machine, and the same order gives the same answer there, bit for bit.
"""

import hashlib
import json
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from typing import Any, Final, overload

from tracker import build, casebook, sequence
from tracker.casebook import Case, CasePicture
from tracker.decoding import SHARED
from tracker.errors import TrackerError, UnreadableImage
from tracker.logbook import NEW_SERIES
from tracker.record import EventRow, PictureRow, decode, encode, to_text
from tracker.sequence import Found
from tracker.settings import Settings
from tracker.values import CaseSetup, NotMeasurable, Reason, ReferenceResult, StillResult

Clock = Callable[[], float]
"""Seconds from any origin."""

OTHER_SOFTWARE: Final = "The worker runs other software than this; install the same there."


@dataclass(frozen=True, slots=True)
class Part:
    """One picture of an order.

    Attributes
    ----------
    number : int
    name : str
    sha256 : str
    bytes : int
    frame : int or None
        Which frame of a run somebody asked for.
    believed : bool
        False where its outline was found wrong: nothing builds on it.
    quiet : bool
        No burring was going on: it is measured, and enters no total.
    known : bool
        Whose it is was compared when it came.
    """

    number: int
    name: str
    sha256: str
    bytes: int
    frame: int | None = None
    believed: bool = True
    quiet: bool = False
    known: bool = False


@dataclass(frozen=True, eq=False, slots=True)
class Series:
    """Pictures to be measured against one first picture."""

    setup: CaseSetup
    first: Part
    stills: tuple[Part, ...]
    plate: Part | None = None
    object_picture: Part | None = None
    more_plates: tuple[Part, ...] = ()


@dataclass(frozen=True, eq=False, slots=True)
class Order:
    """What is to be measured of a case.

    Attributes
    ----------
    case_id : str
    build : str
        The software that asks; another one must not answer.
    settings : Settings
    series : tuple of Series
    """

    case_id: str
    build: str
    settings: Settings
    series: tuple[Series, ...]

    @property
    def parts(self) -> tuple[Part, ...]:
        """Every file that is needed, once, in the order in which their bytes are sent."""
        found = {part.sha256: part for one in self.series for part in _parts(one)}
        return tuple(found.values())

    @property
    def pictures(self) -> int:
        """Number of pictures that get a result."""
        return sum(1 + len(one.stills) for one in self.series)

    def digest(self) -> str:
        """Return a hash over everything that the answer depends on."""
        return hashlib.sha256(to_text(self).encode()).hexdigest()


@dataclass(frozen=True, slots=True)
class Measured:
    """One result of an answer: ``kind`` and ``body`` as the record keeps them, and its time."""

    number: int
    kind: str
    body: str
    elapsed_ms: float


def _parts(one: Series) -> Iterator[Part]:
    yield one.first
    yield from one.stills
    for aside in (one.plate, *one.more_plates, one.object_picture):
        if aside is not None:
            yield aside


# --- from the record ---------------------------------------------------------------------


def order_of(
    case: Case,
    events: tuple[EventRow, ...],
    pictures: tuple[PictureRow, ...],
    results: dict[int, Any],
    settings: Settings,
) -> Order:
    """Say what is to be measured of a case, with the marks that were agreed.

    Parameters
    ----------
    case : Case
    events : tuple of EventRow
        Its journal.
    pictures : tuple of PictureRow
    results : dict
        As :func:`tracker.casebook.read_case` takes them.
    settings : Settings

    Returns
    -------
    Order
        Without a series where no marks were agreed.
    """
    wrong = {picture.number for picture in case.pictures if picture.distrusted}
    # Each earlier series is read as it stood when the next one began.
    ends = [k for k, event in enumerate(events) if event.kind == NEW_SERIES]
    stages = [casebook.read_case(case.row, events[:k], pictures, results) for k in ends]
    series = [found for one in (*stages, case) if (found := _series(one, wrong)) is not None]
    return Order(case.row.id, build.digest(), settings, tuple(series))


def _series(case: Case, wrong: set[int]) -> Series | None:
    if case.first is None or case.setup.marks is None:
        return None
    name = case.setup.scale.object_file
    shown = next((one for one in case.pictures if name is not None and one.row.name == name), None)
    return Series(
        case.setup,
        _part(case.first, wrong),
        tuple(_part(one, wrong) for one in case.stills),
        _aside(case.aside("plate")),
        _aside(shown),
        tuple(_aside(one) for one in case.pictures if one.role == "plate")[1:],
    )


def _part(picture: CasePicture, wrong: set[int]) -> Part:
    row = picture.row
    return Part(
        row.number,
        row.name,
        row.sha256,
        row.bytes,
        picture.frame,
        believed=row.number not in wrong,
        quiet=picture.quiet,
        known=picture.arrival is not None,
    )


@overload
def _aside(picture: CasePicture) -> Part: ...
@overload
def _aside(picture: CasePicture | None) -> Part | None: ...
def _aside(picture: CasePicture | None) -> Part | None:
    """Return a picture that is kept for another use: it is read as it is."""
    if picture is None:
        return None
    row = picture.row
    return Part(row.number, row.name, row.sha256, row.bytes)


# --- the work ----------------------------------------------------------------------------


def answer(order: dict[str, Any], data: bytes, clock: Clock) -> str:
    """Do an order.

    Parameters
    ----------
    order : dict
        An :class:`Order`, encoded.
    data : bytes
        The bytes of its parts, one behind the other.
    clock : callable
        Gives seconds, for the time that each picture takes; no result depends on it.

    Returns
    -------
    str
        JSON text of ``results``, or of why there are none (``failed``).
    """
    if order.get("build") != build.digest():
        return _text({"failed": OTHER_SOFTWARE})
    try:
        wanted = decode(Order, order)
        found = [asdict(one) for one in _measured(wanted, data, clock)]
    except TrackerError as error:
        return _text({"failed": error.message})
    except Exception as error:  # noqa: BLE001  one case's failure must not stop the others
        return _text({"failed": f"Internal error, {type(error).__name__}."})
    return _text({"results": found})


def results_in(text: str) -> tuple[tuple[Measured, ...], str]:
    """Read an answer: results, or why there are none."""
    try:
        plain = json.loads(text)
        if "failed" in plain:
            return (), str(plain["failed"])
        return tuple(Measured(**one) for one in plain["results"]), ""
    except (ValueError, TypeError, KeyError):
        return (), "The worker's answer can't be read."


def _measured(order: Order, data: bytes, clock: Clock) -> Iterator[Measured]:
    files, start = {}, 0
    for part in order.parts:
        files[part.sha256] = data[start : start + part.bytes]
        start += part.bytes
    for series in order.series:
        yield from _series_measured(series, files, order.settings, clock)


def _series_measured(
    series: Series, files: dict[str, bytes], settings: Settings, clock: Clock
) -> Iterator[Measured]:
    def found(part: Part) -> Found:
        data, limits = files[part.sha256], settings.images
        try:
            still = SHARED.decode(data, part.name, limits, part.frame)
        except UnreadableImage as error:
            return NotMeasurable(Reason.UNREADABLE, f"{error.message}.")
        return sequence.of_the_case(still) if part.known else still

    started = clock()
    so_far = sequence.begin(
        series.first.name,
        found(series.first),
        series.setup,
        settings,
        plate=found(series.plate) if series.plate else None,
        more_plates=tuple(map(found, series.more_plates)),
        object_still=found(series.object_picture) if series.object_picture else None,
    )
    yield _one(series.first, "reference", so_far.reference, 1000 * (clock() - started))
    for part in series.stills:
        still = found(part)
        started = clock()
        result, after = sequence.go_on(part.name, still, so_far, settings, quiet=part.quiet)
        yield _one(part, "still", result, 1000 * (clock() - started))
        # Nothing builds on an outline that somebody found wrong.
        so_far = after if part.believed else so_far


def _one(
    part: Part, kind: str, result: StillResult | ReferenceResult, elapsed_ms: float
) -> Measured:
    return Measured(part.number, kind, to_text(result), elapsed_ms)


def _text(plain: dict[str, Any]) -> str:
    return json.dumps(plain, sort_keys=True, allow_nan=False)


def plain_of(order: Order) -> dict[str, Any]:
    """Return an order as it is sent."""
    plain: dict[str, Any] = encode(order)
    return plain
