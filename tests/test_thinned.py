"""Thinned bone, on patches whose loss is a formula, and on phantom pictures through the pipeline.

Losses are in mm of cortical bone; the patches' attenuation per mm is exact, so that what is
tested here is everything but the calibration, which the phantom's pictures add.
"""

import dataclasses
import functools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as searching
from hypothesis import strategies as st

from tests.strategies import setup
from tracker import casefolder, phantom, phantom_body, pipeline, record, rimpatch, thinned
from tracker.phantom import Rod, Scene
from tracker.pipeline import PreparedReference
from tracker.rimpatch import Ground, Patch, ThinFrame
from tracker.settings import DEFAULTS
from tracker.thinned import Missed
from tracker.values import (
    Floats,
    Landmark,
    NotMeasurable,
    Picture,
    Quantity,
    Reason,
    Removal,
    Thinned,
)

HEAD_MM, RADIUS_MM, PER_MM = 22.5, 26.6, 0.04
EDGE_DEG = 45.0
SHARE = DEFAULTS.thinned.cortical_share


def landmark() -> Landmark:
    """A right-angled hip in the middle of a picture of 0.25 mm pixels."""
    size, spacing, centre = 440, 0.25, (219.5, 219.5)
    rows, columns = np.mgrid[:size, :size]
    x, y = (columns - centre[0]) * spacing, -(rows - centre[1]) * spacing
    rho, angle = np.hypot(x, y), np.degrees(np.arctan2(x, y))
    weight = (rho > HEAD_MM + 1.5) & ((y > 0.35 * HEAD_MM) | (x < 0))
    weight &= ~((np.abs(rho - RADIUS_MM) < 7) & (np.abs(angle - EDGE_DEG) < 24))
    edge = math.radians(EDGE_DEG)
    return Landmark(
        centre,
        np.array([0.0, -1.0]),
        np.array([1.0, 0.0]),
        (
            centre[0] + RADIUS_MM / spacing * math.sin(edge),
            centre[1] - RADIUS_MM / spacing * math.cos(edge),
        ),
        spacing,
        weight.astype(np.float32),
        np.zeros((size, size), np.float32),
        weight,
    )


FRAME: ThinFrame = rimpatch.thin_frame(landmark(), HEAD_MM, RADIUS_MM)


def hip(x: Floats, y: Floats, *, pulled_mm: float = 0.0) -> Floats:
    """Bone along the beam, mm of cortex: ilium, walls as lines, head and thigh bone."""
    rho = np.hypot(x, y)
    bone = 8.0 / (1 + np.exp(-(y + 2.0 * x / 5.0) / 2.0)) * (rho > HEAD_MM + 2.5)
    bone = bone + 4.0 * np.exp(-(((x + 25 + 0.2 * y) / 1.2) ** 2))
    bone = bone + 3.0 * np.exp(-(((y - 8 + 0.3 * x) / 1.5) ** 2)) * (np.abs(x) < 30)
    bone = bone + 0.5 * np.sin(x / 4.0) * np.cos(y / 5.0)
    gap = np.hypot(x - 0.3 * pulled_mm, y + pulled_mm)
    head = 8.0 * np.sqrt(np.clip(1 - (gap / HEAD_MM) ** 2, 0, 1))
    shaft = 5.0 / (1 + np.exp(-(30 - np.abs(x - 34 - 0.3 * pulled_mm) * 2 - 0.2 * y) / 1.5))
    shaft = shaft / (1 + np.exp((y + 12 + pulled_mm) / 1.5))
    return np.asarray(bone + head + shaft, float)


def band_mm(depth_mm: float, width_mm: float) -> tuple[Floats, float]:
    """A loss along the front wall from the edge, its sides 1 mm wide, and its area in mm².

    The area is that with at least 0.8 mm.
    """
    x, y = FRAME.x_mm.astype(float), FRAME.y_mm.astype(float)
    edge = RADIUS_MM * math.sin(math.radians(EDGE_DEG))
    along, across = edge - x, y - edge + 0.4 * (edge - x)
    length = 22.0
    share = np.clip(0.5 + (width_mm / 2 - np.abs(across)) / 1.0, 0, 1)
    share = share * np.clip(0.5 + (length / 2 - np.abs(along - length / 2)) / 1.0, 0, 1)
    inwards = 1.0 - 2 * 0.8 / max(depth_mm, 0.8)
    return depth_mm * share, (length + inwards) * (width_mm + inwards)


