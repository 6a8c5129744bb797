"""How values spread over cases, each number with an interval whose kind is said.

Every interval covers 95 %.  A case is the unit throughout: pictures of one case are alike, so a
share of pictures is taken as a ratio of sums over cases, and only cases count as independent.

======================  ====================================================================
what                    interval
======================  ====================================================================
share of cases          Clopper and Pearson's, from the binomial distribution; exact
median over cases       between two order statistics, from the binomial distribution; exact
mean over cases         Student's
share of pictures       Student's, for a ratio of sums over cases (linearised)
slope over time         Student's, of a least-squares line
======================  ====================================================================
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from scipy.special import bdtr, betaincinv, stdtrit

from tracker.values import Floats

COVERS: Final = 0.95
_TAIL: Final = (1 - COVERS) / 2

Kind = Literal["Clopper-Pearson", "order statistics", "Student", "ratio of sums"]


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value over cases with its interval.

    Attributes
    ----------
    value : float
    low, high : float or None
        Ends of the interval; None where there are too few cases for one.
    cases : int
        On which it rests.
    kind : str
        Of the interval.
    """

    value: float
    low: float | None
    high: float | None
    cases: int
    kind: Kind


@dataclass(frozen=True, slots=True)
class Bar:
    """One class of a histogram: from ``low`` up to ``high``, which belongs to the next one."""

    low: float
    high: float
    count: int


@dataclass(frozen=True, slots=True)
class Agreement:
    """Two ways of measuring one thing (Bland and Altman 1986).

    Attributes
    ----------
    pairs : int
    mean : Estimate
        Mean difference, first less second, over cases.
    sd : float or None
        Standard deviation of the differences; None for fewer than two pairs.
    limit_low, limit_high : float or None
        Limits of agreement, mean ± 1.96 SD of the pairs.
    """

    pairs: int
    mean: Estimate
    sd: float | None
    limit_low: float | None
    limit_high: float | None


def share(part: int, whole: int) -> Estimate | None:
    """Return the share of cases that have something; None of no cases.

    >>> found = share(81, 263)
    >>> round(found.low, 4), round(found.high, 4)
    (0.2527, 0.3676)
    """
    if whole == 0:
        return None
    low = float(betaincinv(part, whole - part + 1, _TAIL)) if part else 0.0
    high = float(betaincinv(part + 1, whole - part, 1 - _TAIL)) if part < whole else 1.0
    return Estimate(part / whole, low, high, whole, "Clopper-Pearson")


def mean(values: Sequence[float] | Floats) -> Estimate | None:
    """Return the mean over cases; None of no cases, without an interval of one case."""
    data = np.asarray(values, float)
    n = len(data)
    if n == 0:
        return None
    middle = float(data.mean())
    if n == 1:
        return Estimate(middle, None, None, 1, "Student")
    half = float(stdtrit(n - 1, 1 - _TAIL)) * float(data.std(ddof=1)) / math.sqrt(n)
    return Estimate(middle, middle - half, middle + half, n, "Student")


def median(values: Sequence[float] | Floats) -> Estimate | None:
    """Return the median over cases; no pair of order statistics covers 95 % under six cases."""
    data = np.sort(np.asarray(values, float))
    n = len(data)
    if n == 0:
        return None
    middle = float(np.median(data))
    rank = median_rank(n)
    if rank == 0:
        return Estimate(middle, None, None, n, "order statistics")
    return Estimate(middle, float(data[rank - 1]), float(data[n - rank]), n, "order statistics")


def median_rank(n: int) -> int:
    """Return the largest r so that the r-th and the r-th last of n values hold the median 95 %.

    0 where there is none.

    >>> [median_rank(n) for n in (5, 6, 10, 20, 100)]
    [0, 1, 2, 6, 40]
    """
    # P(fewer than r values lie under the median) = bdtr(r - 1, n, 1/2), at most 2.5 % a side.
    low, high = 0, n // 2
    while low < high:
        middle = (low + high + 1) // 2
        if bdtr(middle - 1, n, 0.5) <= _TAIL:
            low = middle
        else:
            high = middle - 1
    return low


