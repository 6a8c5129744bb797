"""The generic pelvis: mean adult bones, and what the beam meets on its way through them.

This room is the only reader of the data package ``musculoskeletal-models`` (mean pelvis and
femora of adults as piecewise-polynomial surfaces).  It returns plain arrays and knows no picture.

Frame of the bones
------------------
mm; x to the patient's left, y to the back, z to the head.  The patient's neutral AP picture looks
along y.  Depth z along the beam, wherever this room speaks of *depth*, is measured from the
socket's centre and is positive towards the tube, which stands behind the patient.

Beam directions
---------------
``tilt_deg > 0``: tube towards the head (receptor towards the feet); ``oblique_deg > 0``: tube
towards the mid-line.  A small turn of the beam about the socket's centre by the angle a (radians)
moves the projection of bone at depth z by a * z: **towards the feet** for a tilt, **laterally** for
an oblique, so that the thickness map T changes by ``-a * dM/ds`` with s the direction of that motion
and M the depth moment.
"""

import functools
import json
import math
from collections.abc import Iterator
from dataclasses import dataclass
from importlib.resources import files
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from tracker.values import Floats, Point, Side, frozen

Indices = NDArray[np.int64]

# Cuts per patch; they give a median edge of about 1 mm on either bone.
_PELVIS_CUTS: Final = 26
_FEMUR_CUTS: Final = 20
_PELVIS_FILES: Final = ("pelvis_combined_cubic_flat", "pelvis_combined_cubic_mean_rigid_LLP26")
_FEMUR_FILES: Final = ("femur_left_quartic_flat", "femur_left_mean_rigid_LLP26")


# --- values ------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False, slots=True)
class Surface:
    """A closed triangulated surface.

    Attributes
    ----------
    vertices_mm : ndarray of shape (N, 3)
        In the frame of the bones.
    triangles : ndarray of shape (M, 3), int64
        Rows of ``vertices_mm``, counter-clockwise seen from outside.
    """

    vertices_mm: Floats
    triangles: Indices

    def __post_init__(self) -> None:
        if self.vertices_mm.ndim != 2 or self.vertices_mm.shape[1] != 3:
            raise ValueError("vertices have shape (N, 3)")
        if self.triangles.ndim != 2 or self.triangles.shape[1] != 3:
            raise ValueError("triangles have shape (M, 3)")
        if not np.isfinite(self.vertices_mm).all():
            raise ValueError("vertices must be finite")
        frozen(self.vertices_mm)
        frozen(self.triangles)


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


# --- the package's surfaces ----------------------------------------------------------------


def _read(name: str) -> dict[str, Any]:
    source = files("musculoskeletal.models") / "atlas_meshes" / name
    content: dict[str, Any] = json.loads(source.read_text(encoding="utf-8"))
    return content


def _lattice(is_quad: bool, p: int, q: int) -> Floats:
    """Return the (K, 2) nodes of a patch in its unit square or unit triangle, row by row."""
    rows = [(i / p, j / q) for j in range(q + 1) for i in range((p if is_quad else p - j) + 1)]
    return np.array(rows)


def _monomials(is_quad: bool, p: int, q: int, at: Floats) -> Floats:
    """Return the (K, D) monomials of the patch's polynomial space at points (K, 2)."""
    powers = [(a, b) for b in range(q + 1) for a in range(p + 1) if is_quad or a + b <= p]
    return np.stack([at[:, 0] ** a * at[:, 1] ** b for a, b in powers], axis=1)


def _patch_cells(is_quad: bool, cuts: int) -> Indices:
    """Return the triangles (T, 3) of a patch's lattice with ``cuts`` intervals a side."""
    width = np.array([cuts + 1 if is_quad else cuts + 1 - j for j in range(cuts + 1)])
    start = np.concatenate([[0], np.cumsum(width)])
    cells: list[tuple[int, int, int]] = []
    for j in range(cuts):
        low, high = int(start[j]), int(start[j + 1])
        for i in range(int(width[j]) - 1):
            cells.append((low + i, low + i + 1, high + i))
            if i < int(width[j + 1]) - 1:
                cells.append((low + i + 1, high + i + 1, high + i))
    return np.array(cells, dtype=np.int64)


