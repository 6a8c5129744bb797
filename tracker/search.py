"""Where in a picture a hip may be: a search over centre and radius without any mark.

A hip looks the same whatever the polarity, the brightness and the size of the field: a disc
that attenuates more than what lies around it, a roof above it beyond a thin gap, the ilium above
the roof, soft tissue lateral to head and ilium.  Each of these is a signed term of one score.
Being signed, and bound to the side, the terms tell the head from other round bone (the greater
trochanter has soft tissue above it) and a hip from its mirror image.
"""

import math
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from tracker.values import Picture, Point, Radiograph, Side

_Map = NDArray[np.float32]

DIAMETER_PX: Final = 256
"""Diameter of the exposed field in the reduced picture."""
RADII: Final = (0.085, 0.25)
"""Head radius, in diameters of the field (12 to 25 cm wide)."""
RADIUS_STEPS: Final = 24
STRIDE_PX: Final = 2
GAP: Final = (1.06, 1.36)
"""Radius of the roof's articular line, in head radii."""
EDGE_CAP: Final = 0.8
"""A sector of the outline counts no more than this: no single strong edge makes a hip."""
REGION_CAP: Final = 1.5

_HEAD_SECTORS: Final = ((-150, -95, 0.7), (-95, -40, 0.5), (-40, 25, 1.0), (25, 76, 1.0))
_ROOF_SECTOR: Final = (-40, 28, 1.0)
_SECTOR_STEP: Final = 6
# Places as (degrees from up, lateral positive; head radii), each group averaged.
_HEAD: Final = ((-120, 0.8), (-60, 0.8), (0, 0.8), (50, 0.8))
_ILIUM: Final = ((-25, 1.55), (-5, 1.55), (10, 1.55))
_SOFT: Final = ((55, 1.25), (60, 1.4), (45, 1.5))
_HEAD_OVER_SOFT: Final = 0.15
_ILIUM_OVER_SOFT: Final = 0.3
GREATEST_SCORE: Final = EDGE_CAP * (
    _ROOF_SECTOR[2] + sum(sector[2] for sector in _HEAD_SECTORS)
) + REGION_CAP * (_HEAD_OVER_SOFT + _ILIUM_OVER_SOFT)


@dataclass(frozen=True, slots=True)
class Candidate:
    """A place where the head may be.

    Attributes
    ----------
    centre_px : tuple of float
    radius_px : float
    score : float
        0 for nothing, 3.5 to ``GREATEST_SCORE`` for a hip in full view.
    """

    centre_px: Point
    radius_px: float
    score: float


@dataclass(frozen=True, eq=False, slots=True)
class _Fields:
    """The reduced picture's gradient direction by local strength, and its regions."""

    across: _Map
    down: _Map
    level: _Map
    pad: int

    def at(self, which: _Map, x: float, y: float) -> _Map:
        """A field seen from every grid node at one offset."""
        top, left = self.pad + round(y), self.pad + round(x)
        height, width = which.shape[0] - 2 * self.pad, which.shape[1] - 2 * self.pad
        return which[top : top + height : STRIDE_PX, left : left + width : STRIDE_PX]


def find_heads(radiograph: Radiograph, side: Side, *, most: int = 4) -> list[Candidate]:
    """Return the places that look most like a hip of this side, best first.

    Parameters
    ----------
    radiograph : Radiograph
    side : {"left", "right"}
        Patient's side; an AP picture shows the right hip's lateral side on the viewer's left.
    most : int
        How many to return.

    Returns
    -------
    list of Candidate
        In the radiograph's pixels.
    """
    picture, usable, factor = _reduce(radiograph)
    diameter = 2 * radiograph.field.radius_px * factor
    ratio = (RADII[1] / RADII[0]) ** (1 / (RADIUS_STEPS - 1))
    nearest = math.floor(math.log(GAP[0]) / math.log(ratio))
    farthest = math.ceil(math.log(GAP[1]) / math.log(ratio))
    radii = RADII[0] * diameter * ratio ** np.arange(RADIUS_STEPS + farthest)
    fields = _fields(picture, usable, diameter, math.ceil(1.6 * radii[-1]) + 2)
    lateral = 1.0 if side == "left" else -1.0

    roofs = [_ring(fields, radius, _ROOF_SECTOR, lateral, 1.0) for radius in radii]
    scores = []
    for step in range(RADIUS_STEPS):
        radius = float(radii[step])
        roof = np.max(roofs[step + nearest : step + farthest + 1], axis=0)
        score = _ROOF_SECTOR[2] * np.minimum(roof, EDGE_CAP)
        for sector in _HEAD_SECTORS:
            edge = _ring(fields, radius, sector, lateral, -1.0)
            score += sector[2] * np.minimum(edge, EDGE_CAP)
        soft = _region(fields, radius, _SOFT, lateral)
        head = _region(fields, radius, _HEAD, lateral) - soft
        ilium = _region(fields, radius, _ILIUM, lateral) - soft
        score += _HEAD_OVER_SOFT * np.minimum(head, REGION_CAP)
        score += _ILIUM_OVER_SOFT * np.minimum(ilium, REGION_CAP)
        scores.append(score)
    return _peaks(np.stack(scores), radii, factor, most)


