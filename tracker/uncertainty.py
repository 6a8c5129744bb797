"""Uncertainty arithmetic in the sense of the GUM (JCGM 100); only maths.

A :class:`~tracker.values.Budget` holds uncorrelated rows.  Where two results share an
error (the reference's outline is in the reference angle and in every recession), their
rows carry the same ``source`` and *signed* sensitivities, and :func:`linear` adds such
rows with their signs before it squares them: shared errors then cancel or add as they
do in the measurement itself.
"""

import math
from collections.abc import Callable, Sequence

import numpy as np
from scipy.optimize import isotonic_regression
from scipy.stats import t as student

from tracker.values import Budget, BudgetRow, Floats, Quantity

RELATIVE_STEP = float(np.finfo(np.float64).eps ** (1 / 3))
"""Step of a central difference that balances truncation against rounding."""


def rectangular(half_width: float) -> float:
    """Return u of a value known only to lie within ± half_width (JCGM 100 4.3.7).

    >>> round(rectangular(0.5), 4)
    0.2887
    """
    return half_width / math.sqrt(3)


def triangular(half_width: float) -> float:
    """Return u where the middle of ± half_width is likeliest (JCGM 100 4.3.9).

    >>> round(triangular(0.5), 4)
    0.2041
    """
    return half_width / math.sqrt(6)


def resolution(step: float) -> float:
    """Return u of reading in whole steps: rectangular over half a step each way.

    >>> round(resolution(1.0), 4)
    0.2887
    """
    return rectangular(step / 2)


def combine(budget: Budget) -> float:
    """Return the combined standard uncertainty: root sum of squares (JCGM 100 5.1.2)."""
    return math.hypot(*(row.contribution for row in budget.rows))


def quantity(value: float, budget: Budget) -> Quantity:
    """Put a value and its budget together; the budget must not be empty or all zero."""
    return Quantity(value, combine(budget), budget.unit)


def linear(result: str, unit: str, terms: Sequence[tuple[float, Budget]]) -> Budget:
    """Return the budget of a linear combination of results that may share sources of error.

    Parameters
    ----------
    result, unit : str
        Name and unit of the combination.
    terms : sequence of (factor, Budget)
        ``factor`` converts the term's unit to ``unit`` and carries its sign.

    Returns
    -------
    Budget
        One row per source, in order of first appearance.  Rows of the same source are one
        and the same error: their signed shares are added.  Different sources are
        uncorrelated.
    """
    first: dict[str, BudgetRow] = {}
    share: dict[str, float] = {}
    for factor, budget in terms:
        for row in budget.rows:
            first.setdefault(row.source, row)
            share[row.source] = share.get(row.source, 0.0) + factor * row.sensitivity * row.u
    rows = tuple(
        BudgetRow(
            source=row.source,
            u=row.u,
            unit=row.unit,
            sensitivity=share[source] / row.u if row.u else 0.0,
            note=row.note,
        )
        for source, row in first.items()
    )
    return Budget(result, unit, rows)


def effective_dof(parts: Sequence[tuple[float, float]]) -> float:
    """Return the effective degrees of freedom, Welch-Satterthwaite (JCGM 100 G.4.1).

    Parameters
    ----------
    parts : sequence of (contribution, dof)
        ``math.inf`` where a contribution is known exactly (Type B).
    """
    total = math.hypot(*(u for u, _ in parts))
    spread = sum(u**4 / dof for u, dof in parts)
    return total**4 / spread if spread else math.inf


def coverage_factor(dof: float = math.inf, level: float = 0.95) -> float:
    """Return the coverage factor k = t_p(ν) with ν cut to an integer (JCGM 100 G.6.4).

    >>> round(coverage_factor(), 3)
    1.96
    """
    whole = math.floor(dof) if math.isfinite(dof) else math.inf
    return float(student.ppf((1 + level) / 2, whole))


def expanded(u: float, k: float = 2.0) -> float:
    """Return U = k u (JCGM 100 6.2.1); k = 2 holds about 95 % if ν >= 10."""
    return k * u


def probability_above(quantity: Quantity, limit: float) -> float:
    """Return the probability that the true value lies above a limit, normal law (JCGM 106 7).

    >>> round(probability_above(Quantity(3.0, 0.87, "mm"), 4.0), 3)
    0.125
    """
    return 0.5 * math.erfc((limit - quantity.value) / (quantity.u * math.sqrt(2)))


def running_total(
    raw: Floats, u_independent: Floats, u_shared: Floats, *, lower: float = 0.0
) -> Quantity:
    """Return the total after the last of several passes, given that bone does not grow back, in mm.

    The weighted isotonic fit (pool adjacent violators) of all totals so far, at its last
    point.  Weights are 1/u² of the independent part: an error that all totals share moves
    them together and cannot tell one from another.

    Parameters
    ----------
    raw : ndarray of shape (N,), N >= 1
        Totals as measured, each against the reference, in the order of the pictures.
    u_independent : ndarray of shape (N,), > 0
        Standard uncertainty from sources new on each picture.
    u_shared : ndarray of shape (N,), >= 0
        Standard uncertainty from sources common to all pictures (reference outline, scale).
    lower : float
        The total before the first pass.

    Returns
    -------
    Quantity
        Value and u of the total after the last pass.

    Notes
    -----
    Within the pooled block at the end, independent parts average and shared parts do not.
    The last point of an isotonic fit is the largest of the means over the last 1, 2, … N
    totals, so it leans upwards where little was removed between pictures.  Half the
    distance between the fit and the last single total is put into u for that lean; by
    counting (tests/test_uncertainty.py) the rms of error/u is then 0.8 to 1.05 for
    steps of 0 to 2 u a pass.
    """
    fitted = isotonic_regression(raw, weights=u_independent**-2.0)
    start = int(fitted.blocks[-2])
    weights = u_independent[start:] ** -2.0
    weights = weights / weights.sum()
    independent = math.sqrt(float(weights**2 @ u_independent[start:] ** 2))
    shared = float(weights @ u_shared[start:])
    value = max(float(fitted.x[-1]), lower)
    lean = (value - float(raw[-1])) / 2
    return Quantity(value, math.hypot(independent, shared, lean), "mm")


def numerical_sensitivity(f: Callable[[Floats], float], x: Floats, i: int) -> float:
    """Return ∂f/∂x_i at x by a central difference; the second route beside every formula."""
    step = RELATIVE_STEP * max(1.0, abs(float(x[i])))
    ahead, behind = x.copy(), x.copy()
    ahead[i] += step
    behind[i] -= step
    return (f(ahead) - f(behind)) / float(ahead[i] - behind[i])
