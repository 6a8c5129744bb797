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

from tracker.beampath import Projection
from tracker.settings import DEFAULTS, Settings, ThinnedSettings
from tracker.uncertainty import quantity
from tracker.values import (
    Budget,
    BudgetRow,
    Floats,
    Landmark,
    Mask,
    NotMeasurable,
    Picture,
    Radiograph,
    Reason,
    Thinned,
    ThinnedProfile,
    frozen,
)

_REDUCED: Final = 4
"""Nodes to a node of the coarse grid on which the smooth shifts are found."""


@dataclass(frozen=True, eq=False, slots=True)
class ThinFrame:
    """Grid about the socket's centre, in the patient's frame, and what lies on its nodes.

    Attributes
    ----------
    x_mm, y_mm : ndarray of shape (H, W), float32
        Lateral and headward distance from the socket's centre.
    step_mm : float
    points_px : ndarray of shape (H, W, 2)
        Nodes on the reference, pixels.
    depth_mm : ndarray of shape (H, W)
        Depth at which a node is carried onto other pictures.
    surface : ndarray of shape (H, W, 6)
        Terms of a surface of second order.
    bone : ndarray of shape (H, W), bool
        Pelvis that nobody burrs and that nothing moves in front of.
    fit : ndarray of shape (H, W), bool
        Where the slow part is fitted: that, soft tissue beside it and the inside of the head.
    head, roof, femur, rim, corner : ndarray of shape (H, W), bool
        Inside of the head; just under the roof; the thigh bone free of the pelvis; where thinned
        bone is looked for; the neighbourhood of the lateral edge.
    """

    x_mm: Picture
    y_mm: Picture
    step_mm: float
    points_px: Floats
    depth_mm: Floats
    surface: Floats
    bone: Mask
    fit: Mask
    head: Mask
    roof: Mask
    femur: Mask
    rim: Mask
    corner: Mask


@dataclass(frozen=True, eq=False, slots=True)
class Patch:
    """A picture on the grid: attenuation in the reference's units, and where it was seen."""

    name: str
    value: Picture
    seen: Mask

    def __post_init__(self) -> None:
        frozen(self.value)
        frozen(self.seen)


@dataclass(frozen=True, eq=False, slots=True)
class Ground:
    """What later pictures of a case are compared on: grid, calibration, the reference itself."""

    frame: ThinFrame
    per_mm: float
    reference: Patch


@dataclass(frozen=True, slots=True)
class Missed:
    """What a comparison picture may already lack: its recession, mm."""

    recession_mm: float
    u_mm: float


def lay_ground(
    picture: Radiograph,
    mark: Landmark,
    projection: Projection,
    *,
    head_radius_mm: float,
    radius_mm: float,
    name: str,
    settings: Settings = DEFAULTS,
) -> Ground | None:
    """Prepare the reference; None where the pelvis's density can't be told on it.

    Parameters
    ----------
    picture : Radiograph
        The reference.
    mark : Landmark
    projection : Projection
        Of the generic pelvis on the reference.
    head_radius_mm, radius_mm : float
        Of the head, and R.
    name : str
        Of the reference's file.
    settings : Settings
    """
    per_mm = attenuation_per_mm(picture, mark, projection, settings)
    if per_mm is None:
        return None
    frame = thin_frame(mark, head_radius_mm, radius_mm, settings)
    return Ground(frame, per_mm, take_patch(picture, frame.points_px, 1.0, name, settings))


