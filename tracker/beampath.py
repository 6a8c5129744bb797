"""What a beam meets on its way through a bone: thickness and depth moments along its rays.

Frame of the bones: mm; x to the patient's left, y to the back, z to the head.  The neutral AP
beam runs along y; the tube stands behind the patient.  *Depth* z along the beam is measured from
the socket's centre and is positive towards the tube.

Beam directions: ``tilt_deg > 0`` is the tube towards the head (receptor towards the feet),
``oblique_deg > 0`` the tube towards the mid-line.  A small turn of the beam about the socket's
centre by the angle a (radians) moves the projection of bone at depth z by a * z: **towards the
feet** for a tilt, **laterally** for an oblique.  The thickness map T then changes by
``-a * dM/ds`` with s along that motion and M the depth moment.
"""

import math
from dataclasses import dataclass

import numpy as np

from tracker.patches import Indices, Surface
from tracker.values import Floats, Point, Side, frozen


@dataclass(frozen=True, eq=False, slots=True)
class Projection:
    """What the beam meets, on a coarse grid over a picture.

    Attributes
    ----------
    x_px, y_px : ndarray of shape (W,) and (H,)
        Columns and rows of the grid's nodes in the picture's pixels.
    thickness_mm : ndarray of shape (H, W)
        Length of the ray inside pelvic bone.
    moment_mm2 : ndarray of shape (H, W)
        Integral of the depth over that length; depth is zero at the socket's centre and
        positive towards the tube (to the patient's back).
    second_moment_mm3 : ndarray of shape (H, W)
        Integral of the squared depth.
    femur_mm : ndarray of shape (H, W)
        Length of the ray inside the femur.
    """

    x_px: Floats
    y_px: Floats
    thickness_mm: Floats
    moment_mm2: Floats
    second_moment_mm3: Floats
    femur_mm: Floats

    def __post_init__(self) -> None:
        shape = (len(self.y_px), len(self.x_px))
        for field in (self.thickness_mm, self.moment_mm2, self.second_moment_mm3, self.femur_mm):
            if field.shape != shape:
                raise ValueError("every map has the shape of the grid")
        arrays = (self.x_px, self.y_px, self.thickness_mm, self.moment_mm2)
        for array in (*arrays, self.second_moment_mm3, self.femur_mm):
            frozen(array)


def beam_axes(side: Side, tilt_deg: float = 0.0, oblique_deg: float = 0.0) -> Floats:
    """Return the picture's axes in the frame of the bones, as rows of an orthogonal matrix.

    Rows: to the picture's right (the patient's left), up (to the head), and towards the tube,
    which is away from the viewer (a left-handed triad).  The beam is tilted about the transverse
    axis, then swung about the patient's long axis.
    """
    tilt = math.radians(tilt_deg)
    # The mid-line lies on the right of a left hip and on the left of a right one.
    swing = math.radians(oblique_deg) * (-1.0 if side == "left" else 1.0)
    tilted = np.array(
        [
            [1.0, 0.0, 0.0],
            [0.0, -math.sin(tilt), math.cos(tilt)],
            [0.0, math.cos(tilt), math.sin(tilt)],
        ]
    )
    swung = np.array(
        [
            [math.cos(swing), -math.sin(swing), 0.0],
            [math.sin(swing), math.cos(swing), 0.0],
            [0.0, 0.0, 1.0],
        ]
    )
    axes: Floats = tilted @ swung
    return axes


@dataclass(frozen=True, slots=True)
class Placement:
    """How the generic pelvis lies in a picture.

    Attributes
    ----------
    side : {"left", "right"}
    centre_px : tuple of float
        Socket centre.
    up_px : tuple of float
        Direction to the patient's head on the picture (need not have unit length).
    mm_per_px : float
        At the depth of the socket's centre.
    scale : float
        Size of the bone in units of the mean pelvis.
    tilt_deg, oblique_deg : float
        Direction of the beam through the socket's centre against the level pelvis.
    source_to_socket_mm : float
    """

    side: Side
    centre_px: Point
    up_px: Point
    mm_per_px: float
    scale: float = 1.0
    tilt_deg: float = 0.0
    oblique_deg: float = 0.0
    source_to_socket_mm: float = 700.0

    def __post_init__(self) -> None:
        if not (self.mm_per_px > 0 and self.scale > 0 and self.source_to_socket_mm > 0):
            raise ValueError("spacing, scale and source distance are positive")
        if not math.hypot(*self.up_px) > 0:
            raise ValueError("the up direction is not zero")


