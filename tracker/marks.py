"""From marks to the hip's frame: centre, radius, up and lateral direction, centre-edge angle.

The head's circle is then improved from the picture itself, where its outline can be seen.

Image rows run down. An AP picture shows the patient's right on the viewer's left, head up, so
the lateral direction of a right hip points to the picture's left and that of a left hip to its
right.
"""

import math
from typing import Final

import numpy as np

from tracker.circle import fit_circle, radial_residuals
from tracker.contour import fit_head
from tracker.values import (
    Budget,
    BudgetRow,
    Circle,
    Floats,
    Marks,
    NotMeasurable,
    Point,
    Quantity,
    Radiograph,
    Reason,
    Side,
    Socket,
)

LEAST_ARC_DEG: Final = 90.0
"""Least arc that the head marks must span; below it no circle fit can be trusted."""
LARGEST_U_RADIUS: Final = 0.04
"""Largest relative uncertainty of the head's radius (0.7 to 1 mm of an adult head)."""
LARGEST_OFF_CIRCLE: Final = 0.06
"""Largest root-mean-square distance of head marks from their circle, in radii."""
EDGE_RADII: Final = (0.9, 1.7)
"""Distance of the roof's lateral edge from the head's centre, in head radii."""
LARGEST_LCEA_DEG: Final = 85.0
LARGEST_DISAGREEMENT: Final = 16.3
"""Largest squared distance, in its own covariance, between the circle in the picture and the
circle of the marks (chi-squared of 3 degrees of freedom, 99.9 %)."""
LARGEST_TURN_DEG: Final = 60.0


def axes(horizontal_px: Floats, side: Side) -> tuple[Point, Point]:
    """Return the unit vectors towards the patient's head and away from the mid-line.

    Parameters
    ----------
    horizontal_px : ndarray of shape (2, 2)
        The pelvis's transverse axis, from image left to image right, pixels.
    side : {"left", "right"}
        Patient's side.

    Returns
    -------
    up_px, lateral_px : tuple of float

    Examples
    --------
    >>> axes(np.array([[0.0, 0.0], [100.0, 0.0]]), "right")
    ((0.0, -1.0), (-1.0, 0.0))
    """
    along = horizontal_px[1] - horizontal_px[0]
    x, y = along / np.hypot(*along)
    lateral = (float(x), float(y)) if side == "left" else (0.0 - float(x), 0.0 - float(y))
    return (float(y), 0.0 - float(x)), lateral


def centre_edge_angle_deg(
    centre_px: Point, edge_px: Point, up_px: Point, lateral_px: Point
) -> float:
    """Return the angle of the edge from the up direction, seen from the centre.

    Positive where the edge lies lateral of the centre.
    """
    x, y = edge_px[0] - centre_px[0], edge_px[1] - centre_px[1]
    outward = x * lateral_px[0] + y * lateral_px[1]
    upward = x * up_px[0] + y * up_px[1]
    return math.degrees(math.atan2(outward, upward))


def arc_deg(centre_px: Point, points_px: Floats) -> float:
    """Return the arc that points span about a centre: 360 less the widest gap, degrees."""
    angles = np.sort(np.arctan2(points_px[:, 1] - centre_px[1], points_px[:, 0] - centre_px[0]))
    gaps = np.diff(np.append(angles, angles[0] + 2 * np.pi))
    return float(360.0 - np.degrees(gaps.max()))


def socket_from_marks(
    marks: Marks,
    side: Side,
    *,
    head: Circle | None = None,
    radius: tuple[float, float] | None = None,
) -> Socket | NotMeasurable:
    """Turn marks into the hip's frame on the reference picture.

    Parameters
    ----------
    marks : Marks
        Marks in pixels; each coordinate scatters by ``marks.u_px``.
    side : {"left", "right"}
        Patient's side.
    head : Circle, optional
        The head's circle where it is already known better (from the picture itself); the head
        marks are then only checked.
    radius : tuple of float, optional
        The head's radius in pixels known beforehand, and its standard uncertainty.

    Returns
    -------
    Socket or NotMeasurable
        NotMeasurable where the marks fix no hip, or lie as on a hip of the other side.
    """
    along = marks.horizontal_px[1] - marks.horizontal_px[0]
    if np.hypot(*along) < 10 * marks.u_px:
        return _unusable("The two marks of the horizontal lie too close together.")
    if along[0] <= 0:
        return _unusable("The horizontal must run from the picture's left to its right.")
    if abs(math.degrees(math.atan2(along[1], along[0]))) > LARGEST_TURN_DEG:
        return _unusable("The horizontal is so steep that the patient's head would not be up.")
    fitted = fit_circle(marks.head_px, marks.u_px, radius=radius)
    if fitted is None:
        return _unusable("The head marks do not lie on a circle.")
    if arc_deg(fitted.centre_px, marks.head_px) < LEAST_ARC_DEG:
        return _unusable("The head marks span less than 90 degrees of the head's outline.")
    off = float(np.sqrt(np.mean(radial_residuals(fitted, marks.head_px) ** 2)))
    if off > max(LARGEST_OFF_CIRCLE * fitted.radius_px, 3 * marks.u_px):
        return _unusable("The head marks do not lie on a circle.")
    circle = fitted if head is None else head
    if circle.u_radius_px > LARGEST_U_RADIUS * circle.radius_px:
        return _unusable("The head marks fix the head's size too loosely; mark a longer arc.")
    return _socket(marks, side, circle)


