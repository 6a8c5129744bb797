"""The femoral head's outline in the picture: edge points along rays, and the circle they carry.

The head is round only where it carries cartilage. Its outline is looked for on the articular arc,
from the lateral border of the cartilage over the top to the lower medial end; the fovea, where
the ligament dents the sphere, and the neck are left out.
"""

import math
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np

from tracker.circle import fit_circle
from tracker.values import Circle, Floats, Point, Radiograph

SECTORS_DEG: Final = ((-140.0, -102.0), (-42.0, 76.0))
"""Articular arcs in degrees from the up direction, lateral positive, without fovea and neck."""
STEP_DEG: Final = 1.5
SMOOTHINGS: Final = (0.012, 0.03)
"""Radial smoothing in head radii (about 0.3 mm); the second is tried where noise hides the edge."""
TANGENTIAL_DEG: Final = 2.0
SHAPE_LENGTH_DEG: Final = 25.0
"""Arc over which a real head's departures from a circle are of one kind."""
SHAPE_U: Final = 0.008
"""Departure of the socket's centre from the centre of the head's circle, in head radii (0.2 mm)."""
LEAST_SEEN: Final = 0.45
"""Least share of rays that must show an edge on the circle."""
LEAST_AGREEMENT: Final = 0.6
"""Least share of rays whose steepest step lies on the circle (a quarter does so by chance)."""
BALL_EDGE: Final = 0.765
"""The steepest point of a ball's smoothed shadow lies this many smoothing lengths inside its edge.

A ball's path length near its edge is the square root of the distance from it; the largest slope
of that root convolved with a Gaussian of standard deviation 1 lies at 0.765.
"""


@dataclass(frozen=True, eq=False, slots=True)
class Rays:
    """Edge candidates along rays from an assumed centre.

    Attributes
    ----------
    points_px : ndarray of shape (N, 2)
        Sub-pixel edge points (x, y).
    ray : ndarray of shape (N,), int
        Which ray each point lies on.
    strength : ndarray of shape (N,)
        Steepness against that of the usual ray.
    count : int
        Number of rays that lie in the usable picture.
    """

    points_px: Floats
    ray: np.ndarray[tuple[int, ...], np.dtype[np.intp]]
    strength: Floats
    count: int


def unit_rays(angles_deg: Floats, up_px: Point, lateral_px: Point) -> Floats:
    """Return unit vectors at angles from the up direction, lateral positive; shape (N, 2)."""
    turn = np.radians(angles_deg)[:, None]
    rays: Floats = np.cos(turn) * np.asarray(up_px) + np.sin(turn) * np.asarray(lateral_px)
    return rays


def ray_angles_deg() -> Floats:
    """Return the angles of the rays on the articular arcs, degrees from up."""
    return np.concatenate([np.arange(first, last, STEP_DEG) for first, last in SECTORS_DEG])


def edges_along_rays(
    radiograph: Radiograph,
    centre_px: Point,
    radius_px: float,
    up_px: Point,
    lateral_px: Point,
    *,
    window: float = 0.10,
    smoothing: float = SMOOTHINGS[0],
) -> Rays | None:
    """Find every step from more to less attenuation, going outward, near an assumed circle.

    Parameters
    ----------
    radiograph : Radiograph
    centre_px, radius_px : tuple of float, float
        The assumed circle, pixels.
    up_px, lateral_px : tuple of float
        Unit vectors.
    window : float
        Half width of the search in radii.
    smoothing : float
        Standard deviation of the radial smoothing in radii.

    Returns
    -------
    Rays or None
        None where too little of the arc lies in the usable picture.
    """
    angles = ray_angles_deg()
    rays = unit_rays(angles, up_px, lateral_px)
    step = max(0.5, 0.004 * radius_px)
    rho = np.arange(radius_px * (1 - window) - 4 * step, radius_px * (1 + window) + 4 * step, step)
    x = (centre_px[0] + rho * rays[:, :1]).astype(np.float32)
    y = (centre_px[1] + rho * rays[:, 1:]).astype(np.float32)
    known = np.where(radiograph.valid, radiograph.attenuation, 0).astype(np.float32)
    profile = cv2.remap(known, x, y, cv2.INTER_LINEAR)
    seen = cv2.remap(radiograph.valid.astype(np.float32), x, y, cv2.INTER_LINEAR) > 0.999
    blur = max(1.0, smoothing * radius_px)
    # the two sectors are smoothed apart: their border rays are no neighbours
    pieces, start = [], 0
    for first, last in SECTORS_DEG:
        stop = start + len(np.arange(first, last, STEP_DEG))
        pieces.append(
            cv2.GaussianBlur(
                profile[start:stop], (0, 0), blur / step, None, TANGENTIAL_DEG / STEP_DEG
            )
        )
        start = stop
    fall = -np.gradient(np.vstack(pieces).astype(np.float64), step, axis=1)
    fall[~seen] = 0.0
    usable = seen.mean(axis=1) > 0.9
    if usable.mean() < LEAST_SEEN:
        return None
    left, middle, right = fall[:, :-2], fall[:, 1:-1], fall[:, 2:]
    ray, at = np.nonzero((middle > left) & (middle >= right) & (middle > 0) & usable[:, None])
    a, b, c = left[ray, at], middle[ray, at], right[ray, at]
    bend = a - 2 * b + c
    place = rho[at + 1] + step * np.where(bend < 0, 0.5 * (a - c) / np.minimum(bend, -1e-12), 0.0)
    place += BALL_EDGE * blur
    usual = float(np.median(fall[usable].max(axis=1)))
    if usual <= 0:
        return None
    strength = b / usual
    keep = strength > 0.25
    points = np.asarray(centre_px) + place[:, None] * rays[ray]
    return Rays(points[keep], ray[keep], strength[keep], int(usable.sum()))


