"""The roof's corner beside a known head."""

import math

import numpy as np
import pytest

from tests.hip_pictures import cloud, hip
from tests.test_marks import ball
from tests.test_search import SCENES
from tracker.corner import find_corner, sees_roof
from tracker.phantom import Scene
from tracker.values import Circle, Point

SOMEWHERE = Circle((250.0, 260.0), 70.0, np.eye(3))


def frame(scene: Scene) -> tuple[Circle, Point, Point]:
    """True head, up and lateral direction."""
    _, truth = hip(scene)
    up = truth.up_px
    sign = 1.0 if scene.side == "left" else -1.0
    head = Circle(truth.centre_px, scene.head_radius_mm / truth.mm_per_px, np.eye(3))
    return head, up, (-up[1] * sign, up[0] * sign)


@pytest.mark.parametrize("scene", SCENES)
def test_the_corner_is_found(scene: Scene) -> None:
    """Within 1.5 mm of the true edge, and on the outline to 1.5 degrees (0.7 mm)."""
    picture, truth = hip(scene)
    head, up, lateral = frame(scene)
    corner = find_corner(picture, head, up, lateral)
    assert corner is not None
    assert math.dist(corner.edge_px, truth.edge_px) * truth.mm_per_px < 1.5
    reach = corner.distance * head.radius_px * truth.mm_per_px
    assert corner.angle_deg == pytest.approx(
        np.interp(reach, truth.radii_mm, truth.angle_deg), abs=1.5
    )


def test_corner_and_angle_agree() -> None:
    scene = SCENES[0]
    picture, _ = hip(scene)
    head, up, lateral = frame(scene)
    corner = find_corner(picture, head, up, lateral)
    assert corner is not None
    away = np.array(corner.edge_px) - np.array(head.centre_px)
    assert np.hypot(*away) == pytest.approx(corner.distance * head.radius_px)
    angle = np.degrees(np.arctan2(away @ np.array(lateral), away @ np.array(up)))
    assert angle == pytest.approx(corner.angle_deg)


@pytest.mark.parametrize("scene", SCENES)
def test_a_roof_lies_above_a_head(scene: Scene) -> None:
    picture, _ = hip(scene)
    assert sees_roof(picture, *frame(scene))


def test_no_roof_lies_above_a_ball() -> None:
    alone = ball((262.3, 238.6), 110.0, noise=0.02, seed=3, crossed=False)
    head = Circle((262.3, 238.6), 110.0, np.eye(3))
    assert not sees_roof(alone, head, (0.0, -1.0), (-1.0, 0.0))


def test_clouds_have_no_corner() -> None:
    found = [
        find_corner(cloud(seed, grain), SOMEWHERE, (0.0, -1.0), (1.0, 0.0))
        for seed, grain in enumerate((0, 2, 4))
    ]
    assert found == [None, None, None]


def test_a_head_outside_the_picture_has_neither() -> None:
    picture, _ = hip(SCENES[0])
    away = Circle((-3000.0, -3000.0), 70.0, np.eye(3))
    assert find_corner(picture, away, (0.0, -1.0), (1.0, 0.0)) is None
    assert not sees_roof(picture, away, (0.0, -1.0), (1.0, 0.0))
