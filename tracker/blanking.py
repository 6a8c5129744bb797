"""Text beyond the exposed field painted over, at the level that is there already.

Beyond the field a picture is flat: black or white corners, bars of a video grab.  Each pixel there
gets exactly its part's level, so that neither letters nor their faint rims stay, and nothing that
the field is found by changes.
"""

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from tracker.values import Mask

FLAT: Final = 0.03
"""Share of the full scale by which a flat part may vary."""
_LEAST_SHARE: Final = 0.08
"""A level that fewer pixels have belongs to letters."""
_RIM_PX: Final = 3
_BINS: Final = 64


def needs_blanking(pixels: NDArray[Any], blank: Mask, full: float) -> bool:
    """Tell whether anything but one flat level stands beyond the field.

    Parameters
    ----------
    pixels : ndarray of shape (M, N) or (M, N, C)
    blank : ndarray of shape (M, N), bool
    full : float
        The largest value that a pixel can have, less the smallest.
    """
    beyond = pixels[blank]
    if not beyond.size:
        return False
    away = np.abs(beyond - np.median(beyond, axis=0))
    return bool(away.max() > FLAT * full)


def blanked(pixels: NDArray[Any], blank: Mask, full: float) -> NDArray[Any]:
    """Return pixels with what stands beyond the field painted over.

    Parameters
    ----------
    pixels : ndarray of shape (M, N) or (M, N, C)
    blank : ndarray of shape (M, N), bool
    full : float
        As for :func:`needs_blanking`.

    Returns
    -------
    ndarray
        Like ``pixels``; unchanged where ``blank`` is False.
    """
    painted = pixels.copy()
    if not blank.any():
        return painted
    grey = pixels.astype(np.float64) if pixels.ndim == 2 else pixels.mean(axis=2)
    levels = _levels(grey[blank], full)
    nearest = np.abs(grey[..., None] - levels).argmin(axis=-1)
    known = blank & (np.abs(grey - levels[nearest]) <= FLAT * full)
    if len(levels) > 1:
        # A letter's soft rim can have the level of another part by chance.
        known &= ~ndimage.binary_dilation(blank & ~known, iterations=_RIM_PX)
    if not known.any():
        painted[blank] = np.median(pixels[blank], axis=0).astype(pixels.dtype)
        return painted
    part = nearest
    if len(levels) > 1 and not known[blank].all():
        rows, columns = ndimage.distance_transform_edt(
            ~known, return_distances=False, return_indices=True
        )
        part = nearest[rows, columns]
    for number in range(len(levels)):
        own = known & (nearest == number)
        if own.any():
            value = np.median(pixels[own], axis=0).astype(pixels.dtype)
            painted[blank & (part == number)] = value
    return painted


def _levels(values: NDArray[np.float64], full: float) -> NDArray[np.float64]:
    """Return the levels of the flat parts, one at least."""
    low = float(values.min())
    counts, edges = np.histogram(values, _BINS, (low, low + max(full, 1e-9)))
    found: list[float] = []
    for place in np.argsort(counts)[::-1]:
        if counts[place] < _LEAST_SHARE * values.size and found:
            break
        inside = values[(values >= edges[place]) & (values <= edges[place + 1])]
        level = float(np.median(inside)) if inside.size else low
        if all(abs(level - other) > 2 * FLAT * full for other in found):
            found.append(level)
    return np.array(found)
