"""How a picture was captured: square pixels, or an ellipse; a save, or a photograph of a screen.

The exposed field of a C-arm is a disc or a rectangle.  An upright ellipse comes from a video grab
whose pixels are not square; a slanted one, or a rectangle with sides that converge, from a camera
held before the screen, whose own pixels leave a lattice besides.  A grab is put right where that
is plain (:mod:`tracker.squaring`); what comes here stretched all the same is refused.
"""

from typing import Final

import cv2
import numpy as np
from scipy import fft

from tracker.settings import CaptureSettings
from tracker.values import Floats, Mask, NotMeasurable, Picture, Point, Reason, Still

_LEAST_POINTS: Final = 60
_WORK_PX: Final = 480
"""Shorter side of the reduced picture in which a screen's frame is looked for."""
_CUT_DEG: Final = 130
_RESIZED: Final = (8, 10, 12)
_RESIZED_BINS: Final = 3
"""Frequency bins beside a fraction of these that belong to it."""
_AXIS_BINS: Final = 1
"""Frequency bins beside an axis that belong to it: rows, columns and JPEG blocks repeat there."""


def judge_capture(still: Still, outside: Mask, own: CaptureSettings) -> NotMeasurable | None:
    """Tell a picture that was not saved from the C-arm pixel by pixel.

    Parameters
    ----------
    still : Still
    outside : ndarray of shape (M, N), bool
        True where the picture is joined to a corner at the corner's grey level.
    own : CaptureSettings

    Returns
    -------
    NotMeasurable or None
        ``photograph`` or ``not-square``; None for a picture that can be measured.
    """
    if still.camera:
        return NotMeasurable(
            Reason.PHOTOGRAPH, "The file comes from a camera: it is a photograph of a screen."
        )
    border = border_of(outside)
    if border is not None:
        found = _judge_ellipse(border, own)
        if found is not None:
            return found
    framed = judge_frames(still.grey, outside, own)
    if framed is not None:
        return framed
    if has_lattice(still.grey, own):
        return NotMeasurable(
            Reason.PHOTOGRAPH, "A screen's own pixels are seen: it is a photograph of a screen."
        )
    return None


def fit_ellipse(border: Floats, own: CaptureSettings) -> tuple[float, float] | None:
    """Return axis ratio and slant of an elliptic border, or None for a border that is none.

    Parameters
    ----------
    border : ndarray of shape (N, 2)
        Points on the convex outline, pixels; those on the picture's own border left out.
    own : CaptureSettings

    Returns
    -------
    ratio : float
        Height over width in the frame of the axes; 1 for a circle.
    slant_deg : float
        Angle of the first axis to the rows, -45 … 45.
    """
    if len(border) < _LEAST_POINTS:
        return None
    # A dark edge of the field cuts an arc off: the best start leaves that arc out.
    middle = border.mean(axis=0)
    direction = np.degrees(np.arctan2(*(border - middle).T[::-1]))
    near = np.zeros(len(border), bool)
    for cut_deg in range(-180, 180, 30):
        kept = (direction - cut_deg) % 360 > _CUT_DEG
        _, close = _ellipse(border, kept, own)
        if close.sum() > near.sum():
            near = close
    ((x, y), (first, second), angle), near = _ellipse(border, near, own)
    directions = np.floor(np.degrees(np.arctan2(*(border[near] - (x, y)).T[::-1])) / 10)
    if near.mean() < own.ellipse_least_share or len(np.unique(directions)) < 20:
        return None
    slant = (angle + 45) % 90 - 45
    swapped = round((angle - slant) / 90) % 2 == 1
    ratio = first / second if swapped else second / first
    return float(ratio), float(slant)


