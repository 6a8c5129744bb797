"""The demo case: what is committed agrees with its manifest, its truth and the case-folder form."""

import csv
import hashlib
import itertools
import json
import math
from pathlib import Path
from typing import Any

import pytest

from tracker import casefolder, images

DEMO = Path(__file__).resolve().parents[1] / "demo_frames"


@pytest.fixture(scope="module")
def truth() -> dict[str, Any]:
    content: dict[str, Any] = json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))
    return content


@pytest.fixture(scope="module")
def manifest() -> list[dict[str, str]]:
    with (DEMO / "MANIFEST.csv").open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_manifest_lists_every_picture_with_its_hash(manifest: list[dict[str, str]]) -> None:
    pictures = sorted(path.name for path in (DEMO / "case").glob("*.png"))
    assert [row["file"] for row in manifest] == pictures
    for row in manifest:
        digest = hashlib.sha256((DEMO / "case" / row["file"]).read_bytes()).hexdigest()
        assert digest == row["sha256"], row["file"]


def test_manifest_and_truth_agree(manifest: list[dict[str, str]], truth: dict[str, Any]) -> None:
    for row, picture in zip(manifest, truth["pictures"], strict=True):
        assert (row["file"], row["kind"]) == (picture["file"], picture["kind"])
        state = truth["states"][picture["state"]]
        assert float(row["recession_mm"]) == pytest.approx(state["recession_mm"], abs=6e-4)


def test_truth_is_consistent_with_the_definitions(truth: dict[str, Any]) -> None:
    """Recession and LCEA are one measurement in two units; the rest follows from them."""
    radius = truth["edge_radius_mm"]
    assert radius == pytest.approx(truth["socket_radius_mm"] + 1.5, abs=1e-3)
    first = truth["states"][0]
    for state in truth["states"]:
        arc = math.radians(first["lcea_deg"] - state["lcea_deg"]) * radius
        assert state["recession_mm"] == pytest.approx(arc, abs=1e-3)
        left = math.radians(state["lcea_deg"] - truth["target_lcea_deg"]) * radius
        assert state["remaining_mm"] == pytest.approx(left, abs=1e-3)
        x, y = (state["edge_px"][k] - truth["centre_px"][k] for k in (0, 1))
        assert math.hypot(x, y) * truth["mm_per_px"] == pytest.approx(radius, abs=0.01)
        # A left hip: lateral is to the right of up on the picture.
        ux, uy = truth["up_px"]
        angle = math.degrees(math.atan2(-x * uy + y * ux, x * ux + y * uy))
        assert angle == pytest.approx(state["lcea_deg"], abs=0.02)


def test_bone_is_only_taken_away(truth: dict[str, Any]) -> None:
    for key in ("recession_mm", "area_mm2", "thinned_area_mm2"):
        values = [state[key] for state in truth["states"]]
        assert values[0] == 0.0
        assert values == sorted(values), key
    steps = [state["recession_mm"] for state in truth["states"]]
    passes = [after - before for before, after in itertools.pairwise(steps)]
    assert all(0.4 < step < 1.2 for step in passes)


def test_scenario_has_what_the_demo_is_to_show(truth: dict[str, Any]) -> None:
    pictures = truth["pictures"]
    assert not pictures[0]["traction"]
    assert pictures[1]["traction"]
    assert pictures[1]["state"] == 0  # the zero picture
    assert not pictures[-1]["traction"]
    swung = [p for p in pictures if p["kind"] == "swung"]
    assert len(swung) == 1
    assert math.hypot(swung[0]["tilt_deg"], swung[0]["oblique_deg"]) > 10.0
    measured = [p for p in pictures if p["kind"] == "measure"]
    assert all(math.hypot(p["tilt_deg"], p["oblique_deg"]) < 1.5 for p in measured)
    assert any(p["instruments"] for p in measured)
    assert not all(p["bone_bright"] for p in measured)


def test_case_folder_loads_and_its_marks_lie_near_the_truth(truth: dict[str, Any]) -> None:
    case = casefolder.read_case(DEMO / "case")
    assert case.setup.side == truth["side"]
    assert case.setup.plan.target_lcea_deg == truth["target_lcea_deg"]
    marks = case.setup.marks
    assert marks is not None
    assert math.dist(marks.rim_edge_px, truth["states"][0]["edge_px"]) < 6.0
    reach = truth["head_radius_mm"] / truth["mm_per_px"]
    for point in marks.head_px:
        assert math.dist(point, truth["centre_px"]) == pytest.approx(reach, abs=6.0)


def test_pictures_are_eight_bit_and_1024_pixels(truth: dict[str, Any]) -> None:
    for picture in truth["pictures"]:
        still = images.decode((DEMO / "case" / picture["file"]).read_bytes(), picture["file"])
        assert still.grey.shape == (truth["size_px"], truth["size_px"]) == (1024, 1024)
        assert still.levels == 256
