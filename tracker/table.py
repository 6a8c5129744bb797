"""Results as lines of plain text for a terminal.

An interval holds the true value 19 times in 20.  Computing never rounds; here it is done, to
0.01 mm and 0.1 degree.
"""

from collections.abc import Mapping, Sequence
from typing import Final

from tracker.values import (
    CAUTION,
    VIEW_LIMIT,
    Quantity,
    ReferenceResult,
    Removal,
    StillResult,
)

_HEADINGS: Final = ("picture", "removed mm", "LCEA deg", "left to the plan mm", "what it means")


def measured(quantity: Quantity, decimals: int) -> str:
    """Return a value with its interval.

    Examples
    --------
    >>> measured(Quantity(1.304, 0.2, "mm"), 2)
    '1.30 (0.90 to 1.70)'
    """
    value, low, high = (
        _rounded(number, decimals) for number in (quantity.value, quantity.low, quantity.high)
    )
    return f"{value} ({low} to {high})"


def left(quantity: Quantity, decimals: int = 2) -> str:
    """Return what remains, without a minus sign.

    Examples
    --------
    >>> left(Quantity(1.4, 0.25, "mm"))
    '1.40 (0.90 to 1.90)'
    >>> left(Quantity(-0.2, 0.2, "mm"))
    '0.20 past (0.60 past to 0.20 left)'
    """
    low, high = (_left_or_past(end, decimals) for end in (quantity.low, quantity.high))
    if quantity.low >= 0:
        return measured(quantity, decimals)
    value = _left_or_past(quantity.value, decimals)
    return f"{value.removesuffix(' left')} ({low} to {high})"


def meaning(result: StillResult) -> str:
    """Return the message and limits of a measured picture, or why it is not measured."""
    if result.verdict == "refused":
        main = result.reasons[0]
        others = ", ".join(str(reason.reason) for reason in result.reasons[1:])
        also = f" (also {others})" if others else ""
        return f"{main.reason}{also}: {main.sentence}"
    return ", ".join((result.message or "measured", *result.limits))


def progress_line(result: StillResult, index: int, total: int) -> str:
    """Return one line on a picture that has just been judged."""
    place = f"{index + 1:>{len(str(total))}}/{total}"
    if result.removal is None:
        said = f"not measured, {result.reasons[0].reason}"
    else:
        said = f"removed {measured(result.removal.recession_mm, 2)} mm"
    return f"{place} {result.file}: {said} [{result.elapsed_ms:.0f} ms]"


def reference_line(reference: ReferenceResult, total: int) -> str:
    """Return one line on the first picture."""
    place = f"{1:>{len(str(total))}}/{total}"
    if reference.usable:
        return f"{place} {reference.file}: first picture, marks {reference.marks}"
    return f"{place} {reference.file}: can't be used, {reference.reasons[0].reason}"


def reference_lines(reference: ReferenceResult) -> list[str]:
    """Return what the first picture gave, or why it can't be used and what to do."""
    if not reference.usable:
        return [
            f"first picture {reference.file} can't be used: {reason.reason}: {reason.sentence} "
            f"{reason.what_to_do}"
            for reason in reference.reasons
        ]
    parts = [f"first picture {reference.file}, marks {reference.marks}"]
    if reference.lcea_deg is not None:
        parts.append(f"LCEA {measured(reference.lcea_deg, 1)} deg")
    if reference.mm_per_px is not None:
        parts.append(f"{reference.mm_per_px:.4f} mm per pixel from {reference.scale_from}")
    return ["; ".join(parts), *reference.notes]


def result_lines(
    reference: ReferenceResult,
    results: Sequence[StillResult],
    truth_mm: Mapping[str, float | None] | None = None,
) -> list[str]:
    """Return the table at the end of a replay.

    Parameters
    ----------
    reference : ReferenceResult
    results : sequence of StillResult
    truth_mm : mapping of file name to float, optional
        True recession, mm, where it is known; None for a picture that must not be measured.
    """
    headings = list(_HEADINGS)
    if truth_mm is not None:
        headings[2:2] = ["truth mm", "off by"]
    rows = [headings] + [_row(result, truth_mm) for result in results]
    widths = [max(len(row[column]) for row in rows) for column in range(len(headings) - 1)]
    lines = [
        "  ".join([*(cell.ljust(width) for cell, width in zip(row, widths, strict=False)), row[-1]])
        for row in rows
    ]
    done = sum(result.verdict == "measured" for result in results)
    notes = dict.fromkeys(f"{r.file}: {note}" for r in results for note in r.notes)
    return [
        *reference_lines(reference),
        "",
        *(line.rstrip() for line in lines),
        "",
        *notes,
        f"{done} of {len(results)} pictures measured; intervals hold the true value 19 times in 20",
        VIEW_LIMIT,
        CAUTION,
    ]


def _row(result: StillResult, truth_mm: Mapping[str, float | None] | None) -> list[str]:
    removal = result.removal
    row = [result.file, *(_numbers(removal) if removal else ("not measured", "", ""))]
    if truth_mm is not None:
        row[2:2] = _beside(removal, truth_mm[result.file]) if result.file in truth_mm else ["", ""]
    return [*row, meaning(result)]


def _beside(removal: Removal | None, true_mm: float | None) -> list[str]:
    """Return the cells of truth and of the difference from it."""
    if true_mm is None:
        return ["no number", ""]
    off = f"{removal.recession_mm.value - true_mm:+.2f}" if removal else ""
    return [_rounded(true_mm, 2), off]


def _numbers(removal: Removal) -> tuple[str, str, str]:
    return (
        measured(removal.recession_mm, 2),
        measured(removal.lcea_deg, 1),
        left(removal.remaining_mm),
    )


def _rounded(number: float, decimals: int) -> str:
    # Adding zero turns a rounded -0.0 into 0.0.
    return f"{round(number, decimals) + 0.0:.{decimals}f}"


def _left_or_past(number: float, decimals: int) -> str:
    return f"{_rounded(abs(number), decimals)} {'past' if number < 0 else 'left'}"
