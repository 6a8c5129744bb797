"""Lines over pictures say the same by colour, pattern and word, and carry no style of the page."""

import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest

from tracker import charts, drawing
from tracker.charts import Step, StripMarks
from tracker.drawing import Label, RimLines
from tracker.values import DepthProfile, Quantity

LINE = np.array([[10.0, 10.0], [20.0, 15.0], [30.0, 30.0], [35.0, 50.0], [38.0, 70.0]])
HIDDEN = np.array([True, True, False, False, False])
SVG_NAMES = {"svg", "g", "path", "text", "title", "line", "circle", "rect"}


def parsed(text: str) -> ET.Element:
    return ET.fromstring(text)


def points_of(path: str) -> list[tuple[float, float]]:
    return [(float(x), float(y)) for x, y in re.findall(r"(-?[\d.]+),(-?[\d.]+)", path)]


def all_lines() -> str:
    lines = RimLines(
        now=LINE,
        hidden=HIDDEN,
        start=LINE - 2,
        plan=((30.0, 30.0), (36.0, 24.0)),
        limit=((40.0, 30.0), (46.0, 24.0)),
    )
    return drawing.rim_lines(100, 80, lines, [Label((5.0, 40.0), "lateral")], "The <rim>")


def test_each_line_has_its_own_colour_pattern_and_word() -> None:
    root = parsed(all_lines())
    found = {}
    for group in root.iter("g"):
        if group.get("class"):
            strokes = group.findall("path")
            coloured = [path for path in strokes if path.get("stroke") != drawing.CASING]
            found[group.get("class")] = (
                coloured[0].get("stroke"),
                coloured[0].get("stroke-dasharray"),
                len(strokes),
            )
    assert found == {
        "now": (drawing.NOW, None, 2),
        "now hidden": (drawing.NOW, "0.1 7", 2),
        "start": (drawing.START, "7 6", 2),
        "plan": (drawing.PLAN, "14 6", 2),
        "limit": (drawing.LIMIT, None, 3),
    }
    words = [text.text for text in root.iter("text")]
    assert words == ["lower limit", "plan", "lateral"]


def test_every_coloured_line_lies_on_a_wider_dark_casing() -> None:
    for group in parsed(all_lines()).iter("g"):
        if not group.get("class"):
            continue
        first, second, *_ = group.findall("path")
        assert first.get("stroke") == drawing.CASING
        assert float(first.get("stroke-width", "")) > float(second.get("stroke-width", ""))


def test_the_outline_is_drawn_whole_and_in_its_place() -> None:
    root = parsed(all_lines())
    seen = []
    for name in ("now hidden", "now"):
        [group] = [g for g in root.iter("g") if g.get("class") == name]
        seen.append(points_of(group.findall("path")[1].get("d", "")))
    hidden, clear = seen
    assert hidden == [(10.0, 10.0), (20.0, 15.0)]
    # The visible stretch begins where the hidden one ends: no gap between them.
    assert clear == [(20.0, 15.0), (30.0, 30.0), (35.0, 50.0), (38.0, 70.0)]
    [shift] = [g.get("transform") for g in root.iter("g") if g.get("transform")]
    assert shift == "translate(0.5 0.5)"


def test_the_plan_and_the_limit_are_named_at_different_ends() -> None:
    root = parsed(all_lines())
    places = {text.text: float(text.get("y", "")) for text in root.iter("text")}
    assert places["plan"] < 24
    assert places["lower limit"] > 30


def test_words_are_escaped_and_nothing_is_styled_inline() -> None:
    text = all_lines()
    assert "The &lt;rim&gt;" in text
    assert "style=" not in text
    assert "<script" not in text
    assert {element.tag for element in parsed(text).iter()} <= SVG_NAMES


def test_an_empty_drawing_is_still_a_drawing() -> None:
    root = parsed(drawing.rim_lines(100, 80, RimLines()))
    assert root.get("viewBox") == "0 0 100 80"


def test_passes_lie_under_the_plan_and_the_oldest_is_the_lightest() -> None:
    lines = RimLines(now=LINE, start=LINE - 2, plan=((30.0, 30.0), (36.0, 24.0)))
    root = parsed(drawing.pass_lines(100, 80, [LINE, LINE + 1, LINE + 2], lines, "All <passes>"))
    names = [group.get("class") for group in root.iter("g") if group.get("class")]
    assert names == ["pass", "pass", "pass", "plan", "start"]
    passes = [group.findall("path")[1] for group in root.iter("g") if group.get("class") == "pass"]
    assert passes[-1].get("stroke") == drawing.NOW
    assert float(passes[-1].get("stroke-width", "")) > float(passes[0].get("stroke-width", ""))
    assert [points_of(path.get("d", ""))[0] for path in passes] == [
        (10.0, 10.0), (11.0, 11.0), (12.0, 12.0),
    ]  # fmt: skip


# --- the strip ---------------------------------------------------------------------------


