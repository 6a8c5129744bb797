"""Two registered pictures -> where the beam passes through less bone than before.

Where bone lies over bone no outline moves when some is taken away; only the density falls.  The
attenuation of both pictures is laid on one grid about the socket, and their difference is freed of
what brightness, gamma, scatter and glare change slowly (a surface of second order and a share of
the picture itself, fitted robustly on bone that nobody burrs) and of small shifts that the
registration left over (a smooth field of shifts, held to what the beam's turn can leave).  What
remains is bone that is gone, in mm of cortical bone.

Calibration.  Nothing in a C-arm picture is absolute.  Attenuation per mm is taken from the first
picture itself: how much it rises over the generic pelvis's thickness, on this patient.  A mm of
that path is not a mm of cortex: two cortices of 1 to 1.6 mm around spongy bone of a fifth to a
third of cortical density make :attr:`ThinnedSettings.cortical_share` of it.  Both are known to
some fifth, and the budget says what that does to the area.

The head lies behind the rim.  A pair of pictures in which it lies elsewhere (traction) can't be
compared, and that is found from the pictures: the joint's space opens under the roof, and the
thigh bone's own lines move.
"""

import math
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np

from tracker.rimpatch import Patch, ThinFrame, gradient, remapped, robust, smooth
from tracker.settings import DEFAULTS, Settings, ThinnedSettings
from tracker.uncertainty import quantity
from tracker.values import (
    Budget,
    BudgetRow,
    Floats,
    Mask,
    NotMeasurable,
    Picture,
    Reason,
    Thinned,
    ThinnedProfile,
)

_EVERY: Final = 8
"""One node in so many carries the fit of what is slow."""
_REDUCED: Final = 4
"""Nodes to a node of the coarse grid on which the smooth shifts are found."""


@dataclass(frozen=True, slots=True)
class Missed:
    """What a comparison picture may already lack: its recession, mm."""

    recession_mm: float
    u_mm: float


