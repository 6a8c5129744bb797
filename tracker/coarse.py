"""Where to start: exhaustive search over turn, zoom and shift on a very small picture."""

import math
from collections.abc import Iterable
from dataclasses import dataclass

import cv2
import numpy as np
from scipy import fft

from tracker.template import Normalised, Template
from tracker.values import Floats, Point


@dataclass(frozen=True, eq=False, slots=True)
class Start:
    """A place to start the fit from.

    Attributes
    ----------
    score : float
        Masked correlation there, less where little of the reference is in the field.
    opposite : float
        The strongest correlation of the other sign, at any shift: a picture in the wrong
        polarity agrees in this way.
    matrix : ndarray of shape (2, 3)
        Reference to moving picture, full pixels.
    """

    score: float
    opposite: float
    matrix: Floats


def similarity(zoom: float, turn: float, about: Point, onto: Point) -> Floats:
    """Return the (2, 3) matrix that turns and zooms about a point and carries it onto another."""
    c, s = zoom * math.cos(turn), zoom * math.sin(turn)
    linear = np.array([[c, -s], [s, c]])
    return np.column_stack([linear, np.asarray(onto) - linear @ np.asarray(about)])


def search(
    template: Template, moving: Normalised, candidates: Iterable[tuple[float, float]]
) -> list[Start]:
    """Find the best shift for each zoom and turn; best first.

    Parameters
    ----------
    template : Template
    moving : Normalised
        At the template's coarse scale.
    candidates : iterable of (zoom, turn)
        Moving pixels per reference pixel, and the turn in rad.

    Notes
    -----
    The correlation of every shift at once, by FFT; the picture's power is summed under the
    shifted weight, so bright bone at the field's border wins nothing.
    """
    level, factor = template.coarse, moving.factor
    reach = max(level.normalised.shape)
    shape = tuple(fft.next_fast_len(n + reach, real=True) for n in moving.value.shape)
    valid = (moving.support > 0.3).astype(np.float32)
    image = moving.value * valid
    # What is correlated with the template's weighted value, with its weight, and with it again.
    fields = np.conj(fft.rfft2(np.stack([image, image * image, valid]), shape))
    about = tuple((c + 0.5) * level.factor - 0.5 for c in template.landmark.centre_px)
    middle = (moving.value.shape[1] / 2.0, moving.value.shape[0] / 2.0)
    size = (moving.value.shape[1], moving.value.shape[0])
    starts = []
    for zoom, turn in candidates:
        matrix = similarity(zoom * factor / level.factor, turn, (about[0], about[1]), middle)
        weight = cv2.warpAffine(level.weight, matrix, size)
        total = float(weight.sum())
        if total <= 0:
            continue
        value = cv2.warpAffine(level.normalised, matrix, size)
        ours = fft.rfft2(np.stack([weight * value, weight]), shape)
        agreement, power, covered = fft.irfft2(ours[[0, 1, 1]] * fields, shape)
        covered /= total
        own_power = float((weight * value * value).sum())
        score = agreement / np.sqrt(np.maximum(power * own_power, 1e-6))
        share = np.where(covered > 0.6, np.sqrt(np.clip(covered, 0, 1)), 0)
        opposite = -float((score * share).min())
        score = np.where(covered > 0.6, score * share, -1)
        row, column = np.unravel_index(int(score.argmax()), score.shape)
        # The correlation's lag is minus the shift of the template.
        dy = -int(row) if row <= shape[0] // 2 else shape[0] - int(row)
        dx = -int(column) if column <= shape[1] // 2 else shape[1] - int(column)
        onto = ((middle[0] + dx + 0.5) / factor - 0.5, (middle[1] + dy + 0.5) / factor - 0.5)
        full = similarity(zoom, turn, template.landmark.centre_px, onto)
        starts.append(Start(float(score[row, column]), opposite, full))
    return sorted(starts, key=lambda start: -start.score)
