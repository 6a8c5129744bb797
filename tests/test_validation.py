"""docs/validation.md is what its generator writes, in everything but what was measured."""

import re
import xml.etree.ElementTree as ET
from pathlib import Path

import numpy as np
import pytest

from tests.validation import document, folders, observers, phantoms, published, run, svg, sweeps
from tests.validation.libraries import METHODS
from tests.validation.outcomes import Number, Outcome, message_right, rms_z, within_2u
from tracker.values import Quantity

ROOT = Path(__file__).resolve().parents[1]
TEXT = (ROOT / "docs" / "validation.md").read_text(encoding="utf-8")


def blocks(text: str) -> dict[str, str]:
    return {found[2]: found[3] for found in document.BLOCK.finditer(text)}


# --- the document ------------------------------------------------------------------------------


def test_every_block_is_there_and_measured() -> None:
    found = blocks(TEXT)
    assert list(found) == list(run.BLOCKS)
    assert all("| --- |" in text for text in found.values())


def test_no_measured_figure_is_typed_by_hand() -> None:
    """Beside the blocks of a section there is no number with a unit of a measured thing."""
    sections = [text for text in TEXT.split("\n## ") if document.BLOCK.search(text)]
    assert len(sections) == len(run.BLOCKS)
    for section in sections:
        prose = document.BLOCK.sub("", section)
        assert re.findall(r"\d[\d.,]*\s*(?:mm|ms|MB|°|%|px|degrees)", prose) == []


def test_every_figure_is_a_picture() -> None:
    named = re.findall(r"\]\(figures/([^)]+)\)", TEXT)
    kept = {path.name for path in (ROOT / "docs" / "figures").glob("*.svg")}
    assert len(named) >= 10
    assert set(named) == kept
    for name in named:
        root = ET.fromstring((ROOT / "docs" / "figures" / name).read_text(encoding="utf-8"))
        assert root.tag == "{http://www.w3.org/2000/svg}svg"


@pytest.mark.slow
def test_the_generator_runs_and_writes_the_same_structure(tmp_path: Path) -> None:
    """A few pictures of everything.  If this fails: python -m tests.validation."""
    run.write(tmp_path, tuple(run.BLOCKS), run.SHORT, cases=None, jobs=1, say=len)
    short = blocks((tmp_path / "validation.md").read_text(encoding="utf-8"))
    current = blocks(TEXT)
    for name in run.BLOCKS:
        mine = document.skeleton(short[name])
        assert mine, name
        if name == "speed":  # its head names the sizes
            mine, theirs = (
                [re.sub(r"\d+", "", line) for line in document.skeleton(text)]
                for text in (short[name], current[name])
            )
        else:
            theirs = document.skeleton(current[name])
        assert set(mine) <= set(theirs), name
    assert document.BLOCK.sub("", TEXT) == document.BLOCK.sub(
        "", (tmp_path / "validation.md").read_text(encoding="utf-8")
    )


def test_renewing_one_block_leaves_the_others() -> None:
    renewed = document.renewed(TEXT, {"published": document.Block("new\n")})
    before, after = blocks(TEXT), blocks(renewed)
    assert after.pop("published") == "new\n"
    before.pop("published")
    assert after == before


# --- what it is made with -----------------------------------------------------------------------


def outcome(error: float, u: float = 0.1) -> Outcome:
    return Outcome("set", "case", "1", True, numbers={"recession": Number(1.0 + error, u, 1.0)})


def test_coverage_counts() -> None:
    numbers = [outcome(error).numbers["recession"] for error in (0.0, 0.1, -0.19, 0.21)]
    assert within_2u(numbers) == 0.75
    assert rms_z(numbers) == pytest.approx(np.sqrt((1 + 1.9**2 + 2.1**2) / 4))


