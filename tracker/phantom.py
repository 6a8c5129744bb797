"""Small analytic pictures of a hip, and of a bead plate, with exact truth, for tests.

The angle of the rim's outline at any radius, the recession, and the area between two
outlines are formulas; the rest of the hip is there to be registered on, or to be in the way.
Grey values follow path lengths through soft tissue and bone (:mod:`tracker.phantom_body`).
"""

import hashlib
from dataclasses import dataclass
from typing import Final, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from tracker import phantom_body as body
from tracker.phantom_body import Rod, Scene, outline_deg
from tracker.values import Floats, Marks, Picture, Point, Still, frozen

__all__ = [
    "Plate",
    "Rod",
    "Scene",
    "SceneTruth",
    "bead_plate",
    "bend",
    "bent",
    "marks",
    "outline_deg",
    "render",
    "unbend",
]

_SOFT_PER_MM: Final = 0.013
_BONE_PER_MM: Final = 0.055
_METAL: Final = 3.0
_LEVEL: Final = 0.4
"""Intensity of soft tissue over the socket, of full scale: air beside the patient saturates."""


@dataclass(frozen=True, eq=False, slots=True)
class SceneTruth:
    """What is true of a rendered scene.

    Attributes
    ----------
    to_reference : ndarray of shape (2, 3)
        From this picture's pixels to those of the scene without motion.
    centre_px, up_px, edge_px, head_px, horizontal_px
        In this picture's pixels; the head where traction has put it.
    mm_per_px : float
        Of this picture.
    lcea_deg, recession_mm : float
        At radius ``radius_mm``.
    radii_mm, angle_deg : ndarray of shape (N,)
        The outline: theta at each radius.
    area_mm2 : float
        Between the outline before and after, more than 1.5 mm beyond the head's edge and
        within 25 mm of the socket.
    """

    to_reference: Floats
    centre_px: Point
    up_px: Point
    edge_px: Point
    head_px: Floats
    horizontal_px: Floats
    mm_per_px: float
    radius_mm: float
    lcea_deg: float
    recession_mm: float
    radii_mm: Floats
    angle_deg: Floats
    area_mm2: float

    def __post_init__(self) -> None:
        for array in (
            self.to_reference,
            self.head_px,
            self.horizontal_px,
            self.radii_mm,
            self.angle_deg,
        ):
            frozen(array)


def render(scene: Scene, seed: int = 0) -> tuple[Still, SceneTruth]:
    """Draw a scene; the same scene and seed give the same picture.

    Parameters
    ----------
    scene : Scene
    seed : int
        Of the noise.

    Returns
    -------
    still : Still
    truth : SceneTruth
    """
    view = body.View(scene)
    path = _SOFT_PER_MM * body.soft_tissue_mm(view) + _BONE_PER_MM * (
        body.pelvis_mm(view) + body.femur_mm(view)
    )
    path = np.asarray(
        cv2.GaussianBlur(path, (0, 0), max(0.5, scene.blur_mm / view.mm_per_px)), np.float32
    )
    path += np.float32(_METAL) * body.metal(view)
    middle = _SOFT_PER_MM * float(body.soft_depth_mm(np.zeros(1), np.zeros(1))[0])
    intensity = np.exp(np.float32(middle) - path) + np.float32(0.06)  # scatter
    rng = np.random.default_rng(seed)
    grain = rng.standard_normal(intensity.shape, dtype=np.float32)
    intensity += np.float32(scene.noise) * np.sqrt(intensity) * grain
    grey = scene.offset + scene.gain * np.maximum(_LEVEL * intensity, 0.0) ** scene.gamma
    if scene.bone_bright:
        grey = 1.0 - grey
    if scene.mirrored:
        grey = grey[:, ::-1]
    levels = _framed(np.clip(grey, 0.0, 1.0), scene)
    return _still(levels, f"phantom-{seed}.png"), _truth(scene, view)


def marks(truth: SceneTruth, u_px: float = 1.0) -> Marks:
    """Return the true places as marks, as if a person had clicked them without scatter."""
    return Marks(
        head_px=truth.head_px.copy(),
        rim_edge_px=truth.edge_px,
        horizontal_px=truth.horizontal_px.copy(),
        source="given",
        u_px=u_px,
        u_horizontal_deg=1.0,
    )


