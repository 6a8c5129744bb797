"""Bones as piecewise-polynomial surfaces: patches to triangles, and spheres fitted to them.

A patch is a polynomial of its nodes over the unit square (tensor product) or the unit triangle
(complete degree), with its nodes on the regular lattice of that domain.  Patches that share an edge
share its nodes, so cutting each into the same number of intervals gives a closed surface.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tracker.values import Floats, frozen

Indices = NDArray[np.int64]


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


def evaluate(mesh: dict[str, Any], basis: dict[str, str], nodes_mm: Floats, cuts: int) -> Surface:
    """Evaluate a piecewise-polynomial bone as a closed, outward-oriented surface.

    Parameters
    ----------
    mesh : dict
        ``element_counter``, ``elements`` (kind of each patch) and ``connectivity`` (which nodes
        of which patches are the same).
    basis : dict
        Polynomial basis of each kind of patch, such as ``quad_L3_L3`` or ``simplex_L4_L4``.
    nodes_mm : ndarray of shape (N, 3)
        Field parameters in the order in which the patches first name them.
    cuts : int
        Intervals along each side of a patch.
    """
    patches = list(_patches(mesh, basis))
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
        points.append(weights[name] @ nodes_mm[rows])
        triangles.append((cells[name][:, ::-1] if turned else cells[name]) + offset)
        owner.append(np.full(len(cells[name]), which))
        offset += len(points[-1])
    vertices, faces = np.concatenate(points), np.concatenate(triangles)
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    of_body = np.concatenate(owner)
    volume = np.bincount(of_body, np.einsum("ij,ij->i", a, np.cross(b, c)))
    inward = (volume < 0)[of_body]
    faces[inward] = faces[inward, ::-1]
    return Surface(*_weld(vertices, faces))


def fit_sphere(points: Floats) -> tuple[Floats, float]:
    """Fit a sphere to points (N, 3) by linear least squares; the arcs here are wide."""
    design = np.column_stack([2.0 * points, np.ones(len(points))])
    origin = points.mean(axis=0)
    design[:, :3] -= 2.0 * origin
    moved = points - origin
    solution, *_ = np.linalg.lstsq(design, (moved**2).sum(axis=1), rcond=None)
    radius = math.sqrt(float(solution[3] + solution[:3] @ solution[:3]))
    return solution[:3] + origin, radius


def vertex_normals(surface: Surface) -> Floats:
    """Return the outward unit normal at each vertex, (N, 3): area-weighted over its triangles."""
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
