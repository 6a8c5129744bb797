"""The lateral corner of the bony roof beside a known head circle.

In polar coordinates about the head's centre (distance in head radii, angle from up, lateral
positive) the bony outline is one path: it comes down the outer wall as the distance falls, turns
at the corner, and follows the roof at a nearly constant angle.  Lateral of it lies soft tissue,
smooth enough for a quadratic surface.  The outline is the first place, coming from the soft
tissue, that stands above that surface by a set share of the bone's own contrast.
"""

import math
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np

from tracker.contour import unit_rays
from tracker.values import Circle, Floats, Mask, Point, Radiograph

ANGLES_DEG: Final = (-12.0, 86.0)
ANGLE_STEP_DEG: Final = 0.25
DISTANCES: Final = (1.05, 1.60)
DISTANCE_STEP: Final = 0.005
STARTS_DEG: Final = ((58.0, 52.0, 40.0), (68.0, 64.0, 52.0))
"""First guesses of the outline at 1.04, 1.3 and 1.66 head radii: usual, and far overhanging."""
BONE_SHARE: Final = 0.10
"""Share of the bone's contrast at which the outline lies (about 1 mm of cortical bone)."""
NOISE_FACTOR: Final = 3.0
"""The outline never lies lower than this many standard deviations of the soft tissue."""
RUN_DEG: Final = 3.0
"""Bone goes on for at least this far; a vessel or a fibre does not."""
CORE: Final = 2.0
CORE_DEG: Final = 4.0
"""Within this far of its border bone is at least so many times the level of the outline."""
LEAST_CONTRAST: Final = 8.0
"""Least contrast of the bone, in standard deviations of the soft tissue beside it."""
LEAST_FOUND: Final = 0.7
LARGEST_ROUGHNESS_DEG: Final = 1.0
"""Largest median step of the outline between neighbouring distances before smoothing."""
LARGEST_JUMP_DEG: Final = 3.0
CORNER_DISTANCES: Final = (1.08, 1.42)
"""Where the corner is looked for, in head radii; one found at either end is none."""
USUAL_DISTANCE: Final = 1.22
"""The corner's usual distance; a rounded corner is taken near it."""
FACING: Final = 0.65
"""The corner is what sticks out most in one direction: along the roof, and this far outward."""
PULL: Final = 1.5
"""How strongly a rounded corner is drawn to the usual distance; a sharp one hardly is."""
ROUNDING: Final = 0.03
"""The roof's line ends where the rounding begins: this far inside the point farthest out."""
SMOOTHING: Final = 0.01
"""Smoothing of the picture before it is read, in head radii."""
ROOF_ANGLES_DEG: Final = (-40.0, 27.0)
LEAST_ROOF: Final = 0.5
"""Least rise from the joint's gap to the roof, against the fall from the head to the gap."""


@dataclass(frozen=True, slots=True)
class RimCorner:
    """The corner of the roof.

    Attributes
    ----------
    edge_px : tuple of float
        The corner in the picture.
    distance : float
        From the head's centre, in head radii.
    angle_deg : float
        From up, lateral positive.
    contrast : float
        Contrast of the bone in standard deviations of the soft tissue.
    """

    edge_px: Point
    distance: float
    angle_deg: float
    contrast: float


def find_corner(
    radiograph: Radiograph, head: Circle, up_px: Point, lateral_px: Point
) -> RimCorner | None:
    """Trace the outer wall and the roof beside a head and return their corner.

    Parameters
    ----------
    radiograph : Radiograph
    head : Circle
        The head's circle, pixels.
    up_px, lateral_px : tuple of float
        Unit vectors.

    Returns
    -------
    RimCorner or None
        None where no outline can be followed.
    """
    angles = np.arange(ANGLES_DEG[0], ANGLES_DEG[1], ANGLE_STEP_DEG)
    distances = np.arange(DISTANCES[0], DISTANCES[1], DISTANCE_STEP)
    polar, seen = _polar(radiograph, head, angles, distances, up_px, lateral_px)
    for start in STARTS_DEG:
        traced = _trace(polar, seen, angles, distances, start)
        at = None if traced is None else _corner(distances, traced[0])
        if traced is not None and at is not None:
            break
    else:
        return None
    outline, contrast = traced
    angle = float(outline[at])
    turn = math.radians(angle)
    length = head.radius_px * float(distances[at])
    edge = tuple(
        head.centre_px[k] + length * (math.cos(turn) * up_px[k] + math.sin(turn) * lateral_px[k])
        for k in (0, 1)
    )
    return RimCorner((edge[0], edge[1]), float(distances[at]), angle, contrast)


