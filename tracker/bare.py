"""Stored results read without their drawings: the numbers alone, many times quicker.

An outline fills nine tenths of a result's text.  The record writes keys in order, so the drawings
lie between two known keys; where they don't, the whole text is read.
"""

import json
from typing import Any, Final

from tracker.record import ResultRow, decode
from tracker.values import ReferenceResult, StillResult

_NO_DRAWING: Final[dict[str, Any]] = {
    "outline_px": [],
    "reference_outline_px": [],
    "edge_px": [0.0, 0.0],
    "plan_px": None,
    "limit_px": None,
    "hidden": [],
}
_NO_PROFILE: Final[dict[str, Any]] = {"angle_deg": [], "depth_mm": []}
_BEGIN: Final = '"overlay":{'
_END: Final = '},"recession_mm":{'
_WANTED_BUDGET: Final = "recession_mm"


def bare(row: ResultRow) -> StillResult | ReferenceResult:
    """Return a stored result without outline, profile and thinned bone.

    Of the budgets only the recession's is kept.

    Parameters
    ----------
    row : ResultRow

    Returns
    -------
    StillResult or ReferenceResult
    """
    if row.kind != "still":
        reference = json.loads(row.body)
        reference["overlay"] = None
        return decode(ReferenceResult, reference)
    plain = json.loads(_without_drawings(row.body))
    removal = plain.get("removal")
    if removal is not None:
        removal["overlay"], removal["profile"] = _NO_DRAWING, _NO_PROFILE
        removal["thinned"] = None
        removal["budgets"] = [
            budget for budget in removal["budgets"] if budget["result"] == _WANTED_BUDGET
        ]
    return decode(StillResult, plain)


def _without_drawings(text: str) -> str:
    """Cut out what lies from the overlay up to the recession, where it lies as it is written."""
    begin = text.find(_BEGIN)
    end = text.find(_END, begin)
    if begin < 0 or end < 0:
        return text
    # A note or a reason may hold any words; quotes in it are written with a backslash before.
    if text[begin - 1] not in "{," or text.count(_BEGIN) > 1:
        return text
    return text[:begin] + text[end + 2 :]