def patch(
    name: str,
    loss_mm: Floats | float = 0.0,
    *,
    seed: int = 0,
    gain: float = 1.0,
    shift_mm: tuple[float, float] = (0.0, 0.0),
    pulled_mm: float = 0.0,
    noise: float = 0.006,
    gamma: float = 1.0,
) -> Patch:
    """A picture on the grid: bone, a wedge of soft tissue, scatter's surface, noise."""
    x, y = FRAME.x_mm.astype(float) - shift_mm[0], FRAME.y_mm.astype(float) - shift_mm[1]
    bone = hip(x, y, pulled_mm=pulled_mm) - loss_mm
    slow = 0.6 - 0.006 * x + 0.08 * (gain - 1) * (x / 20 + (y / 30) ** 2)
    value = gain * (PER_MM * bone + slow)
    value = value + 0.15 * (gamma - 1) * (value - 0.8) ** 2
    noisy = value + noise * np.random.default_rng(seed).standard_normal(value.shape)
    return Patch(name, noisy.astype(np.float32), np.ones(value.shape, bool))


def compared(
    before: Patch, now: Patch, *, turn_deg: float = 0.2, missed: Missed | None = None
) -> Thinned | NotMeasurable:
    return thinned.compare(
        before,
        now,
        FRAME,
        PER_MM * SHARE,
        shown_px=FRAME.points_px,
        turn_deg=turn_deg,
        u_relative_scale=0.01,
        missed=missed,
    )


def found(before: Patch, now: Patch, *, turn_deg: float = 0.2) -> Thinned:
    result = compared(before, now, turn_deg=turn_deg)
    assert isinstance(result, Thinned), result
    return result


# --- against formulas -----------------------------------------------------------------------


@pytest.mark.parametrize("gain", [0.85, 1.0, 1.2])
@pytest.mark.parametrize(("depth", "width"), [(1.6, 4.0), (2.5, 3.0), (4.0, 6.0)])
def test_the_area_of_a_band_is_right(depth: float, width: float, gain: float) -> None:
    """Within 18 % or 6 mm², and within 2u, whatever the brightness: blur widens a deep cut."""
    loss, area = band_mm(depth, width)
    seen = found(patch("000"), patch("001", loss, seed=1, gain=gain, gamma=1.1))
    assert abs(seen.area_mm2.value - area) <= max(0.18 * area, 6.0)
    assert seen.area_mm2.low <= area <= seen.area_mm2.high


def test_nothing_gone_reads_nothing() -> None:
    seen = found(patch("000"), patch("001", seed=1, gain=1.1))
    assert seen.area_mm2.value <= 2.0
    assert seen.profile.loss_mm.max() == 0 or seen.area_mm2.value > 0
    assert seen.detection_mm < 0.8


def test_it_rises_over_the_passes() -> None:
    areas = [
        found(patch("000"), patch("k", band_mm(0.6 * k, 1.2 * k)[0], seed=k)).area_mm2.value
        for k in range(5)
    ]
    assert areas == sorted(areas)
    assert areas[-1] > 80


def test_a_small_shift_left_over_is_no_loss() -> None:
    """0.15 mm of registration beside 1° of turn: within 2u, and less than 15 mm² of nothing."""
    moved = patch("001", seed=1, shift_mm=(0.1, -0.1))
    assert found(patch("000"), moved, turn_deg=1.0).area_mm2.value <= 15
    loss, area = band_mm(2.5, 4.0)
    seen = found(patch("000"), patch("001", loss, seed=1, shift_mm=(0.1, -0.1)), turn_deg=1.0)
    assert seen.area_mm2.low <= area <= seen.area_mm2.high


@searching(max_examples=15)
@given(st.floats(1.3, 5.0), st.floats(2.0, 7.0), st.integers(0, 50))
def test_two_u_hold_the_truth(depth: float, width: float, seed: int) -> None:
    loss, area = band_mm(depth, width)
    seen = found(patch("000", seed=seed), patch("001", loss, seed=seed + 100, gain=1.05))
    assert seen.area_mm2.low <= area <= seen.area_mm2.high


def test_more_is_never_less() -> None:
    """The same noise, a deeper and wider cut: the area does not fall."""
    areas = [
        found(patch("000"), patch("001", band_mm(d, w)[0], seed=3)).area_mm2.value
        for d, w in [(1.0, 2.0), (1.2, 3.0), (2.0, 3.0), (2.0, 5.0), (4.0, 5.0)]
    ]
    assert areas == sorted(areas)


