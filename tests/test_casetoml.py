"""case.toml: every key read, every mistake named with its place, in one line."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracker.casetoml import parse_case
from tracker.errors import InvalidCase

HEAD = 'id = "p00"\nside = "right"\nview = "AP"\n'
SCALE = "[scale]\nhead_diameter_mm = 48.6\n"
PLAN = "[plan]\ntarget_lcea_deg = 33.0\nfloor_lcea_deg = 25.0\n"
MARKS = (
    "[marks]\nhead = [[600, 400], [500, 300], [400, 400]]\nrim_edge = [410.5, 330]\n"
    "horizontal = [[300, 500], [700, 503]]\n"
)
WHOLE = HEAD + SCALE + PLAN


def test_the_least_that_is_needed() -> None:
    setup = parse_case(WHOLE)

    assert (setup.id, setup.side, setup.view) == ("p00", "right", "AP")
    assert setup.scale.head_diameter_mm == 48.6
    assert (setup.plan.target_lcea_deg, setup.plan.floor_lcea_deg) == (33.0, 25.0)
    assert setup.marks is None
    assert setup.plate is None


def test_everything_that_can_be_said() -> None:
    setup = parse_case(
        "schema = 1\n"
        + HEAD
        + SCALE
        + "mm_per_px = 0.161\nobject_diameter_mm = 5.5\nobject_px = [[1, 2], [30, 2]]\n"
        + 'object_file = "001.png"\n'
        + PLAN
        + 'depth_mm = 4\nmax_depth_mm = 6\nclock = ["11:30", "3:00"]\n'
        + MARKS
        + '[distortion]\ngrid = "grid.png"\nbead_spacing_mm = 10\n'
    )

    assert setup.scale.object_px == ((1.0, 2.0), (30.0, 2.0))
    assert setup.scale.object_file == "001.png"
    assert (setup.plan.depth_mm, setup.plan.max_depth_mm) == (4.0, 6.0)
    assert setup.plan.clock == ("11:30", "3:00")
    assert setup.plate is not None
    assert (setup.plate.file, setup.plate.bead_spacing_mm) == ("grid.png", 10.0)
    assert setup.marks is not None
    assert setup.marks.source == "given"
    assert setup.marks.rim_edge_px == (410.5, 330.0)


def test_the_direction_of_the_axis_is_as_sure_as_its_ends_and_length_allow() -> None:
    """Two ends with 2 px of scatter, 400 px apart: sqrt(2) * 2 / 400 radians."""
    marks = parse_case(WHOLE + MARKS).marks

    assert marks is not None
    assert marks.u_px == 2.0
    expected = math.degrees(math.sqrt(2) * 2 / math.dist((300, 500), (700, 503)))
    assert marks.u_horizontal_deg == pytest.approx(expected)


MISTAKES = {
    "no id": (WHOLE.replace('id = "p00"\n', ""), "case.toml: id is missing"),
    "empty id": (WHOLE.replace('"p00"', '" "'), "case.toml: id must be a pseudonym"),
    "no side": (WHOLE.replace('side = "right"\n', ""), "case.toml: side is missing"),
    "other side": (WHOLE.replace('"right"', '"Right"'), 'side must be "left" or "right"'),
    "side of another type": (WHOLE.replace('"right"', "1"), "case.toml: side must be"),
    "side a list": (WHOLE.replace('"right"', "[]"), "case.toml: side must be"),
    "no view": (WHOLE.replace('view = "AP"\n', ""), "case.toml: view is missing"),
    "unknown view": (WHOLE.replace('"AP"', '"PA"'), "case.toml: view must be"),
    "no scale": (HEAD + PLAN, "case.toml: scale is missing"),
    "empty scale": (HEAD + "[scale]\n" + PLAN, "[scale] is empty"),
    "scale no table": ("scale = 3\n" + HEAD + PLAN, "scale must be a table, [scale]"),
    "scale in words": (WHOLE.replace("48.6", '"48"'), "[scale] head_diameter_mm must be a number"),
    "scale true": (WHOLE.replace("48.6", "true"), "[scale] head_diameter_mm must be a number"),
    "scale nan": (WHOLE.replace("48.6", "nan"), "head_diameter_mm must be a finite number"),
    "scale inf": (WHOLE.replace("48.6", "inf"), "head_diameter_mm must be a finite number"),
    "scale huge": (WHOLE.replace("48.6", "9" * 400), "head_diameter_mm must be a finite number"),
    "scale in cm": (WHOLE.replace("48.6", "4.86"), "head_diameter_mm is 4.86; it must lie between"),
    "object without points": (
        HEAD + "[scale]\nobject_diameter_mm = 5.5\n" + PLAN,
        "[scale] object_px is missing",
    ),
    "points without object": (
        WHOLE.replace("48.6", "48.6\nobject_px = [[1, 2], [3, 4]]"),
        "[scale] object_diameter_mm is missing",
    ),
    "object file elsewhere": (
        WHOLE.replace(
            "48.6",
            '48.6\nobject_diameter_mm = 5\nobject_px = [[1, 2], [3, 4]]\nobject_file = "../a.png"',
        ),
        "[scale] object_file must be the name of a file in the folder",
    ),
    "no plan": (HEAD + SCALE, "case.toml: plan is missing"),
    "no limit": (WHOLE.replace("floor_lcea_deg = 25.0\n", ""), "[plan] floor_lcea_deg is missing"),
    "no target": (WHOLE.replace("target_lcea_deg = 33.0\n", ""), "[plan] has neither"),
    "target at the limit": (
        WHOLE.replace("33.0", "25.0"),
        "[plan] target_lcea_deg is 25, not above",
    ),
    "target under the limit": (
        WHOLE.replace("33.0", "20"),
        "[plan] target_lcea_deg is 20, not above",
    ),
    "depth over the greatest": (
        WHOLE + "depth_mm = 7\nmax_depth_mm = 6\n",
        "[plan] depth_mm is 7, more than max_depth_mm, 6",
    ),
    "depth negative": (WHOLE + "depth_mm = -1\n", "[plan] depth_mm is -1; it must lie between"),
    "clock of one": (WHOLE + 'clock = ["3:00"]\n', "[plan] clock must be two times"),
    "clock past 12": (WHOLE + 'clock = ["13:00", "3:00"]\n', "[plan] clock must be two times"),
    "unknown key": (WHOLE.replace("target_lcea_deg", "target_lcea"), "[plan] target_lcea is not a"),
    "unknown key on top": ("colour = 1\n" + WHOLE, "case.toml: colour is not a known key"),
    "unknown table": (WHOLE + "[patient]\n", "case.toml: patient is not a known key"),
    "newer schema": ("schema = 2\n" + WHOLE, "schema is 2; this software reads up to 1"),
    "schema in words": ('schema = "1"\n' + WHOLE, "schema must be a whole number"),
    "no toml": ("id = \n", "not valid TOML at line 1"),
    "a key twice": (HEAD + HEAD, "not valid TOML at line"),
    "marks without edge": (
        WHOLE + MARKS.replace("rim_edge = [410.5, 330]\n", ""),
        "[marks] rim_edge is missing",
    ),
    "two head points": (WHOLE + MARKS.replace(", [400, 400]", ""), "[marks] head has 2"),
    "the same point twice": (
        WHOLE + MARKS.replace("[400, 400]", "[500, 300]"),
        "[marks] head has the same point twice",
    ),
    "point of three": (WHOLE + MARKS.replace("410.5, 330", "1, 2, 3"), "rim_edge must be a point"),
    "point of words": (WHOLE + MARKS.replace("410.5", '"x"'), "[marks] rim_edge must be a number"),
    "point on no picture": (
        WHOLE + MARKS.replace("410.5", "1e308"),
        "[marks] rim_edge has a point that lies on no picture",
    ),
    "head on no picture": (
        WHOLE + MARKS.replace("[600, 400]", "[-12000, 400]"),
        "[marks] head has a point that lies on no picture",
    ),
    "more digits than Python reads": (
        WHOLE.replace("48.6", "9" * 6000),
        "case.toml holds a number with too many digits",
    ),
    "axis of one point": (WHOLE + MARKS.replace(", [700, 503]", ""), "[marks] horizontal has 1"),
    "axis of no length": (
        WHOLE + MARKS.replace("[700, 503]", "[300, 500]"),
        "[marks] horizontal has the same point twice",
    ),
    "axis the wrong way": (
        WHOLE + MARKS.replace("[[300, 500], [700, 503]]", "[[700, 503], [300, 500]]"),
        "[marks] horizontal must run from image left to image right",
    ),
    "plate without spacing": (
        WHOLE + '[distortion]\ngrid = "grid.png"\n',
        "[distortion] bead_spacing_mm is missing",
    ),
}


@pytest.mark.parametrize("name", MISTAKES)
def test_a_mistake_is_named_with_its_place(name: str) -> None:
    text, said = MISTAKES[name]

    with pytest.raises(InvalidCase) as caught:
        parse_case(text)

    assert said in caught.value.message
    assert "\n" not in caught.value.message + caught.value.hint


@given(st.text(max_size=200))
def test_arbitrary_text_is_refused_in_one_line(text: str) -> None:
    with pytest.raises(InvalidCase) as caught:
        parse_case(text)
    assert "\n" not in caught.value.message