def profile(depth: float, *, falling: bool = False) -> DepthProfile:
    angles = np.linspace(10.0, 45.0, 36)
    mm = depth * np.clip((angles - 20) / 20, 0, 1)
    return DepthProfile(angles[::-1], mm[::-1]) if falling else DepthProfile(angles, mm)


def marks(*, right: bool = True) -> StripMarks:
    return StripMarks(41.0, Quantity(2.0, 0.2, "mm"), 3.0, 6.0, right)


def test_the_strip_shows_each_pass_the_latest_in_the_colour_of_the_rim_now() -> None:
    text = charts.strip(600, 300, [profile(1.0), profile(1.5), profile(2.0)], marks(), "Strip")
    colours = [
        path.get("stroke")
        for path in parsed(text).iter("path")
        if path.get("stroke-linejoin") == "round" and path.get("stroke-opacity") is None
    ]
    passes = [colour for colour in colours if colour != drawing.PLAN]
    assert passes[-1] == drawing.NOW
    assert len(set(passes)) == 3
    lightness = [sum(int(colour[k : k + 2], 16) for k in (1, 3, 5)) for colour in passes if colour]
    assert lightness == sorted(lightness, reverse=True)


@pytest.mark.parametrize("right", [True, False])
def test_the_strip_has_lateral_on_the_side_on_which_the_picture_has_it(right: bool) -> None:
    root = parsed(charts.strip(600, 300, [profile(2.0)], marks(right=right), "Strip"))
    at = {text.text: float(text.get("x", "")) for text in root.iter("text")}
    assert (at["lateral"] > at["towards the mid-line"]) == right
    [dot] = root.iter("circle")
    assert (float(dot.get("cx", "")) > 300) == right


def test_depth_runs_downwards_and_the_interval_spans_it() -> None:
    root = parsed(charts.strip(600, 300, [profile(2.0)], marks(), "Strip"))
    [dot] = root.iter("circle")
    [interval] = [path for path in root.iter("path") if path.get("class") == "interval"]
    heights = [float(y) for y in re.findall(r"M[\d.]+,([\d.]+)", interval.get("d", ""))]
    plan = next(g for g in root.iter("g") if g.get("class") == "plan")
    planned = points_of(plan.findall("path")[0].get("d", ""))[0][1]
    value = float(dot.get("cy", ""))
    assert min(heights) < value < max(heights)
    assert planned > value


def test_a_rim_that_turns_back_draws_no_loop() -> None:
    angles = np.array([10.0, 20.0, 30.0, 28.0, 35.0, 40.0])
    folded = DepthProfile(angles, np.linspace(0, 2, 6))
    kept = charts._onwards(folded)
    assert [angle for angle, _ in kept] == sorted((angle for angle, _ in kept), reverse=True)
    assert len(kept) == 5
    assert charts._onwards(profile(1.0)) == charts._onwards(profile(1.0, falling=True))


# --- the chart ---------------------------------------------------------------------------


def steps() -> list[Step]:
    return [
        Step(1, Quantity(0.1, 0.1, "mm"), Quantity(3.2, 0.3, "mm")),
        Step(2),
        Step(3, Quantity(3.5, 0.1, "mm"), Quantity(-0.2, 0.3, "mm")),
    ]


def test_the_chart_shows_every_value_with_its_interval_and_names_what_is_missing() -> None:
    root = parsed(charts.chart(700, 500, steps(), limit_mm=-3.0, greatest_mm=6.0, title="Chart"))
    assert len(list(root.iter("circle"))) == 2
    assert len([rect for rect in root.iter("rect") if rect.get("class") == "value"]) == 2
    assert len([p for p in root.iter("path") if p.get("class") == "interval"]) == 4
    words = [text.text for text in root.iter("text")]
    assert words.count("measured") == 1
    assert {"plan", "lower limit", "greatest depth"} <= set(words)


def test_no_minus_sign_stands_before_what_is_left() -> None:
    text = charts.chart(700, 500, steps(), limit_mm=-3.0, greatest_mm=None, title="Chart")
    words = [element.text or "" for element in parsed(text).iter("text")]
    assert any(word.endswith(" past") for word in words)
    assert not any(word.startswith(("-", "−")) for word in words)


def test_more_removed_stands_higher_and_more_left_too() -> None:
    root = parsed(charts.chart(700, 500, steps(), limit_mm=None, greatest_mm=None, title="Chart"))
    removed = [float(dot.get("cy", "")) for dot in root.iter("circle")]
    left = [float(rect.get("y", "")) for rect in root.iter("rect")]
    assert removed[1] < removed[0]
    assert left[1] > left[0]


def test_the_same_case_gives_the_same_drawing() -> None:
    first = charts.chart(700, 500, steps(), limit_mm=-3.0, greatest_mm=6.0, title="Chart")
    assert first == charts.chart(700, 500, steps(), limit_mm=-3.0, greatest_mm=6.0, title="Chart")
