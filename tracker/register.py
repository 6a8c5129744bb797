"""Reference, moving -> registration of the pelvis (never the femur), with its uncertainty.

Model.  A point ``x`` of the reference, whose bone lies ``z`` mm nearer to the tube than the
socket's centre ``C``, appears on the moving picture at ``S(x + d(x))``: ``S`` is a similarity
(turn, zoom, shift, no reflection) and ``d = z (oblique l - tilt u)`` is what a small turn of the
beam does to it (``l`` lateral, ``u`` up).  ``z`` comes from a generic pelvis placed on the
reference, so a turn of the C-arm or of the pelvis is two parameters of the fit and not an error.

Both pictures are compared after *local normalisation* (local mean taken out, local contrast
divided out), which removes automatic brightness, gamma, scatter and the soft-tissue wedge.
The fit is Gauss-Newton over three scales with Tukey's biweight; its covariance is clustered by
blocks, since neighbouring residuals of a wrong bone shape are not independent.
"""

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from itertools import product
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft

from tracker.settings import DEFAULTS, RegisterSettings, Settings
from tracker.values import (
    Floats,
    Landmark,
    Mask,
    NotMeasurable,
    Picture,
    Point,
    Radiograph,
    Reason,
    Registration,
)

# Parameters in order: log zoom, turn, shift x and y (mm), tilt, oblique (rad), depth modes (mm).
_SIMILARITY: Final = (0, 1, 2, 3)
_ALL: Final = (0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10)
_SHIFT: Final = (2, 3)
_IDENTITY: Final = np.eye(2, 3)


@dataclass(frozen=True, eq=False, slots=True)
class Level:
    """One scale of the reference: pixels used, their values, gradients and depths."""

    factor: float
    normalised: Picture
    weight: Picture
    columns: Picture
    rows: Picture
    used: NDArray[np.intp]
    value: Floats
    deviation: Floats
    gradient: Floats
    depth_mm: Floats
    modes: Floats
    used_weight: Floats
    block: NDArray[np.intp]


@dataclass(frozen=True, eq=False, slots=True)
class Template:
    """A reference prepared for registration."""

    landmark: Landmark
    levels: tuple[Level, ...]
    coarse: Level
    local: Level
    field_radius_px: float


# --- local normalisation -----------------------------------------------------------------


def normalise(
    attenuation: Picture, valid: Mask, sigma_px: float, contrast_floor: float
) -> tuple[Picture, Picture, Picture]:
    """Take out the local mean and divide by the local contrast.

    Parameters
    ----------
    attenuation : ndarray of shape (M, N), float32
    valid : ndarray of shape (M, N), bool
    sigma_px : float
        Width of the neighbourhood (standard deviation of a Gaussian).
    contrast_floor : float
        Contrast, in units of ``attenuation``, that is not amplified further.

    Returns
    -------
    normalised, support, deviation : ndarray of shape (M, N), float32
        ``support`` is 0 … 1: how far the neighbourhood is valid.  ``deviation`` is the picture
        less its local mean, before the contrast is divided out.
    """
    inside = valid.astype(np.float32)
    ksize = (0, 0)
    mass = cv2.GaussianBlur(inside, ksize, sigma_px)
    safe = np.maximum(mass, 1e-3)
    centred = attenuation - float(attenuation[valid].mean() if valid.any() else 0.0)
    mean = cv2.GaussianBlur(centred * inside, ksize, sigma_px) / safe
    deviation = (centred - mean) * inside
    variance = cv2.GaussianBlur(deviation * deviation, ksize, sigma_px) / safe
    return (
        np.asarray(deviation / np.sqrt(variance + contrast_floor**2), np.float32),
        np.asarray(inside * mass, np.float32),
        np.asarray(deviation, np.float32),
    )


def _reduce(array: Picture, factor: float) -> Picture:
    """Reduce by area averaging; pixel centres map as x' = (x + 1/2) factor - 1/2."""
    if factor >= 0.999:
        return array
    height, width = array.shape
    size = (max(8, round(width * factor)), max(8, round(height * factor)))
    return np.asarray(cv2.resize(array, size, None, 0, 0, cv2.INTER_AREA), np.float32)


