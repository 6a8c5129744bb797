"""The vocabulary: every value that rooms exchange, and nothing that computes.

Conventions
-----------
Points are (x, y) = (column, row) in pixels; the centre of the top-left pixel is (0, 0).
Angles leave the house in degrees, lengths in mm (plane of the hip), areas in mm².
Removed bone is positive. ``u`` is a standard uncertainty (k = 1).
"""

import math
from dataclasses import dataclass, field
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from tracker.findings import REMEDIES as REMEDIES
from tracker.findings import SENTENCES as SENTENCES
from tracker.findings import NotMeasurable as NotMeasurable
from tracker.findings import Reason as Reason

Floats = NDArray[np.float64]
Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]
Point = tuple[float, float]

Side = Literal["left", "right"]
View = Literal["AP", "false-profile", "oblique"]
ScaleRung = Literal["mm_per_px", "object_diameter_mm", "head_diameter_mm"]
MarksSource = Literal["given", "proposed"]
VerdictWord = Literal["measured", "refused"]
SpacingKind = Literal["none", "uncalibrated", "unstated", "geometry", "fiducial"]


def frozen(array: NDArray[np.generic]) -> None:
    """Make an array read-only in place; values never change once made."""
    array.setflags(write=False)


# --- numbers ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Quantity:
    """A measured number: estimate, standard uncertainty (k = 1), unit."""

    value: float
    u: float
    unit: str

    def __post_init__(self) -> None:
        if not math.isfinite(self.value):
            raise ValueError(f"a quantity's value must be finite, not {self.value}")
        if not (math.isfinite(self.u) and self.u > 0):
            raise ValueError(f"a quantity's u must be finite and > 0, not {self.u}")

    @property
    def low(self) -> float:
        """Lower end of the interval value - 2u."""
        return self.value - 2 * self.u

    @property
    def high(self) -> float:
        """Upper end of the interval value + 2u."""
        return self.value + 2 * self.u


@dataclass(frozen=True, slots=True)
class BudgetRow:
    """One row of a GUM budget: a source, its u in its own unit, and the sensitivity.

    The row's share of the result's u is ``abs(sensitivity) * u``.
    """

    source: str
    u: float
    unit: str
    sensitivity: float
    note: str = ""

    @property
    def contribution(self) -> float:
        """Contribution to the result's standard uncertainty, in the result's unit."""
        return abs(self.sensitivity) * self.u


@dataclass(frozen=True, slots=True)
class Budget:
    """The rows behind one quantity; they are uncorrelated by construction."""

    result: str
    unit: str
    rows: tuple[BudgetRow, ...]


# --- what is known about a case -----------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Scale:
    """What is known about the scale; at least one rung is given."""

    mm_per_px: float | None = None
    object_diameter_mm: float | None = None
    object_px: tuple[Point, Point] | None = None
    object_file: str | None = None
    head_diameter_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Plan:
    """What is to be reached and what must not be passed (lateral bony edge).

    Without a lower limit nothing is said of the angle: in a view that has no LCEA, and where the
    first picture was taken under traction.
    """

    floor_lcea_deg: float | None
    target_lcea_deg: float | None = None
    depth_mm: float | None = None
    max_depth_mm: float | None = None
    clock: tuple[str, str] | None = None


@dataclass(frozen=True, eq=False, slots=True)
class Marks:
    """Marks on the reference picture, in pixels as recorded.

    Attributes
    ----------
    head_px : ndarray of shape (N, 2), N >= 3
        Points on the femoral head's outline, no traction.
    rim_edge_px : tuple of float
        Lateral corner of the bony roof.
    horizontal_px : ndarray of shape (2, 2)
        The pelvis's transverse axis, from image left to image right.
    source : {"given", "proposed"}
    u_px : float
        Standard uncertainty of each coordinate, in pixels.
    u_horizontal_deg : float
        Standard uncertainty of the transverse axis's direction, in degrees.
    """

    head_px: Floats
    rim_edge_px: Point
    horizontal_px: Floats
    source: MarksSource
    u_px: float
    u_horizontal_deg: float

    def __post_init__(self) -> None:
        if self.head_px.ndim != 2 or self.head_px.shape[1] != 2 or len(self.head_px) < 3:
            raise ValueError("head marks must have shape (N >= 3, 2)")
        if self.horizontal_px.shape != (2, 2):
            raise ValueError("horizontal marks must have shape (2, 2)")
        if not (np.isfinite(self.head_px).all() and np.isfinite(self.horizontal_px).all()):
            raise ValueError("marks must be finite")
        frozen(self.head_px)
        frozen(self.horizontal_px)


