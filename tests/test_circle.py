"""Circle fits against published values, exact arcs and their own covariance.

Published: the six points, the algebraic circle and the geometric circle are those of Gander,
Golub and Strebel, BIT 34 (1994) 558.  The Taubin, Kåsa and Pratt figures for the same points,
and the scatter of short arcs, were computed twice by independent routes (Chernov, Circular and
Linear Regression, 2010, gives the methods and the expected behaviour).
"""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracker.circle import fit_circle, radial_residuals, taubin
from tracker.values import Circle, Floats

GANDER = np.array([(1, 7), (2, 6), (5, 8), (7, 7), (9, 5), (3, 7)], dtype=np.float64)


def arc(centre: tuple[float, float], radius: float, degrees: Floats) -> Floats:
    """Points on an arc."""
    turn = np.radians(degrees)
    return np.column_stack([centre[0] + radius * np.cos(turn), centre[1] + radius * np.sin(turn)])


def test_geometric_fit_is_the_published_one() -> None:
    fitted = fit_circle(GANDER, 1.0)
    assert fitted is not None
    assert fitted.centre_px == pytest.approx((4.739782, 2.983533), abs=1e-6)
    assert fitted.radius_px == pytest.approx(4.714226, abs=1e-6)
    assert np.sum(radial_residuals(fitted, GANDER) ** 2) == pytest.approx(1.227599, abs=1e-6)


def test_taubin_fit_is_the_published_one() -> None:
    assert taubin(GANDER) == pytest.approx((4.613933, 2.795209, 4.879213), abs=1e-6)


@pytest.mark.parametrize(
    ("circle", "sum_of_squares"),
    [
        ((5.379413, 7.253198, 3.037041), 10.853278),  # algebraic, unit-norm coefficients
        ((4.742331, 3.835123, 4.108762), 1.398289),  # Kåsa
        ((4.615482, 2.807354, 4.911302), 1.275442),  # Pratt
        ((4.613933, 2.795209, 4.879213), 1.254717),  # Taubin
    ],
)
def test_distances_give_the_published_sums(
    circle: tuple[float, float, float], sum_of_squares: float
) -> None:
    value = Circle(circle[:2], circle[2], np.eye(3))
    assert np.sum(radial_residuals(value, GANDER) ** 2) == pytest.approx(sum_of_squares, abs=2e-5)


def test_an_exact_quarter_is_recovered() -> None:
    points = arc((10, -5), 24, np.arange(0.0, 91.0, 10.0))
    fitted = fit_circle(points, 0.5)
    assert fitted is not None
    assert (*fitted.centre_px, fitted.radius_px) == pytest.approx((10, -5, 24), abs=1e-9)
    assert taubin(points) == pytest.approx((10, -5, 24), abs=1e-9)


@pytest.mark.parametrize(
    ("span", "u_radius", "u_centre"),
    [
        (60, 1.488, 1.560),
        (90, 0.641, 0.711),
        (120, 0.347, 0.414),
        (180, 0.143, 0.204),
        (360, 0.0645, 0.091),
    ],
)
def test_covariance_is_the_published_one(span: float, u_radius: float, u_centre: float) -> None:
    degrees = np.linspace(-span / 2, span / 2, 60, endpoint=span < 360)
    fitted = fit_circle(arc((0, 0), 24, degrees), 0.5)
    assert fitted is not None
    assert fitted.u_radius_px == pytest.approx(u_radius, rel=0.01)
    assert np.sqrt(fitted.covariance_px2[0, 0]) == pytest.approx(u_centre, rel=0.01)


@pytest.mark.parametrize(("span", "mean_radius"), [(60, 24.10), (90, 24.04), (120, 24.03)])
def test_taubin_hardly_shrinks_short_arcs(span: float, mean_radius: float) -> None:
    """Taubin's mean over noisy arcs stays near 24 where the plain algebraic fit gives 19.85."""
    source = np.random.default_rng(20)
    clean = arc((0, 0), 24, np.linspace(-span / 2, span / 2, 60))
    radii = []
    for _ in range(1500):
        fitted = taubin(clean + source.normal(0, 0.5, clean.shape))
        assert fitted is not None
        radii.append(fitted[2])
    standard_error = np.std(radii) / np.sqrt(len(radii))
    assert np.mean(radii) == pytest.approx(mean_radius, abs=3.5 * standard_error)