def fit_head(
    radiograph: Radiograph,
    centre_px: Point,
    radius_px: float,
    up_px: Point,
    lateral_px: Point,
    *,
    u_px: float,
    window: float = 0.10,
    agreement: float = LEAST_AGREEMENT,
    starts: tuple[float, ...] = (1.0,),
) -> Circle | None:
    """Fit the head's circle to its outline in the picture, from an assumed circle.

    Each ray offers its candidates; the circle and the choice among them are improved in turn
    while the tolerance shrinks, so an edge of the pelvis that crosses the arc is left behind.

    Parameters
    ----------
    radiograph : Radiograph
    centre_px, radius_px : tuple of float, float
        The assumed circle, pixels.
    up_px, lateral_px : tuple of float
        Unit vectors.
    u_px : float
        Standard uncertainty of the assumed radius, pixels; it steadies the fit's first rounds.
    window : float
        Half width of the search in radii.
    agreement : float
        Least share of rays whose steepest step must lie on the circle.
    starts : tuple of float
        Radii to start from, in units of ``radius_px``; the circle on which most rays' steepest
        steps lie is kept.

    Returns
    -------
    Circle or None
        None where the outline is not seen well enough on the arc.
    """
    for smoothing in SMOOTHINGS:
        rays = edges_along_rays(
            radiograph,
            centre_px,
            radius_px,
            up_px,
            lateral_px,
            window=window,
            smoothing=smoothing,
        )
        if rays is not None and len(rays.points_px) >= 20:
            tried = [_settle(rays, centre_px, radius_px, u_px, window, start) for start in starts]
            share, found = max(tried, key=lambda trial: trial[0])
            if found is not None and share >= agreement:
                return found
    return None


def _settle(
    rays: Rays,
    centre_px: Point,
    radius_px: float,
    u_px: float,
    window: float,
    start: float,
) -> tuple[float, Circle | None]:
    """Choose among the candidates and fit, in turn, from a wide tolerance to a narrow one.

    Returns the share of rays whose steepest step lies on the circle, and the circle.
    """
    centre, radius = np.asarray(centre_px, dtype=np.float64), start * radius_px
    tolerance, finest = 0.5 * window * radius_px, 0.012 * radius_px
    chosen = np.zeros(0, dtype=np.intp)
    off = weights = np.zeros(0)
    for _ in range(12):
        off = np.hypot(*(rays.points_px - centre).T) - radius
        likely = np.minimum(rays.strength, 1.5) * np.exp(-0.5 * (off / tolerance) ** 2)
        order = np.lexsort((-likely, rays.ray))
        chosen = order[np.unique(rays.ray[order], return_index=True)[1]]
        off = off[chosen]
        weights = np.minimum(rays.strength[chosen], 1.0) / (1 + (off / tolerance) ** 2) ** 2
        found = fit_circle(
            rays.points_px[chosen], finest, weights=weights, radius=(radius_px, max(u_px, 1e-6))
        )
        if found is None:
            return 0.0, None
        centre, radius = np.asarray(found.centre_px), found.radius_px
        tolerance = max(finest, 0.75 * tolerance)
    near = np.abs(off) < 3 * finest
    if near.sum() < LEAST_SEEN * rays.count:
        return 0.0, None
    circle = _with_shape(rays.points_px[chosen][near], weights[near], off[near], radius)
    return _agreement(rays, centre, radius), circle


def _agreement(rays: Rays, centre: Floats, radius: float) -> float:
    """Share of rays whose steepest step of all lies on the circle.

    Among many candidates some always lie near any circle, in noise as well; the steepest of
    each ray was not chosen for lying there.
    """
    order = np.lexsort((-rays.strength, rays.ray))
    steepest = order[np.unique(rays.ray[order], return_index=True)[1]]
    off = np.hypot(*(rays.points_px[steepest] - centre).T) - radius
    return float(np.sum(np.abs(off) < 0.025 * radius)) / rays.count


def _with_shape(points: Floats, weights: Floats, off: Floats, radius: float) -> Circle | None:
    """Fit without the assumed radius; covariance from how few arcs are independent."""
    spread = math.sqrt(float(np.average(off**2, weights=weights)))
    # Neighbouring rays share the head's own departures from a circle, so 100 rays are not 100
    # observations: each counts as the share of a shape length that it covers.
    per_ray = spread * math.sqrt(SHAPE_LENGTH_DEG / STEP_DEG)
    found = fit_circle(points, max(per_ray, 1e-3 * radius), weights=weights)
    if found is None:
        return None
    shape = (SHAPE_U * radius) ** 2
    covariance = found.covariance_px2 + np.diag([shape, shape, shape])
    return Circle(found.centre_px, found.radius_px, covariance)
