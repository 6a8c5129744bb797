"""The reference, and any other picture, made ready for registration at one scale.

Both pictures are compared after *local normalisation*: local mean taken out, local contrast
divided out.  That removes automatic brightness, gamma, scatter and the soft-tissue wedge.
Nothing that moves (femur) or is burred (rim) may enter a neighbour's local mean.

Reduced pictures are exact: pixel ``i`` of a picture reduced by ``factor`` lies at
``(i + 1/2) / factor - 1/2`` of the full one, whatever the sizes round to.
"""

import math
from dataclasses import dataclass, replace
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from tracker.settings import DEFAULTS, RegisterSettings, Settings
from tracker.values import Floats, Landmark, Mask, NotMeasurable, Picture, Radiograph, Reason

_SIGMA_PX: Final = 2.5
"""A Gaussian at least this wide is smooth enough to be interpolated linearly."""


@dataclass(frozen=True, eq=False, slots=True)
class Reduced:
    """A picture reduced, not yet normalised.

    Attributes
    ----------
    attenuation, inside : ndarray of shape (M, N), float32
        ``inside`` is the valid share of each reduced pixel.
    factor : float
        Reduced pixels per full pixel, the same along both axes.
    noise_std : float
    """

    attenuation: Picture
    inside: Picture
    factor: float
    noise_std: float


@dataclass(frozen=True, eq=False, slots=True)
class Normalised:
    """A reduced picture after local normalisation.

    Attributes
    ----------
    value, support, deviation : ndarray of shape (M, N), float32
        ``support`` is 0 … 1: how far the neighbourhood is valid.  ``deviation`` is the picture
        less its local mean, before the contrast is divided out.
    factor : float
    """

    value: Picture
    support: Picture
    deviation: Picture
    factor: float


@dataclass(frozen=True, eq=False, slots=True)
class Level:
    """One scale of the reference: the pixels used, and what the fit needs at each of them.

    Attributes
    ----------
    factor : float
    normalised, weight : ndarray of shape (M, N), float32
        The whole reduced picture, for the coarse search.
    points_px : ndarray of shape (K, 2), float32
        The pixels used, in full reference pixels.
    value, deviation, depth_mm, weights : ndarray of shape (K,), float32
    gradient : ndarray of shape (K, 2), float32
        Of ``value`` per full reference pixel.
    modes : ndarray of shape (K, 5), float32
        See :meth:`Landmark.depth_modes`.
    block_starts : ndarray of shape (B,), int
        The pixels are ordered by blocks of bone, for a covariance that neighbours can't inflate;
        where each block begins.
    """

    factor: float
    normalised: Picture
    weight: Picture
    points_px: Picture
    value: Picture
    deviation: Picture
    depth_mm: Picture
    weights: Picture
    gradient: Picture
    modes: Picture
    block_starts: NDArray[np.intp]


@dataclass(frozen=True, eq=False, slots=True)
class Template:
    """A reference prepared for registration: coarse for the search, levels for the fit."""

    landmark: Landmark
    coarse: Level
    levels: tuple[Level, ...]
    local: Level
    field_radius_px: float


def reduce(attenuation: Picture, inside: Picture, factor: float, noise_std: float) -> Reduced:
    """Reduce a picture about an exact factor, smoothed so that nothing aliases.

    Parameters
    ----------
    attenuation : ndarray of shape (M, N), float32
    inside : ndarray of shape (M, N), float32
        Valid share of each pixel, 0 … 1.
    factor : float
        At most 1; larger factors leave the picture as it is.
    noise_std : float
    """
    if factor >= 0.999:
        return Reduced(attenuation, inside, 1.0, noise_std)
    height, width = attenuation.shape
    size = (max(8, math.ceil(width * factor)), max(8, math.ceil(height * factor)))
    sigma = 0.5 * math.sqrt(1 / factor**2 - 1)
    shift = 0.5 / factor - 0.5
    back = np.array([[1 / factor, 0, shift], [0, 1 / factor, shift]])

    def taken(array: Picture) -> Picture:
        smooth = cv2.GaussianBlur(array, (0, 0), sigma)
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        return np.asarray(cv2.warpAffine(smooth, back, size, flags=flags), np.float32)

    share = taken(inside)
    small = taken(attenuation * inside) / np.maximum(share, np.float32(0.3))
    return Reduced(np.asarray(small, np.float32), share, factor, noise_std * factor)


