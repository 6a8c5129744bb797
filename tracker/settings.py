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
class Settings:
    """All settings of one run."""

    images: ImageLimits = ImageLimits()
    field: FieldSettings = FieldSettings()

    def digest(self) -> str:
        """Return the first 12 hex digits of the settings' SHA-256."""
        text = json.dumps(asdict(self), sort_keys=True)
        return hashlib.sha256(text.encode()).hexdigest()[:12]


DEFAULTS: Final = Settings()
