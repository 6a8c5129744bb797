"""The frames at a run's end that show one and the same scene, and their mean.

A C-arm that holds its last image repeats it, or goes on for a few frames with nothing moving.
Their mean has less noise than any of them - but only where nothing moved, not even by a part of a
pixel: a frame is taken in only where its difference from the last one is noise and nothing else.
"""

from collections.abc import Callable
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

MOST_FRAMES: Final = 16
_BLOCK: Final = 8
_FARTHEST_OUT: Final = 7.0
"""Largest mean difference of a block, in units of what such means scatter by; of ten thousand
noisy blocks the farthest lies at about four."""
_MOST_STRUCTURE: Final = 3.0
"""Scatter of the blocks' mean differences against what noise of single pixels would leave."""
_MOST_SHIFT_PX: Final = 0.05
_MOST_DRIFT: Final = 0.25
"""Change of brightness in units of the noise."""


def mean_of_end(
    frame: Callable[[int], NDArray[Any]], last: int, most: int = MOST_FRAMES
) -> tuple[NDArray[Any], int]:
    """Average the frames at a run's end that show one scene.

    Parameters
    ----------
    frame : callable
        Gives a frame by its number.
    last : int
        The run's last frame, counted from 0.
    most : int
        No more frames than this are looked at.

    Returns
    -------
    picture : ndarray of shape (M, N)
        The last frame itself where no other agrees with it.
    averaged : int
        Number of different frames in the mean.
    """
    final = frame(last)
    if final.ndim != 2 or min(final.shape) < 4 * _BLOCK:
        return final, 1
    total, averaged, before = final.astype(np.float64), 1, final
    for number in range(last - 1, max(last - most, -1), -1):
        earlier = frame(number)
        # A copy of the same exposure is no second one.
        if np.array_equal(earlier, before):
            continue
        if not same_scene(earlier, final):
            break
        total, averaged, before = total + earlier, averaged + 1, earlier
    return (total / averaged, averaged) if averaged > 1 else (final, 1)


def same_scene(one: NDArray[Any], other: NDArray[Any]) -> bool:
    """Tell whether two frames differ by noise alone.

    Parameters
    ----------
    one, other : ndarray of shape (M, N)
    """
    if one.shape != other.shape:
        return False
    before, after = _blocks(one), _blocks(other)
    difference = after - before
    means = difference.mean(axis=(1, 3))
    noise = difference.std(axis=(1, 3))
    noisy = noise > 0
    if noisy.mean() < 0.1:
        return False
    # What is flat in both, as beyond the field, tells nothing; what is flat in its change moved.
    if np.abs(means[~noisy]).max(initial=0.0) > 0:
        return False
    scores = means[noisy] / (noise[noisy] / _BLOCK)
    if abs(float(np.median(scores))) / _BLOCK > _MOST_DRIFT:
        return False
    scores = scores - np.median(scores)
    spread = 1.4826 * float(np.median(np.abs(scores)))
    if spread > _MOST_STRUCTURE or np.abs(scores).max() > _FARTHEST_OUT * max(spread, 1.0):
        return False
    return _shift_px(one, other) < _MOST_SHIFT_PX


def _blocks(frame: NDArray[Any]) -> NDArray[np.float64]:
    rows, columns = (size // _BLOCK for size in frame.shape)
    whole = frame[: rows * _BLOCK, : columns * _BLOCK].astype(np.float64)
    return whole.reshape(rows, _BLOCK, columns, _BLOCK)


def _shift_px(one: NDArray[Any], other: NDArray[Any]) -> float:
    """Return by how far a frame is moved against another: least squares over its slopes."""
    rows, columns = (size // 2 for size in one.shape)
    small = [
        frame[: 2 * rows, : 2 * columns].reshape(rows, 2, columns, 2).mean(axis=(1, 3))
        for frame in (one.astype(np.float64), other.astype(np.float64))
    ]
    down, across = np.gradient((small[0] + small[1]) / 2)
    # The field's own border is steep and does not move with what is in it.
    steep = np.hypot(down, across)
    used = steep < np.percentile(steep, 98)
    change = (small[1] - small[0])[used]
    slopes = np.column_stack([down[used], across[used]])
    moved, *_ = np.linalg.lstsq(slopes, change - change.mean(), rcond=None)
    return 2 * float(np.hypot(*moved))
