"""Seeded phantom cases: noise, motion, contrast, patient and the scatter of marks all vary."""

import dataclasses
import math
from dataclasses import dataclass

import numpy as np

from tests.strategies import setup
from tests.validation.outcomes import Outcome, message_right, number
from tracker import phantom, pipeline
from tracker.phantom import Scene, SceneTruth
from tracker.phantom_body import View
from tracker.pipeline import PreparedReference
from tracker.values import CaseSetup, Floats, Marks, Quantity, Removal, Still

SIZE = 448
CLICK_PX = 2.0 * SIZE / 1024
"""Scatter of a mark's coordinates: 2 px at 1024."""


@dataclass(frozen=True)
class Regime:
    """How far pictures of a case differ from its first one; spreads of normal laws.

    Attributes
    ----------
    part : float
        How many cases are drawn, of the number asked for.
    """

    name: str
    turn_deg: float
    shift_px: float
    log_zoom: float
    beam_deg: float
    noise: tuple[float, float]
    part: float = 1.0


REGIMES = (
    Regime("phantoms, parked", 0.7, 4.0, 0.003, 0.15, (0.005, 0.02)),
    Regime("phantoms, moved in the plane", 8.0, 12.0, 0.04, 0.15, (0.005, 0.04)),
    Regime("phantoms, beam turned about 1°", 3.0, 8.0, 0.02, 0.7, (0.005, 0.03), 0.2),
    Regime("phantoms, beam turned about 3°", 8.0, 12.0, 0.04, 2.0, (0.01, 0.04), 0.2),
)
BEAM_PARKED = tuple(regime.name for regime in REGIMES if regime.beam_deg < 0.5)


def scattered(truth: SceneTruth, rng: np.random.Generator, click_px: float = CLICK_PX) -> Marks:
    """The true places, each coordinate off by a click's scatter."""
    true = phantom.marks(truth, click_px)
    edge = np.asarray(true.rim_edge_px) + rng.normal(0, click_px, 2)
    between = float(np.hypot(*(true.horizontal_px[1] - true.horizontal_px[0])))
    return Marks(
        head_px=true.head_px + rng.normal(0, click_px, true.head_px.shape),
        rim_edge_px=(float(edge[0]), float(edge[1])),
        horizontal_px=true.horizontal_px + rng.normal(0, click_px, (2, 2)),
        source="given",
        u_px=click_px,
        u_horizontal_deg=math.degrees(math.sqrt(2) * click_px / between),
    )


def first_scene(rng: np.random.Generator, regime: Regime, patient: int) -> Scene:
    return Scene(
        size_px=SIZE,
        mm_per_px=0.33 * 512 / SIZE * rng.uniform(0.94, 1.06),
        side="right" if rng.random() < 0.5 else "left",
        lcea_deg=rng.uniform(37, 48),
        head_radius_mm=rng.uniform(21.5, 24.5),
        joint_mm=rng.uniform(2.0, 3.5),
        lip_mm=rng.uniform(1.2, 2.5),
        noise=rng.uniform(*regime.noise),
        bones=patient,
    )


def later_scene(scene: Scene, removed_mm: float, regime: Regime, rng: np.random.Generator) -> Scene:
    return dataclasses.replace(
        scene,
        recession_mm=removed_mm,
        traction_mm=rng.uniform(7, 12),
        turn_deg=rng.normal(0, regime.turn_deg),
        shift_px=(rng.normal(0, regime.shift_px), rng.normal(0, regime.shift_px)),
        zoom=math.exp(rng.normal(0, regime.log_zoom)),
        tilt_deg=rng.normal(0, regime.beam_deg),
        oblique_deg=rng.normal(0, regime.beam_deg),
        bone_bright=bool(rng.random() < 0.7),
        gamma=rng.uniform(0.8, 1.2),
    )


def outcomes_of_case(seed: int, regime: Regime, pictures: int = 1) -> list[Outcome]:
    """A case of one first picture and a few later ones, all drawn from its seed."""
    rng = np.random.default_rng([77, REGIMES.index(regime), seed])
    scene = first_scene(rng, regime, seed + 1)
    still, truth = phantom.render(scene, seed)
    case = setup(scene, scattered(truth, rng))
    reference = pipeline.prepare_reference(still, case)
    found = [reference_outcome(regime.name, f"{seed:03d}", reference, truth)]
    state, removed = pipeline.open_case(reference), 0.0
    for k in range(pictures):
        removed += rng.uniform(0.3, 2.0)
        later = later_scene(scene, removed, regime, rng)
        still, truth = phantom.render(later, 100_000 + 10 * seed + k)
        result, state = pipeline.measure_still(still, state)
        reasons = tuple(r.reason.value for r in result.reasons)
        if result.removal is None:
            found.append(Outcome(regime.name, f"{seed:03d}", f"{k + 1}", True, reasons))
            continue
        found.append(measured_outcome(regime.name, f"{seed:03d}", later, truth, reference, case,
                                      result.removal, f"{k + 1}"))  # fmt: skip
    return found


