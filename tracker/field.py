"""Still -> exposed field, polarity, drawn graphics and metal, attenuation picture.

What survives automatic brightness and gamma is the *log intensity* up to gain and offset, and
local contrast.  So the recorded grey is turned into ``-log(intensity)`` (rising with bone,
whatever the polarity), and everything that is not anatomy is marked.
"""

import math
from typing import Final

import cv2
import numpy as np

from tracker.capture import joined_to_corners, judge_capture
from tracker.settings import DEFAULTS, FieldSettings, Settings
from tracker.values import (
    ExposedField,
    Floats,
    Mask,
    NotMeasurable,
    Picture,
    Radiograph,
    Reason,
    Still,
)

_WORK_PX: Final = 384
"""Side of the reduced picture on which field, polarity and metal are judged."""


def expose(still: Still, settings: Settings = DEFAULTS) -> ExposedField | NotMeasurable:
    """Find where the picture was exposed.

    The corners outside a round field, or beside shutters, are flat; whatever is joined to a
    corner at the corner's own level is not exposed.  If the border of the rest lies on a circle
    the field is a disc, and the disc (not the thresholded region) is the field: an over-exposed
    lateral edge as black as the corner still belongs to it.

    Parameters
    ----------
    still : Still
    settings : Settings

    Returns
    -------
    ExposedField
        In the still's pixels; the outermost 1 % of the field is left out.
    NotMeasurable
        ``no-anatomy`` when nothing was exposed or the exposed part is flat; ``not-square`` or
        ``photograph`` when the picture was not saved pixel by pixel.
    """
    own = settings.field
    grey = still.grey
    outside = joined_to_corners(grey, own.corner_tolerance)
    fault = judge_capture(still, outside, settings.capture)
    if fault is not None:
        return fault
    if outside.mean() > 0.97:
        return NotMeasurable(Reason.NO_ANATOMY, "Nothing is exposed in this picture.")
    disc = _fit_disc(outside, own) if outside.mean() > 0.02 else None
    if disc is not None:
        x, y, radius = disc
        inner = radius * (1 - own.margin_share)
        across = (np.arange(grey.shape[1], dtype=np.float32) - np.float32(x)) ** 2
        down = (np.arange(grey.shape[0], dtype=np.float32) - np.float32(y)) ** 2
        valid = across[None, :] + down[:, None] <= np.float32(inner**2)
        shape, centre = "disc", (x, y)
    else:
        inside = ~outside
        span_y = np.flatnonzero(inside.mean(axis=1) > 0.5)
        span_x = np.flatnonzero(inside.mean(axis=0) > 0.5)
        if len(span_y) < 32 or len(span_x) < 32:
            return NotMeasurable(Reason.NO_ANATOMY, "Nothing is exposed in this picture.")
        top, bottom, left, right = span_y[0], span_y[-1], span_x[0], span_x[-1]
        margin = max(1, round(own.margin_share * min(bottom - top, right - left)))
        valid = np.zeros(grey.shape, bool)
        valid[top + margin : bottom + 1 - margin, left + margin : right + 1 - margin] = True
        shape, centre = "rectangle", ((left + right) / 2.0, (top + bottom) / 2.0)
        radius = 0.5 * float(np.hypot(right - left, bottom - top))
    # Pure noise has no more structure after smoothing than noise predicts.
    reduced = cv2.resize(grey, (64, 64), None, 0, 0, cv2.INTER_AREA)
    whole = cv2.resize(valid.astype(np.float32), (64, 64), None, 0, 0, cv2.INTER_AREA) > 0.99
    if (
        not whole.any()
        or float(np.ptp(np.percentile(reduced[whole], (2, 98)))) < own.least_contrast
    ):
        return NotMeasurable(Reason.NO_ANATOMY, "The exposed field is flat: no bone can be seen.")
    return ExposedField(valid, "disc" if shape == "disc" else "rectangle", centre, float(radius))


def radiograph(
    still: Still,
    exposed: ExposedField,
    settings: Settings = DEFAULTS,
    *,
    bone_bright: bool | None = None,
) -> Radiograph | NotMeasurable:
    """Turn a still into an attenuation picture with its valid and metal masks.

    Parameters
    ----------
    still : Still
    exposed : ExposedField
        Of the same still.
    settings : Settings
    bone_bright : bool, optional
        Polarity where it is known better than the picture's own grey values tell it.

    Returns
    -------
    Radiograph
        In the still's pixels.
    NotMeasurable
        ``no-anatomy`` when polarity can't be told (no bone-like lines in the field).
    """
    own = settings.field
    if bone_bright is None:
        bone_bright = _polarity(still.grey, exposed.valid, exposed)
    if bone_bright is None:
        return NotMeasurable(Reason.NO_ANATOMY, "No bone can be told from soft tissue.")
    floor = own.intensity_floor
    intensity = 1.0 - still.grey if bone_bright else still.grey
    attenuation = np.asarray(-cv2.log(np.maximum(intensity, np.float32(floor))), np.float32)
    graphics, metal = _graphics_and_metal(still.grey, attenuation, exposed, own)
    valid = exposed.valid & ~graphics & ~metal
    noise = _noise_std(attenuation, valid)
    return Radiograph(attenuation, valid, metal, exposed, bone_bright, noise)


