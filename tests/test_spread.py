"""Intervals against published worked values and against scipy's own."""

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from tracker import spread

# Newcombe 1998, Statistics in Medicine 17:857, table I, method 5 (Clopper-Pearson); from memory.
NEWCOMBE = [
    (81, 263, 0.2527, 0.3676),
    (15, 148, 0.0578, 0.1617),
    (0, 20, 0.0000, 0.1684),
    (1, 29, 0.0009, 0.1776),
]

# Bland and Altman 1986, Lancet i:307: peak flow by two meters, l/min, 17 people.
LARGE = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
MINI = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]


@pytest.mark.parametrize(("part", "whole", "low", "high"), NEWCOMBE)
def test_a_share_has_the_published_interval(part: int, whole: int, low: float, high: float) -> None:
    found = spread.share(part, whole)
    assert found is not None
    assert (round(found.low or 0, 4), round(found.high or 0, 4)) == (low, high)
    assert found.kind == "Clopper-Pearson"


@given(st.integers(1, 400), st.data())
def test_a_share_has_scipys_exact_interval(whole: int, data: st.DataObject) -> None:
    part = data.draw(st.integers(0, whole))
    found = spread.share(part, whole)
    exact = stats.binomtest(part, whole).proportion_ci(0.95, method="exact")
    assert found is not None
    assert found.low == pytest.approx(exact.low)
    assert found.high == pytest.approx(exact.high)


def test_a_mean_has_the_published_interval() -> None:
    """NIST/SEMATECH e-Handbook 1.3.5.2, heat flow ZARR13.DAT: N 195, mean 9.261460, SD 0.022789,
    interval 9.258242 to 9.264679; from memory."""
    half = (0.022789**2 * 194 / 195) ** 0.5  # two values a standard deviation apart, 195 in all
    data = np.array([9.261460 + half, 9.261460 - half] * 97 + [9.261460])
    data = (data - data.mean()) / data.std(ddof=1) * 0.022789 + 9.261460
    found = spread.mean(data)
    assert found is not None
    assert found.low == pytest.approx(9.258242, abs=2e-6)
    assert found.high == pytest.approx(9.264679, abs=2e-6)


def test_mean_median_and_slope_are_scipys() -> None:
    rng = np.random.default_rng(3)
    for n in (2, 3, 6, 7, 40, 301):
        x, y = rng.normal(size=n), rng.normal(size=n) + 4
        found = spread.mean(y)
        low, high = stats.t.interval(0.95, n - 1, y.mean(), stats.sem(y))
        assert found is not None
        assert found.low == pytest.approx(low)
        assert found.high == pytest.approx(high)
        exact: Any = stats.quantile_test(y, p=0.5).confidence_interval(0.95)
        middle = spread.median(y)
        assert middle is not None
        if n < 6:
            assert middle.low is None
        else:
            assert (middle.low, middle.high) == (exact.low, exact.high)
        if n > 2:
            line = stats.linregress(x, y)
            half = stats.t.ppf(0.975, n - 2) * line.stderr
            slope = spread.slope(x, y)
            assert slope is not None
            assert slope.value == pytest.approx(line.slope)
            assert slope.high == pytest.approx(line.slope + half)


def test_a_medians_interval_covers_what_it_says() -> None:
    """Of 4000 samples of 25, the true median lies outside at most as often as is said."""
    rng = np.random.default_rng(8)
    missed = 0
    for sample in rng.exponential(size=(4000, 25)):
        found = spread.median(sample)
        assert found is not None
        assert found.low is not None
        assert found.high is not None
        missed += not found.low <= math.log(2) <= found.high
    assert 0.02 < missed / 4000 <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / 4000)


def test_a_ratio_has_about_the_interval_of_resampled_cases() -> None:
    """Against scipy's bootstrap, which resamples whole cases."""
    rng = np.random.default_rng(5)
    whole = rng.integers(4, 14, 200).astype(float)
    part = rng.binomial(whole.astype(int), rng.beta(2, 8, 200)).astype(float)
    found = spread.ratio(part, whole)
    again = stats.bootstrap(
        (part, whole),
        lambda p, w, axis: p.sum(axis=axis) / w.sum(axis=axis),
        paired=True,
        vectorized=True,
        method="percentile",
        rng=np.random.default_rng(1),
    ).confidence_interval
    assert found is not None
    assert found.value == part.sum() / whole.sum()
    assert found.low == pytest.approx(again.low, abs=0.004)
    assert found.high == pytest.approx(again.high, abs=0.004)


def test_agreement_is_that_of_the_published_example() -> None:
    """Mean difference -2.1, SD 38.8 l/min as printed; limits by 1.96 SD, -78.1 to 73.9."""
    found = spread.agreement([[pair] for pair in zip(LARGE, MINI, strict=True)])
    assert found is not None
    assert round(found.mean.value, 1) == -2.1
    assert found.sd is not None
    assert round(found.sd, 1) == 38.8
    assert found.limit_low == pytest.approx(-78.097, abs=5e-4)
    assert found.limit_high == pytest.approx(73.862, abs=5e-4)
    # Printed there: 95 % interval of the mean, -22.0 to 17.8.
    assert found.mean.low == pytest.approx(-22.0, abs=0.06)
    assert found.mean.high == pytest.approx(17.8, abs=0.06)


def test_pairs_of_one_case_do_not_count_as_cases() -> None:
    alone = spread.agreement([[(1.0, 0.5)], [(2.0, 1.0)]])
    twice = spread.agreement([[(1.0, 0.5)] * 9, [(2.0, 1.0)] * 9])
    assert alone is not None
    assert twice is not None
    assert twice.mean == alone.mean
    assert twice.pairs == 18


def test_nothing_gives_nothing_and_one_case_no_interval() -> None:
    assert spread.share(0, 0) is None
    assert spread.mean([]) is None
    assert spread.median([]) is None
    assert spread.ratio([], []) is None
    assert spread.ratio([0], [0]) is None
    assert spread.agreement([[], []]) is None
    assert spread.slope([1.0, 1.0, 1.0], [1.0, 2.0, 3.0]) is None
    assert spread.histogram([]) == ()
    for one in (spread.mean([2.0]), spread.median([2.0]), spread.ratio([1], [2])):
        assert one is not None
        assert (one.low, one.high) == (None, None)
    single = spread.agreement([[(1.0, 2.0)]])
    assert single is not None
    assert single.sd is None


@given(st.lists(st.floats(-50, 50), min_size=1, max_size=60))
def test_every_value_is_counted_once(values: list[float]) -> None:
    bars = spread.histogram(values)
    assert sum(bar.count for bar in bars) == len(values)
    assert bars[0].low <= min(values)
    assert bars[-1].high > max(values) - 1e-9
    assert bars[0].count
    assert bars[-1].count
    assert len(bars) <= 26


def test_counts_have_a_class_each() -> None:
    bars = spread.histogram([3.0, 4.0, 4.0, 6.0], whole=True)
    assert [(bar.low, bar.count) for bar in bars] == [(3.0, 1), (4.0, 2), (5.0, 0), (6.0, 1)]
