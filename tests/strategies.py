"""Hypothesis strategies: random but plausible values, and the cases that phantoms make of them."""

import dataclasses
import functools

import numpy as np
from hypothesis import strategies as st

from tracker import phantom, pipeline
from tracker.phantom import Scene, SceneTruth
from tracker.pipeline import CaseState, PreparedReference
from tracker.values import (
    Budget,
    BudgetRow,
    CaseSetup,
    Floats,
    Marks,
    Plan,
    Quantity,
    Scale,
    Still,
    StillResult,
)


def reals(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high, allow_nan=False, allow_infinity=False)


# --- small values -----------------------------------------------------------------------------


def quantities(unit: str, low: float, high: float) -> st.SearchStrategy[Quantity]:
    return st.builds(Quantity, reals(low, high), reals(0.01, 3.0), st.just(unit))


def budgets(unit: str) -> st.SearchStrategy[Budget]:
    row = st.builds(
        BudgetRow, st.sampled_from("abcdef"), reals(0.01, 2.0), st.just(unit), reals(-3.0, 3.0)
    )
    rows = st.lists(row, min_size=1, max_size=6, unique_by=lambda r: r.source)
    return rows.map(lambda found: Budget("drawn", unit, tuple(found)))


@st.composite
def outlines(draw: st.DrawFn) -> tuple[Floats, Floats, Floats]:
    """Radii in mm, and two outlines as arcs in mm; the second lies medial of the first."""
    rho = np.arange(24.0, 40.0, 0.1)
    slope = draw(reals(0.2, 1.5))
    before = -slope * np.maximum(rho - 27.0, 0.0) + draw(reals(-1.0, 1.0))
    depth = draw(reals(0.0, 5.0)) * np.exp(-(((rho - draw(reals(24.0, 32.0))) / 4.0) ** 2))
    return rho, before, before - depth


def points() -> st.SearchStrategy[Floats]:
    """Points of a picture, shape (N, 2)."""
    pair = st.tuples(reals(-200.0, 1200.0), reals(-200.0, 1200.0))
    return st.lists(pair, min_size=1, max_size=20).map(np.array)


# --- phantom pictures -------------------------------------------------------------------------

REFERENCE = Scene(lip_mm=1.8)
TRACTION = dataclasses.replace(REFERENCE, traction_mm=9.0)

seeds = st.integers(1, 10_000)
removals = reals(0.0, 3.6)


@st.composite
def motions(draw: st.DrawFn, scene: Scene = TRACTION) -> Scene:
    """The scene as another exposure sees it: turned, shifted, zoomed."""
    return dataclasses.replace(
        scene,
        turn_deg=draw(reals(-8.0, 8.0)),
        shift_px=(draw(reals(-15.0, 15.0)), draw(reals(-15.0, 15.0))),
        zoom=draw(reals(0.93, 1.08)),
    )


@st.composite
def exposures(draw: st.DrawFn, scene: Scene = TRACTION) -> Scene:
    """The scene with another brightness, contrast and polarity."""
    return dataclasses.replace(
        scene,
        gain=draw(reals(0.8, 1.15)),
        offset=draw(reals(0.0, 0.06)),
        gamma=draw(reals(0.75, 1.3)),
        bone_bright=draw(st.booleans()),
    )


def setup(scene: Scene, marks: Marks | None, *, mm_per_px: float | None = None) -> CaseSetup:
    """The case that a scene's reference opens."""
    scale = (
        Scale(head_diameter_mm=2 * scene.head_radius_mm)
        if mm_per_px is None
        else Scale(mm_per_px=mm_per_px)
    )
    plan = Plan(floor_lcea_deg=20.0, target_lcea_deg=scene.lcea_deg - 7.0)
    return CaseSetup("phantom", scene.side, "AP", scale, plan, marks)


@functools.cache
def prepared(
    scene: Scene = REFERENCE, seed: int = 0, mm_per_px: float | None = None
) -> tuple[PreparedReference, SceneTruth]:
    """A prepared reference; each is computed once for all tests of a session."""
    still, truth = phantom.render(scene, seed)
    reference = pipeline.prepare_reference(
        still, setup(scene, phantom.marks(truth), mm_per_px=mm_per_px)
    )
    assert reference.result.usable, reference.result.reasons
    return reference, truth


def measured(still: Still, reference: PreparedReference) -> StillResult:
    """The verdict on one picture, as the first after the reference."""
    result, _ = pipeline.measure_still(still, pipeline.open_case(reference))
    return result


def follow(scenes: list[Scene], reference: PreparedReference, seed: int) -> list[StillResult]:
    """The verdicts on pictures that come one after another."""
    state: CaseState = pipeline.open_case(reference)
    results = []
    for k, scene in enumerate(scenes):
        result, state = pipeline.measure_still(phantom.render(scene, seed + k)[0], state)
        results.append(result)
    return results
