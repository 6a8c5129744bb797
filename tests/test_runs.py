"""The mean of a run's last frames: less noise where nothing moved, and never a blur."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage

from tracker import phantom
from tracker.phantom import Scene
from tracker.runs import MOST_FRAMES, mean_of_end, same_scene

CLEAN = phantom.render(Scene(noise=0.0), 0)[0].grey[::2, ::2].astype(np.float64) * 4095
Run = NDArray[np.int32]


def exposed(clean: NDArray[np.float64], seed: int, noise: float = 40.0) -> NDArray[np.int32]:
    """A frame of it, with the noise of counting, spread a little as a detector spreads it."""
    grain = np.random.default_rng(seed).standard_normal(clean.shape)
    grain = ndimage.gaussian_filter(grain, 0.6)
    grain *= noise / grain.std() * np.sqrt(0.3 + clean / 4095)
    return np.clip(np.rint(clean + grain), 0, 4095).astype(np.int32)


def moved(by_px: float, seed: int) -> NDArray[np.int32]:
    return exposed(ndimage.shift(CLEAN, (0.0, by_px), order=3, mode="nearest"), seed)


def mean(frames: list[NDArray[np.int32]]) -> tuple[NDArray[np.float64], int]:
    found, averaged = mean_of_end(frames.__getitem__, len(frames) - 1)
    return np.asarray(found, np.float64), averaged


def test_noise_falls_and_nothing_blurs() -> None:
    frames = [exposed(CLEAN, seed) for seed in range(9)]
    found, averaged = mean(frames)

    inside = (CLEAN > 300) & (CLEAN < 3700)
    one, many = (float((frame - CLEAN)[inside].std()) for frame in (frames[-1], found))
    assert averaged == 9
    assert many / one == pytest.approx(1 / 3, abs=0.03)
    # Sharpness: the mean is the clean picture, edges included, up to the noise that is left.
    steep = np.hypot(*np.gradient(CLEAN))
    edges = inside & (steep > np.percentile(steep[inside], 99))
    assert float((found - CLEAN)[edges].std()) < 1.2 * many
    slope = float(np.polyfit(CLEAN[edges], found[edges], 1)[0])
    assert slope == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize("by_px", [0.15, 0.5, 3.0])
def test_frames_from_before_a_movement_are_left_out(by_px: float) -> None:
    frames = [moved(by_px, 1), moved(by_px, 2), exposed(CLEAN, 3), exposed(CLEAN, 4)]
    found, averaged = mean(frames)

    assert averaged == 2
    np.testing.assert_array_equal(found, (frames[2] + frames[3]) / 2)


def test_a_moving_instrument_is_left_out() -> None:
    with_rod = CLEAN.copy()
    with_rod[100:110, 40:200] *= 0.3
    frames = [exposed(with_rod, 1), exposed(CLEAN, 2)]

    assert mean(frames)[1] == 1
    np.testing.assert_array_equal(mean(frames)[0], frames[1])


def test_a_change_of_brightness_is_left_out() -> None:
    assert mean([exposed(CLEAN * 0.97, 1), exposed(CLEAN, 2)])[1] == 1


def test_a_held_image_that_is_repeated_is_one_exposure() -> None:
    last = exposed(CLEAN, 5)
    found, averaged = mean([exposed(CLEAN, 4), last, last.copy(), last.copy()])

    assert averaged == 2
    np.testing.assert_array_equal(found, (exposed(CLEAN, 4) + last) / 2)
    assert mean([last, last.copy()])[1] == 1


def test_an_endless_run_is_looked_at_as_far_as_that_is_of_use() -> None:
    asked = []

    def frame(number: int) -> NDArray[np.int32]:
        asked.append(number)
        return exposed(CLEAN[:200, :200], number)

    assert mean_of_end(frame, 500)[1] == MOST_FRAMES
    assert min(asked) == 500 - MOST_FRAMES + 1


def test_pictures_of_two_sizes_or_without_noise_are_not_one_scene() -> None:
    assert not same_scene(np.zeros((64, 64)), np.zeros((64, 72)))
    assert not same_scene(np.zeros((64, 64)), np.zeros((64, 64)))
    assert not same_scene(np.zeros((64, 64)), np.ones((64, 64)))
    colour = np.zeros((64, 64, 3), np.int32)
    assert mean_of_end(lambda _: colour, 3)[1] == 1