def ratio(parts: Sequence[float] | Floats, wholes: Sequence[float] | Floats) -> Estimate | None:
    """Return a ratio of sums over cases, such as pictures not measured to pictures taken.

    Cochran, Sampling Techniques, the ratio estimator for clusters; the interval is cut at 0.
    """
    part, whole = np.asarray(parts, float), np.asarray(wholes, float)
    n = len(part)
    if n == 0 or whole.sum() <= 0:
        return None
    value = float(part.sum() / whole.sum())
    if n == 1:
        return Estimate(value, None, None, 1, "ratio of sums")
    rest = part - value * whole
    u = math.sqrt(float((rest**2).sum()) / (n * (n - 1))) / float(whole.mean())
    half = float(stdtrit(n - 1, 1 - _TAIL)) * u
    return Estimate(value, max(value - half, 0.0), value + half, n, "ratio of sums")


def slope(times: Sequence[float] | Floats, values: Sequence[float] | Floats) -> Estimate | None:
    """Return the slope of a least-squares line; None for fewer than three cases or one time."""
    x, y = np.asarray(times, float), np.asarray(values, float)
    n = len(x)
    if n < 3 or float(np.ptp(x)) == 0:
        return None
    away = x - x.mean()
    spread = float((away**2).sum())
    value = float((away * y).sum()) / spread
    rest = y - y.mean() - value * away
    u = math.sqrt(float((rest**2).sum()) / (n - 2) / spread)
    half = float(stdtrit(n - 2, 1 - _TAIL)) * u
    return Estimate(value, value - half, value + half, n, "Student")


def agreement(by_case: Sequence[Sequence[tuple[float, float]]]) -> Agreement | None:
    """Compare two ways of measuring, several pairs a case.

    The mean is taken over the cases' own means, since pairs of one case are alike; the limits
    say how far a single pair may lie apart.

    Parameters
    ----------
    by_case : sequence of sequence of (float, float)
        For each case its pairs.

    Returns
    -------
    Agreement or None
        None without any pair.
    """
    cases = [np.array([a - b for a, b in pairs]) for pairs in by_case if pairs]
    if not cases:
        return None
    differences = np.concatenate(cases)
    middle = mean([float(case.mean()) for case in cases])
    assert middle is not None
    if len(differences) < 2:
        return Agreement(len(differences), middle, None, None, None)
    centre, sd = float(differences.mean()), float(differences.std(ddof=1))
    return Agreement(len(differences), middle, sd, centre - 1.96 * sd, centre + 1.96 * sd)


def histogram(
    values: Sequence[float] | Floats, most: int = 24, *, whole: bool = False
) -> tuple[Bar, ...]:
    """Count values in classes of one round width that begin at a multiple of it.

    With ``whole`` no class is narrower than 1, for values that are counts.

    >>> [(bar.low, bar.count) for bar in histogram([0.4, 0.7, 1.6], most=3)]
    [(0.0, 1), (0.5, 1), (1.0, 0), (1.5, 1)]
    """
    data = np.asarray(values, float)
    if len(data) == 0:
        return ()
    low, high = float(data.min()), float(data.max())
    width = _round_width((high - low) / most)
    width = max(width, 1.0) if whole else width
    first, last = math.floor(low / width), math.floor(high / width)
    # The class is found by division, as its borders are: no value falls between two.
    places = np.floor(data / width).astype(int) - first
    counts = np.bincount(places, minlength=last - first + 1)
    return tuple(
        Bar((first + k) * width, (first + k + 1) * width, int(count))
        for k, count in enumerate(counts)
    )


def _round_width(least: float) -> float:
    """Return the smallest of 0.1, 0.2, 0.25, 0.5, 1, 2 … that is no less; 0.1 at the least.

    >>> _round_width(0.0), _round_width(0.13), _round_width(7.0)
    (0.1, 0.2, 10.0)
    """
    if least <= 0.1:
        return 0.1
    power = 10.0 ** math.floor(math.log10(least))
    return next(step * power for step in (1.0, 2.0, 2.5, 5.0, 10.0) if step * power >= least)
