"""Charts over many cases, as SVG text: how a value spreads, how it goes with time, agreement.

Same pieces and type as the other drawings.  Bars and dots are in the page's own colour; only the
plan has a colour, and its own word.
"""

import math
from collections.abc import Callable, Sequence

import numpy as np

from tracker.cohort import Distribution, Trend
from tracker.drawing import PLAN, grid_line, path_through, stroked, svg, titled, written
from tracker.spread import Agreement, Estimate

_LINE = 'fill="none" stroke="currentColor" vector-effect="non-scaling-stroke"'


def spread_chart(
    width: int, height: int, spread: Distribution, title: str, *, plan_at: float | None = None
) -> str:
    """Draw a histogram, with the median and its interval under it.

    Parameters
    ----------
    width, height : int
        Of the drawing.
    spread : Distribution
    title : str
    plan_at : float, optional
        Where the plan lies on the axis.

    Returns
    -------
    str
        An ``svg`` element.
    """
    left, right, top, bottom = 56, 20, 30, 76
    counts = spread.unit == ""
    # The bar of a count stands over its number, not between it and the next.
    half = 0.5 if counts and spread.bars[0].high - spread.bars[0].low == 1.0 else 0.0
    low, high = spread.bars[0].low - half, spread.bars[-1].high - half
    if plan_at is not None:
        low, high = min(low, plan_at), max(high, plan_at)
    most = max(bar.count for bar in spread.bars)

    def x(value: float) -> float:
        return left + (value - low) / (high - low) * (width - left - right)

    def y(count: float) -> float:
        return height - bottom - count / most * (height - top - bottom)

    parts = [titled(title)]
    for count in steps(0, most, 4, whole=True):
        parts.append(grid_line((left, y(count)), (width - right, y(count))))
        parts.append(written(left - 8, y(count) + 5, f"{count:g}", "end"))
    parts.append(written(left - 8, top - 12, "cases", "end"))
    for bar in spread.bars:
        if bar.count:
            begin, end = x(bar.low - half), x(bar.high - half)
            box = (begin + 1, y(bar.count), end - begin - 2, y(0) - y(bar.count))
            parts.append(
                f'<rect class="bar" x="{box[0]:.1f}" y="{box[1]:.1f}" width="{max(box[2], 1):.1f}" '
                f'height="{box[3]:.1f}" fill="currentColor" fill-opacity="0.32"/>'
            )
    base = np.array([[left, y(0)], [width - right, y(0)]])
    parts.append(f'<path d="{path_through(base)}" {_LINE} stroke-width="1"/>')
    ticks = steps(low, high, 8, whole=counts)
    parts += [written(x(v), y(0) + 20, number(v), "middle") for v in ticks]
    parts.append(written(width - right, height - 8, spread.unit or "number", "end"))
    if plan_at is not None:
        line = np.array([[x(plan_at), top], [x(plan_at), y(0)]])
        parts.append(stroked(path_through(line), PLAN, 2.5, "plan", "14 6"))
        anchor = "end" if x(plan_at) > width / 2 else "start"
        shift = -8 if anchor == "end" else 8
        parts.append(written(x(plan_at), top - 12, "plan", anchor, shift=shift))
    at = height - bottom + 44
    parts += _across(spread.median, x, at)
    parts.append(written(left - 8, at + 5, "median", "end", small=True))
    return svg(width, height, "plot spread", parts)


def trend_chart(width: int, height: int, trend: Trend, title: str, *, zero: str = "") -> str:
    """Draw means over time, each with its interval where it rests on more than one case.

    Parameters
    ----------
    width, height : int
        Of the drawing.
    trend : Trend
    title : str
    zero : str, optional
        What lies at 0; draws the plan's line there.

    Returns
    -------
    str
        An ``svg`` element.
    """
    left, right, top, bottom = 56, 56 if zero else 20, 30, 56
    found = [point.estimate for point in trend.points]
    ends = [end for one in found for end in (one.low, one.high, one.value) if end is not None]
    # An interval of two cases can be endless; the axis follows the means, and shows that it does.
    centre = [one.value for one in found]
    reach = max(max(centre) - min(centre), 0.5)
    low = max(min(ends), min(centre) - 1.5 * reach)
    high = min(max(ends), max(centre) + 1.5 * reach)
    low, high = (min(low, 0.0), max(high, 0.0)) if zero else (low, high)
    margin = 0.06 * max(high - low, 0.1)
    low, high = low - margin, high + margin
    room = (width - left - right) / len(found)

    def x(k: int) -> float:
        return left + (k + 0.5) * room

    def y(value: float) -> float:
        share = (min(max(value, low), high) - low) / (high - low)
        return height - bottom - share * (height - top - bottom)

    parts = [titled(title)]
    for value in steps(low, high, 6):
        parts.append(grid_line((left, y(value)), (width - right, y(value))))
        parts.append(written(left - 8, y(value) + 5, number(value), "end"))
    parts.append(written(left - 8, top - 12, trend.unit, "end"))
    if zero:
        line = np.array([[left, y(0)], [width - right, y(0)]])
        parts.append(stroked(path_through(line), PLAN, 2.5, "plan", "14 6"))
        parts.append(written(width - right + 8, y(0) + 5, zero, "start"))
    every = math.ceil(len(found) / max(1, int((width - left - right) / 74)))
    for k, (point, one) in enumerate(zip(trend.points, found, strict=True)):
        if one.low is not None and one.high is not None:
            parts.append(_upright(x(k), y(one.low), y(one.high), one, (low, high)))
        filled = "currentColor" if one.low is not None else "none"
        parts.append(
            f'<circle class="value" cx="{x(k):.1f}" cy="{y(one.value):.1f}" r="4" '
            f'fill="{filled}" stroke="currentColor" stroke-width="1.5"/>'
        )
        if k % every == 0:
            parts.append(written(x(k), height - bottom + 22, point.label, "middle", small=True))
            parts.append(
                written(x(k), height - bottom + 40, f"n = {one.cases}", "middle", small=True)
            )
    return svg(width, height, "plot trend", parts)


