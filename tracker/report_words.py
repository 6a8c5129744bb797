"""The report's numbers and times in words; here and nowhere else they are rounded."""

import math
from collections.abc import Mapping
from datetime import datetime, tzinfo
from typing import Final

from tracker.report import Report
from tracker.report_entries import Entry
from tracker.values import Side

_PLACES: Final = {
    "mm": 1, "deg": 1, "mm2": 0, "mm/{pixel}": 4, "{pixel}": 1, "{count}": 0, "1": 0,
    "dGy.cm2": 3, "mGy": 3, "kV": 0, "min": 0,
}  # fmt: skip
"""Decimals of a measured number, by unit."""

_UNITS: Final = {
    "mm": " mm", "deg": "°", "mm2": " mm²", "mm/{pixel}": " mm a pixel", "{pixel}": " px",
    "{count}": "", "1": " %", "dGy.cm2": " dGy cm²", "mGy": " mGy", "kV": " kV", "min": " min",
}  # fmt: skip


STANDINGS: Final = {
    "no picture": "no picture yet",
    "marks to agree": "waits for the marks on the first picture",
    "first unusable": "the first picture can't be used",
    "ready": "nothing measured yet",
    "waiting": "kept, not yet measured",
    "measured": "measured",
    "not measured": "not measured",
    "outline wrong": "outline looks wrong: number withdrawn",
    "to look at": "kept to look at",
    "estimate first": "number held back until the surgeon’s own estimate is written",
    "held": "held: somebody has to say whether it belongs to this case",
    "recorded": "recorded; its number is shown once the case is closed",
    "closed": "closed",
}
"""How a picture of the case stands, in words."""

_BAND: Final = ("lcea_deg", "removed_mm", "left_mm")


def number(entry: Entry) -> str:
    """Return a number without its unit; a given or counted one as it is.

    >>> number(Entry("picture.1.removed_mm", "", -0.31, 0.2, "mm"))
    '−0.3'
    >>> number(Entry("plan.depth_mm", "", 4.0, None, "mm"))
    '4'
    """
    if entry.u is None and entry.unit in ("mm", "deg", "{count}", "kV"):
        return _given(entry)
    # A share is said in per cent.
    value = 100 * entry.value if entry.unit == "1" else entry.value
    return fixed(value, _PLACES[entry.unit])


def _given(entry: Entry) -> str:
    # A size that was worked out is no given one: it has decimals without end.
    text = f"{entry.value:g}"
    return (text if len(text) <= 5 else fixed(entry.value, 1)).replace("-", "−")


def fixed(value: float, places: int) -> str:
    """Return a number with a fixed number of decimals, a true minus sign and no negative zero.

    >>> fixed(-0.04, 1), fixed(-1.25, 2)
    ('0.0', '−1.25')
    """
    text = f"{value:.{places}f}"
    return (text.lstrip("-") if float(text) == 0 else text).replace("-", "−")


def unit(entry: Entry) -> str:
    """Return the unit as it follows the number, with its space."""
    return _UNITS[entry.unit]


def uncertainty(entry: Entry) -> str:
    """Return u with two significant digits; empty where there is none.

    >>> uncertainty(Entry("", "", 1.0, 0.0913, "mm"))
    '0.091'
    """
    return "" if entry.u is None else significant(entry.u)


def significant(value: float) -> str:
    """Return a number with two significant digits.

    >>> significant(0.0913), significant(12.6), significant(0.0)
    ('0.091', '13', '0')
    """
    if value == 0:
        return "0"
    return fixed(value, max(0, 1 - math.floor(math.log10(abs(value)))))


def interval(entry: Entry) -> str:
    """Return the interval that holds the value 19 times in 20; empty where there is none.

    >>> interval(Entry("", "", 1.8, 0.2, "mm"))
    '1.4 to 2.2'
    """
    if entry.u is None:
        return ""
    places = _PLACES[entry.unit]
    low, high = entry.value - 2 * entry.u, entry.value + 2 * entry.u
    return f"{fixed(low, places)} to {fixed(high, places)}"


def is_left(entry: Entry) -> bool:
    """Tell whether a number is one of what is left, which is never said with a minus sign."""
    return entry.key.rsplit(".", 1)[-1].startswith("left")


def left(entry: Entry) -> tuple[str, str]:
    """Return what is left as a figure and its words.

    >>> left(Entry("final.left_mm", "", -0.6, 0.25, "mm"))
    ('0.6', 'mm past')
    """
    text = fixed(entry.value, 1)
    return (text[1:], "mm past") if text.startswith("−") else (text, "mm left")


def left_interval(entry: Entry) -> str:
    """Return the interval of what is left, in words.

    >>> left_interval(Entry("final.left_mm", "", 0.1, 0.25, "mm"))
    '0.4 past to 0.6 left'
    """
    found = entry.quantity
    assert found is not None
    low, high = fixed(found.low, 1), fixed(found.high, 1)
    if not low.startswith("−"):
        return f"{low} to {high}"
    if high.startswith("−"):
        return f"{high[1:]} to {low[1:]} past"
    return f"{low[1:]} past to {high} left"


def band(report: Report, known: Mapping[str, Entry]) -> list[str]:
    """Return what stands under the final picture where nothing but pixels is kept: plain ASCII."""
    final, start = report.final, report.start
    if final is None:
        which = f", picture {start.number}" if start else ""
        lines = [f"{hip(report.side)}{which}: nothing was measured."]
    else:
        angle, removed, remains = (known.get(f"final.{part}") for part in _BAND)
        assert removed is not None
        assert remains is not None
        figure, word = left(remains)
        degrees = f"LCEA {number(angle)} deg ({interval(angle)}), " if angle else ""
        most = "at most " if report.at_most else ""
        lines = [
            f"{hip(report.side)}, picture {final.number}: removed {number(removed)} mm "
            f"({interval(removed)}), {degrees}{most}{figure} {word} ({left_interval(remains)}). "
            "Intervals hold 19 times in 20."
        ]
    lines += [report.unseen[0], report.caution]
    return [line.replace("−", "-").encode("ascii", "replace").decode() for line in lines]


def clock(at: datetime, zone: tzinfo | None) -> str:
    """Return a time to the second."""
    return at.astimezone(zone).strftime("%H:%M:%S")


def day(at: datetime, zone: tzinfo | None) -> str:
    """Return a date that can't be misread."""
    local = at.astimezone(zone)
    return f"{local.day} {local.strftime('%b %Y')}"


def zone_name(at: datetime, zone: tzinfo | None) -> str:
    """Return by which clock times are said: the distance from UTC, with its sign.

    >>> from datetime import UTC, timedelta, timezone
    >>> zone_name(datetime(2026, 1, 1, tzinfo=UTC), timezone(timedelta(hours=1)))
    'UTC+01:00'
    """
    offset = at.astimezone(zone).strftime("%z")
    return f"UTC{offset[:3]}:{offset[3:5]}"


def hip(side: Side) -> str:
    """Return the side so that it can't be overlooked."""
    return f"{side.upper()} hip"


def edge(report: Report) -> str:
    """Return which edge was measured."""
    return "lateral edge" if report.view == "AP" else "edge that this view shows"


def at_start(report: Report) -> str:
    """Return when the first picture was taken: not at the start where it is not the first one."""
    return "on the present first picture" if report.carried else "at the start"


def count(number: int, one: str, many: str) -> str:
    """Return a number with its noun.

    >>> count(1, "picture", "pictures"), count(3, "picture", "pictures")
    ('1 picture', '3 pictures')
    """
    return f"{number} {one if number == 1 else many}"
