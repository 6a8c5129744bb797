"""The bead plate against the distortion it was drawn with, not against its own beads."""

import dataclasses

import numpy as np
import pytest

from tracker import distortion, phantom
from tracker.distortion import Rectification
from tracker.phantom import Plate, Scene
from tracker.values import Floats, NotMeasurable, Reason, Still

INSIDE_PX = 0.15
"""Greatest error inside the field at 512 px, 2 % noise, 8 bit."""
RESIDUAL_PX = 0.25


def rectification(plate: Plate, seed: int = 0) -> Rectification:
    found = distortion.find_rectification(phantom.bead_plate(plate, seed))
    assert isinstance(found, Rectification), found
    return found


def field_points(size: int, share: float = 0.9) -> Floats:
    """Points of no grid, evenly over the field."""
    k = np.arange(400)
    radius, turn = share * 0.49 * size * np.sqrt((k + 0.5) / 400), 2.39996 * k
    return (size - 1) / 2 + np.column_stack([radius * np.cos(turn), radius * np.sin(turn)])


def miss_px(found: Rectification, plate: Plate) -> Floats:
    """Distance from the truth once the turn and zoom of the whole frame are taken out."""
    straight = field_points(plate.size_px)
    ideal = distortion.to_ideal(phantom.bend(straight, plate), found)
    a, b = straight - straight.mean(axis=0), ideal - ideal.mean(axis=0)
    za, zb = a[:, 0] + 1j * a[:, 1], b[:, 0] + 1j * b[:, 1]
    similarity = (np.conj(za) @ zb) / (np.conj(za) @ za)
    assert abs(similarity - 1) < 2e-3  # near identity at the middle, so nearly so everywhere
    return np.asarray(np.abs(zb - similarity * za), np.float64)


PLATES = {
    "square": Plate(),
    "hexagonal": Plate(lattice="hexagonal", turn_deg=17),
    "bright beads": Plate(bright=True),
    "beads missing": Plate(missing=0.15),
    "strong": Plate(pincushion=0.06, swirl_deg=-4),
    "turned by 45": Plate(turn_deg=45),
    "no distortion": Plate(pincushion=0, swirl_deg=0),
    "wide grid": Plate(spacing_px=38, bead_radius_px=5),
    "fine grid": Plate(spacing_px=14, bead_radius_px=2.2),
    "square field": Plate(field="square", missing=0.05),
    "barrel": Plate(pincushion=-0.03),
}


@pytest.mark.parametrize("plate", PLATES.values(), ids=PLATES.keys())
def test_truth_is_recovered(plate: Plate) -> None:
    found = rectification(plate)
    assert found.lattice == plate.lattice
    assert found.residual_px <= RESIDUAL_PX
    assert found.spacing_px == pytest.approx(plate.spacing_px, rel=0.003)
    assert float(miss_px(found, plate).max()) <= INSIDE_PX


@pytest.mark.slow
def test_truth_is_recovered_at_1024() -> None:
    plate = Plate(size_px=1024, spacing_px=40, bead_radius_px=6, pincushion=0.04)
    found = rectification(plate)
    assert found.residual_px <= RESIDUAL_PX
    assert float(miss_px(found, plate).max()) <= INSIDE_PX


def test_order_follows_the_distortion() -> None:
    """A straight picture needs no curve; pincushion grows with the third power."""
    assert rectification(PLATES["no distortion"]).order == 1
    assert rectification(PLATES["square"]).order >= 3


def test_there_and_back_is_identity() -> None:
    found = rectification(PLATES["strong"])
    points = np.concatenate([field_points(512), [[0.0, 0.0], [511.0, 3.0], [-40.0, 600.0]]])
    back = distortion.to_recorded(distortion.to_ideal(points, found), found)
    assert np.abs(back - points).max() < 1e-6


def test_the_middle_stays() -> None:
    found = rectification(PLATES["strong"])
    middle = np.array([[255.5, 255.5], [256.5, 255.5], [255.5, 256.5]])
    moved = distortion.to_ideal(middle, found)
    assert np.abs(moved - middle).max() < 5e-3


def test_beyond_the_beads_nothing_explodes() -> None:
    found = rectification(PLATES["square"])
    corners = np.array([[0.0, 0.0], [511.0, 0.0], [0.0, 511.0], [511.0, 511.0]])
    assert np.hypot(*(distortion.to_ideal(corners, found) - corners).T).max() < 25


def test_rectified_picture_is_the_undistorted_one() -> None:
    plate = Plate(pincushion=0.04, swirl_deg=3)
    straight, _ = phantom.render(Scene(noise=0.0))
    rectified = distortion.rectify(phantom.bent(straight, plate), rectification(plate))
    y, x = np.mgrid[:512, :512] - 255.5
    inside = np.hypot(x, y) < 0.9 * 0.49 * 512
    assert rectified.grey.dtype == np.float32
    assert rectified.sha256 == phantom.bent(straight, plate).sha256
    assert np.abs(rectified.grey - straight.grey)[inside].mean() < 0.004
    assert np.abs(phantom.bent(straight, plate).grey - straight.grey)[inside].mean() > 0.008


def test_rectification_suits_one_size_only() -> None:
    found = rectification(PLATES["square"])
    other, _ = phantom.render(Scene(size_px=256, mm_per_px=0.66))
    with pytest.raises(ValueError, match="256 x 256"):
        distortion.rectify(other, found)


def test_noise_seeds_agree() -> None:
    """Repeatability: two exposures of one plate give the same map within 0.1 px."""
    one, two = (rectification(PLATES["square"], seed) for seed in (1, 2))
    points = field_points(512)
    apart = distortion.to_ideal(points, one) - distortion.to_ideal(points, two)
    assert np.abs(apart).max() < 0.1


@pytest.mark.parametrize("what", ["hip", "flat", "noise", "few beads"])
def test_what_is_no_plate_is_not_measurable(what: str) -> None:
    noise = np.random.default_rng(0).random((256, 256), dtype=np.float32)
    pictures = {
        "hip": phantom.render(Scene())[0],
        "flat": Still("flat.png", np.full((256, 256), 0.5, np.float32), ""),
        "noise": Still("noise.png", noise, ""),
        "few beads": phantom.bead_plate(Plate(spacing_px=110, bead_radius_px=8)),
    }
    found = distortion.find_rectification(pictures[what])
    assert isinstance(found, NotMeasurable)
    assert found.reason is Reason.GRID_UNUSABLE
    assert found.detail


def test_arrays_are_read_only() -> None:
    found = rectification(PLATES["square"])
    with pytest.raises(ValueError, match="read-only"):
        found.coefficients_px[0, 0] = 1.0
    with pytest.raises(ValueError, match="finite"):
        dataclasses.replace(found, coefficients_px=np.array([[np.nan, 0.0]]))
