"""The measuring chain where the first picture is not the untouched hip without traction."""

from dataclasses import replace

import pytest

from tests.phantom_case import SCENE
from tracker import phantom, pipeline
from tracker.phantom import Scene
from tracker.values import Carried, CaseSetup, Plan, Quantity, Removal, Scale


def setup_of(scene: Scene, plan: Plan, carried: Carried | None = None) -> CaseSetup:
    _, truth = phantom.render(scene, 0)
    scale = Scale(head_diameter_mm=2 * scene.head_radius_mm)
    marks = phantom.marks(truth)
    return CaseSetup("x", scene.side, "AP", scale, plan, marks=marks, carried=carried)


def measured(first: Scene, later: tuple[Scene, ...], setup: CaseSetup) -> list[Removal]:
    reference = pipeline.prepare_reference(phantom.render(first, 0)[0], setup)
    assert reference.result.usable
    state, found = pipeline.open_case(reference), []
    for seed, scene in enumerate(later, 5):
        result, state = pipeline.measure_still(phantom.render(scene, seed)[0], state)
        assert result.removal is not None, result.reasons
        found.append(result.removal)
    return found


@pytest.mark.parametrize("traction_mm", [5.0, 9.0])
def test_under_traction_the_angle_is_wrong_and_the_millimetres_are_right(
    traction_mm: float,
) -> None:
    """The true angle is 42°; the recession is known to its U whatever the head's centre."""
    first = replace(SCENE, traction_mm=traction_mm)
    setup = setup_of(first, Plan(None, depth_mm=4.0))
    result = pipeline.prepare_reference(phantom.render(first, 0)[0], setup).result
    assert result.lcea_deg is not None
    assert result.lcea_deg.value < SCENE.lcea_deg - traction_mm
    later = (
        replace(first, recession_mm=1.0),
        replace(first, recession_mm=2.0, turn_deg=7.0, shift_px=(9.0, -5.0)),
        replace(first, recession_mm=3.0, zoom=1.06),
    )
    for removed_mm, removal in enumerate(measured(first, later, setup), 1):
        assert removal.recession_mm.low <= removed_mm <= removal.recession_mm.high
        assert removal.remaining_mm.low <= 4.0 - removed_mm <= removal.remaining_mm.high
        assert removal.to_floor_mm is None
        assert removal.overlay.limit_px is None


def test_what_is_left_to_a_depth_goes_on_over_a_new_first_picture() -> None:
    """2.0 mm were removed before it, 3.5 mm in all: 1.5 mm are left of 5.0 mm."""
    first = replace(SCENE, recession_mm=2.0)
    carried = Carried(Quantity(2.05, 0.1, "mm"), whole=True, number=3)
    setup = setup_of(first, Plan(25.0, depth_mm=5.0, max_depth_mm=6.0), carried)
    later = replace(SCENE, recession_mm=3.5, traction_mm=9.0)
    removal = measured(first, (later,), setup)[0]
    assert removal.recession_mm.value == pytest.approx(1.5, abs=0.2)
    assert removal.remaining_mm.low <= 1.5 <= removal.remaining_mm.high
    assert removal.remaining_mm.u > removal.recession_mm.u