def normalise(
    reduced: Reduced, steady: Mask | None, mm_per_px: float, own: RegisterSettings
) -> Normalised:
    """Take out the local mean and divide by the local contrast.

    Parameters
    ----------
    reduced : Reduced
    steady : ndarray of shape (M, N), bool, optional
        False where something moves or is burred.
    mm_per_px : float
        Of the full picture, at the hip.
    own : RegisterSettings
    """
    valid = reduced.inside > 0.6
    if steady is not None:
        valid = valid & steady
    sigma = own.neighbourhood_mm / (mm_per_px / reduced.factor)
    floor = max(own.contrast_floor, 2 * reduced.noise_std)
    smooth = cv2.GaussianBlur(reduced.attenuation, (0, 0), own.smoothing_px)
    inside = valid.astype(np.float32)
    mass = _wide_blur(inside, sigma)
    safe = np.maximum(mass, np.float32(1e-3))
    centred = (smooth - np.float32(smooth[valid].mean() if valid.any() else 0)) * inside
    mean = _wide_blur(np.asarray(centred, np.float32), sigma) / safe
    deviation = (centred - mean) * inside
    variance = _wide_blur(np.asarray(deviation * deviation, np.float32), sigma) / safe
    value = deviation / np.sqrt(variance + np.float32(floor**2))
    return Normalised(
        np.asarray(value, np.float32),
        np.asarray(inside * mass, np.float32),
        np.asarray(deviation, np.float32),
        reduced.factor,
    )


