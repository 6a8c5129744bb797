"""Outlines, registration and scale -> the numbers and their budgets.

Sign: removed bone is positive.  Sources that two results share carry the same name in both
budgets, so that they cancel where the results are subtracted (:func:`uncertainty.linear`).
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from tracker.settings import DEFAULTS, Settings
from tracker.values import Budget, BudgetRow, DepthProfile, Floats

REFERENCE_OUTLINE: Final = "outline of the first picture"
SCALE: Final = "scale"


@dataclass(frozen=True, slots=True)
class EdgeReading:
    """The edge on one picture: where the outline crosses the circle of radius R.

    Attributes
    ----------
    arc_mm : float
        Position along that circle, lateral positive, from the frame's zero.
    u_mm : float
        Standard uncertainty from noise and background.
    foot_mm : float
        How much further lateral the bone ends than the level that is followed.
    step : float
        Contrast right behind the edge, in units of the level that is followed.
    """

    arc_mm: float
    u_mm: float
    foot_mm: float
    step: float


def reference_lcea(
    frame_edge_deg: float,
    radius_mm: float,
    reading: EdgeReading,
    *,
    u_centre_mm: float,
    u_direction_deg: float,
    settings: Settings = DEFAULTS,
) -> tuple[float, Budget]:
    """Return the LCEA of the lateral bony edge on the reference, in degrees, and its budget.

    Parameters
    ----------
    frame_edge_deg : float
        Angle of the frame's zero from the up direction.
    radius_mm : float
        R, from the socket's centre to the edge.
    reading : EdgeReading
    u_centre_mm : float
        Of the centre, across the line to the edge.
    u_direction_deg : float
        Of the pelvis's up direction.
    settings : Settings
    """
    own = settings.measure
    per_mm = math.degrees(1 / radius_mm)
    value = frame_edge_deg + per_mm * (reading.arc_mm + reading.foot_mm)
    rows = (
        BudgetRow("centre", u_centre_mm, "mm", per_mm, "head circle, across the line to the edge"),
        BudgetRow("direction", u_direction_deg, "deg", 1.0, "transverse axis of the pelvis"),
        BudgetRow(REFERENCE_OUTLINE, reading.u_mm, "mm", per_mm, "noise and background"),
        BudgetRow(
            "end of the lip", own.u_foot_mm, "mm", per_mm, "from the level to the bone's end"
        ),
        BudgetRow(
            "head and socket not concentric",
            own.u_concentric_mm,
            "mm",
            per_mm,
            "common practice, no source",
        ),
    )
    return value, Budget("lcea_deg", "deg", rows)


def recession(
    reference: EdgeReading,
    now: EdgeReading,
    *,
    u_registration_mm: float,
    angle_rad: float,
    agreement: float,
    u_relative_scale: float,
    settings: Settings = DEFAULTS,
) -> tuple[float, Budget]:
    """Return the recession along the roof's arc, in mm, and its budget.

    Parameters
    ----------
    reference, now : EdgeReading
        On the same circle of radius R in the reference's frame.
    u_registration_mm : float
        Of the registration at the edge, along the arc.
    angle_rad : float
        Turn of the beam against the reference that moves the edge along the arc, per mm depth.
    agreement : float
        Correlation of the registered pictures, at most 1.  What it lacks is bone that the
        generic depths do not move rightly; on simulated hips the error at the edge grew with it
        by 3 mm for each whole (docs/measurement.md).
    u_relative_scale : float
    settings : Settings
    """
    own = settings.measure
    value = reference.arc_mm - now.arc_mm
    # A blurred edge crosses one level further out the higher the step behind it.
    blunted = abs(math.log(max(now.step, 1.0) / max(reference.step, 1.0)))
    u_lip = math.hypot(own.u_lip_mm, own.u_step_mm * blunted)
    rows = (
        BudgetRow(REFERENCE_OUTLINE, reference.u_mm, "mm", 1.0, "noise and background"),
        BudgetRow("outline of this picture", now.u_mm, "mm", -1.0, "noise and background"),
        BudgetRow("registration", u_registration_mm, "mm", -1.0, "at the edge, along the arc"),
        BudgetRow(
            "depth of the edge", own.u_rim_depth_mm, "mm", angle_rad, "turn of the beam x depth"
        ),
        BudgetRow(
            "shape of other bones",
            own.u_shape_mm,
            "mm",
            max(0.0, 1 - agreement),
            "what the fit left over, as a share",
        ),
        BudgetRow("shape of the lip", u_lip, "mm", 1.0, "a thin and a blunt edge, one level"),
        BudgetRow(SCALE, u_relative_scale, "1", value, "head diameter, object or spacing"),
    )
    return value, Budget("recession_mm", "mm", rows)


def outline_area(
    rho_mm: Floats,
    radius_mm: float,
    reference_arc_mm: Floats,
    now_arc_mm: Floats,
    *,
    from_rho_mm: float,
    to_rho_mm: float,
    u_edge_mm: float,
    u_along_mm: float,
    u_radial_mm: float,
    u_relative_scale: float,
) -> tuple[float, Budget]:
    """Return the area between two outlines, in mm² of the plane of the hip, and its budget.

    Parameters
    ----------
    rho_mm : ndarray of shape (H,)
        Radii of the rim's frame.
    radius_mm : float
        R: arcs are measured on this circle.
    reference_arc_mm, now_arc_mm : ndarray of shape (H,)
        Outlines; NaN where unknown, and such rows are filled from their neighbours.
    from_rho_mm, to_rho_mm : float
        Radial limits of the area.
    u_edge_mm : float
        Of the level at which a changed edge is read, common to all rows.
    u_along_mm, u_radial_mm : float
        Of the registration along the arc and along the radius, common to all rows.
    u_relative_scale : float

    Notes
    -----
    In polar coordinates dA = rho dtheta drho with dtheta = d(arc) / R.
    """
    inside = (rho_mm >= from_rho_mm) & (rho_mm <= to_rho_mm)
    rho = rho_mm[inside]
    reach = filled(now_arc_mm, rho_mm)[inside]
    gap = filled(reference_arc_mm, rho_mm)[inside] - reach
    width = gap * rho / radius_mm
    step = np.gradient(rho)
    value = float(np.trapezoid(width, rho))
    changed = np.abs(width) > 0.15
    length = float(step[changed].sum())
    whole = float(rho[-1] - rho[0])
    # Moved along the radius, a slanting outline gains as much as it runs along the arc.
    slant = float(np.abs(np.median(reach[-5:]) - np.median(reach[:5])))
    rows = (
        BudgetRow("shape of the lip", u_edge_mm, "mm", max(length, 2.0), "changed length"),
        BudgetRow("registration", u_along_mm, "mm", whole, "along the arc x length"),
        BudgetRow("registration, radial", u_radial_mm, "mm", slant, "x run along the arc"),
        BudgetRow("outlines", 0.1, "mm", math.sqrt(max(length, 2.0)), "row by row, 1 mm apart"),
        BudgetRow(SCALE, u_relative_scale, "1", 2 * value, "area goes with the scale squared"),
    )
    return value, Budget("area_mm2", "mm2", rows)


def filled(arc_mm: Floats, rho_mm: Floats) -> Floats:
    """Fill unknown rows of an outline from their neighbours (linear in radius)."""
    known = np.isfinite(arc_mm)
    if not known.any():
        return np.zeros_like(arc_mm)
    result: Floats = np.interp(rho_mm, rho_mm[known], arc_mm[known])
    return result


def depth_profile(
    rho_mm: Floats, radius_mm: float, edge_deg: float, reference_arc_mm: Floats, now_arc_mm: Floats
) -> DepthProfile:
    """Return the depth removed along the reference's outline, across it.

    Parameters
    ----------
    rho_mm : ndarray of shape (H,)
    radius_mm, edge_deg : float
        R, and the angle of the frame's zero.
    reference_arc_mm, now_arc_mm : ndarray of shape (H,)

    Returns
    -------
    DepthProfile
        Distance from each point of the reference's outline to this picture's outline, positive
        where bone has gone; angles from the up direction.
    """
    before = _cartesian(rho_mm, radius_mm, edge_deg, filled(reference_arc_mm, rho_mm))
    after = _cartesian(rho_mm, radius_mm, edge_deg, filled(now_arc_mm, rho_mm))
    start, end = after[:-1], after[1:]
    along = end - start
    length2 = np.maximum((along**2).sum(axis=1), 1e-12)
    offset = before[:, None, :] - start[None]
    share = np.clip((offset * along).sum(axis=2) / length2, 0, 1)
    nearest = np.sqrt(((offset - share[..., None] * along) ** 2).sum(axis=2)).min(axis=1)
    gone = filled(reference_arc_mm, rho_mm) >= filled(now_arc_mm, rho_mm)
    angle = edge_deg + np.degrees(filled(reference_arc_mm, rho_mm) / radius_mm)
    return DepthProfile(angle, np.where(gone, nearest, -nearest))


def _cartesian(rho: Floats, radius: float, edge_deg: float, arc: Floats) -> Floats:
    """Outline in mm: lateral, up."""
    theta = math.radians(edge_deg) + arc / radius
    return np.column_stack([rho * np.sin(theta), rho * np.cos(theta)])
