"""The phantom's truth against its own pixels: what is stated must be what is drawn."""

import dataclasses
import time

import numpy as np
import pytest
from scipy.ndimage import map_coordinates
from shapely.geometry import Polygon

from tracker import phantom
from tracker.phantom import Rod, Scene
from tracker.values import Floats, Side

CLEAN = Scene(noise=0.0, blur_mm=0.05, bone_bright=True)


def test_angle_at_the_edge_radius_is_the_lcea() -> None:
    for lcea, removed in ((25.0, 0.0), (40.0, 2.0), (50.0, 4.5)):
        scene = Scene(lcea_deg=lcea, recession_mm=removed)
        angle = phantom.outline_deg(scene, np.array([scene.radius_mm]))[0]
        assert angle == pytest.approx(lcea - np.degrees(removed / scene.radius_mm))


def test_the_outline_falls_with_the_radius() -> None:
    scene = Scene()
    radii = np.linspace(scene.head_radius_mm, scene.radius_mm + 12, 300)
    assert (np.diff(phantom.outline_deg(scene, radii)) <= 1e-12).all()


def brightness_along_arc(scene: Scene, radius_mm: float, angle_deg: Floats) -> Floats:
    still, truth = phantom.render(scene)
    side = -1.0 if scene.side == "right" else 1.0
    up = np.asarray(truth.up_px)
    lateral = side * np.array([-up[1], up[0]])  # clockwise of up on the screen
    turn = np.radians(angle_deg)
    radius = radius_mm / truth.mm_per_px
    points = np.asarray(truth.centre_px) + radius * (
        np.cos(turn)[:, None] * up + np.sin(turn)[:, None] * lateral
    )
    grey: Floats = map_coordinates(still.grey, points[:, ::-1].T, order=1)
    return grey


@pytest.mark.parametrize("side", ["right", "left"])
@pytest.mark.parametrize("removed", [0.0, 3.0])
@pytest.mark.parametrize("beyond", [0.3, 2.0])
def test_the_step_is_drawn_where_truth_says(side: Side, removed: float, beyond: float) -> None:
    """The steepest step along an arc lies on the outline to a third of a pixel."""
    scene = dataclasses.replace(
        CLEAN,
        side=side,
        recession_mm=removed,
        turn_deg=12.0,
        zoom=1.2,
        shift_px=(7.0, -4.0),
        size_px=512,
    )
    radius = scene.radius_mm + beyond
    true = float(phantom.outline_deg(scene, np.array([radius]))[0])
    angle = true + np.arange(-5, 5, 0.05)
    grey = brightness_along_arc(scene, radius, angle)
    slope = -np.gradient(np.convolve(grey, np.ones(9) / 9, "same"))[12:-12]
    found = angle[12:-12][int(np.argmax(slope))]
    px_deg = np.degrees(scene.mm_per_px / scene.zoom / radius)
    assert abs(found - true) < 0.35 * px_deg + 0.1


def test_area_by_polygon_and_by_integral() -> None:
    """Two routes: shapely's polygon between the outlines, and the truth's integral."""
    scene = Scene(recession_mm=3.0)
    _, truth = phantom.render(scene)
    before = phantom.outline_deg(dataclasses.replace(scene, recession_mm=0.0), truth.radii_mm)

    def points(angle: Floats) -> Floats:
        turn = np.radians(angle)
        direction = np.column_stack([np.sin(turn), np.cos(turn)])
        return np.asarray(truth.radii_mm[:, None] * direction)

    # The inner end is an arc, not its chord.
    across = np.radians(np.linspace(truth.angle_deg[0], before[0], 60))
    arc = truth.radii_mm[0] * np.column_stack([np.sin(across), np.cos(across)])
    ring = np.concatenate([points(before), points(truth.angle_deg)[::-1], arc])
    assert truth.area_mm2 == pytest.approx(Polygon(ring).buffer(0).area, rel=2e-3)


def test_motion_is_what_to_reference_undoes() -> None:
    still = Scene(noise=0.0)
    moved = Scene(noise=0.0, turn_deg=37, shift_px=(20, -11), zoom=1.35)
    _, here = phantom.render(still)
    _, there = phantom.render(moved)
    matrix, offset = there.to_reference[:, :2], there.to_reference[:, 2]
    assert matrix @ np.asarray(there.edge_px) + offset == pytest.approx(np.asarray(here.edge_px))
    assert matrix @ np.asarray(there.centre_px) + offset == pytest.approx(
        np.asarray(here.centre_px)
    )
    assert np.sqrt(np.linalg.det(matrix)) == pytest.approx(1 / 1.35)
    assert there.mm_per_px == pytest.approx(here.mm_per_px / 1.35)


