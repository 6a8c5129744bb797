"""Bead-plate picture -> rectification: recorded pixels to undistorted pixels and back.

An image intensifier bends its picture (pincushion from its curved input screen, swirl from
the Earth's field).  A plate of beads on a regular grid shows how.  One polynomial over the
whole field is fitted; local warps follow the noise of single beads and reproduce worse.
"""

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from scipy.spatial import KDTree

from tracker import beads as plate_beads
from tracker.beads import Indices, Lattice
from tracker.settings import DEFAULTS, Settings
from tracker.values import Floats, NotMeasurable, Point, Reason, Still, frozen

_COARSE_PX: Final = 8
"""The displacement is computed on every eighth pixel and interpolated: its second derivative
is below 1e-3 per px even at 10 % distortion, so that costs under 0.01 px."""


_WORTH_PX: Final = 0.03
"""A higher order is taken when it removes more than this much of systematic miss."""


@dataclass(frozen=True, eq=False, slots=True)
class Rectification:
    """How recorded pixels are moved to undo the distortion.

    The ideal frame is the recorded one at the middle of the field: there the map is the
    identity up to what no turn and zoom can take out.  Beyond the beads the displacement at
    the edge of the supported disc is kept.

    Attributes
    ----------
    size_px : tuple of int
        (columns, rows) of the picture it belongs to.
    centre_px : tuple of float
        Middle of the picture; origin of the polynomial.
    support_px : float
        Distance from the centre to the outermost bead; unit of the polynomial.
    order : int
    coefficients_px : ndarray of shape (terms, 2)
        Displacement ideal - recorded, as a polynomial of (x, y) in units of ``support_px``.
    residual_px : float
        Root mean square distance of the beads from the ideal grid after the fit, in pixels.
    spacing_px : float
        Distance of neighbouring beads in the ideal frame, in pixels.
    lattice : {"square", "hexagonal"}
    beads : int
        Beads that the fit rests on.
    """

    size_px: tuple[int, int]
    centre_px: Point
    support_px: float
    order: int
    coefficients_px: Floats
    residual_px: float
    spacing_px: float
    lattice: Lattice
    beads: int

    def __post_init__(self) -> None:
        if not np.isfinite(self.coefficients_px).all():
            raise ValueError("a rectification's coefficients must be finite")
        frozen(self.coefficients_px)


# --- using a rectification ---------------------------------------------------------------


def to_ideal(points_px: Floats, rectification: Rectification) -> Floats:
    """Move recorded points to the undistorted frame; shape (N, 2) in and out, pixels."""
    return points_px + _displacement(points_px, rectification)


def to_recorded(points_px: Floats, rectification: Rectification) -> Floats:
    """Move undistorted points to the recorded frame: the inverse of :func:`to_ideal`.

    Fixed-point iteration; it converges because distortion changes lengths by less than
    the length itself.  Shape (N, 2) in and out, pixels.
    """
    recorded = points_px
    for _ in range(60):
        moved = points_px - _displacement(recorded, rectification)
        if float(np.abs(moved - recorded).max(initial=0.0)) < 1e-9:
            return moved
        recorded = moved
    return recorded