def _reduced_radiograph(
    picture: Radiograph,
    factor: float,
    mm_per_px: float,
    own: RegisterSettings,
    steady: Callable[[float, tuple[int, int]], Mask] | None = None,
) -> tuple[Picture, Picture, Picture, float]:
    """Normalised picture, support, deviation, and the factor really used (whole pixels).

    ``steady`` gives, for a factor and a shape, the reduced pixels that show nothing that moves.
    """
    factor = min(1.0, factor)
    inside = _reduce(picture.valid.astype(np.float32), factor)
    small = _reduce(np.where(picture.valid, picture.attenuation, 0).astype(np.float32), factor)
    valid = inside > 0.6
    if steady is not None:
        valid &= steady(small.shape[1] / picture.attenuation.shape[1], small.shape)
    small = np.where(valid, small / np.maximum(inside, 0.5), 0).astype(np.float32)
    factor = small.shape[1] / picture.attenuation.shape[1]
    sigma = own.neighbourhood_mm / (mm_per_px / factor)
    noise = picture.noise_std * factor
    smooth = cv2.GaussianBlur(small, (0, 0), own.smoothing_px)
    return *normalise(smooth, valid, sigma, max(own.contrast_floor, 2 * noise)), factor


def _steady(mark: Landmark, matrix: Floats) -> Callable[[float, tuple[int, int]], Mask]:
    """The reference's steady pixels carried onto a picture by a similarity."""

    def on(factor: float, shape: tuple[int, int]) -> Mask:
        # Full pixel x of the picture is (i + 1/2) / factor - 1/2 at reduced pixel i.
        inverse = np.linalg.inv(matrix[:, :2])
        offset = (0.5 / factor - 0.5) * np.ones(2)
        linear = inverse / factor
        back = np.column_stack([linear, inverse @ (offset - matrix[:, 2])])
        flags = cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP
        taken = cv2.warpAffine(
            mark.steady.astype(np.uint8), back, (shape[1], shape[0]), flags=flags,
            borderMode=cv2.BORDER_CONSTANT, borderValue=1,
        )
        return np.asarray(taken > 0)

    return on


def _gradient(picture: Picture) -> tuple[Picture, Picture]:
    """Central differences per pixel, x and y."""
    gx = cv2.Scharr(picture, cv2.CV_32F, 1, 0) / 32
    gy = cv2.Scharr(picture, cv2.CV_32F, 0, 1) / 32
    return np.asarray(gx, np.float32), np.asarray(gy, np.float32)


def prepare_template(
    reference: Radiograph, landmark: Landmark, settings: Settings = DEFAULTS
) -> Template | NotMeasurable:
    """Prepare the reference once a case: its pixels, gradients and depths at every scale.

    Parameters
    ----------
    reference : Radiograph
    landmark : Landmark
        In the reference's pixels.
    settings : Settings

    Returns
    -------
    Template
    NotMeasurable
        ``reference-unusable`` when too little pelvis can be seen.
    """
    own = settings.register
    levels = tuple(_level(reference, landmark, mm, own) for mm in own.levels_mm)
    everywhere = replace(landmark, steady=np.ones_like(landmark.steady))
    coarse = _level(reference, everywhere, own.coarse_mm, own)
    area_mm2 = float((landmark.weight > 0.5).sum()) * landmark.mm_per_px**2
    if area_mm2 < own.least_area_mm2 or any(len(level.used) < 200 for level in levels):
        return NotMeasurable(
            Reason.REFERENCE_UNUSABLE, "Too little of the pelvis can be seen in the first picture."
        )
    local = _level(reference, _beside_rim(landmark, own), own.levels_mm[-1], own)
    return Template(landmark, levels, coarse, local, reference.field.radius_px)


def _beside_rim(mark: Landmark, own: RegisterSettings) -> Landmark:
    """The landmark with the weight drawn together about the rim's edge."""
    height, width = mark.weight.shape
    x = (np.arange(width) - mark.edge_px[0]) * mark.mm_per_px / own.local_mm
    y = (np.arange(height) - mark.edge_px[1]) * mark.mm_per_px / own.local_mm
    window = np.exp(-0.5 * y**2)[:, None] * np.exp(-0.5 * x**2)[None, :]
    return replace(mark, weight=(mark.weight * window).astype(np.float32))


