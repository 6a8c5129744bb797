"""Bead-plate picture -> rectification: recorded pixels to undistorted pixels and back.

An image intensifier bends its picture (pincushion from its curved input screen, swirl from
the Earth's field).  A plate of beads on a regular grid shows how.  One polynomial over the
whole field is fitted; local warps follow the noise of single beads and reproduce worse.
"""

from dataclasses import dataclass
from typing import Final, Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from tracker.settings import DEFAULTS, Settings
from tracker.values import Floats, Mask, NotMeasurable, Picture, Point, Reason, Still, frozen

Lattice = Literal["square", "hexagonal"]
Indices = NDArray[np.int64]

_COARSE_PX: Final = 4
"""The displacement is computed on every fourth pixel and interpolated: its second derivative
is below 1e-3 per px even at 10 % distortion, so that costs under 0.005 px."""


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
    x = np.arange(0, columns + _COARSE_PX, _COARSE_PX, dtype=np.float64)
    y = np.arange(0, rows + _COARSE_PX, _COARSE_PX, dtype=np.float64)
    ideal = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    shift = (to_recorded(ideal, rectification) - ideal).reshape(len(y), len(x), 2)
    # Pixel centres of the fine grid in coordinates of the coarse one.
    fine_x, fine_y = np.meshgrid(
        np.arange(columns, dtype=np.float32) / _COARSE_PX,
        np.arange(rows, dtype=np.float32) / _COARSE_PX,
    )
    dense = cv2.remap(shift.astype(np.float32), fine_x, fine_y, cv2.INTER_LINEAR)
    map_x = dense[..., 0] + fine_x * _COARSE_PX
    map_y = dense[..., 1] + fine_y * _COARSE_PX
    grey = cv2.remap(
        np.asarray(still.grey), map_x, map_y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
    )
    return Still(still.name, np.clip(grey, 0.0, 1.0).astype(np.float32), still.sha256, still.levels)


def _displacement(points_px: Floats, rectification: Rectification) -> Floats:
    z = (points_px - np.asarray(rectification.centre_px)) / rectification.support_px
    radius = np.hypot(z[:, 0], z[:, 1])
    inside = z / np.maximum(radius, 1.0)[:, None]
    return _terms(inside, rectification.order) @ rectification.coefficients_px


def _terms(z: Floats, order: int) -> Floats:
    """Return the monomials x^a y^b with a + b <= order; shape (N, terms)."""
    px = np.stack([z[:, 0] ** a for a in range(order + 1)])
    py = np.stack([z[:, 1] ** b for b in range(order + 1)])
    return np.stack([px[a] * py[n - a] for n in range(order + 1) for a in range(n + 1)], axis=1)


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
    beads = _find_beads(plate.grey, _exposed(plate.grey))
    if len(beads) < own.least_beads:
        return _unusable(f"Only {len(beads)} beads can be seen in the bead-plate picture.")
    numbered = _number(beads)
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


