"""The only place where steps meet, one still after another.

Reading order: :func:`tracker.prepare.prepare_reference` for the first picture, then
:func:`measure_still`.  Nothing here reads a file, a clock or a random number; the state that one
picture leaves for the next is a value.
"""

import math
from dataclasses import dataclass, replace

from tracker import crosscheck, duplicate, field, plates, register, squaring, verdict
from tracker.duplicate import Fingerprint
from tracker.measurable import Measurable
from tracker.prepare import PreparedReference, prepare_reference, propose_marks, radiograph
from tracker.removal import Total, removal, rim_path
from tracker.settings import DEFAULTS, Settings
from tracker.thinning import Untouched, thinned_bone
from tracker.values import (
    ExposedField,
    HeaderFacts,
    NotMeasurable,
    Radiograph,
    Reason,
    Registration,
    Removal,
    Still,
    StillResult,
)

__all__ = [
    "CaseState",
    "PreparedReference",
    "beside",
    "measure_still",
    "open_case",
    "prepare_reference",
    "propose_marks",
]


@dataclass(frozen=True, eq=False, slots=True)
class Registered:
    """A picture in its right polarity, and where the pelvis lies on it."""

    picture: Radiograph
    registration: Registration


@dataclass(frozen=True, eq=False, slots=True)
class CaseState:
    """What the pictures so far leave for the next one."""

    reference: PreparedReference
    results: tuple[StillResult, ...] = ()
    fingerprints: tuple[Fingerprint, ...] = ()
    totals: tuple[Total, ...] = ()
    registration: Registration | None = None
    zeros: tuple[Untouched, ...] = ()
    headers: tuple[HeaderFacts, ...] = ()


def open_case(reference: PreparedReference) -> CaseState:
    """Begin a case with its prepared reference."""
    known = () if reference.measurable is None else (reference.measurable.fingerprint,)
    headers = () if reference.facts is None else (reference.facts,)
    return CaseState(reference, fingerprints=known, headers=headers)


def measure_still(
    still: Still, state: CaseState, settings: Settings = DEFAULTS
) -> tuple[StillResult, CaseState]:
    """Judge and measure the next picture of a case.

    Parameters
    ----------
    still : Still
        Any turn, shift, zoom and polarity.
    state : CaseState
    settings : Settings

    Returns
    -------
    result : StillResult
        ``elapsed_ms`` is 0: the caller has the clock.
    state : CaseState
        With this picture taken in; a refused picture changes no total.
    """
    known = state.reference.measurable
    if known is None:
        return _refused(still, state, NotMeasurable(Reason.REFERENCE_UNUSABLE))
    first, side = state.reference.facts, known.setup.side
    said = crosscheck.against_case(still.facts, side)
    said = crosscheck.against_pictures(still.facts, first, state.headers) or said
    if said is not None:
        return _refused(still, state, said)
    exposed = field.expose(still, settings)
    if isinstance(exposed, NotMeasurable):
        return _refused(still, state, exposed)
    if still.facts is not None:
        state = replace(state, headers=(*state.headers, still.facts))
    print_ = duplicate.fingerprint(still, exposed, settings)
    for earlier in state.fingerprints:
        if duplicate.same_exposure(print_, earlier, settings):
            return _refused(
                still,
                state,
                NotMeasurable(Reason.DUPLICATE, f"This is the same picture as {earlier.name}."),
            )
    state = replace(state, fingerprints=(*state.fingerprints, print_))
    plate = plates.for_picture(known.plates, still)
    if isinstance(plate, NotMeasurable):
        return _refused(still, state, plate)
    # Where plates were taken in several positions, this picture may be bent otherwise.
    here = replace(known, rectification=plate.rectification) if plate else known
    seen = _registered(still, exposed, here, state.registration, settings)
    if not isinstance(seen, Registered):
        return _refused(still, state, *seen)
    picture, registration = seen.picture, seen.registration
    path = rim_path(picture, registration, known, settings)
    if isinstance(path, NotMeasurable):
        return _refused(still, state, path)
    found, total, remaining = removal(
        registration, path, known, state.totals, settings, rectification=here.rectification
    )
    reasons = verdict.judge_number(found.recession_mm, registration, settings)
    if reasons:
        return _refused(still, state, *reasons)
    thin, untouched = thinned_bone(
        picture, registration, found.recession_mm, here, state.zeros, still.name, settings
    )
    if isinstance(thin, NotMeasurable):
        found = replace(found, thinned_why=thin)
    else:
        found = replace(found, thinned=thin)
    result = StillResult(
        still.name,
        still.sha256,
        "measured",
        (),
        0.0,
        found,
        remaining.message,
        remaining.limits,
        (
            *_notes(found, state),
            *squaring.remark(still),
            *plates.remark(known.plates, plate, still),
            *crosscheck.remarks(still.facts, first, found.beam, side),
        ),
    )
    after = replace(
        state,
        results=(*state.results, result),
        totals=(*state.totals, total),
        registration=registration,
        zeros=_zeros(state, found, untouched, settings),
    )
    return result, after


