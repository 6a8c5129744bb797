"""Tell a picture that the case has already from a new one.

A parked C-arm and a small pass give nearly the same picture, so likeness of *anatomy* says
nothing.  Likeness of *noise* does: every exposure draws its own quantum noise, and a copy that
was only re-saved, windowed or inverted keeps it.
"""

import hashlib
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tracker.settings import DEFAULTS, Settings
from tracker.values import ExposedField, Still, frozen


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
    noise: NDArray[np.int8]

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
    both = (one.noise != 0) & (other.noise != 0)
    if both.sum() < settings.duplicate.least_pixels:
        return False
    a, b = one.noise[both].astype(np.float32), other.noise[both].astype(np.float32)
    correlation = float((a * b).sum() / max(1e-9, np.sqrt((a * a).sum() * (b * b).sum())))
    # An inverted copy has the noise with the sign turned.
    return abs(correlation) > settings.duplicate.correlation
