"""Uncertainty arithmetic against published values and an independent library."""

import math

import numpy as np
import pytest
from scipy.optimize import isotonic_regression
from scipy.stats import norm
from uncertainties import ufloat

from tracker import uncertainty
from tracker.values import Budget, BudgetRow, Quantity


def budget(*rows: tuple[str, float, float], unit: str = "mm") -> Budget:
    return Budget("test", unit, tuple(BudgetRow(s, u, unit, c) for s, u, c in rows))


# --- published values ------------------------------------------------------------------

GUM_H1 = [(25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0)]
"""JCGM 100:2008 table H.1, end gauge: contributions in nm and their degrees of freedom."""


def test_end_gauge_combined_uncertainty() -> None:
    """JCGM 100:2008 H.1.4: u_c = 32 nm."""
    u = uncertainty.combine(budget(*((str(i), u, 1.0) for i, (u, _) in enumerate(GUM_H1))))
    assert u**2 == pytest.approx(1003.06, abs=0.005)
    assert round(u) == 32


def test_end_gauge_component_of_length() -> None:
    """JCGM 100:2008 H.1.3.2: 9.7 nm from 5.8, 3.9 and 6.7 nm."""
    u = uncertainty.combine(budget(("a", 5.8, 1.0), ("b", 3.9, 1.0), ("c", 6.7, 1.0)))
    assert u == pytest.approx(9.7, abs=0.05)


def test_end_gauge_degrees_of_freedom_and_expanded() -> None:
    """JCGM 100:2008 H.1.6: ν = 16.7 -> 16, t_99(16) = 2.92, U_99 = 93 nm."""
    dof = uncertainty.effective_dof(GUM_H1)
    assert dof == pytest.approx(16.76, abs=0.01)
    k = uncertainty.coverage_factor(dof, 0.99)
    assert k == pytest.approx(2.92, abs=0.005)
    u = math.sqrt(sum(u**2 for u, _ in GUM_H1))
    assert uncertainty.expanded(u, k) == pytest.approx(93, abs=0.6)  # printed from rounded u, k


def test_end_gauge_with_second_order_terms() -> None:
    """JCGM 100:2008 H.1.7: second-order 11.7 and 1.7 nm raise 32 to 34 nm."""
    rows = [(str(i), u, 1.0) for i, (u, _) in enumerate(GUM_H1)]
    u = uncertainty.combine(budget(*rows, ("s1", 11.7, 1.0), ("s2", 1.7, 1.0)))
    assert round(u) == 34


def test_rectangular_example() -> None:
    """JCGM 100:2008 4.3.7: half-width 0.40e-6 per °C gives 0.23e-6 per °C."""
    assert uncertainty.rectangular(0.40e-6) == pytest.approx(0.23e-6, abs=0.005e-6)


def test_triangular_and_resolution() -> None:
    """JCGM 100:2008 4.3.9 b) and F.2.2.1 (u = 0.29 of the resolution)."""
    assert uncertainty.triangular(0.5) == pytest.approx(0.2041, abs=5e-5)
    assert uncertainty.resolution(1.0) == pytest.approx(0.29, abs=0.005)


@pytest.mark.parametrize(
    ("parts", "u", "half_width"),
    [((1, 1, 1, 1), 2.0, 3.92), ((1, 1, 1, 10), 10.1, 19.9)],
    ids=["JCGM 101:2008 9.2.2", "JCGM 101:2008 9.2.4"],
)
def test_sum_of_four(parts: tuple[float, ...], u: float, half_width: float) -> None:
    """JCGM 101:2008 9.2, route of the GUM: u(y) and the 95 % interval's half-width."""
    combined = uncertainty.combine(budget(*((str(i), x, 1.0) for i, x in enumerate(parts))))
    assert combined == pytest.approx(u, abs=0.051)
    assert uncertainty.expanded(combined, uncertainty.coverage_factor()) == pytest.approx(
        half_width, abs=0.02
    )


@pytest.mark.parametrize(
    ("parts", "u", "half_width"),
    [((1, 1, 1, 1), 2.00, 3.88), ((1, 1, 1, 10), 10.15, 17.0)],
    ids=["JCGM 101:2008 9.2.3", "JCGM 101:2008 9.2.4"],
)
def test_sum_of_four_rectangles_by_simulation(
    parts: tuple[float, ...], u: float, half_width: float
) -> None:
    """JCGM 101:2008 9.2.3 and 9.2.4, Monte Carlo: the same u, a narrower 95 % interval."""
    rng = np.random.default_rng(20)
    total = sum(rng.uniform(-1, 1, 400_000) * x * math.sqrt(3) for x in parts)
    combined = uncertainty.combine(budget(*((str(i), x, 1.0) for i, x in enumerate(parts))))
    assert np.std(total) == pytest.approx(combined, rel=0.01)
    assert combined == pytest.approx(u, abs=0.005)
    assert np.quantile(total, 0.975) == pytest.approx(half_width, rel=0.01)


def test_isotonic_vector_of_the_r_manual() -> None:
    """Example of R's ``stats::isoreg``: 1 0 4 3 3 5 4 2 0, seen through the running total."""
    y = np.array([1.0, 0, 4, 3, 3, 5, 4, 2, 0])
    assert np.allclose(isotonic_regression(y).x, [0.5, 0.5, 3, 3, 3, 3, 3, 3, 3])
    assert last(y) == pytest.approx(3.0)
    assert last(y[:2]) == pytest.approx(0.5)