def test_scatter_of_the_fit_agrees_with_its_covariance() -> None:
    source = np.random.default_rng(21)
    clean = arc((300, 400), 140, np.array([-150.0, -110.0, -75.0, -40.0, 0.0, 35.0]))
    z = []
    for _ in range(600):
        fitted = fit_circle(clean + source.normal(0, 2.0, clean.shape), 2.0)
        assert fitted is not None
        z.append((fitted.radius_px - 140) / fitted.u_radius_px)
    assert 0.8 < np.std(z) < 1.15
    assert abs(np.mean(z)) < 0.2


def test_scatter_beyond_the_stated_one_widens_the_covariance() -> None:
    source = np.random.default_rng(22)
    clean = arc((0, 0), 100, np.linspace(0, 200, 80))
    noisy = clean + source.normal(0, 3.0, clean.shape)
    honest, hopeful = fit_circle(noisy, 3.0), fit_circle(noisy, 0.5)
    assert honest is not None
    assert hopeful is not None
    assert hopeful.u_radius_px == pytest.approx(honest.u_radius_px, rel=0.25)


def test_a_known_radius_steadies_a_short_arc() -> None:
    points = arc((0, 0), 24, np.linspace(-30, 30, 60))
    free = fit_circle(points, 0.5)
    known = fit_circle(points, 0.5, radius=(24.0, 0.1))
    held = fit_circle(points, 0.5, radius=(25.0, 0.0))
    assert free is not None
    assert known is not None
    assert held is not None
    assert known.u_radius_px < 0.1
    assert known.u_centre_px < free.u_centre_px / 5
    assert held.radius_px == 25.0
    assert held.u_radius_px == 0.0
    # the arc stays where it is, so a radius 1 too long moves the centre about 1 back
    assert held.centre_px == pytest.approx((-1.0, 0.0), abs=0.06)


def test_weights_leave_points_out() -> None:
    points = np.vstack([arc((5, 5), 40, np.linspace(0, 180, 30)), [[200.0, 200.0]]])
    weights = np.append(np.ones(30), 0.0)
    fitted = fit_circle(points, 1.0, weights=weights)
    assert fitted is not None
    assert (*fitted.centre_px, fitted.radius_px) == pytest.approx((5, 5, 40), abs=1e-8)


@pytest.mark.parametrize(
    "points",
    [
        [[0.0, 0.0], [1.0, 1.0], [2.0, 2.0], [5.0, 5.0]],
        [[3.0, 3.0], [3.0, 3.0], [3.0, 3.0]],
        [[0.0, 0.0], [1.0, 0.0]],
    ],
)
def test_points_that_fix_no_circle_give_none(points: list[list[float]]) -> None:
    assert fit_circle(np.array(points), 1.0) is None
    assert taubin(np.array(points)) is None


@given(
    st.floats(-500, 1500),
    st.floats(-500, 1500),
    st.floats(20, 300),
    st.floats(0, 360),
    st.floats(0.25, 4),
)
def test_the_fit_moves_and_scales_with_its_points(
    x: float, y: float, radius: float, start: float, scale: float
) -> None:
    wobble = 1 + 0.01 * np.sin(np.arange(12) * 2.1)
    turn = np.radians(start + np.linspace(0, 170, 12))
    shape = np.column_stack([wobble * np.cos(turn), wobble * np.sin(turn)])
    first = fit_circle(shape * radius, 1.0)
    second = fit_circle(shape * radius * scale + np.array([x, y]), scale)
    assert first is not None
    assert second is not None
    expected = (first.centre_px[0] * scale + x, first.centre_px[1] * scale + y)
    assert second.centre_px == pytest.approx(expected, abs=1e-4 * radius)
    assert second.radius_px == pytest.approx(first.radius_px * scale, rel=1e-5)
    assert second.u_radius_px == pytest.approx(first.u_radius_px * scale, rel=1e-3)
