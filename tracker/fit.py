"""Robust Gauss-Newton over turn, zoom, shift, the beam's direction and smooth depths.

A point ``x`` of the reference, whose bone lies ``z`` mm nearer to the tube than the socket's
centre, appears on the moving picture at ``S(x + d(x))``: ``S`` is a similarity and
``d = z (oblique l - tilt u)``.  ``z`` is the generic pelvis's depth and a few smooth modes by
which this patient may differ.  Parameters in order: log zoom, turn (rad), shift x and y (mm),
tilt, oblique (rad), depth modes (mm).
"""

import math
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np

from tracker.coarse import similarity
from tracker.settings import RegisterSettings
from tracker.template import Level, Normalised, gradient
from tracker.values import Floats, Landmark, Picture

SIMILARITY: Final = (0, 1, 2, 3)
ALL: Final = tuple(range(11))
SHIFT: Final = (2, 3)
_MODES: Final = 5
_COUNT: Final = 6 + _MODES
# What a unit of each parameter moves bone by at most, in mm: tells when steps no longer matter.
_REACH_MM: Final = np.array([80.0, 80.0, 1.0, 1.0, 20.0, 20.0] + [0.03] * _MODES)


@dataclass(frozen=True, eq=False, slots=True)
class State:
    """Parameters of the fit: similarity (2, 3), (tilt, oblique) in rad, depth modes in mm."""

    matrix: Floats
    angles: Floats
    modes: Floats

    @property
    def zoom(self) -> float:
        """Moving pixels per reference pixel."""
        return float(math.hypot(self.matrix[0, 0], self.matrix[1, 0]))


@dataclass(frozen=True, eq=False, slots=True)
class Fit:
    """Where the fit ended.

    Attributes
    ----------
    state : State
    score : float
        Weighted correlation of the normalised pictures at this scale.
    overlap : float
        Share of the reference's weight that is valid on the moving picture.
    covariance : ndarray of shape (11, 11)
        Zero for parameters that were not free.
    moving : Normalised
        The picture that was fitted.
    """

    state: State
    score: float
    overlap: float
    covariance: Floats
    moving: Normalised


def start_state(matrix: Floats) -> State:
    """Begin with the beam as it was and the generic depths."""
    return State(matrix, np.zeros(2), np.zeros(_MODES))


def positions(level: Level, mark: Landmark, state: State) -> Picture:
    """Where the level's pixels lie on the moving picture, in its full pixels: (K, 2)."""
    direction = (state.angles[1] * mark.lateral - state.angles[0] * mark.up).astype(np.float32)
    shifted = level.points_px + np.multiply.outer(_depth_px(level, mark, state), direction)
    turned = shifted @ state.matrix[:, :2].T.astype(np.float32)
    return np.asarray(turned + state.matrix[:, 2].astype(np.float32), np.float32)


def fit(
    level: Level,
    mark: Landmark,
    moving: Normalised,
    start: State,
    own: RegisterSettings,
    *,
    free: tuple[int, ...],
    steps: int,
    hold: Floats | None = None,
) -> Fit:
    """Fit the free parameters at one scale.

    Parameters
    ----------
    level : Level
        Of the reference.
    mark : Landmark
    moving : Normalised
        At the level's scale.
    start : State
    own : RegisterSettings
    free : tuple of int
        Indices of the parameters that may move.
    steps : int
        At most.
    hold : ndarray, optional
        Standard deviation, one for each free parameter, of its distance from the start.
    """
    chosen = list(free)
    precision = np.zeros(_COUNT)
    precision[4:6] = 1 / math.radians(own.prior_angle_deg) ** 2
    precision[6:8] = 1 / own.slope_mm**2
    precision[8:] = 1 / own.bend_mm**2
    if hold is not None:
        precision[chosen] = 1 / hold**2
    precision = precision[chosen]
    seen = _channels(moving)
    total = float(level.weights.sum())
    counted = level.weights > 0.1
    state, moved = start, np.zeros(_COUNT)
    score = overlap = 0.0
    covariance = np.full((_COUNT, _COUNT), np.inf)
    for _ in range(steps):
        taken = sample(seen, _places(level, mark, moving, state))
        value, weight = taken[0], level.weights * _share(taken[1])
        overlap = float(weight.sum() / max(1e-9, total))
        if overlap < own.least_overlap / 2:
            break
        heavy = weight * value
        there = float(heavy @ value)
        here = float((weight * level.value) @ level.value)
        both = float(heavy @ level.value)
        score = both / max(1e-9, math.sqrt(there * here))
        gain = min(max(both / max(1e-9, here), 0.3), 3.0)
        residual = value - np.float32(gain) * level.value
        spread = 1.4826 * float(np.median(np.abs(residual[counted & (weight > 0.1)]))) + 1e-6
        bounded = np.minimum(np.abs(residual) / np.float32(own.tukey_c * spread), 1)
        robust = weight * (1 - bounded**2) ** 2
        # Efficient second-order step: mean of both pictures' gradients, in the reference's frame.
        turned = (state.matrix[:, :2] * moving.factor).astype(np.float32)
        mean = np.float32(0.5) * (level.gradient.T + turned.T @ taken[2:])
        jacobian = _jacobian(level, mark, state, mean)[chosen]
        weighted = jacobian * robust
        hessian = (weighted @ jacobian.T).astype(float)
        pulls = weighted * residual
        # One sum per block of bone, so that a wrong shape does not pretend to be thousands of
        # independent agreements.
        sums = np.add.reduceat(pulls, level.block_starts, axis=1).astype(float)
        pull = sums.sum(axis=1)
        meat = sums @ sums.T
        # The priors speak in the data's currency: divided by its effective variance.
        effective = max(1e-9, float(np.trace(meat) / max(np.trace(hessian), 1e-12)))
        prior = np.diag(precision * effective)
        inverse = np.linalg.inv(hessian + prior)
        away = np.r_[moved[:4], state.angles, state.modes][chosen]
        step = np.zeros(_COUNT)
        step[chosen] = -inverse @ (pull + prior @ away)
        covariance = np.zeros((_COUNT, _COUNT))
        covariance[np.ix_(chosen, chosen)] = inverse @ (meat + prior * effective) @ inverse
        state = _stepped(state, step, mark)
        moved += step
        if float(np.abs(step * _REACH_MM).max()) < own.converged_mm:
            break
    return Fit(state, score, overlap, covariance, moving)


