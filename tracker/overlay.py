"""Pictures as the pages show them: turned to the first picture, brightness matched to it.

Grey stays grey and nothing is drawn into the pixels: lines lie over a picture as a drawing of
their own (:mod:`tracker.drawing`), so that they can be held away.
"""

from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from tracker.values import Floats, Mask, Picture, Still

Bytes = NDArray[np.uint8]

_LEAST_SHARED: Final = 0.02
"""Smallest share of a picture that must be common to both for their brightness to be matched."""
_SHOWN_CENTILES: Final = (0.5, 99.5)


def as_recorded(still: Still) -> Bytes:
    """Return a picture's grey values in 8 bits, as recorded.

    Parameters
    ----------
    still : Still

    Returns
    -------
    ndarray of shape (M, N), uint8
    """
    return np.round(np.clip(still.grey, 0, 1) * 255).astype(np.uint8)


def placed(still: Still, to_frame: Floats, size: tuple[int, int]) -> tuple[Picture, Mask]:
    """Draw a picture in another frame.

    Parameters
    ----------
    still : Still
    to_frame : ndarray of shape (2, 3)
        Maps the still's pixels (x, y, 1) to the frame's pixels.
    size : tuple of int
        Width and height of the frame, pixels.

    Returns
    -------
    picture : ndarray of shape (height, width), float32
        Grey values as recorded; 0 where the still does not reach.
    inside : ndarray of shape (height, width), bool
        Where the still reaches.
    """
    matrix = np.asarray(to_frame, np.float64)
    picture = cv2.warpAffine(still.grey, matrix, size, flags=cv2.INTER_CUBIC, borderValue=0.0)
    ones = np.ones(still.grey.shape, np.uint8)
    inside = cv2.warpAffine(ones, matrix, size, flags=cv2.INTER_NEAREST, borderValue=0.0)
    return picture.astype(np.float32), inside.astype(np.bool_)


def matched(picture: Picture, inside: Mask, model: Picture, model_inside: Mask) -> Picture:
    """Give a picture the brightness, contrast and polarity of another of the same view.

    Both are compared coarsely, so that what differs in detail (metal, bone removed) has little
    say.  Where they share too little, the picture comes back as it was.

    Parameters
    ----------
    picture, model : ndarray of shape (M, N), float32
    inside, model_inside : ndarray of shape (M, N), bool

    Returns
    -------
    ndarray of shape (M, N), float32
    """
    small = (64, 64)
    shared = cv2.resize((inside & model_inside).astype(np.float32), small, None, 0, 0, 3) > 0.99
    if shared.mean() < _LEAST_SHARED:
        return picture
    own = cv2.resize(picture, small, None, 0, 0, cv2.INTER_AREA)[shared]
    wanted = cv2.resize(model, small, None, 0, 0, cv2.INTER_AREA)[shared]
    spread, wanted_spread = np.std(own), np.std(wanted)
    if spread < 1e-4 or wanted_spread < 1e-4:
        return picture
    same_polarity = np.mean((own - own.mean()) * (wanted - wanted.mean())) >= 0
    gain = wanted_spread / spread * (1.0 if same_polarity else -1.0)
    adjusted: Picture = ((picture - own.mean()) * gain + wanted.mean()).astype(np.float32)
    return adjusted


def shown(picture: Picture, inside: Mask, span: tuple[float, float]) -> Bytes:
    """Stretch a picture's grey values over a span to 8 bits; black where it does not reach.

    Parameters
    ----------
    picture : ndarray of shape (M, N), float32
    inside : ndarray of shape (M, N), bool
    span : tuple of float
        Grey values that become black and white.

    Returns
    -------
    ndarray of shape (M, N), uint8
    """
    low, high = span
    scaled = np.clip((picture - low) / max(high - low, 1e-6), 0, 1)
    return np.where(inside, np.round(scaled * 255), 0).astype(np.uint8)


def span_of(picture: Picture, inside: Mask) -> tuple[float, float]:
    """Return the grey values between which nearly all of a picture lies."""
    values = picture[inside]
    if values.size == 0:
        return 0.0, 1.0
    low, high = np.percentile(values, _SHOWN_CENTILES)
    return float(low), float(max(high, low + 1e-3))
