"""Patches to triangles: closed, outward, and true to the polynomial."""

from typing import Any

import numpy as np
import pytest

from tracker.patches import evaluate, fit_sphere, vertex_normals
from tracker.values import Floats

CORNERS = np.array([[(i >> k) & 1 for k in range(3)] for i in range(8)], dtype=np.float64)
# The cube's faces as bilinear patches; two of them wound the wrong way round on purpose.
FACES = [(0, 1, 2, 3), (4, 5, 6, 7), (0, 1, 4, 5), (3, 2, 7, 6), (0, 2, 4, 6), (1, 3, 5, 7)]


def cube() -> tuple[dict[str, Any], dict[str, str], Floats]:
    seen: list[int] = []
    connectivity: dict[str, str] = {}
    for patch, face in enumerate(FACES):
        for k, corner in enumerate(face):
            others = [
                f"{p}_{f.index(corner)}" for p, f in enumerate(FACES) if p != patch and corner in f
            ]
            connectivity[f"{patch}_{k}"] = " ".join(others)
            if corner not in seen:
                seen.append(corner)
    mesh = {
        "element_counter": len(FACES),
        "elements": {str(p): f"{p} quad22" for p in range(len(FACES))},
        "connectivity": connectivity,
    }
    return mesh, {"quad22": "quad_L1_L1"}, CORNERS[seen]


@pytest.mark.parametrize("cuts", [1, 3, 8])
def test_cube_is_closed_outward_and_has_volume_one(cuts: int) -> None:
    surface = evaluate(*cube(), cuts)
    assert len(surface.triangles) == 6 * 2 * cuts**2
    assert len(surface.vertices_mm) == 6 * cuts**2 + 2  # welded: Euler's formula
    edges = np.concatenate([surface.triangles[:, [k, (k + 1) % 3]] for k in range(3)])
    assert len(np.unique(edges, axis=0)) == len(edges)  # each edge once each way
    a, b, c = (surface.vertices_mm[surface.triangles[:, k]] for k in range(3))
    volume = float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum()) / 6.0
    assert volume == pytest.approx(1.0)


def test_normals_point_outwards() -> None:
    surface = evaluate(*cube(), 4)
    outward = np.einsum("ij,ij->i", vertex_normals(surface), surface.vertices_mm - 0.5)
    assert float(outward.min()) > 0.3


def test_sphere_is_recovered() -> None:
    rng = np.random.default_rng(5)
    direction = rng.normal(size=(200, 3))
    direction /= np.linalg.norm(direction, axis=1, keepdims=True)
    direction = direction[direction[:, 2] > 0.2]
    centre, radius = fit_sphere(np.array([3.0, -40.0, 1200.0]) + 24.5 * direction)
    np.testing.assert_allclose(centre, [3.0, -40.0, 1200.0], atol=1e-9)
    assert radius == pytest.approx(24.5)