@dataclass(frozen=True, eq=False, slots=True)
class Circle:
    """A circle fitted in a picture.

    Attributes
    ----------
    centre_px : tuple of float
    radius_px : float
    covariance_px2 : ndarray of shape (3, 3)
        Covariance of centre x, centre y and radius, in pixels squared.
    """

    centre_px: Point
    radius_px: float
    covariance_px2: Floats

    def __post_init__(self) -> None:
        if self.covariance_px2.shape != (3, 3) or not np.isfinite(self.covariance_px2).all():
            raise ValueError("a circle's covariance is finite and has shape (3, 3)")
        if not (math.isfinite(self.radius_px) and self.radius_px > 0):
            raise ValueError(f"a circle's radius must be finite and > 0, not {self.radius_px}")
        frozen(self.covariance_px2)

    @property
    def u_radius_px(self) -> float:
        """Standard uncertainty of the radius, pixels."""
        return math.sqrt(max(float(self.covariance_px2[2, 2]), 0.0))

    @property
    def u_centre_px(self) -> float:
        """Standard uncertainty of the centre along its worst direction, pixels."""
        return math.sqrt(max(float(np.linalg.eigvalsh(self.covariance_px2[:2, :2])[-1]), 0.0))


@dataclass(frozen=True, eq=False, slots=True)
class Socket:
    """What the marks say about the hip on the reference: frame, centre, edge, angle.

    Attributes
    ----------
    side : {"left", "right"}
    head : Circle
        The femoral head's outline; without traction its centre is the socket's.
    rim_edge_px : tuple of float
        Lateral corner of the bony roof.
    edge_radius_px : float
        R, the distance of the edge from the centre.
    up_px : tuple of float
        Unit vector towards the patient's head, perpendicular to the transverse axis.
    lateral_px : tuple of float
        Unit vector away from the mid-line.
    u_up_deg : float
        Standard uncertainty of the direction of ``up_px``.
    u_edge_px : float
        Standard uncertainty of each coordinate of ``rim_edge_px``.
    lcea_deg : Quantity
        Lateral centre-edge angle, lateral bony edge.
    budget : Budget
        The rows behind ``lcea_deg``.
    source : {"given", "proposed"}
        Where the marks come from.
    """

    side: Side
    head: Circle
    rim_edge_px: Point
    edge_radius_px: float
    up_px: Point
    lateral_px: Point
    u_up_deg: float
    u_edge_px: float
    lcea_deg: Quantity
    budget: Budget
    source: MarksSource


@dataclass(frozen=True, slots=True)
class BeadPlate:
    """The bead-plate pictures that come with the case: one, or one for each C-arm position."""

    file: str
    bead_spacing_mm: float
    more: tuple[str, ...] = ()

    @property
    def files(self) -> tuple[str, ...]:
        """Names of all of them."""
        return (self.file, *self.more)


@dataclass(frozen=True, slots=True)
class Carried:
    """What was removed before a new first picture was taken in mid-case.

    Attributes
    ----------
    removed_mm : Quantity
        Running total on the last measured picture, and what was carried to it.
    whole : bool
        Nothing was burred between that picture and the new first one; else it is a least.
    number : int
        The last measured picture.
    """

    removed_mm: Quantity
    whole: bool
    number: int


@dataclass(frozen=True, slots=True)
class CaseSetup:
    """Everything that is known about a case before its pictures are looked at."""

    id: str
    side: Side
    view: View
    scale: Scale
    plan: Plan
    marks: Marks | None = None
    plate: BeadPlate | None = None
    carried: Carried | None = None


