"""What is in the beam of a phantom picture: soft tissue, pelvis, femur, metal.

The rim's outline is a formula in polar coordinates about the socket's centre and is drawn
from its signed distance; everything else is polygons with softened borders.

Patient frame: origin in the socket's centre, x towards the patient's side (lateral), y towards
the head, mm in the plane of the hip; theta is the angle from +y towards +x.
"""

from dataclasses import dataclass
from typing import Final, Literal

import cv2
import numpy as np
from scipy.interpolate import PchipInterpolator

from tracker.values import Floats, Picture, Point, Side

Points = tuple[tuple[float, float], ...]

_RIM_BAND_MM: Final = 12.0
"""Up to this far beyond R the outer wall lies in the plane of the socket's centre."""

# Control points in the patient frame, mm; the outlines are drawn smoothed.
# fmt: off
_MEDIAL: Final = (
    (-31, 90), (-30.6, 71), (-22.6, 59), (-20.6, 49.4), (-22.6, 39.8), (-29, 25.4), (-40, 11),
    (-51, -2), (-63, -10), (-73, -14), (-95, -17), (-95, -40), (-72, -58), (-50, -66),
    (-38, -64), (-22.6, -56), (-14.6, -45), (-10.6, -32), (-8.6, -19.4),
)
_FORAMEN: Final = (
    (-35.4, -16.2), (-49.8, -17), (-61, -25.8), (-63.4, -35.4), (-56.2, -41.8), (-45, -41),
    (-38.6, -35.4), (-35, -25.8),
)
_SACRUM: Final = (
    (-34, 71), (-45, 63), (-49, 52), (-60, 47), (-75, 40), (-130, 55), (-130, 110), (-36, 110),
)
_ILIOISCHIAL: Final = ((-21, 32), (-24, 22), (-26.6, 12.6), (-29, 3), (-30.6, -6.6), (-31, -22))
_TEARDROP: Final = ((-26.5, 6), (-27.5, -6), (-29.5, -13), (-32, -13.5), (-34, -8), (-34, 2))
_WALL_LINE: Final = ((31, 74), (24, 56.6), (18.5, 42), (14.5, 31), (9, 24))
_FEMUR: Final = (
    (20, 8), (22.5, -3), (27, -8), (33.4, -11.4), (36.6, -6), (42, -4.2), (50, -5.8),
    (56, -13), (59.4, -26), (59.4, -38.6), (56, -50), (48, -59.4), (41.4, -79), (41, -110),
    (4, -110), (6, -79), (0.6, -66), (0.2, -58), (4.6, -45), (3, -34), (-1.8, -24.2),
    (-9.8, -20), (-14, -8), (-6, 10), (8, 14),
)
# How far each control point lies nearer to the receptor than the socket's centre, mm: the back of
# the ilium and the ischium lie behind it, pubis and the front of the ilium before it.  Rounded
# places of a mean adult pelvis seen from the front.
_MEDIAL_DEPTH: Final = (
    -32, -27, -18, -11, -9, -8, -2, 15, 24, 26, 26, 20, 2, -18, -27, -33, -33, -30, -24,
)
_FORAMEN_DEPTH: Final = (-12, 20, 25, 19, -2, -20, -28, -25)
_ILIOISCHIAL_DEPTH: Final = (-9, -7, -6, -10, -13, -23)
_TEARDROP_DEPTH: Final = (-9, -11, -12, -13, -12, -10)
_WALL_LINE_DEPTH: Final = (31, 21, 15, 10, 6)
_SACRUM_DEPTH: Final = (-44,) * 8
_WALL: Final = (
    (-2.5, 46.4), (-1, 46.15), (0, 46), (0.5, 45.8), (1, 45.1), (1.5, 44.1), (2, 42.8), (3, 40),
    (4.5, 36), (7.3, 30), (9.8, 26.4), (21.3, 24), (36, 25.2), (56, 27), (95, 30),
)
# fmt: on
"""Outer wall: mm beyond R, and theta in degrees for an LCEA of 46°."""


