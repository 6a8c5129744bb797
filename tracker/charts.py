"""The rim unrolled (the strip), and removed and left over the pictures (the chart), as SVG text.

Both are made from the same pieces and colours as the lines over pictures.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from tracker.drawing import (
    CASING,
    LIMIT,
    PLAN,
    dot,
    double_line,
    grid_line,
    interval,
    path_through,
    square,
    stroked,
    svg,
    tint,
    titled,
    written,
)
from tracker.values import DepthProfile, Floats, Quantity


@dataclass(frozen=True, slots=True)
class Step:
    """One picture of the case on the chart; without numbers it was not measured."""

    number: int
    removed_mm: Quantity | None = None
    left_mm: Quantity | None = None


@dataclass(frozen=True, slots=True)
class StripMarks:
    """What the strip shows beside the depth: all at the edge; and the words for its ends."""

    edge_deg: float
    removed_mm: Quantity | None
    plan_mm: float | None
    greatest_mm: float | None
    lateral_on_the_right: bool
    ends: tuple[str, str] = ("towards the mid-line", "lateral")
    edge: str = "lateral edge"


# --- the strip ---------------------------------------------------------------------------


def strip(
    width: int, height: int, profiles: Sequence[DepthProfile], marks: StripMarks, title: str
) -> str:
    """Draw the rim unrolled: degrees from the vertical along, millimetres removed downwards.

    Parameters
    ----------
    width, height : int
        Of the drawing.
    profiles : sequence of DepthProfile
        One for each measured picture, the oldest first.
    marks : StripMarks
    title : str

    Returns
    -------
    str
        An ``svg`` element.
    """
    left, right, top, bottom = 80, 24, 34, 50
    angles = np.concatenate([profile.angle_deg for profile in profiles] or [np.array([0.0, 60.0])])
    low, high = float(angles.min()), float(max(angles.max(), marks.edge_deg + 2))
    deepest = max(
        [2.0]
        + [float(profile.depth_mm.max()) for profile in profiles if len(profile.depth_mm)]
        + [mm for mm in (marks.plan_mm, marks.greatest_mm) if mm is not None]
        + ([marks.removed_mm.high] if marks.removed_mm else [])
    )
    deepest = float(np.ceil(deepest * 1.08))
    # A depth under zero is noise or a fault of pose: shown as it is.
    least = [float(profile.depth_mm.min()) for profile in profiles if len(profile.depth_mm)]
    shallowest = min(0.0, *least) if least else 0.0

    def x(angle: float) -> float:
        share = (angle - low) / max(high - low, 1e-9)
        share = share if marks.lateral_on_the_right else 1 - share
        return left + share * (width - left - right)

    def y(depth: float) -> float:
        share = (depth - shallowest) / (deepest - shallowest)
        return top + share * (height - top - bottom)

    parts = [titled(title)]
    for mm in _round_steps(deepest, most=max(2, height // 60)):
        parts.append(grid_line((left, y(mm)), (width - right, y(mm))))
        parts.append(written(left - 10, y(mm) + 5, f"{mm:g} mm", "end"))
    for angle in range(int(np.ceil(low / 15)) * 15, int(high) + 1, 15):
        parts.append(grid_line((x(angle), top), (x(angle), y(deepest))))
        parts.append(written(x(angle), height - bottom + 20, f"{angle}°", "middle"))
    ends = marks.ends
    ends = ends if marks.lateral_on_the_right else (ends[1], ends[0])
    parts.append(written(left, height - 8, ends[0], "start"))
    parts.append(written(width - right, height - 8, ends[1], "end"))
    if marks.greatest_mm is not None:
        line = np.array([[left, y(marks.greatest_mm)], [width - right, y(marks.greatest_mm)]])
        parts.append(double_line(path_through(line), "limit"))
        parts.append(written(width - right, y(marks.greatest_mm) - 9, "greatest depth", "end"))
    for k, profile in enumerate(profiles):
        points = np.array([(x(a), y(d)) for a, d in _onwards(profile)])
        if len(points) < 2:
            continue
        is_last = k == len(profiles) - 1
        parts.append(_pass(points, y(0), tint(k, len(profiles)), is_last))
    at = x(marks.edge_deg)
    if marks.removed_mm is not None:
        parts.append(interval(at, y(marks.removed_mm.low), y(marks.removed_mm.high)))
        parts.append(dot(at, y(marks.removed_mm.value)))
    if marks.plan_mm is not None:
        tick = np.array([[at - 16, y(marks.plan_mm)], [at + 16, y(marks.plan_mm)]])
        parts.append(stroked(path_through(tick), PLAN, 4, "plan", "14 4"))
        away = 22 if at < width - right - 60 else -22
        parts.append(
            written(at + away, y(marks.plan_mm) + 5, "plan", "start" if away > 0 else "end")
        )
    parts.append(written(at, top - 14, marks.edge, "middle"))
    return svg(width, height, "strip", parts)


def _onwards(profile: DepthProfile) -> list[tuple[float, float]]:
    """Return angle and depth while the angle falls: where the rim turns back it hides itself."""
    order = np.arange(len(profile.angle_deg))
    if len(order) and profile.angle_deg[0] < profile.angle_deg[-1]:
        order = order[::-1]
    found: list[tuple[float, float]] = []
    for k in order:
        if not found or profile.angle_deg[k] < found[-1][0]:
            found.append((float(profile.angle_deg[k]), float(profile.depth_mm[k])))
    return found


def _pass(points: Floats, zero: float, colour: str, is_last: bool) -> str:
    path, width = path_through(points), 3.0 if is_last else 1.75
    shared = 'fill="none" stroke-linejoin="round" vector-effect="non-scaling-stroke"'
    # The dark casing keeps the lightest tint readable on a light page.
    line = (
        f'<path d="{path}" {shared} stroke="{CASING}" stroke-opacity="0.7" '
        f'stroke-width="{width + 1.5:g}"/>'
        f'<path d="{path}" {shared} stroke="{colour}" stroke-width="{width:g}"/>'
    )
    if not is_last:
        return line
    closed = f"{path} L{points[-1, 0]:.1f},{zero:.1f} L{points[0, 0]:.1f},{zero:.1f} Z"
    return f'<path d="{closed}" fill="{colour}" fill-opacity="0.16"/>{line}'


# --- the chart ---------------------------------------------------------------------------


def chart(
    width: int,
    height: int,
    steps: Sequence[Step],
    *,
    limit_mm: float | None,
    greatest_mm: float | None,
    title: str,
) -> str:
    """Draw removed and left over the pictures, each with its interval.

    Parameters
    ----------
    width, height : int
        Of the drawing.
    steps : sequence of Step
        In the order in which the pictures came.
    limit_mm : float or None
        What is left (a negative number) where the lower limit is reached.
    greatest_mm : float or None
        The greatest depth.
    title : str

    Returns
    -------
    str
        An ``svg`` element.
    """
    left, right, top, gap, bottom = 76, 128, 40, 62, 40
    panel = (height - top - gap - bottom) / 2
    spread = (width - left - right) / max(len(steps), 1)

    def x(k: int) -> float:
        return left + (k + 0.5) * spread

    parts = [titled(title)]
    removed = [(k, s.removed_mm) for k, s in enumerate(steps) if s.removed_mm is not None]
    remaining = [(k, s.left_mm) for k, s in enumerate(steps) if s.left_mm is not None]
    lines: list[tuple[float, str, str]] = []
    if greatest_mm is not None:
        lines.append((greatest_mm, LIMIT, "greatest depth"))
    box: tuple[float, float, float, float] = (left, width - right, top, top + panel)
    parts += _panel(box, "removed, mm", removed, lines, x, round_dots=True)
    lines = [(0.0, PLAN, "plan")]
    if limit_mm is not None:
        lines.append((limit_mm, LIMIT, "lower limit"))
    box = (left, width - right, top + panel + gap, height - bottom)
    parts += _panel(box, "left to the plan, mm", remaining, lines, x, round_dots=False)
    for k, step in enumerate(steps):
        parts.append(written(x(k), height - bottom + 24, str(step.number), "middle"))
        if step.removed_mm is None:
            parts.append(written(x(k), top + panel + gap / 2 - 19, "not", "middle", small=True))
            parts.append(written(x(k), top + panel + gap / 2 - 6, "measured", "middle", small=True))
    parts.append(written(left - 10, height - bottom + 24, "picture", "end"))
    return svg(width, height, "chart", parts)


def _panel(
    box: tuple[float, float, float, float],
    name: str,
    points: Sequence[tuple[int, Quantity]],
    lines: Sequence[tuple[float, str, str]],
    x: Callable[[int], float],
    *,
    round_dots: bool,
) -> list[str]:
    left, right, top, bottom = box
    values = [0.0, 1.0] + [end for _, q in points for end in (q.low, q.high)]
    values += [value for value, _, _ in lines]
    low, high = min(values) - 0.2, float(np.ceil(max(values) + 0.2))

    def y(mm: float) -> float:
        return bottom - (mm - low) / (high - low) * (bottom - top)

    parts = [written(left, top - 16, name, "start", strong=True)]
    for mm in _round_steps(high, low):
        parts.append(grid_line((left, y(mm)), (right, y(mm))))
        parts.append(
            written(left - 10, y(mm) + 5, f"{mm:g}" if mm >= 0 else f"{-mm:g} past", "end")
        )
    for value, colour, word in lines:
        line = path_through(np.array([[left, y(value)], [right, y(value)]]))
        parts.append(
            double_line(line, "limit")
            if colour == LIMIT
            else stroked(line, PLAN, 2.5, "plan", "14 6")
        )
        parts.append(written(right + 12, y(value) + 5, word, "start"))
    if len(points) > 1:
        joined = path_through(np.array([(x(k), y(q.value)) for k, q in points]))
        parts.append(
            f'<path d="{joined}" fill="none" stroke="currentColor" stroke-opacity="0.55" '
            f'stroke-width="1.5" vector-effect="non-scaling-stroke"/>'
        )
    for k, q in points:
        parts.append(interval(x(k), y(q.low), y(q.high)))
        parts.append(dot(x(k), y(q.value)) if round_dots else square(x(k), y(q.value)))
    return parts


def _round_steps(high: float, low: float = 0.0, most: int = 6) -> list[float]:
    """Return round numbers from low to high, that many steps at most."""
    step = next(s for s in (0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0) if (high - low) / s <= most)
    return [float(k * step) for k in range(int(np.ceil(low / step)), int(high / step) + 1)]
