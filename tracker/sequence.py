"""A first picture and those after it, measured in order: the way of replays and of remeasuring.

The pictures come decoded, or with the reason why they can't be; nothing here reads or writes.
"""

from dataclasses import dataclass, replace

from tracker import pipeline
from tracker.pipeline import CaseState
from tracker.settings import DEFAULTS, Settings
from tracker.values import CaseSetup, NotMeasurable, Reason, ReferenceResult, Still, StillResult

Found = Still | NotMeasurable
"""A decoded picture, or why it can't be read."""


@dataclass(frozen=True, eq=False, slots=True)
class Sequence:
    """A sequence as far as it has come.

    Attributes
    ----------
    reference : ReferenceResult
    state : CaseState or None
        What the next picture is measured with; None where the first one can't be used.
    """

    reference: ReferenceResult
    state: CaseState | None


def begin(
    name: str,
    first: Found,
    setup: CaseSetup,
    settings: Settings = DEFAULTS,
    *,
    plate: Found | None = None,
    more_plates: tuple[Found, ...] = (),
    object_still: Found | None = None,
) -> Sequence:
    """Begin a sequence with its first picture, or say which of the pictures it needs is missing.

    Parameters
    ----------
    name : str
        Of the first picture.
    first, plate, object_still : Still, NotMeasurable or None
    more_plates : tuple of Still or NotMeasurable
        Bead plates of other C-arm positions.
    setup : CaseSetup
    settings : Settings

    Returns
    -------
    Sequence
    """
    bad = next((one for one in more_plates if isinstance(one, NotMeasurable)), None)
    more = tuple(one for one in more_plates if isinstance(one, Still))
    stills: list[Still | None] = []
    for reason, found in (
        (Reason.UNREADABLE, first),
        (Reason.GRID_UNUSABLE, bad or plate),
        (Reason.SCALE_UNUSABLE, object_still),
    ):
        if isinstance(found, NotMeasurable):
            why = NotMeasurable(reason, found.detail)
            marks = setup.marks.source if setup.marks else "proposed"
            return Sequence(ReferenceResult(file=name, marks=marks, reasons=(why,)), None)
        stills.append(found)
    picture, plate_still, object_picture = stills
    assert picture is not None  # a sequence has a first picture
    prepared = pipeline.prepare_reference(
        picture,
        setup,
        settings,
        plate=plate_still,
        object_still=object_picture,
        **({"more_plates": more} if more else {}),
    )
    return Sequence(prepared.result, pipeline.open_case(prepared))


def go_on(
    name: str,
    found: Found,
    sequence: Sequence,
    settings: Settings = DEFAULTS,
    *,
    quiet: bool = False,
) -> tuple[StillResult, Sequence]:
    """Measure the next picture.

    Parameters
    ----------
    name : str
        Of the picture.
    found : Still or NotMeasurable
    sequence : Sequence
    settings : Settings
    quiet : bool
        No burring was going on: no total is built on it.

    Returns
    -------
    result : StillResult
        ``elapsed_ms`` is 0: the caller has the clock.
    sequence : Sequence
        With this picture taken in.
    """
    if isinstance(found, NotMeasurable):
        return _refused(name, found), sequence
    if sequence.state is None or not sequence.reference.usable:
        return _refused(name, NotMeasurable(Reason.REFERENCE_UNUSABLE), found.sha256), sequence
    result, state = pipeline.measure_still(found, sequence.state, settings)
    state = pipeline.beside(sequence.state, state) if quiet else state
    return result, replace(sequence, state=state)


def of_the_case(still: Still) -> Still:
    """Return a picture that belongs to the case, whatever its header says of that.

    Whose it is and of which side was compared when it came, and somebody has said yes to it where
    that did not fit.
    """
    if still.facts is None:
        return still
    return replace(still, facts=replace(still.facts, side=None, patient_key=""))


def _refused(name: str, why: NotMeasurable, sha256: str = "") -> StillResult:
    return StillResult(file=name, sha256=sha256, verdict="refused", reasons=(why,), elapsed_ms=0.0)