# --- pictures ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class HeaderFacts:
    """What a picture's own header knows; None or empty where it says nothing.

    It is shown and compared with the picture, never believed over it.

    Attributes
    ----------
    modality : str
        "XA", "RF", "CR", "DX" or "SC".
    side : {"left", "right"} or None
        The patient's side, where the header names exactly one.
    receptor_spacing_mm : float or None
        Distance of two pixels on the receptor: larger than at the hip by the magnification.
    pixel_spacing_mm : float or None
        What the header calls pixel spacing, whatever that is worth.
    spacing_kind : {"none", "uncalibrated", "unstated", "geometry", "fiducial"}
        What ``pixel_spacing_mm`` refers to: "uncalibrated" repeats the receptor's, "unstated"
        differs from it without saying why, "geometry" holds at an assumed depth, "fiducial" at
        the depth of an object of known size.
    source_to_detector_mm, source_to_patient_mm : float or None
    primary_deg, secondary_deg : float or None
        Positioner angles as DICOM defines them: where the *receptor* stands; the patient's left
        and cranial are positive.
    field_mm : tuple of float
        Diameter, or height and width, of the field of view at the receptor.
    field_round : bool or None
    flipped : bool or None
        Flipped left to right by the operator.
    field_turn_deg : float or None
        Turned by the operator.
    row_towards, column_towards : str
        Letters of the patient's direction to which rows and columns run, such as "L" and "F".
    acquired : str or None
        By the C-arm's clock: date and time in ISO 8601, without a time zone.
    dose_area_dgycm2 : float or None
        Dose-area product, dGy cm².
    entrance_dose_mgy : float or None
    kv : float or None
    patient_key, study_key, instance_key : str
        Hashes for telling whether two pictures are of one patient, one study, one instance.
    burned_in : bool or None
        The header's word on text burned into the picture; None is no "no".
    frame, frames : int
        Which frame of how many, counted from 0.
    averaged : int
        The picture is the mean of so many frames that end with this one.
    series_number, instance_number : int or None
        The C-arm's own count of its pictures.
    """

    modality: str
    side: Side | None = None
    receptor_spacing_mm: float | None = None
    pixel_spacing_mm: float | None = None
    spacing_kind: SpacingKind = "none"
    source_to_detector_mm: float | None = None
    source_to_patient_mm: float | None = None
    primary_deg: float | None = None
    secondary_deg: float | None = None
    field_mm: tuple[float, ...] = ()
    field_round: bool | None = None
    flipped: bool | None = None
    field_turn_deg: float | None = None
    row_towards: str = ""
    column_towards: str = ""
    acquired: str | None = None
    dose_area_dgycm2: float | None = None
    entrance_dose_mgy: float | None = None
    kv: float | None = None
    patient_key: str = ""
    study_key: str = ""
    instance_key: str = ""
    burned_in: bool | None = None
    frame: int = 0
    frames: int = 1
    averaged: int = 1
    series_number: int | None = None
    instance_number: int | None = None

    @property
    def hip_spacing_mm(self) -> float | None:
        """Spacing at the depth of an object of known size; the receptor's is never taken."""
        return self.pixel_spacing_mm if self.spacing_kind == "fiducial" else None


@dataclass(frozen=True, slots=True)
class Who:
    """Keyed hashes of whom and what examination a picture names; empty where it does not."""

    patient: str = ""
    name: str = ""
    study: str = ""


@dataclass(frozen=True, eq=False, slots=True)
class Still:
    """One C-arm picture as recorded.

    Attributes
    ----------
    name : str
        File name, for messages and results.
    grey : ndarray of shape (M, N), float32
        Recorded grey values scaled to 0 … 1; polarity as recorded.
    sha256 : str
        Hash of the file's bytes (of the pixels where there was no file).
    levels : int
        Number of grey levels of the recording (256, 65536).
    facts : HeaderFacts or None
        What the file's header knows; None where the kind of file has no such header.
    camera : bool
        The file says that a lens took it.
    stretched : tuple of float
        By how much columns and rows were multiplied, as the file's pixels are not square.
    """

    name: str
    grey: Picture
    sha256: str
    levels: int = 256
    facts: HeaderFacts | None = None
    camera: bool = False
    stretched: tuple[float, float] = (1.0, 1.0)

    def __post_init__(self) -> None:
        if self.grey.ndim != 2 or self.grey.dtype != np.float32:
            raise ValueError("a still is a float32 array of shape (M, N)")
        frozen(self.grey)


