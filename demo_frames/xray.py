"""A C-arm picture of layered bones: cone beam, soft tissue, scatter, noise, display.

Nothing here knows about rims.  Everything is computed in the frame of a left hip; :class:`View`
shows a right hip as its mirror image.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, field

import cv2
import numpy as np
from bones import Layered
from numpy.typing import NDArray

from tracker.beampath import Placement, beam_axes, path_moments, place
from tracker.patches import Surface
from tracker.values import Side

Floats = NDArray[np.float64]
Picture = NDArray[np.float32]

CANCELLOUS = 0.35
"""Attenuation of cancellous bone in units of cortical bone."""

# Photons behind a patient at about 75 kV: share, and attenuation per mm of soft tissue, cortical
# bone and steel at 40, 50, 60 and 70 keV (tables of mass attenuation, rounded).
SPECTRUM = np.array(
    [
        [0.22, 0.0268, 0.1277, 2.86],
        [0.36, 0.0227, 0.0814, 1.54],
        [0.30, 0.0206, 0.0605, 0.95],
        [0.12, 0.0193, 0.0500, 0.66],
    ]
)


@dataclass(frozen=True)
class View:
    """Where the C-arm stands.

    Attributes
    ----------
    side : {"left", "right"}
    size_px : int
    mm_per_px : float
        At the depth of ``iso_mm``.
    iso_mm : ndarray of shape (3,)
        Point of the patient (left-hip frame) on the axis of the beam: the picture's centre.
    tilt_deg, oblique_deg : float
        Direction of the axis.
    turn_deg : float
        Direction of the patient's head on the picture, clockwise from up.
    source_mm : float
        From the tube to ``iso_mm``.
    """

    side: Side
    size_px: int
    mm_per_px: float
    iso_mm: Floats
    tilt_deg: float = 0.0
    oblique_deg: float = 0.0
    turn_deg: float = 0.0
    source_mm: float = 700.0

    def placement(
        self, spacing: float = 1.0, corner: tuple[float, float] = (0.0, 0.0)
    ) -> Placement:
        """Return the projection with ``corner`` as origin, in pixels of ``spacing``."""
        turn = math.radians(self.turn_deg)
        middle = 0.5 * (self.size_px - 1)
        return Placement(
            side=self.side,
            centre_px=((middle - corner[0]) / spacing, (middle - corner[1]) / spacing),
            up_px=(math.sin(turn), -math.cos(turn)),
            mm_per_px=self.mm_per_px * spacing,
            tilt_deg=self.tilt_deg,
            oblique_deg=self.oblique_deg,
            source_to_socket_mm=self.source_mm,
        )

    def project(self, points_mm: Floats) -> Floats:
        """Return the pixels (N, 2) of points (N, 3)."""
        pixels: Floats = place(np.atleast_2d(points_mm), self.iso_mm, self.placement())[:, :2]
        return pixels

    def beam_deg(self, socket_mm: Floats) -> tuple[float, float]:
        """Return tilt and oblique of the ray through the socket's centre."""
        # The axes are those of the real side; the bones' frame is that of a left hip.
        axis = beam_axes("left", self.tilt_deg, self.oblique_deg)[2]
        ray = self.iso_mm + self.source_mm * axis - socket_mm
        tilt = math.degrees(math.asin(ray[2] / float(np.linalg.norm(ray))))
        return tilt, math.degrees(math.atan2(-ray[0], ray[1]))

    def points(self, columns: Floats, rows: Floats, depth_mm: float) -> list[Floats]:
        """Return x, y, z of the points that pixels see on the plane at a depth from the iso-point.

        In the left-hip frame; the plane lies across the beam's axis.
        """
        middle = 0.5 * (self.size_px - 1)
        turn = math.radians(self.turn_deg)
        x, y = (columns - middle) * self.mm_per_px, (rows - middle) * self.mm_per_px
        up = x * math.sin(turn) - y * math.cos(turn)
        lateral = x * math.cos(turn) + y * math.sin(turn)
        if self.side == "right":
            lateral = -lateral
        shrink = 1.0 - depth_mm / self.source_mm
        right, head, tube = beam_axes("left", self.tilt_deg, self.oblique_deg)
        return [
            self.iso_mm[k] + shrink * (lateral * right[k] + up * head[k]) + depth_mm * tube[k]
            for k in range(3)
        ]

    def on_plane(self, depth_mm: float, origin_mm: Floats) -> tuple[Picture, Picture]:
        """Return lateral and headward distance (mm) from a point, as seen by each pixel."""
        columns, rows = np.meshgrid(np.arange(self.size_px), np.arange(self.size_px))
        x, _, z = self.points(columns, rows, depth_mm)
        return (x - origin_mm[0]).astype(np.float32), (z - origin_mm[2]).astype(np.float32)


