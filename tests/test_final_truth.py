"""Are the mean and the difference of two exposures honest?  Counted over seeded phantom cases.

Both exposures show one state in one view, matched again by hand between them: another grain,
another brightness, a degree of turn and a few pixels of shift.
"""

import dataclasses
import functools

import numpy as np
import pytest
from scipy.stats import binom

from tests.strategies import setup
from tests.test_coverage_of_truth import clicked, later_scene, reference_scene
from tracker import around_sums, phantom, pipeline
from tracker.around_sums import TwoExposures
from tracker.values import Floats

CASES = 16

pytestmark = pytest.mark.slow


@functools.cache
def pairs() -> tuple[tuple[TwoExposures, float, float], ...]:
    """Two exposures taken together, what was truly removed, and the surer one's u."""
    found = []
    for case in range(CASES):
        rng = np.random.default_rng([23, case])
        scene = reference_scene(rng)
        still, truth = phantom.render(scene, 300 + case)
        reference = pipeline.prepare_reference(still, setup(scene, clicked(truth, rng)))
        state = pipeline.open_case(reference)
        removed = rng.uniform(1.0, 4.0)
        matched = later_scene(scene, removed, rng)
        removals = []
        for k in range(2):
            again = dataclasses.replace(
                matched,
                turn_deg=matched.turn_deg + rng.uniform(-1, 1),
                shift_px=(rng.uniform(-6, 6), rng.uniform(-6, 6)),
                gamma=rng.uniform(0.9, 1.1),
            )
            result, state = pipeline.measure_still(
                phantom.render(again, 5000 + 2 * case + k)[0], state
            )
            removals.append(result.removal)
        first, second = removals
        if first is not None and second is not None:
            surer = min(first.recession_mm.u, second.recession_mm.u)
            found.append((around_sums.two_exposures(first, second), removed, surer))
    return tuple(found)


def inside(z: Floats) -> float:
    return float(np.mean(np.abs(z) <= 2))


def test_two_exposures_of_one_state_agree() -> None:
    z = np.array([pair.difference_mm.value / pair.difference_mm.u for pair, _, _ in pairs()])
    assert len(z) >= 0.85 * CASES
    assert inside(z) >= binom.ppf(0.005, len(z), 0.9545) / len(z)
    # The difference takes the worse case of what is shared: it may be padded, not blind.
    assert 0.15 <= float(np.sqrt(np.mean(z**2))) <= 1.4


def test_the_mean_holds_the_truth_and_is_not_surer_than_what_is_shared() -> None:
    agreed = [(pair.removed_mm, true, surer) for pair, true, surer in pairs() if pair.removed_mm]
    z = np.array([(mean.value - true) / mean.u for mean, true, _ in agreed])
    assert inside(z) >= binom.ppf(0.005, len(z), 0.9545) / len(z)
    # Not by √2: nearly all of it is shared.
    shrunk = np.array([mean.u / surer for mean, _, surer in agreed])
    assert float(shrunk.min()) > 1 / np.sqrt(2)


def test_a_step_of_burring_between_the_two_is_noticed() -> None:
    """Half a millimetre burred between two exposures is more than they differ by otherwise."""
    most = np.array([2 * pair.difference_mm.u for pair, _, _ in pairs()])
    assert float(np.median(most)) < 0.5