@dataclass(frozen=True, slots=True)
class Rod:
    """A straight metal instrument: the ends of its axis in the patient frame, and its width."""

    tip_mm: Point
    tail_mm: Point
    width_mm: float = 5.5


@dataclass(frozen=True, slots=True)
class Scene:
    """What is in a picture, and how it was taken.

    Attributes
    ----------
    size_px : int
        The picture is square.
    mm_per_px : float
        In the plane of the hip, at ``zoom`` 1.
    lcea_deg : float
        Of the lateral bony edge before anything is removed.
    recession_mm : float
        Bone removed at the edge along the arc of radius R.
    traction_mm : float
        How far the femur is drawn off, mostly downwards.
    turn_deg, shift_px, zoom
        Motion of the picture against the reference: about its middle, the turn seen
        clockwise, then the shift.
    tilt_deg, oblique_deg : float
        Direction of the beam, as in the case folder; parts move by their depth.
    noise : float
        Standard deviation relative to the intensity in the socket's soft tissue.
    gain, offset, gamma : float
        Grey = offset + gain * intensity ** gamma, before polarity.
    bones : int
        Another number is another patient: control points moved by some mm.
    """

    size_px: int = 512
    mm_per_px: float = 0.33
    side: Side = "right"
    lcea_deg: float = 42.0
    recession_mm: float = 0.0
    head_radius_mm: float = 22.5
    joint_mm: float = 2.6
    lip_mm: float = 1.5
    traction_mm: float = 0.0
    turn_deg: float = 0.0
    shift_px: Point = (0.0, 0.0)
    zoom: float = 1.0
    mirrored: bool = False
    tilt_deg: float = 0.0
    oblique_deg: float = 0.0
    noise: float = 0.01
    blur_mm: float = 0.25
    gain: float = 1.0
    offset: float = 0.0
    gamma: float = 1.0
    bone_bright: bool = True
    field: Literal["disc", "square"] = "disc"
    rods: tuple[Rod, ...] = ()
    text: str = ""
    bones: int = 0

    @property
    def socket_radius_mm(self) -> float:
        """Radius of the roof's articular line."""
        return self.head_radius_mm + self.joint_mm

    @property
    def radius_mm(self) -> float:
        """R: from the socket's centre to the lateral corner of the roof."""
        return self.socket_radius_mm + self.lip_mm


def outline_deg(scene: Scene, radii_mm: Floats) -> Floats:
    """Return theta of the rim's outline at each radius, degrees; exact."""
    before = wall_deg(scene, radii_mm)
    if scene.recession_mm <= 0:
        return before
    cut = scene.lcea_deg - np.degrees(scene.recession_mm / scene.radius_mm)
    return np.asarray(np.minimum(before, cut))


# --- geometry --------------------------------------------------------------------------------


