"""Lines over pictures, and the pieces that every drawing is made of, as SVG text.

One colour has one meaning, and each line has a pattern and a word of its own as well: the rim now
is a solid line, at the start thin dashes, the plan long dashes, the lower limit a double line; a
stretch that is hidden or unsure fades to dots.  Every line has a dark casing, so that it shows on
bone.  Text takes the colour of the page.  Widths are screen pixels, whatever the scale.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from html import escape
from itertools import groupby
from typing import Final

import numpy as np

from tracker.values import Floats, Mask, Point

NOW: Final = "#56B4E9"
START: Final = "#FFFFFF"
PLAN: Final = "#E69F00"
LIMIT: Final = "#D55E00"
CASING: Final = "#000000"


@dataclass(frozen=True, slots=True)
class Label:
    """A word at a place of the drawing."""

    at: Point
    text: str


@dataclass(frozen=True, eq=False, slots=True)
class RimLines:
    """What is drawn over a picture, in the picture's own pixels.

    Attributes
    ----------
    now, start : ndarray of shape (N, 2) or None
        The rim's outline on this picture and on the first one.
    hidden : ndarray of shape (N,), bool, or None
        Where ``now`` is covered or unsure.
    plan, limit : tuple of Point or None
        Two ends of the short line across the rim where the plan, or the lower limit, is reached.
    thinned : tuple of ndarray of shape (N, 2)
        Closed lines around thinned bone.
    """

    now: Floats | None = None
    hidden: Mask | None = None
    start: Floats | None = None
    plan: tuple[Point, Point] | None = None
    limit: tuple[Point, Point] | None = None
    thinned: tuple[Floats, ...] = ()


# --- over a picture ----------------------------------------------------------------------


def rim_lines(
    width: int,
    height: int,
    lines: RimLines,
    labels: Sequence[Label] = (),
    title: str = "",
    *,
    named: bool = True,
) -> str:
    """Draw the rim's lines over a picture.

    Parameters
    ----------
    width, height : int
        Of the picture, pixels; the drawing lies exactly over it.
    lines : RimLines
    labels : sequence of Label
    title : str
        What the drawing shows, for those who don't see it.
    named : bool
        Write the words: beside the plan and the lower limit, and the labels.

    Returns
    -------
    str
        An ``svg`` element.
    """
    return svg(
        width,
        height,
        "rim-lines",
        [titled(title), _inside(width, height, _drawn(lines, labels, named=named))],
    )


def _inside(width: int, height: int, parts: Sequence[str]) -> str:
    """Wrap what lies over a picture: it ends where the picture does, wherever the page has room."""
    # A pixel's centre, at whole numbers here, lies half a pixel inside the picture's edge.
    return (
        f'<svg width="{width}" height="{height}" overflow="hidden">'
        f'<g transform="translate(0.5 0.5)">{"".join(parts)}</g></svg>'
    )


def _drawn(lines: RimLines, labels: Sequence[Label] = (), *, named: bool = True) -> list[str]:
    """Draw the lines of one picture, then the words."""
    parts: list[str] = []
    # Words come last: they stay readable where a line runs under them.
    texts: list[str] = []
    # Lowest of all, and fine: what is thinned has no sharp end, the outlines have.
    parts.extend(_thinned(line) for line in lines.thinned if len(line) > 2)
    if lines.limit is not None:
        parts.append(double_line(path_through(np.array(lines.limit)), "limit"))
        # At the other end than the plan's, so that the two words never meet.
        texts.append(_word(_beyond(lines.limit[::-1]), "lower limit"))
    if lines.plan is not None:
        parts.append(stroked(path_through(np.array(lines.plan)), PLAN, 4, "plan", "14 6"))
        texts.append(_word(_beyond(lines.plan), "plan"))
    if lines.start is not None:
        parts.append(stroked(path_through(lines.start), START, 1.75, "start", "7 6"))
    if lines.now is not None:
        hidden = lines.hidden if lines.hidden is not None else np.zeros(len(lines.now), np.bool_)
        parts.extend(_now(lines.now, hidden))
    texts.extend(_word(label.at, label.text, "direction") for label in labels)
    return parts + texts if named else parts


def _thinned(line: Floats) -> str:
    """Draw a closed line around thinned bone: fine white dots, and a veil within."""
    path = f"{path_through(line)} Z"
    veil = f'<path d="{path}" fill="{START}" fill-opacity="0.12" stroke="none"/>'
    return f"{veil}{stroked(path, START, 2, 'thinned', '0.1 4')}"


def _now(points: Floats, hidden: Mask) -> Iterable[str]:
    """Draw the rim now, solid where it is seen and dotted where it is hidden or unsure."""
    for is_hidden, run in groupby(range(len(points)), key=lambda k: bool(hidden[k])):
        first, *rest = run
        last = rest[-1] if rest else first
        # A run starts at the last point of the run before it, so that no gap is drawn.
        stretch = points[max(first - 1, 0) : last + 1]
        if len(stretch) < 2:
            continue
        if is_hidden:
            yield stroked(path_through(stretch), NOW, 3, "now hidden", "0.1 7")
        else:
            yield stroked(path_through(stretch), NOW, 3, "now")


def pass_lines(
    width: int, height: int, outlines: Sequence[Floats], lines: RimLines, title: str
) -> str:
    """Draw the outlines of several passes over one picture, the oldest the lightest.

    Parameters
    ----------
    width, height : int
        Of the picture, pixels.
    outlines : sequence of ndarray of shape (N, 2)
        One for each pass, the oldest first.
    lines : RimLines
        The rim at the start, the plan and the lower limit; ``now`` is not used.
    title : str

    Returns
    -------
    str
        An ``svg`` element.
    """
    under = _inside(width, height, _drawn(replace(lines, now=None)))
    last = len(outlines) - 1
    passes = [
        stroked(path_through(outline), tint(k, len(outlines)), 3 if k == last else 1.75, "pass")
        for k, outline in enumerate(outlines)
        if len(outline) > 1
    ]
    # Under the plan, the lower limit and their words, which stay readable.
    parts = [titled(title), _inside(width, height, passes), under]
    return svg(width, height, "rim-lines", parts)


def tint(k: int, count: int) -> str:
    """Return the k-th of several tints of the hue of the rim now, the oldest the lightest.

    >>> tint(1, 2)
    '#56B4E9'
    """
    share = 1.0 if count < 2 else k / (count - 1)
    now = np.array([int(NOW[i : i + 2], 16) for i in (1, 3, 5)])
    light = np.array([226, 241, 250])
    red, green, blue = np.round(light + (now - light) * share).astype(int)
    return f"#{red:02X}{green:02X}{blue:02X}"


# --- pieces ------------------------------------------------------------------------------


def svg(width: int, height: int, name: str, parts: Iterable[str]) -> str:
    """Wrap parts in an ``svg`` element of that size, which scales without distortion."""
    inside = "".join(parts)
    return (
        f'<svg class="{name}" viewBox="0 0 {width} {height}" role="img" '
        f'preserveAspectRatio="xMidYMid meet">{inside}</svg>'
    )


def titled(text: str) -> str:
    """Return the title of a drawing: what it shows, in words."""
    return f"<title>{escape(text)}</title>" if text else ""


def path_through(points: Floats) -> str:
    """Return the path data of a line through points of shape (N, 2)."""
    return "M" + " L".join(f"{x:.1f},{y:.1f}" for x, y in points)


def stroked(path: str, colour: str, width: float, name: str, dashes: str = "") -> str:
    """Draw a path in a colour on a dark casing; ``width`` in screen pixels."""
    pattern = f' stroke-dasharray="{dashes}"' if dashes else ""
    shared = (
        f'd="{path}" fill="none" stroke-linejoin="round" stroke-linecap="round"{pattern} '
        'vector-effect="non-scaling-stroke"'
    )
    return (
        f'<g class="{name}"><path {shared} stroke="{CASING}" stroke-opacity="0.7" '
        f'stroke-width="{width + 3:g}"/><path {shared} stroke="{colour}" '
        f'stroke-width="{width:g}"/></g>'
    )


def double_line(path: str, name: str) -> str:
    """Draw a path as the double line of a limit."""
    shared = f'd="{path}" fill="none" vector-effect="non-scaling-stroke"'
    widths = ((CASING, 10.0), (LIMIT, 7.0), (CASING, 2.5))
    strokes = "".join(
        f'<path {shared} stroke="{colour}" stroke-width="{width:g}"/>' for colour, width in widths
    )
    return f'<g class="{name}">{strokes}</g>'


def _word(at: Point, text: str, name: str = "word") -> str:
    """Write a word over a picture: white with a dark casing."""
    return (
        f'<text class="{name}" x="{at[0]:.1f}" y="{at[1]:.1f}" fill="#FFFFFF" stroke="#000000" '
        f'stroke-width="4" paint-order="stroke" text-anchor="middle" '
        f'dominant-baseline="middle">{escape(text)}</text>'
    )


def _beyond(line: tuple[Point, Point], share: float = 0.18) -> Point:
    """Return the place a little past a short line's second end."""
    (x0, y0), (x1, y1) = line
    return x1 + share * (x1 - x0), y1 + share * (y1 - y0)