def place(points_mm: Floats, socket_centre_mm: Floats, placement: Placement) -> Floats:
    """Project points of the bones into the picture.

    Parameters
    ----------
    points_mm : ndarray of shape (N, 3)
        In the frame of the generic pelvis, which has a left hip.
    socket_centre_mm : ndarray of shape (3,)
    placement : Placement

    Returns
    -------
    ndarray of shape (N, 3)
        Column, row (px) and depth (mm, positive towards the tube).
    """
    offset = placement.scale * (points_mm - socket_centre_mm)
    if placement.side == "right":
        offset = offset * np.array([-1.0, 1.0, 1.0])
    axes = beam_axes(placement.side, placement.tilt_deg, placement.oblique_deg)
    right_mm, up_mm, depth = (offset @ axes.T).T
    zoom = placement.source_to_socket_mm / (placement.source_to_socket_mm - depth)
    zoom = zoom / placement.mm_per_px
    length = math.hypot(*placement.up_px)
    ux, uy = placement.up_px[0] / length, placement.up_px[1] / length
    x = placement.centre_px[0] + zoom * (up_mm * ux - right_mm * uy)
    y = placement.centre_px[1] + zoom * (up_mm * uy + right_mm * ux)
    return np.stack([x, y, depth], axis=1)


def _crossings(
    columns: Floats, rows: Floats, depth: Floats, triangles: Indices, shape: tuple[int, int]
) -> tuple[Indices, Floats]:
    """Find where the rays through the nodes of a unit grid cross a projected surface.

    A node belongs to a triangle by the signs of three edge functions, each evaluated once per
    edge in one direction, so that neighbours never both claim or both miss it: every ray crosses
    a closed surface as often inwards as outwards.

    Parameters
    ----------
    columns, rows, depth : ndarray of shape (N,)
        Vertices; nodes lie at integers from 0.
    triangles : ndarray of shape (M, 3)
    shape : tuple of int
        Rows and columns of the grid.

    Returns
    -------
    node : ndarray of int, shape (K,)
        Flat index of the grid's node.
    signed_depth : ndarray of shape (K, 2)
        Depth there, and +1 or -1: the orientation of the triangle on the picture.
    """
    x, y = columns[triangles], rows[triangles]
    first = np.maximum(np.ceil([x.min(axis=1), y.min(axis=1)]), 0.0).astype(np.int64)
    last = np.floor([x.max(axis=1), y.max(axis=1)]).astype(np.int64)
    last = np.minimum(last, np.array([[shape[1] - 1], [shape[0] - 1]]))
    counts = np.maximum(last - first + 1, 0)
    number = counts[0] * counts[1]
    chosen = np.flatnonzero(number)
    which = np.repeat(chosen, number[chosen])
    start = np.repeat(np.cumsum(number[chosen]) - number[chosen], number[chosen])
    local = np.arange(len(which)) - start
    px = first[0, which] + local % counts[0, which]
    py = first[1, which] + local // counts[0, which]

    corners = triangles[which]
    value, positive = [], []
    for k in range(3):
        a, b = corners[:, (k + 1) % 3], corners[:, (k + 2) % 3]
        low, high = np.minimum(a, b), np.maximum(a, b)
        edge = (columns[high] - columns[low]) * (py - rows[low])
        edge -= (rows[high] - rows[low]) * (px - columns[low])
        value.append(np.where(a < b, edge, -edge))
        positive.append((edge >= 0.0) == (a < b))
    inside = (positive[0] == positive[1]) & (positive[1] == positive[2])
    total = value[0] + value[1] + value[2]
    inside &= total != 0.0
    weight = np.stack(value, axis=1)[inside] / total[inside, None]
    crossing = np.einsum("ij,ij->i", weight, depth[corners[inside]])
    sign = np.where(positive[0][inside], 1.0, -1.0)
    return py[inside] * shape[1] + px[inside], np.stack([crossing, sign], axis=1)


def path_moments(
    surface: Surface,
    socket_centre_mm: Floats,
    placement: Placement,
    shape: tuple[int, int],
    spacing_px: float,
) -> list[Floats]:
    """Integrate 1, z and z² over the part of each ray inside a surface (divergence theorem).

    Along a ray the integral of z**n is the sum over its crossings of the surface of
    ``+-z**(n + 1) / (n + 1)``, + where the ray comes out towards the tube.
    """
    placed = place(surface.vertices_mm, socket_centre_mm, placement)
    columns, rows = placed[:, 0] / spacing_px, placed[:, 1] / spacing_px
    node, crossing = _crossings(columns, rows, placed[:, 2], surface.triangles, shape)
    depth, sign = crossing.T
    # A left hip keeps the surface's handedness, and the triad is left-handed with rows downwards:
    # a face towards the tube is then positive.  A mirrored hip turns it round.
    outward = sign if placement.side == "left" else -sign
    count = shape[0] * shape[1]
    sums = [
        np.bincount(node, outward * depth**n / n, minlength=count).reshape(shape) for n in (1, 2, 3)
    ]
    py, px = np.mgrid[: shape[0], : shape[1]] * spacing_px
    away_mm = placement.mm_per_px * np.hypot(
        px - placement.centre_px[0], py - placement.centre_px[1]
    )
    slant = np.sqrt(1.0 + (away_mm / placement.source_to_socket_mm) ** 2)
    return [total * slant for total in sums]


def pool(fine: Floats, factor: int) -> Floats:
    """Average blocks of ``factor`` x ``factor`` nodes."""
    h, w = fine.shape[0] // factor, fine.shape[1] // factor
    pooled: Floats = fine.reshape(h, factor, w, factor).mean(axis=(1, 3))
    return pooled
