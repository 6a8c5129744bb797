"""The head's outline along rays: candidates, the circle they carry, and what is no outline."""

import math

import numpy as np
import pytest

from tests.test_marks import ball
from tracker.contour import edges_along_rays, fit_head, ray_angles_deg, unit_rays
from tracker.values import Circle, Radiograph

CENTRE, RADIUS = (262.3, 238.6), 110.0
UP, LATERAL = (0.0, -1.0), (-1.0, 0.0)


@pytest.fixture(scope="module")
def clear() -> Radiograph:
    return ball(CENTRE, RADIUS, noise=0.02, seed=5)


def test_rays_start_up_and_turn_lateral() -> None:
    rays = unit_rays(np.array([0.0, 90.0]), UP, LATERAL)
    assert rays == pytest.approx(np.array([UP, LATERAL]), abs=1e-12)


def test_neck_and_fovea_are_left_out() -> None:
    angles = ray_angles_deg()
    assert angles.max() < 80
    assert not np.any((angles > -100) & (angles < -45))


def test_steps_lie_on_the_ball(clear: Radiograph) -> None:
    found = edges_along_rays(clear, CENTRE, RADIUS, UP, LATERAL)
    assert found is not None
    off = np.hypot(*(found.points_px - np.array(CENTRE)).T) - RADIUS
    steepest = [
        off[found.ray == ray][found.strength[found.ray == ray].argmax()] for ray in {*found.ray}
    ]
    assert np.median(np.abs(steepest)) < 0.7
    assert abs(np.median(steepest)) < 0.5


@pytest.mark.parametrize(("dx", "dy", "scale"), [(0, 0, 1), (6, -5, 1.03), (-7, 4, 0.96)])
def test_the_circle_is_found_from_beside(
    clear: Radiograph, dx: float, dy: float, scale: float
) -> None:
    start = (CENTRE[0] + dx, CENTRE[1] + dy)
    found = fit_head(clear, start, scale * RADIUS, UP, LATERAL, u_px=5.0)
    assert found is not None
    assert math.dist(found.centre_px, CENTRE) < 0.9  # 0.2 mm of a head of 24 mm
    assert found.radius_px == pytest.approx(RADIUS, abs=0.9)
    assert found.u_centre_px < 0.02 * RADIUS


def test_noise_and_strangers_carry_no_circle(clear: Radiograph) -> None:
    for seed in range(2):
        empty = ball((3000.0, 3000.0), RADIUS, noise=0.05, seed=seed, crossed=False)
        assert fit_head(empty, CENTRE, RADIUS, UP, LATERAL, u_px=5.0) is None
    assert fit_head(clear, (CENTRE[0] - 90, CENTRE[1] - 60), RADIUS, UP, LATERAL, u_px=5.0) is None


def test_an_arc_outside_the_field_is_not_guessed(clear: Radiograph) -> None:
    assert fit_head(clear, (CENTRE[0], -60.0), RADIUS, UP, LATERAL, u_px=5.0) is None


def test_strong_noise_is_smoothed_before_giving_up() -> None:
    noisy = ball(CENTRE, RADIUS, noise=0.25, seed=7)
    found = fit_head(noisy, CENTRE, RADIUS, UP, LATERAL, u_px=5.0)
    assert isinstance(found, Circle)
    assert math.dist(found.centre_px, CENTRE) < 3 * found.u_centre_px