class View:
    """The patient frame on the pixels of one picture."""

    def __init__(self, scene: Scene) -> None:
        self.scene = scene
        size, sign = scene.size_px, -1.0 if scene.side == "right" else 1.0
        self.mm_per_px = scene.mm_per_px / scene.zoom
        middle = (size - 1) / 2
        reference = np.array([middle - sign * 0.035 * size, middle + 0.01 * size])
        turn = np.radians(scene.turn_deg)
        motion = scene.zoom * np.array(
            [[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]
        )
        offset = middle + np.asarray(scene.shift_px) - motion @ np.full(2, middle)
        self.reference_to_picture = np.column_stack([motion, offset])
        self.axes = motion @ np.array([[sign, 0.0], [0.0, -1.0]]) / scene.mm_per_px
        self.origin = motion @ reference + offset
        grid_x, grid_y = np.meshgrid(
            np.arange(size, dtype=np.float32), np.arange(size, dtype=np.float32)
        )
        back = np.linalg.inv(self.axes).astype(np.float32)
        dx, dy = grid_x - np.float32(self.origin[0]), grid_y - np.float32(self.origin[1])
        self.x, self.y = back[0, 0] * dx + back[0, 1] * dy, back[1, 0] * dx + back[1, 1] * dy

    def to_px(self, points_mm: Floats) -> Floats:
        """Patient frame -> this picture's pixels; shape (N, 2)."""
        return np.asarray(points_mm @ self.axes.T + self.origin)

    def moved(self, depth_mm: float | Floats) -> Floats:
        """How far parts at depths (mm towards the receptor) move, patient frame, mm: (..., 2)."""
        scene = self.scene
        angle = np.radians(np.array([-scene.oblique_deg, scene.tilt_deg]))
        return np.asarray(np.multiply.outer(depth_mm, np.tan(angle)), np.float64)

    def bones(self, points: Points, depths: tuple[float, ...], *, closed: bool) -> Floats:
        """Smoothed outline of this patient's bone, each control point moved by its depth."""
        depth = np.array(depths, np.float64)
        if self.scene.bones:
            # Other people's bones: deeper or flatter as a whole, and a few mm point by point.
            rng = np.random.default_rng([self.scene.bones, len(points), 1])
            depth = depth * rng.normal(1, 0.15) + rng.normal(0, 3.0)
            depth = depth + rng.normal(0, 2.5, depth.shape)
        return _smooth(_bones(points, self.scene) + self.moved(depth), closed=closed)

    def fill(self, points_mm: Floats) -> Picture:
        """Coverage of each pixel by a polygon."""
        size = self.scene.size_px
        canvas = np.zeros((2 * size, 2 * size), np.uint8)
        corners = np.rint((2 * self.to_px(points_mm) + 0.5) * 64).astype(np.int32)
        cv2.fillPoly(canvas, [corners], 255, cv2.LINE_8, 6)
        small = cv2.resize(canvas, (size, size), None, 0, 0, cv2.INTER_AREA)
        return small.astype(np.float32) / np.float32(255)

    def line(self, points_mm: Floats, width_mm: float) -> Picture:
        """Coverage of each pixel by a line of some width, its profile rounded."""
        size = self.scene.size_px
        canvas = np.zeros((2 * size, 2 * size), np.uint8)
        corners = np.rint((2 * self.to_px(points_mm) + 0.5) * 64).astype(np.int32)
        thick = max(1, round(2 * width_mm / self.mm_per_px))
        cv2.polylines(canvas, [corners], False, 255, thick, cv2.LINE_8, 6)
        small = cv2.resize(canvas, (size, size), None, 0, 0, cv2.INTER_AREA)
        return self.blur(small.astype(np.float32) / np.float32(255), 0.4 * width_mm)

    def blur(self, picture: Picture, sigma_mm: float) -> Picture:
        """Gaussian blur by a length in the patient."""
        return np.asarray(cv2.GaussianBlur(picture, (0, 0), sigma_mm / self.mm_per_px))


def wall_deg(scene: Scene, radii_mm: Floats) -> Floats:
    """Theta of the outer wall at each radius: about the LCEA up to R, then falling."""
    knots = np.array(_WALL)
    fade = np.exp(-np.maximum(knots[:, 0], 0) / 12.0)
    theta = knots[:, 1] + (scene.lcea_deg - 46.0) * fade
    curve = PchipInterpolator(knots[:, 0], theta)
    return np.asarray(curve(np.clip(radii_mm - scene.radius_mm, -2.5, 95.0)), np.float64)


def _smooth(points: Floats, *, closed: bool) -> Floats:
    """Cut the corners three times (Chaikin)."""
    for _ in range(3):
        after = np.roll(points, -1, axis=0) if closed else points[1:]
        before = points if closed else points[:-1]
        cut = np.stack([0.75 * before + 0.25 * after, 0.25 * before + 0.75 * after], axis=1)
        cut = cut.reshape(-1, 2)
        points = cut if closed else np.concatenate([points[:1], cut, points[-1:]])
    return points


def _bones(points: Points, scene: Scene) -> Floats:
    """Control points of this patient, scaled to the socket."""
    shape = np.array(points, np.float64)
    if scene.bones:
        rng = np.random.default_rng([scene.bones, len(points)])
        shape = shape * rng.normal(1, 0.1, 2) + rng.normal(0, 3.0, 2)
        shape = shape + rng.normal(0, 2.0, shape.shape)
    return shape * scene.socket_radius_mm / 25.0


# --- what is in the beam ------------------------------------------------------------------


def soft_depth_mm(x: Floats, y: Floats) -> Floats:
    """Soft tissue along the beam, mm: a thigh and trunk that end laterally."""
    across = (x + 110.0) / (210.0 + 0.1 * y)
    return np.asarray(190.0 * np.sqrt(np.clip(1.0 - across * across, 0.0, 1.0)))


def soft_tissue_mm(view: View) -> Picture:
    """Soft tissue along the beam at each pixel, mm."""
    return soft_depth_mm(view.x, view.y).astype(np.float32)


def pelvis_mm(view: View) -> Picture:
    """Bone of the pelvis along the beam, in mm of cortical bone."""
    scene = view.scene
    x, y = _ilium_frame(view)
    rho = np.hypot(x, y)
    theta = np.arctan2(x, y)
    half_px = 0.5 * view.mm_per_px  # a straight edge's share of a pixel
    # Signed distance from the outer wall and from the cut, positive in bone.
    table = np.arange(0.0, 200.0, 0.05)
    wall = np.radians(wall_deg(scene, table))
    cosine = 1.0 / np.hypot(1.0, table * np.gradient(wall, table))
    place = np.minimum(rho * np.float32(20.0), np.float32(len(table) - 2))
    low = place.astype(np.int32)
    part = place - low
    wall32, cos32 = wall.astype(np.float32), cosine.astype(np.float32)
    wall_at = wall32[low] + part * (wall32[low + 1] - wall32[low])
    depth = rho * (wall_at - theta) * cos32[low]
    # Over the head the silhouette is the wall's line, a side of the polygon.
    over_head = rho < np.float32(scene.head_radius_mm + 0.5)
    depth = np.where(over_head, np.float32(10.0), depth)
    step = _ramp(depth, half_px)
    deep = np.maximum(depth, 0)
    above = _ramp(rho - np.float32(scene.socket_radius_mm), half_px)
    # A lip starts with some 2 mm of bone and thickens like a wedge, then the ilium begins.
    wedge = 2.0 + 2.5 * (1 - np.exp(-deep / np.float32(1.8)))
    lateral = wedge + 8.0 * above * _ramp(deep - 6.0, 3.0)
    # Dense articular roof, ending medial of the edge.
    end = np.float32(np.radians(scene.lcea_deg - 9.0))
    band = np.exp(-np.square((rho - np.float32(scene.socket_radius_mm + 1.1)) / 1.2))
    roof = 5.0 * above * band * _ramp(end - theta, 0.09) * _ramp(theta + 1.3, 0.3)
    body = _body(view)
    mottle = 0.6 * np.sin(x / 7.0) * np.sin(y / 9.0 + 0.5)  # of cancellous bone
    bone = lateral + roof + mottle * _ramp(deep - 4.0, 2.0)
    if scene.recession_mm > 0:
        # A burr's cut tapers as well; further in, bone stays as it was.
        cut = np.float32(np.radians(scene.lcea_deg) - scene.recession_mm / scene.radius_mm)
        left = np.where(over_head, np.float32(99.0), rho * (cut - theta))
        step = np.minimum(step, _ramp(left, half_px))
        into = np.maximum(left, 0)
        bone = np.minimum(bone, 2.0 + 1.3 * into + 0.15 * into * into)
    thick = step * body * bone
    rounded = view.blur(body, 0.8)
    thick += 7.0 * body * (1 - rounded) * (depth > 4.0)  # cortex seen along its surface
    thick += 8.0 * view.line(view.bones(_ILIOISCHIAL, _ILIOISCHIAL_DEPTH, closed=False), 1.6)
    thick += 6.0 * view.line(view.bones(_TEARDROP, _TEARDROP_DEPTH, closed=False), 1.3)
    thick += 6.0 * view.line(view.bones(_WALL_LINE, _WALL_LINE_DEPTH, closed=False), 1.4) * step
    sacrum = view.fill(view.bones(_SACRUM, _SACRUM_DEPTH, closed=True))
    return np.asarray(thick + 4.0 * view.blur(sacrum, 1.0), np.float32)


def _ilium_frame(view: View) -> tuple[Picture, Picture]:
    """Patient coordinates, with the ilium above the rim seen where the beam throws it.

    The rim itself lies in the plane of the socket's centre; above it the outer wall runs
    forwards, as its line does.
    """
    beyond = np.hypot(view.x, view.y) - np.float32(view.scene.radius_mm + _RIM_BAND_MM)
    forward = np.float32(0.55) * np.clip(beyond, 0, 60) * (view.y > 0)
    shift_x, shift_y = (float(part) for part in view.moved(1.0))
    x = view.x - forward * np.float32(shift_x)
    y = view.y - forward * np.float32(shift_y)
    return np.asarray(x, np.float32), np.asarray(y, np.float32)


def _body(view: View) -> Picture:
    """Coverage by the hip bone without its lateral border, which the outline's formula cuts."""
    scene = view.scene
    inner = scene.head_radius_mm + 0.5
    angle = np.radians(float(outline_deg(scene, np.array([inner]))[0]))
    start = inner * np.array([np.sin(angle), np.cos(angle)])
    far = 160.0 * np.array([np.sin(angle + 0.15), np.cos(angle + 0.15)])
    border = view.bones(_MEDIAL, _MEDIAL_DEPTH, closed=False)
    body = view.fill(np.concatenate([[(160.0, 160.0), (-31.0, 160.0)], border, [start, far]]))
    hole = view.fill(view.bones(_FORAMEN, _FORAMEN_DEPTH, closed=True))
    return np.asarray(body * (1 - hole))


def femur_mm(view: View) -> Picture:
    """Bone of the femur along the beam, in mm of cortical bone."""
    scene = view.scene
    drawn = scene.traction_mm * np.array([0.3, -0.954])
    gap = np.hypot(view.x - np.float32(drawn[0]), view.y - np.float32(drawn[1]))
    inside = np.clip(1 - np.square(gap / np.float32(scene.head_radius_mm)), 0, 1)
    edge = _ramp(np.float32(scene.head_radius_mm) - gap, 0.5 * view.mm_per_px)
    head = edge * (1.0 + 7.0 * np.sqrt(inside))
    shape = _bones(_FEMUR, scene) + drawn
    shaft = view.fill(_smooth(shape, closed=True))
    rounded = view.blur(shaft, 3.0)
    shaft = shaft * (1.0 + 6.0 * rounded + 6.0 * (1 - view.blur(shaft, 0.8)))
    return np.asarray(np.maximum(head, shaft), np.float32)


def metal(view: View) -> Picture:
    """Metal along the beam, as a share of the greatest rod's thickness."""
    total = np.zeros_like(view.x)
    for rod in view.scene.rods:
        tip, tail = np.asarray(rod.tip_mm), np.asarray(rod.tail_mm)
        along = (tail - tip) / np.hypot(*(tail - tip))
        t = (view.x - tip[0]) * along[0] + (view.y - tip[1]) * along[1]
        t = np.clip(t, 0, float(np.hypot(*(tail - tip))))
        gap = np.hypot(view.x - tip[0] - t * along[0], view.y - tip[1] - t * along[1])
        chord = np.sqrt(np.clip(1 - np.square(2 * gap / rod.width_mm), 0, 1))
        total = np.maximum(total, np.asarray(chord * (rod.width_mm / 5.5), np.float32))
    return np.asarray(total, np.float32)


def _ramp(distance: Picture | Floats, half_width: float) -> Picture:
    """0 to 1 across ± half_width: the share of a pixel behind a straight edge."""
    return np.asarray(np.clip(0.5 + distance / (2 * half_width), 0, 1), np.float32)