def sees_roof(radiograph: Radiograph, head: Circle, up_px: Point, lateral_px: Point) -> bool:
    """Say whether a gap and then a roof lie above a head, as they do above no other round bone."""
    angles = np.arange(*ROOF_ANGLES_DEG, 1.5)
    distances = np.arange(0.90, 1.45, DISTANCE_STEP * 2)
    polar, seen = _polar(radiograph, head, angles, distances, up_px, lateral_px)
    if seen.mean() < 0.8:
        return False
    inside = polar[:, distances < 0.97].mean(axis=1)
    gap = polar[:, (distances > 1.02) & (distances < 1.20)].min(axis=1)
    roof = polar[:, (distances > 1.08) & (distances < 1.42)].max(axis=1)
    fall = float(np.median(inside - gap))
    return fall > 0 and float(np.median(roof - gap)) > LEAST_ROOF * fall


def _polar(
    radiograph: Radiograph,
    head: Circle,
    angles: Floats,
    distances: Floats,
    up_px: Point,
    lateral_px: Point,
) -> tuple[Floats, Mask]:
    """The smoothed picture and its usable part, angle by distance."""
    rays = unit_rays(angles, up_px, lateral_px)
    reach = head.radius_px * distances
    x = (head.centre_px[0] + reach * rays[:, :1]).astype(np.float32)
    y = (head.centre_px[1] + reach * rays[:, 1:]).astype(np.float32)
    blur = max(1.0, SMOOTHING * head.radius_px)
    height, width = radiograph.valid.shape
    margin = math.ceil(4 * blur) + 2
    left, right = max(0, math.floor(x.min()) - margin), min(width, math.ceil(x.max()) + margin)
    top, bottom = max(0, math.floor(y.min()) - margin), min(height, math.ceil(y.max()) + margin)
    if right - left < 2 or bottom - top < 2:
        return np.zeros(x.shape), np.zeros(x.shape, dtype=bool)
    part = (slice(top, bottom), slice(left, right))
    x, y = x - np.float32(left), y - np.float32(top)
    smooth = cv2.GaussianBlur(radiograph.attenuation[part], (0, 0), blur)
    polar = cv2.remap(smooth, x, y, cv2.INTER_LINEAR).astype(np.float64)
    seen = cv2.remap(radiograph.valid[part].astype(np.float32), x, y, cv2.INTER_LINEAR) > 0.99
    return polar, seen


def _trace(
    polar: Floats,
    seen: Mask,
    angles: Floats,
    distances: Floats,
    start_deg: tuple[float, float, float],
) -> tuple[Floats, float] | None:
    """Outline's angle at each distance, and the bone's contrast.

    Soft tissue and outline are found in turn: the surface is fitted lateral of the outline, the
    outline is where the picture leaves the surface.
    """
    angle_at, distance_at = np.meshgrid(angles, distances, indexing="ij")
    across = distance_at * np.sin(np.radians(angle_at))
    upward = distance_at * np.cos(np.radians(angle_at))
    ones = np.ones_like(across)
    terms = np.stack([ones, across, upward, across**2, across * upward, upward**2], axis=-1)
    # lateral of these lie the head's own flank and the greater trochanter
    outermost = np.interp(distances, [1.04, 1.10, 1.20, 1.66], [64.0, 73.0, 78.0, 76.0])
    outline = np.interp(distances, [1.04, 1.3, 1.66], start_deg)
    thinned = np.zeros_like(seen)
    thinned[::4, ::4] = True
    columns = np.arange(len(distances))
    beyond = distances > 1.2
    noise: float = 1.0
    contrast: float = 0.0
    for turn in range(10):
        soft = seen & thinned & (angle_at > outline + 2.5) & (angle_at < outermost)
        if soft.sum() < 60:
            return None
        surface, noise = _surface(terms[soft], polar[soft])
        at = np.clip(np.searchsorted(angles, outline), 60, len(angles) - 1)
        ground = terms[at, columns] @ surface
        inside = np.median([polar[at - back, columns] for back in range(28, 57)], axis=0) - ground
        contrast = float(np.median(inside[beyond]))
        if turn < 2:  # the first outline is a guess and may lie wholly in soft tissue
            deep = np.median(polar[16:64], axis=0) - ground
            contrast = max(contrast, float(np.median(deep[beyond])))
        if contrast < NOISE_FACTOR * noise:
            return None
        limit = max(BONE_SHARE * contrast, NOISE_FACTOR * noise)
        above = polar - terms @ surface
        traced = _first_bone(above - limit, above > CORE * limit, angles, outermost)
        found = np.isfinite(traced)
        if found.mean() < LEAST_FOUND:
            return None
        traced = np.interp(distances, distances[found], traced[found])
        settled = turn >= 2 and float(np.abs(traced - outline).max()) < 0.3
        outline = np.asarray(traced, dtype=np.float64)
        if settled:
            break
    rough = float(np.median(np.abs(np.diff(outline))))
    if rough > LARGEST_ROUGHNESS_DEG or contrast < LEAST_CONTRAST * noise:
        return None
    return _median(outline, 7), contrast / noise


