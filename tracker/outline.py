"""Registered picture -> the rim's bony outline, as a path in the frame of the rim.

Frame.  ``rho`` is the distance from the socket's centre in mm, ``arc`` the position along the
circle of that radius measured as an angle from the pelvis's up direction, lateral positive.  In
this frame the outline is one path ``theta(rho)``: bone on its medial side, soft tissue lateral.

Level.  Along the beam the bone of the lip grows from nothing; the outline is where it passes a
fixed amount.  So the strip (log intensity) has the soft tissue beyond the lip taken out, is
divided by the ilium's contrast, and is cut at *one* level for every picture of the case.  The
path is the least-cost cut between "bone" and "soft tissue" (dynamic programming), so noise, a
brighter line further in (end of the dense sourcil) or the head below can't pull it away; the
sub-pixel position is the crossing of the level near that path.
"""

import math
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np

from tracker.settings import DEFAULTS, OutlineSettings, Settings
from tracker.values import Floats, Mask, NotMeasurable, Picture, Point, Reason, frozen

_FAR_MM: Final = 1e3


@dataclass(frozen=True, eq=False, slots=True)
class RimFrame:
    """Polar grid about the socket's centre on the reference.

    Attributes
    ----------
    rho_mm : ndarray of shape (H,)
        Radii, rising; one of them is R exactly.
    arc_mm : ndarray of shape (W,)
        Positions along the circle of radius R, relative to the edge, lateral positive.
    edge_deg : float
        Angle at which ``arc_mm`` is zero, from the up direction.
    radius_mm : float
        R.
    points_px : ndarray of shape (H, W, 2)
        The nodes in reference pixels.
    """

    rho_mm: Floats
    arc_mm: Floats
    edge_deg: float
    radius_mm: float
    points_px: Floats

    @property
    def theta_deg(self) -> Floats:
        """Angle from the up direction of every column."""
        return self.edge_deg + np.degrees(self.arc_mm / self.radius_mm)

    def angle_deg(self, arc_mm: float) -> float:
        """Angle from the up direction at an arc position."""
        return self.edge_deg + math.degrees(arc_mm / self.radius_mm)


@dataclass(frozen=True, eq=False, slots=True)
class Strip:
    """A picture resampled on the rim's frame.

    Attributes
    ----------
    attenuation : ndarray of shape (H, W), float32
    valid : ndarray of shape (H, W), bool
        Inside the field, free of metal and graphics.
    noise_std : float
        Of ``attenuation``, per node after resampling.
    """

    attenuation: Picture
    valid: Mask
    noise_std: float


@dataclass(frozen=True, eq=False, slots=True)
class RimPath:
    """The outline found on a strip.

    Attributes
    ----------
    arc_mm : ndarray of shape (H,)
        Arc position of the outline at every radius of the frame; NaN where there is none.
    hidden : ndarray of shape (H,), bool
        Where metal or graphics cover the outline.
    edge_arc_mm : float
        Arc position at radius R.
    u_edge_mm : float
        Standard uncertainty of ``edge_arc_mm`` from noise and background.
    foot_mm : float
        How much further lateral the bone ends than the level crossed, from the edge's own slope.
    step : float
        Contrast right behind the edge, in units of the level crossed.
    contrast : float
        Contrast of the bone behind the lip against soft tissue, in units of ``attenuation``.
    raw : ndarray of shape (H, W), float32
        The smoothed strip, in units of ``attenuation``.
    """

    arc_mm: Floats
    hidden: Mask
    edge_arc_mm: float
    u_edge_mm: float
    foot_mm: float
    step: float
    contrast: float
    raw: Picture

    def __post_init__(self) -> None:
        for array in (self.arc_mm, self.hidden, self.raw):
            frozen(array)


