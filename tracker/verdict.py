"""Everything known about a picture -> measured, or refused with reasons.

The order is that of the questions a reader would ask: is it a picture of a hip, of this hip,
seen the same way, with the edge in sight - and is the number good enough to be shown.
"""

from tracker.settings import DEFAULTS, Settings
from tracker.values import NotMeasurable, Quantity, Reason, Registration


def judge_registration(
    registration: Registration, settings: Settings = DEFAULTS
) -> tuple[NotMeasurable, ...]:
    """Say whether a registration can carry a measurement.

    Parameters
    ----------
    registration : Registration
    settings : Settings

    Returns
    -------
    tuple of NotMeasurable
        Empty when it can; otherwise the reasons, the main one first.
    """
    own = settings.verdict
    reasons = []
    if registration.score < own.least_score:
        far = max(abs(registration.tilt_deg), abs(registration.oblique_deg)) > own.largest_turn_deg
        if far and registration.score > own.least_turned_score:
            reasons.append(turned(registration))
        else:
            reasons.append(NotMeasurable(Reason.OTHER_ANATOMY))
    elif max(abs(registration.tilt_deg), abs(registration.oblique_deg)) > own.largest_turn_deg:
        reasons.append(turned(registration))
    if registration.overlap < own.least_overlap:
        reasons.append(
            NotMeasurable(Reason.RIM_OUTSIDE, "Too little of the pelvis is in the exposed field.")
        )
    return tuple(reasons)


def judge_number(
    recession: Quantity, registration: Registration, settings: Settings = DEFAULTS
) -> tuple[NotMeasurable, ...]:
    """Say whether the recession is known well enough to be shown.

    Parameters
    ----------
    recession : Quantity
        In mm.
    registration : Registration
    settings : Settings
    """
    own = settings.verdict
    if recession.value > own.largest_recession_mm:
        return (
            NotMeasurable(
                Reason.RIM_HIDDEN,
                f"The edge was found {recession.value:.0f} mm from where it was: not believable.",
            ),
        )
    if 2 * recession.u > own.largest_expanded_mm:
        return (turned(registration),)
    if recession.value < -own.growth_in_u * recession.u - own.growth_mm:
        # Bone does not grow: an edge far outside the first one is a fault of pose or another hip.
        return (NotMeasurable(Reason.VIEW_CHANGED, _grown(recession)),)
    return ()


def turned(registration: Registration) -> NotMeasurable:
    """The view has turned: by how much, and what to do, in the words of the part staff see."""
    tilt, oblique = registration.tilt_deg, registration.oblique_deg
    parts, moves = [], []
    if abs(tilt) >= 0.5:
        parts.append(f"{abs(tilt):.0f}° head to feet")
        moves.append(f"{abs(tilt):.0f}° towards {'the head' if tilt > 0 else 'the feet'}")
    if abs(oblique) >= 0.5:
        parts.append(f"{abs(oblique):.0f}° side to side")
        moves.append(
            f"{abs(oblique):.0f}° towards {'the opposite hip' if oblique > 0 else 'this hip'}"
        )
    if not parts:
        return NotMeasurable(Reason.VIEW_CHANGED)
    return NotMeasurable(
        Reason.VIEW_CHANGED,
        f"The view has turned about {' and '.join(parts)} (C-arm moved, or the pelvis tilted).",
        f"Move the receptor about {' and '.join(moves)} and take one more picture, "
        "or keep this one to look at.",
    )


def _grown(recession: Quantity) -> str:
    return (
        f"The edge appears {-recession.value:.1f} mm outside the first one: the view has turned, "
        "since bone does not grow."
    )