def written(
    x: float,
    y: float,
    text: str,
    anchor: str,
    *,
    shift: float = 0,
    strong: bool = False,
    small: bool = False,
) -> str:
    """Write a text in the colour of the page."""
    weight = ' font-weight="600"' if strong else ""
    size = ' font-size="12"' if small else ""
    return (
        f'<text x="{x + shift:.1f}" y="{y:.1f}" text-anchor="{anchor}" '
        f'fill="currentColor"{weight}{size}>{escape(text)}</text>'
    )


def grid_line(start: Point, end: Point) -> str:
    """Draw a line that guides the eye."""
    return (
        f'<line x1="{start[0]:.1f}" y1="{start[1]:.1f}" x2="{end[0]:.1f}" y2="{end[1]:.1f}" '
        'stroke="currentColor" stroke-opacity="0.16" vector-effect="non-scaling-stroke"/>'
    )


def interval(x: float, low: float, high: float) -> str:
    """Draw an interval upright, its ends barred; pixels of the drawing."""
    ends = "".join(f"M{x - 6:.1f},{y:.1f} h12 " for y in (low, high))
    return (
        f'<path class="interval" d="{ends}M{x:.1f},{low:.1f} V{high:.1f}" fill="none" '
        'stroke="currentColor" stroke-width="2" vector-effect="non-scaling-stroke"/>'
    )


def dot(x: float, y: float) -> str:
    """Draw a value as a disc."""
    return f'<circle class="value" cx="{x:.1f}" cy="{y:.1f}" r="5" fill="currentColor"/>'


def square(x: float, y: float) -> str:
    """Draw a value as a square, where a disc means something else."""
    return (
        f'<rect class="value" x="{x - 5:.1f}" y="{y - 5:.1f}" width="10" height="10" '
        'fill="currentColor"/>'
    )