def test_isotonic_vector_of_the_scipy_manual() -> None:
    """Example of scipy's ``isotonic_regression``: the running total is each prefix's last."""
    y = np.array([1.5, 1.0, 4.0, 6.0, 5.7, 5.0, 7.8, 9.0, 7.5, 9.5, 9.0])
    expected = {2: 1.25, 3: 4.0, 6: 5.566667, 7: 7.8, 9: 8.25, 11: 9.25}
    for n, value in expected.items():
        assert last(y[:n]) == pytest.approx(value, abs=1e-6)


def test_running_total_of_a_case() -> None:
    """Pool-adjacent-violators by hand on seven passes."""
    raw = np.array([0, 0.8, 0.6, 1.5, 1.3, 1.7, 2.4])
    expected = {1: 0.0, 2: 0.8, 3: 0.7, 4: 1.5, 5: 1.4, 6: 1.7, 7: 2.4}
    for n, value in expected.items():
        assert last(raw[:n]) == pytest.approx(value)


def test_weighted_isotonic() -> None:
    """By hand: y 1 3 2 with weights 1 1 3 pools to (3 + 6) / 4 = 2.25."""
    u = np.array([1.0, 1.0, 1 / math.sqrt(3)])
    total = uncertainty.running_total(np.array([1.0, 3.0, 2.0]), u, np.zeros(3))
    assert total.value == pytest.approx(2.25)


# --- the running total's uncertainty ------------------------------------------------------


def last(y: np.ndarray) -> float:
    return uncertainty.running_total(y, np.ones(len(y)), np.zeros(len(y))).value


def test_shared_error_does_not_average_away() -> None:
    raw = np.full(16, 2.0)
    pooled = uncertainty.running_total(raw, np.full(16, 0.4), np.zeros(16))
    assert pooled.u == pytest.approx(0.1)
    shared = uncertainty.running_total(raw, np.full(16, 0.4), np.full(16, 0.3))
    assert shared.u == pytest.approx(math.hypot(0.1, 0.3))
    apart = uncertainty.running_total(np.arange(16.0), np.full(16, 0.4), np.full(16, 0.3))
    assert apart.u == pytest.approx(0.5)


def test_running_total_never_falls_below_nothing_removed() -> None:
    assert uncertainty.running_total(np.array([-0.2]), np.ones(1), np.zeros(1)).value == 0.0


@pytest.mark.parametrize("step", [0.0, 0.5, 2.0])
@pytest.mark.parametrize("u_shared", [0.0, 0.5])
def test_running_total_counts(step: float, u_shared: float) -> None:
    """The share of seeded cases inside ± 2u, and the rms of error/u, per step size."""
    rng = np.random.default_rng(1)
    truth = 1.0 + step * np.arange(6)
    z = []
    for _ in range(600):
        raw = truth + rng.normal(size=6) + u_shared * rng.normal()
        total = uncertainty.running_total(raw, np.ones(6), np.full(6, u_shared))
        z.append((total.value - truth[-1]) / total.u)
    inside = np.mean(np.abs(z) < 2)
    assert 0.93 <= inside <= 0.99
    assert 0.8 <= float(np.sqrt(np.mean(np.square(z)))) <= 1.1


# --- combining -----------------------------------------------------------------------------


def test_quantity_takes_unit_and_u_from_the_budget() -> None:
    q = uncertainty.quantity(1.5, budget(("a", 0.3, 1.0), ("b", 0.2, -2.0), unit="deg"))
    assert q == Quantity(1.5, 0.5, "deg")


def test_an_empty_budget_is_no_quantity() -> None:
    with pytest.raises(ValueError, match="> 0"):
        uncertainty.quantity(1.0, budget())


def test_linear_agrees_with_the_uncertainties_library() -> None:
    """Shared sources cancel as in an independent implementation of linear propagation."""
    edge, centre, new = ufloat(0, 0.3), ufloat(0, 0.5), ufloat(0, 0.2)
    angle = 40 + 2.0 * edge + 1.1 * centre
    removed = 3 + 0.9 * edge - 1.0 * new
    left = 0.44 * angle - 1.0 * removed
    combined = uncertainty.linear(
        "left",
        "mm",
        [
            (0.44, budget(("edge", 0.3, 2.0), ("centre", 0.5, 1.1), unit="deg")),
            (-1.0, budget(("edge", 0.3, 0.9), ("new", 0.2, -1.0))),
        ],
    )
    assert uncertainty.combine(combined) == pytest.approx(left.s, rel=1e-12)
    assert [row.source for row in combined.rows] == ["edge", "centre", "new"]


def test_linear_of_a_result_with_itself_is_nothing() -> None:
    b = budget(("edge", 0.3, 2.0), ("none", 0.0, 1.0))
    assert uncertainty.combine(uncertainty.linear("0", "mm", [(1.0, b), (-1.0, b)])) == 0.0


def test_probability_above_against_scipy() -> None:
    q = Quantity(27.0, 2.2, "deg")
    assert uncertainty.probability_above(q, 25.0) == pytest.approx(
        norm.sf(25.0, 27.0, 2.2), rel=1e-12
    )


def test_type_b_only_has_no_end_of_degrees_of_freedom() -> None:
    assert uncertainty.effective_dof([(1.0, math.inf), (2.0, math.inf)]) == math.inf
    assert uncertainty.coverage_factor(level=0.9545) == pytest.approx(2.0, abs=1e-3)


def test_numerical_sensitivity_of_a_known_function() -> None:
    x = np.array([0.7, 40.0])
    assert uncertainty.numerical_sensitivity(
        lambda v: math.sin(v[0]) * v[1] ** 2, x, 0
    ) == pytest.approx(math.cos(0.7) * 1600, rel=1e-8)
    assert x.tolist() == [0.7, 40.0]
