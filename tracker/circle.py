"""Circles through points: Taubin's algebraic fit, and the geometric fit with its covariance.

The geometric (orthogonal-distance) fit is what the tracker uses; Taubin's fit is its start.
The plain least-squares fit of the circle's equation (Kåsa) is left out on purpose: on arcs
under 120 degrees it shrinks the radius by several per cent.
"""

from typing import Final

import numpy as np

from tracker.values import Circle, Floats

_STEPS: Final = 60
_TOLERANCE: Final = 1e-12
_FLAT: Final = 1e-12


def radial_residuals(circle: Circle, points_px: Floats) -> Floats:
    """Return each point's signed distance from the circle, outside positive.

    Parameters
    ----------
    circle : Circle
    points_px : ndarray of shape (N, 2)
        Points (x, y), pixels.

    Returns
    -------
    ndarray of shape (N,)
        Pixels.
    """
    away: Floats = np.hypot(*(points_px - np.asarray(circle.centre_px)).T) - circle.radius_px
    return away


def taubin(points_px: Floats, weights: Floats | None = None) -> tuple[float, float, float] | None:
    """Fit a circle algebraically (Taubin 1991), nearly unbiased on short arcs.

    Parameters
    ----------
    points_px : ndarray of shape (N, 2), N >= 3
        Points (x, y), pixels.
    weights : ndarray of shape (N,), optional
        Non-negative weights; 1 each when absent.

    Returns
    -------
    tuple of float or None
        Centre x, centre y and radius in pixels; None where the points lie on a line.

    Examples
    --------
    >>> angles = np.radians([0.0, 40.0, 80.0, 120.0])
    >>> points = np.column_stack([10 + 24 * np.cos(angles), -5 + 24 * np.sin(angles)])
    >>> fitted = taubin(points)
    >>> [round(v, 6) for v in fitted]
    [10.0, -5.0, 24.0]
    """
    share = np.ones(len(points_px)) if weights is None else np.asarray(weights, dtype=np.float64)
    total = share.sum()
    if len(points_px) < 3 or total <= 0:
        return None
    share = share / total
    middle = share @ points_px
    moved = points_px - middle
    z = np.einsum("ij,ij->i", moved, moved)
    z_mean = float(share @ z)
    if z_mean <= 0:
        return None
    # With x, y, z centred, Taubin's constraint makes the columns (z - mean)/(2 sqrt(mean)), x, y
    # of equal standing: the fit is the least singular direction.
    columns = np.column_stack([(z - z_mean) / (2 * np.sqrt(z_mean)), moved])
    _, sizes, rows = np.linalg.svd(np.sqrt(share)[:, None] * columns, full_matrices=False)
    if sizes[0] <= 0 or sizes[1] < _FLAT * sizes[0]:
        return None
    a, b, c = rows[2]
    a = a / (2 * np.sqrt(z_mean))
    if abs(a) * np.sqrt(z_mean) < _FLAT:
        return None
    centre = middle - np.array([b, c]) / (2 * a)
    radius = np.sqrt(b * b + c * c + 4 * a * a * z_mean) / (2 * abs(a))
    return float(centre[0]), float(centre[1]), float(radius)