@dataclass(frozen=True, eq=False, slots=True)
class ExposedField:
    """Where the picture was exposed: a disc or a rectangle.

    Attributes
    ----------
    valid : ndarray of shape (M, N), bool
        True where the picture shows anatomy: exposed, and neither text nor drawn graphics.
    shape : {"disc", "rectangle"}
    centre_px : tuple of float
    radius_px : float
        Of the disc, or half the diagonal of the rectangle.
    """

    valid: Mask
    shape: Literal["disc", "rectangle"]
    centre_px: Point
    radius_px: float

    def __post_init__(self) -> None:
        frozen(self.valid)


@dataclass(frozen=True, eq=False, slots=True)
class Radiograph:
    """A still made comparable: polarity and brightness taken out.

    Attributes
    ----------
    attenuation : ndarray of shape (M, N), float32
        Rises with the attenuation along the beam; log intensity up to gain, offset and gamma.
    valid : ndarray of shape (M, N), bool
        Usable: exposed, no text, no metal.
    metal : ndarray of shape (M, N), bool
    field : ExposedField
    bone_bright : bool
        Polarity as recorded.
    noise_std : float
        Standard deviation of the pixel noise in units of ``attenuation``.
    """

    attenuation: Picture
    valid: Mask
    metal: Mask
    field: ExposedField
    bone_bright: bool
    noise_std: float

    def __post_init__(self) -> None:
        for array in (self.attenuation, self.valid, self.metal):
            frozen(array)


# --- registration ---------------------------------------------------------------------------


@dataclass(frozen=True, eq=False, slots=True)
class Landmark:
    """What registration must know of the reference.

    Attributes
    ----------
    centre_px : tuple of float
        Socket's centre.
    up : ndarray of shape (2,)
        Unit vector towards the head of the patient, in the picture.
    lateral : ndarray of shape (2,)
        Unit vector away from the mid-line.
    edge_px : tuple of float
        Lateral corner of the roof.
    mm_per_px : float
    weight : ndarray of shape (M, N), float32
        0 … 1, how far a pixel shows pelvis and nothing that moves or is burred.
    depth_mm : ndarray of shape (M, N), float32
        Depth of the bone that makes the local contrast; towards the tube positive.
    steady : ndarray of shape (M, N), bool
        False where the femur may lie on any picture, and where bone is burred: such pixels must
        not even enter a neighbour's local mean.
    """

    centre_px: Point
    up: Floats
    lateral: Floats
    edge_px: Point
    mm_per_px: float
    weight: Picture
    depth_mm: Picture
    steady: Mask

    def depth_modes(self, points_px: Floats) -> Floats:
        """How this patient's depths may differ smoothly from the generic ones: (N, 2) -> (N, 5).

        Two slopes (the pelvis lies tilted or turned against the generic one) and three bends,
        each 1 at 50 mm from the centre.
        """
        offset = (points_px - np.asarray(self.centre_px)) * (self.mm_per_px / 50.0)
        x, y = offset @ self.lateral, offset @ self.up
        return np.column_stack([x, y, x * x, x * y, y * y])