def reference_outcome(
    group: str, case: str, reference: PreparedReference, truth: SceneTruth
) -> Outcome:
    result = reference.result
    if result.lcea_deg is None:
        reasons = tuple(r.reason.value for r in result.reasons)
        return Outcome(group, case, "first", None, reasons or ("unusable",))
    numbers = {"first LCEA": number(result.lcea_deg, truth.lcea_deg)}
    return Outcome(group, case, "first", None, numbers=numbers)


def measured_outcome(
    group: str,
    case: str,
    scene: Scene,
    truth: SceneTruth,
    reference: PreparedReference,
    case_setup: CaseSetup,
    removal: Removal,
    file: str,
) -> Outcome:
    known = reference.measurable
    target = case_setup.plan.target_lcea_deg
    assert known is not None
    assert target is not None
    left = math.radians(truth.lcea_deg - target) * scene.radius_mm
    removed = true_recession(scene, known.frame.radius_mm)
    lost_deg = math.degrees(removed / known.frame.radius_mm)
    first = reference.result.lcea_deg
    assert first is not None
    u_deg = math.degrees(removal.recession_mm.u / known.frame.radius_mm)
    change = Quantity(first.value - removal.lcea_deg.value, u_deg, "deg")
    return Outcome(
        group,
        case,
        file,
        True,
        numbers={
            "recession": number(removal.recession_mm, removed),
            "running": number(removal.running_mm, removed),
            "LCEA": number(removal.lcea_deg, truth.lcea_deg),
            "LCEA change": number(change, lost_deg),
            "remaining": number(removal.remaining_mm, left),
            "area": number(removal.area_mm2, true_area(scene, reference)),
            "tilt": number(removal.beam.tilt, scene.tilt_deg),
            "oblique": number(removal.beam.oblique, scene.oblique_deg),
        },
        rim_mm=rim_error_mm(removal.to_reference, truth, scene, reference),
        message_right=message_right(removal.remaining_mm, left),
    )


def true_recession(scene: Scene, radius_mm: float) -> float:
    """What is gone along the arc at the radius that was looked at, mm."""
    at = np.array([radius_mm])
    before = phantom.outline_deg(dataclasses.replace(scene, recession_mm=0.0), at)
    return float(np.radians(before - phantom.outline_deg(scene, at))[0]) * radius_mm


def true_area(scene: Scene, reference: PreparedReference) -> float:
    """True area between the outlines over the radii that the rim's frame looks at, mm²."""
    known = reference.measurable
    assert known is not None
    lowest = max(scene.head_radius_mm + 1.5, float(known.frame.rho_mm[0]))
    rho = np.arange(lowest, scene.socket_radius_mm + 25.0, 0.02)
    before = phantom.outline_deg(dataclasses.replace(scene, recession_mm=0.0), rho)
    lost = np.radians(before - phantom.outline_deg(scene, rho))
    return float(np.trapezoid(lost * rho, rho))


def first_edge(scene: Scene) -> Floats:
    """The edge before anything was removed, in the pixels of the picture without motion."""
    still = dataclasses.replace(scene, turn_deg=0.0, shift_px=(0.0, 0.0), zoom=1.0)
    angle = math.radians(scene.lcea_deg)
    edge_mm = scene.radius_mm * np.array([[math.sin(angle), math.cos(angle)]])
    return np.asarray(View(still).to_px(edge_mm)[0])


def rim_error_mm(
    to_reference: Floats, truth: SceneTruth, scene: Scene, reference: PreparedReference
) -> float:
    """How far a registration carries the edge's bone from where it lies on the first picture."""
    edge = first_edge(scene)
    known = reference.measurable
    assert known is not None
    return edge_error_mm(to_reference, truth.to_reference, edge, known.mm_per_px)


def edge_error_mm(found: Floats, true: Floats, edge: Floats, mm_per_px: float) -> float:
    back = np.linalg.inv(np.vstack([true, [0.0, 0.0, 1.0]]))[:2]
    there = back[:, :2] @ edge + back[:, 2]
    carried = found[:, :2] @ there + found[:, 2]
    return float(np.hypot(*(carried - edge))) * mm_per_px


def pair(seed: int, regime: Regime) -> tuple[Still, Still, Scene, SceneTruth, CaseSetup]:
    """A first picture and a later one, for a comparison of registrations."""
    rng = np.random.default_rng([78, REGIMES.index(regime), seed])
    scene = dataclasses.replace(
        first_scene(rng, regime, 500 + seed), size_px=512, mm_per_px=rng.uniform(0.31, 0.35)
    )
    first, truth = phantom.render(scene, seed)
    later = later_scene(scene, rng.uniform(0.5, 3.0), regime, rng)
    still, later_truth = phantom.render(later, 300_000 + seed)
    return first, still, later, later_truth, setup(scene, phantom.marks(truth))