def _fit_disc(outside: Mask, own: FieldSettings) -> tuple[float, float, float] | None:
    """Circle through the border of the unexposed corners, or None.

    Rays from the middle of the picture inwards meet the border once; text in a corner or a dark
    lateral edge moves some of them, so the fit is repeated on those within a few pixels.
    """
    height, width = outside.shape
    cx, cy = (width - 1) / 2, (height - 1) / 2
    reach = np.hypot(width, height) / 2
    steps = np.arange(reach, 0.15 * min(width, height), -1.0)
    angles = np.linspace(0, 2 * np.pi, 360, endpoint=False)
    x = np.rint(cx + np.cos(angles)[:, None] * steps).astype(int)
    y = np.rint(cy + np.sin(angles)[:, None] * steps).astype(int)
    framed = (x >= 0) & (x < width) & (y >= 0) & (y < height)
    exposed = framed & ~outside[np.clip(y, 0, height - 1), np.clip(x, 0, width - 1)]
    # The outermost run of exposed pixels long enough not to be a letter.
    run = max(3, round(0.015 * min(width, height)))
    running = np.cumsum(exposed, axis=1)
    full = np.zeros_like(exposed)
    full[:, :-run] = (running[:, run:] - running[:, :-run] + exposed[:, :-run]) >= run
    full &= exposed
    hit = full.argmax(axis=1)
    # A ray whose first framed pixel is exposed met the picture's own border, not the field's.
    on_border = (
        full.any(axis=1) & ~np.take_along_axis(framed, np.maximum(hit - 2, 0)[:, None], 1)[:, 0]
    )
    usable = full.any(axis=1) & ~on_border
    if usable.sum() < 60:
        return None
    points = np.column_stack([cx + np.cos(angles) * steps[hit], cy + np.sin(angles) * steps[hit]])[
        usable
    ]
    # Far points first: a dark lateral edge pulls the border inwards, never outwards.
    radius = np.hypot(*(points - (cx, cy)).T)
    keep = radius > np.percentile(radius, 60) - 0.02 * min(width, height)
    circle = np.array([cx, cy, np.median(radius[keep])])
    for width_px in (12.0, 4.0, 2.0, 2.0):
        circle = _circle_through(points[keep])
        keep = (
            np.abs(np.hypot(*(points - circle[:2]).T) - circle[2])
            < width_px * min(outside.shape) / 1024 + 1
        )
        if keep.sum() < 30:
            return None
    bins = np.unique(
        (np.degrees(np.arctan2(*(points[keep] - circle[:2]).T[::-1])) // 5).astype(int)
    )
    if len(bins) < own.disc_least_share * 72 or not 0.2 < circle[2] / min(outside.shape) < 0.75:
        return None
    return float(circle[0]), float(circle[1]), float(circle[2])


def _circle_through(points: Floats) -> Floats:
    """Least-squares circle for a border seen over most of its round, where any fit will do."""
    x, y = points.T
    solution, *_ = np.linalg.lstsq(
        np.column_stack([x, y, np.ones_like(x)]), x**2 + y**2, rcond=None
    )
    cx, cy = solution[0] / 2, solution[1] / 2
    return np.array([cx, cy, np.sqrt(solution[2] + cx**2 + cy**2)])


def _reduced(array: Picture, side_px: int = _WORK_PX) -> Picture:
    """The picture reduced so that its shorter side is ``side_px`` (area averages)."""
    height, width = array.shape
    factor = side_px / min(height, width)
    size = (max(1, round(width * factor)), max(1, round(height * factor)))
    return np.asarray(cv2.resize(array, size, None, 0, 0, cv2.INTER_AREA), np.float32)


def _polarity(grey: Picture, valid: Mask, exposed: ExposedField) -> bool | None:
    """True where more attenuation is brighter; None when the picture has no bone-like lines.

    Cortex and roof are narrow ridges of *more* attenuation on a smoother ground, so small
    openings take more away than small closings add; and the border of the field is nearer to
    air than its middle.  Both cues are logarithms of ratios and are added.
    """
    small = _reduced(grey)
    inside = _reduced(valid.astype(np.float32)) > 0.99
    inside = cv2.erode(inside.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool)
    smooth = cv2.GaussianBlur(np.where(inside, small, small[inside].mean()), (0, 0), 1.1)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (9, 9))
    ridges = (smooth - cv2.morphologyEx(smooth, cv2.MORPH_OPEN, kernel))[inside]
    valleys = (cv2.morphologyEx(smooth, cv2.MORPH_CLOSE, kernel) - smooth)[inside]
    if max(ridges.mean(), valleys.mean()) <= 0:
        return None
    lines = np.log((ridges.mean() + 1e-6) / (valleys.mean() + 1e-6))
    factor = small.shape[1] / grey.shape[1]
    rows, columns = np.mgrid[: small.shape[0], : small.shape[1]]
    distance = np.hypot(
        columns - exposed.centre_px[0] * factor, rows - exposed.centre_px[1] * factor
    )
    distance /= exposed.radius_px * factor
    border, middle = small[inside & (distance > 0.8)], small[inside & (distance < 0.4)]
    if border.size == 0 or middle.size == 0:
        return bool(lines > 0)
    low, high = np.percentile(border, (5, 95)) - np.median(middle)
    spread = max(abs(low), abs(high), 1e-3)
    towards_air = -(low + high) / spread
    return bool(lines + towards_air > 0)