@dataclass(frozen=True, eq=False, slots=True)
class Registration:
    """Where the reference's pelvis lies on a moving picture.

    Attributes
    ----------
    reference_to_moving : ndarray of shape (2, 3)
        Similarity for bone at the depth of the socket's centre.
    tilt_deg, oblique_deg : float
        Direction of the beam against the reference (sign as in the case-folder form).
    covariance : ndarray of shape (6, 6)
        Of (log zoom, turn in rad, shift x and y in mm of the reference, tilt and oblique in rad).
    modes_mm : ndarray of shape (K,)
        Smooth departures of this patient's depths from the generic ones, as the fit found them.
    modes_covariance : ndarray of shape (K, K)
        mm².
    score : float
        Weighted correlation of the normalised pictures, -1 … 1.
    gain : float
        Local contrast of the moving picture in units of the reference's (brightness, gamma).
    overlap : float
        Share of the reference's weight that is valid on the moving picture.
    local_mm : ndarray of shape (2,)
        What bone beside the rim still disagrees by, in mm along the reference's x and y.
    local_covariance : ndarray of shape (2, 2)
        Of ``local_mm``, mm².
    landmark : Landmark
    """

    reference_to_moving: Floats
    tilt_deg: float
    oblique_deg: float
    covariance: Floats
    modes_mm: Floats
    modes_covariance: Floats
    score: float
    gain: float
    overlap: float
    local_mm: Floats
    local_covariance: Floats
    landmark: Landmark

    def __post_init__(self) -> None:
        for array in (
            self.reference_to_moving,
            self.covariance,
            self.local_mm,
            self.local_covariance,
        ):
            frozen(array)

    @property
    def zoom(self) -> float:
        """Moving pixels per reference pixel."""
        return float(math.hypot(self.reference_to_moving[0, 0], self.reference_to_moving[1, 0]))

    @property
    def turn_deg(self) -> float:
        """Turn in the picture's plane, reference to moving, clockwise positive."""
        a = self.reference_to_moving
        return math.degrees(math.atan2(a[1, 0], a[0, 0]))

    def displacement_px(self, depth_mm: float | Floats) -> Floats:
        """Shift ``d`` of bone at a depth, in reference pixels: shape (2,) or (N, 2)."""
        mark = self.landmark
        direction = (
            math.radians(self.oblique_deg) * mark.lateral - math.radians(self.tilt_deg) * mark.up
        )
        shift: Floats = np.multiply.outer(np.asarray(depth_mm, float), direction)
        return shift / mark.mm_per_px

    def to_moving(self, points_px: Floats, depth_mm: float | Floats = 0.0) -> Floats:
        """Carry reference points of a given depth onto the moving picture: (N, 2) -> (N, 2)."""
        shifted = points_px + self.displacement_px(depth_mm)
        matrix = self.reference_to_moving
        result: Floats = shifted @ matrix[:, :2].T + matrix[:, 2]
        return result

    def rim_to_moving(self, points_px: Floats, depth_mm: float) -> Floats:
        """Carry reference points of the rim, with the local shift: (N, 2) -> (N, 2)."""
        depth = depth_mm + self.landmark.depth_modes(points_px) @ self.modes_mm
        return self.to_moving(points_px + self.local_mm / self.landmark.mm_per_px, depth)

    def rim_to_reference(self, depth_mm: float) -> Floats:
        """Affine (2, 3) from the moving picture to the reference for bone of the rim."""
        inverse = np.linalg.inv(self.reference_to_moving[:, :2])
        edge = np.asarray([self.landmark.edge_px])
        depth_mm = depth_mm + float((self.landmark.depth_modes(edge) @ self.modes_mm)[0])
        shift = self.displacement_px(depth_mm) + self.local_mm / self.landmark.mm_per_px
        return np.column_stack([inverse, -inverse @ self.reference_to_moving[:, 2] - shift])


# --- results -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class BeamDirection:
    """How the ray through the socket's centre is turned against the reference.

    Tilt > 0: tube towards the head. Oblique > 0: tube towards the mid-line.
    """

    tilt: Quantity
    oblique: Quantity


@dataclass(frozen=True, eq=False, slots=True)
class Overlay:
    """What is drawn on a picture, in that picture's own recorded pixels.

    Attributes
    ----------
    outline_px : ndarray of shape (N, 2)
        The rim's bony outline on this picture, lateral wall to roof.
    reference_outline_px : ndarray of shape (M, 2)
        The reference's outline carried onto this picture.
    edge_px : tuple of float
        Where the outline crosses the circle of radius R.
    plan_px, limit_px : tuple of float or None
        The same point at the target and at the lower limit.
    hidden : ndarray of shape (N,), bool
        Where the outline is covered or unsure.
    """

    outline_px: Floats
    reference_outline_px: Floats
    edge_px: Point
    plan_px: Point | None
    limit_px: Point | None
    hidden: Mask


@dataclass(frozen=True, eq=False, slots=True)
class DepthProfile:
    """Depth removed along the rim: degrees from the up direction, and mm along the normal."""

    angle_deg: Floats
    depth_mm: Floats


