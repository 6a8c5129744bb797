"""Every tunable, once: default, unit, help.  ``digest()`` is stored with each result."""

import hashlib
import json
from dataclasses import asdict, dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class ImageLimits:
    """What the decoder accepts."""

    max_bytes: int = 64_000_000
    max_side_px: int = 8192
    min_side_px: int = 128
    max_pixels: int = 40_000_000
    coloured_from: float = 0.12
    """Spread of a pixel's three channels, as a share of the full scale, that counts as colour."""
    max_coloured_share: float = 0.03
    """Share of coloured pixels (text, markers) above which a picture is no X-ray."""


@dataclass(frozen=True, slots=True)
class IdentitySettings:
    """What of a picture that names somebody is kept."""

    keep_original: bool = False
    """Keep DICOM files as they came, beside the copies without a name."""


@dataclass(frozen=True, slots=True)
class CaptureSettings:
    """How a picture was captured.  Frequencies in cycles a pixel."""

    ellipse_least_difference: float = 0.02
    """Height and width of the exposed field may differ by this share."""
    ellipse_tolerance: float = 0.008
    ellipse_least_share: float = 0.6
    slant_deg: float = 6.0
    """An ellipse that slants by less has its axes along rows and columns."""
    converging_deg: float = 2.0
    lattice_window_px: int = 512
    lattice_log_power: float = 4.5
    """Natural logarithm of a dot lattice's power over that of the noise around it."""
    lattice_least_frequency: float = 0.06


@dataclass(frozen=True, slots=True)
class FieldSettings:
    """Exposed field, graphics and metal.  Shares are of the field's diameter."""

    corner_tolerance: float = 0.03
    margin_share: float = 0.01
    disc_least_share: float = 0.4
    least_contrast: float = 0.08
    intensity_floor: float = 0.012
    graphics_contrast: float = 0.4
    metal_width_share: float = 0.056
    metal_contrasts: tuple[float, ...] = (0.22, 0.35, 0.55)
    bar_least_filled: float = 0.6
    bar_least_length_share: float = 0.06
    bar_least_aspect: float = 1.6
    bar_least_width_share: float = 0.012


@dataclass(frozen=True, slots=True)
class AnatomySettings:
    """What the generic pelvis says about the reference.  Lengths in mm at the hip."""

    step_mm: float = 1.0
    depth_fine_mm: float = 1.0
    depth_smooth_mm: float = 4.0
    depth_pull: float = 0.05
    depth_limit_mm: float = 70.0
    depth_shrink: float = 0.78
    bone_margin_mm: float = 4.0
    off_bone_weight: float = 0.1
    head_margin_mm: float = 1.5
    traction_mm: float = 14.0
    femur_side_deg: float = 10.0
    rim_depth_mm: float = 7.0
    rim_medial_deg: float = 24.0
    rim_lateral_deg: float = 24.0
    rim_depth_of_edge_mm: float = 3.0


@dataclass(frozen=True, slots=True)
class RegisterSettings:
    """Registration of the pelvis.  Lengths in mm at the hip, angles in degrees."""

    coarse_mm: float = 2.4
    levels_mm: tuple[float, ...] = (1.2, 0.6, 0.35)
    steps: tuple[int, ...] = (12, 8, 6)
    neighbourhood_mm: float = 4.0
    smoothing_px: float = 0.8
    contrast_floor: float = 0.03
    flat_shares: tuple[float, ...] = (0.2, 0.4, 0.6)
    block_mm: float = 8.0
    tukey_c: float = 4.0
    prior_angle_deg: float = 3.0
    converged_mm: float = 0.004
    slope_mm: float = 4.0
    bend_mm: float = 2.4
    local_mm: float = 14.0
    local_hold_mm: float = 0.03
    local_hold_mm_per_deg: float = 0.08
    near_zooms: tuple[float, ...] = (0.9, 1.0, 1.11)
    near_turns_deg: tuple[float, ...] = (-12.0, -6.0, 0.0, 6.0, 12.0)
    wide_zooms: tuple[float, ...] = (0.47, 0.56, 0.67, 0.78, 1.27, 1.5, 1.8, 2.12)
    wide_turn_step_deg: float = 9.0
    starts: int = 2
    wide_starts: int = 3
    far_turn_deg: float = 9.0
    least_area_mm2: float = 1500.0
    least_overlap: float = 0.45
    hopeless_score: float = 0.5
    sure_score: float = 0.85
    least_score: float = 0.6
    mirror_margin: float = 0.08


@dataclass(frozen=True, slots=True)
class DistortionSettings:
    """The bead plate."""

    least_beads: int = 40
    """Fewer numbered beads than this can't carry a third-order polynomial."""
    greatest_order: int = 6
    worst_residual_px: float = 0.6
    """Root mean square miss after the fit at 1024 px (at least this in any smaller picture)."""


