"""Drawings of what lies beside the resection, and of a case over its time, as SVG text.

They use the pieces of :mod:`tracker.drawing`; shapes and words tell things apart, and the four line
colours keep their one meaning each.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from tracker.around_sums import place
from tracker.drawing import (
    PLAN,
    dot,
    grid_line,
    interval,
    path_through,
    square,
    stroked,
    svg,
    titled,
    written,
)
from tracker.values import Floats, Quantity, ThinnedProfile

_HOUR: Final = 2 * math.pi / 12


# --- the clock face ----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ClockMark:
    """An anchor's place on the clock face, in minutes from 12, and whether it is in."""

    minutes: float
    text: str
    is_in: bool


def clock_face(
    size: int, zone: tuple[float, float] | None, marks: Sequence[ClockMark], title: str
) -> str:
    """Draw the rim's clock face with the labrum's detached stretch and the anchors.

    Parameters
    ----------
    size : int
        Width and height of the drawing.
    zone : tuple of float or None
        From and to, minutes from 12, clockwise.
    marks : sequence of ClockMark
    title : str

    Returns
    -------
    str
        An ``svg`` element.
    """
    middle, radius = size / 2, size * 0.35

    def at(minutes: float, reach: float = 1.0) -> tuple[float, float]:
        turn = minutes / 60 * _HOUR
        return middle + reach * radius * math.sin(turn), middle - reach * radius * math.cos(turn)

    parts = [titled(title)]
    parts.append(
        f'<circle cx="{middle:g}" cy="{middle:g}" r="{radius:.1f}" fill="none" '
        'stroke="currentColor" stroke-opacity="0.4" stroke-width="2"/>'
    )
    for hour in range(12):
        inner, outer = at(hour * 60, 0.95), at(hour * 60, 1.05)
        parts.append(grid_line(inner, outer))
    for minutes, text in ((0, "12"), (180, "3 front"), (360, "6"), (540, "back 9")):
        x, y = at(minutes, 0.8)
        anchor = {180: "end", 540: "start"}.get(minutes, "middle")
        parts.append(written(x, y + 5, text, anchor, small=True))
    if zone is not None:
        begin, length = zone[0], (zone[1] - zone[0]) % 720
        points = np.array([at(begin + length * k / 60) for k in range(61)])
        parts.append(
            f'<path class="zone" d="{path_through(points)}" fill="none" stroke="currentColor" '
            'stroke-width="7" stroke-linecap="butt"/>'
        )
        parts += [_spoke(at(edge, 0.91), at(edge, 1.09)) for edge in zone]
    for mark in marks:
        x, y = at(mark.minutes)
        inside = "currentColor" if mark.is_in else "var(--ground, #000)"
        parts.append(
            f'<circle class="anchor{" is-in" if mark.is_in else ""}" cx="{x:.1f}" cy="{y:.1f}" '
            f'r="9" fill="{inside}" stroke="currentColor" stroke-width="3"/>'
        )
        if mark.is_in:
            tick = f"M{x - 4:.1f},{y:.1f} l3,3.5 l5.5,-6.5"
            parts.append(
                f'<path d="{tick}" fill="none" stroke="var(--ground, #000)" stroke-width="2.5"/>'
            )
        x, y = at(mark.minutes, 1.2)
        sideways = math.sin(mark.minutes / 60 * _HOUR)
        anchor = "start" if sideways > 0.3 else "end" if sideways < -0.3 else "middle"
        parts.append(written(x, y + 5, mark.text, anchor))
    return svg(size, size, "clock-face", parts)


# --- eye and measurement -----------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Judged:
    """One picture: what the eye took to be removed, and what was measured."""

    number: int
    eye_mm: float | None
    measured_mm: Quantity | None


def eye_chart(width: int, height: int, judged: Sequence[Judged], title: str) -> str:
    """Draw the surgeon's own estimates beside the measurement, picture by picture.

    Parameters
    ----------
    width, height : int
    judged : sequence of Judged
        In the order of the pictures.
    title : str

    Returns
    -------
    str
        An ``svg`` element.
    """
    left, right, top, bottom = 76, 128, 40, 44
    ends = [1.0, *(one.eye_mm for one in judged if one.eye_mm is not None)]
    ends += [one.measured_mm.high for one in judged if one.measured_mm is not None]
    lows = [0.0, *(one.measured_mm.low for one in judged if one.measured_mm is not None)]
    low, high = min(lows), math.ceil(max(ends) + 0.2)
    spread = (width - left - right) / max(len(judged), 1)

    def x(k: int) -> float:
        return left + (k + 0.5) * spread

    def y(mm: float) -> float:
        return height - bottom - (mm - low) / (high - low) * (height - top - bottom)

    parts = [titled(title), written(left, top - 16, "removed, mm", "start", strong=True)]
    parts += _levels(low, high, left, width - right, y)
    eyes = np.array(
        [(x(k) - 9, y(one.eye_mm)) for k, one in enumerate(judged) if one.eye_mm is not None]
    )
    if len(eyes) > 1:
        parts.append(_joined(eyes, "2 5"))
    seen = np.array(
        [(x(k) + 9, y(one.measured_mm.value)) for k, one in enumerate(judged) if one.measured_mm]
    )
    if len(seen) > 1:
        parts.append(_joined(seen))
    for at_x, at_y in eyes:
        parts.append(_diamond(at_x, at_y))
    for k, one in enumerate(judged):
        if one.measured_mm is not None:
            parts.append(interval(x(k) + 9, y(one.measured_mm.low), y(one.measured_mm.high)))
            parts.append(dot(x(k) + 9, y(one.measured_mm.value)))
        if one.eye_mm is None:
            parts.append(written(x(k) - 9, y(0) - 6, "–", "middle", small=True))
        parts.append(written(x(k), height - bottom + 24, str(one.number), "middle"))
    parts.append(written(left - 10, height - bottom + 24, "picture", "end"))
    parts += [
        _diamond(width - right + 16, top + 8),
        written(width - right + 30, top + 13, "eye", "start"),
    ]
    parts += [
        dot(width - right + 16, top + 36),
        written(width - right + 30, top + 41, "measured", "start"),
    ]
    return svg(width, height, "chart eye", parts)