def agreement_chart(
    width: int, height: int, pairs: Sequence[tuple[float, float]], found: Agreement, title: str
) -> str:
    """Draw differences against measurement, with the mean and the limits of agreement.

    Parameters
    ----------
    width, height : int
        Of the drawing.
    pairs : sequence of (float, float)
        Estimate and measurement, mm.
    found : Agreement
    title : str

    Returns
    -------
    str
        An ``svg`` element.
    """
    left, right, top, bottom = 56, 150, 30, 56
    measured = np.array([pair[1] for pair in pairs])
    apart = np.array([pair[0] - pair[1] for pair in pairs])
    lines = [(found.mean.value, "mean")]
    if found.limit_low is not None and found.limit_high is not None:
        lines += [(found.limit_low, "limit"), (found.limit_high, "limit")]
    everything: list[float] = [*apart.tolist(), *(value for value, _ in lines), 0.0]
    low, high = min(everything) - 0.2, max(everything) + 0.2
    first, last = float(measured.min()) - 0.2, float(measured.max()) + 0.2

    def x(value: float) -> float:
        return left + (value - first) / (last - first) * (width - left - right)

    def y(value: float) -> float:
        return height - bottom - (value - low) / (high - low) * (height - top - bottom)

    parts = [titled(title)]
    for value in steps(low, high, 6):
        parts.append(grid_line((left, y(value)), (width - right, y(value))))
        parts.append(written(left - 8, y(value) + 5, number(value), "end"))
    under = height - bottom + 20
    parts += [written(x(v), under, number(v), "middle") for v in steps(first, last, 8)]
    parts.append(written(left - 8, top - 12, "mm", "end"))
    parts.append(written(width - right, height - 8, "measured, mm", "end"))
    for value, word in lines:
        dashes = "" if word == "mean" else ' stroke-dasharray="6 5"'
        line = path_through(np.array([[left, y(value)], [width - right, y(value)]]))
        parts.append(f'<path class="{word}" d="{line}" {_LINE} stroke-width="1.5"{dashes}/>')
        parts.append(
            written(width - right + 8, y(value) + 5, f"{word} {number(value, 2)}", "start")
        )
    # One path for all dots: thousands of elements would make the page slow.
    dots = "".join(
        f"M{x(m):.1f},{y(d):.1f}h0" for m, d in zip(measured.tolist(), apart.tolist(), strict=True)
    )
    parts.append(
        f'<path class="pairs" d="{dots}" {_LINE} stroke-opacity="0.6" stroke-width="6" '
        'stroke-linecap="round"/>'
    )
    return svg(width, height, "plot agreement", parts)


def _across(one: Estimate, x: Callable[[float], float], y: float) -> list[str]:
    """Draw a value with its interval, lying."""
    parts = []
    if one.low is not None and one.high is not None:
        begin, end = x(one.low), x(one.high)
        parts.append(
            f'<path class="interval" d="M{begin:.1f},{y - 6:.1f}v12 M{end:.1f},{y - 6:.1f}v12 '
            f'M{begin:.1f},{y:.1f}H{end:.1f}" {_LINE} stroke-width="2"/>'
        )
    parts.append(
        f'<circle class="value" cx="{x(one.value):.1f}" cy="{y:.1f}" r="4.5" fill="currentColor"/>'
    )
    return parts


def _upright(x: float, low: float, high: float, one: Estimate, axis: tuple[float, float]) -> str:
    """Draw an interval, standing; an end beyond the axis has no cap."""
    caps = ""
    if one.low is not None and one.low >= axis[0]:
        caps += f"M{x - 5:.1f},{low:.1f}h10 "
    if one.high is not None and one.high <= axis[1]:
        caps += f"M{x - 5:.1f},{high:.1f}h10 "
    return (
        f'<path class="interval" d="{caps}M{x:.1f},{low:.1f}V{high:.1f}" {_LINE} stroke-width="2"/>'
    )


def steps(low: float, high: float, most: int, *, whole: bool = False) -> list[float]:
    """Return round numbers from low to high, that many at most or a few less.

    >>> steps(-0.3, 1.2, 4)
    [0.0, 0.5, 1.0]
    >>> steps(0, 7, 4, whole=True)
    [0.0, 2.0, 4.0, 6.0]
    """
    least = max((high - low) / most, 1.0 if whole else 1e-9)
    power = 10.0 ** math.floor(math.log10(least))
    step = next(k * power for k in (1.0, 2.0, 5.0, 10.0) if k * power >= least * (1 - 1e-9))
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [round(k * step, 10) + 0.0 for k in range(first, last + 1)]


def number(value: float, places: int | None = None) -> str:
    """Return a number for an axis, with a true minus sign.

    >>> number(-0.5), number(1200), number(-1.234, 2)
    ('−0.5', '1200', '−1.23')
    """
    text = f"{value:g}" if places is None else f"{value:.{places}f}"
    return text.replace("-", "−")
