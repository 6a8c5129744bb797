"""What a header says, against the case, the first picture and what the picture itself shows.

A header can stop a picture (another side, another patient, an instance that was here before) and
can be contradicted; it never gives a number.
"""

import math
from collections.abc import Iterable
from typing import Final

from tracker.positioner import turned
from tracker.values import BeamDirection, HeaderFacts, NotMeasurable, Reason, Side

_AGREES_DEG: Final = 2.0
"""C-arm scales are read to about a degree; two pictures make a difference of two readings."""


def against_case(facts: HeaderFacts | None, side: Side) -> NotMeasurable | None:
    """Compare the side that a header names with the case's.

    Parameters
    ----------
    facts : HeaderFacts or None
    side : {"left", "right"}

    Returns
    -------
    NotMeasurable or None
    """
    if facts is None or facts.side is None or facts.side == side:
        return None
    return NotMeasurable(
        Reason.WRONG_SIDE, f"The file says {facts.side} hip; the case is of the {side} one."
    )


def against_pictures(
    facts: HeaderFacts | None, first: HeaderFacts | None, earlier: Iterable[HeaderFacts]
) -> NotMeasurable | None:
    """Compare a header with those of the first picture and of all before.

    Parameters
    ----------
    facts, first : HeaderFacts or None
    earlier : iterable of HeaderFacts

    Returns
    -------
    NotMeasurable or None
        ``duplicate`` for an instance that was here before, ``other-anatomy`` for another patient.
    """
    if facts is None:
        return None
    name = (facts.instance_key, facts.frame)
    if facts.instance_key and any((one.instance_key, one.frame) == name for one in earlier):
        return NotMeasurable(Reason.DUPLICATE, "This very exposure is already in the case.")
    if first is None or not (facts.patient_key and first.patient_key):
        return None
    if facts.patient_key != first.patient_key:
        return NotMeasurable(
            Reason.OTHER_ANATOMY, "The file names another patient than the first picture's."
        )
    return None


def remarks(
    facts: HeaderFacts | None, first: HeaderFacts | None, beam: BeamDirection, side: Side
) -> tuple[str, ...]:
    """Return where a header and the picture say different things, in sentences.

    Parameters
    ----------
    facts, first : HeaderFacts or None
        Of the picture and of the first one.
    beam : BeamDirection
        How the beam is turned against the first picture, as the picture shows it.
    side : {"left", "right"}
    """
    if facts is None or first is None:
        return ()
    said = []
    if facts.field_mm and first.field_mm and facts.field_mm != first.field_mm:
        said.append(
            f"The file says that the field went from {_size(first)} to {_size(facts)};"
            " the scale was found anew in the picture."
        )
    angles = [_angles(first), _angles(facts)]
    if angles[0] is not None and angles[1] is not None:
        tilt, oblique = turned(angles[0], angles[1], side)
        pairs = (("tilt", tilt, beam.tilt), ("oblique", oblique, beam.oblique))
        for word, by_file, shown in pairs:
            if abs(by_file - shown.value) > math.hypot(_AGREES_DEG, 2 * shown.u):
                said.append(
                    f"By the file the C-arm's {word} changed by {by_file:.1f}°, in the picture the"
                    f" view's by {shown.value:.1f}°: the pelvis moved, or the file is wrong."
                )
    return tuple(said)


def _angles(facts: HeaderFacts) -> tuple[float, float] | None:
    if facts.primary_deg is None or facts.secondary_deg is None:
        return None
    return facts.primary_deg, facts.secondary_deg


def _size(facts: HeaderFacts) -> str:
    return " x ".join(f"{size:.0f}" for size in facts.field_mm) + " mm"
