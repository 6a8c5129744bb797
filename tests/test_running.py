"""The running total beside the raw values, and what is said when a raw value falls."""

import dataclasses
import functools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import isotonic_regression

from tests import strategies as draw
from tracker import uncertainty
from tracker.values import Removal, StillResult

FALL = "less removed than the picture before"
totals = st.lists(draw.reals(-0.3, 6.0), min_size=1, max_size=12)


@functools.cache
def followed(removed: tuple[float, ...]) -> tuple[StillResult, ...]:
    """Pictures of one hip one after another, with this much removed on each."""
    reference, _ = draw.prepared()
    scenes = [dataclasses.replace(draw.TRACTION, recession_mm=mm) for mm in removed]
    return tuple(draw.follow(scenes, reference, seed=40))


def removals(results: tuple[StillResult, ...]) -> list[Removal]:
    found = [result.removal for result in results]
    assert all(removal is not None for removal in found)
    return [removal for removal in found if removal is not None]


# --- the fit itself --------------------------------------------------------------------------


@given(totals, st.data())
def test_running_is_the_last_of_an_isotonic_fit(raw: list[float], data: st.DataObject) -> None:
    """Against scipy's fit of the whole series, with the weights that the u give; never below 0."""
    count = len(raw)
    u = np.array(data.draw(st.lists(draw.reals(0.05, 1.0), min_size=count, max_size=count)))
    found = uncertainty.running_total(np.array(raw), u, np.zeros(count))
    fitted = isotonic_regression(np.array(raw), weights=u**-2.0)
    assert found.value == pytest.approx(max(float(fitted.x[-1]), 0.0))


@given(totals)
def test_running_lies_between_the_last_raw_value_and_the_largest(raw: list[float]) -> None:
    found = uncertainty.running_total(np.array(raw), np.ones(len(raw)), np.zeros(len(raw)))
    assert max(raw[-1], 0.0) - 1e-9 <= found.value <= max(*raw, 0.0) + 1e-9


@given(totals)
def test_rising_values_are_left_alone(raw: list[float]) -> None:
    rising = np.sort(np.abs(np.array(raw)))
    found = uncertainty.running_total(rising, np.ones(len(raw)), np.zeros(len(raw)))
    assert found.value == pytest.approx(rising[-1])


@given(totals)
def test_pooled_values_are_surer_than_one_where_they_agree(raw: list[float]) -> None:
    """What is added for the lean is half the way from the last raw value to the fit."""
    u = np.ones(len(raw))
    found = uncertainty.running_total(np.array(raw), u, np.zeros(len(raw)))
    assert found.u <= math.hypot(1.0, (found.value - raw[-1]) / 2) + 1e-9


# --- through the pipeline --------------------------------------------------------------------


def test_raw_and_running_stand_side_by_side() -> None:
    """Rising removal: each picture's raw value is its own, and the running total never falls."""
    found = removals(followed((0.6, 1.4, 2.2)))
    raw = [removal.recession_mm.value for removal in found]
    running = [removal.running_mm.value for removal in found]
    assert raw == pytest.approx([0.6, 1.4, 2.2], abs=0.25)
    assert running == pytest.approx(raw, abs=0.05)
    assert running == sorted(running)


def test_a_fall_is_told_and_the_raw_value_kept() -> None:
    """Bone doesn't grow back: 2.2 then 1.4 mm is a fault of pose, said on the second picture."""
    results = followed((2.2, 1.4))
    first, second = removals(results)
    fall = first.recession_mm.value - second.recession_mm.value
    assert fall > 2 * math.hypot(first.recession_mm.u, second.recession_mm.u)
    assert not any(FALL in note for note in results[0].notes)
    (note,) = (note for note in results[1].notes if FALL in note)
    assert "a fault of pose" in note
    assert f"{fall:.1f} mm" in note
    assert second.recession_mm.value == pytest.approx(1.4, abs=0.25)


def test_the_running_total_pools_a_fall_and_its_u_grows() -> None:
    first, second = removals(followed((2.2, 1.4)))
    assert second.recession_mm.value < second.running_mm.value < first.running_mm.value
    assert second.running_mm.u > second.recession_mm.u
    assert second.running_mm.low < second.recession_mm.value < second.running_mm.high


def test_no_fall_is_told_within_its_uncertainty() -> None:
    """The same bone twice: whichever reads less, the difference is within U."""
    results = followed((1.4, 1.4))
    assert not any(FALL in note for result in results for note in result.notes)


def test_a_refused_picture_changes_no_total() -> None:
    reference, _ = draw.prepared()
    scenes = [
        dataclasses.replace(draw.TRACTION, recession_mm=1.0),
        dataclasses.replace(draw.TRACTION, recession_mm=1.0, mirrored=True),
        dataclasses.replace(draw.TRACTION, recession_mm=1.8),
    ]
    one, refused, two = draw.follow(scenes, reference, seed=60)
    assert refused.verdict == "refused"
    assert one.removal is not None
    assert two.removal is not None
    assert two.removal.running_mm.value == pytest.approx(two.removal.recession_mm.value, abs=0.05)
