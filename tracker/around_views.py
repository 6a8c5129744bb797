"""What the pages draw of a case beside the resection.

The clock face, eye and measurement, the case over its time, thinned bone along the rim.
"""

import math
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from tracker import around_charts, around_sums
from tracker.around import Around, Traction
from tracker.around_charts import ClockMark, Judged, Moment, Stretch
from tracker.around_sums import Anchors
from tracker.casebook import Case, CasePicture
from tracker.values import Reason, ReferenceResult, Removal
from tracker.views import lateral_on_the_right

_CLOCK: Final = 340
_WIDE: Final = (760, 420)
_TIME: Final = (760, 560)
_THIN: Final = (760, 360)
_TICKS_MIN: Final = (5, 10, 15, 30, 60, 120, 240)


@dataclass(frozen=True, slots=True)
class Exposures:
    """How many pictures a case took, and with how many kilovolts.

    Attributes
    ----------
    pictures : int
        Repeats of a picture left out, films too.
    measured : int
    kv : tuple of float
        One for each picture whose header says it.
    """

    pictures: int
    measured: int
    kv: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class ReviewBeside:
    """What Review shows beside the passes; a drawing is empty where there is nothing to draw.

    Attributes
    ----------
    eye : str
        The surgeon's own estimates beside the measurement.
    time : str
        Removed and left over the time of the case.
    thinned : dict
        Thinned bone along the rim, by the number of its picture.
    exposures : Exposures
    """

    eye: str
    time: str
    thinned: dict[int, str]
    exposures: Exposures


def beside_review(case: Case, around: Around, now: datetime) -> ReviewBeside:
    """Put together what Review shows beside the passes; ``around`` is what holds of the hip."""
    reference = case.reference
    thin: dict[int, str] = {}
    if reference is not None and reference.usable:
        for picture in case.stills:
            removal = _shown(picture)
            if removal is not None and removal.thinned is not None:
                thin[picture.number] = _thinned(picture.number, removal, reference, case)
    return ReviewBeside(eye(case), over_time(case, around.traction, now), thin, exposures(case))


def exposures(case: Case) -> Exposures:
    """Count a case's pictures."""
    counted = [
        picture
        for picture in case.pictures
        if picture.role in ("first", "still", "earlier", "set aside") and not _is_repeat(picture)
    ]
    facts = [picture.arrival.facts for picture in counted if picture.arrival]
    return Exposures(
        len(counted),
        sum(picture.is_measured for picture in counted),
        tuple(one.kv for one in facts if one.kv is not None),
    )


def _is_repeat(picture: CasePicture) -> bool:
    reasons = picture.result.reasons if picture.result else ()
    return bool(reasons) and reasons[0].reason == Reason.DUPLICATE


def clock_face(around: Around, anchors: Anchors | None) -> str:
    """Draw the clock face with the labrum's detached stretch and the anchors; empty without it."""
    said = around.labrum
    ends = (
        (around_sums.minutes(said.start), around_sums.minutes(said.end)) if said else (None, None)
    )
    is_in = {one.place for one in around.anchors}
    planned = anchors.places if anchors else ()
    places = dict.fromkeys((*planned, *is_in))
    if said is None and not places:
        return ""
    marks = [
        ClockMark(float(around_sums.minutes(place) or 0), place, place in is_in) for place in places
    ]
    zone = None if ends[0] is None or ends[1] is None else (float(ends[0]), float(ends[1]))
    inside = sum(mark.is_in for mark in marks)
    title = f"The rim's clock face: {len(marks)} anchors, {inside} of them in"
    if said is not None:
        title += f"; labrum detached from {said.start} to {said.end}"
    return around_charts.clock_face(_CLOCK, zone, marks, title)


def eye(case: Case) -> str:
    """Draw the surgeon's own estimates beside the measurement; empty while there is none."""
    said = {one.number: one.removed_mm for one in case.around.estimates}
    if not any(mm is not None for mm in said.values()):
        return ""
    judged = []
    for picture in case.stills:
        removal = _shown(picture)
        if picture.number in said or removal is not None:
            measured = removal.recession_mm if removal else None
            judged.append(Judged(picture.number, said.get(picture.number), measured))
    title = "The surgeon's own estimates beside the measurement, picture by picture"
    return around_charts.eye_chart(*_WIDE, judged, title)


def over_time(case: Case, clock: Traction, now: datetime) -> str:
    """Draw removed and left over the time of the case; empty while there is none to measure."""
    if case.first is None or not case.stills:
        return ""
    start = case.first.row.received_at
    taken = dict(zip(case.timeline.order, case.timeline.taken_s, strict=True))

    def minute(at: datetime) -> float:
        return (at - start).total_seconds() / 60

    moments = []
    for picture in case.stills:
        if picture.withheld and picture.is_measured:
            continue
        removal = _shown(picture)
        moments.append(
            Moment(
                minute(_taken_at(picture, taken)),
                picture.number,
                removal.recession_mm if removal else None,
                removal.remaining_mm if removal else None,
            )
        )
    if not moments:
        return ""
    stretches = [
        Stretch(minute(spell.on_at), minute(spell.off_at or clock.ends_at or now), "traction")
        for spell in clock.spells
    ]
    last = max([moment.minute for moment in moments] + [s.to_minute for s in stretches])
    first = min([0.0] + [s.from_minute for s in stretches])
    ticks = _ticks(start, first, last)
    title = "Removed and left over the time of the case, with intervals that hold 19 times in 20"
    return around_charts.over_time(*_TIME, moments, stretches, ticks, title)


def _taken_at(picture: CasePicture, taken: dict[int, float]) -> datetime:
    """Return when a picture was taken, by our clock; when it came where that is not known."""
    came = picture.row.received_at
    at_s = taken.get(picture.number)
    return came if at_s is None else datetime.fromtimestamp(at_s, came.tzinfo)


def _ticks(start: datetime, first: float, last: float) -> list[tuple[float, str]]:
    """Return round times of day with their minutes from the first picture."""
    step = next((s for s in _TICKS_MIN if (last - first) / s <= 8), _TICKS_MIN[-1])
    local = start.astimezone()
    midnight = local.replace(hour=0, minute=0, second=0, microsecond=0)
    since = (local - midnight).total_seconds() / 60
    found = []
    for k in range(math.ceil((since + first) / step), math.floor((since + last) / step) + 1):
        at = midnight + timedelta(minutes=k * step)
        found.append((k * step - since, at.strftime("%H:%M")))
    # A case that is over before a round time comes still says when it was.
    return found or [(0.0, local.strftime("%H:%M:%S"))]


def _thinned(number: int, removal: Removal, reference: ReferenceResult, case: Case) -> str:
    if removal.thinned is None:
        return ""
    return around_charts.thinned_strip(
        *_THIN,
        removal.thinned.profile,
        lateral_on_the_right=lateral_on_the_right(reference, case),
        title=f"Thinned bone along the rim on picture {number}",
    )


def _shown(picture: CasePicture) -> Removal | None:
    """Return a picture's numbers where they may be shown."""
    return picture.result.removal if picture.result and picture.counts else None
