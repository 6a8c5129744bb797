"""Marks without marks: on hips of both sides right, on everything else none."""

import math

import numpy as np
import pytest

from tests.hip_pictures import cloud, hip
from tests.test_search import SCENES
from tracker.marks import refine_head, socket_from_marks
from tracker.phantom import Scene
from tracker.propose import propose
from tracker.values import Marks, NotMeasurable, Radiograph, Reason, Side, Socket


def turned_about(radiograph: Radiograph) -> Radiograph:
    """The same picture seen from behind: mirrored."""
    flipped = {
        name: np.ascontiguousarray(getattr(radiograph, name)[:, ::-1])
        for name in ("attenuation", "valid", "metal")
    }
    return Radiograph(**flipped, field=radiograph.field, bone_bright=True, noise_std=0.01)


@pytest.mark.parametrize("scene", SCENES)
def test_proposed_marks_are_right(scene: Scene) -> None:
    """Centre within 1 mm, radius within 0.7 mm, edge within 1.5 mm, angle within 3 u."""
    picture, truth = hip(scene)
    found = propose(picture, scene.side)
    assert isinstance(found, Marks)
    assert found.source == "proposed"
    socket = socket_from_marks(found, scene.side)
    assert isinstance(socket, Socket)
    mm = truth.mm_per_px
    assert math.dist(socket.head.centre_px, truth.centre_px) * mm < 1.0
    assert abs(socket.head.radius_px * mm - scene.head_radius_mm) < 0.7
    assert math.dist(found.rim_edge_px, truth.edge_px) * mm < 1.5
    # a turn of the pelvis in the picture is not seen by the picture's rows: beyond their u
    # it is the person's to correct
    turn = math.degrees(math.atan2(truth.up_px[0], -truth.up_px[1]))
    rows = socket.lcea_deg.value - (turn if scene.side == "left" else -turn)
    assert abs(rows - truth.lcea_deg) < 2.5


def test_the_picture_is_not_counted_twice() -> None:
    """Proposed marks are the picture's own circle: refining replaces, and does not combine."""
    scene = SCENES[0]
    picture, truth = hip(scene)
    found = propose(picture, scene.side)
    assert isinstance(found, Marks)
    socket = socket_from_marks(found, scene.side)
    assert isinstance(socket, Socket)
    refined = refine_head(picture, socket)
    assert refined.u_centre_px > 0.006 * refined.radius_px
    assert math.dist(refined.centre_px, truth.centre_px) < 3 * refined.u_centre_px + 1


@pytest.mark.parametrize("scene", SCENES)
def test_the_other_side_is_never_measured(scene: Scene) -> None:
    picture, _ = hip(scene)
    other: Side = "left" if scene.side == "right" else "right"
    as_other, mirrored = propose(picture, other), propose(turned_about(picture), scene.side)
    assert isinstance(as_other, NotMeasurable)
    assert isinstance(mirrored, NotMeasurable)


def test_the_wrong_side_is_named() -> None:
    picture, _ = hip(SCENES[0])
    found = propose(picture, "left")
    assert isinstance(found, NotMeasurable)
    assert found.reason is Reason.WRONG_SIDE


def test_mirror_and_side_swapped_give_mirrored_marks() -> None:
    picture, _ = hip(SCENES[0])
    here, there = propose(picture, "right"), propose(turned_about(picture), "left")
    assert isinstance(here, Marks)
    assert isinstance(there, Marks)
    last = picture.valid.shape[1] - 1
    assert there.rim_edge_px[0] == pytest.approx(last - here.rim_edge_px[0], abs=2.0)
    assert there.rim_edge_px[1] == pytest.approx(here.rim_edge_px[1], abs=2.0)


@pytest.mark.parametrize("grain", [0.0, 5.0, 12.0])
@pytest.mark.parametrize("side", ["left", "right"])
def test_nothing_is_proposed_on_clouds(grain: float, side: Side) -> None:
    found = propose(cloud(round(grain), grain), side)
    assert isinstance(found, NotMeasurable)
    assert found.reason in {Reason.NO_ANATOMY, Reason.MARKS_UNUSABLE, Reason.WRONG_SIDE}


def test_nothing_is_proposed_on_an_even_picture() -> None:
    picture = cloud(1, 0.0)
    flat = Radiograph(
        np.full_like(picture.attenuation, 0.7),
        picture.valid.copy(),
        picture.metal.copy(),
        picture.field,
        True,
        1e-3,
    )
    found = propose(flat, "left")
    assert isinstance(found, NotMeasurable)
    assert found.reason is Reason.NO_ANATOMY
