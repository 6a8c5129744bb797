"""Beam directions and path integrals against closed forms."""

import math

import numpy as np
import pytest

from tracker.beampath import Placement, path_moments, place
from tracker.patches import Surface
from tracker.values import Side

ORIGIN = np.zeros(3)


def project_point(side: Side, point: tuple[float, float, float], tilt: float, oblique: float):  # type: ignore[no-untyped-def]
    placement = Placement(side, (0.0, 0.0), (0.0, -1.0), 1.0, 1.0, tilt, oblique, 1e9)
    return place(np.array([point]), ORIGIN, placement)[0]


def test_neutral_picture_shows_the_patient_from_the_front() -> None:
    """Patient's left on the viewer's right, head up, and the tube behind."""
    assert project_point("left", (10.0, 0.0, 0.0), 0, 0)[:2] == pytest.approx([10.0, 0.0])
    assert project_point("left", (0.0, 0.0, 10.0), 0, 0)[:2] == pytest.approx([0.0, -10.0])
    assert project_point("left", (0.0, 10.0, 0.0), 0, 0) == pytest.approx([0.0, 0.0, 10.0])
    # Given for a left hip: a right one is its mirror image, lateral on the viewer's left.
    assert project_point("right", (10.0, 0.0, 0.0), 0, 0)[:2] == pytest.approx([-10.0, 0.0])


@pytest.mark.parametrize("side", ["left", "right"])
def test_tilt_with_the_tube_to_the_head_moves_the_back_to_the_feet(side: Side) -> None:
    back = project_point(side, (0.0, 20.0, 0.0), 3.0, 0.0)
    assert back[1] == pytest.approx(20.0 * math.sin(math.radians(3.0)))  # rows grow to the feet
    assert back[0] == pytest.approx(0.0)


@pytest.mark.parametrize(("side", "lateral"), [("left", 1.0), ("right", -1.0)])
def test_oblique_with_the_tube_to_the_mid_line_moves_the_back_laterally(
    side: Side, lateral: float
) -> None:
    back = project_point(side, (0.0, 20.0, 0.0), 0.0, 3.0)
    assert back[0] == pytest.approx(lateral * 20.0 * math.sin(math.radians(3.0)))
    assert back[1] == pytest.approx(0.0)


def test_the_tube_magnifies_what_is_near_it() -> None:
    placement = Placement("left", (0.0, 0.0), (0.0, -1.0), 0.5, source_to_socket_mm=700.0)
    near = place(np.array([[10.0, 70.0, 0.0]]), ORIGIN, placement)[0]
    assert near[0] == pytest.approx(10.0 / 0.5 * 700.0 / 630.0)


def box(low: tuple[float, float, float], high: tuple[float, float, float]) -> Surface:
    corners = np.array([[(low, high)[i >> k & 1][k] for k in range(3)] for i in range(8)], float)
    quads = [(0, 2, 3, 1), (4, 5, 7, 6), (0, 1, 5, 4), (2, 6, 7, 3), (0, 4, 6, 2), (1, 3, 7, 5)]
    triangles = [t for a, b, c, d in quads for t in ((a, b, c), (a, c, d))]
    return Surface(corners, np.array(triangles, dtype=np.int64))


def test_box_gives_thickness_and_moments_in_closed_form() -> None:
    """A box from depth 5 to 15 mm under a distant tube: T = 10, M = 100, second 3250/3."""
    surface = box((-20.0, 5.0, -20.0), (20.0, 15.0, 20.0))
    placement = Placement("left", (30.3, 30.3), (0.0, -1.0), 1.0, source_to_socket_mm=1e7)
    thickness, moment, second = path_moments(surface, ORIGIN, placement, (61, 61), 1.0)
    assert thickness[30, 30] == pytest.approx(10.0, rel=1e-5)
    assert moment[30, 30] == pytest.approx(100.0, rel=1e-5)
    assert second[30, 30] == pytest.approx((15.0**3 - 5.0**3) / 3.0, rel=1e-5)
    assert float(thickness.sum()) == pytest.approx(40.0 * 40.0 * 10.0, rel=1e-3)
    assert thickness[5, 5] == 0.0


@pytest.mark.parametrize("centre", [(30.0, 30.0), (30.5, 30.0), (30.25, 30.75)])
def test_no_ray_slips_between_triangles(centre: tuple[float, float]) -> None:
    """Rays exactly through edges and corners count once: thickness is 10 or 0, never between."""
    surface = box((-20.0, 5.0, -20.0), (20.0, 15.0, 20.0))
    placement = Placement("left", centre, (0.0, -1.0), 1.0, source_to_socket_mm=1e9)
    thickness = path_moments(surface, ORIGIN, placement, (61, 61), 1.0)[0]
    assert set(np.unique(np.round(thickness, 3))) == {0.0, 10.0}


@pytest.mark.parametrize("bad", [{"mm_per_px": 0.0}, {"up_px": (0.0, 0.0)}, {"scale": -1.0}])
def test_impossible_placements_are_refused(bad: dict[str, object]) -> None:
    good: dict[str, object] = {
        "side": "left",
        "centre_px": (0.0, 0.0),
        "up_px": (0.0, -1.0),
        "mm_per_px": 1.0,
    }
    with pytest.raises(ValueError, match=r"positive|zero"):
        Placement(**(good | bad))  # type: ignore[arg-type]