def _wide_blur(picture: Picture, sigma: float) -> Picture:
    """Gaussian average; a wide one is taken on a smaller picture, where it says the same."""
    step = int(sigma / _SIGMA_PX)
    if step < 2:
        return np.asarray(cv2.GaussianBlur(picture, (0, 0), sigma), np.float32)
    height, width = picture.shape
    padded = cv2.copyMakeBorder(
        picture, 0, -height % step, 0, -width % step, cv2.BORDER_REFLECT_101
    )
    size = (padded.shape[1] // step, padded.shape[0] // step)
    small = cv2.resize(padded, size, None, 0, 0, cv2.INTER_AREA)
    # The areas' own width, and that of the linear interpolation back, belong to the average.
    rest = math.sqrt(sigma**2 / step**2 - 1 / 12 - 1 / 6)
    soft = cv2.GaussianBlur(small, (0, 0), rest)
    full = cv2.resize(soft, (padded.shape[1], padded.shape[0]), None, 0, 0, cv2.INTER_LINEAR)
    return np.asarray(full[:height, :width], np.float32)


def gradient(picture: Picture) -> tuple[Picture, Picture]:
    """Derivatives per pixel, x and y (Scharr)."""
    gx = cv2.Scharr(picture, cv2.CV_32F, 1, 0) / np.float32(32)
    gy = cv2.Scharr(picture, cv2.CV_32F, 0, 1) / np.float32(32)
    return np.asarray(gx, np.float32), np.asarray(gy, np.float32)


def steady_on(mark: Landmark, matrix: Floats, factor: float, shape: tuple[int, int]) -> Mask:
    """Carry the reference's steady pixels onto a reduced picture by a similarity.

    Parameters
    ----------
    mark : Landmark
    matrix : ndarray of shape (2, 3)
        Reference to that picture, full pixels.
    factor : float
        Reduced pixels per full pixel of that picture.
    shape : tuple of int
        Of the reduced picture.
    """
    inverse = np.linalg.inv(matrix[:, :2])
    shift = np.full(2, 0.5 / factor - 0.5)
    back = np.column_stack([inverse / factor, inverse @ (shift - matrix[:, 2])])
    taken = cv2.warpAffine(
        mark.steady.astype(np.uint8),
        back,
        (shape[1], shape[0]),
        flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=(1,),
    )
    return np.asarray(taken > 0)


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
    everywhere = replace(landmark, steady=np.ones_like(landmark.steady))
    beside = _beside_rim(landmark, own)
    coarse = _level(reference, everywhere, own.coarse_mm, 0.0, own)
    flat = own.flat_shares
    levels = tuple(
        _level(reference, landmark, mm, share, own)
        for mm, share in zip(own.levels_mm, flat, strict=True)
    )
    local = _level(reference, beside, own.levels_mm[-1], flat[-1], own)
    area_mm2 = float((landmark.weight > 0.5).sum()) * landmark.mm_per_px**2
    if area_mm2 < own.least_area_mm2 or any(len(level.value) < 200 for level in levels):
        return NotMeasurable(
            Reason.REFERENCE_UNUSABLE, "Too little of the pelvis can be seen in the first picture."
        )
    return Template(landmark, coarse, levels, local, reference.field.radius_px)


def _beside_rim(mark: Landmark, own: RegisterSettings) -> Landmark:
    """The landmark with the weight drawn together about the rim's edge."""
    height, width = mark.weight.shape
    x = (np.arange(width) - mark.edge_px[0]) * mark.mm_per_px / own.local_mm
    y = (np.arange(height) - mark.edge_px[1]) * mark.mm_per_px / own.local_mm
    window = np.exp(-0.5 * y**2)[:, None] * np.exp(-0.5 * x**2)[None, :]
    return replace(mark, weight=(mark.weight * window).astype(np.float32))


def _level(
    reference: Radiograph, mark: Landmark, level_mm: float, flat: float, own: RegisterSettings
) -> Level:
    factor = mark.mm_per_px / level_mm
    inside = reference.valid.astype(np.float32)
    reduced = reduce(reference.attenuation, inside, factor, reference.noise_std)
    factor, shape = reduced.factor, reduced.attenuation.shape
    steady = steady_on(mark, np.eye(2, 3), factor, shape)
    ready = normalise(reduced, steady, mark.mm_per_px, own)
    everywhere = np.ones_like(mark.weight)
    weight = reduce(mark.weight, everywhere, factor, 0.0).attenuation
    weight = weight * np.clip(ready.support * 2 - 1, 0, 1)
    depth = reduce(mark.depth_mm, everywhere, factor, 0.0).attenuation
    gx, gy = gradient(ready.value)
    strength = np.hypot(gx, gy)
    # Flat pixels say nothing about where the bone is; they only cost time.
    enough = weight > 0.05
    cut = float(np.quantile(strength[enough], flat)) if enough.any() else 0.0
    rows, columns = np.nonzero(enough & (strength >= cut))
    points: Floats = (np.column_stack([columns, rows]).astype(float) + 0.5) / factor - 0.5
    block = np.floor(points * (mark.mm_per_px / own.block_mm)).astype(int)
    name = block[:, 0] * 10_000 + block[:, 1]
    order = np.argsort(name, kind="stable")
    points, rows, columns = points[order], rows[order], columns[order]
    _, starts = np.unique(name[order], return_index=True)
    at = (rows, columns)
    return Level(
        factor,
        ready.value,
        weight.astype(np.float32),
        points.astype(np.float32),
        ready.value[at],
        ready.deviation[at],
        depth[at],
        weight[at].astype(np.float32),
        (np.column_stack([gx[at], gy[at]]) * factor).astype(np.float32),
        mark.depth_modes(points).astype(np.float32),
        starts,
    )