def _exposed(grey: Picture) -> Mask:
    """Return the exposed part: all but flat areas that are joined to a corner."""
    smooth = cv2.medianBlur(np.asarray(grey), 3)
    rows, columns = grey.shape
    flood = np.zeros((rows + 2, columns + 2), np.uint8)
    for corner in ((0, 0), (columns - 1, 0), (0, rows - 1), (columns - 1, rows - 1)):
        flags = 4 | (255 << 8) | cv2.FLOODFILL_FIXED_RANGE | cv2.FLOODFILL_MASK_ONLY
        cv2.floodFill(smooth, flood, corner, 0.0, 0.03, 0.03, flags)
    outside = flood[1:-1, 1:-1] > 0
    ring = (cv2.dilate(outside.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0) & ~outside
    whole = np.ones(grey.shape, bool)
    if not ring.any() or abs(float(grey[ring].mean() - grey[outside].mean())) < 0.1:
        return whole  # no step at its border: background between beads, not a shutter
    _, labels, stats, _ = cv2.connectedComponentsWithStats((~outside).astype(np.uint8))
    largest = 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
    return np.asarray(labels == largest)


def _find_beads(grey: Picture, exposed: Mask) -> Floats:
    """Find round spots of the likeliest size and polarity; shape (N, 2), pixels.

    Each size and polarity is scored by how many spots have evenly spaced neighbours, times
    their strength: the gaps between beads form a grid as well, but a weak one.
    """
    weight = exposed.astype(np.float32)
    # Outside the field the picture is continued smoothly, or its edge would look like beads.
    wide = max(grey.shape) / 24
    norm = cv2.GaussianBlur(weight, (0, 0), wide)
    ground = cv2.GaussianBlur(np.asarray(grey) * weight, (0, 0), wide) / np.maximum(norm, 1e-4)
    flat = np.where(exposed, grey - ground, 0.0).astype(np.float32)
    depth = cv2.distanceTransform(
        np.pad(exposed.astype(np.uint8), 1), cv2.DIST_L2, cv2.DIST_MASK_PRECISE
    )[1:-1, 1:-1]
    best, best_score = np.empty((0, 2)), 0.0
    for sigma in 1.2 * 1.35 ** np.arange(9):
        small = cv2.GaussianBlur(flat, (0, 0), float(sigma))
        blob = small - cv2.GaussianBlur(flat, (0, 0), 1.6 * float(sigma))
        for sign in (1.0, -1.0):
            response = (sign * blob).astype(np.float32)
            spots, strength = _peaks(response, depth > 1.5 * sigma)
            if len(spots) < 9:
                continue
            score = float(strength * _regular(spots).sum())
            if score > best_score:
                best, best_score = spots, score
    return best


def _peaks(response: Picture, usable: Mask) -> tuple[Floats, float]:
    """Return sub-pixel maxima well above the noise, shape (N, 2), and their median height."""
    local = cv2.dilate(response, np.ones((3, 3), np.uint8))
    noise = 1.4826 * float(np.median(np.abs(response[usable]))) if usable.any() else 0.0
    top = (response == local) & usable & (response > 4 * noise)
    top[[0, -1]] = False
    top[:, [0, -1]] = False
    y, x = np.nonzero(top)
    if len(x) == 0:
        return np.empty((0, 2)), 0.0
    height = response[y, x]
    strong = height > 0.4 * float(np.percentile(height, 75))
    x, y, height = x[strong], y[strong], height[strong]
    # Parabola through the logarithm would suit a Gaussian; near its top both agree.
    left, right = response[y, x - 1], response[y, x + 1]
    above, below = response[y - 1, x], response[y + 1, x]
    dx = (right - left) / np.maximum(2 * (2 * height - left - right), 1e-12)
    dy = (below - above) / np.maximum(2 * (2 * height - above - below), 1e-12)
    spots = np.stack([x + np.clip(dx, -1, 1), y + np.clip(dy, -1, 1)], axis=1)
    return spots.astype(np.float64), float(np.median(height))


def _regular(spots: Floats) -> Mask:
    """True where the four nearest neighbours are at about one and the same distance."""
    near = np.asarray(KDTree(spots).query(spots, k=5)[0])[:, 1:]
    return np.asarray(near.max(axis=1) < 1.3 * near.min(axis=1))


# --- numbering the beads --------------------------------------------------------------------


def _number(spots: Floats) -> tuple[Lattice, Floats, Indices] | None:
    """Give each bead its (i, j) on the grid.

    Grows from the middle: each bead predicts its neighbours with the steps seen around
    it, so that a bent grid is followed; then a polynomial through the numbered beads looks
    across gaps for the others.

    Returns
    -------
    lattice : {"square", "hexagonal"}
    points : ndarray of shape (N, 2)
    indices : ndarray of shape (N, 2), int
    """
    tree = KDTree(spots)
    middle = spots.mean(axis=0)
    start = _seed(spots, tree, middle)
    if start is None:
        return None
    first, lattice, steps = start
    around = _directions(lattice)
    taken: dict[tuple[int, int], int] = {(0, 0): first}
    owner: dict[int, tuple[int, int]] = {first: (0, 0)}
    local: dict[tuple[int, int], Floats] = {(0, 0): steps}
    queue = [(0, 0)]
    while queue:
        place = queue.pop(0)
        here = spots[taken[place]]
        for direction in around:
            target = (place[0] + direction[0], place[1] + direction[1])
            if target in taken:
                continue
            step = np.asarray(direction, np.float64) @ local[place]
            distance, found = tree.query(here + step)
            if distance > 0.25 * float(np.hypot(*step)) or int(found) in owner:
                continue
            taken[target], owner[int(found)] = int(found), target
            # The steps turn and stretch with the one just made, half of it being noise.
            seen = spots[int(found)] - here
            local[target] = 0.5 * (local[place] + _turned(local[place], step, seen))
            queue.append(target)
    if len(taken) < 12:
        return None
    indices = np.array(list(taken), np.int64)
    members = np.array(list(taken.values()))
    for _ in range(3):
        indices, members = _across_gaps(spots, lattice, indices, members)
    return lattice, spots[members], indices


def _seed(spots: Floats, tree: KDTree, middle: Floats) -> tuple[int, Lattice, Floats] | None:
    """Choose the first bead, the kind of grid, and its two steps there; shape (2, 2), pixels."""
    regular = np.flatnonzero(_regular(spots))
    if len(regular) < 9:
        return None
    order = regular[np.argsort(np.hypot(*(spots[regular] - middle).T))]
    near = np.asarray(tree.query(spots[order[:25]], k=7)[1])
    steps = (spots[near[:, 1:]] - spots[order[:25], None]).reshape(-1, 2)
    length = np.hypot(steps[:, 0], steps[:, 1])
    pitch = float(np.median(np.sort(length)[: len(length) // 2]))
    kept = steps[(length > 0.8 * pitch) & (length < 1.25 * pitch)]
    angle = np.arctan2(kept[:, 1], kept[:, 0])
    fourfold, sixfold = np.exp(4j * angle).mean(), np.exp(6j * angle).mean()
    lattice: Lattice = "square" if abs(fourfold) > abs(sixfold) else "hexagonal"
    strength, fold = (fourfold, 4) if lattice == "square" else (sixfold, 6)
    if abs(strength) < 0.6:
        return None
    turn = float(np.angle(strength)) / fold
    basis = _ideal(np.array([[1, 0], [0, 1]]), lattice)
    cos, sin = np.cos(turn), np.sin(turn)
    return int(order[0]), lattice, pitch * basis @ np.array([[cos, sin], [-sin, cos]])


def _directions(lattice: Lattice) -> list[tuple[int, int]]:
    around = [(1, 0), (0, 1), (-1, 0), (0, -1)]
    return around if lattice == "square" else [*around, (1, -1), (-1, 1)]


def _ideal(indices: Indices, lattice: Lattice) -> Floats:
    """Places of the beads on a grid of unit spacing; shape (N, 2)."""
    second = (0.0, 1.0) if lattice == "square" else (0.5, np.sqrt(0.75))
    return np.asarray(indices @ np.array([(1.0, 0.0), second]), np.float64)


def _turned(steps: Floats, expected: Floats, seen: Floats) -> Floats:
    """Turn and stretch both steps by what takes ``expected`` to ``seen``."""
    ratio = complex(*seen) / complex(*expected)
    moved = (steps[:, 0] + 1j * steps[:, 1]) * ratio
    return np.stack([moved.real, moved.imag], axis=1)


def _across_gaps(
    spots: Floats, lattice: Lattice, indices: Indices, members: NDArray[np.int64]
) -> tuple[Indices, NDArray[np.int64]]:
    """Number beads that growing did not reach, where a smooth map leaves no doubt."""
    centre, scale = spots.mean(axis=0), float(np.ptp(spots, axis=0).max()) / 2
    order = 3 if len(indices) >= 40 else 1
    terms = _terms((spots - centre) / scale, order)
    ideal, *_ = np.linalg.lstsq(terms[members], _ideal(indices, lattice), rcond=None)
    basis = _ideal(np.array([[1, 0], [0, 1]]), lattice)
    place = terms @ ideal @ np.linalg.inv(basis)
    nearest = np.rint(place).astype(np.int64)
    clear = np.abs(place - nearest).max(axis=1) < 0.2
    known = {tuple(pair) for pair in indices.tolist()}
    taken = set(members.tolist())
    new = [
        k
        for k in np.flatnonzero(clear).tolist()
        if k not in taken and tuple(nearest[k].tolist()) not in known
    ]
    # Two beads that claim one place: neither is sure.
    claims = [tuple(nearest[k].tolist()) for k in new]
    new = [k for k, claim in zip(new, claims, strict=True) if claims.count(claim) == 1]
    return np.concatenate([indices, nearest[new]]), np.concatenate([members, np.array(new, int)])


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
    target = _ideal(indices, lattice)
    kept = np.ones(len(points), bool)
    pitch = np.median(np.asarray(KDTree(points).query(points, k=2)[0])[:, 1])
    worth = _WORTH_PX / float(pitch)
    for _ in range(3):
        order = _best_order(z[kept], target[kept], indices[kept], greatest_order, worth)
        terms = _terms(z, order)
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
        terms = _terms(z, order)
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