def _pieces(surface: Surface, size: int = 60_000) -> Iterator[Surface]:
    for start in range(0, len(surface.triangles), size):
        yield Surface(surface.vertices_mm, surface.triangles[start : start + size].copy())


def path_mm(
    surface: Surface,
    view: View,
    shape: tuple[int, int] | None = None,
    *,
    spacing: float = 1.0,
    corner: tuple[float, float] = (0.0, 0.0),
) -> Floats:
    """Return the length of each pixel's ray inside a surface, mm."""
    shape = shape or (view.size_px, view.size_px)
    total = np.zeros(shape)
    for piece in _pieces(surface):
        # A piece is open: its sum has no meaning, the sum over all pieces is the path.
        total += path_moments(piece, view.iso_mm, view.placement(spacing, corner), shape, 1.0)[0]
    return total


def cortical_mm(
    bone: Layered,
    view: View,
    shape: tuple[int, int] | None = None,
    *,
    spacing: float = 1.0,
    corner: tuple[float, float] = (0.0, 0.0),
) -> tuple[Floats, Floats]:
    """Return the cortical-equivalent path and its cancellous part, both mm."""
    outer = path_mm(bone.outer, view, shape, spacing=spacing, corner=corner)
    inner = path_mm(bone.inner, view, shape, spacing=spacing, corner=corner)
    # Where the bone is thinner than two cortices the inset surface turns over: no marrow there.
    marrow = np.clip(inner, 0.0, outer)
    return outer - (1.0 - CANCELLOUS) * marrow, CANCELLOUS * marrow


# --- the patient's soft parts ----------------------------------------------------------------


@dataclass(frozen=True)
class Tissue:
    """Soft tissue of one patient, seen along the beam, as functions of (lateral, up) in mm.

    Attributes
    ----------
    depth_mm : float
        Of the body at the mid-line.
    skin_mm : float
        Lateral distance of the skin from the socket.
    tile : ndarray of shape (512, 512)
        Periodic noise, 0.5 mm a pixel, standard deviation 1, scales of 6 to 40 mm.
    grain : ndarray of shape (3, 512, 512)
        Periodic noise, 0.2 mm a pixel: trabeculae in three layers.
    gas : ndarray of shape (N, 5)
        Lateral, up, half-widths and depth (mm) of gas in the bowel.
    """

    depth_mm: float
    skin_mm: float
    tile: Picture
    grain: Picture
    gas: Floats


def _filtered(rng: np.random.Generator, low: float, high: float, stretch: float) -> Picture:
    """Return periodic noise (512, 512) between two scales in pixels, elongated obliquely."""
    fy, fx = np.meshgrid(np.fft.fftfreq(512), np.fft.fftfreq(512), indexing="ij")
    along, across = 0.6 * fx + 0.8 * fy, 0.8 * fx - 0.6 * fy
    frequency = np.hypot(along * stretch, across)
    band = np.exp(-((frequency * low) ** 2)) * (1.0 - np.exp(-((frequency * high) ** 2)))
    band = band / np.maximum(frequency, 1e-3) ** 0.5
    noise = np.fft.ifft2(np.fft.fft2(rng.standard_normal((512, 512))) * band).real
    tile: Picture = (noise / noise.std()).astype(np.float32)
    return tile


def make_tissue(rng: np.random.Generator) -> Tissue:
    """Draw a patient's soft parts."""
    blobs = int(rng.integers(3, 8))
    gas = np.column_stack(
        [
            rng.uniform(-115.0, -35.0, blobs),
            rng.uniform(0.0, 90.0, blobs),
            rng.uniform(6.0, 17.0, blobs),
            rng.uniform(6.0, 13.0, blobs),
            rng.uniform(8.0, 26.0, blobs),
        ]
    )
    grain = np.stack([_filtered(rng, 2.2, 12.0, stretch) for stretch in (3.0, 1.6, 4.0)])
    return Tissue(
        depth_mm=rng.uniform(175.0, 215.0),
        skin_mm=rng.uniform(88.0, 118.0),
        tile=_filtered(rng, 12.0, 80.0, 1.3),
        grain=grain,
        gas=gas,
    )


