"""What of a usable reference later pictures are compared with, and its geometry.

Arc positions are mm along the circle of radius R about the socket's centre, lateral positive,
from the frame's zero.  "Recorded" pixels are those of the file; all measuring is done in
undistorted ones.
"""

import math
from dataclasses import dataclass

import numpy as np

from tracker import distortion, measure
from tracker.distortion import Rectification
from tracker.duplicate import Fingerprint
from tracker.outline import RimFrame, RimPath
from tracker.plates import Plate
from tracker.rimpatch import Ground
from tracker.settings import DEFAULTS, Settings
from tracker.template import Template
from tracker.values import Budget, CaseSetup, Floats, Point, Registration, ScaleRung, Socket


@dataclass(frozen=True, eq=False, slots=True)
class Measurable:
    """Everything of a usable reference that later pictures are compared with."""

    setup: CaseSetup
    rectification: Rectification | None
    socket: Socket
    mm_per_px: float
    u_relative_scale: float
    template: Template
    frame: RimFrame
    path: RimPath
    lcea_deg: float
    lcea_budget: Budget
    fingerprint: Fingerprint
    ground: Ground | None
    scale_from: ScaleRung
    plates: tuple[Plate, ...] = ()
    plate: Plate | None = None


def reading(path: RimPath) -> measure.EdgeReading:
    """What the outline says about the edge itself."""
    return measure.EdgeReading(path.edge_arc_mm, path.u_edge_mm, path.foot_mm, path.step)


def rim_depth(settings: Settings) -> float:
    """Depth taken for the bone of the edge, mm towards the tube from the socket's centre."""
    return settings.anatomy.rim_depth_of_edge_mm


def point(xy: Floats) -> Point:
    """Return a coordinate pair as a plain tuple."""
    return float(xy[0]), float(xy[1])


def arc_point_array(known: Measurable, arc_mm: float) -> Floats:
    """Point of the circle of radius R at an arc position, reference pixels: shape (2,)."""
    theta = math.radians(known.frame.angle_deg(arc_mm))
    along = math.cos(theta) * np.array(known.socket.up_px)
    along = along + math.sin(theta) * np.array(known.socket.lateral_px)
    result: Floats = np.array(known.socket.head.centre_px) + (
        known.frame.radius_mm / known.mm_per_px * along
    )
    return result


def arc_point(known: Measurable, arc_mm: float) -> Point:
    """Point of the circle of radius R at an arc position, reference pixels."""
    return point(arc_point_array(known, arc_mm))


def outline_points(known: Measurable, arc_mm: Floats) -> Floats:
    """Outline in reference pixels, outer wall first: shape (N, 2); unknown rows left out."""
    finite = np.isfinite(arc_mm)
    theta = math.radians(known.frame.edge_deg) + arc_mm[finite] / known.frame.radius_mm
    rho = known.frame.rho_mm[finite] / known.mm_per_px
    along = np.outer(np.cos(theta), known.socket.up_px) + np.outer(
        np.sin(theta), known.socket.lateral_px
    )
    points: Floats = np.array(known.socket.head.centre_px) + rho[:, None] * along
    return points[::-1]


def recorded(known: Measurable, points_px: Floats) -> Floats:
    """From undistorted to recorded pixels."""
    if known.rectification is None:
        return points_px
    return distortion.to_recorded(points_px, known.rectification)


def target_point(
    known: Measurable, angle_deg: float | None, registration: Registration | None
) -> Point | None:
    """Where the edge would lie at an angle, on the reference or on a registered picture."""
    if angle_deg is None:
        return None
    # The angle speaks of the bone's end; the outline drawn is the level followed.
    arc = math.radians(angle_deg - known.frame.edge_deg) * known.frame.radius_mm
    at = arc_point_array(known, arc - known.path.foot_mm)[None]
    if registration is not None:
        at = registration.rim_to_moving(at, rim_depth(DEFAULTS))
    return point(recorded(known, at)[0])