def _patches(mesh: dict[str, Any], basis: dict[str, str]) -> Iterator[tuple[str, Indices]]:
    """Yield each patch's basis and the rows of its nodes in the list of field parameters.

    Nodes are numbered in the order in which the patches first name them; a node that is connected
    to an earlier one is that node.
    """
    number: dict[str, int] = {}
    count = 0
    for element in range(int(mesh["element_counter"])):
        kind = mesh["elements"][str(element)].split()[1]
        p, q = (int(part[1:]) for part in basis[kind].split("_")[1:])
        nodes = []
        for k in range(len(_lattice(kind.startswith("quad"), p, q))):
            key = f"{element}_{k}"
            joined = mesh["connectivity"].get(key, "").split()
            known = next((number[other] for other in joined if other in number), None)
            if known is None:
                known, count = count, count + 1
            number[key] = known
            nodes.append(known)
        yield basis[kind], np.array(nodes, dtype=np.int64)


def _weld(points: Floats, cells: Indices) -> tuple[Floats, Indices]:
    """Join coincident points (to 1 µm) and drop the triangles that collapse by it."""
    steps = np.rint(points * 1000.0).astype(np.int64)
    steps -= steps.min(axis=0)
    span = steps.max(axis=0) + 1
    keys = (steps[:, 0] * span[1] + steps[:, 1]) * span[2] + steps[:, 2]
    _, first, inverse = np.unique(keys, return_index=True, return_inverse=True)
    cells = inverse[cells]
    a, b, c = cells.T
    return points[first], cells[(a != b) & (b != c) & (c != a)]


def _bodies_and_flips(corners: list[list[int]]) -> tuple[Indices, NDArray[np.bool_]]:
    """Group patches into bodies and say which to flip so that neighbours agree.

    Parameters
    ----------
    corners : list of list of int
        Corner nodes of each patch in the order of its parametrisation.
    """
    edges: dict[tuple[int, int], list[tuple[int, bool]]] = {}
    for patch, loop in enumerate(corners):
        for a, b in zip(loop, loop[1:] + loop[:1], strict=True):
            if a != b:
                edges.setdefault((min(a, b), max(a, b)), []).append((patch, a < b))
    body = np.full(len(corners), -1, dtype=np.int64)
    flip = np.zeros(len(corners), dtype=np.bool_)
    neighbours: dict[int, list[tuple[int, bool]]] = {}
    for users in edges.values():
        if len(users) == 2:
            (one, forward), (two, also_forward) = users
            same = forward == also_forward
            neighbours.setdefault(one, []).append((two, same))
            neighbours.setdefault(two, []).append((one, same))
    for seed in range(len(corners)):
        if body[seed] >= 0:
            continue
        body[seed], queue = body.max() + 1, [seed]
        while queue:
            patch = queue.pop()
            for other, disagree in neighbours.get(patch, []):
                if body[other] < 0:
                    body[other], flip[other] = body[patch], flip[patch] ^ disagree
                    queue.append(other)
    return body, flip


def _surface(stem: str, field: str, cuts: int) -> Surface:
    """Evaluate one of the package's bones as a closed, outward-oriented surface."""
    parameters = _read(f"{field}.geof")["field_parameters"]
    nodes = np.array(
        [[float(row[f"dim {k}"]) for k in range(3)] for _, row in sorted(parameters.items())]
    )
    basis = _read(f"{stem}.ens")["basis"]
    patches = list(_patches(_read(f"{stem}.mesh"), basis))

    weights: dict[str, Floats] = {}
    cells: dict[str, Indices] = {}
    corner: dict[str, list[int]] = {}
    for name in {name for name, _ in patches}:
        is_quad = name.startswith("quad")
        p, q = (int(part[1:]) for part in name.split("_")[1:])
        own, fine = _lattice(is_quad, p, q), _lattice(is_quad, cuts, cuts)
        inverse = np.linalg.inv(_monomials(is_quad, p, q, own))
        weights[name] = _monomials(is_quad, p, q, fine) @ inverse
        cells[name] = _patch_cells(is_quad, cuts)
        last = len(own) - 1
        corner[name] = [0, p, last, last - p] if is_quad else [0, p, last]

    body, flip = _bodies_and_flips([[int(rows[k]) for k in corner[name]] for name, rows in patches])
    points, triangles, owner, offset = [], [], [], 0
    for (name, rows), turned, which in zip(patches, flip, body, strict=True):
        points.append(weights[name] @ nodes[rows])
        triangles.append((cells[name][:, ::-1] if turned else cells[name]) + offset)
        owner.append(np.full(len(cells[name]), which))
        offset += len(points[-1])
    vertices, faces, of_body = (
        np.concatenate(points),
        np.concatenate(triangles),
        np.concatenate(owner),
    )
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    volume = np.bincount(of_body, np.einsum("ij,ij->i", a, np.cross(b, c)))
    inward = (volume < 0)[of_body]
    faces[inward] = faces[inward, ::-1]
    return Surface(*_weld(vertices, faces))


# --- spheres -----------------------------------------------------------------------------