def test_pictures_move_with_their_truth() -> None:
    """The moved picture, carried back by truth, is the still one."""
    still, _ = phantom.render(Scene(noise=0.0, field="square"))
    moved, truth = phantom.render(
        Scene(noise=0.0, field="square", turn_deg=8, shift_px=(6.3, -4.8), zoom=1.1)
    )
    y, x = np.mgrid[60:450, 60:450]
    back = np.linalg.inv(np.vstack([truth.to_reference, [0, 0, 1]]))
    points = np.stack([x.ravel(), y.ravel(), np.ones(x.size)])
    there = (back @ points)[:2]
    carried = map_coordinates(moved.grey, there[::-1], order=1).reshape(x.shape)
    assert np.abs(carried - still.grey[60:450, 60:450]).mean() < 0.006


def test_mirrored_truth_holds_a_reflection() -> None:
    _, truth = phantom.render(Scene(mirrored=True))
    assert np.linalg.det(truth.to_reference[:, :2]) < 0


def test_removal_leaves_bone_far_from_the_cut_alone() -> None:
    """Over the head the wall's line goes back with the rim; elsewhere the cut tapers."""
    scene = Scene(noise=0.0)
    before, _ = phantom.render(scene)
    after, truth = phantom.render(dataclasses.replace(scene, recession_mm=4.0))
    rows, columns = np.nonzero(np.abs(before.grey - after.grey) > 0.01)
    dx = -(columns - truth.centre_px[0])
    dy = -(rows - truth.centre_px[1])
    angle = np.degrees(np.arctan2(dx, dy))
    radius = np.hypot(dx, dy) * truth.mm_per_px
    beyond = radius > scene.head_radius_mm + 1.5
    assert beyond.sum() > 100
    assert (angle[beyond] > truth.lcea_deg - 22).all()
    assert (angle[beyond] < scene.lcea_deg + 2).all()
    assert (radius < scene.radius_mm + 12).all()
    lost = (before.grey - after.grey)[rows, columns][beyond]
    assert (lost > 0).mean() > 0.97  # bone is lost, but where the wall's line has moved


def test_traction_moves_the_femur_only() -> None:
    scene = Scene(noise=0.0)
    near, a = phantom.render(scene)
    far, b = phantom.render(dataclasses.replace(scene, traction_mm=10.0))
    assert a.edge_px == b.edge_px
    drawn = (b.head_px - a.head_px)[0] * b.mm_per_px
    assert np.hypot(*drawn) == pytest.approx(10.0, abs=0.01)
    assert np.array_equal(near.grey[:120, 250:], far.grey[:120, 250:])


def test_polarity_gain_and_gamma_follow_the_formula() -> None:
    dark, _ = phantom.render(dataclasses.replace(CLEAN, bone_bright=False))
    bright, _ = phantom.render(CLEAN)
    inside = (slice(150, 350), slice(150, 350))
    assert np.abs(dark.grey[inside] + bright.grey[inside] - 1).max() < 0.01
    bent, _ = phantom.render(dataclasses.replace(CLEAN, bone_bright=False, gamma=0.7, gain=0.9))
    expected = 0.9 * dark.grey[inside] ** 0.7
    assert np.abs(bent.grey[inside] - expected).max() < 0.02


def test_metal_is_far_more_attenuating_than_bone() -> None:
    scene = dataclasses.replace(CLEAN, rods=(Rod((30.0, 5.0), (90.0, 0.0)),))
    still, truth = phantom.render(scene)
    x = truth.centre_px[0] - 45 / truth.mm_per_px
    y = truth.centre_px[1] - 3.7 / truth.mm_per_px
    assert still.grey[round(y), round(x)] > phantom.render(CLEAN)[0].grey[100:200, 250:300].max()


def test_same_seed_same_picture_and_other_seed_other_noise() -> None:
    one, again, other = (phantom.render(Scene(), seed)[0] for seed in (1, 1, 2))
    assert one.sha256 == again.sha256
    assert one.sha256 != other.sha256


def test_beam_direction_moves_parts_by_their_depth() -> None:
    """Tube towards the head: parts nearer to the receptor move headwards; the rim stays."""
    flat, _ = phantom.render(Scene(noise=0.0))
    tilted, truth = phantom.render(Scene(noise=0.0, tilt_deg=4.0))
    assert truth.edge_px == phantom.render(Scene())[1].edge_px
    assert np.abs(flat.grey - tilted.grey)[330:420, 350:480].mean() > 0.003


def test_fast_enough_for_unit_tests() -> None:
    phantom.render(Scene())
    start = time.perf_counter()
    for _ in range(3):
        phantom.render(Scene(recession_mm=2.0))
    assert (time.perf_counter() - start) / 3 < 0.5  # 0.05 s on an idle core
