"""Tell a picture that the case has already from a new one.

A parked C-arm and a small pass give nearly the same picture, so likeness of *anatomy* says
nothing.  Likeness of *noise* does: every exposure draws its own quantum noise, and a copy that
was only re-saved, windowed or inverted keeps it.
"""

import hashlib
import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tracker.settings import DEFAULTS, Settings
from tracker.values import ExposedField, Picture, Still, frozen

Grain = NDArray[np.int8]


@dataclass(frozen=True, eq=False, slots=True)
class Fingerprint:
    """What is kept of a picture to know it again.

    Attributes
    ----------
    name : str
    sha256 : str
        Of the file.
    pixels : str
        Hash of the recorded grey values.
    noise : ndarray of shape (K, K), int8
        High-pass residual on a central window at the recorded resolution, in sixteenths of its
        standard deviation on flat ground; 0 elsewhere.  Small, since a case keeps one for each
        picture.
    """

    name: str
    sha256: str
    pixels: str
    noise: Grain

    def __post_init__(self) -> None:
        frozen(self.noise)


def fingerprint(still: Still, exposed: ExposedField, settings: Settings = DEFAULTS) -> Fingerprint:
    """Take a picture's fingerprint.

    Parameters
    ----------
    still : Still
    exposed : ExposedField
        Of the same still.
    settings : Settings
    """
    own = settings.duplicate
    height, width = still.grey.shape
    side = min(own.window_px, height, width)
    top, left = (height - side) // 2, (width - side) // 2
    window = (slice(top, top + side), slice(left, left + side))
    grey = still.grey[window]
    noise = grey - cv2.GaussianBlur(grey, (0, 0), own.sigma_px)
    smooth = cv2.GaussianBlur(grey, (0, 0), 2.0)
    steep = np.hypot(cv2.Sobel(smooth, cv2.CV_32F, 1, 0), cv2.Sobel(smooth, cv2.CV_32F, 0, 1))
    flat = (steep <= np.median(steep)) & exposed.valid[window]
    noise = np.where(flat, noise, 0).astype(np.float32)
    spread = float(np.sqrt((noise**2).sum() / max(1, flat.sum())))
    digest = hashlib.sha256(np.round(still.grey * 65535).astype(np.uint16).tobytes()).hexdigest()
    steps = np.clip(np.rint(16 * noise / max(spread, 1e-9)), -127, 127).astype(np.int8)
    return Fingerprint(still.name, still.sha256, digest, steps)


def same_exposure(one: Fingerprint, other: Fingerprint, settings: Settings = DEFAULTS) -> bool:
    """Tell whether two pictures are one exposure: same bytes, same pixels, or same noise."""
    if one.sha256 == other.sha256 or one.pixels == other.pixels:
        return True
    if one.noise.shape != other.noise.shape:
        return False
    own = settings.duplicate
    # Every third row tells most pictures apart: a copy has flat ground where its original has.
    a, b = (np.ravel(noise[::3]).astype(np.float32) for noise in (one.noise, other.noise))
    if abs(float(a @ b)) < own.glance * math.sqrt(float(a @ a) * float(b @ b)):
        return False
    coarse = _likeness(one.noise, other.noise, own.least_pixels)
    fine = _likeness(_finest(one.noise), _finest(other.noise), own.least_pixels)
    # An inverted copy has the noise with the sign turned.
    alike = abs(coarse) > own.correlation and abs(fine) > own.finest_correlation
    return bool(alike and coarse * fine > 0)


def _likeness(one: Picture | Grain, other: Picture | Grain, least_pixels: int) -> float:
    """Correlation where both are flat ground; 0 where there is too little of it."""
    both = (one != 0) & (other != 0)
    if both.sum() < least_pixels:
        return 0.0
    a, b = one[both].astype(np.float32), other[both].astype(np.float32)
    return float((a * b).sum() / max(1e-9, np.sqrt((a * a).sum() * (b * b).sum())))


def _finest(noise: Grain) -> Picture:
    """Second differences along rows of those along columns, where all nine pixels are flat.

    Trabeculae of a hip that did not move are alike from picture to picture, and their likeness
    survives a mild high pass.  At the finest scale only the noise is left.
    """
    second = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32)
    found = cv2.filter2D(noise.astype(np.float32), cv2.CV_32F, second)
    flat = cv2.erode((noise != 0).astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    return np.where(flat, found, 0).astype(np.float32)
