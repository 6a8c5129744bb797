"""The demo case, measured from the command line, against its known truth."""

import json
from pathlib import Path
from typing import Any

import pytest

from tracker.cli import main

pytestmark = pytest.mark.slow

DEMO = Path(__file__).resolve().parents[1] / "demo_frames"
RECESSION_MM = 0.35
LCEA_DEG = 2.0


@pytest.fixture(scope="module")
def replayed(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    out = tmp_path_factory.mktemp("demo") / "out.json"
    assert main(["replay", str(DEMO / "case"), "--json", str(out)]) == 0
    plain: dict[str, Any] = json.loads(out.read_text())
    return plain


@pytest.fixture(scope="module")
def truth() -> dict[str, dict[str, Any]]:
    """What is true of each picture, by file name; ``measure`` says whether it may be measured."""
    plain = json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))
    return {
        picture["file"]: plain["states"][picture["state"]] | {"kind": picture["kind"]}
        for picture in plain["pictures"]
    }


def test_what_may_be_measured_is_and_what_must_not_is_not(
    replayed: dict[str, Any], truth: dict[str, Any]
) -> None:
    for still in replayed["stills"]:
        wanted = "measured" if truth[still["file"]]["kind"] == "measure" else "refused"
        assert still["verdict"] == wanted, still["file"]


def test_recession_and_angle_are_those_of_the_bone(
    replayed: dict[str, Any], truth: dict[str, Any]
) -> None:
    for still in replayed["stills"]:
        if still["verdict"] == "measured":
            true = truth[still["file"]]
            removed, angle = still["recession_mm"], still["lcea_deg"]
            assert removed["value"] == pytest.approx(true["recession_mm"], abs=RECESSION_MM)
            assert angle["value"] == pytest.approx(true["lcea_deg"], abs=LCEA_DEG)


def test_the_intervals_hold_the_truth(replayed: dict[str, Any], truth: dict[str, Any]) -> None:
    """19 times in 20 is meant; of the demo's eight pictures one may lie outside."""
    outside = [
        still["file"]
        for still in replayed["stills"]
        if still["verdict"] == "measured"
        and abs(still["recession_mm"]["value"] - truth[still["file"]]["recession_mm"])
        > 2 * still["recession_mm"]["u"]
    ]

    assert len(outside) <= 1


def test_the_demo_prints_its_table_against_truth(capfd: pytest.CaptureFixture[str]) -> None:
    assert main(["demo", "--no-serve"]) == 0

    printed = capfd.readouterr().out
    assert "truth mm" in printed
    assert "8 of 9 pictures measured" in printed
