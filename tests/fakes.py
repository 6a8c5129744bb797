"""Stand-ins that let the rooms around the pipeline be tested without measuring anything."""

import itertools
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest

from tracker import pipeline
from tracker.images import encode_png
from tracker.values import (
    BeamDirection,
    DepthProfile,
    NotMeasurable,
    Overlay,
    Quantity,
    Reason,
    ReferenceResult,
    Removal,
    Still,
    StillResult,
)

CASE = """
id = "example"
side = "right"
view = "AP"

[scale]
head_diameter_mm = 48.0

[plan]
target_lcea_deg = 33.0
floor_lcea_deg = 25.0

[marks]
head = [[120, 90], [90, 60], [60, 90], [90, 118]]
rim_edge = [70, 62]
horizontal = [[40, 90], [140, 92]]
"""


def picture(seed: int) -> bytes:
    """A PNG file of grey noise, another one for each seed."""
    pixels = np.random.default_rng(seed).integers(0, 255, (160, 176), np.uint8)
    return encode_png(pixels)


def overlay() -> Overlay:
    line = np.array([[60.0, 60.0], [70.0, 62.0], [80.0, 70.0]])
    return Overlay(
        outline_px=line,
        reference_outline_px=line + 1.0,
        edge_px=(70.0, 62.0),
        plan_px=(72.0, 60.0),
        limit_px=(76.0, 58.0),
        hidden=np.zeros(3, np.bool_),
    )


def removal(recession_mm: float = 1.3, **changes: Any) -> Removal:
    parts: dict[str, Any] = {
        "to_reference": np.array([[1.0, 0.0, -2.0], [0.0, 1.0, 3.0]]),
        "recession_mm": Quantity(recession_mm, 0.2, "mm"),
        "running_mm": Quantity(recession_mm, 0.2, "mm"),
        "lcea_deg": Quantity(41.2 - 2.4 * recession_mm, 1.2, "deg"),
        "area_mm2": Quantity(16.0 * recession_mm, 3.0, "mm2"),
        "remaining_mm": Quantity(3.4 - recession_mm, 0.5, "mm"),
        "to_floor_mm": Quantity(6.8 - recession_mm, 0.5, "mm"),
        "beam": BeamDirection(Quantity(0.4, 0.3, "deg"), Quantity(-1.1, 0.4, "deg")),
        "hidden_share": 0.0,
        "budgets": (),
        "overlay": overlay(),
        "profile": DepthProfile(np.array([40.0, 41.0]), np.array([0.0, 1.0])),
    }
    return Removal(**(parts | changes))


def reference_result(file: str = "000.png") -> ReferenceResult:
    return ReferenceResult(
        file=file,
        marks="given",
        centre_px=(90.0, 90.0),
        head_radius_px=30.0,
        rim_edge_px=(70.0, 62.0),
        up_px=(0.0, -1.0),
        mm_per_px=0.161,
        scale_from="head_diameter_mm",
        lcea_deg=Quantity(41.2, 1.1, "deg"),
    )


@dataclass
class FakePipeline:
    """Measures every picture as 1 mm more than the last; remembers what it was given."""

    reference: ReferenceResult | None = None
    given: dict[str, Any] = field(default_factory=dict)
    refuse: dict[str, Reason] = field(default_factory=dict)
    break_on: str = ""

    def prepare_reference(self, still: Still, setup: Any, settings: Any, **more: Any) -> Any:
        self.given = {"still": still, "setup": setup, **more}
        prepared: Any = type("Prepared", (), {})()
        prepared.result = self.reference or reference_result(still.name)
        return prepared

    def open_case(self, reference: Any) -> int:
        return 0

    def measure_still(self, still: Still, state: int, settings: Any) -> tuple[StillResult, int]:
        if still.name == self.break_on:
            raise ZeroDivisionError("a bug, on purpose")
        if still.name in self.refuse:
            why = (NotMeasurable(self.refuse[still.name]),)
            return StillResult(still.name, still.sha256, "refused", why, 0.0), state
        result = StillResult(
            file=still.name,
            sha256=still.sha256,
            verdict="measured",
            reasons=(),
            elapsed_ms=0.0,
            removal=removal(state + 1.0),
            message="more to go",
        )
        return result, state + 1


def install(monkeypatch: pytest.MonkeyPatch) -> FakePipeline:
    """Put a fake in the pipeline's place for the length of one test."""
    fake = FakePipeline()
    for name in ("prepare_reference", "open_case", "measure_still"):
        monkeypatch.setattr(pipeline, name, getattr(fake, name))
    return fake


def clock_of(step_s: float) -> Any:
    """A clock that moves on by one step at each look."""
    ticks = itertools.count()
    return lambda: next(ticks) * step_s