# --- what is said beside the number ---------------------------------------------------------


def test_the_calibration_row_is_the_numerical_derivative() -> None:
    """Another attenuation per mm by 5 % moves the area by what the row's sensitivity says."""
    loss, _ = band_mm(1.0, 4.0)
    x = FRAME.x_mm.astype(float)
    # A loss with a slope, so that the limit's place matters.
    loss = loss * np.clip(1.4 + (x - 10) / 12, 0, 3)
    before, now = patch("000", noise=0.0), patch("001", loss, noise=0.0)
    row = found(before, now).budget.rows[0]

    def area(factor: float) -> float:
        result = thinned.compare(
            before,
            now,
            FRAME,
            PER_MM * SHARE * factor,
            shown_px=FRAME.points_px,
            turn_deg=0.2,
            u_relative_scale=0.01,
        )
        assert isinstance(result, Thinned)
        return result.area_mm2.value

    slope = (area(1.1) - area(0.9)) / 0.2
    assert row.sensitivity == pytest.approx(-slope if slope < 0 else slope, rel=0.4)


def test_the_profile_lies_where_the_band_lies() -> None:
    loss, _ = band_mm(3.0, 4.0)
    seen = found(patch("000"), patch("001", loss, seed=1)).profile
    where = seen.angle_deg[seen.loss_mm > 0]
    assert where.min() == pytest.approx(-13, abs=10)
    assert where.max() == pytest.approx(EDGE_DEG + 3, abs=6)
    assert seen.loss_mm.max() == pytest.approx(3.0, abs=0.5)
    assert seen.width_mm[seen.loss_mm > 0].max() > 2


def test_the_clock_face_runs_from_the_edge_to_the_front() -> None:
    """12 near the lateral edge, 3 medial of the centre, both sides alike; the back is negative."""
    hours = thinned.front_clock(np.array([80.0, 50.0, 0.0, -80.0]))
    assert np.all(np.diff(hours) > 0)
    assert hours[0] < 0
    assert abs(hours[1]) < 1.0
    assert 1.0 < hours[2] < 2.2
    assert 2.3 < hours[3] < 3.2


def test_its_borders_lie_around_the_band() -> None:
    loss, _ = band_mm(3.0, 4.0)
    lines = found(patch("000"), patch("001", loss, seed=1)).borders_px
    assert lines
    inside = FRAME.points_px[loss > 2.9]
    whole = np.concatenate(lines)
    assert np.all(whole.min(axis=0) <= inside.min(axis=0) + 6)
    assert np.all(whole.max(axis=0) >= inside.max(axis=0) - 6)


def test_a_comparison_that_may_lack_bone_widens_u() -> None:
    loss, _ = band_mm(2.5, 4.0)
    pair = patch("000"), patch("001", loss, seed=1)
    sure, unsure = compared(*pair), compared(*pair, missed=Missed(0.1, 0.1))
    assert isinstance(sure, Thinned)
    assert isinstance(unsure, Thinned)
    assert unsure.area_mm2.value == sure.area_mm2.value
    assert unsure.area_mm2.u > sure.area_mm2.u + 3


# --- when there is no number ------------------------------------------------------------------


def test_other_traction_is_seen() -> None:
    at_rest = patch("000")
    assert rimpatch.same_place(at_rest, patch("001", band_mm(3.0, 4.0)[0], seed=1), FRAME)
    assert not rimpatch.same_place(at_rest, patch("001", seed=1, pulled_mm=9.0), FRAME)
    assert not rimpatch.same_place(
        patch("001", seed=1, pulled_mm=9.0), patch("002", seed=2, pulled_mm=10.0), FRAME
    )


def test_metal_over_the_corner_gives_none() -> None:
    now = patch("001", seed=1)
    seen = now.seen.copy()
    seen[FRAME.corner & (FRAME.y_mm > 17)] = False
    result = compared(patch("000"), dataclasses.replace(now, seen=seen))
    assert isinstance(result, NotMeasurable)
    assert result.reason == Reason.RIM_HIDDEN


def test_a_view_that_moved_lines_by_a_millimetre_gives_none() -> None:
    result = compared(patch("000"), patch("001", seed=1, shift_mm=(1.2, 0.8)))
    assert isinstance(result, NotMeasurable)
    assert result.reason == Reason.VIEW_CHANGED


# --- through the pipeline ---------------------------------------------------------------------

SCENE = Scene(noise=0.006, lip_mm=2.0)