def fit_circle(
    points_px: Floats,
    u_px: float,
    *,
    weights: Floats | None = None,
    radius: tuple[float, float] | None = None,
) -> Circle | None:
    """Fit a circle by orthogonal distance, started from Taubin's fit.

    Parameters
    ----------
    points_px : ndarray of shape (N, 2), N >= 3 (N >= 2 with a known radius)
        Points (x, y), pixels.
    u_px : float
        Standard uncertainty of each point across the circle, pixels. Where the points scatter
        more than this, the covariance grows with what they show.
    weights : ndarray of shape (N,), optional
        Weight of each point, 1 for a point of uncertainty ``u_px``.
    radius : tuple of float, optional
        A radius known beforehand and its standard uncertainty, pixels: it joins the fit as one
        more observation. An uncertainty of 0 holds the radius.

    Returns
    -------
    Circle or None
        None where the points fix no circle.
    """
    share = np.ones(len(points_px)) if weights is None else np.asarray(weights, dtype=np.float64)
    used = share > 0
    points, share = points_px[used], share[used]
    if len(points) < (3 if radius is None else 2):
        return None
    start = _start(points, share, radius)
    if start is None:
        return None
    held = radius is not None and radius[1] <= 0
    size = max(float(np.ptp(points, axis=0).max()), 1.0)

    def system(state: Floats) -> tuple[Floats, Floats]:
        away = points - state[:2]
        distance = np.maximum(np.hypot(*away.T), 1e-9)
        scale = np.sqrt(share) / u_px
        misfit = scale * (distance - state[2])
        slopes = -scale[:, None] * np.column_stack([away / distance[:, None], np.ones(len(points))])
        if radius is not None and not held:
            misfit = np.append(misfit, (state[2] - radius[0]) / radius[1])
            slopes = np.vstack([slopes, [0.0, 0.0, 1 / radius[1]]])
        return misfit, slopes[:, :2] if held else slopes

    state = np.array(start)
    misfit, slopes = system(state)
    cost, damping = float(misfit @ misfit), 1e-4
    for _ in range(_STEPS):
        normal = slopes.T @ slopes
        damped = normal + damping * np.diag(np.diag(normal)) + 1e-15 * np.eye(len(normal))
        step = np.zeros(3)
        step[: len(normal)] = -np.linalg.solve(damped, slopes.T @ misfit)
        tried = state + step
        new_misfit, new_slopes = system(tried)
        new_cost = float(new_misfit @ new_misfit)
        if new_cost <= cost and tried[2] > 0:
            state, misfit, slopes, cost = tried, new_misfit, new_slopes, new_cost
            damping = max(damping / 10, 1e-12)
        else:
            damping *= 10
        if np.abs(step).max() < _TOLERANCE * size or damping > 1e12:
            break
    return _circle(state, slopes, cost, len(misfit), radius if held else None)


def _start(
    points: Floats, share: Floats, radius: tuple[float, float] | None
) -> tuple[float, float, float] | None:
    """Start of the geometric fit: Taubin's circle, its radius exchanged where one is known."""
    found = taubin(points, share)
    if radius is None:
        return found
    middle = points.mean(axis=0)
    if found is None or len(points) == 2:
        # two points, or points on a line: no side is preferred, so nothing can be said
        return None
    away = np.array(found[:2]) - middle
    length = float(np.hypot(*away))
    if length > 1e-9:
        # the arc's middle stays where it is, the centre moves along the bisector
        sagitta_side = away / length
        centre = np.array(found[:2]) + (radius[0] - found[2]) * sagitta_side
        return float(centre[0]), float(centre[1]), radius[0]
    return found[0], found[1], radius[0]


def _circle(
    state: Floats, slopes: Floats, cost: float, rows: int, held: tuple[float, float] | None
) -> Circle | None:
    """Covariance from the last slopes, grown where the scatter seen can't be chance.

    Few points scatter about their stated uncertainty by chance alone (two standard deviations
    of chi-squared); only what lies beyond that counts against it.
    """
    unknowns = slopes.shape[1]
    normal = slopes.T @ slopes
    if np.linalg.cond(normal) > 1e12 or not np.isfinite(state).all():
        return None
    spare = rows - unknowns
    scatter = max(1.0, cost / (spare + 2 * np.sqrt(2 * spare))) if spare > 0 else 1.0
    covariance = np.zeros((3, 3))
    covariance[:unknowns, :unknowns] = scatter * np.linalg.inv(normal)
    if held is not None:
        covariance[2, 2] = 0.0
    return Circle((float(state[0]), float(state[1])), float(state[2]), covariance)