def compare(
    before: Patch,
    now: Patch,
    frame: ThinFrame,
    per_mm: float,
    *,
    shown_px: Floats,
    turn_deg: float,
    u_relative_scale: float,
    missed: Missed | None = None,
    settings: Settings = DEFAULTS,
) -> Thinned | NotMeasurable:
    """Find where bone is gone between two pictures of one position of the thigh bone.

    Parameters
    ----------
    before, now : Patch
        Of the comparison picture, and of this one.
    frame : ThinFrame
    per_mm : float
        Attenuation of the reference per mm of the generic pelvis's path.
    shown_px : ndarray of shape (H, W, 2)
        The grid's nodes on this picture as recorded: for what is drawn.
    turn_deg : float
        How far the beam has turned between the two pictures.
    u_relative_scale : float
    missed : Missed, optional
        Of a comparison picture that is not the reference.
    settings : Settings

    Returns
    -------
    Thinned or NotMeasurable
        ``rim-hidden`` where metal lies by the edge, ``view-changed`` where steady bone differs by
        as much as is looked for.
    """
    own = settings.thinned
    seen = before.seen & now.seen
    if seen[frame.corner].mean() < own.least_seen or seen[frame.rim].mean() < own.least_seen_rim:
        return NotMeasurable(
            Reason.RIM_HIDDEN,
            "Too much of the rim's bone lies under metal, outside the field or in the black.",
        )
    loss = _loss(before.value, now.value, seen, frame, turn_deg, own)
    loss = loss / (per_mm / own.cortical_share)
    seen = seen & ~_unclear(loss, before.value, seen & frame.fit, own)
    if seen[frame.corner].mean() < own.least_seen or seen[frame.rim].mean() < own.least_clear_rim:
        return NotMeasurable(
            Reason.VIEW_CHANGED, "The densest bone is too noisy here: nothing thinned shows in it."
        )
    steady = seen & frame.bone
    spread = 1.4826 * float(np.median(np.abs(loss[steady])))
    worst = float(np.percentile(np.abs(loss[steady]), 95))
    if worst > own.worst_steady_mm or 2 * spread > own.least_loss_mm:
        return NotMeasurable(
            Reason.VIEW_CHANGED,
            f"Bone that nobody burred differs by up to {worst:.1f} mm of cortex between this view"
            f" and {before.name}: thinned bone can't be told from it.",
        )
    rim = seen & frame.rim
    node = frame.step_mm**2
    limit = own.least_loss_mm

    def area(least: float) -> float:
        return float(_joined(rim & (loss >= least), frame).sum()) * node

    gone = _joined(rim & (loss >= limit), frame)
    value = float(gone.sum()) * node
    low, high = area(limit * (1 - own.u_calibration)), area(limit * (1 + own.u_calibration))
    slope = (area(limit + 0.1) - area(limit - 0.1)) / 0.2
    offset = _block_spread(loss, steady, frame)
    near = cv2.dilate((gone | frame.corner).astype(np.uint8), np.ones((9, 9), np.uint8))
    gained = rim & (loss <= -limit)
    gained_near = float((gained & near.astype(bool)).sum()) * node
    apart = float((rim & (loss >= limit) & ~gone).sum() - gained.sum()) * node
    ring = cv2.dilate(gone.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool) & ~gone
    border = float(ring.sum()) * frame.step_mm
    hidden = float((frame.rim & ~seen).sum()) * node
    rows = [
        BudgetRow(
            "attenuation of a mm of cortex", own.u_calibration, "1",
            (low - high) / 2 / own.u_calibration, "generic thickness and density of the pelvis",
        ),
        BudgetRow("brightness beside the rim", offset, "mm", slope, "scatter, glare, gamma"),
        BudgetRow(
            "bone that seems to have grown", max(2.0, gained_near), "mm²", 0.5,
            "lines that the beam's turn moved, noise",
        ),
        BudgetRow(
            "loss not joined to the edge", max(apart, 0.0), "mm²", own.apart_share,
            "not counted: beside what seems to have grown, most of it is no loss",
        ),
        BudgetRow(
            "blur of its border", own.u_border_mm, "mm", border,
            "blur carries a deep cut's border outwards, a shallow one's inwards",
        ),
        BudgetRow("what is hidden", hidden, "mm²", value / (float(rim.sum()) * node)),
        BudgetRow("scale", u_relative_scale, "1", 2 * value),
    ]  # fmt: skip
    if missed is not None:
        short = math.hypot(missed.u_mm, max(missed.recession_mm, 0.0))
        rows.append(
            BudgetRow(
                "bone gone from the comparison picture", short, "mm", own.missed_mm2_per_mm,
                "it reads 0 within its interval, no more is known",
            )
        )  # fmt: skip
    u = math.hypot(*(row.contribution for row in rows))
    if u > max(own.largest_u_mm2, own.largest_u_share * value):
        return NotMeasurable(
            Reason.VIEW_CHANGED,
            f"Thinned bone is known to ± {2 * u:.0f} mm² only: too little to say anything.",
        )
    budget = Budget("thinned area", "mm²", tuple(rows))
    return Thinned(
        quantity(value, budget),
        before.name,
        max(2 * spread, 1e-3),
        budget,
        _profile(loss, gone, frame, own),
        _borders(gone, shown_px),
    )


