"""One thing at a time is made worse until the measurement ends: what the curves show."""

import dataclasses
import functools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from tests.strategies import setup
from tests.validation import phantoms
from tests.validation.outcomes import mean
from tracker import phantom, pipeline
from tracker.phantom import Rod, Scene
from tracker.pipeline import PreparedReference

FIRST = Scene(size_px=512, lip_mm=1.8, noise=0.01)
LATER = dataclasses.replace(FIRST, traction_mm=9.0, recession_mm=2.0)


@dataclass(frozen=True)
class Sweep:
    """What is varied, with its unit, and the picture that each value makes."""

    key: str
    name: str
    axis: str
    values: tuple[float, ...]
    scene: Callable[[float], Scene]


@dataclass(frozen=True)
class Point:
    """At one value: how many were measured, and of those the error and what was claimed, mm."""

    value: float
    measured: int
    tried: int
    error_mm: float
    worst_mm: float
    two_u_mm: float
    reasons: tuple[str, ...]


def _rods(free_mm: float) -> tuple[Rod, ...]:
    """Instruments side by side across the outer wall; free to this height above the edge."""
    rods = []
    bottom = FIRST.radius_mm + free_mm
    for k in range(math.ceil((FIRST.radius_mm + 12.0 - bottom) / 5.0)):
        rho = bottom + 2.75 + 5.0 * k
        theta = math.radians(float(phantom.outline_deg(LATER, np.array([rho]))[0]))
        x, y = rho * math.sin(theta), rho * math.cos(theta)
        rods.append(Rod((x - 5.0, y), (x + 70.0, y + 25.0), 5.5))
    return tuple(rods)


def hidden_share(scene: Scene) -> float:
    """Share of the outline, over the radii that are looked at, that lies under metal."""
    rho = np.arange(scene.radius_mm - 3.0, scene.radius_mm + 10.0, 0.1)
    theta = np.radians(phantom.outline_deg(scene, rho))
    points = np.column_stack([rho * np.sin(theta), rho * np.cos(theta)])
    under = np.zeros(len(rho), bool)
    for rod in scene.rods:
        tip, tail = np.asarray(rod.tip_mm), np.asarray(rod.tail_mm)
        length = float(np.hypot(*(tail - tip)))
        t = np.clip((points - tip) @ (tail - tip) / length, 0, length)
        nearest = tip + np.outer(t / length, tail - tip)
        under |= np.hypot(*(points - nearest).T) < rod.width_mm / 2
    return float(under.mean())


def _moved(**changes: float) -> Scene:
    return dataclasses.replace(LATER, **changes)  # type: ignore[arg-type] # floats only


SWEEPS = (
    Sweep("noise", "noise", "noise, share of the intensity at the socket",
          (0.005, 0.01, 0.02, 0.04, 0.06, 0.09, 0.13, 0.18), lambda v: _moved(noise=v)),
    Sweep("turn", "turn in the picture's plane", "turn, degrees",
          (0.0, 5.0, 10.0, 20.0, 45.0, 90.0, 135.0, 180.0), lambda v: _moved(turn_deg=v)),
    Sweep("zoom", "zoom", "zoom against the first picture",
          (0.5, 0.6, 0.75, 0.9, 1.0, 1.15, 1.4, 1.7, 2.0), lambda v: _moved(zoom=v)),
    Sweep("tilt", "beam direction, tilt", "tilt, degrees",
          (0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0), lambda v: _moved(tilt_deg=v)),
    Sweep("oblique", "beam direction, oblique", "oblique, degrees",
          (0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0), lambda v: _moved(oblique_deg=v)),
    Sweep("traction", "traction", "traction, mm",
          (0.0, 4.0, 8.0, 12.0, 14.0, 16.0, 20.0, 25.0), lambda v: _moved(traction_mm=v)),
    Sweep("hidden", "hidden share of the outline", "outline under metal, %",
          (12.0, 8.0, 6.0, 4.0, 3.0, 2.0, 1.0, 0.0),
          lambda v: dataclasses.replace(LATER, rods=_rods(v))),
)  # fmt: skip


@functools.cache
def _reference(seed: int) -> tuple[Scene, PreparedReference]:
    scene = dataclasses.replace(FIRST, bones=0 if seed == 0 else 900 + seed)
    still, truth = phantom.render(scene, seed)
    return scene, pipeline.prepare_reference(still, setup(scene, phantom.marks(truth)))


def point(sweep: Sweep, value: float, seeds: Sequence[int]) -> Point:
    """Measure one picture of each of a few patients at one value of the sweep."""
    errors, widths, reasons = [], [], []
    for seed in seeds:
        first, reference = _reference(seed)
        scene = dataclasses.replace(sweep.scene(value), bones=first.bones)
        still, _ = phantom.render(scene, 7000 + seed)
        result, _ = pipeline.measure_still(still, pipeline.open_case(reference))
        known = reference.measurable
        if result.removal is None or known is None:
            reasons.append(result.reasons[0].reason.value)
            continue
        found = result.removal.recession_mm
        errors.append(abs(found.value - phantoms.true_recession(scene, known.frame.radius_mm)))
        widths.append(2 * found.u)
    x = 100 * hidden_share(sweep.scene(value)) if sweep.key == "hidden" else value
    return Point(x, len(errors), len(seeds), mean(errors), max(errors, default=math.nan),
                 mean(widths), tuple(sorted(set(reasons))))  # fmt: skip


def curve(sweep: Sweep, seeds: Sequence[int], values: Sequence[float] | None = None) -> list[Point]:
    points = [point(sweep, value, seeds) for value in values or sweep.values]
    return sorted(points, key=lambda p: p.value)