def _ellipse(
    border: Floats, kept: Mask, own: CaptureSettings
) -> tuple[tuple[Point, Point, float], Mask]:
    """Return centre, axes and angle of the ellipse through some points, and who lies on it."""
    nothing = np.zeros(len(border), bool)
    if kept.sum() < _LEAST_POINTS:
        return ((0.0, 0.0), (1.0, 1.0), 0.0), nothing
    centre, axes, angle = cv2.fitEllipseDirect(border[kept].astype(np.float32))
    if not 0 < min(axes) <= max(axes) < 1e5:
        return ((0.0, 0.0), (1.0, 1.0), 0.0), nothing
    turn = np.radians(angle)
    frame = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    along = (border - centre) @ frame.T / (axes[0] / 2, axes[1] / 2)
    on = np.abs(np.hypot(*along.T) - 1) < own.ellipse_tolerance
    return ((centre[0], centre[1]), (axes[0], axes[1]), angle), on


def has_lattice(grey: Picture, own: CaptureSettings) -> bool:
    """Tell whether a regular lattice of dots lies over a picture, in two directions at least.

    One direction alone can be an anti-scatter grid; rows, columns and the blocks of a lossy save
    lie on the axes and are left out.

    Parameters
    ----------
    grey : ndarray of shape (M, N), float32
    own : CaptureSettings
    """
    side = min(own.lattice_window_px, *grey.shape)
    top, left = (grey.shape[0] - side) // 2, (grey.shape[1] - side) // 2
    part = np.ascontiguousarray(grey[top : top + side, left : left + side])
    detail = part - cv2.GaussianBlur(part, (0, 0), 2.0)
    # Bright edges and letters would lift the floor for everything else.
    spread = 4 * float(np.median(np.abs(detail[::3, ::3]))) + 1e-6
    window = np.hanning(side).astype(np.float32)
    detail = np.clip(detail, -spread, spread) * window[:, None] * window
    level = np.log(np.abs(fft.fftshift(fft.rfft2(detail), axes=0)) ** 2 + np.float32(1e-12))
    eight = np.clip((level - level.max() + 25) * 10, 0, 255).astype(np.uint8)
    floor = cv2.medianBlur(eight, 21).astype(np.float32) / 10 - 25 + level.max()
    down, across = np.nonzero(level - floor > own.lattice_log_power)
    down = down - side // 2
    dots = np.hypot(down, across) / side > own.lattice_least_frequency
    dots &= (np.abs(down) > _AXIS_BINS) & (across > _AXIS_BINS)
    # A picture enlarged by 3/2, say, repeats itself every third pixel: that is no screen.
    for parts in _RESIZED:
        off = [
            np.abs(bins * parts / side - np.rint(bins * parts / side)) for bins in (down, across)
        ]
        dots &= np.maximum(*off) * side / parts > _RESIZED_BINS
    if not dots.any():
        return False
    # Opposite directions are one, so angles are doubled before their spread is looked at.
    doubled = np.exp(2j * np.arctan2(down[dots], across[dots]))
    return bool(np.abs(np.angle(doubled / doubled.mean(), deg=True)).max() > 20)


def joined_to_corners(grey: Picture, tolerance: float) -> Mask:
    """Return the pixels joined to a corner at the corner's own grey level.

    Parameters
    ----------
    grey : ndarray of shape (M, N), float32
    tolerance : float
        Difference from the corner's level, 0 … 1.
    """
    eight = np.ascontiguousarray(np.round(grey * 255).astype(np.uint8))
    height, width = eight.shape
    mask = np.zeros((height + 2, width + 2), np.uint8)
    step = max(1, round(tolerance * 255))
    flags = 4 | (1 << 8) | cv2.FLOODFILL_FIXED_RANGE | cv2.FLOODFILL_MASK_ONLY
    for corner in ((0, 0), (width - 1, 0), (0, height - 1), (width - 1, height - 1)):
        if mask[corner[1] + 1, corner[0] + 1] == 0:
            cv2.floodFill(eight, mask, corner, (0,), (step,), (step,), flags)
    return mask[1:-1, 1:-1].astype(bool)