def _level(
    reference: Radiograph, mark: Landmark, level_mm: float, own: RegisterSettings
) -> Level:
    normalised, support, deviation, factor = _reduced_radiograph(
        reference, mark.mm_per_px / level_mm, mark.mm_per_px, own, _steady(mark, _IDENTITY)
    )
    size = (normalised.shape[1], normalised.shape[0])
    weight = np.asarray(cv2.resize(mark.weight, size, None, 0, 0, cv2.INTER_AREA), np.float32)
    weight = weight * np.clip(support * 2 - 1, 0, 1)
    depth = np.asarray(cv2.resize(mark.depth_mm, size, None, 0, 0, cv2.INTER_AREA), np.float32)
    gx, gy = _gradient(normalised)
    rows, columns = np.mgrid[: size[1], : size[0]].astype(np.float32)
    columns = (columns + 0.5) / factor - 0.5
    rows = (rows + 0.5) / factor - 0.5
    strength = np.hypot(gx, gy)
    # Flat pixels say nothing about where the bone is; they only cost time.
    enough = weight > 0.05
    cut = float(np.quantile(strength[enough], own.flat_share)) if enough.any() else 0.0
    used = np.flatnonzero((enough & (strength >= cut)).ravel())
    gradient = np.column_stack([gx.ravel()[used], gy.ravel()[used]]).astype(float) * factor
    side = own.block_mm / mark.mm_per_px
    block = (rows.ravel()[used] // side).astype(int) * 1000 + (
        columns.ravel()[used] // side
    ).astype(int)
    block = np.unique(block, return_inverse=True)[1]
    return Level(
        factor,
        normalised,
        weight.astype(np.float32),
        columns,
        rows,
        used,
        normalised.ravel()[used].astype(float),
        deviation.ravel()[used].astype(float),
        gradient,
        depth.ravel()[used].astype(float),
        mark.depth_modes(np.column_stack([columns.ravel()[used], rows.ravel()[used]]).astype(float)),
        weight.ravel()[used].astype(float),
        block,
    )


# --- coarse search -----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Start:
    score: float
    matrix: tuple[float, ...]


def _similarity(zoom: float, turn: float, about: Point, onto: Point) -> Floats:
    """(2, 3) matrix that turns and zooms about a point and carries it onto another."""
    c, s = zoom * math.cos(turn), zoom * math.sin(turn)
    linear = np.array([[c, -s], [s, c]])
    return np.column_stack([linear, np.asarray(onto) - linear @ np.asarray(about)])


