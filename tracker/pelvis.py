"""The generic pelvis: mean adult bones, laid on a picture.

This room is the only reader of the data package ``musculoskeletal-models`` (mean pelvis and left
femur of adults as piecewise-polynomial surfaces).  It returns plain arrays and reads no picture.

Frame of the bones: mm; x to the patient's left, y to the back, z to the head; beam directions and
depth as in :mod:`tracker.beampath`.
"""

import functools
import json
import math
from dataclasses import dataclass
from importlib.resources import files
from typing import Any, Final, Literal

import numpy as np

from tracker.beampath import Placement, Projection, beam_axes, path_moments, place, pool
from tracker.patches import Surface, evaluate, fit_sphere, vertex_normals
from tracker.values import Floats, Point, Quantity, Side, frozen

__all__ = [
    "Bone",
    "GenericPelvis",
    "Placement",
    "Projection",
    "Surface",
    "beam_axes",
    "bone_nodes",
    "bone_surface",
    "generic_pelvis_of",
    "load_generic_pelvis",
    "place",
    "project",
    "rim_depth",
]

Bone = Literal["pelvis", "femur"]

# Patch mesh and mean shape of each bone, and the cuts that give a median edge of 1 to 2 mm.
_FILES: Final[dict[Bone, tuple[str, str, int]]] = {
    "pelvis": ("pelvis_combined_cubic_flat", "pelvis_combined_cubic_mean_rigid_LLP26", 26),
    "femur": ("femur_left_quartic_flat", "femur_left_mean_rigid_LLP26", 26),
}

# Width of the joint, bone to bone, by which the socket's sphere is larger than the head's.  The
# averaged articular surface alone is too small a sphere (radius 21 mm about a head of 22.9 mm).
_JOINT_SPACE_MM: Final = 2.5

# Standard deviation between people of the depth of the bone at the roof's lateral corner: 14 seeded
# draws of all 26 modes of the package's shape model, cut at 2 SD (12.3 mm at 1.05 socket radii).
_RIM_DEPTH_BETWEEN_PEOPLE_MM: Final = 12.0


@dataclass(frozen=True, eq=False, slots=True)
class GenericPelvis:
    """Mean pelvis with its left hip; a right hip is the mirror image, x to -x.

    Attributes
    ----------
    pelvis : Surface
        Both hip bones and the sacrum: three disjoint bodies.
    femur : Surface
        Left femur.
    socket_centre_mm : ndarray of shape (3,)
        Centre of the sphere fitted to the left acetabular articular surface.
    socket_radius_mm : float
        Radius of that sphere: the head's and a joint space of 2.5 mm.
    head_centre_mm : ndarray of shape (3,)
        Centre of the sphere fitted to the left femoral head.
    head_radius_mm : float
    """

    pelvis: Surface
    femur: Surface
    socket_centre_mm: Floats
    socket_radius_mm: float
    head_centre_mm: Floats
    head_radius_mm: float

    def __post_init__(self) -> None:
        frozen(self.socket_centre_mm)
        frozen(self.head_centre_mm)


# --- the package's bones -------------------------------------------------------------------


def _read(name: str) -> dict[str, Any]:
    source = files("musculoskeletal.models") / "atlas_meshes" / name
    content: dict[str, Any] = json.loads(source.read_text(encoding="utf-8"))
    return content


def bone_nodes(bone: Bone) -> Floats:
    """Return the nodes (N, 3) of the mean bone in mm, in the package's own frame."""
    rows = sorted(_read(f"{_FILES[bone][1]}.geof")["field_parameters"].items())
    return np.array([[float(row[f"dim {k}"]) for k in range(3)] for _, row in rows])


def bone_surface(bone: Bone, nodes_mm: Floats, cuts: int | None = None) -> Surface:
    """Return the closed surface over the nodes (N, 3) of a bone, mean or not."""
    stem, _, usual = _FILES[bone]
    basis = _read(f"{stem}.ens")["basis"]
    return evaluate(_read(f"{stem}.mesh"), basis, nodes_mm, cuts or usual)


