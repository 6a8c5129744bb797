"""Bead-plate picture -> beads, each with its place on the grid.

Round spots of any size and either polarity are found first, then numbered outwards from the
middle, so that a bent grid is followed and missing beads are stepped over.
"""

from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from tracker.values import Floats, Mask, Picture

Lattice = Literal["square", "hexagonal"]
Indices = NDArray[np.int64]


def exposed(grey: Picture) -> Mask:
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


def find(grey: Picture) -> Floats:
    """Find round spots of the likeliest size and polarity; shape (N, 2), pixels.

    Each size and polarity is scored by how many spots have evenly spaced neighbours, times
    their strength: the gaps between beads form a grid as well, but a weak one.
    """
    field = exposed(grey)
    weight = field.astype(np.float32)
    # Outside the field the picture is continued smoothly, or its edge would look like beads.
    wide = max(grey.shape) / 24
    norm = cv2.GaussianBlur(weight, (0, 0), wide)
    ground = cv2.GaussianBlur(np.asarray(grey) * weight, (0, 0), wide) / np.maximum(norm, 1e-4)
    flat = np.where(field, grey - ground, 0.0).astype(np.float32)
    depth = cv2.distanceTransform(
        np.pad(field.astype(np.uint8), 1), cv2.DIST_L2, cv2.DIST_MASK_PRECISE
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


def number(spots: Floats) -> tuple[Lattice, Floats, Indices] | None:
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
    basis = on_grid(np.array([[1, 0], [0, 1]]), lattice)
    cos, sin = np.cos(turn), np.sin(turn)
    return int(order[0]), lattice, pitch * basis @ np.array([[cos, sin], [-sin, cos]])


def _directions(lattice: Lattice) -> list[tuple[int, int]]:
    around = [(1, 0), (0, 1), (-1, 0), (0, -1)]
    return around if lattice == "square" else [*around, (1, -1), (-1, 1)]


def on_grid(indices: Indices, lattice: Lattice) -> Floats:
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
    terms = monomials((spots - centre) / scale, order)
    ideal, *_ = np.linalg.lstsq(terms[members], on_grid(indices, lattice), rcond=None)
    basis = on_grid(np.array([[1, 0], [0, 1]]), lattice)
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


def monomials(z: Floats, order: int) -> Floats:
    """Return the monomials x^a y^b with a + b <= order; shape (N, terms)."""
    px = np.stack([z[:, 0] ** a for a in range(order + 1)])
    py = np.stack([z[:, 1] ** b for b in range(order + 1)])
    return np.stack([px[a] * py[n - a] for n in range(order + 1) for a in range(n + 1)], axis=1)
