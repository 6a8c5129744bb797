"""The grid on which thinned bone is looked for, and a picture laid on it.

A grid about the socket's centre in the patient's frame, small enough to be kept for a whole case;
a picture's attenuation on it in units of the reference; the attenuation of a mm of bone; and
whether the thigh bone lies on two pictures where it lay, without which nothing can be compared.
"""

import math
from dataclasses import dataclass

import cv2
import numpy as np

from tracker.beampath import Projection
from tracker.settings import DEFAULTS, Settings
from tracker.values import Floats, Landmark, Mask, Picture, Radiograph, frozen


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
    surface : ndarray of shape (H, W, 6), float32
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
    surface: Picture
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
    weight, depth = look(mark.weight, points), look(mark.depth_mm, points)
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
        surface(x / 50.0, y / 50.0).astype(np.float32),
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
    seen = look(picture.valid.astype(np.float32), points) > 0.95
    sigma = 0.4 * float(projection.x_px[1] - projection.x_px[0])
    value = look(
        np.asarray(cv2.GaussianBlur(picture.attenuation, (0, 0), sigma), np.float32), points
    )
    offset = (points - np.asarray(mark.centre_px)) * mark.mm_per_px
    lateral, up = offset @ mark.lateral, offset @ mark.up
    usable = seen & (np.hypot(lateral, up) < own.calibrated_mm) & (projection.femur_mm < 0.5)
    usable &= (look(mark.weight, points) > 0) & (value < own.densest)
    if usable.sum() < 2000:
        return None
    slow = surface(lateral / 50.0, up / 50.0)
    design = np.column_stack([slow[usable], projection.thickness_mm[usable]])
    slope = float(robust(design, value[usable].astype(float))[0][-1])
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


# --- arithmetic on the grid ---------------------------------------------------------------------


def look(picture: Picture, points_px: Floats) -> Picture:
    """Values at points (..., 2), bilinear; 0 outside."""
    x, y = points_px[..., 0].astype(np.float32), points_px[..., 1].astype(np.float32)
    return np.asarray(cv2.remap(picture, x, y, cv2.INTER_LINEAR), np.float32)


def smooth(array: Picture, sigma_nodes: float) -> Picture:
    """Gaussian mean; the border's value goes on outside."""
    return np.asarray(
        cv2.GaussianBlur(array, (0, 0), sigma_nodes, borderType=cv2.BORDER_REPLICATE), np.float32
    )


def surface(x: Floats, y: Floats) -> Floats:
    """Terms of a surface of second order: (..., 6)."""
    return np.asarray(np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], -1), float)


def robust(design: Floats, value: Floats, rounds: int = 6) -> tuple[Floats, float]:
    """Least squares with weights 1/(1 + (r/2s)²)²: coefficients and s."""
    weight: Floats = np.ones(len(value))
    solution: Floats = np.zeros(design.shape[1])
    spread = 1.0
    for _ in range(rounds):
        weighted = design * (weight**2)[:, None]
        normal = weighted.T @ design + 1e-9 * np.eye(design.shape[1])
        solution = np.asarray(np.linalg.solve(normal, weighted.T @ value), float)
        residual = value - design @ solution
        spread = 1.4826 * float(np.median(np.abs(residual))) + 1e-9
        weight = np.asarray(1 / (1 + (residual / (2 * spread)) ** 2), float)
    return solution, spread


def remapped(value: Picture, u: Picture, v: Picture, step_mm: float) -> Picture:
    """The picture at its nodes moved by shifts in mm (picture axes)."""
    height, width = value.shape
    per = np.float32(1 / step_mm)
    x = np.arange(width, dtype=np.float32)[None, :] + u * per
    y = np.arange(height, dtype=np.float32)[:, None] + v * per
    return np.asarray(
        cv2.remap(value, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), np.float32
    )


def gradient(value: Picture, step_mm: float) -> tuple[Picture, Picture]:
    """Slope across and down the picture, per mm."""
    down, across = np.gradient(value, np.float32(step_mm))
    return np.asarray(across, np.float32), np.asarray(down, np.float32)


def _values(picture: Picture, points: Floats) -> Floats:
    """Values at points (N, 2): (N,)."""
    return np.asarray(look(picture, points).ravel(), float)


def _shift(
    before: Picture, now: Picture, seen: Mask, region: Mask, step_mm: float
) -> tuple[Floats, float]:
    """How far a region's lines have moved, in mm of the picture, and how alike they are then."""
    free = seen.astype(np.float32)
    share = np.maximum(smooth(free, 6.0 / step_mm), np.float32(0.05))
    shift, likeness = np.zeros(2), -1.0
    at: Floats = np.argwhere(region)[::5, ::-1].astype(float)
    for sigma, times in ((1.5, 3), (0.7, 3)):
        first, second = (
            np.asarray(
                smooth(picture, sigma / step_mm) - smooth(picture * free, 6.0 / step_mm) / share,
                np.float32,
            )
            for picture in (before, now)
        )
        gx, gy = gradient(first, step_mm)
        target = _values(first, at)
        slopes = np.column_stack([_values(gx, at), _values(gy, at), np.ones(len(at))])
        for _ in range(times):
            solution, _ = robust(slopes, _values(second, at + shift / step_mm) - target, 3)
            shift = np.clip(shift - solution[:2], -15, 15)
        likeness = float(np.corrcoef(_values(second, at + shift / step_mm), target)[0, 1])
    return shift, likeness