def _graphics_and_metal(
    grey: Picture, attenuation: Picture, exposed: ExposedField, own: FieldSettings
) -> tuple[Mask, Mask]:
    """Masks of drawn graphics (text, letters, lines) and of metal.

    Metal is far more attenuating than what lies beside it and straight-sided; instruments come in
    from the field's border.  Graphics are saturated and sharp.
    """
    small = _reduced(attenuation)
    grey_small = _reduced(grey)
    inside = _reduced(exposed.valid.astype(np.float32)) > 0.5
    factor = small.shape[1] / attenuation.shape[1]
    diameter = 2 * exposed.radius_px * factor
    ground = np.where(inside, small, np.median(small[inside]))
    smooth = cv2.GaussianBlur(ground, (0, 0), 0.8)
    size = max(5, round(own.metal_width_share * diameter) | 1)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    above = smooth - cv2.morphologyEx(smooth, cv2.MORPH_OPEN, kernel)
    below = cv2.morphologyEx(smooth, cv2.MORPH_CLOSE, kernel) - smooth

    saturated = (grey_small > 0.975) | (grey_small < 0.02)
    drawn = inside & saturated & (np.maximum(above, below) > own.graphics_contrast)
    grow = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (9, 9))
    graphics = cv2.dilate(drawn.astype(np.uint8), grow)

    metal = np.zeros(small.shape, np.uint8)
    border = inside & ~cv2.erode(inside.astype(np.uint8), np.ones((9, 9), np.uint8)).astype(bool)
    for threshold in own.metal_contrasts:
        strong = ((above > threshold) & inside & ~graphics.astype(bool)).astype(np.uint8)
        strong = cv2.morphologyEx(strong, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
        count, labels, stats, _ = cv2.connectedComponentsWithStats(strong, connectivity=8)
        for label in range(1, count):
            if stats[label, cv2.CC_STAT_AREA] < 0.0004 * diameter**2:
                continue
            left, top, wide, high = stats[label, :4]
            # One pixel of nothing about it, for its own width.
            box = np.s_[max(0, top - 1) : top + high + 1, max(0, left - 1) : left + wide + 1]
            part = labels[box] == label
            if (part & border[box]).any() and _is_bar(part, diameter, own):
                metal[box] |= part.astype(np.uint8)
    if metal.any():
        # The blurred flanks belong to the metal too.
        flank = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (7, 7))
        metal = np.asarray(cv2.dilate(metal, flank), np.uint8)
    full = (attenuation.shape[1], attenuation.shape[0])
    return (
        cv2.resize(graphics, full, None, 0, 0, cv2.INTER_NEAREST).astype(bool),
        cv2.resize(metal, full, None, 0, 0, cv2.INTER_NEAREST).astype(bool),
    )


def _is_bar(part: Mask, diameter: float, own: FieldSettings) -> bool:
    """True for a region that is straight-sided, elongated and as wide as an instrument."""
    y, x = np.nonzero(part)
    points = np.column_stack([x, y]).astype(np.int32)
    hull = cv2.convexHull(points)
    filled = len(points) / max(1.0, float(cv2.contourArea(hull)) + len(hull))
    (_, _), sides, _ = cv2.minAreaRect(points)
    long, short = max(sides) + 1, min(sides) + 1
    thickness = 2 * float(cv2.distanceTransform(part.astype(np.uint8), cv2.DIST_L2, 3).max())
    return (
        filled > own.bar_least_filled
        and long > own.bar_least_length_share * diameter
        and long / short > own.bar_least_aspect
        and thickness > own.bar_least_width_share * diameter
    )


def _noise_std(attenuation: Picture, valid: Mask) -> float:
    """Pixel noise from the median absolute second difference, which anatomy hardly moves."""
    some, seen = attenuation[::5], valid[::5]
    second = some[:, 2:] - 2 * some[:, 1:-1] + some[:, :-2]
    usable = seen[:, 2:] & seen[:, :-2]
    if not usable.any():
        return 1.0
    return max(1e-4, float(np.median(np.abs(second[usable]))) / 0.6745 / math.sqrt(6.0))
