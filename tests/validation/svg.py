"""Figures as SVG text: points, lines and bands on two axes; black on white, print-safe."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import escape

WIDTH, HEIGHT = 620, 300
LEFT, RIGHT, TOP, BOTTOM = 62, 150, 16, 46
INKS = ("#1b4965", "#b3541e", "#4f6d2f", "#6b4e71")
"""Told apart by lightness and by the marker's form as well."""


@dataclass(frozen=True)
class Series:
    """Points (x, y); joined by a line when ``line``; a gap where y is not finite."""

    name: str
    points: Sequence[tuple[float, float]]
    line: bool = False
    dashed: bool = False


@dataclass(frozen=True)
class Level:
    """A horizontal line across the plot with its name."""

    name: str
    y: float
    dashed: bool = True


@dataclass(frozen=True)
class Axes:
    """What the axes say, and where they end; None means as far as the points go."""

    x: str
    y: str
    x_range: tuple[float, float] | None = None
    y_range: tuple[float, float] | None = None


def plot(title: str, axes: Axes, series: Sequence[Series], levels: Sequence[Level] = ()) -> str:
    """Draw a figure; text for a file."""
    points = [p for s in series for p in s.points if all(map(math.isfinite, p))]
    x_low, x_high = axes.x_range or _span([x for x, _ in points])
    y_low, y_high = axes.y_range or _span([y for _, y in points] + [level.y for level in levels])
    right, bottom = WIDTH - RIGHT, HEIGHT - BOTTOM

    def at(x: float, y: float) -> tuple[float, float]:
        return (
            LEFT + (right - LEFT) * (x - x_low) / (x_high - x_low),
            bottom - (bottom - TOP) * (min(max(y, y_low), y_high) - y_low) / (y_high - y_low),
        )

    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" '
        f'font-family="sans-serif" font-size="12" role="img">',
        f"<title>{escape(title)}</title>",
        f'<rect width="{WIDTH}" height="{HEIGHT}" fill="#fff"/>',
        f'<path d="M{LEFT} {TOP}V{bottom}H{right}" fill="none" stroke="#222"/>',
    ]
    for value in _ticks(x_low, x_high):
        x, _ = at(value, y_low)
        parts.append(f'<path d="M{x:.1f} {bottom}v4" stroke="#222"/>')
        parts.append(_text(x, bottom + 17, _label(value), "middle"))
    for value in _ticks(y_low, y_high):
        _, y = at(x_low, value)
        parts.append(f'<path d="M{LEFT - 4} {y:.1f}h4" stroke="#222"/>')
        parts.append(_text(LEFT - 7, y + 4, _label(value), "end"))
    parts.append(_text((LEFT + right) / 2, HEIGHT - 10, axes.x, "middle"))
    middle = (TOP + bottom) / 2
    parts.append(
        f'<text x="14" y="{middle}" text-anchor="middle" fill="#222" '
        f'transform="rotate(-90 14 {middle})">{escape(axes.y)}</text>'
    )
    for level in levels:
        _, y = at(x_low, level.y)
        dash = ' stroke-dasharray="5 4"' if level.dashed else ""
        parts.append(f'<path d="M{LEFT} {y:.1f}H{right}" stroke="#555"{dash}/>')
        parts.append(_text(right + 6, y + 4, level.name, "start"))
    named = [s for s in series if s.name]
    for index, one in enumerate(series):
        parts += _drawn(one, index, at)
    for row, one in enumerate(named if len(series) > 1 else []):
        y = TOP + 6 + 16 * row
        index = list(series).index(one)
        if one.line:
            dash = ' stroke-dasharray="6 3"' if one.dashed else ""
            parts.append(
                f'<path d="M{right + 6} {y}h16" stroke="{INKS[index % 4]}" stroke-width="2"{dash}/>'
            )
        parts.append(_marker(right + 14, y, index))
        parts.append(_text(right + 27, y + 4, one.name, "start"))
    return "\n".join([*parts, "</svg>"]) + "\n"


def _drawn(one: Series, index: int, at: Callable[[float, float], tuple[float, float]]) -> list[str]:
    parts = []
    shown = [(x, y) for x, y in one.points if math.isfinite(x) and math.isfinite(y)]
    if one.line:
        path, pen = "", "M"
        for x, y in one.points:
            if not math.isfinite(y):
                pen = "M"
                continue
            px, py = at(x, y)
            path += f"{pen}{px:.1f} {py:.1f}"
            pen = "L"
        dash = ' stroke-dasharray="6 3"' if one.dashed else ""
        parts.append(
            f'<path d="{path}" fill="none" stroke="{INKS[index % 4]}" stroke-width="2"{dash}/>'
        )
    parts += [_marker(*at(x, y), index) for x, y in shown]
    return parts


def _marker(x: float, y: float, index: int) -> str:
    ink = INKS[index % 4]
    match index % 4:
        case 0:
            return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="2.6" fill="{ink}" fill-opacity="0.75"/>'
        case 1:
            return (
                f'<rect x="{x - 2.5:.1f}" y="{y - 2.5:.1f}" width="5" height="5" fill="none" '
                f'stroke="{ink}" stroke-width="1.4"/>'
            )
        case 2:
            return f'<path d="M{x - 3:.1f} {y + 2.5:.1f}h6l-3 -5.4z" fill="{ink}"/>'
        case _:
            return (
                f'<path d="M{x - 3:.1f} {y - 3:.1f}l6 6m0 -6l-6 6" stroke="{ink}" '
                'stroke-width="1.4"/>'
            )


def _text(x: float, y: float, text: str, anchor: str) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="#222">{escape(text)}</text>'


def _span(values: Sequence[float]) -> tuple[float, float]:
    if not values:
        return 0.0, 1.0
    low, high = min(values), max(values)
    room = 0.06 * (high - low) or 1.0
    return low - room, high + room


def _ticks(low: float, high: float) -> list[float]:
    step = 10 ** math.floor(math.log10((high - low) / 4))
    for factor in (1, 2, 5, 10):
        if (high - low) / (factor * step) <= 6:
            step *= factor
            break
    first = math.ceil(low / step - 1e-9)
    return [step * k for k in range(first, math.floor(high / step + 1e-9) + 1)]


def _label(value: float) -> str:
    return f"{value:.6g}" if abs(value) > 1e-9 else "0"