def _fit_head(femur: Surface) -> tuple[Floats, float]:
    """Fit the left femoral head: start beside its most medial point, then trim."""
    points, normals = femur.vertices_mm, vertex_normals(femur)
    upper = points[points[:, 2] > points[:, 2].max() - 70.0]
    centre, radius = upper[np.argmin(upper[:, 0])] + np.array([22.0, 0.0, 0.0]), 22.0
    for _ in range(30):
        away = points - centre
        distance = np.linalg.norm(away, axis=1)
        facing = np.einsum("ij,ij->i", away, normals) > 0.9 * distance
        centre, radius = fit_sphere(points[facing & (np.abs(distance - radius) < 1.5)])
    return centre, radius


def _facing(points: Floats, normals: Floats, centre: Floats) -> tuple[Floats, Floats]:
    """Return unit directions to, and distances of, the points whose surface faces the centre."""
    away = points - centre
    distance = np.linalg.norm(away, axis=1)
    facing = np.einsum("ij,ij->i", away, normals) < -0.85 * distance
    return away[facing] / distance[facing, None], distance[facing]


def _fit_socket(pelvis: Surface, start: Floats, radius: float) -> Floats:
    """Fit the centre of a socket's sphere of given radius; return it, (3,).

    The articular surface is what faces the centre and lies within 2 mm of the sphere; the band
    narrows to that from 6 mm, which trims the fossa (deeper) and the lips (they open outwards).
    """
    normals = vertex_normals(pelvis)
    near = np.linalg.norm(pelvis.vertices_mm - start, axis=1) < 60.0
    points, normals = pelvis.vertices_mm[near], normals[near]
    centre, band = start, 6.0
    for _ in range(100):
        direction, distance = _facing(points, normals, centre)
        used = np.abs(distance - radius) < band
        step, *_ = np.linalg.lstsq(direction[used], distance[used] - radius, rcond=None)
        centre, band = centre + step, max(2.0, 0.95 * band)
    return centre


def generic_pelvis_of(pelvis: Surface, femur: Surface) -> GenericPelvis:
    """Level a pelvis with its left femur and find socket and head.

    The transverse axis is the line through both sockets' centres and the origin lies half-way
    between them; the rotation about that axis (the pelvis's tilt forwards) stays as it is.

    Parameters
    ----------
    pelvis, femur : Surface
        In the package's own frame, whose axes are near those of the patient.
    """
    head, head_radius = _fit_head(femur)
    radius = head_radius + _JOINT_SPACE_MM
    left = _fit_socket(pelvis, head, radius)
    # Below the sockets' height the bones are the ischia and pubes: their middle is the mid-line.
    low = pelvis.vertices_mm[pelvis.vertices_mm[:, 2] < left[2], 0]
    mirrored = np.array([low.min() + low.max() - left[0], left[1], left[2]])
    right = _fit_socket(pelvis, mirrored, radius)

    across = (left - right) / np.linalg.norm(left - right)
    up = np.array([0.0, 0.0, 1.0]) - across[2] * across
    up /= np.linalg.norm(up)
    axes = np.stack([across, np.cross(up, across), up])
    origin = 0.5 * (left + right)

    def level(points: Floats) -> Floats:
        moved: Floats = (points - origin) @ axes.T
        return moved

    return GenericPelvis(
        pelvis=Surface(level(pelvis.vertices_mm), pelvis.triangles.copy()),
        femur=Surface(level(femur.vertices_mm), femur.triangles.copy()),
        socket_centre_mm=level(left),
        socket_radius_mm=radius,
        head_centre_mm=level(head),
        head_radius_mm=head_radius,
    )


@functools.cache
def load_generic_pelvis() -> GenericPelvis:
    """Return the mean adult pelvis with its left femur, level; made once a process."""
    return generic_pelvis_of(
        bone_surface("pelvis", bone_nodes("pelvis")), bone_surface("femur", bone_nodes("femur"))
    )


# --- on a picture ---