def rectify(still: Still, rectification: Rectification) -> Still:
    """Take the distortion out of a picture.

    Parameters
    ----------
    still : Still
        Of the size of the bead-plate picture.
    rectification : Rectification

    Returns
    -------
    Still
        Same size; cubic interpolation, the outermost pixels repeated beyond the edge.
    """
    columns, rows = rectification.size_px
    if still.grey.shape != (rows, columns):
        raise ValueError(
            f"the picture is {still.grey.shape[1]} x {still.grey.shape[0]}, "
            f"the bead plate's {columns} x {rows}"
        )
    # Coarse nodes at the middle of squares of fine pixels, one beyond the picture on each side.
    x, y = (
        (np.arange(-1, -(-side // _COARSE_PX) + 1) + 0.5) * _COARSE_PX - 0.5
        for side in (columns, rows)
    )
    ideal = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    shift = (to_recorded(ideal, rectification) - ideal).reshape(len(y), len(x), 2)
    full = (len(x) * _COARSE_PX, len(y) * _COARSE_PX)
    dense = cv2.resize(shift.astype(np.float32), full, interpolation=cv2.INTER_LINEAR)
    dense = dense[_COARSE_PX : _COARSE_PX + rows, _COARSE_PX : _COARSE_PX + columns]
    map_x = dense[..., 0] + np.arange(columns, dtype=np.float32)
    map_y = dense[..., 1] + np.arange(rows, dtype=np.float32)[:, None]
    grey = cv2.remap(
        np.asarray(still.grey), map_x, map_y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
    )
    return Still(still.name, np.clip(grey, 0.0, 1.0).astype(np.float32), still.sha256, still.levels)


def _displacement(points_px: Floats, rectification: Rectification) -> Floats:
    z = (points_px - np.asarray(rectification.centre_px)) / rectification.support_px
    radius = np.hypot(z[:, 0], z[:, 1])
    inside = z / np.maximum(radius, 1.0)[:, None]
    return plate_beads.monomials(inside, rectification.order) @ rectification.coefficients_px


# --- finding one -------------------------------------------------------------------------


def find_rectification(
    plate: Still, settings: Settings = DEFAULTS
) -> Rectification | NotMeasurable:
    """Find the beads of a plate, number them, and fit the distortion.

    Parameters
    ----------
    plate : Still
        Picture of a bead plate on the receptor: square or hexagonal grid, beads dark or
        bright, any turn of the grid; some beads may be missing.
    settings : Settings

    Returns
    -------
    Rectification
    NotMeasurable
        ``grid-unusable``, with what was missing.
    """
    own = settings.distortion
    spots = plate_beads.find(plate.grey)
    if len(spots) < own.least_beads:
        return _unusable(f"Only {len(spots)} beads can be seen in the bead-plate picture.")
    numbered = plate_beads.number(spots)
    if numbered is None:
        return _unusable("The beads of the plate lie on no square or hexagonal grid.")
    lattice, points, indices = numbered
    if len(points) < own.least_beads:
        return _unusable(f"Only {len(points)} beads of the plate lie on one grid.")
    rows, columns = plate.grey.shape
    found = _fit(points, indices, lattice, (columns, rows), own.greatest_order)
    if found.residual_px > own.worst_residual_px * max(1.0, columns / 1024):
        return _unusable(
            f"The beads of the plate miss their grid by {found.residual_px:.2f} px after the fit."
        )
    return found


def _unusable(detail: str) -> NotMeasurable:
    return NotMeasurable(Reason.GRID_UNUSABLE, detail)


# --- the fit --------------------------------------------------------------------------------


def _fit(
    points: Floats,
    indices: Indices,
    lattice: Lattice,
    size_px: tuple[int, int],
    greatest_order: int,
) -> Rectification:
    """Fit recorded -> ideal, with the order that beads left out of the fit justify."""
    centre = np.array([(size_px[0] - 1) / 2, (size_px[1] - 1) / 2])
    support = float(np.hypot(*(points - centre).T).max())
    z = (points - centre) / support
    target = plate_beads.on_grid(indices, lattice)
    kept = np.ones(len(points), bool)
    pitch = np.median(np.asarray(KDTree(points).query(points, k=2)[0])[:, 1])
    worth = _WORTH_PX / float(pitch)
    for _ in range(3):
        order = _best_order(z[kept], target[kept], indices[kept], greatest_order, worth)
        terms = plate_beads.monomials(z, order)
        coefficients, *_ = np.linalg.lstsq(terms[kept], target[kept], rcond=None)
        miss = np.hypot(*(terms @ coefficients - target).T)
        # A plane Gaussian's median distance is 1.18 of its standard deviation.
        kept = miss <= 4 * float(np.median(miss[kept])) / 1.18
    # Near identity at the middle: undo its turn and mean stretch, which are the grid's own.
    slope = coefficients[[2, 1]] / support  # rows: along x, along y
    turn = complex(slope[0, 0] + slope[1, 1], slope[0, 1] - slope[1, 0]) / 2
    scale = 1 / turn
    out = np.array([[scale.real, scale.imag], [-scale.imag, scale.real]])
    coefficients = coefficients @ out
    coefficients[0] = 0.0
    coefficients[2, 0] -= support  # displacement = ideal - recorded
    coefficients[1, 1] -= support
    spacing = abs(scale)
    residual = float(np.sqrt(np.mean((miss[kept] * spacing) ** 2)))
    return Rectification(
        size_px=size_px,
        centre_px=(float(centre[0]), float(centre[1])),
        support_px=support,
        order=order,
        coefficients_px=coefficients,
        residual_px=residual,
        spacing_px=spacing,
        lattice=lattice,
        beads=int(kept.sum()),
    )


def _best_order(z: Floats, target: Floats, indices: Indices, greatest: int, worth: float) -> int:
    """Return the lowest order whose beads left out of the fit miss hardly more than the best.

    ``worth`` is the systematic miss, in units of the target, that is not worth another order.
    """
    fold = (indices[:, 0] + 2 * indices[:, 1]) % 5
    errors: list[float] = []
    for order in range(1, greatest + 1):
        terms = plate_beads.monomials(z, order)
        if len(z) < 3 * terms.shape[1]:
            break
        squares = 0.0
        for k in range(5):
            rest = fold != k
            fitted, *_ = np.linalg.lstsq(terms[rest], target[rest], rcond=None)
            squares += float(((terms[~rest] @ fitted - target[~rest]) ** 2).sum())
        errors.append(squares)
    excess = (np.array(errors) - min(errors)) / len(z)
    return 1 + int(np.flatnonzero(excess <= worth**2)[0])