def _sample(tile: Picture, spacing_mm: float, lateral: Picture, up: Picture) -> Picture:
    scale = np.float32(1.0 / spacing_mm)
    columns, rows = np.mod(lateral * scale, 511.0), np.mod(up * scale, 511.0)
    sampled: Picture = cv2.remap(tile, columns, rows, cv2.INTER_LINEAR)
    return sampled


def tissue_mm(tissue: Tissue, view: View, socket_mm: Floats) -> Picture:
    """Return the soft tissue along each pixel's ray, mm."""
    lateral, up = view.on_plane(0.0, socket_mm)
    width = tissue.skin_mm + 75.0 + 8.0 * np.sin(up / 60.0) - 0.06 * up
    across = np.clip((lateral + 75.0) / width, -1.0, 1.0)
    depth = tissue.depth_mm * (1.0 - np.abs(across) ** 2.6) ** 0.6
    depth = depth + 2.2 * _sample(tissue.tile, 0.6, lateral, up) * np.minimum(depth / 60.0, 1.0)
    for x, y, a, b, deep in tissue.gas:
        wobble = 0.16 * _sample(tissue.tile, 0.9, lateral + np.float32(3.0 * x), up)
        inside = 1.0 - np.hypot((lateral - x) / a, (up - y) / b) + wobble
        depth = depth - deep / (1.0 + np.exp(-9.0 * inside))
    soft: Picture = np.maximum(depth, 0.0).astype(np.float32)
    return soft


def trabeculae(tissue: Tissue, view: View, origin_mm: Floats, layer: int) -> Picture:
    """Return a factor (mean 1) on the cancellous path: texture that moves with the bone."""
    total = np.zeros((view.size_px, view.size_px), dtype=np.float32)
    for k, depth in enumerate((-14.0, 0.0, 14.0)):
        lateral, up = view.on_plane(depth, origin_mm)
        total += _sample(tissue.grain[(k + layer) % 3], 0.2, lateral + 31.0 * layer, up + 17.0 * k)
    factor: Picture = 1.0 + 0.075 * total
    return factor


def crescent_mm(
    view: View, socket_mm: Floats, radius: float, head_shift_mm: Floats, head_radius: float
) -> Picture:
    """Return the gas that traction draws into the joint, along each ray (mm)."""
    lateral, up = view.on_plane(0.0, socket_mm)
    a = np.sqrt(np.clip(radius**2 - lateral**2 - up**2, 0.0, None))
    away = (lateral - head_shift_mm[0]) ** 2 + (up - head_shift_mm[2]) ** 2
    b = np.sqrt(np.clip(head_radius**2 - away, 0.0, None))
    overlap = np.minimum(a, head_shift_mm[1] + b) - np.maximum(-a, head_shift_mm[1] - b)
    gas = 2.0 * a - np.where(b > 0, np.clip(overlap, 0.0, None), 0.0)
    # Fluid stands in the lower half.
    gap: Picture = (gas / (1.0 + np.exp(-(up - 4.0) / 3.0))).astype(np.float32)
    return gap


# --- instruments -------------------------------------------------------------------------


@dataclass(frozen=True)
class Rod:
    """A round instrument in the plane of the hip: tip and direction in (lateral, up), mm."""

    tip_mm: tuple[float, float]
    towards: tuple[float, float]
    radius_mm: float
    wall_mm: float
    burr_mm: float = 0.0


def rods_mm(rods: tuple[Rod, ...], view: View, socket_mm: Floats) -> Picture:
    """Return the steel along each ray, mm."""
    lateral, up = view.on_plane(0.0, socket_mm)
    steel = np.zeros_like(lateral)
    for rod in rods:
        dx, dy = np.array(rod.towards) / math.hypot(*rod.towards)
        x, y = lateral - rod.tip_mm[0], up - rod.tip_mm[1]
        along, across = x * dx + y * dy, np.abs(x * dy - y * dx)
        start = 0.3 * across if rod.burr_mm == 0.0 else np.full_like(across, rod.burr_mm)
        shaft = along > start
        chord = np.sqrt(np.clip(rod.radius_mm**2 - across**2, 0.0, None))
        hollow = np.sqrt(np.clip((rod.radius_mm - rod.wall_mm) ** 2 - across**2, 0.0, None))
        steel += np.where(shaft, 2.0 * (chord - 0.8 * hollow), 0.0)
        if rod.burr_mm > 0.0:
            # An oval head on a thinner neck.
            oval = (along / rod.burr_mm - 0.9) ** 2 / 0.81 + (across / (0.5 * rod.burr_mm)) ** 2
            steel += rod.burr_mm * np.sqrt(np.clip(1.0 - oval, 0.0, None))
    steel_mm: Picture = steel.astype(np.float32)
    return steel_mm