def thin_frame(
    mark: Landmark, head_radius_mm: float, radius_mm: float, settings: Settings = DEFAULTS
) -> ThinFrame:
    """Lay the grid on the reference.

    Parameters
    ----------
    mark : Landmark
    head_radius_mm, radius_mm : float
        Of the head, and R.
    settings : Settings
    """
    own = settings.thinned
    axis = np.arange(-own.reach_mm, own.reach_mm + own.step_mm / 2, own.step_mm)
    x, y = np.meshgrid(axis, -axis)
    along = x[..., None] * mark.lateral + y[..., None] * mark.up
    points = np.asarray(mark.centre_px) + along / mark.mm_per_px
    weight, depth = _look(mark.weight, points), _look(mark.depth_mm, points)
    rho = np.hypot(x, y)
    head = rho < head_radius_mm - 2.0
    offset = (np.asarray(mark.edge_px) - np.asarray(mark.centre_px)) * mark.mm_per_px
    beside = np.hypot(x - offset @ mark.lateral, y - offset @ mark.up)
    femur = (rho > head_radius_mm + 1) & (x > 0.2 * head_radius_mm) & (y < 0.35 * head_radius_mm)
    femur = (femur & (weight <= 0)) | ((rho < head_radius_mm + 4.0) & (y < 0))
    rim = rho < radius_mm + own.beyond_mm
    return ThinFrame(
        x.astype(np.float32),
        y.astype(np.float32),
        own.step_mm,
        points,
        depth.astype(float),
        _surface(x / 50.0, y / 50.0),
        (weight > 0.3) & (rho < own.reach_mm - 4.0),
        ((weight > 0.05) | head) & (rho < own.reach_mm),
        head,
        (np.abs(x) < 8.0) & (y > head_radius_mm - 5.0) & (y < head_radius_mm - 1.0),
        femur,
        rim,
        rim & (beside < own.corner_mm),
    )


def take_patch(
    picture: Radiograph, points_px: Floats, gain: float, name: str, settings: Settings = DEFAULTS
) -> Patch:
    """Lay a picture on the grid.

    Parameters
    ----------
    picture : Radiograph
    points_px : ndarray of shape (H, W, 2)
        The grid's nodes on this picture.
    gain : float
        Local contrast of this picture in units of the reference's.
    name : str
    settings : Settings
    """
    across = points_px[0, 1] - points_px[0, 0]
    sigma = 0.4 * float(np.hypot(*across))  # what falls between two nodes is averaged
    x, y = points_px[..., 0].astype(np.float32), points_px[..., 1].astype(np.float32)
    pad = 4 + math.ceil(3 * sigma)
    height, width = picture.attenuation.shape
    left = int(np.clip(np.floor(x.min()) - pad, 0, width - 2))
    right = int(np.clip(np.ceil(x.max()) + pad, left + 2, width))
    top = int(np.clip(np.floor(y.min()) - pad, 0, height - 2))
    bottom = int(np.clip(np.ceil(y.max()) + pad, top + 2, height))
    part = picture.attenuation[top:bottom, left:right]
    if sigma > 0.3:
        part = np.asarray(cv2.GaussianBlur(part, (0, 0), sigma), np.float32)
    x, y = x - left, y - top
    value = cv2.remap(part, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    seen = cv2.remap(
        picture.valid[top:bottom, left:right].astype(np.uint8), x, y, cv2.INTER_NEAREST
    )
    grow = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (5, 5))
    # Where hardly any light came through, noise and the window's end decide.
    seen = np.where(value < settings.thinned.densest, seen, 0).astype(np.uint8)
    free = cv2.erode(seen, grow, borderType=cv2.BORDER_CONSTANT, borderValue=1)
    return Patch(name, np.asarray(value / np.float32(gain), np.float32), free.astype(bool))