def border_of(outside: Mask) -> Floats | None:
    """Return points, evenly spaced, on the convex outline of the largest exposed part.

    Parameters
    ----------
    outside : ndarray of shape (M, N), bool

    Returns
    -------
    ndarray of shape (N, 2) or None
        Those on the picture's own border left out.
    """
    if not 0.02 < outside.mean() < 0.97:
        return None
    exposed = np.ascontiguousarray((~outside).astype(np.uint8))
    outlines, _ = cv2.findContours(exposed, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    largest = max(outlines, key=cv2.contourArea)
    hull = cv2.convexHull(largest)[:, 0, :].astype(np.float64)
    if len(hull) < 3:
        return None
    closed = np.vstack([hull, hull[:1]])
    lengths = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    places = np.linspace(0, lengths[-1], 720, endpoint=False)
    points = np.column_stack([np.interp(places, lengths, closed[:, k]) for k in (0, 1)])
    height, width = outside.shape
    inner = (points > 1.5).all(axis=1) & (points < (width - 2.5, height - 2.5)).all(axis=1)
    return np.asarray(points[inner], np.float64)


def _judge_ellipse(border: Floats, own: CaptureSettings) -> NotMeasurable | None:
    found = fit_ellipse(border, own)
    if found is None:
        return None
    ratio, slant = found
    if abs(ratio - 1) < own.ellipse_least_difference:
        return None
    if abs(slant) < own.slant_deg:
        more, less = ("wider", "high") if ratio < 1 else ("higher", "wide")
        percent = 100 * (max(ratio, 1 / ratio) - 1)
        return NotMeasurable(
            Reason.NOT_SQUARE,
            f"The exposed field is an ellipse, {percent:.0f} % {more} than {less}.",
        )
    return NotMeasurable(
        Reason.PHOTOGRAPH,
        "The exposed field is a slanted ellipse: it is a photograph of a screen.",
    )


def _frames(grey: Picture) -> list[Floats]:
    """Return the corners of every large four-sided outline in a picture, in its own pixels."""
    height, width = grey.shape
    factor = _WORK_PX / min(height, width)
    size = (round(width * factor), round(height * factor))
    small = cv2.resize(grey, size, None, 0, 0, cv2.INTER_AREA)
    soft = cv2.GaussianBlur(np.clip(np.round(small * 255), 0, 255).astype(np.uint8), (0, 0), 1.2)
    edges = cv2.dilate(cv2.Canny(soft, 20, 50), np.ones((3, 3), np.uint8))
    outlines, _ = cv2.findContours(edges, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
    frames = []
    for outline in outlines:
        if not 0.2 < cv2.contourArea(outline) / (size[0] * size[1]) < 0.97:
            continue
        corners = cv2.approxPolyDP(outline, 0.02 * cv2.arcLength(outline, True), True)[:, 0, :]
        filled = cv2.contourArea(corners) / cv2.contourArea(outline)
        if len(corners) == 4 and cv2.isContourConvex(corners) and abs(filled - 1) < 0.03:
            frames.append(corners.astype(np.float64) / factor)
    return frames


def judge_frames(grey: Picture, outside: Mask, own: CaptureSettings) -> NotMeasurable | None:
    """Find a screen's edge: sides that converge, or frame in frame with something around it."""
    frames = _frames(grey)
    for corners in frames:
        sides = np.roll(corners, -1, axis=0) - corners
        angles = np.degrees(np.arctan2(sides[:, 1], sides[:, 0]))
        converging = max(abs((angles[k] - angles[k + 2] + 90) % 180 - 90) for k in (0, 1))
        if converging > own.converging_deg:
            return NotMeasurable(
                Reason.PHOTOGRAPH,
                f"A frame's sides converge by {converging:.0f}°: it is a photograph of a screen.",
            )
    areas = sorted(float(cv2.contourArea(corners.astype(np.float32))) for corners in frames)
    if len(areas) < 2 or areas[0] > 0.97 * areas[-1]:
        return None
    largest = max(frames, key=lambda corners: cv2.contourArea(corners.astype(np.float32)))
    beyond = np.ones(grey.shape, np.uint8)
    cv2.fillConvexPoly(beyond, np.rint(largest).astype(np.int32), (0,))
    if outside[beyond.astype(bool)].mean() > 0.5:
        return None
    return NotMeasurable(
        Reason.PHOTOGRAPH, "A screen's frame is seen: it is a photograph of a screen."
    )
