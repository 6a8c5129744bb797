"""What is kept beside the resection is read from the journal; what was corrected stays in it."""

from datetime import UTC, datetime, timedelta

import pytest

from tests.fakes import removal
from tracker import around, around_sums
from tracker.around import (
    Around,
    EstimateSaid,
    EstimatesSaid,
    FinalSaid,
    LabrumSaid,
    Spell,
    Traction,
    TractionSaid,
    WithdrawnSaid,
)
from tracker.record import EventRow, to_text
from tracker.values import Quantity

START = datetime(2026, 1, 5, 9, 0, tzinfo=UTC)


def after(minutes: float) -> datetime:
    return START + timedelta(minutes=minutes)


def journal(*said: tuple[str, object]) -> list[EventRow]:
    """Entries one minute apart, keys from 1."""
    return [
        EventRow(k, after(k), kind, to_text(body), "0.1.0", "digest")
        for k, (kind, body) in enumerate(said, 1)
    ]


def traction(on: bool, minute: float, corrects: int | None = None) -> tuple[str, object]:
    return around.TRACTION, TractionSaid(on, after(minute).isoformat(), corrects=corrects)


def test_an_empty_journal_holds_nothing() -> None:
    for name in Around.__slots__:
        assert getattr(around.read([]), name) == getattr(Around(), name)
    assert around.read(journal(("opened", {}), ("marks", {}))).entries == ()


def test_traction_is_added_up_over_its_spells() -> None:
    found = around.read(
        journal(traction(True, 0), traction(False, 50), traction(True, 70))
    ).traction
    assert found.spells == (Spell(after(0), after(50)), Spell(after(70)))
    assert found.is_on
    assert found.total_s(after(100)) == 80 * 60
    assert found.reached(after(100)) == ((60, after(80)), (90, None), (120, None))


def test_the_marks_are_reached_to_the_second() -> None:
    clock = Traction((Spell(after(0)),))
    assert clock.reached(after(59.99))[0] == (60, None)
    assert clock.reached(after(60))[0] == (60, after(60))
    assert [at for _, at in clock.reached(after(125))] == [after(60), after(90), after(120)]


def test_a_later_entry_corrects_an_earlier_one_and_both_stay() -> None:
    found = around.read(journal(traction(True, 30), traction(True, 12, corrects=1)))
    assert found.traction.spells == (Spell(after(12)),)
    assert [entry.holds for entry in found.entries] == [False, True]


def test_what_is_withdrawn_does_not_hold() -> None:
    said = journal(traction(True, 0), traction(False, 9), (around.WITHDRAWN, WithdrawnSaid(2)))
    assert around.read(said).traction.is_on
    lab = journal(
        (around.LABRUM, LabrumSaid("11:00", "1:00")),
        (around.LABRUM, LabrumSaid("11:00", "2:00")),
        (around.WITHDRAWN, WithdrawnSaid(2)),
    )
    assert around.read(lab).labrum == LabrumSaid("11:00", "1:00")


def test_said_twice_is_said_once() -> None:
    found = around.read(journal(traction(False, 0), traction(True, 5), traction(True, 8)))
    assert found.traction.spells == (Spell(after(5)),)


def test_no_clock_runs_on_in_a_closed_case() -> None:
    said = [traction(True, 0), ("closed", {})]
    closed = around.read(journal(*said)).traction
    assert not closed.is_on
    assert closed.total_s(after(500)) == 120
    assert around.read(journal(*said, ("reopened", {}))).traction.total_s(after(500)) == 500 * 60


def final(*numbers: int) -> tuple[str, object]:
    exposures = around_sums.two_exposures(removal(3.0), removal(3.0))
    first, second = numbers
    return around.FINAL, FinalSaid("before repair", (first, second), exposures)


@pytest.mark.parametrize(
    ("later", "standing"),
    [
        ((), "stands"),
        ((("note", {"text": "x"}),), "stands"),
        ((("outline-wrong", {"number": 2}),), "stands"),
        ((("outline-wrong", {"number": 4}),), "outline wrong"),
        ((("outline-wrong", {"number": 4}), ("outline-right", {"number": 4})), "stands"),
        ((("taken-back", {"number": 5}),), "taken back"),
        ((("plan", {}),), "measured again"),
        ((("marks", {}),), "measured again"),
        ((("new-series", {}),), "new first picture"),
    ],
)
def test_a_final_says_whether_it_still_stands(
    later: tuple[tuple[str, object], ...], standing: str
) -> None:
    found = around.read(journal(final(4, 5), *later)).final("before repair")
    assert found is not None
    assert found.standing == standing
    assert found.given is (standing == "stands")
    assert found.said.exposures.removed_mm == Quantity(3.0, 0.2, "mm")


def test_the_latest_final_of_a_kind_is_the_one() -> None:
    found = around.read(journal(final(1, 2), final(4, 5)))
    kept = found.final("before repair")
    assert kept is not None
    assert kept.said.numbers == (4, 5)
    assert len(found.finals) == 2
    assert found.final("after traction") is None


def picture(number: int) -> tuple[str, object]:
    return "picture", {"number": number, "role": "still"}


ASKED = (around.ESTIMATES, EstimatesSaid(True))


def test_pictures_wait_for_the_estimate_from_when_it_is_asked_for() -> None:
    found = around.read(journal(picture(0), ASKED, picture(1), picture(2)))
    assert found.awaited == {1, 2}
    given = (around.ESTIMATE, EstimateSaid(1, 1.5))
    skipped = (around.ESTIMATE, EstimateSaid(2))
    later = around.read(journal(picture(0), ASKED, picture(1), picture(2), given, skipped))
    assert later.awaited == frozenset()
    assert [one.removed_mm for one in later.estimates] == [1.5, None]


def test_nothing_waits_outside_burring_nor_the_zero_picture() -> None:
    quiet = ("phase", {"phase": "repair", "paused": False})
    paused = ("phase", {"phase": "burring", "paused": True})
    zero = ("zero", {"number": 1})
    found = around.read(journal(ASKED, picture(1), zero, quiet, picture(2), paused, picture(3)))
    assert found.awaited == frozenset()
    no_more = (around.ESTIMATES, EstimatesSaid(False))
    assert around.read(journal(ASKED, picture(1), no_more, picture(2))).awaited == frozenset()


def test_an_estimate_made_after_the_number_showed_changes_nothing() -> None:
    first, second = EstimateSaid(1, 1.0), EstimateSaid(1, 2.4)
    found = around.read(
        journal(ASKED, picture(1), (around.ESTIMATE, first), (around.ESTIMATE, second))
    )
    assert [one.removed_mm for one in found.estimates] == [1.0]