def attenuation_per_mm(
    picture: Radiograph,
    mark: Landmark,
    projection: Projection,
    settings: Settings = DEFAULTS,
) -> float | None:
    """Attenuation of the reference per mm of the generic pelvis's path, robustly; None if none.

    Parameters
    ----------
    picture : Radiograph
        The reference.
    mark : Landmark
    projection : Projection
        Of the generic pelvis on the reference.
    settings : Settings
    """
    own = settings.thinned
    x, y = np.meshgrid(projection.x_px, projection.y_px)
    points = np.stack([x, y], -1)
    seen = _look(picture.valid.astype(np.float32), points) > 0.95
    sigma = 0.4 * float(projection.x_px[1] - projection.x_px[0])
    value = _look(
        np.asarray(cv2.GaussianBlur(picture.attenuation, (0, 0), sigma), np.float32), points
    )
    offset = (points - np.asarray(mark.centre_px)) * mark.mm_per_px
    lateral, up = offset @ mark.lateral, offset @ mark.up
    usable = seen & (np.hypot(lateral, up) < own.calibrated_mm) & (projection.femur_mm < 0.5)
    usable &= (_look(mark.weight, points) > 0) & (value < own.densest)
    if usable.sum() < 2000:
        return None
    surface = _surface(lateral / 50.0, up / 50.0)
    design = np.column_stack([surface[usable], projection.thickness_mm[usable]])
    slope = float(_robust(design, value[usable].astype(float))[0][-1])
    return slope if slope > 0 else None


def same_place(before: Patch, now: Patch, frame: ThinFrame, settings: Settings = DEFAULTS) -> bool:
    """True when the thigh bone lies where it lay: no other traction, no other position.

    Parameters
    ----------
    before, now : Patch
    frame : ThinFrame
    settings : Settings
    """
    own = settings.thinned
    seen = before.seen & now.seen
    # The whole pelvis has been registered: under the roof nothing may open or close.
    still, roof = seen & frame.bone, seen & frame.roof
    if still.sum() < 500 or roof.sum() < 50:
        return False
    off = now.value - before.value
    contrast = float(np.ptp(np.percentile(before.value[still], (10, 90))))
    if abs(np.median(off[roof]) - np.median(off[still])) > own.roof_share * contrast:
        return False
    # Away from whatever is unseen: the smoothing would carry it in.
    away = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (9, 9))
    clear = cv2.erode(seen.astype(np.uint8), away, borderType=cv2.BORDER_CONSTANT, borderValue=1)
    region = clear.astype(bool) & frame.femur
    if region.sum() < 1000:
        return False
    shift, likeness = _shift(before.value, now.value, seen, region, frame.step_mm)
    return bool(np.hypot(*shift) <= own.largest_femur_mm and likeness >= own.least_likeness)


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


def _look(picture: Picture, points_px: Floats) -> Picture:
    x, y = points_px[..., 0].astype(np.float32), points_px[..., 1].astype(np.float32)
    return np.asarray(cv2.remap(picture, x, y, cv2.INTER_LINEAR), np.float32)


def _values(picture: Picture, points: Floats) -> Floats:
    """Values at points (N, 2): (N,)."""
    return np.asarray(_look(picture, points).ravel(), float)


def _smooth(array: Picture, sigma_nodes: float) -> Picture:
    return np.asarray(
        cv2.GaussianBlur(array, (0, 0), sigma_nodes, borderType=cv2.BORDER_REPLICATE), np.float32
    )


def _surface(x: Floats, y: Floats) -> Floats:
    """Terms of a surface of second order: (..., 6)."""
    return np.asarray(np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], -1), float)


def _robust(design: Floats, value: Floats) -> tuple[Floats, float]:
    """Least squares with weights 1/(1 + (r/2s)²)²: coefficients and s."""
    weight: Floats = np.ones(len(value))
    solution: Floats = np.zeros(design.shape[1])
    spread = 1.0
    for _ in range(6):
        weighted = design * (weight**2)[:, None]
        normal = weighted.T @ design + 1e-9 * np.eye(design.shape[1])
        solution = np.asarray(np.linalg.solve(normal, weighted.T @ value), float)
        residual = value - design @ solution
        spread = 1.4826 * float(np.median(np.abs(residual))) + 1e-9
        weight = np.asarray(1 / (1 + (residual / (2 * spread)) ** 2), float)
    return solution, spread


