"""Millimetres per pixel of the first picture: what was given, or an object or head of known size.

An object that was marked on another picture is measured in that picture's pixels; how large the
first picture's are against them is taken from the pelvis that is seen on both.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from tracker import distortion
from tracker.distortion import Rectification
from tracker.settings import Settings
from tracker.values import (
    CaseSetup,
    ExposedField,
    NotMeasurable,
    Reason,
    Registration,
    ScaleRung,
    Socket,
    Still,
)

SAME_ZOOM: Final = 0.004
"""Two pictures whose pixels differ in size by a smaller share are of one size."""
_SAME_FIELD: Final = 0.01
_LEAST_LENGTH_PX: Final = 5


@dataclass(frozen=True, eq=False, slots=True)
class ObjectPicture:
    """Another picture than the first, on which the object of known size was marked.

    Attributes
    ----------
    still : Still
    rectification : Rectification or None
    zoom : float
        Its pixels per pixel of the first picture, for bone at the depth of the hip.
    u_zoom : float
        Relative standard uncertainty of ``zoom``.
    """

    still: Still
    rectification: Rectification | None
    zoom: float = 1.0
    u_zoom: float = 0.0


def scale_of(
    setup: CaseSetup,
    socket: Socket,
    rectification: Rectification | None,
    elsewhere: ObjectPicture | None,
    settings: Settings,
) -> tuple[float, float, ScaleRung] | NotMeasurable:
    """Return mm per pixel, its relative u, and the rung of the ladder it came from.

    Parameters
    ----------
    setup : CaseSetup
    socket : Socket
    rectification : Rectification or None
        Of the first picture.
    elsewhere : ObjectPicture or None
        Where the object was marked, if not on the first picture.
    settings : Settings
    """
    own, given = settings.measure, setup.scale
    if given.mm_per_px is not None:
        return given.mm_per_px, own.u_given_scale, "mm_per_px"
    if given.object_diameter_mm is not None and given.object_px is not None:
        ends = np.array(given.object_px, float)
        zoom, u_zoom, bent = 1.0, 0.0, rectification
        if elsewhere is not None:
            ends = (ends + 0.5) * np.array(elsewhere.still.stretched) - 0.5
            zoom, u_zoom, bent = elsewhere.zoom, elsewhere.u_zoom, elsewhere.rectification
        if bent is not None:
            ends = distortion.to_ideal(ends, bent)
        length = float(np.hypot(*(ends[1] - ends[0])))
        if length < _LEAST_LENGTH_PX:
            return NotMeasurable(Reason.SCALE_UNUSABLE, "The object's ends lie too close together.")
        u_px = math.sqrt(2.0) * 2.0 / length
        # An object that is not at the depth of the rim is magnified differently.
        u_depth = 0.015 if elsewhere is None else 0.02
        u = math.hypot(u_px, u_depth, u_zoom, own.u_object_mm / given.object_diameter_mm)
        return zoom * given.object_diameter_mm / length, u, "object_diameter_mm"
    if given.head_diameter_mm is not None:
        diameter = 2 * socket.head.radius_px
        u = math.hypot(
            socket.head.u_radius_px / socket.head.radius_px,
            own.u_head_diameter_mm / given.head_diameter_mm,
        )
        return given.head_diameter_mm / diameter, u, "head_diameter_mm"
    return NotMeasurable(Reason.SCALE_UNUSABLE)


def zoom_between(
    found: Registration | NotMeasurable, first: ExposedField, other: ExposedField | NotMeasurable
) -> tuple[float, float] | NotMeasurable:
    """Return how large the object's picture shows what the first one shows, and its relative u.

    Parameters
    ----------
    found : Registration or NotMeasurable
        Of the object's picture to the first one.
    first, other : ExposedField or NotMeasurable
        Of the first picture and the object's.

    Returns
    -------
    tuple of float or NotMeasurable
        1 where the pelvis is not seen but both fields are alike; ``scale-unusable`` where they
        are not.
    """
    if isinstance(found, Registration):
        return found.zoom, math.sqrt(max(float(found.covariance[0, 0]), 0.0))
    alike = (
        isinstance(other, ExposedField)
        and other.shape == first.shape
        and other.valid.shape == first.valid.shape
        and abs(other.radius_px / first.radius_px - 1) < _SAME_FIELD
    )
    if alike:
        return 1.0, _SAME_FIELD / 2
    return NotMeasurable(
        Reason.SCALE_UNUSABLE,
        "The picture with the object has another field than the first one, and the pelvis can't"
        " be laid on it: how large its pixels are is not known.",
        "Mark an object on the first picture, or give the head's diameter.",
    )