# --- exposure and display ----------------------------------------------------------------


@dataclass(frozen=True)
class Exposure:
    """How one picture was exposed and shown.

    Attributes
    ----------
    quanta : float
        Detected photons a pixel at the mean of the field's middle.
    scatter : float
        Share of scattered photons there.
    blur_mm : float
        Focus and receptor, standard deviation at the hip.
    gamma, low, high : float
        Display: window ends as quantiles of the field, and gamma.
    sharpen : float
    bone_bright : bool
    field_radius : float
        Of the exposed disc in units of the picture's side.
    lines : tuple of str
        Burned-in text, top left and bottom left.
    """

    quanta: float = 2500.0
    scatter: float = 0.35
    blur_mm: float = 0.2
    gamma: float = 1.0
    low: float = 0.01
    high: float = 0.995
    sharpen: float = 0.3
    bone_bright: bool = True
    field_radius: float = 0.492
    lines: tuple[str, ...] = field(default=())


def _wide_blur(picture: Floats, sigma_px: float) -> Floats:
    """Blur widely at an eighth of the size."""
    small = cv2.resize(picture, None, fx=0.125, fy=0.125, interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), sigma_px / 8.0, borderType=cv2.BORDER_REFLECT)
    size = (picture.shape[1], picture.shape[0])
    wide: Floats = cv2.resize(small, size, interpolation=cv2.INTER_CUBIC)
    return wide


def expose(
    soft_mm: Picture,
    cortical: Floats,
    steel: Picture,
    mm_per_px: float,
    exposure: Exposure,
    rng: np.random.Generator,
) -> NDArray[np.uint8]:
    """Turn paths through the patient into a recorded picture, 8 bit."""
    size = soft_mm.shape[0]
    primary = np.zeros(soft_mm.shape)
    for share, soft_mu, bone_mu, steel_mu in SPECTRUM:
        primary += share * np.exp(
            -soft_mu * soft_mm - (bone_mu - soft_mu) * cortical - steel_mu * steel
        )
    primary = cv2.GaussianBlur(primary, (0, 0), exposure.blur_mm / mm_per_px)

    rows, columns = np.mgrid[:size, :size]
    distance = np.hypot(columns - 0.5 * (size - 1), rows - 0.5 * (size - 1))
    middle = distance < 0.25 * size
    # Thin parts of the body let the open beam through; the receptor saturates there.
    primary = np.minimum(primary / primary[middle].mean(), 12.0)
    glare = _wide_blur(primary, 18.0 / mm_per_px)
    ratio = exposure.scatter / (1.0 - exposure.scatter)
    total = (primary + ratio * (0.8 * glare + 0.2 * glare[middle].mean())) / (1.0 + ratio)
    counted = rng.poisson(total * exposure.quanta) / exposure.quanta
    counted = cv2.GaussianBlur(counted, (0, 0), 0.55)

    inside = distance <= exposure.field_radius * size
    value = -np.log(np.maximum(counted, 1e-3))
    value = value + exposure.sharpen * (value - cv2.GaussianBlur(value, (0, 0), 1.2 / mm_per_px))
    low, high = np.quantile(value[inside], [exposure.low, exposure.high])
    shown = np.clip((value - low) / (high - low), 0.0, 1.0) ** exposure.gamma
    if not exposure.bone_bright:
        shown = 1.0 - shown
    grey = 8.0 + 235.0 * shown
    # The disc's border is a pixel soft.
    grey = grey * np.clip(exposure.field_radius * size - distance + 0.5, 0.0, 1.0)
    picture = np.clip(np.rint(grey), 0, 255).astype(np.uint8)
    scale = size / 1024.0
    for k, line in enumerate(exposure.lines):
        place_at = (int(12 * scale), int(24 * scale) if k == 0 else size - int(14 * scale))
        cv2.putText(
            picture, line, place_at, cv2.FONT_HERSHEY_SIMPLEX, 0.5 * scale, 215, 1, cv2.LINE_AA
        )
    return picture