def refine_head(radiograph: Radiograph, socket: Socket) -> Circle:
    """Improve the head's circle from its outline in the picture, near the marks.

    Parameters
    ----------
    radiograph : Radiograph
        The reference picture.
    socket : Socket
        What the marks say.

    Returns
    -------
    Circle
        Circle in the picture and circle of the marks, weighted by their covariances; the marks'
        circle where the outline can't be seen, or where the two disagree beyond chance. Proposed
        marks come from the same outline, so the circle in the picture replaces theirs.
    """
    given = socket.head
    window = min(max(4 * given.u_centre_px / given.radius_px, 0.08), 0.15)
    seen = fit_head(
        radiograph,
        given.centre_px,
        given.radius_px,
        socket.up_px,
        socket.lateral_px,
        u_px=max(3 * given.u_radius_px, 0.02 * given.radius_px),
        window=window,
    )
    if seen is None:
        return given
    apart = _state(seen) - _state(given)
    both = seen.covariance_px2 + given.covariance_px2
    if float(apart @ np.linalg.solve(both, apart)) > LARGEST_DISAGREEMENT:
        return given
    if socket.source == "proposed":
        return seen
    share = given.covariance_px2 @ np.linalg.inv(both)
    state = _state(given) + share @ apart
    covariance = given.covariance_px2 - share @ given.covariance_px2
    return Circle(
        (float(state[0]), float(state[1])), float(state[2]), 0.5 * (covariance + covariance.T)
    )


def _state(circle: Circle) -> Floats:
    return np.array([*circle.centre_px, circle.radius_px])


def _socket(marks: Marks, side: Side, head: Circle) -> Socket | NotMeasurable:
    """Frame and angle from a trusted circle, checked for side and likelihood."""
    up, lateral = axes(marks.horizontal_px, side)
    out = (marks.rim_edge_px[0] - head.centre_px[0], marks.rim_edge_px[1] - head.centre_px[1])
    reach = math.hypot(*out)
    if not EDGE_RADII[0] * head.radius_px <= reach <= EDGE_RADII[1] * head.radius_px:
        return _unusable("The mark of the roof's edge does not lie beside the head's outline.")
    angle = centre_edge_angle_deg(head.centre_px, marks.rim_edge_px, up, lateral)
    if angle < 0:
        # An edge medial of the centre is possible in severe dysplasia, where nobody trims a rim;
        # here it means the other hip, or a mirrored picture.
        return NotMeasurable(Reason.WRONG_SIDE)
    if angle > LARGEST_LCEA_DEG:
        return _unusable("The mark of the roof's edge lies beside or below the head, not above it.")
    across = np.array([out[1], -out[0]]) / reach
    u_centre = math.sqrt(max(float(across @ head.covariance_px2[:2, :2] @ across), 1e-12))
    per_px = math.degrees(1 / reach)
    rows = (
        BudgetRow("centre", u_centre, "px", per_px, "circle fit, across the line to the edge"),
        BudgetRow("edge", marks.u_px, "px", per_px, "the edge's mark, along the roof's arc"),
        BudgetRow("direction", marks.u_horizontal_deg, "deg", 1.0, "the pelvis's transverse axis"),
    )
    u = math.sqrt(sum(row.contribution**2 for row in rows))
    return Socket(
        side=side,
        head=head,
        rim_edge_px=marks.rim_edge_px,
        edge_radius_px=reach,
        up_px=up,
        lateral_px=lateral,
        u_up_deg=marks.u_horizontal_deg,
        u_edge_px=marks.u_px,
        lcea_deg=Quantity(angle, u, "deg"),
        budget=Budget("lcea_deg", "deg", rows),
        source=marks.source,
    )


def _unusable(detail: str) -> NotMeasurable:
    return NotMeasurable(Reason.MARKS_UNUSABLE, detail)
