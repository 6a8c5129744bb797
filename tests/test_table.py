"""Results as text: intervals with every value, no minus sign on what is left, reasons in words."""

from dataclasses import replace

from tests import fakes
from tracker import table
from tracker.values import (
    CAUTION,
    REMEDIES,
    VIEW_LIMIT,
    NotMeasurable,
    Quantity,
    Reason,
    ReferenceResult,
    StillResult,
)

MEASURED = StillResult(
    "001.png", "aa", "measured", (), 140.2, removal=fakes.removal(1.3), message="more to go"
)
REFUSED = StillResult(
    "002.png",
    "bb",
    "refused",
    (NotMeasurable(Reason.RIM_HIDDEN), NotMeasurable(Reason.VIEW_CHANGED)),
    3.0,
)


def test_what_is_left_has_no_minus_sign() -> None:
    for value in (-3.0, -0.6, -0.001, 0.0, 0.4, 2.0):
        text = table.left(Quantity(value, 0.3, "mm"))
        assert "-" not in text
        assert ("past" in text) == (value - 0.6 < 0)


def test_the_table_shows_value_interval_and_message() -> None:
    text = "\n".join(table.result_lines(fakes.reference_result(), [MEASURED]))

    assert "1.30 (0.90 to 1.70)" in text
    assert "2.10 (1.10 to 3.10)" in text
    assert "38.1 (35.7 to 40.5)" in text
    assert "more to go" in text
    assert "LCEA 41.2 (39.0 to 43.4) deg" in text


def test_a_refused_picture_shows_reasons_and_no_number() -> None:
    lines = table.result_lines(fakes.reference_result(), [MEASURED, REFUSED])
    (row,) = (line for line in lines if line.startswith("002.png"))

    assert "not measured" in row
    assert "rim-hidden (also view-changed): " in row
    assert not any(character.isdigit() for character in row.removeprefix("002.png"))
    assert "1 of 2 pictures measured; intervals hold the true value 19 times in 20" in lines


def test_truth_stands_beside() -> None:
    lines = table.result_lines(
        fakes.reference_result(), [MEASURED, REFUSED], {"001.png": 1.25, "002.png": None}
    )
    header, row, other = (line for line in lines if line.startswith(("picture", "00")))

    assert "truth mm" in header
    assert " 1.25 " in row
    assert "+0.05" in row
    assert "no number" in other


def test_limits_and_notes_are_said() -> None:
    result = replace(MEASURED, limits=("lower limit reached",), notes=("no zero picture",))
    lines = table.result_lines(fakes.reference_result(), [result])

    assert any("more to go, lower limit reached" in line for line in lines)
    assert "001.png: no zero picture" in lines


def test_an_unusable_first_picture_is_told_with_its_remedy() -> None:
    reference = ReferenceResult("000.png", "given", (NotMeasurable(Reason.WRONG_SIDE),))

    text = "\n".join(table.result_lines(reference, []))

    assert "can't be used: wrong-side" in text
    assert REMEDIES[Reason.WRONG_SIDE] in text


def test_the_caution_and_the_view_limit_are_always_there() -> None:
    lines = table.result_lines(fakes.reference_result(), [])

    assert lines[-2:] == [VIEW_LIMIT, CAUTION]


def test_progress_lines_say_place_verdict_and_time() -> None:
    assert table.progress_line(MEASURED, 1, 12) == (
        " 2/12 001.png: removed 1.30 (0.90 to 1.70) mm [140 ms]"
    )
    assert table.progress_line(REFUSED, 2, 12) == (" 3/12 002.png: not measured, rim-hidden [3 ms]")
    assert table.reference_line(fakes.reference_result(), 3).startswith("1/3 000.png: ")
