"""The final picture with its lines drawn into the pixels.

Everywhere else lines lie over a picture and can be held away; the DICOM secondary capture carries
nothing but pixels.  Colours, patterns and words are those of :mod:`tracker.drawing`.
"""

from collections.abc import Sequence
from itertools import pairwise
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from tracker.drawing import CASING, LIMIT, NOW, PLAN, START, Label, RimLines
from tracker.values import Floats

Pixels = NDArray[np.uint8]

_SHIFT: Final = 4
"""Binary places in which lines are placed between pixels."""
_FONT: Final = cv2.FONT_HERSHEY_SIMPLEX
_MARGIN_PX: Final = 16
_CASING_PX: Final = 3
_GAP_PX: Final = 16
_KEY: Final = (
    ("rim now", NOW, ()),
    ("rim at the start", START, (10.0, 8.0)),
    ("plan", PLAN, (16.0, 9.0)),
    ("lower limit", LIMIT, ()),
)


def burnt_in(
    grey: Pixels, lines: RimLines | None, labels: Sequence[Label], texts: Sequence[str]
) -> Pixels:
    """Draw a picture's lines into its pixels, with words in a band beneath it.

    Parameters
    ----------
    grey : ndarray of shape (M, N), uint8
    lines : RimLines or None
        In the picture's pixels; None for a picture without lines.
    labels : sequence of Label
    texts : sequence of str
        Lines of the band, plain ASCII; what is too long goes on in the next one.

    Returns
    -------
    ndarray of shape (M + band, N, 3), uint8
        Red, green, blue.
    """
    picture = with_lines(grey, lines, labels)
    band = _band(picture.shape[1], texts, with_key=lines is not None)
    return np.vstack([picture, band])


def with_lines(grey: Pixels, lines: RimLines | None, labels: Sequence[Label]) -> Pixels:
    """Draw a picture's lines and words into its pixels; see :func:`burnt_in`."""
    picture = np.ascontiguousarray(np.repeat(grey[:, :, None], 3, axis=2))
    words = list(labels)
    if lines is not None:
        words += _draw(picture, lines)
    # Words come last: they stay readable where a line runs under them.
    for label in words:
        _word(picture, label.at, label.text)
    return picture


def side_by_side(pictures: Sequence[Pixels], texts: Sequence[str]) -> Pixels:
    """Set pictures of one size beside one another, with the key and words in one band beneath.

    Parameters
    ----------
    pictures : sequence of ndarray of shape (M, N, 3), uint8
    texts : sequence of str
        Plain ASCII.

    Returns
    -------
    ndarray of shape (M' + band, N', 3), uint8
    """
    gap = np.full((pictures[0].shape[0], _GAP_PX, 3), 255, np.uint8)
    row = [part for picture in pictures for part in (picture, gap)][:-1]
    joined = np.hstack(row)
    return np.vstack([joined, _band(joined.shape[1], texts, with_key=True, size=1.1)])


def _draw(picture: Pixels, lines: RimLines) -> list[Label]:
    """Draw the lines; return their words."""
    words = []
    if lines.limit is not None:
        ends = np.array(lines.limit)
        _line(picture, ends, LIMIT, 7)
        _stroke(picture, ends, CASING, 2)
        words.append(Label(_beyond(ends[::-1]), "lower limit"))
    if lines.plan is not None:
        ends = np.array(lines.plan)
        _line(picture, ends, PLAN, 4, (14.0, 9.0))
        words.append(Label(_beyond(ends), "plan"))
    if lines.start is not None:
        _line(picture, lines.start, START, 2, (9.0, 8.0))
    if lines.now is not None:
        hidden = lines.hidden if lines.hidden is not None else np.zeros(len(lines.now), np.bool_)
        edges = np.flatnonzero(np.diff(hidden.astype(np.int8)))
        cuts = [0, *(edges + 1).tolist(), len(hidden)]
        for begin, end in pairwise(cuts):
            stretch = lines.now[max(begin - 1, 0) : end]
            _line(picture, stretch, NOW, 3, (1.0, 9.0) if hidden[begin] else ())
    return words