# --- the recorded picture, and its truth ----------------------------------------------------


def _framed(grey: Picture, scene: Scene) -> NDArray[np.uint8]:
    """Black outside the exposed disc, text in a corner that doesn't turn with the picture."""
    size = scene.size_px
    grey = np.ascontiguousarray(grey, np.float32)
    if scene.field == "disc":
        row = np.square(np.arange(size, dtype=np.float32) - np.float32((size - 1) / 2))
        grey[row[:, None] + row > (0.49 * size) ** 2] = 0.0
    levels = np.rint(grey * 255).astype(np.uint8)
    if scene.text:
        place, font = (size // 64, size // 24), cv2.FONT_HERSHEY_SIMPLEX
        cv2.putText(levels, scene.text, place, font, size / 1200, 215, 1, cv2.LINE_AA)
    return levels


def _still(levels: NDArray[np.uint8], name: str) -> Still:
    digest = hashlib.sha256(levels.tobytes()).hexdigest()
    return Still(name, levels.astype(np.float32) / np.float32(255), digest, 256)


def _truth(scene: Scene, view: body.View) -> SceneTruth:
    size = scene.size_px
    motion = np.vstack([view.reference_to_picture, [0.0, 0.0, 1.0]])
    to_reference = np.linalg.inv(motion)
    drawn = scene.traction_mm * np.array([0.3, -0.954])
    turn = np.radians(np.array([-70.0, -45.0, -20.0, 5.0, 30.0, 60.0, 85.0]))
    head = drawn + scene.head_radius_mm * np.column_stack([np.sin(turn), np.cos(turn)])
    radii = np.arange(scene.head_radius_mm + 1.5, scene.socket_radius_mm + 25.0, 0.05)
    angle = outline_deg(scene, radii)
    lcea = scene.lcea_deg - np.degrees(scene.recession_mm / scene.radius_mm)
    edge = scene.radius_mm * np.array([[np.sin(np.radians(lcea)), np.cos(np.radians(lcea))]])
    image_right = -1.0 if scene.side == "right" else 1.0
    across = 30.0 * np.array([[-image_right, 0.0], [image_right, 0.0]])
    centre, up, horizontal = view.origin, view.axes @ np.array([0.0, 1.0]), view.to_px(across)
    head_px, edge_px = view.to_px(head), view.to_px(edge)[0]
    if scene.mirrored:
        flip = np.array([[-1.0, 0.0, size - 1.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
        to_reference = to_reference @ flip
        centre, edge_px = _flipped(centre, size), _flipped(edge_px, size)
        head_px, horizontal = _flipped(head_px, size), _flipped(horizontal, size)[::-1].copy()
        up = up * np.array([-1.0, 1.0])
    up = up / np.hypot(*up)
    lost = np.radians(body.wall_deg(scene, radii) - angle)
    return SceneTruth(
        to_reference=to_reference[:2],
        centre_px=(float(centre[0]), float(centre[1])),
        up_px=(float(up[0]), float(up[1])),
        edge_px=(float(edge_px[0]), float(edge_px[1])),
        head_px=head_px,
        horizontal_px=horizontal,
        mm_per_px=view.mm_per_px,
        radius_mm=scene.radius_mm,
        lcea_deg=float(lcea),
        recession_mm=scene.recession_mm,
        radii_mm=radii,
        angle_deg=angle,
        area_mm2=float(np.trapezoid(lost * radii, radii)),
    )


def _flipped(points_px: Floats, size: int) -> Floats:
    return np.asarray(points_px * np.array([-1.0, 1.0]) + np.array([size - 1.0, 0.0]))


# --- the bead plate -------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Plate:
    """A bead plate on the receptor, and how the receptor bends its picture.

    Attributes
    ----------
    pincushion : float
        Share by which a point at the edge of the field is moved outwards; grows with the
        third power of the distance from the middle.
    swirl_deg : float
        Turn at the edge of the field; grows with the square of the distance.
    missing : float
        Share of beads that are not there.
    """

    size_px: int = 512
    spacing_px: float = 20.0
    bead_radius_px: float = 3.0
    lattice: Literal["square", "hexagonal"] = "square"
    turn_deg: float = 3.0
    shift_px: Point = (4.0, -3.0)
    bright: bool = False
    pincushion: float = 0.03
    swirl_deg: float = 2.0
    missing: float = 0.0
    noise: float = 0.02
    field: Literal["disc", "square"] = "disc"


def bend(points_px: Floats, plate: Plate) -> Floats:
    """Move undistorted points to where they are recorded; shape (N, 2), exact."""
    middle = (plate.size_px - 1) / 2
    z = (points_px[:, 0] - middle) + 1j * (points_px[:, 1] - middle)
    share = np.abs(z / (0.49 * plate.size_px)) ** 2
    z = z * (1 + plate.pincushion * share) * np.exp(1j * np.radians(plate.swirl_deg) * share)
    return np.column_stack([z.real + middle, z.imag + middle])


def unbend(points_px: Floats, plate: Plate) -> Floats:
    """Move recorded points back: the inverse of :func:`bend`, to 1e-6 px."""
    straight = points_px
    for _ in range(40):
        miss = points_px - bend(straight, plate)
        straight = straight + miss
        if float(np.abs(miss).max(initial=0.0)) < 1e-6:
            break
    return straight


def bent(still: Still, plate: Plate) -> Still:
    """Record an undistorted picture through the receptor of a plate."""
    size = plate.size_px
    source = unbend(_pixels(size), plate).reshape(size, size, 2).astype(np.float32)
    grey = cv2.remap(np.asarray(still.grey), source[..., 0], source[..., 1], cv2.INTER_CUBIC)
    return _still(np.rint(np.clip(grey, 0, 1) * 255).astype(np.uint8), still.name)


def bead_plate(plate: Plate, seed: int = 0) -> Still:
    """Draw a bead plate; the beads are spheres, the truth is :func:`bend`."""
    size = plate.size_px
    rng = np.random.default_rng(seed)
    middle = (size - 1) / 2
    turn = np.radians(plate.turn_deg)
    second = (0.0, 1.0) if plate.lattice == "square" else (0.5, np.sqrt(0.75))
    steps = plate.spacing_px * np.array([(1.0, 0.0), second])
    steps = steps @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    # Each pixel in steps of the grid, and the nearest beads' distances.
    straight = unbend(_pixels(size), plate) - middle - np.asarray(plate.shift_px)
    place = straight @ np.linalg.inv(steps)
    nearest = np.full(len(place), np.inf)
    reach = int(2 * size / plate.spacing_px)
    there = rng.random((2 * reach + 1, 2 * reach + 1)) >= plate.missing
    for corner in ((0, 0), (1, 0), (0, 1), (1, 1)):
        bead = np.floor(place).astype(np.int64) + np.array(corner)
        gap = np.hypot(*(straight - bead @ steps).T)
        kept = there[bead[:, 0] + reach, bead[:, 1] + reach]
        nearest = np.where(kept, np.minimum(nearest, gap), nearest)
    chord = np.sqrt(np.clip(1 - (nearest / plate.bead_radius_px) ** 2, 0, 1))
    radius = np.hypot(*(_pixels(size) - middle).T) / (0.49 * size)
    intensity = (0.85 - 0.25 * radius**2) * np.exp(-1.5 * chord)
    grey = cv2.GaussianBlur(intensity.reshape(size, size).astype(np.float32), (0, 0), 0.8)
    grey = grey + np.float32(plate.noise) * rng.standard_normal((size, size), dtype=np.float32)
    if plate.bright:
        grey = 1.0 - grey
    if plate.field == "disc":
        grey = np.where(radius.reshape(size, size) > 1.0, np.float32(0.0), grey)
    levels = np.rint(np.clip(grey, 0, 1) * 255).astype(np.uint8)
    return _still(levels, f"plate-{seed}.png")


def _pixels(size: int) -> Floats:
    """Every pixel's centre; shape (size * size, 2)."""
    x, y = np.meshgrid(np.arange(size, dtype=np.float64), np.arange(size, dtype=np.float64))
    return np.column_stack([x.ravel(), y.ravel()])