# --- over time ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Moment:
    """One picture of the case on the time axis; without numbers it was not measured."""

    minute: float
    number: int
    removed_mm: Quantity | None
    left_mm: Quantity | None


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of the time axis with its word, such as traction."""

    from_minute: float
    to_minute: float
    text: str


def over_time(
    width: int,
    height: int,
    moments: Sequence[Moment],
    stretches: Sequence[Stretch],
    clock: Sequence[tuple[float, str]],
    title: str,
) -> str:
    """Draw removed and left over the time of the case.

    Parameters
    ----------
    width, height : int
    moments : sequence of Moment
        In the order in which the pictures came.
    stretches : sequence of Stretch
        Shown as bars under the axis.
    clock : sequence of (float, str)
        Minutes, and the times of day that they are, for the axis.
    title : str

    Returns
    -------
    str
        An ``svg`` element.
    """
    left, right, top, gap, bottom = 76, 64, 40, 56, 84
    begin = min([m.minute for m in moments] + [s.from_minute for s in stretches], default=0.0)
    end = max([m.minute for m in moments] + [s.to_minute for s in stretches], default=1.0)
    pad = max((end - begin) * 0.03, 0.5)
    begin, end = begin - pad, end + pad
    panel = (height - top - gap - bottom) / 2

    def x(minute: float) -> float:
        return left + (minute - begin) / (end - begin) * (width - left - right)

    parts = [titled(title)]
    sides = (left, width - right)
    removed = [(x(m.minute), m.removed_mm) for m in moments]
    remaining = [(x(m.minute), m.left_mm) for m in moments]
    parts += _panel("removed, mm", removed, (*sides, top, top + panel), is_left=False)
    box = (*sides, top + panel + gap, top + 2 * panel + gap)
    parts += _panel("left to the plan, mm", remaining, box, is_left=True)
    base = height - bottom
    for minute, text in clock:
        if begin <= minute <= end:
            parts.append(grid_line((x(minute), top), (x(minute), base)))
            parts.append(written(x(minute), base + 24, text, "middle"))
    parts.append(written(left - 10, base + 24, "time", "end"))
    for stretch in stretches:
        a, b = x(stretch.from_minute), x(stretch.to_minute)
        parts.append(
            f'<path class="stretch" d="M{a:.1f},{base + 46:.1f} H{b:.1f}" stroke="currentColor" '
            'stroke-width="5" fill="none"/>'
        )
        parts.append(written((a + b) / 2, base + 66, stretch.text, "middle", small=True))
    return svg(width, height, "chart time", parts)


# --- thinned bone ------------------------------------------------------------------------


def thinned_strip(
    width: int, height: int, profile: ThinnedProfile, *, lateral_on_the_right: bool, title: str
) -> str:
    """Draw thinned bone along the rim: its loss downwards, by angle about the socket's centre.

    Parameters
    ----------
    width, height : int
    profile : ThinnedProfile
    lateral_on_the_right : bool
        So that strip and picture agree.
    title : str

    Returns
    -------
    str
        An ``svg`` element.
    """
    left, right, top, bottom = 80, 24, 34, 74
    low, high = _where_thinned(profile)
    deepest = max(2.0, math.ceil(float(profile.loss_mm.max(initial=0.0)) * 1.08))

    def x(angle: float) -> float:
        share = (angle - low) / max(high - low, 1e-9)
        return left + (share if lateral_on_the_right else 1 - share) * (width - left - right)

    def y(mm: float) -> float:
        return top + mm / deepest * (height - top - bottom)

    parts = [titled(title)]
    for mm in np.arange(0, deepest + 0.5, 1 if deepest < 6 else 2):
        parts.append(grid_line((left, y(mm)), (width - right, y(mm))))
        parts.append(written(left - 10, y(mm) + 5, f"{mm:g} mm", "end"))
    for angle in range(math.ceil(low / 15) * 15, int(high) + 1, 15):
        parts.append(grid_line((x(angle), top), (x(angle), y(deepest))))
        name = f"{angle}°".replace("-", "−")
        parts.append(written(x(angle), height - bottom + 20, name, "middle"))
        hour = float(np.interp(angle, profile.angle_deg, profile.front_clock_h))
        parts.append(
            written(x(angle), height - bottom + 38, place(hour * 60), "middle", small=True)
        )
    inside = (profile.angle_deg >= low) & (profile.angle_deg <= high)
    seen = zip(profile.angle_deg[inside], profile.loss_mm[inside], strict=True)
    points = np.array([(x(a), y(d)) for a, d in seen])
    if len(points) > 1:
        foot = np.array([[points[-1, 0], y(0)], [points[0, 0], y(0)]])
        closed = f"{path_through(np.concatenate([points, foot]))} Z"
        parts.append(f'<path d="{closed}" fill="currentColor" fill-opacity="0.14"/>')
        parts.append(_joined(points))
    ends = ("towards the mid-line", "lateral")
    ends = ends if lateral_on_the_right else (ends[1], ends[0])
    parts.append(written(left, height - 8, ends[0], "start"))
    parts.append(written(width - right, height - 8, ends[1], "end"))
    under = "below: on the clock face, if the front was burred"
    parts.append(written((left + width - right) / 2, height - 8, under, "middle", small=True))
    return svg(width, height, "strip thin", parts)


def _where_thinned(profile: ThinnedProfile) -> tuple[float, float]:
    """Return the angles to draw: where bone is thinned with something about it, roof and edge."""
    thinned = profile.angle_deg[profile.loss_mm > 0]
    low = min([0.0, *(thinned - 15)])
    high = max([60.0, *(thinned + 15)])
    return max(low, float(profile.angle_deg.min())), min(high, float(profile.angle_deg.max()))


# --- pieces ------------------------------------------------------------------------------


def _panel(
    name: str,
    points: Sequence[tuple[float, Quantity | None]],
    box: tuple[float, float, float, float],
    *,
    is_left: bool,
) -> list[str]:
    """Draw one quantity with its intervals; a cross at the foot where there is no number."""
    left, right, top, bottom = box
    known = [(x, quantity) for x, quantity in points if quantity is not None]
    low = min([0.0] + [quantity.low for _, quantity in known])
    high = math.ceil(max([1.0] + [quantity.high for _, quantity in known]) + 0.2)

    def y(mm: float) -> float:
        return bottom - (mm - low) / (high - low) * (bottom - top)

    parts = [written(left, top - 16, name, "start", strong=True)]
    parts += _levels(low, high, left, right, y, past=is_left)
    if is_left:
        line = path_through(np.array([[left, y(0)], [right, y(0)]]))
        parts.append(stroked(line, PLAN, 2.5, "plan", "14 6"))
        parts.append(written(right + 12, y(0) + 5, "plan", "start"))
    if len(known) > 1:
        parts.append(_joined(np.array([(x, y(quantity.value)) for x, quantity in known])))
    for x, quantity in known:
        parts.append(interval(x, y(quantity.low), y(quantity.high)))
        parts.append(square(x, y(quantity.value)) if is_left else dot(x, y(quantity.value)))
    parts += [_cross(x, bottom) for x, quantity in points if quantity is None]
    return parts


def _levels(
    low: float,
    high: float,
    left: float,
    right: float,
    y: Callable[[float], float],
    *,
    past: bool = False,
) -> list[str]:
    step = next(s for s in (0.5, 1.0, 2.0, 5.0, 10.0) if (high - low) / s <= 7)
    parts = []
    for k in range(math.ceil(low / step), int(high / step) + 1):
        mm = k * step
        parts.append(grid_line((left, y(mm)), (right, y(mm))))
        text = f"{mm:g}" if mm >= 0 else f"{-mm:g} past" if past else f"−{-mm:g}"
        parts.append(written(left - 10, y(mm) + 5, text, "end"))
    return parts


def _spoke(inner: tuple[float, float], outer: tuple[float, float]) -> str:
    (x0, y0), (x1, y1) = inner, outer
    return (
        f'<path d="M{x0:.1f},{y0:.1f} L{x1:.1f},{y1:.1f}" stroke="currentColor" '
        'stroke-width="3" fill="none"/>'
    )


def _joined(points: Floats, dashes: str = "") -> str:
    pattern = f' stroke-dasharray="{dashes}"' if dashes else ""
    return (
        f'<path d="{path_through(points)}" fill="none" stroke="currentColor" '
        f'stroke-opacity="0.55" stroke-width="1.5"{pattern} vector-effect="non-scaling-stroke"/>'
    )


def _diamond(x: float, y: float) -> str:
    return (
        f'<path class="eye" d="M{x:.1f},{y - 7:.1f} l7,7 l-7,7 l-7,-7 Z" fill="none" '
        'stroke="currentColor" stroke-width="2"/>'
    )


def _cross(x: float, y: float) -> str:
    return (
        f'<path class="unmeasured" d="M{x - 4:.1f},{y - 4:.1f} l8,8 m0,-8 l-8,8" fill="none" '
        'stroke="currentColor" stroke-width="1.5"/>'
    )