def _line(
    picture: Pixels, points: Floats, colour: str, width: int, dashes: tuple[float, ...] = ()
) -> None:
    """Draw a line on its dark casing."""
    for part in _dashed(points, dashes):
        _stroke(picture, part, CASING, width + 3)
    for part in _dashed(points, dashes):
        _stroke(picture, part, colour, width)


def _dashed(points: Floats, dashes: tuple[float, ...]) -> list[Floats]:
    """Cut a line into the pieces that its pattern shows."""
    if len(points) < 2:
        return []
    if not dashes:
        return [points]
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    on, off = dashes
    pieces = []
    for begin in np.arange(0.0, along[-1], on + off):
        end = min(begin + on, along[-1])
        inside = points[(along > begin) & (along < end)]
        ends = [
            np.array([[np.interp(at, along, points[:, axis]) for axis in (0, 1)]])
            for at in (begin, end)
        ]
        pieces.append(np.vstack([ends[0], inside, ends[1]]))
    return pieces


def _stroke(picture: Pixels, points: Floats, colour: str, width: int) -> None:
    fixed = np.round(points * 2**_SHIFT).astype(np.int32)
    cv2.polylines(picture, [fixed], False, _rgb(colour), width, cv2.LINE_AA, _SHIFT)


def _rgb(colour: str) -> tuple[int, int, int]:
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def _beyond(ends: Floats, share: float = 0.18) -> tuple[float, float]:
    x, y = ends[1] + share * (ends[1] - ends[0])
    return float(x), float(y)


def _word(picture: Pixels, at: tuple[float, float], text: str, size: float = 0.9) -> None:
    """Write a word about a place, white on a dark casing, within the picture."""
    (width, height), _ = cv2.getTextSize(text, _FONT, size, 2)
    x = min(max(round(at[0] - width / 2), 4), picture.shape[1] - width - 4)
    y = min(max(round(at[1] + height / 2), height + 4), picture.shape[0] - 4)
    # The casing is the word itself, moved about: letters have no outline of their own here.
    for turn in np.linspace(0, 2 * np.pi, 12, endpoint=False):
        moved = round(x + _CASING_PX * np.cos(turn)), round(y + _CASING_PX * np.sin(turn))
        cv2.putText(picture, text, moved, _FONT, size, _rgb(CASING), 2, cv2.LINE_AA)
    cv2.putText(picture, text, (x, y), _FONT, size, (255, 255, 255), 2, cv2.LINE_AA)


def _band(width: int, texts: Sequence[str], *, with_key: bool, size: float = 0.62) -> Pixels:
    """Return the band under the picture: the key of the lines, then the words."""
    step = round(48 * size)
    rows = [row for text in texts for row in _wrapped(text, width - 2 * _MARGIN_PX, size)]
    height = (len(rows) + with_key) * step + 2 * _MARGIN_PX
    band = np.zeros((height, width, 3), np.uint8)
    y = _MARGIN_PX + step // 2
    if with_key:
        x = _MARGIN_PX
        for name, colour, dashes in _KEY:
            ends = np.array([[x, y - 5.0], [x + 56.0, y - 5.0]])
            _line(band, ends, colour, 7 if colour == LIMIT else 3, dashes)
            if colour == LIMIT:
                _stroke(band, ends, CASING, 2)
            x += 68
            cv2.putText(band, name, (x, y), _FONT, size, (255, 255, 255), 1, cv2.LINE_AA)
            x += cv2.getTextSize(name, _FONT, size, 1)[0][0] + 40
        y += step
    for row in rows:
        cv2.putText(band, row, (_MARGIN_PX, y), _FONT, size, (255, 255, 255), 1, cv2.LINE_AA)
        y += step
    return band


def _wrapped(text: str, width: int, size: float) -> list[str]:
    rows, row = [], ""
    for word in text.split():
        longer = f"{row} {word}".strip()
        if row and cv2.getTextSize(longer, _FONT, size, 1)[0][0] > width:
            rows.append(row)
            longer = word
        row = longer
    return [*rows, row]
