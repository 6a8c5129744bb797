"""The whole chain on a folder of phantom pictures, driven as a person drives it.

The truth is exact; the tolerance of the recession is that of the level which one outline
follows on a thin lip and on the blunt one that a pass leaves.
"""

import json
from pathlib import Path
from typing import Any

import pytest

from tests import phantom_case
from tests.phantom_case import PhantomCase
from tracker.cli import main
from tracker.service import Service

RECESSION_MM = 0.5
LCEA_DEG = 1.5


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> PhantomCase:
    return phantom_case.write(tmp_path_factory.mktemp("phantom") / "case")


@pytest.fixture(scope="module")
def replayed(case: PhantomCase) -> dict[str, Any]:
    out = case.folder.parent / "out.json"
    assert main(["replay", str(case.folder), "--json", str(out)]) == 0
    plain: dict[str, Any] = json.loads(out.read_text())
    return plain


def test_the_first_picture_gives_the_angle(case: PhantomCase, replayed: dict[str, Any]) -> None:
    reference = replayed["reference"]

    assert reference["reasons"] == []
    assert reference["marks"] == "given"
    assert reference["scale_from"] == "head_diameter_mm"
    true = case.truth["000.png"]
    assert reference["lcea_deg"]["value"] == pytest.approx(true.lcea_deg, abs=LCEA_DEG)
    assert reference["mm_per_px"] == pytest.approx(true.mm_per_px, rel=0.02)
    assert reference["centre_px"] == pytest.approx(true.centre_px, abs=1.5)


def test_recession_is_that_of_the_scene(case: PhantomCase, replayed: dict[str, Any]) -> None:
    measured = [still for still in replayed["stills"] if still["verdict"] == "measured"]

    assert [still["file"] for still in measured] == ["001.png", "002.png", "003.png", "006.png"]
    for still in measured:
        true = case.truth[still["file"]]
        assert still["recession_mm"]["value"] == pytest.approx(true.recession_mm, abs=RECESSION_MM)


def test_what_must_not_be_measured_is_not(replayed: dict[str, Any]) -> None:
    refused = {
        still["file"]: still["reasons"][0]
        for still in replayed["stills"]
        if still["verdict"] == "refused"
    }

    assert refused == {
        "004.png": "duplicate",
        "005.png": "mirrored",
        "007.png": "rim-hidden",
        "008.png": "other-anatomy",
    }


def test_the_numbers_belong_together(replayed: dict[str, Any]) -> None:
    """The angle falls by the recession over R, and what is left with it, in every picture."""
    reference = replayed["reference"]
    radius_mm = (
        reference["mm_per_px"]
        * sum(
            (a - b) ** 2
            for a, b in zip(reference["centre_px"], reference["rim_edge_px"], strict=True)
        )
        ** 0.5
    )
    for still in replayed["stills"]:
        if still["verdict"] == "measured":
            fall_deg = reference["lcea_deg"]["value"] - still["lcea_deg"]["value"]
            arc_mm = fall_deg * 3.141592653589793 / 180 * radius_mm
            assert arc_mm == pytest.approx(still["recession_mm"]["value"], rel=0.05, abs=0.02)


@pytest.mark.slow
def test_the_record_gives_the_numbers_of_the_replay(
    case: PhantomCase, replayed: dict[str, Any], tmp_path: Path
) -> None:
    with Service(tmp_path / "record") as service:
        added = list(service.import_folder(case.folder))
        kept = [picture.result for picture in service.case("phantom").stills]

    # The same bytes again add nothing to a record.
    assert [one.is_new for one in added] == [name != "004.png" for name in phantom_case.PICTURES]
    by_name = {still["file"]: still for still in replayed["stills"]}
    for result in kept:
        assert result is not None
        still = by_name[result.file]
        assert result.verdict == still["verdict"]
        if result.removal is not None:
            assert result.removal.recession_mm.value == still["recession_mm"]["value"]
            assert result.removal.remaining_mm.value == still["remaining_mm"]["value"]