def beside(before: CaseState, after: CaseState) -> CaseState:
    """Return the state after a picture that is no pass: nothing but its grain is remembered.

    Parameters
    ----------
    before, after : CaseState
        Before and after it was measured.
    """
    return replace(before, fingerprints=after.fingerprints, headers=after.headers)


def _zeros(
    state: CaseState, found: Removal, untouched: Untouched | None, settings: Settings
) -> tuple[Untouched, ...]:
    """Pictures of the untouched rim, with this one where it still shows it."""
    own, recession = settings.thinned, found.recession_mm
    measured = [result.removal for result in state.results if result.removal is not None]
    burred = any(earlier.recession_mm.low > 0 for earlier in measured)
    reads_nothing = recession.low <= 0 <= recession.high
    if untouched is None or burred or not reads_nothing or recession.u > own.most_zero_u_mm:
        return state.zeros
    return (*state.zeros, untouched)[: own.most_zero_pictures]


def _refused(
    still: Still, state: CaseState, *reasons: NotMeasurable
) -> tuple[StillResult, CaseState]:
    result = StillResult(still.name, still.sha256, "refused", reasons, 0.0)
    return result, replace(state, results=(*state.results, result))


def _notes(removal: Removal, state: CaseState) -> tuple[str, ...]:
    """Remarks on a measured picture."""
    notes = []
    measured = [result.removal for result in state.results if result.removal is not None]
    if not measured:
        low, high = removal.recession_mm.low, removal.recession_mm.high
        if not low <= 0 <= high:
            notes.append("The first compared picture does not read 0: no zero picture was taken.")
    else:
        last = measured[-1].recession_mm
        fall = last.value - removal.recession_mm.value
        if fall > 2 * math.hypot(last.u, removal.recession_mm.u):
            notes.append(
                f"It reads {fall:.1f} mm less removed than the picture before: a fault of pose."
            )
    if removal.hidden_share > 0.05:
        notes.append(f"{100 * removal.hidden_share:.0f} % of the outline is hidden.")
    return tuple(notes)


def _registered(
    still: Still,
    exposed: ExposedField,
    known: Measurable,
    earlier: Registration | None,
    settings: Settings,
) -> Registered | tuple[NotMeasurable, ...]:
    """The picture's attenuation and where the pelvis lies on it, or why it can't be told.

    Grey values alone can mislead about polarity where a flank is over-exposed; where the pelvis
    is not found in one polarity, the other is tried.
    """
    picture = radiograph(still, settings, known.rectification, exposed)
    if isinstance(picture, NotMeasurable):
        return (picture,)
    found = _judged(picture, known, earlier, settings)
    if isinstance(found, Registered) or found[0].reason is Reason.MIRRORED:
        return found
    if register.polarity_agrees(known.template, picture, settings):
        return found
    inverted = not picture.bone_bright
    turned = radiograph(still, settings, known.rectification, exposed, bone_bright=inverted)
    return found if isinstance(turned, NotMeasurable) else _judged(turned, known, None, settings)


def _judged(
    picture: Radiograph, known: Measurable, earlier: Registration | None, settings: Settings
) -> Registered | tuple[NotMeasurable, ...]:
    """A registration that can carry a measurement, or the reasons against it."""
    found = register.register(known.template, picture, settings, earlier=earlier)
    if isinstance(found, NotMeasurable):
        return (found,)
    reasons = verdict.judge_registration(found, settings)
    return reasons or Registered(picture, found)
