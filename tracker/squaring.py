"""A video grab whose pixels are not square -> the same picture with square ones.

A round field that a frame grabber stretched is an upright ellipse, and its axes say by how much.
Only where that is plain is the picture put right: the ellipse is whole, its axes lie along rows
and columns, and nothing says that a camera took it.  It is made larger along the squeezed
direction, so nothing that was recorded is lost.
"""

from dataclasses import replace
from typing import Final

import cv2
import numpy as np

from tracker import capture
from tracker.settings import DEFAULTS, Settings
from tracker.values import CaseSetup, Floats, Mask, Still

_LARGEST: Final = 1.6
"""No grabber stretches by more: such an ellipse is something else."""
_PLAIN_SHARE: Final = 0.75
"""Share of the border's directions in which the ellipse must be seen."""


def squared(still: Still, settings: Settings = DEFAULTS) -> Still:
    """Return a picture with square pixels, where it is plain how they are not.

    Parameters
    ----------
    still : Still
    settings : Settings

    Returns
    -------
    Still
        The same where its pixels are square, or where that can't be told.
    """
    own = settings.capture
    if still.camera:
        return still
    outside = capture.joined_to_corners(still.grey, settings.field.corner_tolerance)
    border = capture.border_of(outside)
    if border is None or not _goes_round(border):
        return still
    found = capture.fit_ellipse(border, own)
    if found is None:
        return still
    ratio, slant = found
    if abs(ratio - 1) < own.ellipse_least_difference or abs(slant) >= own.slant_deg:
        return still
    if max(ratio, 1 / ratio) > _LARGEST:
        return still
    if capture.judge_frames(still.grey, outside, own) or capture.has_lattice(still.grey, own):
        return still
    height, width = still.grey.shape
    size = (width, round(height / ratio)) if ratio < 1 else (round(width * ratio), height)
    grey = cv2.resize(np.asarray(still.grey), size, None, 0, 0, cv2.INTER_CUBIC)
    return replace(
        still,
        grey=np.clip(grey, 0.0, 1.0).astype(np.float32),
        stretched=(size[0] / width, size[1] / height),
    )


def as_recorded(mask: Mask, shape: tuple[int, int]) -> Mask:
    """Carry a mask on the picture with square pixels back to the picture as it was recorded.

    Parameters
    ----------
    mask : ndarray of shape (M, N), bool
    shape : tuple of int
        Rows and columns of the recorded picture.
    """
    if mask.shape == shape:
        return mask
    size = (shape[1], shape[0])
    return np.asarray(cv2.resize(mask.astype(np.uint8), size, None, 0, 0, cv2.INTER_NEAREST) > 0)


def remark(still: Still) -> tuple[str, ...]:
    """Say that a picture was put right, in a sentence; nothing where it was not."""
    across, down = still.stretched
    if (across, down) == (1.0, 1.0):
        return ()
    by, more, less = (down, "wider", "high") if down > 1 else (across, "higher", "wide")
    return (
        f"The exposed field came {100 * (by - 1):.1f} % {more} than {less}: the picture was put"
        " right, so that the field is a circle. Places are counted in the picture as put right.",
    )


def carried(setup: CaseSetup, first: Still) -> CaseSetup:
    """Carry marks that were made on the first picture as recorded onto it as put right.

    Parameters
    ----------
    setup : CaseSetup
    first : Still
    """
    if first.stretched == (1.0, 1.0):
        return setup
    by = np.array(first.stretched)

    def moved(points: Floats) -> Floats:
        # The picture's own corner stays, half a pixel from the first pixel's centre.
        there: Floats = (points + 0.5) * by - 0.5
        return there

    marks, scale = setup.marks, setup.scale
    if marks is not None:
        x, y = moved(np.array(marks.rim_edge_px)).tolist()
        head, level = moved(marks.head_px), moved(marks.horizontal_px)
        marks = replace(marks, head_px=head, rim_edge_px=(x, y), horizontal_px=level)
    if scale.object_px is not None and scale.object_file in (None, first.name):
        (x0, y0), (x1, y1) = moved(np.array(scale.object_px)).tolist()
        scale = replace(scale, object_px=((x0, y0), (x1, y1)))
    return replace(setup, marks=marks, scale=scale)


def _goes_round(border: Floats) -> bool:
    """Tell whether a border is seen in most directions from its middle."""
    if not len(border):
        return False
    away = border - (border.min(axis=0) + border.max(axis=0)) / 2
    directions = np.unique(np.floor(np.degrees(np.arctan2(away[:, 1], away[:, 0])) / 10))
    return len(directions) >= _PLAIN_SHARE * 36