def project(
    pelvis: GenericPelvis,
    side: Side,
    *,
    centre_px: Point,
    mm_per_px: float,
    up_px: Point,
    shape: tuple[int, int],
    step_px: float,
    scale_to_radius_mm: float,
    tilt_deg: float = 0.0,
    oblique_deg: float = 0.0,
    source_to_socket_mm: float = 700.0,
    oversample: int = 2,
) -> Projection:
    """Project the generic pelvis into a picture, in perspective about the socket's centre.

    Parameters
    ----------
    pelvis : GenericPelvis
    side : {"left", "right"}
        Of the patient; his right lies on the viewer's left.
    centre_px : tuple of float
        Socket's centre in the picture.
    mm_per_px : float
        At the depth of the socket's centre.
    up_px : tuple of float
        Direction to the head in the picture (need not have unit length).
    shape : tuple of int
        Rows and columns of the picture.
    step_px : float
        Distance of the grid's nodes in pixels of the picture.
    scale_to_radius_mm : float
        Head radius; the mean bones are scaled so that their femoral head has it.
    tilt_deg, oblique_deg : float
        Direction of the beam (see the head of this room).
    source_to_socket_mm : float
    oversample : int
        Each node is the mean over ``oversample`` x ``oversample`` rays of its cell.

    Returns
    -------
    Projection
        Nodes at (i + 1/2) * step_px - 1/2: the centres of the cells.
    """
    if not step_px > 0:
        raise ValueError("the grid's step is positive")
    grid = (math.ceil(shape[0] / step_px), math.ceil(shape[1] / step_px))
    fine = step_px / oversample
    # Move the picture so that the first fine ray, at (fine - 1) / 2 px, is node zero.
    shift = 0.5 * (fine - 1.0)
    placement = Placement(
        side=side,
        centre_px=(centre_px[0] - shift, centre_px[1] - shift),
        up_px=up_px,
        mm_per_px=mm_per_px,
        scale=scale_to_radius_mm / pelvis.head_radius_mm,
        tilt_deg=tilt_deg,
        oblique_deg=oblique_deg,
        source_to_socket_mm=source_to_socket_mm,
    )
    fine_shape = (grid[0] * oversample, grid[1] * oversample)
    centre = pelvis.socket_centre_mm
    bone = path_moments(pelvis.pelvis, centre, placement, fine_shape, fine)
    femur = path_moments(pelvis.femur, centre, placement, fine_shape, fine)
    return Projection(
        x_px=np.arange(0.5, grid[1]) * step_px - 0.5,
        y_px=np.arange(0.5, grid[0]) * step_px - 0.5,
        thickness_mm=pool(bone[0], oversample),
        moment_mm2=pool(bone[1], oversample),
        second_moment_mm3=pool(bone[2], oversample),
        femur_mm=pool(femur[0], oversample),
    )


def rim_depth(pelvis: GenericPelvis, scale_to_radius_mm: float) -> Quantity:
    """Depth of the bone that makes the AP outline at the roof's lateral corner.

    On circles of 1.00 to 1.15 socket radii the outline is where, coming from the lateral side, the
    beam first meets 1 mm of bone; the depth is that of the bone met within the next 3 degrees.

    Parameters
    ----------
    pelvis : GenericPelvis
    scale_to_radius_mm : float
        Head radius to which the bones are scaled.

    Returns
    -------
    Quantity
        mm from the socket's centre along the beam, positive towards the tube; ``u`` covers the
        circles and, far larger, the difference between people.
    """
    half = 80
    step_mm = 1.3 * scale_to_radius_mm / half
    seen = project(
        pelvis,
        "left",
        centre_px=(half, half),
        mm_per_px=step_mm,
        up_px=(0.0, -1.0),
        shape=(2 * half + 1, 2 * half + 1),
        step_px=1.0,
        scale_to_radius_mm=scale_to_radius_mm,
        oversample=1,
    )
    socket_px = pelvis.socket_radius_mm / pelvis.head_radius_mm * scale_to_radius_mm / step_mm
    angle = np.radians(np.arange(80.0, 0.0, -0.5))
    depths = []
    for factor in (1.0, 1.05, 1.1, 1.15):
        column = np.rint(half + factor * socket_px * np.sin(angle)).astype(np.int64)
        row = np.rint(half - factor * socket_px * np.cos(angle)).astype(np.int64)
        thickness, moment = seen.thickness_mm[row, column], seen.moment_mm2[row, column]
        first = int(np.argmax(thickness > 1.0))
        lip = slice(first, first + 6)
        depths.append(float(moment[lip].sum() / thickness[lip].sum()))
    spread = math.hypot(float(np.std(depths)), _RIM_DEPTH_BETWEEN_PEOPLE_MM)
    return Quantity(float(np.mean(depths)), spread, "mm")
