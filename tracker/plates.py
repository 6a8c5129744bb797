"""Which bead plate's rectification a picture gets, where the case has one for each C-arm position.

An image intensifier bends its picture by the Earth's field too, so otherwise in every position.
The plate that was taken nearest to the picture's own positioner angles is used; a picture, or
plates, without angles get the first plate.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass

from tracker import distortion
from tracker.distortion import Rectification
from tracker.settings import Settings
from tracker.values import HeaderFacts, NotMeasurable, Reason, Still


@dataclass(frozen=True, eq=False, slots=True)
class Plate:
    """A bead plate's picture and what it gave.

    Attributes
    ----------
    name : str
    angles_deg : tuple of float or None
        Primary and secondary positioner angle, as DICOM defines them.
    rectification : Rectification
    """

    name: str
    angles_deg: tuple[float, float] | None
    rectification: Rectification


def read(stills: Iterable[Still], settings: Settings) -> tuple[Plate, ...] | NotMeasurable:
    """Find the rectification of each plate; none of them may be unusable.

    Parameters
    ----------
    stills : iterable of Still
    settings : Settings
    """
    plates = []
    for still in stills:
        found = distortion.find_rectification(still, settings)
        if isinstance(found, NotMeasurable):
            return found
        plates.append(Plate(still.name, angles(still.facts), found))
    return tuple(plates)


def for_picture(plates: tuple[Plate, ...], still: Still) -> Plate | NotMeasurable | None:
    """Return the plate that a picture is rectified by.

    Parameters
    ----------
    plates : tuple of Plate
    still : Still

    Returns
    -------
    Plate, None or NotMeasurable
        None where the case has no plate; ``grid-unusable`` where none is of the picture's size.
    """
    if not plates:
        return None
    rows, columns = still.grey.shape
    fitting = [plate for plate in plates if plate.rectification.size_px == (columns, rows)]
    if not fitting:
        return NotMeasurable(
            Reason.GRID_UNUSABLE,
            f"The picture is {columns} x {rows} pixels and no bead-plate picture is.",
            "Save pictures and bead plate in one size.",
        )
    own = angles(still.facts)
    known = [(plate, plate.angles_deg) for plate in fitting if plate.angles_deg is not None]
    if own is None or not known:
        return fitting[0]
    return min(known, key=lambda one: apart_deg(own, one[1]))[0]


def remark(plates: tuple[Plate, ...], used: Plate | None, still: Still) -> tuple[str, ...]:
    """Say which of several plates was used, in a sentence.

    Parameters
    ----------
    plates : tuple of Plate
    used : Plate or None
    still : Still
    """
    if used is None or len(plates) < 2:
        return ()
    own = angles(still.facts)
    if own is None or used.angles_deg is None:
        why = "the first one, as the angles are not known"
    else:
        why = f"{apart_deg(own, used.angles_deg):.0f}° away"
    return (f"Distortion was taken out by the bead plate {used.name} ({why}).",)


def angles(facts: HeaderFacts | None) -> tuple[float, float] | None:
    """Return positioner angles where a header has both."""
    if facts is None or facts.primary_deg is None or facts.secondary_deg is None:
        return None
    return facts.primary_deg, facts.secondary_deg


def apart_deg(one: tuple[float, float], other: tuple[float, float]) -> float:
    """Return the angle between two directions given by primary and secondary angle.

    >>> round(apart_deg((0.0, 0.0), (30.0, 0.0)), 6)
    30.0
    >>> round(apart_deg((170.0, 0.0), (-170.0, 0.0)), 6)
    20.0
    """
    x, y = _direction(*one), _direction(*other)
    cross = math.hypot(
        x[1] * y[2] - x[2] * y[1], x[2] * y[0] - x[0] * y[2], x[0] * y[1] - x[1] * y[0]
    )
    return math.degrees(math.atan2(cross, sum(a * b for a, b in zip(x, y, strict=True))))


def _direction(primary_deg: float, secondary_deg: float) -> tuple[float, float, float]:
    a, b = math.radians(primary_deg), math.radians(secondary_deg)
    return math.sin(a) * math.cos(b), math.cos(a) * math.cos(b), math.sin(b)
