"""Frames of a monitor's video -> the exposures that it shows, each once.

A picture is taken when the image has changed and then stood still: the C-arm holds its last
exposure on the screen.  Live fluoroscopy moves, if only by its noise, and is left.  What stands
still and is no exposure (a menu, a colour page) is left too, and so is an exposure that was taken
before and is shown again, whole, half behind a menu, or windowed: it has the same noise.
"""

from collections import deque
from dataclasses import dataclass
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

Frame = NDArray[np.uint8]
Pixels = NDArray[np.float32]

_HOLD_S: Final = 0.8
"""How long an image must stand still."""
_LEAST_FRAMES: Final = 2
_MOST_FRAMES: Final = 24
"""In each half of that time; more would only take memory."""
_TILE_PX: Final = 16
_MOVED_LEVELS: Final = 4.0
"""Mean difference of a tile from which it counts as changed: more than a grabber's own noise."""
_MOVED_SHARE: Final = 0.02
"""Share of changed tiles from which the image moves; a clock or a cursor changes less."""
_DARK: Final = 12.0
_LEAST_EXPOSED: Final = 0.12
_COLOURED_LEVELS: Final = 40
_COLOURED_SHARE: Final = 0.03
_FLAT_LEVELS: Final = 0.8
_FLAT_SHARE: Final = 0.6
"""Share of pixels without any grain from which the image is drawn, not exposed."""
_GRAIN_TILE_PX: Final = 32
_SAME_GRAIN: Final = 0.5
_SAME_SHARE: Final = 0.35
"""Share of exposed tiles with the same grain from which an exposure is one seen before."""
_LEAST_SEEN_SHARE: Final = 0.3
"""Share of an exposure's tiles that must be in sight for it to be known again."""
_MOST_KNOWN: Final = 24


@dataclass(frozen=True, eq=False, slots=True)
class Grain:
    """What is kept of an exposure to know it again.

    Attributes
    ----------
    residual : ndarray of shape (M, N), float32
        High-pass, grey levels.
    exposed : ndarray of shape (K, L), bool
        Tiles that are neither black nor white.
    """

    residual: Pixels
    exposed: NDArray[np.bool_]


class StillFinder:
    """Looks at one frame after another and gives each exposure once."""

    def __init__(self) -> None:
        self._anchor: Frame | None = None
        self._halves: tuple[list[Frame], list[Frame]] = ([], [])
        self._since_s = 0.0
        self._known: deque[Grain] = deque(maxlen=_MOST_KNOWN)

    def look(self, frame: NDArray[Any], at_s: float) -> Frame | None:
        """Look at the next frame.

        Parameters
        ----------
        frame : ndarray of shape (M, N) or (M, N, 3), uint8
            Grey, or blue, green and red.
        at_s : float
            When it was shown, seconds.

        Returns
        -------
        ndarray of shape (M, N), uint8, or None
            An exposure that has not been given before: the mean of the frames that showed it.
        """
        colour = frame.ndim == 3
        grey: Frame = np.asarray(cv2.cvtColor(frame, cv2.COLOR_BGR2GRAY) if colour else frame)
        if self._anchor is None or has_moved(self._anchor, grey):
            self._begin(grey, at_s)
            return None
        early, late = self._halves
        half = early if at_s - self._since_s < _HOLD_S / 2 else late
        if len(half) < _MOST_FRAMES:
            half.append(grey)
        if at_s - self._since_s < _HOLD_S or min(len(early), len(late)) < _LEAST_FRAMES:
            return None
        found = None if is_coloured(frame) else self._judge(_mean(early), _mean(late))
        self._begin(grey, at_s)
        return found

    def _begin(self, grey: Frame, at_s: float) -> None:
        self._anchor, self._since_s = grey, at_s
        self._halves = ([grey], [])

    def _judge(self, early: Pixels, late: Pixels) -> Frame | None:
        """Return what stood still if it is an exposure and not known."""
        mean: Pixels = (early + late) * np.float32(0.5)
        if not is_exposure(mean):
            return None
        # What is live has new grain in each frame, and a cut from one exposure of an unmoved hip
        # to the next shows as nothing but new grain.
        if not is_same(grain_of(early), grain_of(late)):
            return None
        grain = grain_of(mean)
        if any(is_same(known, grain) for known in self._known):
            return None
        self._known.append(grain)
        picture: Frame = np.rint(mean).astype(np.uint8)
        return picture


def has_moved(before: Frame, now: Frame) -> bool:
    """Tell whether an image is another than before, by more than noise, a clock or a cursor."""
    if before.shape != now.shape:
        return True
    tiles = _by_tile(cv2.absdiff(before, now), _TILE_PX)
    return float(np.mean(tiles > _MOVED_LEVELS)) > _MOVED_SHARE


def is_coloured(frame: NDArray[Any]) -> bool:
    """Tell whether a frame is a colour page; a coloured mark or two does not make it one."""
    if frame.ndim == 2:
        return False
    spread = frame.max(axis=2) - frame.min(axis=2)
    return float(np.mean(spread > _COLOURED_LEVELS)) > _COLOURED_SHARE


def is_exposure(grey: Pixels) -> bool:
    """Tell an exposure, which has grain wherever it is not black or white, from a drawn page."""
    shown = (grey > _DARK) & (grey < 255 - _DARK)
    if float(np.mean(shown)) < _LEAST_EXPOSED:
        return False
    mean = cv2.boxFilter(grey, -1, (5, 5))
    square = cv2.boxFilter(grey * grey, -1, (5, 5))
    flat = square - mean * mean < _FLAT_LEVELS**2
    return float(np.mean(flat[shown])) < _FLAT_SHARE


def grain_of(grey: Pixels) -> Grain:
    """Return an exposure's grain."""
    residual = grey - cv2.GaussianBlur(grey, (0, 0), 1.0)
    # Outlines of bone and letters stand out of the grain and would speak for two exposures of
    # one hip being the same.
    spread = 1.4826 * float(np.median(np.abs(residual[(grey > _DARK) & (grey < 255 - _DARK)])))
    limit = 3 * max(spread, 0.1)
    residual = np.clip(residual, -limit, limit)
    tiles = _by_tile(grey, _GRAIN_TILE_PX)
    return Grain(residual, (tiles > _DARK) & (tiles < 255 - _DARK))


def is_same(known: Grain, found: Grain) -> bool:
    """Tell whether two pictures are one exposure: enough of it has the same grain."""
    if known.residual.shape != found.residual.shape:
        return False
    product = _by_tile(known.residual * found.residual, _GRAIN_TILE_PX)
    own = _by_tile(known.residual**2, _GRAIN_TILE_PX) * _by_tile(found.residual**2, _GRAIN_TILE_PX)
    likeness = product / np.sqrt(np.maximum(own, 1e-12))
    where = known.exposed & found.exposed
    least = _LEAST_SEEN_SHARE * float(known.exposed.sum())
    if float(where.sum()) < least:
        return False
    return float(np.mean(likeness[where] > _SAME_GRAIN)) > _SAME_SHARE


def _mean(frames: list[Frame]) -> Pixels:
    total = np.zeros(frames[0].shape, np.float32)
    for frame in frames:
        total += frame
    return total / np.float32(len(frames))


def _by_tile(values: NDArray[Any], side_px: int) -> Pixels:
    """Return the mean of each square tile; an incomplete last row or column is left out."""
    height, width = (side // side_px for side in values.shape)
    whole = values[: height * side_px, : width * side_px].astype(np.float32)
    means: Pixels = whole.reshape(height, side_px, width, side_px).mean(axis=(1, 3))
    return means