def _remapped(value: Picture, u: Picture, v: Picture, step_mm: float) -> Picture:
    """The picture at its nodes moved by shifts in mm (picture axes)."""
    height, width = value.shape
    per = np.float32(1 / step_mm)
    x = np.arange(width, dtype=np.float32)[None, :] + u * per
    y = np.arange(height, dtype=np.float32)[:, None] + v * per
    return np.asarray(
        cv2.remap(value, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), np.float32
    )


def _gradient(value: Picture, step_mm: float) -> tuple[Picture, Picture]:
    down, across = np.gradient(value, np.float32(step_mm))
    return np.asarray(across, np.float32), np.asarray(down, np.float32)


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
    base = _smooth(before, fine)
    gx, gy = _gradient(base, step)
    fit = frame.fit & seen
    # Gain and gamma: the picture itself and its powers.
    tone = (base - np.float32(base[fit].mean())) / np.float32(base[fit].std() + 1e-9)
    tone = np.clip(tone, -3, 3).astype(float)
    design = np.concatenate([frame.surface, np.stack([tone, tone**2, tone**3], -1)], -1)
    chosen = design[fit][::5]
    expected = own.shift_mm + own.shift_mm_per_deg * turn_deg
    independent = (own.shift_window_mm / own.smooth_mm) ** 2
    free = seen.astype(np.float32)
    u, v, difference = np.zeros_like(base), np.zeros_like(base), np.zeros_like(base)
    for turn in range(own.rounds):
        moved = _remapped(now, u, v, step) if turn else now
        difference = moved - before
        slow, _ = _robust(chosen, difference[fit][::5].astype(float))
        difference = difference - (design @ slow).astype(np.float32)
        if turn == own.rounds - 1:
            break
        soft = _smooth(difference, fine)
        spread = 1.4826 * float(np.median(np.abs(soft[fit][::5]))) + 1e-9
        weight = free / (1 + (soft / np.float32(3 * spread)) ** 2) ** 2
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
    kept = _smooth(np.where(seen, difference, 0).astype(np.float32), fine)
    return np.asarray(-kept / np.maximum(_smooth(free, fine), 0.3), np.float32)


def _windowed(array: Picture, own: ThinnedSettings) -> Picture:
    """Mean in the window of the smooth shifts, on the coarse grid."""
    height, width = array.shape
    size = width // _REDUCED, height // _REDUCED
    small = np.asarray(cv2.resize(array, size, None, 0, 0, cv2.INTER_AREA), np.float32)
    return _smooth(small, own.shift_window_mm / own.step_mm / _REDUCED)


def _shift(
    before: Picture, now: Picture, seen: Mask, region: Mask, step_mm: float
) -> tuple[Floats, float]:
    """How far a region's lines have moved, in mm of the picture, and how alike they are then."""
    free = seen.astype(np.float32)
    share = np.maximum(_smooth(free, 6.0 / step_mm), np.float32(0.05))
    shift, likeness = np.zeros(2), -1.0
    at: Floats = np.argwhere(region)[::3, ::-1].astype(float)
    for sigma, times in ((1.5, 3), (0.7, 3)):
        first, second = (
            np.asarray(
                _smooth(picture, sigma / step_mm) - _smooth(picture * free, 6.0 / step_mm) / share,
                np.float32,
            )
            for picture in (before, now)
        )
        gx, gy = _gradient(first, step_mm)
        target = _values(first, at)
        slopes = np.column_stack([_values(gx, at), _values(gy, at), np.ones(len(at))])
        for _ in range(times):
            solution, _ = _robust(slopes, _values(second, at + shift / step_mm) - target)
            shift = np.clip(shift - solution[:2], -15, 15)
        likeness = float(np.corrcoef(_values(second, at + shift / step_mm), target)[0, 1])
    return shift, likeness


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


__all__ = [
    "Ground",
    "Missed",
    "Patch",
    "ThinFrame",
    "attenuation_per_mm",
    "compare",
    "front_clock",
    "lay_ground",
    "no_comparison",
    "no_density",
    "same_place",
    "take_patch",
    "thin_frame",
]
