"""What the record keeps comes back as it was."""

import json
import math
from dataclasses import fields, is_dataclass
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests import standins
from tracker import images
from tracker.errors import InternalError
from tracker.record import decode, encode, from_text, to_text
from tracker.values import (
    CaseSetup,
    Marks,
    NotMeasurable,
    Plan,
    Quantity,
    Reason,
    ReferenceResult,
    StillResult,
)


def same(a: Any, b: Any) -> bool:
    """Equality that looks into arrays."""
    if is_dataclass(a):
        return type(a) is type(b) and all(
            same(getattr(a, part.name), getattr(b, part.name)) for part in fields(a)
        )
    if isinstance(a, np.ndarray):
        return a.dtype == b.dtype and np.array_equal(a, b)
    if isinstance(a, tuple):
        return len(a) == len(b) and all(map(same, a, b))
    return type(a) is type(b) and bool(a == b)


def measured(tenths: int) -> StillResult:
    still = images.decode(standins.png(0), "000.png")
    state = standins.open_case(standins.prepare_reference(still, standins.setup()))
    moving = images.decode(standins.png(tenths), "001.png")
    return standins.measure_still(moving, state)[0]


@pytest.mark.parametrize("tenths", [0, 18, 60, 255])
def test_a_result_comes_back_whole(tenths: int) -> None:
    result = measured(tenths)
    assert same(from_text(StillResult, to_text(result)), result)


def test_a_reference_comes_back_whole() -> None:
    still = images.decode(standins.png(0), "000.png")
    result = standins.prepare_reference(still, standins.setup()).result
    assert same(from_text(ReferenceResult, to_text(result)), result)


def test_a_set_up_with_marks_comes_back_whole() -> None:
    setup = standins.setup(marks=standins.marks())
    assert same(from_text(CaseSetup, to_text(setup)), setup)
    assert same(from_text(Marks, to_text(standins.marks())), standins.marks())


@given(
    st.floats(allow_nan=False, allow_infinity=False),
    st.floats(min_value=0, exclude_min=True, allow_infinity=False),
)
def test_every_float_comes_back_exactly(value: float, u: float) -> None:
    assert from_text(Quantity, to_text(Quantity(value, u, "mm"))) == Quantity(value, u, "mm")


@given(
    st.floats(-30, 90),
    st.none() | st.floats(0.1, 30),
    st.none() | st.tuples(st.text(), st.text()),
)
def test_every_plan_comes_back(floor: float, depth: float | None, clock: Any) -> None:
    plan = Plan(floor_lcea_deg=floor, depth_mm=depth, clock=clock)
    assert from_text(Plan, to_text(plan)) == plan


def test_a_field_that_an_older_record_lacks_takes_its_default() -> None:
    plain = encode(NotMeasurable(Reason.DUPLICATE))
    del plain["detail"]
    assert decode(NotMeasurable, plain) == NotMeasurable(Reason.DUPLICATE)


@pytest.mark.parametrize(
    "change",
    [
        {"colour": "red"},
        {"reason": None},
        {"detail": 3},
    ],
)
def test_what_does_not_fit_is_an_error(change: dict[str, Any]) -> None:
    plain = encode(NotMeasurable(Reason.DUPLICATE)) | change
    with pytest.raises((InternalError, ValueError)):
        decode(NotMeasurable, plain)


def test_a_word_out_of_its_list_is_an_error() -> None:
    plain = encode(standins.setup()) | {"side": "middle"}
    with pytest.raises(InternalError, match="middle"):
        decode(CaseSetup, plain)


def test_a_missing_field_is_named() -> None:
    plain = encode(standins.setup())
    del plain["plan"]
    with pytest.raises(InternalError, match=r"CaseSetup\.plan"):
        decode(CaseSetup, plain)


def test_no_number_that_json_lacks_is_written() -> None:
    with pytest.raises(ValueError, match="JSON"):
        to_text({"value": math.nan})
    assert json.loads(to_text({"value": 1})) == {"value": 1}
