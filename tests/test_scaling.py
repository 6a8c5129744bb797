"""The scale from an object that was marked on another picture: zoomed, turned, or alone on it."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests import phantom_case
from tracker import phantom, pipeline
from tracker.casefolder import read_case
from tracker.images import decode
from tracker.prepare import PreparedReference
from tracker.values import CaseSetup, Reason, Scale, Still

LENGTH_PX = 60.0


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> tuple[CaseSetup, Still]:
    folder: Path = phantom_case.write(tmp_path_factory.mktemp("case")).folder
    return read_case(folder).setup, decode((folder / "000.png").read_bytes(), "000.png")


def prepared(case: tuple[CaseSetup, Still], true_zoom: float, other: Still) -> PreparedReference:
    """The first picture with a scale from an object that covers 60 px on another picture."""
    setup, first = case
    diameter_mm = LENGTH_PX * phantom_case.SCENE.mm_per_px / true_zoom
    scale = Scale(
        object_diameter_mm=diameter_mm,
        object_px=((100.0, 120.0), (100.0 + LENGTH_PX, 120.0)),
        object_file=other.name,
    )
    return pipeline.prepare_reference(first, replace(setup, scale=scale), object_still=other)


def scene(**changes: object) -> Still:
    return replace(
        phantom.render(replace(phantom_case.PULLED, **changes), 11)[0],  # type: ignore[arg-type]
        name="object.png",
    )


@pytest.mark.slow
@pytest.mark.parametrize(
    "changes",
    [
        {"zoom": 1.0},
        {"zoom": 1.3},
        {"zoom": 0.8, "turn_deg": 8.0},
        {"zoom": 1.2, "bone_bright": False},
    ],
)
def test_the_scale_is_carried_over_by_the_pelvis_on_both_pictures(
    case: tuple[CaseSetup, Still], changes: dict[str, float]
) -> None:
    found = prepared(case, changes["zoom"], scene(**changes)).result

    assert found.reasons == ()
    assert found.scale_from == "object_diameter_mm"
    assert found.mm_per_px == pytest.approx(phantom_case.SCENE.mm_per_px, rel=0.01)


@pytest.mark.slow
def test_a_picture_of_the_object_alone_in_the_same_field_is_taken_as_it_is(
    case: tuple[CaseSetup, Still],
) -> None:
    found = prepared(case, 1.0, _object_alone(1.0)).result

    assert found.reasons == ()
    assert found.mm_per_px == pytest.approx(phantom_case.SCENE.mm_per_px, rel=0.001)


@pytest.mark.slow
def test_in_another_field_without_the_pelvis_the_scale_is_refused(
    case: tuple[CaseSetup, Still],
) -> None:
    (why,) = prepared(case, 1.0, _object_alone(0.8)).result.reasons

    assert why.reason is Reason.SCALE_UNUSABLE
    assert "another field" in why.sentence


def _object_alone(size: float) -> Still:
    """A round field with a ruler's shadow and nothing else."""
    side = 512
    y, x = np.mgrid[:side, :side]
    away = np.hypot(x - (side - 1) / 2, y - (side - 1) / 2)
    grey = 0.75 - 0.2 * (away / side) ** 2
    grey = np.where(abs(x - 256) < 30, grey * 0.5, grey)
    noise = np.random.default_rng(3).normal(0, 0.01, grey.shape)
    inside = away < size * 0.49 * side
    return Still("object.png", np.where(inside, grey + noise, 0.0).astype(np.float32), "0")