def loss_map(scene: Scene) -> tuple[Picture, float]:
    """Bone gone from a scene, mm of cortex, and a pixel's area in mm²."""
    view = phantom_body.View(scene)
    whole = phantom_body.pelvis_mm(phantom_body.View(dataclasses.replace(scene, recession_mm=0.0)))
    return whole - phantom_body.pelvis_mm(view), view.mm_per_px**2


@functools.cache
def prepared() -> PreparedReference:
    still, truth = phantom.render(SCENE, 0)
    return pipeline.prepare_reference(still, setup(SCENE, phantom.marks(truth)))


def measured(scenes: list[Scene]) -> list[Removal]:
    state = pipeline.open_case(prepared())
    removals = []
    for seed, scene in enumerate(scenes, start=1):
        picture, _ = phantom.render(scene, seed)
        picture = dataclasses.replace(picture, name=f"{seed:03d}.png")
        result, state = pipeline.measure_still(picture, state)
        assert result.removal is not None, result.reasons
        removals.append(result.removal)
    assert len(state.zeros) <= DEFAULTS.thinned.most_zero_pictures
    return removals


def test_phantom_pictures_under_one_traction() -> None:
    """A zero picture under traction serves the passes; after traction is off, the reference."""
    pulled = dataclasses.replace(SCENE, traction_mm=9.0)
    passes = [dataclasses.replace(pulled, recession_mm=r) for r in (0.0, 2.0, 4.0)]
    last = dataclasses.replace(SCENE, recession_mm=4.0)
    removals = measured([*passes, last])
    assert removals[0].thinned is None
    assert removals[0].thinned_why is not None
    areas = []
    for scene, removal in zip([*passes[1:], last], removals[1:], strict=True):
        assert removal.thinned is not None, removal.thinned_why
        loss, pixel = loss_map(scene)
        true = float((loss >= 0.8).sum()) * pixel
        area = removal.thinned.area_mm2
        areas.append(area.value)
        assert area.low <= true <= area.high
    assert areas[0] < areas[1]
    assert removals[1].thinned is not None
    assert removals[3].thinned is not None
    assert removals[1].thinned.against == "001.png"
    assert removals[3].thinned.against == "phantom-0.png"
    # The replay's form has it where it is known, and only there.
    plain = [casefolder._removal_plain(removal) for removal in (removals[0], removals[3])]
    assert "thinned_area_mm2" not in plain[0]
    area = removals[3].thinned.area_mm2
    assert plain[1]["thinned_area_mm2"] == {"value": area.value, "u": area.u}
    # The record keeps it without loss.
    again = record.from_text(Removal, record.to_text(removals[3]))
    assert again.thinned is not None
    assert again.thinned.area_mm2 == removals[3].thinned.area_mm2
    assert again.thinned.against == "phantom-0.png"
    np.testing.assert_array_equal(
        again.thinned.profile.loss_mm, removals[3].thinned.profile.loss_mm
    )


def test_without_a_zero_picture_there_is_none() -> None:
    pulled = dataclasses.replace(SCENE, traction_mm=9.0)
    passes = [dataclasses.replace(pulled, recession_mm=r) for r in (2.0, 4.0)]
    for removal in measured(passes):
        assert removal.thinned is None
        assert removal.thinned_why is not None
        assert "zero picture" in removal.thinned_why.what_to_do


def test_a_rod_over_the_corner_keeps_the_recession_but_not_the_area() -> None:
    """The edge itself is free, but bone beside it is covered: no area, and why."""
    # 5 mm thick, along the wall just above the corner.
    rod = Rod((14.0, 27.0), (70.0, 62.0), 5.0)
    scene = dataclasses.replace(SCENE, recession_mm=2.0, rods=(rod,))
    (removal,) = measured([scene])
    assert removal.thinned is None
    assert removal.thinned_why is not None


def test_the_calibration_finds_the_phantoms_bone_to_a_third() -> None:
    """The phantom's bone is 0.055 a mm of cortex; its ilium is not the generic one."""
    known = prepared().measurable
    assert known is not None
    assert isinstance(known.ground, Ground)
    assert known.ground.per_mm / SHARE == pytest.approx(0.055, rel=0.34)


def test_quantities_are_in_square_millimetres() -> None:
    seen = found(patch("000"), patch("001", band_mm(2.5, 4.0)[0], seed=1))
    assert isinstance(seen.area_mm2, Quantity)
    assert seen.area_mm2.unit == "mm²"
    assert seen.budget.unit == "mm²"