def front_clock(angle_deg: Floats) -> Floats:
    """Hour on the rim's clock face at an angle from up, *if the front was burred*.

    The rim is taken as a circle whose opening looks 42° down from lateral and 18° forwards (usual
    adult socket): 12 is its highest point, 3 in front on both sides.  Hours from 0 (12 o'clock)
    to 3 and on to 6; those of the back are negative.
    """
    inclined, forwards = math.radians(42.0), math.radians(18.0)
    # Lateral, forwards, up.
    opening = np.array(
        [
            math.sin(inclined) * math.cos(forwards),
            math.sin(forwards),
            -math.cos(inclined) * math.cos(forwards),
        ]
    )
    top = np.array([0.0, 0.0, 1.0]) - opening[2] * opening
    top = top / np.linalg.norm(top)
    front = np.cross(top, opening)
    front = front if front[1] > 0 else -front
    turn = np.radians(np.arange(-180.0, 181.0))
    rim = np.cos(turn)[:, None] * top + np.sin(turn)[:, None] * front
    seen = np.unwrap(np.arctan2(rim[:, 0], rim[:, 2]))
    seen = seen - 2 * math.pi * round(float(seen[len(seen) // 2]) / (2 * math.pi))
    order = np.argsort(seen)
    hours = np.interp(np.radians(angle_deg), seen[order], np.degrees(turn)[order] / 30.0)
    return np.asarray(hours, float)


# --- the difference --------------------------------------------------------------------------


def _loss(
    before: Picture,
    now: Picture,
    seen: Mask,
    frame: ThinFrame,
    turn_deg: float,
    own: ThinnedSettings,
) -> Picture:
    """Attenuation that is gone, at every node, freed of what is slow and of small shifts."""
    step = frame.step_mm
    fine = own.smooth_mm / step
    base = smooth(before, fine)
    gx, gy = gradient(base, step)
    fit = frame.fit & seen
    # Gain and gamma: the picture itself and its powers.
    tone = (base - np.float32(base[fit].mean())) / np.float32(base[fit].std() + 1e-9)
    tone = np.clip(tone, -3, 3)
    square = tone * tone
    design = np.concatenate([frame.surface, np.stack([tone, square, square * tone], -1)], -1)
    chosen = design[fit][::_EVERY].astype(float)
    expected = own.shift_mm + own.shift_mm_per_deg * turn_deg
    independent = (own.shift_window_mm / own.smooth_mm) ** 2
    free = seen.astype(np.float32)
    u, v, difference = np.zeros_like(base), np.zeros_like(base), np.zeros_like(base)
    for turn in range(own.rounds):
        moved = remapped(now, u, v, step) if turn else now
        difference = moved - before
        slow, _ = robust(chosen, difference[fit][::_EVERY].astype(float), 4 if turn else 6)
        difference = difference - design @ slow.astype(np.float32)
        if turn == own.rounds - 1:
            break
        soft = smooth(difference, fine)
        spread = 1.4826 * float(np.median(np.abs(soft[fit][::_EVERY]))) + 1e-9
        weight = free / np.square(1 + np.square(soft / np.float32(3 * spread)))
        # Least squares in a window about each node, held to the expected size of the shifts.
        terms = (gx * gx, gx * gy, gy * gy, gx * soft, gy * soft)
        xx, xy, yy, pull_x, pull_y = (_windowed(weight * term, own) for term in terms)
        hold = np.float32(3 * spread**2 / (independent * expected**2))
        small = u.shape[1] // _REDUCED, u.shape[0] // _REDUCED
        here_u, here_v = (np.asarray(cv2.resize(a, small), np.float32) for a in (u, v))
        xx, yy = xx + hold, yy + hold
        pull_x, pull_y = pull_x + hold * here_u, pull_y + hold * here_v
        whole = xx * yy - xy * xy
        size = u.shape[1], u.shape[0]
        u = u - np.asarray(cv2.resize((pull_x * yy - pull_y * xy) / whole, size), np.float32)
        v = v - np.asarray(cv2.resize((pull_y * xx - pull_x * xy) / whole, size), np.float32)
    kept = smooth(np.where(seen, difference, 0).astype(np.float32), fine)
    return np.asarray(-kept / np.maximum(smooth(free, fine), 0.3), np.float32)


def _windowed(array: Picture, own: ThinnedSettings) -> Picture:
    """Mean in the window of the smooth shifts, on the coarse grid."""
    height, width = array.shape
    size = width // _REDUCED, height // _REDUCED
    small = np.asarray(cv2.resize(array, size, None, 0, 0, cv2.INTER_AREA), np.float32)
    return smooth(small, own.shift_window_mm / own.step_mm / _REDUCED)


def _joined(lost: Mask, frame: ThinFrame) -> Mask:
    """What of a loss is joined to the neighbourhood of the lateral edge, gaps of 1 mm bridged.

    A burr works from the edge inwards; a loss on its own elsewhere is a line that has moved.
    """
    bridge = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (5, 5))
    closed = cv2.morphologyEx(lost.astype(np.uint8), cv2.MORPH_CLOSE, bridge)
    _, labels = cv2.connectedComponents(closed, connectivity=8)
    kept = np.unique(labels[frame.corner & lost])
    return np.asarray(lost & np.isin(labels, kept[kept > 0]), bool)


def _unclear(loss: Picture, base: Picture, fit: Mask, own: ThinnedSettings) -> Mask:
    """Nodes as dense as those among which the losses scatter by half of what is looked for.

    Near the dark end of its window a picture's noise and its display's curve grow without bound.
    """
    edges = np.quantile(base[fit], np.linspace(0, 1, 13))
    lost, place = loss[fit], np.searchsorted(edges[1:-1], base[fit])
    clear = np.ones(len(edges) - 1, bool)
    for k in range(len(clear)):
        here = lost[place == k]
        if len(here) > 50:
            clear[k] = 1.4826 * np.median(np.abs(here)) < 0.5 * own.least_loss_mm
    return np.asarray(~clear[np.searchsorted(edges[1:-1], base)], bool)


# --- what is said of it ---------------------------------------------------------------------


def _block_spread(loss: Picture, steady: Mask, frame: ThinFrame) -> float:
    """Standard deviation of the loss's mean over blocks of steady bone, mm."""
    size = 8.0
    block = np.floor(frame.x_mm / size).astype(int) * 100 + np.floor(frame.y_mm / size).astype(int)
    _, index = np.unique(block[steady], return_inverse=True)
    count = np.bincount(index)
    means = np.bincount(index, loss[steady]) / np.maximum(count, 1)
    full = means[count > 0.3 * (size / frame.step_mm) ** 2]
    return max(float(np.std(full)) if len(full) > 3 else 0.1, 0.01)


def _profile(loss: Picture, gone: Mask, frame: ThinFrame, own: ThinnedSettings) -> ThinnedProfile:
    """Greatest loss, and width of what is thinned, by angle about the socket's centre."""
    angle = np.degrees(np.arctan2(frame.x_mm, frame.y_mm))
    rho = np.hypot(frame.x_mm, frame.y_mm)
    edges = np.arange(-135.0, 135.0 + own.profile_deg / 2, own.profile_deg)
    middle = 0.5 * (edges[1:] + edges[:-1])
    greatest, width = np.zeros_like(middle), np.zeros_like(middle)
    place = np.floor((angle[gone] - edges[0]) / own.profile_deg).astype(int)
    inside = (place >= 0) & (place < len(middle))
    place, lost, away = place[inside], loss[gone][inside], rho[gone][inside]
    np.maximum.at(greatest, place, lost)
    # A node's area over the arc that its bin has at its distance from the centre.
    arc = np.maximum(away, 3.0) * math.radians(own.profile_deg)
    width += np.bincount(place, frame.step_mm**2 / arc, len(middle))
    return ThinnedProfile(middle, greatest, width, front_clock(middle))


def _borders(gone: Mask, shown_px: Floats) -> tuple[Floats, ...]:
    """Closed lines around what is thinned, in this picture's recorded pixels."""
    found, _ = cv2.findContours(gone.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    lines = []
    for line in found:
        column, row = np.asarray(line)[:, 0, 0], np.asarray(line)[:, 0, 1]
        if len(column) >= 4:
            lines.append(np.ascontiguousarray(shown_px[row, column], dtype=float))
    return tuple(lines)


def no_comparison() -> NotMeasurable:
    """Why there is no number where no picture of the untouched rim fits."""
    return NotMeasurable(
        Reason.VIEW_CHANGED,
        "No picture of the untouched rim shows the head where it lies now (traction, leg):"
        " thinned bone can't be told from the head behind it.",
        "Take a zero picture under traction before burring, or compare after traction is off.",
    )


def no_density() -> NotMeasurable:
    """Why there is no number where the reference does not show the pelvis's density."""
    return NotMeasurable(
        Reason.OTHER_ANATOMY, "The pelvis's density can't be told on the first picture."
    )
