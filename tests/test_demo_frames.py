"""The demo case: what is committed agrees with its manifest, its truth and the case-folder form."""

import csv
import hashlib
import importlib
import itertools
import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
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


@pytest.fixture
def script(monkeypatch: pytest.MonkeyPatch) -> Callable[[str], Any]:
    """Import a module of demo_frames/, which is a folder of scripts and no package."""
    for name in ("manifold3d", "trimesh", "embreex"):
        pytest.importorskip(name, reason="making frames needs the extra sim")
    monkeypatch.syspath_prepend(str(DEMO))
    return importlib.import_module


@pytest.mark.parametrize("side", ["left", "right"])
def test_beam_direction_of_a_view(script: Callable[[str], Any], side: str) -> None:
    """Turning the axis turns the ray through the socket; so does aiming beside the socket."""
    xray = script("xray")
    socket = np.array([80.0, 0.0, 0.0])
    turned = xray.View(side, 512, 0.3, socket, 2.0, -1.5)
    assert turned.beam_deg(socket) == pytest.approx((2.0, -1.5), abs=0.01)
    # Aimed 12 mm headward and 12 mm medially of the socket: the tube stands there too.
    aside = xray.View(side, 512, 0.3, socket + np.array([-12.0, 0.0, 12.0]))
    one_degree = math.degrees(math.atan(12.0 / 700.0))
    assert aside.beam_deg(socket) == pytest.approx((one_degree, one_degree), abs=0.01)


@pytest.mark.parametrize("side", ["left", "right"])
def test_what_a_pixel_sees_projects_to_that_pixel(script: Callable[[str], Any], side: str) -> None:
    view = script("xray").View(side, 512, 0.3, np.array([80.0, 3.0, -4.0]), 2.0, -1.5, 37.0)
    columns, rows = np.array([17.0, 400.0]), np.array([300.0, 80.0])
    points = np.stack(view.points(columns, rows, -18.0), axis=1)
    np.testing.assert_allclose(view.project(points), np.stack([columns, rows], 1), atol=1e-6)


def test_outline_of_a_wedge_is_read_at_its_angle(script: Callable[[str], Any]) -> None:
    """Bone from 40 degrees medially, in a left hip: its outline crosses every circle at 40."""
    truth = script("truth")
    frame = truth.Frame(
        np.array([200.0, 200.0]), np.array([0.0, -1.0]), np.array([1.0, 0.0]), mm_per_px=0.25
    )
    rows, columns = np.mgrid[:801, :801] * 0.5
    angle = np.degrees(np.arctan2(columns - 200.0, 200.0 - rows))
    # The path grows by 1 mm a degree and reaches 1 mm of bone at 40 degrees.
    path = np.clip(41.0 - angle, 0.0, 30.0)
    for radius in (22.0, 26.0, 30.0):
        read = truth.outline_deg(path, np.zeros(2), frame, radius, 0.5)
        assert read == pytest.approx(40.0, abs=0.05)
    empty = truth.outline_deg(0.0 * path, np.zeros(2), frame, 26.0, 0.5)
    assert math.isnan(empty)


def test_exposure_is_repeatable_and_inverts(script: Callable[[str], Any]) -> None:
    xray = script("xray")
    soft = np.full((256, 256), 180.0, dtype=np.float32)
    soft[:, 128:] = 150.0
    bone, steel = np.zeros((256, 256)), np.zeros((256, 256), dtype=np.float32)
    bone[100:140, 60:90] = 12.0

    def picture(bright: bool) -> Any:
        how = xray.Exposure(bone_bright=bright, lines=())
        return xray.expose(soft, bone, steel, 0.6, how, np.random.default_rng(3))

    shown = picture(True)
    np.testing.assert_array_equal(shown, picture(True))
    assert shown[110:130, 65:85].mean() > shown[60:80, 65:85].mean() + 20
    inverse = picture(False).astype(float)
    disc = slice(60, 200)
    np.testing.assert_allclose(shown[disc, disc] + inverse[disc, disc], 251.0, atol=1.0)
    assert shown[0, 0] == 0
