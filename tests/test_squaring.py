"""Grabs whose pixels are not square: put right where that is plain, else left to be refused."""

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from tests import phantom_case
from tests.photographs import photograph
from tests.test_capture import HIP, resized
from tests.test_exif import with_exif
from tracker import field, phantom, pipeline
from tracker.casefolder import read_case
from tracker.casetoml import parse_case
from tracker.images import decode, encode_png
from tracker.phantom import Scene
from tracker.squaring import as_recorded, carried, remark
from tracker.values import CaseSetup, ExposedField, Picture, Still, StillResult

STRETCHES = [(1.067, 1.0), (1.0, 1.067), (0.9, 1.0), (1.0, 0.94), (1.25, 1.0), (1.0, 1.03)]


def grab(grey: Picture, name: str = "a") -> Still:
    return decode(encode_png(np.round(grey * 255).astype(np.uint8)), name)


@pytest.mark.parametrize(("across", "down"), STRETCHES)
@pytest.mark.parametrize("noise", [0.008, 0.03])
def test_a_stretched_grab_is_put_right(across: float, down: float, noise: float) -> None:
    hip = phantom.render(Scene(noise=noise), 1)[0].grey
    stretched = resized(hip, across, down)
    still = grab(stretched)

    true = (stretched.shape[1] / hip.shape[1]) / (stretched.shape[0] / hip.shape[0])
    assert still.stretched[1] / still.stretched[0] == pytest.approx(true, rel=0.0025)
    assert min(still.stretched) == 1.0
    assert still.grey.shape[0] >= stretched.shape[0]
    assert still.grey.shape[1] >= stretched.shape[1]
    exposed = field.expose(still)
    assert isinstance(exposed, ExposedField)
    assert exposed.shape == "disc"


def test_letter_boxed_and_stretched() -> None:
    boxed = np.pad(resized(HIP, 1.1, 1), ((90, 90), (40, 40))).astype(np.float32)

    assert grab(boxed).stretched[1] == pytest.approx(1.1, rel=0.004)


def test_a_square_picture_is_left_as_it_is() -> None:
    still = grab(HIP)

    assert still.stretched == (1.0, 1.0)
    assert still.grey.shape == HIP.shape
    assert remark(still) == ()


@pytest.mark.parametrize("cause", ["slanted", "photograph", "camera", "cut", "extreme"])
def test_what_is_not_plain_is_left_to_be_refused(cause: str) -> None:
    if cause == "slanted":
        turn = cv2.getRotationMatrix2D((256, 256), 45, 1)
        turned = np.asarray(cv2.warpAffine(HIP, turn, HIP.shape[::-1]), np.float32)
        wide = cv2.warpAffine(resized(turned, 1.12, 1), turn, HIP.shape[::-1])
        still = grab(np.asarray(wide, np.float32))
    elif cause == "photograph":
        data = encode_png(photograph(HIP, seed=1, yaw_deg=18.0, wall=False))
        still = decode(data, "a")
    elif cause == "camera":
        grey = np.round(resized(HIP, 1.1, 1) * 255).astype(np.uint8)
        still = decode(with_exif(encode_png(grey), camera=True), "a")
        assert still.camera
    elif cause == "cut":
        still = grab(resized(HIP, 1.1, 1)[: HIP.shape[0] // 2])
    else:
        still = grab(resized(HIP, 1.75, 1))

    assert still.stretched == (1.0, 1.0)


def test_what_was_done_is_said() -> None:
    (said,) = remark(grab(resized(HIP, 1.1, 1)))

    assert said.startswith("The exposed field came 10.")
    assert "wider than high" in said


def test_marks_and_masks_are_carried_both_ways() -> None:
    still = grab(resized(HIP, 1.25, 1))
    rows, columns = still.grey.shape
    recorded = (HIP.shape[0], round(HIP.shape[1] * 1.25))
    mask = np.zeros((rows, columns), bool)
    mask[: rows // 2] = True
    back = as_recorded(mask, recorded)

    assert back.shape == recorded
    assert back.mean() == pytest.approx(0.5, abs=0.01)
    assert as_recorded(back, recorded) is back

    setup = parse_case(
        'id = "a"\nside = "left"\nview = "AP"\n[scale]\nobject_diameter_mm = 5\n'
        "object_px = [[10, 10], [10, 50]]\n[plan]\nfloor_lcea_deg = 20\ndepth_mm = 3\n"
        "[marks]\nhead = [[100, 100], [120, 80], [140, 100]]\nrim_edge = [150, 90]\n"
        "horizontal = [[50, 200], [200, 200]]\n"
    )
    moved = carried(setup, still)
    by = still.stretched[1]
    assert moved.marks is not None
    assert moved.marks.rim_edge_px == pytest.approx((150, 90.5 * by - 0.5))
    assert moved.scale.object_px is not None
    ends = np.array([[10.0, 10.5 * by - 0.5], [10.0, 50.5 * by - 0.5]])
    np.testing.assert_allclose(moved.scale.object_px, ends)
    assert carried(setup, grab(HIP)) is setup


@pytest.mark.slow
@pytest.mark.parametrize(("across", "down"), [(1.067, 1.0), (1.0, 1.1)])
def test_a_case_of_stretched_grabs_measures_as_the_same_case_does(
    across: float, down: float, tmp_path: Path
) -> None:
    """Both pictures stretched, or the later one alone: the numbers are those of the plain case."""
    folder = phantom_case.write(tmp_path).folder
    setup = read_case(folder).setup
    plain = [decode((folder / name).read_bytes(), name) for name in ("000.png", "006.png")]
    wide = [grab(resized(still.grey, across, down), still.name) for still in plain]
    assert all(max(still.stretched) > 1.05 for still in wide)
    marks, by = setup.marks, np.array([across, down])
    assert marks is not None
    x, y = ((np.array(marks.rim_edge_px) + 0.5) * by - 0.5).tolist()
    head, level = ((one + 0.5) * by - 0.5 for one in (marks.head_px, marks.horizontal_px))
    on_grab = replace(marks, head_px=head, rim_edge_px=(x, y), horizontal_px=level)
    expected = _measured(setup, plain[0], plain[1]).removal
    assert expected is not None
    for first, given in (
        (wide[0], carried(replace(setup, marks=on_grab), wide[0])),
        (plain[0], setup),
    ):
        found = _measured(given, first, wide[1])
        assert found.removal is not None
        assert abs(found.removal.recession_mm.value - expected.recession_mm.value) < 0.15
        assert abs(found.removal.lcea_deg.value - expected.lcea_deg.value) < 0.5
        assert any("put right" in note for note in found.notes)


def _measured(setup: CaseSetup, first: Still, later: Still) -> StillResult:
    state = pipeline.open_case(pipeline.prepare_reference(first, setup))
    assert state.reference.result.reasons == ()
    assert len(remark(first)) == sum("put right" in n for n in state.reference.result.notes)
    result, _ = pipeline.measure_still(later, state)
    assert result.verdict == "measured", result.reasons
    return result
