"""A registered picture -> its thinned bone, against the picture of the untouched rim that fits it.

What may serve as comparison: the reference, and under traction a zero picture (one that reads 0
within its interval before any picture of the case read more).  Only small patches in the rim's
own frame are kept, so that memory stays flat however long a case is.
"""

import math
from dataclasses import dataclass

import numpy as np

from tracker import rimpatch, thinned
from tracker.measurable import Measurable, recorded
from tracker.rimpatch import Patch
from tracker.settings import Settings
from tracker.thinned import Missed
from tracker.values import NotMeasurable, Quantity, Radiograph, Registration, Thinned


@dataclass(frozen=True, eq=False, slots=True)
class Untouched:
    """A picture of the rim before it was burred: its patch, what it may miss, its beam."""

    patch: Patch
    missed: Missed | None
    tilt_deg: float
    oblique_deg: float


def thinned_bone(
    picture: Radiograph,
    registration: Registration,
    recession_mm: Quantity,
    known: Measurable,
    zeros: tuple[Untouched, ...],
    name: str,
    settings: Settings,
) -> tuple[Thinned | NotMeasurable, Untouched | None]:
    """Compare a picture with the first picture of the untouched rim that fits it.

    Parameters
    ----------
    picture : Radiograph
    registration : Registration
    recession_mm : Quantity
        Of this picture.
    known : Measurable
        The reference.
    zeros : tuple of Untouched
        Zero pictures so far.
    name : str
        Of this picture's file.
    settings : Settings

    Returns
    -------
    found : Thinned or NotMeasurable
    untouched : Untouched or None
        This picture as a comparison for later ones; whether the rim was still untouched is for
        the caller to say.
    """
    ground = known.ground
    if ground is None:
        return thinned.no_density(), None
    frame, mark = ground.frame, registration.landmark
    nodes = frame.points_px.reshape(-1, 2)
    local = registration.local_mm / mark.mm_per_px
    depth = frame.depth_mm.ravel() + mark.depth_modes(nodes) @ registration.modes_mm
    there = registration.to_moving(nodes + local, depth)
    grid = frame.points_px.shape
    patch = rimpatch.take_patch(picture, there.reshape(grid), registration.gain, name, settings)
    short = Missed(recession_mm.value, recession_mm.u)
    tilt, oblique = registration.tilt_deg, registration.oblique_deg
    this = Untouched(patch, short, tilt, oblique)
    first = Untouched(ground.reference, None, 0.0, 0.0)
    why: NotMeasurable = thinned.no_comparison()
    for other in (first, *zeros):
        if not rimpatch.same_place(other.patch, patch, frame, settings):
            continue
        found = thinned.compare(
            other.patch,
            patch,
            frame,
            ground.per_mm,
            shown_px=np.asarray(recorded(known, there), float).reshape(grid),
            turn_deg=math.hypot(tilt - other.tilt_deg, oblique - other.oblique_deg),
            u_relative_scale=known.u_relative_scale,
            missed=other.missed,
            settings=settings,
        )
        if not isinstance(found, NotMeasurable):
            return found, this
        why = found
    return why, this
