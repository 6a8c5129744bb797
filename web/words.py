"""Numbers, times and findings in the words that the pages use; rounding happens only here."""

import math
from datetime import datetime
from typing import Final

from tracker.values import NotMeasurable, Quantity, Side

NOT_MEASURED: Final = "not measured"


def decimals(value: float, places: int = 1) -> str:
    """Return a number with a fixed number of decimals, and never a negative zero.

    >>> decimals(-0.04)
    '0.0'
    >>> decimals(1.25, 2)
    '1.25'
    """
    text = f"{value:.{places}f}"
    return text.lstrip("-") if float(text) == 0 else text


def left(quantity: Quantity, *, at_most: bool = False) -> tuple[str, str]:
    """Return what is left as a figure and its words, never with a minus sign.

    Where something was burred unseen it is the most that is left.

    >>> left(Quantity(1.42, 0.25, "mm"))
    ('1.4', 'mm left')
    >>> left(Quantity(-0.6, 0.25, "mm"))
    ('0.6', 'mm past the plan')
    >>> left(Quantity(1.42, 0.25, "mm"), at_most=True)
    ('1.4', 'mm left at most')
    >>> left(Quantity(-0.6, 0.25, "mm"), at_most=True)
    ('0.6', 'mm past the plan or more')
    """
    text = decimals(quantity.value)
    if text.startswith("-"):
        return text[1:], "mm past the plan or more" if at_most else "mm past the plan"
    return text, "mm left at most" if at_most else "mm left"


def left_interval(quantity: Quantity, *, at_most: bool = False) -> str:
    """Return the interval of what is left, in the words of :func:`left`.

    >>> left_interval(Quantity(1.4, 0.25, "mm"))
    '0.9 to 1.9'
    >>> left_interval(Quantity(0.1, 0.25, "mm"))
    '0.4 past to 0.6 left'
    >>> left_interval(Quantity(-1.2, 0.25, "mm"))
    '0.7 to 1.7 past'
    >>> left_interval(Quantity(1.4, 0.25, "mm"), at_most=True)
    'up to 1.9 left'
    >>> left_interval(Quantity(-1.2, 0.25, "mm"), at_most=True)
    '0.7 past or more'
    """
    low, high = decimals(quantity.low), decimals(quantity.high)
    if at_most:
        return f"{high[1:]} past or more" if high.startswith("-") else f"up to {high} left"
    if not low.startswith("-"):
        return f"{low} to {high}"
    if high.startswith("-"):
        return f"{high[1:]} to {low[1:]} past"
    return f"{low[1:]} past to {high} left"


def left_sentence(quantity: Quantity, *, at_most: bool = False) -> str:
    """Return what is left with its interval, in one line.

    >>> left_sentence(Quantity(1.42, 0.25, "mm"))
    '1.4 mm left (0.9 to 1.9)'
    """
    figure, words = left(quantity, at_most=at_most)
    return f"{figure} {words} ({left_interval(quantity, at_most=at_most)})"


def interval(quantity: Quantity, places: int = 1) -> str:
    """Return the interval that holds the value 19 times in 20.

    >>> interval(Quantity(1.8, 0.2, "mm"))
    '1.4 to 2.2'
    >>> interval(Quantity(0.1, 0.2, "mm"))
    '−0.3 to 0.5'
    """
    low, high = decimals(quantity.low, places), decimals(quantity.high, places)
    return f"{low} to {high}".replace("-", "−")


def value(quantity: Quantity, places: int = 1) -> str:
    """Return a value with a true minus sign where it needs one.

    >>> value(Quantity(-0.31, 0.2, "mm"))
    '−0.3'
    """
    return decimals(quantity.value, places).replace("-", "−")


def significant(number: float) -> str:
    """Return a budget's number with two significant digits.

    >>> significant(0.12345), significant(1.04), significant(0.0)
    ('0.12', '1.0', '0')
    """
    if number == 0:
        return "0"
    places = max(0, 1 - math.floor(math.log10(abs(number))))
    return f"{number:.{places}f}".replace("-", "−")


def clock(at: datetime) -> str:
    """Return a time to the second, in this machine's time zone."""
    return at.astimezone().strftime("%H:%M:%S")


def minute(at: datetime) -> str:
    """Return a time to the minute, in this machine's time zone."""
    return at.astimezone().strftime("%H:%M")


def day(at: datetime) -> str:
    """Return a date that can't be misread, in this machine's time zone."""
    local = at.astimezone()
    return f"{local.day} {local.strftime('%b %Y')}"


def age(seconds: float) -> str:
    """Return an age as minutes and seconds, or hours, minutes and seconds.

    >>> age(42.7), age(727), age(3723), age(-1)
    ('0:42', '12:07', '1:02:03', '0:00')
    """
    whole = max(0, int(seconds))
    minutes, rest = divmod(whole, 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02}:{rest:02}" if hours else f"{minutes}:{rest:02}"


def count(number: int, one: str, many: str) -> str:
    """Return a number with its noun.

    >>> count(1, "pass", "passes"), count(3, "pass", "passes")
    ('1 pass', '3 passes')
    """
    return f"{number} {one if number == 1 else many}"


ADULT_HEAD_MM: Final = (36.0, 62.0)
"""Diameters between which nearly all adult femoral heads lie."""
_AGREEMENT: Final = 0.07
"""Largest difference of two sizes of one head, as a share, before it is asked about."""


def head_size(diameter_mm: float, given_mm: float | None = None) -> str:
    """Return what is odd about a head's diameter; empty where nothing is.

    >>> head_size(48.6), head_size(50.0, 48.6)
    ('', '')
    >>> head_size(24.3)
    "24.3 mm is a head's radius rather than its diameter: check which was given."
    >>> head_size(97.2)
    '97.2 mm is twice the size of a head: check the scale and the circle.'
    >>> head_size(64.0)
    'Few adult heads measure 64.0 mm across: check the scale and the circle.'
    >>> head_size(54.0, 48.6)
    'The scale makes the head 54.0 mm, 48.6 mm was given: check both.'
    """
    low, high = ADULT_HEAD_MM
    size = f"{diameter_mm:.1f} mm"
    if low / 2 <= diameter_mm <= high / 2:
        return f"{size} is a head's radius rather than its diameter: check which was given."
    if low * 2 <= diameter_mm <= high * 2:
        return f"{size} is twice the size of a head: check the scale and the circle."
    if not low <= diameter_mm <= high:
        return f"Few adult heads measure {size} across: check the scale and the circle."
    if given_mm is not None and abs(diameter_mm / given_mm - 1) > _AGREEMENT:
        return f"The scale makes the head {size}, {given_mm:g} mm was given: check both."
    return ""


def hip(side: Side) -> str:
    """Return the side so that it can't be overlooked."""
    return f"{side.upper()} hip"


def before_passes(passes: int) -> str:
    """Return how long ago the last measured picture was, in passes.

    >>> before_passes(1), before_passes(2)
    ('before the last pass', 'before the last 2 passes')
    """
    return "before the last pass" if passes <= 1 else f"before the last {passes} passes"


def ended(text: str) -> str:
    """Return a message with its full stop.

    >>> ended("case.toml is missing"), ended("")
    ('case.toml is missing.', '')
    """
    return text if not text or text.endswith((".", "?", ")")) else f"{text}."


def sentence(text: str) -> str:
    """Return a hint as a sentence.

    >>> sentence("save it again as PNG"), sentence("")
    ('Save it again as PNG.', '')
    """
    return ended(text[:1].upper() + text[1:])


def seen(finding: NotMeasurable) -> str:
    """Return what was seen, as a sentence."""
    return ended(finding.sentence)