@dataclass(frozen=True, slots=True)
class OutlineSettings:
    """The rim's outline.  Lengths in mm at the hip, levels as shares of the ilium's contrast."""

    step_mm: float = 0.1
    below_mm: float = 3.2
    above_mm: float = 12.0
    medial_mm: float = 18.0
    lateral_mm: float = 8.0
    smooth_arc_mm: float = 0.15
    smooth_rho_mm: float = 0.25
    noise_after_smoothing: float = 0.25
    level: float = 0.09
    foot_level: float = 0.75
    foot_reach_mm: float = 1.5
    behind_mm: float = 1.5
    least_step: float = 2.5
    farthest_mark_mm: float = 5.0
    metal_excess: float = 0.6
    metal_least_mm: float = 1.2
    metal_flank_mm: float = 0.8
    beyond_mm: tuple[float, float] = (1.0, 6.0)
    ground_below_mm: float = 1.0
    least_ground_nodes: int = 400
    ground_about_mm: float = 1.5
    least_ground_share: float = 0.12
    curve_ridge: float = 0.01
    ilium_mm: tuple[float, float, float] = (8.0, 14.0, 4.0)
    least_contrast_in_noise: float = 3.0
    background_share: float = 0.05
    path_reach_mm: float = 0.4
    path_stiffness: float = 0.5
    growth_mm: float = 1.0
    growth_cost: float = 0.5
    free_beside_mm: float = 0.6
    free_beyond_mm: float = 2.0
    least_seen_beyond: float = 0.7
    least_seen_gone: float = 0.6
    reading_mm: float = 0.5


@dataclass(frozen=True, slots=True)
class DuplicateSettings:
    """One exposure saved twice."""

    window_px: int = 384
    sigma_px: float = 1.0
    least_pixels: int = 2000
    glance: float = 0.06
    correlation: float = 0.12
    finest_correlation: float = 0.02
    """Of second differences: four times what chance gives over the window."""


@dataclass(frozen=True, slots=True)
class MeasureSettings:
    """Rows of the budgets that no single picture can show."""

    u_foot_mm: float = 0.1
    u_concentric_mm: float = 0.3
    u_rim_depth_mm: float = 7.0
    u_shape_mm: float = 2.2
    u_lip_mm: float = 0.05
    u_step_mm: float = 0.2
    u_registration_floor_mm: float = 0.03
    u_beam_deg: float = 0.15
    u_beam_share: float = 0.3
    u_given_scale: float = 0.01
    u_head_diameter_mm: float = 0.5
    u_object_mm: float = 0.05
    area_to_mm: float = 10.0
    area_head_margin_mm: float = 1.5


@dataclass(frozen=True, slots=True)
class ThinnedSettings:
    """Thinned bone.  Lengths in mm at the hip, losses in mm of cortical bone."""

    step_mm: float = 0.5
    reach_mm: float = 44.0
    beyond_mm: float = 6.0
    corner_mm: float = 8.0
    least_loss_mm: float = 0.8
    cortical_share: float = 0.34
    """Cortical-equivalent mm in a mm of the generic pelvis's path."""
    calibrated_mm: float = 70.0
    """Attenuation per mm is taken from bone and soft tissue within this of the socket."""
    densest: float = 2.9
    """Attenuation above which a node is not looked at (the window's end)."""
    u_calibration: float = 0.2
    smooth_mm: float = 0.4
    rounds: int = 3
    shift_window_mm: float = 8.0
    shift_mm: float = 0.005
    shift_mm_per_deg: float = 0.1
    roof_share: float = 0.3
    """Change under the roof, in units of the bone's contrast, that only another traction makes."""
    largest_femur_mm: float = 0.35
    least_likeness: float = 0.93
    least_seen: float = 0.9
    least_seen_rim: float = 0.75
    least_clear_rim: float = 0.6
    worst_steady_mm: float = 0.7
    apart_share: float = 0.3
    u_border_mm: float = 0.15
    missed_mm2_per_mm: float = 80.0
    """Thinned area that comes with a mm of recession at the beginning of burring."""
    profile_deg: float = 3.0
    largest_u_mm2: float = 25.0
    largest_u_share: float = 0.45
    most_zero_pictures: int = 2
    most_zero_u_mm: float = 0.3


@dataclass(frozen=True, slots=True)
class VerdictSettings:
    """When a number is not shown."""

    least_score: float = 0.83
    least_turned_score: float = 0.55
    least_overlap: float = 0.5
    largest_turn_deg: float = 5.5
    largest_expanded_mm: float = 1.0
    largest_recession_mm: float = 12.0
    growth_in_u: float = 3.0
    growth_mm: float = 0.5


@dataclass(frozen=True, slots=True)
class Settings:
    """All settings of one run."""

    images: ImageLimits = ImageLimits()
    distortion: DistortionSettings = DistortionSettings()
    identity: IdentitySettings = IdentitySettings()
    capture: CaptureSettings = CaptureSettings()
    field: FieldSettings = FieldSettings()
    anatomy: AnatomySettings = AnatomySettings()
    register: RegisterSettings = RegisterSettings()
    outline: OutlineSettings = OutlineSettings()
    duplicate: DuplicateSettings = DuplicateSettings()
    measure: MeasureSettings = MeasureSettings()
    thinned: ThinnedSettings = ThinnedSettings()
    verdict: VerdictSettings = VerdictSettings()

    def digest(self) -> str:
        """Return the first 12 hex digits of the settings' SHA-256."""
        text = json.dumps(asdict(self), sort_keys=True)
        return hashlib.sha256(text.encode()).hexdigest()[:12]


DEFAULTS: Final = Settings()