def _surface(terms: Floats, level: Floats) -> tuple[Floats, float]:
    """Robust quadratic surface through soft tissue, and the scatter about it."""
    weights = np.ones(len(level))
    surface: Floats = np.zeros(terms.shape[1])
    noise = 1.0
    for _ in range(6):
        fitted = np.linalg.lstsq(terms * weights[:, None], level * weights, rcond=None)[0]
        surface = np.asarray(fitted, dtype=np.float64)
        off = level - terms @ surface
        noise = 1.4826 * float(np.median(np.abs(off))) + 1e-9
        weights = 1 / (1 + (off / (2 * noise)) ** 2)
    return surface, noise


def _first_bone(above: Floats, core: Mask, angles: Floats, outermost: Floats) -> Floats:
    """Angle, coming from lateral, at which a run of bone begins; NaN where there is none.

    A mottle of the soft tissue can pass the level; bone goes on to its core, and what is joined
    to that core at the level is bone.
    """
    run = round(RUN_DEG / ANGLE_STEP_DEG)
    bone = above > 0
    reach = round(CORE_DEG / ANGLE_STEP_DEG)
    near = np.cumsum(np.vstack([np.zeros((1, core.shape[1])), core]), axis=0)
    rows = np.arange(len(angles))
    has_core = near[rows + 1] - near[np.maximum(rows + 1 - reach, 0)] >= 2
    bone &= has_core
    total = np.cumsum(np.vstack([np.zeros((1, bone.shape[1])), bone]), axis=0)
    solid = total[run:] - total[:-run] >= run - 1
    solid &= angles[: len(solid), None] + RUN_DEG < outermost
    last = len(solid) - 1 - np.argmax(solid[::-1], axis=0)
    top = np.minimum(last + run - 1, len(angles) - 2)
    columns = np.arange(above.shape[1])
    top = np.where(bone[top, columns], top, top - 1)  # one gap is allowed inside a run
    inner, outer = above[top, columns], above[top + 1, columns]
    part = np.clip(inner / np.maximum(inner - outer, 1e-12), 0, 1)
    return np.where(solid.any(axis=0), angles[top] + ANGLE_STEP_DEG * part, np.nan)


def _median(values: Floats, size: int) -> Floats:
    padded = np.pad(values, size // 2, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, size)
    return np.asarray(np.median(windows, axis=1), dtype=np.float64)


def _corner(distances: Floats, outline: Floats) -> int | None:
    """Index of the corner: just inside the point that sticks out most to lateral-caudal."""
    reach = 1.3 * np.radians(outline) + FACING * distances
    reach = reach - PULL * (distances - USUAL_DISTANCE) ** 2
    reach[(distances < CORNER_DISTANCES[0]) | (distances > CORNER_DISTANCES[1])] = -np.inf
    # Followed inwards from the wall the outline is one path; past a jump it is the femur's.
    jumps = np.flatnonzero(np.abs(np.diff(outline)) > LARGEST_JUMP_DEG)
    inner = distances[jumps] < USUAL_DISTANCE
    if inner.any():
        reach[: jumps[inner][-1] + 1] = -np.inf
    at = int(np.argmax(reach))
    if not CORNER_DISTANCES[0] + 0.015 < distances[at] < CORNER_DISTANCES[1] - 0.015:
        return None
    return at - round(ROUNDING / DISTANCE_STEP)