def agreement(level: Level, mark: Landmark, moving: Normalised, state: State) -> float:
    """Weighted correlation of the normalised pictures at a state, -1 … 1."""
    at = _places(level, mark, moving, state)
    value, support = sample(np.dstack([moving.value, moving.support]), at)
    weight = level.weights * _share(support)
    there = float((weight * value * value).sum())
    here = float((weight * level.value * level.value).sum())
    both = float((weight * value * level.value).sum())
    return both / max(1e-9, math.sqrt(there * here))


def contrast_ratio(level: Level, mark: Landmark, moving: Normalised, state: State) -> float:
    """Ratio of local contrasts, moving to reference, over the registered bone."""
    at = _places(level, mark, moving, state)
    value, support = sample(np.dstack([moving.deviation, moving.support]), at)
    weight = level.weights * _share(support)
    ratio = 1.0
    for _ in range(3):
        off = value - np.float32(ratio) * level.deviation
        spread = 1.4826 * float(np.median(np.abs(off))) + 1e-9
        robust = weight / (1 + (off / np.float32(2 * spread)) ** 2)
        # Both pictures are noisy: the ratio of spreads, not the slope of one on the other.
        top = float((robust * value * value).sum())
        bottom = float((robust * level.deviation * level.deviation).sum())
        ratio = math.sqrt(max(top, 1e-12) / max(bottom, 1e-12))
    return min(max(ratio, 0.1), 10.0)


def sample(channels: Picture, at: Picture) -> Picture:
    """Bilinear samples of a picture's channels, (M, N, C), at many points (K, 2): (C, K).

    Outside is 0.
    """
    width = 256
    rows = -(-len(at) // width)
    folded = np.full((rows * width, 2), -10, np.float32)
    folded[: len(at)] = at
    # Folded into rows: OpenCV limits a side of a map to 32767, and there are more points.
    x, y = np.ascontiguousarray(folded.reshape(rows, width, 2).transpose(2, 0, 1))
    taken = np.asarray(cv2.remap(channels, x, y, cv2.INTER_LINEAR), np.float32)
    return np.ascontiguousarray(taken.reshape(rows * width, -1)[: len(at)].T)


def _channels(moving: Normalised) -> Picture:
    """Value, support and the value's derivatives, to be sampled together."""
    return np.dstack([moving.value, moving.support, *gradient(moving.value)])


def _places(level: Level, mark: Landmark, moving: Normalised, state: State) -> Picture:
    """Where the level's pixels lie on the reduced moving picture: (K, 2)."""
    shift = 0.5 * moving.factor - 0.5
    at = positions(level, mark, state) * np.float32(moving.factor) + np.float32(shift)
    return np.asarray(at, np.float32)


def _share(support: Picture) -> Picture:
    return np.asarray(np.clip(support * 2 - 1, 0, 1), np.float32)


def _jacobian(level: Level, mark: Landmark, state: State, slope: Picture) -> Picture:
    """Derivative of the moving value at each pixel by every parameter: (11, K), float32.

    ``slope`` is (2, K), per reference pixel.
    """
    per_mm = np.float32(1 / mark.mm_per_px)
    direction = (state.angles[1] * mark.lateral - state.angles[0] * mark.up).astype(np.float32)
    depth_px = _depth_px(level, mark, state)
    x = level.points_px[:, 0] - np.float32(mark.centre_px[0]) + depth_px * direction[0]
    y = level.points_px[:, 1] - np.float32(mark.centre_px[1]) + depth_px * direction[1]
    gx, gy = slope
    rows = np.empty((_COUNT, len(depth_px)), np.float32)
    rows[0] = gx * x + gy * y
    rows[1] = gy * x - gx * y
    rows[2:4] = slope * per_mm
    rows[4] = -(mark.up.astype(np.float32) @ slope) * depth_px
    rows[5] = (mark.lateral.astype(np.float32) @ slope) * depth_px
    rows[6:] = level.modes.T * ((direction @ slope) * per_mm)
    return rows


def _depth_px(level: Level, mark: Landmark, state: State) -> Picture:
    depth = level.depth_mm + level.modes @ state.modes.astype(np.float32)
    return np.asarray(depth * np.float32(1 / mark.mm_per_px), np.float32)


def _stepped(state: State, step: Floats, mark: Landmark) -> State:
    """Compose the similarity with the step (in the reference's frame), add the rest."""
    zoom = math.exp(float(np.clip(step[0], -0.2, 0.2)))
    turn = float(np.clip(step[1], -0.2, 0.2))
    onto = np.asarray(mark.centre_px) + step[2:4] / mark.mm_per_px
    small = similarity(zoom, turn, mark.centre_px, (float(onto[0]), float(onto[1])))
    linear = state.matrix[:, :2] @ small[:, :2]
    offset = state.matrix[:, :2] @ small[:, 2] + state.matrix[:, 2]
    angles = np.clip(state.angles + step[4:6], -0.35, 0.35)
    return State(np.column_stack([linear, offset]), angles, state.modes + step[6:])