def _reduce(radiograph: Radiograph) -> tuple[Picture, NDArray[np.bool_], float]:
    """The picture at working size by area averages over its usable pixels."""
    height, width = radiograph.attenuation.shape
    factor = min(1.0, DIAMETER_PX / (2 * radiograph.field.radius_px))
    size = (max(1, round(width * factor)), max(1, round(height * factor)))
    valid = radiograph.valid.astype(np.float32)
    summed = cv2.resize(radiograph.attenuation * valid, size, None, 0, 0, cv2.INTER_AREA)
    share = cv2.resize(valid, size, None, 0, 0, cv2.INTER_AREA)
    known = np.where(share > 0.3, summed / np.maximum(share, 1e-3), 0.0).astype(np.float32)
    return known, share > 0.9, factor


def _blur(values: _Map, weights: _Map, size: float) -> _Map:
    """Gaussian mean over the usable pixels alone."""
    summed = cv2.GaussianBlur(values * weights, (0, 0), size)
    share = cv2.GaussianBlur(weights, (0, 0), size)
    return np.asarray(summed / np.maximum(share, 1e-3), dtype=np.float32)


def _fields(picture: Picture, usable: NDArray[np.bool_], diameter: float, pad: int) -> _Fields:
    weights = usable.astype(np.float32)
    smooth = _blur(picture, weights, 1.5)
    across = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=3)
    down = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=3)
    inner = cv2.erode(usable.astype(np.uint8), np.ones((9, 9), np.uint8)).astype(np.float32)
    strength = np.hypot(across, down) * inner
    usual = _blur(strength.astype(np.float32), inner, DIAMETER_PX / 26)
    # by local strength, so that faint outlines in a bright part count like strong ones
    gain = inner * np.minimum(strength / np.maximum(usual, 1e-9), 2.0) / np.maximum(strength, 1e-9)
    level = _blur(picture, weights, diameter / 40) - _blur(picture, weights, diameter / 6)
    spread = float(level[usable].std()) if usable.any() else 0.0
    level = np.clip(level / max(spread, 1e-9), -1.5, 1.5) * weights
    return _Fields(
        across=np.pad((across * gain).astype(np.float32), pad),
        down=np.pad((down * gain).astype(np.float32), pad),
        level=np.pad(level.astype(np.float32), pad),
        pad=pad,
    )


def _outward(angle_deg: float, lateral: float) -> tuple[float, float]:
    turn = math.radians(angle_deg)
    return math.sin(turn) * lateral, -math.cos(turn)


def _ring(
    fields: _Fields, radius: float, sector: tuple[int, int, float], lateral: float, sign: float
) -> _Map:
    """Mean outward rise of the picture along an arc; ``sign`` -1 asks for a fall."""
    angles = range(sector[0], sector[1], _SECTOR_STEP)
    total: _Map | None = None
    for angle in angles:
        x, y = _outward(angle, lateral)
        rise = x * fields.at(fields.across, radius * x, radius * y)
        rise = rise + y * fields.at(fields.down, radius * x, radius * y)
        total = rise if total is None else total + rise
    assert total is not None
    return np.asarray(sign * total / len(angles), dtype=np.float32)


def _region(
    fields: _Fields, radius: float, places: tuple[tuple[int, float], ...], lateral: float
) -> _Map:
    parts = []
    for angle, reach in places:
        x, y = _outward(angle, lateral)
        parts.append(fields.at(fields.level, radius * reach * x, radius * reach * y))
    return np.asarray(np.mean(parts, axis=0), dtype=np.float32)


def _peaks(
    scores: NDArray[np.float32], radii: NDArray[np.float64], factor: float, most: int
) -> list[Candidate]:
    """The highest places, each taking its neighbourhood with it."""
    left = scores.copy()
    found = []
    for _ in range(most):
        step, row, column = (int(i) for i in np.unravel_index(int(left.argmax()), left.shape))
        centre = (
            (column * STRIDE_PX + 0.5) / factor - 0.5,
            (row * STRIDE_PX + 0.5) / factor - 0.5,
        )
        score = float(left[step, row, column])
        found.append(Candidate(centre, float(radii[step]) / factor, score))
        left[
            max(0, step - 3) : step + 4, max(0, row - 4) : row + 5, max(0, column - 4) : column + 5
        ] = -np.inf
    return found