def rim_frame(
    centre_px: Point,
    up: Floats,
    lateral: Floats,
    mm_per_px: float,
    radius_mm: float,
    edge_deg: float,
    settings: Settings = DEFAULTS,
) -> RimFrame:
    """Lay the rim's frame about the socket's centre.

    Parameters
    ----------
    centre_px : tuple of float
        Reference pixels.
    up, lateral : ndarray of shape (2,)
    mm_per_px, radius_mm, edge_deg : float
    settings : Settings
    """
    own = settings.outline
    below = np.arange(-own.below_mm, 0, own.step_mm)
    above = np.arange(0, own.above_mm, own.step_mm)
    rho = radius_mm + np.r_[below, above]
    arc = np.arange(-own.medial_mm, own.lateral_mm, own.step_mm)
    theta = math.radians(edge_deg) + arc / radius_mm
    r, a = np.meshgrid(rho, theta, indexing="ij")
    along = (r * np.cos(a))[..., None] * up + (r * np.sin(a))[..., None] * lateral
    return RimFrame(rho, arc, edge_deg, radius_mm, np.asarray(centre_px) + along / mm_per_px)


def sample_strip(
    attenuation: Picture, valid: Mask, noise_std: float, points_px: Floats, smooth_px: float = 0.0
) -> Strip:
    """Resample a picture at the frame's nodes.

    Parameters
    ----------
    attenuation, valid : ndarray of shape (M, N)
    noise_std : float
    points_px : ndarray of shape (H, W, 2)
        The nodes in this picture's own pixels.
    smooth_px : float
        Where pixels are finer than nodes: smoothing before sampling (sigma, pixels).
    """
    x, y = points_px[..., 0].astype(np.float32), points_px[..., 1].astype(np.float32)
    # Work on the patch around the strip only; the rest of the picture does not matter.
    pad = 8 + math.ceil(3 * smooth_px)
    left = int(np.clip(np.floor(x.min()) - pad, 0, attenuation.shape[1] - 1))
    right = int(np.clip(np.ceil(x.max()) + pad, left + 1, attenuation.shape[1]))
    top = int(np.clip(np.floor(y.min()) - pad, 0, attenuation.shape[0] - 1))
    bottom = int(np.clip(np.ceil(y.max()) + pad, top + 1, attenuation.shape[0]))
    patch = attenuation[top:bottom, left:right]
    if smooth_px > 0:
        patch = np.asarray(cv2.GaussianBlur(patch, (0, 0), smooth_px), np.float32)
    x, y = x - left, y - top
    value = cv2.remap(patch, x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    seen = cv2.remap(
        valid[top:bottom, left:right].astype(np.float32), x, y, cv2.INTER_LINEAR, borderValue=0
    )
    return Strip(np.asarray(value, np.float32), np.asarray(seen > 0.95), noise_std)


def find_outline(
    strip: Strip,
    frame: RimFrame,
    settings: Settings = DEFAULTS,
    *,
    prior: Floats | None = None,
    reference: RimPath | None = None,
    gain: float = 1.0,
) -> RimPath | NotMeasurable:
    """Find the outline on a strip.

    Parameters
    ----------
    strip : Strip
    frame : RimFrame
    settings : Settings
    prior : ndarray of shape (H,), optional
        The reference's outline: bone does not grow, so the path may not lie lateral of it by
        more than the registration allows.
    reference : RimPath, optional
        Of the reference.  Its contrast sets the level; what attenuates far more than on it is
        metal, however little of that shows elsewhere in the picture.
    gain : float
        Local contrast of this picture in units of the reference's.

    Returns
    -------
    RimPath
        Arc positions in mm on the circle of radius R.
    NotMeasurable
        ``rim-outside``, ``rim-hidden``, or ``other-anatomy`` where no edge of bone is found.
    """
    own = settings.outline
    row_r = int(np.argmin(np.abs(frame.rho_mm - frame.radius_mm)))
    guess = np.zeros(len(frame.rho_mm)) if prior is None else prior
    lateral = frame.arc_mm[None, :] - guess[:, None]
    beside = (np.abs(frame.rho_mm - frame.radius_mm) < 1.0)[:, None] & (np.abs(lateral) < 4.0)
    smooth = _smoothed(strip, own)
    if reference is not None:
        # Before anything is fitted: soft tissue must not be fitted to metal.
        metal = _metal(smooth - gain * reference.raw, strip.valid, gain * reference.contrast, own)
        strip = Strip(strip.attenuation, strip.valid & ~metal, strip.noise_std)
    ground = _soft_tissue(smooth, strip.valid, frame, lateral, own)
    if ground is None:
        covered = reference is not None or strip.valid[beside].mean() < 0.5
        return NotMeasurable(Reason.RIM_HIDDEN if covered else Reason.RIM_OUTSIDE)
    bone = smooth - ground
    contrast = _ilium_contrast(bone, strip.valid, frame, own)
    if reference is not None:
        contrast = gain * reference.contrast
    if contrast is None or contrast < own.least_contrast_in_noise * strip.noise_std:
        return _no_edge()
    cut = own.level * contrast
    columns = _least_cost_path(bone, strip.valid, cut, prior, frame, own)
    arc, slope = _crossing(bone, columns, cut, frame)
    hidden = _hidden(strip.valid, columns, guess, frame, own)
    near = np.abs(frame.rho_mm - frame.radius_mm) <= own.reading_mm
    free = near & ~hidden & np.isfinite(arc)
    if hidden[near].mean() > 0.4 or hidden[row_r]:
        return NotMeasurable(Reason.RIM_HIDDEN)
    if free.sum() < 0.6 * near.sum():
        return _no_edge()
    # A straight line through the path about R, so that a single noisy row does not decide.
    offset = frame.rho_mm[free] - frame.radius_mm
    design = np.column_stack([np.ones_like(offset), offset])
    solution, *_ = np.linalg.lstsq(design, arc[free], rcond=None)
    for _ in range(2):
        off = np.abs(arc[free] - design @ solution)
        weight = 1 / np.maximum(off, 0.05 + np.median(off))
        solution, *_ = np.linalg.lstsq(design * weight[:, None], arc[free] * weight, rcond=None)
    scatter = float(np.std(arc[free] - design @ solution))
    steepness = float(np.median(slope[free]))
    # Neighbouring rows share their smoothing: count independent ones only.
    independent = max(1.0, own.reading_mm * 2 / (3 * own.smooth_rho_mm))
    noise = strip.noise_std * own.noise_after_smoothing / max(steepness, 1e-3)
    background = own.background_share * cut / max(steepness, 1e-3)
    u = math.sqrt((max(noise, scatter) ** 2) / independent + background**2)
    foot = _foot(bone, arc, cut, free, frame, own)
    behind = float(np.median(_aligned(bone, arc, free, frame, -own.behind_mm)))
    step = behind / cut
    if step < own.least_step:
        return _no_edge()
    return RimPath(
        arc,
        hidden,
        float(solution[0]),
        max(u, 0.01),
        foot,
        step,
        float(contrast),
        smooth,
    )


def _no_edge() -> NotMeasurable:
    return NotMeasurable(Reason.OTHER_ANATOMY, "No edge of bone is found where the rim is.")


def _metal(excess: Floats, valid: Mask, contrast: float, own: OutlineSettings) -> Mask:
    """Nodes that attenuate far more than on the reference, with their blurred flanks.

    ``excess`` is this strip less the reference's; what differs everywhere is brightness, taken
    as its lower third (metal only adds, and may cover half of the strip).
    """
    if not valid.any():
        return np.zeros(valid.shape, bool)
    above = excess - float(np.quantile(excess[valid], 0.33))
    over = ((above > own.metal_excess * contrast) & valid).astype(np.uint8)
    size = max(3, round(own.metal_least_mm / own.step_mm) | 1)
    core = cv2.morphologyEx(over, cv2.MORPH_OPEN, np.ones((size, size), np.uint8))
    flank = max(3, 2 * round(own.metal_flank_mm / own.step_mm) + 1)
    return np.asarray(cv2.dilate(core, np.ones((flank, flank), np.uint8)) > 0)


def _smoothed(strip: Strip, own: OutlineSettings) -> Picture:
    """Strip smoothed along and across, invalid nodes left out of the averages."""
    step = own.step_mm
    mass = strip.valid.astype(np.float32)
    value = np.where(strip.valid, strip.attenuation, 0).astype(np.float32)
    sigma = (own.smooth_arc_mm / step, own.smooth_rho_mm / step)
    blurred = cv2.GaussianBlur(value, (0, 0), sigma[0], None, sigma[1], cv2.BORDER_REPLICATE)
    total = cv2.GaussianBlur(mass, (0, 0), sigma[0], None, sigma[1], cv2.BORDER_REPLICATE)
    return np.where(total > 0.3, blurred / np.maximum(total, 0.3), strip.attenuation).astype(
        np.float32
    )


def _soft_tissue(
    smooth: Picture, valid: Mask, frame: RimFrame, lateral: Floats, own: OutlineSettings
) -> Floats | None:
    """Smooth surface through the soft tissue beyond the lip, extended under the bone; or None.

    Quadratic along the arc and linear in radius: the wedge of soft tissue curves outwards.  The
    fit is asymmetric: what is *more* attenuating than the surface (bone further out than
    expected, the head, metal's flanks) counts less than what lies below it.
    """
    beyond = valid & (lateral > own.beyond_mm[0]) & (lateral < own.beyond_mm[1])
    beyond &= (frame.rho_mm > frame.radius_mm - own.ground_below_mm)[:, None]
    if beyond.sum() < own.least_ground_nodes:
        return None
    # Carried far beyond where it was seen, the surface means nothing: it must be seen about R.
    about = np.abs(frame.rho_mm - frame.radius_mm) < own.ground_about_mm
    wanted = (lateral > own.beyond_mm[0]) & (lateral < own.beyond_mm[1]) & about[:, None]
    if beyond[about].sum() < own.least_ground_share * max(1, wanted[about].sum()):
        return None
    r = (frame.rho_mm - frame.radius_mm)[:, None] / 5 + 0 * lateral
    a = frame.arc_mm[None, :] / 5 + 0 * r
    design = np.stack([np.ones_like(r), r, a, a * a, r * a], -1)
    rows, target = design[beyond], smooth[beyond].astype(float)
    ridge = np.diag([0, 1e-3, 1e-3, own.curve_ridge, own.curve_ridge]) * len(rows)
    weight = np.ones(len(rows))
    solution = np.zeros(5)
    for _ in range(4):
        normal = rows.T @ (rows * weight[:, None]) + ridge
        solution = np.linalg.solve(normal, rows.T @ (weight * target))
        off = target - rows @ solution
        spread = 1.4826 * float(np.median(np.abs(off))) + 1e-5
        above = np.maximum(off / (2 * spread), 1)
        below = np.maximum(-off / (4 * spread), 1)
        weight = 1 / np.where(off > 0, above**2, below)
    ground: Floats = design @ solution
    return ground


def _ilium_contrast(
    bone: Floats, valid: Mask, frame: RimFrame, own: OutlineSettings
) -> float | None:
    """Contrast of the thick bone well behind the lip against soft tissue."""
    behind = (frame.arc_mm < -own.ilium_mm[0]) & (frame.arc_mm > -own.ilium_mm[1])
    rows = (frame.rho_mm > frame.radius_mm) & (frame.rho_mm < frame.radius_mm + own.ilium_mm[2])
    area = valid & behind[None, :] & rows[:, None]
    return float(np.median(bone[area])) if area.sum() > 50 else None


def _least_cost_path(
    bone: Floats,
    valid: Mask,
    cut: float,
    prior: Floats | None,
    frame: RimFrame,
    own: OutlineSettings,
) -> Floats:
    """Column at every row: the cut between bone and soft tissue of least total cost."""
    excess = np.clip((bone - cut) / cut, -1.0, 1.5) * valid
    # Left of the path, missing bone costs; right of it, bone costs.
    missing = np.cumsum(np.maximum(-excess, 0), axis=1)
    surplus = np.maximum(excess, 0)
    remaining = surplus.sum(axis=1, keepdims=True) - np.cumsum(surplus, axis=1)
    step = own.step_mm
    cost = (missing + remaining) * step
    if prior is not None:
        outside = frame.arc_mm[None, :] - prior[:, None] - own.growth_mm
        cost = cost + own.growth_cost * np.maximum(outside, 0)
    height, width = cost.shape
    reach = max(1, round(own.path_reach_mm / step))
    shifts = np.arange(-reach, reach + 1)
    penalty = own.path_stiffness * (shifts * step) ** 2
    total = cost[0].copy()
    back = np.zeros((height, width), np.int16)
    padded = np.empty(width + 2 * reach)
    for row in range(1, height):
        padded[:reach] = padded[-reach:] = 1e9
        padded[reach:-reach] = total
        windows = np.lib.stride_tricks.sliding_window_view(padded, width)
        options = windows + penalty[:, None]
        choice = options.argmin(axis=0)
        back[row] = shifts[choice]
        total = options[choice, np.arange(width)] + cost[row]
    columns = np.empty(height, int)
    columns[-1] = int(total.argmin())
    for row in range(height - 1, 0, -1):
        columns[row - 1] = int(np.clip(columns[row] + back[row, columns[row]], 0, width - 1))
    return columns.astype(float)


def _crossing(bone: Floats, columns: Floats, cut: float, frame: RimFrame) -> tuple[Floats, Floats]:
    """Sub-node crossing of the level nearest to the path, and the slope there (per mm)."""
    height, width = bone.shape
    step = float(frame.arc_mm[1] - frame.arc_mm[0])
    arc = np.full(height, np.nan)
    slope = np.full(height, np.nan)
    above = bone >= cut
    falls = above[:, :-1] & ~above[:, 1:]
    for row in range(height):
        at = np.flatnonzero(falls[row])
        if len(at) == 0:
            continue
        nearest = int(at[np.argmin(np.abs(at + 0.5 - columns[row]))])
        if abs(nearest + 0.5 - columns[row]) * step > 0.8:
            continue
        first, second = bone[row, nearest], bone[row, nearest + 1]
        arc[row] = frame.arc_mm[nearest] + step * (first - cut) / (first - second)
        left, right = max(0, nearest - 2), min(width - 1, nearest + 3)
        slope[row] = (bone[row, left] - bone[row, right]) / ((right - left) * step)
    return arc, slope


def _hidden(
    valid: Mask, columns: Floats, prior: Floats, frame: RimFrame, own: OutlineSettings
) -> Mask:
    """Rows whose outline lies in or right beside invalid nodes.

    What is soft tissue beyond the edge must have been seen, and most of what is said to be gone:
    else the edge may lie under the metal.
    """
    step = float(frame.arc_mm[1] - frame.arc_mm[0])
    reach = max(1, round(own.free_beside_mm / step))
    outward = max(1, round(own.free_beyond_mm / step))
    height, width = valid.shape
    before = (prior - frame.arc_mm[0]) / step
    hidden = np.zeros(height, bool)
    for row in range(height):
        column = int(columns[row])
        window = valid[row, max(0, column - reach) : min(width, column + reach + 1)]
        beyond = valid[row, column : min(width, column + outward + 1)]
        gone = valid[row, column : max(column, min(width, int(before[row]))) + 1]
        unseen = beyond.mean() < own.least_seen_beyond or gone.mean() < own.least_seen_gone
        hidden[row] = not window.all() or unseen
    return hidden


def _aligned(
    bone: Floats, arc: Floats, free: Mask, frame: RimFrame, offset: float | Floats
) -> Floats:
    """Contrast at offsets from each free row's own crossing: (rows, offsets)."""
    offsets = np.atleast_1d(np.asarray(offset, float))
    rows = np.flatnonzero(free)
    return np.stack([np.interp(arc[row] + offsets, frame.arc_mm, bone[row]) for row in rows])


def _foot(
    bone: Floats, arc: Floats, cut: float, free: Mask, frame: RimFrame, own: OutlineSettings
) -> float:
    """Distance from the level's crossing to where the bone passes the least amount.

    The crossing sits on the steep part of the blurred edge, where noise hardly moves it; the
    bone's end lies further out.  Averaged over the rows about R, aligned on their crossings.
    """
    offsets = np.arange(-0.5, own.foot_reach_mm, own.step_mm)
    aligned = _aligned(bone, arc, free, frame, offsets).mean(axis=0)
    below = np.flatnonzero((offsets > 0) & (aligned <= own.foot_level * cut))
    if len(below) == 0:
        return own.foot_reach_mm
    index = int(below[0])
    first, second = aligned[index - 1], aligned[index]
    share = 0.5 if first <= second else (first - own.foot_level * cut) / (first - second)
    return float(offsets[index - 1] + share * own.step_mm)