@dataclass(frozen=True, eq=False, slots=True)
class ThinnedProfile:
    """Thinned bone by angle about the socket's centre, degrees from the up direction.

    Attributes
    ----------
    angle_deg : ndarray of shape (N,)
        Lateral positive.
    loss_mm : ndarray of shape (N,)
        Greatest loss there, mm of cortical bone; 0 where none passes the limit.
    width_mm : ndarray of shape (N,)
        Width of what is thinned, along the ray from the centre.
    front_clock_h : ndarray of shape (N,)
        Hours from 12 on the rim's clock face (3 = anterior) if the front was burred; one view
        can't tell front from back wall.
    """

    angle_deg: Floats
    loss_mm: Floats
    width_mm: Floats
    front_clock_h: Floats


@dataclass(frozen=True, eq=False, slots=True)
class Thinned:
    """Where the beam passes through less bone than on the comparison picture.

    Attributes
    ----------
    area_mm2 : Quantity
        At least 0.8 mm of cortical bone less.
    against : str
        File name of the comparison picture.
    detection_mm : float
        Least loss that is told from nothing on steady bone (twice its spread), mm of cortical bone.
    budget : Budget
        The rows behind ``area_mm2``.
    profile : ThinnedProfile
    borders_px : tuple of ndarray of shape (N, 2)
        Closed lines around what is thinned, in this picture's own recorded pixels.
    """

    area_mm2: Quantity
    against: str
    detection_mm: float
    budget: Budget
    profile: ThinnedProfile
    borders_px: tuple[Floats, ...]


@dataclass(frozen=True, eq=False, slots=True)
class ReferenceResult:
    """What the first picture gave; with reasons it gave nothing and the rest is None."""

    file: str
    marks: MarksSource
    reasons: tuple[NotMeasurable, ...] = ()
    centre_px: Point | None = None
    head_radius_px: float | None = None
    rim_edge_px: Point | None = None
    up_px: Point | None = None
    mm_per_px: float | None = None
    scale_from: ScaleRung | None = None
    lcea_deg: Quantity | None = None
    budget: Budget | None = None
    overlay: Overlay | None = None
    notes: tuple[str, ...] = ()
    u_scale: float | None = None
    """Of ``mm_per_px``, as a share; None in records from before it was kept."""

    @property
    def usable(self) -> bool:
        """True when later pictures can be compared with this one."""
        return not self.reasons


@dataclass(frozen=True, eq=False, slots=True)
class Removal:
    """The numbers of one measured picture."""

    to_reference: Floats
    recession_mm: Quantity
    running_mm: Quantity
    lcea_deg: Quantity
    area_mm2: Quantity
    remaining_mm: Quantity
    to_floor_mm: Quantity | None
    beam: BeamDirection
    hidden_share: float
    budgets: tuple[Budget, ...]
    overlay: Overlay
    profile: DepthProfile
    thinned: Thinned | None = None
    thinned_why: NotMeasurable | None = None
    """Why there is no number of thinned bone."""


Message = Literal["more to go", "may be at the plan", "past the plan"]
LimitMessage = Literal["lower limit reached", "greatest depth reached"]


@dataclass(frozen=True, eq=False, slots=True)
class StillResult:
    """The verdict on one picture: numbers, or the reasons why there are none."""

    file: str
    sha256: str
    verdict: VerdictWord
    reasons: tuple[NotMeasurable, ...]
    elapsed_ms: float
    removal: Removal | None = None
    message: Message | None = None
    limits: tuple[LimitMessage, ...] = ()
    notes: tuple[str, ...] = field(default=())

    def __post_init__(self) -> None:
        if (self.verdict == "measured") != (self.removal is not None):
            raise ValueError("a measured picture has numbers, a refused one has none")
        if self.verdict == "refused" and not self.reasons:
            raise ValueError("a refused picture says why")


CAUTION: Final = (
    "Decision support for study and review; not a cleared medical device. "
    "The surgeon's own view, licensed practice and local rules come first."
)
"""The caution that every page and report carries."""

VIEW_LIMIT: Final = "Lateral edge only. Front of the rim not seen in this view."
"""What an AP view can't show; always beside the number."""