def _coarse_search(
    template: Template,
    moving: Picture,
    support: Picture,
    factor: float,
    candidates: Iterable[tuple[float, float]],
) -> list[_Start]:
    """Best shift for each (zoom, turn in rad) by masked correlation; best first."""
    level = template.coarse
    kernel_size = 2 * max(level.normalised.shape)
    shape = tuple(
        fft.next_fast_len(n + kernel_size // 2, real=True) for n in moving.shape
    )
    valid = (support > 0.3).astype(np.float32)
    image = moving * valid
    image_f = np.conj(fft.rfft2(image, shape))
    power_f = np.conj(fft.rfft2(image * image, shape))
    valid_f = np.conj(fft.rfft2(valid, shape))
    cx = (template.landmark.centre_px[0] + 0.5) * level.factor - 0.5
    cy = (template.landmark.centre_px[1] + 0.5) * level.factor - 0.5
    middle = (moving.shape[1] / 2.0, moving.shape[0] / 2.0)
    size = (moving.shape[1], moving.shape[0])
    starts = []
    for zoom, turn in candidates:
        scale = zoom * factor / level.factor
        matrix = _similarity(scale, turn, (cx, cy), middle)
        weight = cv2.warpAffine(level.weight, matrix, size)
        value = cv2.warpAffine(level.normalised, matrix, size)
        weighted = weight * value
        total = float(weight.sum())
        if total <= 0:
            continue
        product_ = fft.irfft2(fft.rfft2(weighted, shape) * image_f, shape)
        weight_f = fft.rfft2(weight, shape)
        power = fft.irfft2(weight_f * power_f, shape)
        covered = fft.irfft2(weight_f * valid_f, shape) / total
        own_power = float((weight * value * value).sum())
        score = product_ / np.sqrt(np.maximum(power * own_power, 1e-6))
        score = np.where(covered > 0.6, score * np.sqrt(np.clip(covered, 0, 1)), -1)
        row, column = np.unravel_index(int(score.argmax()), score.shape)
        best = float(score[row, column])
        # The correlation's lag is minus the shift of the template.
        dy = -int(row) if row <= shape[0] // 2 else shape[0] - int(row)
        dx = -int(column) if column <= shape[1] // 2 else shape[1] - int(column)
        onto = (
            (middle[0] + dx + 0.5) / factor - 0.5,
            (middle[1] + dy + 0.5) / factor - 0.5,
        )
        full = _similarity(zoom, turn, template.landmark.centre_px, onto)
        starts.append(_Start(best, tuple(full.ravel())))
    return sorted(starts, key=lambda start: -start.score)


# --- fine fit ----------------------------------------------------------------------------


@dataclass(frozen=True, eq=False, slots=True)
class _State:
    matrix: Floats
    angles: Floats  # tilt, oblique in rad
    modes: Floats  # of the depth, mm


@dataclass(frozen=True, eq=False, slots=True)
class _Fit:
    state: _State
    score: float
    overlap: float
    covariance: Floats
    converged: bool
    gain: float = 1.0


@dataclass(frozen=True, eq=False, slots=True)
class _Prior:
    """What is known beforehand of the depth's modes."""

    mean: Floats
    precision: Floats


def _prior(count: int, earlier: Registration | None, own: RegisterSettings) -> _Prior:
    """Prior of the depth modes: the generic pelvis, or what earlier pictures made of it."""
    if earlier is not None:
        return _Prior(earlier.modes_mm, np.linalg.inv(earlier.modes_covariance))
    spread = np.array([own.slope_mm] * 2 + [own.bend_mm] * (count - 2))
    return _Prior(np.zeros(count), np.diag(1 / spread**2))


def _basis(level: Level, mark: Landmark, state: _State) -> Floats:
    """Displacement in reference pixels per unit of each parameter: shape (P, N, 2)."""
    angles = state.angles
    x = level.columns.ravel()[level.used].astype(float)
    y = level.rows.ravel()[level.used].astype(float)
    depth_px = (level.depth_mm + level.modes @ state.modes)[:, None] / mark.mm_per_px
    direction = angles[1] * mark.lateral - angles[0] * mark.up
    from_centre = np.column_stack([x, y]) - mark.centre_px + depth_px * direction
    ones, zeros = np.ones_like(x), np.zeros_like(x)
    return np.stack(
        [
            from_centre,
            np.column_stack([-from_centre[:, 1], from_centre[:, 0]]),
            np.column_stack([ones, zeros]) / mark.mm_per_px,
            np.column_stack([zeros, ones]) / mark.mm_per_px,
            -depth_px * mark.up,
            depth_px * mark.lateral,
            *(mode[:, None] / mark.mm_per_px * direction for mode in level.modes.T),
        ]
    )


def _sample(picture: Picture, x: Picture, y: Picture) -> Floats:
    """Bilinear samples at many points; outside is 0."""
    width = 512
    pad = (-len(x)) % width
    map_x = np.pad(x, (0, pad), constant_values=-10).reshape(-1, width)
    map_y = np.pad(y, (0, pad), constant_values=-10).reshape(-1, width)
    taken = cv2.remap(picture, map_x, map_y, cv2.INTER_LINEAR)
    return taken.ravel()[: len(x)].astype(float)


def _fit_level(
    level: Level,
    mark: Landmark,
    moving: Picture,
    support: Picture,
    factor: float,
    start: _State,
    own: RegisterSettings,
    *,
    free: tuple[int, ...],
    steps: int,
    prior: _Prior,
    hold: Floats | None = None,
) -> _Fit:
    """Robust Gauss-Newton at one scale over the ``free`` parameters.

    ``hold`` is the prior standard deviation of the free parameters' steps from the start, for
    those that are held to it (inf: not held).
    """
    state = start
    gx, gy = _gradient(moving)
    chosen = list(free)
    count = 6 + level.modes.shape[1]
    precision = np.zeros((count, count))
    precision[[4, 5], [4, 5]] = 1 / math.radians(own.prior_angle_deg) ** 2
    precision[6:, 6:] = prior.precision
    if hold is not None:
        precision[chosen, chosen] = 1 / hold**2
    precision = precision[np.ix_(chosen, chosen)]
    moved = np.zeros(count)
    converged = False
    score = overlap = 0.0
    covariance = np.full((count, count), np.inf)
    for _ in range(steps):
        at = (_positions(level, mark, state) + 0.5) * factor - 0.5
        ax, ay = at[:, 0].astype(np.float32), at[:, 1].astype(np.float32)
        value = _sample(moving, ax, ay)
        seen = np.clip(_sample(support, ax, ay) * 2 - 1, 0, 1)
        weight = level.used_weight * seen
        total = float(weight.sum())
        overlap = total / max(1e-9, float(level.used_weight.sum()))
        if overlap < own.least_overlap / 2:
            break
        # Efficient second-order step: mean of both pictures' gradients, in the reference's frame.
        moving_gradient = np.column_stack([_sample(gx, ax, ay), _sample(gy, ax, ay)]) * factor
        gradient = 0.5 * (level.gradient + moving_gradient @ state.matrix[:, :2])
        gain = float((weight * value * level.value).sum() / max(1e-9, (weight * level.value**2).sum()))
        gain = min(max(gain, 0.3), 3.0)
        residual = value - gain * level.value
        # Where the moving picture is noisier the gain falls; the residual keeps its own scale.
        spread = 1.4826 * float(np.median(np.abs(residual[weight > 0.1]))) + 1e-6
        bounded = np.clip(np.abs(residual) / (own.tukey_c * spread), 0, 1)
        robust = weight * (1 - bounded**2) ** 2
        basis = _basis(level, mark, state)[chosen]
        jacobian = np.einsum("pnk,nk->np", basis, gradient)
        weighted = jacobian * robust[:, None]
        hessian = jacobian.T @ weighted
        slope = weighted.T @ residual
        # One robust variance per block of bone, so that a wrong shape does not pretend to be
        # thousands of independent agreements.
        blocks = int(level.block.max()) + 1
        per_block = np.stack(
            [np.bincount(level.block, column, blocks) for column in (weighted * residual[:, None]).T],
            1,
        )
        meat = per_block.T @ per_block
        # The prior speaks in the same currency as the data: divided by the effective variance.
        effective = max(1e-9, float(np.trace(meat) / np.trace(hessian)))
        damped = hessian + precision * effective
        away = np.r_[moved[:4], state.angles, state.modes - prior.mean][chosen]
        step = np.zeros(count)
        step[chosen] = -np.linalg.solve(damped, slope + effective * precision @ away)
        inverse = np.linalg.inv(damped)
        covariance = np.zeros((count, count))
        covariance[np.ix_(chosen, chosen)] = inverse @ (meat + precision * effective**2) @ inverse
        state = _stepped(state, step, mark)
        moved += step
        score = float((weight * value * level.value).sum()) / max(
            1e-9,
            math.sqrt(float((weight * value**2).sum() * (weight * level.value**2).sum())),
        )
        move = np.abs(step[:6] * np.array([80.0, 80.0, 1.0, 1.0, 20.0, 20.0]))
        if move.max() < own.converged_mm:
            converged = True
            break
    return _Fit(state, score, overlap, covariance, converged)


def _positions(level: Level, mark: Landmark, state: _State) -> Floats:
    """Where the level's used pixels lie on the moving picture, in its full pixels: (N, 2)."""
    points = np.column_stack(
        [level.columns.ravel()[level.used], level.rows.ravel()[level.used]]
    ).astype(float)
    direction = state.angles[1] * mark.lateral - state.angles[0] * mark.up
    depth = level.depth_mm + level.modes @ state.modes
    shifted = points + depth[:, None] / mark.mm_per_px * direction
    result: Floats = shifted @ state.matrix[:, :2].T + state.matrix[:, 2]
    return result


def _gain(
    level: Level, mark: Landmark, deviation: Picture, support: Picture, factor: float, state: _State
) -> float:
    """Ratio of local contrasts, moving to reference, over the registered bone."""
    at = ((_positions(level, mark, state) + 0.5) * factor - 0.5).astype(np.float32)
    value = _sample(deviation, at[:, 0], at[:, 1])
    seen = np.clip(_sample(support, at[:, 0], at[:, 1]) * 2 - 1, 0, 1)
    weight = level.used_weight * seen
    ratio = 1.0
    for _ in range(4):
        off = value - ratio * level.deviation
        spread = 1.4826 * float(np.median(np.abs(off[weight > 0.1]))) + 1e-9
        robust = weight / (1 + (off / (2 * spread)) ** 2)
        # Both pictures are noisy: the ratio of spreads, not the slope of one on the other.
        top = float((robust * value**2).sum())
        bottom = float((robust * level.deviation**2).sum())
        ratio = math.sqrt(top / max(bottom, 1e-12))
    return min(max(ratio, 0.1), 10.0)


def _stepped(state: _State, step: Floats, mark: Landmark) -> _State:
    """Compose the similarity with the step (in the reference's frame) and add the angles."""
    zoom, turn = math.exp(float(np.clip(step[0], -0.2, 0.2))), float(np.clip(step[1], -0.2, 0.2))
    centre = np.asarray(mark.centre_px)
    small = _similarity(zoom, turn, mark.centre_px, tuple(centre + step[2:4] / mark.mm_per_px))
    linear = state.matrix[:, :2] @ small[:, :2]
    offset = state.matrix[:, :2] @ small[:, 2] + state.matrix[:, 2]
    angles = state.angles + step[4:6]
    modes = state.modes + step[6:]
    return _State(np.column_stack([linear, offset]), np.clip(angles, -0.35, 0.35), modes)


def register(
    template: Template,
    moving: Radiograph,
    settings: Settings = DEFAULTS,
    *,
    earlier: Registration | None = None,
) -> Registration | NotMeasurable:
    """Find the reference's pelvis on a moving picture.

    Parameters
    ----------
    template : Template
        The prepared reference.
    moving : Radiograph
        In its own pixels; any turn, shift and zoom, not mirrored.
    settings : Settings
    earlier : Registration, optional
        Of an earlier picture of the case: a first guess that saves the wide search.

    Returns
    -------
    Registration
        In pixels of both pictures.  Whether it is good enough is the verdict's business.
    NotMeasurable
        ``other-anatomy`` when nothing of the reference can be found, ``mirrored`` when the
        mirrored picture fits clearly better.
    """
    own = settings.register
    direct = _best(template, moving, own, earlier)
    if direct is None or direct.score < own.sure_score:
        mirrored = _best(template, _mirrored(moving), own, None)
        if mirrored is not None and mirrored.score > own.least_score:
            if direct is None or mirrored.score > direct.score + own.mirror_margin:
                return NotMeasurable(Reason.MIRRORED)
    if direct is None:
        return NotMeasurable(Reason.OTHER_ANATOMY)
    prior = _prior(template.coarse.modes.shape[1], earlier, own)
    shift, shift_covariance = _local_shift(template, moving, direct.state, own, prior)
    return Registration(
        direct.state.matrix.copy(),
        math.degrees(float(direct.state.angles[0])),
        math.degrees(float(direct.state.angles[1])),
        direct.covariance[:6, :6].copy(),
        direct.state.modes,
        direct.covariance[6:, 6:].copy(),
        direct.score,
        direct.gain,
        direct.overlap,
        shift,
        shift_covariance,
        template.landmark,
    )


def _local_shift(
    template: Template, moving: Radiograph, state: _State, own: RegisterSettings, prior: _Prior
) -> tuple[Floats, Floats]:
    """What the bone beside the rim still disagrees by: a shift in mm, and its covariance.

    The depths of the generic pelvis are not this patient's; what they leave over at the rim is
    nearly a shift there.  It is held to nothing by how much they can leave, so that a rim with
    little bone in sight keeps the fit of the whole pelvis.
    """
    mark, level = template.landmark, template.local
    zoom = float(math.hypot(state.matrix[0, 0], state.matrix[1, 0]))
    picture, support, _, factor = _reduced_radiograph(
        moving, level.factor / zoom, mark.mm_per_px / zoom, own, _steady(mark, state.matrix)
    )
    turned = math.degrees(float(np.hypot(*state.angles)))
    hold = np.full(2, own.local_hold_mm + own.local_hold_mm_per_deg * turned)
    fit = _fit_level(
        level, mark, picture, support, factor, state, own,
        free=_SHIFT, steps=6, prior=prior, hold=hold,
    )
    if fit.overlap < own.least_overlap or not np.isfinite(fit.covariance[2:4, 2:4]).all():
        return np.zeros(2), np.diag(hold**2)
    # Where the local fit puts the edge, seen from where the whole fit puts it.
    edge = np.asarray(mark.edge_px)
    there = fit.state.matrix[:, :2] @ edge + fit.state.matrix[:, 2]
    inverse = np.linalg.inv(state.matrix[:, :2])
    back = inverse @ (there - state.matrix[:, 2])
    shift: Floats = (back - edge) * mark.mm_per_px
    return shift, fit.covariance[2:4, 2:4].copy()


def _mirrored(picture: Radiograph) -> Radiograph:
    """The picture seen from behind."""
    flip = lambda array: np.ascontiguousarray(array[:, ::-1])  # noqa: E731
    return Radiograph(
        flip(picture.attenuation),
        flip(picture.valid),
        flip(picture.metal),
        picture.field,
        picture.bone_bright,
        picture.noise_std,
    )


def _best(
    template: Template, moving: Radiograph, own: RegisterSettings, earlier: Registration | None
) -> _Fit | None:
    """The best fit over the starts that the coarse search proposes, or None."""
    mark = template.landmark
    prior = _prior(template.coarse.modes.shape[1], earlier, own)
    ratio = moving.field.radius_px / template.field_radius_px
    coarse, support, _, factor = _reduced_radiograph(
        moving, template.coarse.factor / ratio, mark.mm_per_px / ratio, own
    )
    near = product(
        [ratio * z for z in own.near_zooms], [math.radians(t) for t in own.near_turns_deg]
    )
    starts = _coarse_search(template, coarse, support, factor, near)
    fit = _refined(template, moving, starts[: own.starts], own, prior)
    if earlier is not None and (fit is None or fit.score < own.sure_score):
        again = [_Start(1.0, tuple(earlier.reference_to_moving.ravel()))]
        fit = _better(fit, _refined(template, moving, again, own, prior))
    if fit is None or fit.score < own.sure_score:
        wide = product(
            [ratio * z for z in own.wide_zooms], np.radians(np.arange(0, 360, own.wide_turn_step_deg))
        )
        starts = _coarse_search(template, coarse, support, factor, wide)
        fit = _better(fit, _refined(template, moving, starts[: own.wide_starts], own, prior))
    return fit


def _better(first: _Fit | None, second: _Fit | None) -> _Fit | None:
    if first is None or second is None:
        return first or second
    return second if second.score > first.score else first


def _refined(
    template: Template,
    moving: Radiograph,
    starts: list[_Start],
    own: RegisterSettings,
    prior: _Prior,
) -> _Fit | None:
    """Fit from several starts at the coarsest scale, go on with the best one."""
    mark = template.landmark
    if not starts:
        return None
    best: _Fit | None = None
    for index, level in enumerate(template.levels):
        if index == 0:
            candidates = [
                _State(np.array(start.matrix).reshape(2, 3), np.zeros(2), prior.mean)
                for start in starts
            ]
        else:
            assert best is not None
            candidates = [best.state]
        fits = []
        for state in candidates:
            zoom = float(math.hypot(state.matrix[0, 0], state.matrix[1, 0]))
            picture, support, deviation, factor = _reduced_radiograph(
                moving, level.factor / zoom, mark.mm_per_px / zoom, own,
                _steady(mark, state.matrix),
            )
            args = (level, mark, picture, support, factor)
            free = _SIMILARITY if index == 0 else _ALL
            fit = _fit_level(*args, state, own, free=free, steps=own.steps[index], prior=prior)
            if fit.overlap > own.least_overlap:
                if index == len(template.levels) - 1:
                    gain = _gain(level, mark, deviation, support, factor, fit.state)
                    fit = replace(fit, gain=gain)
                fits.append(fit)
        if not fits:
            return None
        best = max(fits, key=lambda fit: fit.score)
    return best
