"""Truth of a case: where the rim's outline lies at each state, from its bones alone.

Noise-free projections of the pelvis in the reference picture's geometry, read as the case-folder
form defines the measurand.  No picture is looked at.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from bones import Patient
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates
from xray import View, cortical_mm

from tracker.beampath import path_moments
from tracker.patches import Surface

Floats = NDArray[np.float64]

EDGE_BEYOND_SOCKET_MM = 1.5
OUTLINE_MM = 1.0
THINNED_MM = 0.8
HEAD_MARGIN_MM = 1.5
REACH_MM = 25.0


@dataclass(frozen=True)
class Frame:
    """The reference picture's geometry."""

    centre_px: Floats
    up_px: Floats
    lateral_px: Floats
    mm_per_px: float


def reference_frame(patient: Patient, view: View) -> Frame:
    """Return centre, directions and spacing of the hip on the reference."""
    socket = patient.socket_centre_mm
    left, right = view.project(socket + np.array([[-40.0, 0, 0], [40.0, 0, 0]]))
    # The modelled hip is a left one: x grows laterally.
    lateral = (right - left) / np.linalg.norm(right - left)
    up = view.project(socket + np.array([[0, 0, 40.0]]))[0] - view.project(socket)[0]
    normal = np.array([lateral[1], -lateral[0]])
    normal *= np.sign(normal @ up)
    return Frame(
        view.project(socket)[0], normal, lateral, 80.0 / float(np.linalg.norm(right - left))
    )


def outline_deg(path: Floats, at: Floats, frame: Frame, radius_mm: float, step_px: float) -> float:
    """Return the angle from up at which the outline crosses a circle, nan where it does not.

    Coming from the lateral side: where the path first exceeds 1 mm of cortical bone.

    Parameters
    ----------
    path : ndarray of shape (H, W)
        Cortical-equivalent path, ``step_px`` apart.
    at : ndarray of shape (2,)
        Pixel of the path's first node.
    """
    angle = np.radians(np.arange(120.0, -40.0, -0.05))
    reach = radius_mm / frame.mm_per_px
    x = frame.centre_px[0] + reach * (
        np.sin(angle) * frame.lateral_px[0] + np.cos(angle) * frame.up_px[0]
    )
    y = frame.centre_px[1] + reach * (
        np.sin(angle) * frame.lateral_px[1] + np.cos(angle) * frame.up_px[1]
    )
    where = np.stack([(y - at[1]) / step_px, (x - at[0]) / step_px])
    along = map_coordinates(path, where, order=1, cval=0.0)
    beyond = along > OUTLINE_MM
    if beyond[0] or not beyond.any():
        return math.nan
    k = int(np.argmax(beyond))
    share = (OUTLINE_MM - along[k - 1]) / (along[k] - along[k - 1])
    return math.degrees(angle[k - 1] + share * (angle[k] - angle[k - 1]))


def state_truths(patient: Patient, view: View, frame: Frame) -> tuple[list[dict[str, Any]], Floats]:
    """Return what each state of the rim is, and the bone's point that makes the first edge."""
    step = 0.5 * view.size_px / 1024.0 / (frame.mm_per_px * view.size_px / 160.0)
    half = (patient.socket_radius_mm + REACH_MM + 2.0) / frame.mm_per_px
    at = np.floor(frame.centre_px - half)
    count = math.ceil(2.0 * half / step)
    node_mm = frame.mm_per_px * step
    columns, rows = np.meshgrid(at[0] + step * np.arange(count), at[1] + step * np.arange(count))
    rho = np.hypot(columns - frame.centre_px[0], rows - frame.centre_px[1]) * frame.mm_per_px
    counted = (rho > patient.head_radius_mm + HEAD_MARGIN_MM) & (
        rho < patient.socket_radius_mm + REACH_MM
    )
    edge_radius = patient.socket_radius_mm + EDGE_BEYOND_SOCKET_MM
    radii = edge_radius + np.arange(-2.5, 3.51, 0.25)

    truths: list[dict[str, Any]] = []
    before = np.zeros((count, count))
    for bone in patient.pelvis:
        corner = (float(at[0]), float(at[1]))
        path, _ = cortical_mm(bone, view, (count, count), spacing=step, corner=corner)
        if not truths:
            before = path
        lcea = outline_deg(path, at, frame, edge_radius, step)
        first = truths[0]["lcea_deg"] if truths else lcea
        direction = math.sin(math.radians(lcea)) * frame.lateral_px
        direction = direction + math.cos(math.radians(lcea)) * frame.up_px
        edge = frame.centre_px + edge_radius / frame.mm_per_px * direction
        cut = (before > OUTLINE_MM) & (path <= OUTLINE_MM) & counted
        thinner = (before - path >= THINNED_MM) & (rho < patient.socket_radius_mm + REACH_MM)
        by_radius = [outline_deg(path, at, frame, float(r), step) for r in radii]
        truths.append(
            {
                "lcea_deg": lcea,
                "recession_mm": math.radians(first - lcea) * edge_radius,
                "edge_px": edge.tolist(),
                "area_mm2": float(cut.sum()) * node_mm**2,
                "thinned_area_mm2": float(thinner.sum()) * node_mm**2,
                "outline_deg": [None if math.isnan(a) else a for a in by_radius],
                "outline_radii_mm": radii.tolist(),
            }
        )
    return truths, _edge_point(patient.pelvis[0].outer, view, np.array(truths[0]["edge_px"]), frame)


def _edge_point(outer: Surface, view: View, edge_px: Floats, frame: Frame) -> Floats:
    """Return the point of the bone that makes the edge, half a millimetre inside the outline."""
    inward = (frame.centre_px - edge_px) / np.linalg.norm(frame.centre_px - edge_px)
    tangent = np.array([inward[1], -inward[0]])
    tangent *= -np.sign(tangent @ frame.lateral_px)
    inside = edge_px + 0.5 / frame.mm_per_px * tangent
    placement = view.placement(1.0, (float(inside[0]), float(inside[1])))
    thickness, moment, _ = path_moments(outer, view.iso_mm, placement, (1, 1), 1.0)
    depth = float(moment[0, 0] / max(float(thickness[0, 0]), 1e-6))
    return np.array(view.points(edge_px[:1], edge_px[1:], depth))[:, 0]