@pytest.mark.parametrize(
    ("value", "true", "right"), [(1.0, 1.0, True), (1.0, -1.0, False), (0.1, 0.3, True),
                                 (0.1, 0.5, False), (-1.0, -0.2, True)],
)  # fmt: skip
def test_messages_are_judged_at_both_ends(value: float, true: float, right: bool) -> None:
    assert message_right(Quantity(value, 0.1, "mm"), true) is right


def test_bland_altman_of_known_differences() -> None:
    """Bland and Altman 1986, Lancet i:307, 17 pairs of peak flow: mean -2.1, SD 38.8."""
    large = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
    mini = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]
    outcomes = [
        Outcome("flow", str(k), "1", True, numbers={"recession": Number(a, 1.0, b)})
        for k, (a, b) in enumerate(zip(large, mini, strict=True))
    ]
    block = document.agreement(outcomes)
    assert "| flow | 17 | -2.12 | 38.77 | -78.10 to 73.86 | 16.28 |" in block.text
    assert list(block.figures) == ["agreement-flow.svg"]


def test_a_figure_puts_points_where_they_belong() -> None:
    axes = svg.Axes("x", "y & z", (0.0, 10.0), (0.0, 1.0))
    text = svg.plot("a < b", axes, [svg.Series("", [(0.0, 0.0), (10.0, 1.0), (5.0, np.nan)])])
    root = ET.fromstring(text)
    circles = [e for e in root.iter() if e.tag.endswith("circle")]
    places = [(float(c.attrib["cx"]), float(c.attrib["cy"])) for c in circles]
    bottom, right = svg.HEIGHT - svg.BOTTOM, svg.WIDTH - svg.RIGHT
    assert places == [(svg.LEFT, bottom), (right, svg.TOP)]


@pytest.mark.parametrize("check", published.CHECKS, ids=lambda check: check.what)
def test_published_values_are_met(check: published.Check) -> None:
    assert check.agrees


def test_way_from_agreement_to_degrees() -> None:
    """Worked: SD 7, ICC 0.90 gives 2.21 and 6.14; limits -2 … +10 an SD of differences of 3.06."""
    one = observers.Observer("", "", icc=0.90)
    assert one.one_reading_deg == pytest.approx(2.21, abs=0.005)
    assert one.least_change_deg == pytest.approx(6.14, abs=0.01)
    two = observers.Observer("", "", limits_deg=(-2.0, 10.0))
    assert two.one_reading_deg * np.sqrt(2) == pytest.approx(3.06, abs=0.005)


def test_truth_of_the_demo_case_is_read_at_the_radius_looked_at() -> None:
    case = folders.demo_case()
    first, last = case.pictures[0], case.pictures[-1]
    assert case.angle_deg(first, case.radius_mm) == pytest.approx(first.lcea_deg, abs=1e-3)
    assert case.angle_deg(first, case.radius_mm + 2) < first.lcea_deg - 2
    assert case.angle_deg(last, case.radius_mm) == pytest.approx(last.lcea_deg, abs=1e-3)


def test_a_perfect_registration_has_no_error_at_the_rim() -> None:
    _, _, scene, truth, _ = phantoms.pair(0, phantoms.REGIMES[1])
    edge = phantoms.first_edge(scene)
    assert phantoms.edge_error_mm(truth.to_reference, truth.to_reference, edge, 0.3) < 1e-9
    off = truth.to_reference.copy()
    off[:, 2] += [3.0, 4.0]
    assert phantoms.edge_error_mm(off, truth.to_reference, edge, 0.3) == pytest.approx(1.5)


def test_hidden_share_grows_as_the_instruments_come_down() -> None:
    (sweep,) = (s for s in sweeps.SWEEPS if s.key == "hidden")
    shares = [sweeps.hidden_share(sweep.scene(value)) for value in sweep.values]
    assert shares[0] == 0.0
    assert shares == sorted(shares)
    assert shares[-1] > 0.3


def test_ours_is_compared_first() -> None:
    assert next(iter(METHODS)) == "this tool"
    assert len(METHODS) == 4