def _fit_sphere(points: Floats) -> tuple[Floats, float]:
    """Fit a sphere to points (N, 3) by linear least squares; the arcs here are wide."""
    design = np.column_stack([2.0 * points, np.ones(len(points))])
    origin = points.mean(axis=0)
    design[:, :3] -= 2.0 * origin
    moved = points - origin
    solution, *_ = np.linalg.lstsq(design, (moved**2).sum(axis=1), rcond=None)
    radius = math.sqrt(float(solution[3] + solution[:3] @ solution[:3]))
    return solution[:3] + origin, radius


def _vertex_normals(surface: Surface) -> Floats:
    a, b, c = (surface.vertices_mm[surface.triangles[:, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    total = np.stack(
        [
            np.bincount(
                surface.triangles.ravel(),
                np.repeat(normal[:, k], 3),
                minlength=len(surface.vertices_mm),
            )
            for k in range(3)
        ],
        axis=1,
    )
    unit: Floats = total / np.maximum(np.linalg.norm(total, axis=1, keepdims=True), 1e-12)
    return unit


def _fit_head(femur: Surface) -> tuple[Floats, float]:
    """Fit the left femoral head: start beside its most medial point, then trim."""
    points, normals = femur.vertices_mm, _vertex_normals(femur)
    upper = points[points[:, 2] > points[:, 2].max() - 70.0]
    centre, radius = upper[np.argmin(upper[:, 0])] + np.array([22.0, 0.0, 0.0]), 22.0
    for _ in range(30):
        away = points - centre
        distance = np.linalg.norm(away, axis=1)
        facing = np.einsum("ij,ij->i", away, normals) > 0.9 * distance
        centre, radius = _fit_sphere(points[facing & (np.abs(distance - radius) < 1.5)])
    return centre, radius


def _fit_socket(pelvis: Surface, start: Floats, radius: float) -> tuple[Floats, float]:
    """Fit a socket: pelvic surface that faces the centre, near the sphere.

    From ``start`` the band about the sphere narrows from 5 mm to 1.5 mm, which trims the fossa
    (deeper) and the lips (they open outwards beyond about 70 degrees from the socket's axis).
    """
    points, normals = pelvis.vertices_mm, _vertex_normals(pelvis)
    near = np.linalg.norm(points - start, axis=1) < 60.0
    points, normals = points[near], normals[near]
    centre, band = start, 5.0
    for _ in range(40):
        away = points - centre
        distance = np.linalg.norm(away, axis=1)
        facing = np.einsum("ij,ij->i", away, normals) < -0.85 * distance
        centre, radius = _fit_sphere(points[facing & (np.abs(distance - radius) < band)])
        band = max(1.5, 0.85 * band)
    return centre, radius


@functools.cache
def load_generic_pelvis() -> GenericPelvis:
    """Return the mean adult pelvis and left femur, level; made once a process.

    The package's own frame is rolled by about 5 degrees.  Here the transverse axis is the line
    through both sockets' centres and the origin lies half-way between them; the rotation about
    that axis (the pelvis's tilt forwards) is left as it is in the package.
    """
    pelvis, femur = _surface(*_PELVIS_FILES, _PELVIS_CUTS), _surface(*_FEMUR_FILES, _FEMUR_CUTS)
    head, head_radius = _fit_head(femur)
    left, radius = _fit_socket(pelvis, head, head_radius + 2.0)
    # Below the sockets' height the bones are the ischia and pubes: their middle is the mid-line.
    low = pelvis.vertices_mm[pelvis.vertices_mm[:, 2] < left[2], 0]
    middle = 0.5 * (low.min() + low.max())
    mirrored = np.array([2.0 * middle - head[0], head[1], head[2]])
    right, _ = _fit_socket(pelvis, mirrored, head_radius + 2.0)

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


# --- projection --------------------------------------------------------------------------


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


def _moments(
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


def _pool(fine: Floats, factor: int) -> Floats:
    """Average blocks of ``factor`` x ``factor`` nodes."""
    h, w = fine.shape[0] // factor, fine.shape[1] // factor
    pooled: Floats = fine.reshape(h, factor, w, factor).mean(axis=(1, 3))
    return pooled


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
    bone = _moments(pelvis.pelvis, centre, placement, fine_shape, fine)
    femur = _moments(pelvis.femur, centre, placement, fine_shape, fine)
    return Projection(
        x_px=np.arange(0.5, grid[1]) * step_px - 0.5,
        y_px=np.arange(0.5, grid[0]) * step_px - 0.5,
        thickness_mm=_pool(bone[0], oversample),
        moment_mm2=_pool(bone[1], oversample),
        second_moment_mm3=_pool(bone[2], oversample),
        femur_mm=_pool(femur[0], oversample),
    )
