"""What people say about a case is read from its journal; what was said last holds."""

import math
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests import standins
from tests.standins import png
from tracker import logbook
from tracker.errors import InputError
from tracker.record import EventRow, to_text
from tracker.service import Service
from tracker.values import Plan

AT = datetime(2026, 1, 5, 9, 30, tzinfo=UTC)


@pytest.fixture(autouse=True)
def _quick_pipeline(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tracker.ledger.pipeline", standins)


def event(kind: str, body: object = None) -> EventRow:
    text = to_text({} if body is None else body)
    return EventRow(1, AT, kind, text, "0.1.0", "digest")


def started(service: Service) -> str:
    """A case with its first picture and its marks agreed."""
    service.open_case(standins.setup())
    service.add_picture("p1", png(0), "000.png")
    service.accept_proposed("p1")
    return "p1"


def test_what_was_said_last_holds() -> None:
    events = [event("closed"), event("zero", {"number": 3}), event("reopened")]
    assert logbook.read(events) == logbook.Logbook(zero_number=3)
    assert logbook.read([event("zero-skipped"), event("zero", {"number": 2})]).zero_skipped is False
    assert logbook.read([event("plan-confirmed"), event("marks")]).plan_confirmed is False
    again = logbook.read([event("zero", {"number": 1}), event("first-again")])
    assert again == logbook.Logbook()


def test_notes_keep_their_time_and_their_picture() -> None:
    log = logbook.read([event("note", logbook.Note("Metal on the rim.", 4))])
    assert log.notes == (logbook.Note("Metal on the rim.", 4, AT),)


def test_a_closed_case_takes_no_picture_until_it_is_opened_again(tmp_path: Path) -> None:
    with Service(tmp_path) as service:
        case_id = started(service)
        assert service.close_case(case_id).standing == "closed"
        before = service.case(case_id).last_event
        assert service.close_case(case_id).last_event == before
        with pytest.raises(InputError, match="is closed"):
            service.add_picture(case_id, png(5), "001.png")
        assert service.case(case_id).stills == ()
        assert service.reopen_case(case_id).standing == "ready"
        assert service.add_picture(case_id, png(5), "001.png").result is not None


def test_the_latest_picture_can_be_taken_back_and_brought_again(tmp_path: Path) -> None:
    with Service(tmp_path) as service:
        case_id = started(service)
        for tenths in (5, 12):
            service.add_picture(case_id, png(tenths), f"{tenths}.png")
        with pytest.raises(InputError, match="not the latest"):
            service.take_back(case_id, 1)
        case = service.take_back(case_id, 2)
        assert [picture.number for picture in case.stills] == [1]
        assert case.latest is not None
        assert case.latest.number == 1
        again = service.add_picture(case_id, png(12), "12.png")
        assert (again.number, again.is_new) == (2, True)
        assert [picture.number for picture in service.case(case_id).stills] == [1, 2]


def test_only_a_picture_without_numbers_is_kept_to_look_at(tmp_path: Path) -> None:
    with Service(tmp_path) as service:
        case_id = started(service)
        service.add_picture(case_id, png(5), "001.png")
        service.add_picture(case_id, png(255), "002.png")
        with pytest.raises(InputError, match="could not be measured"):
            service.keep_to_look_at(case_id, 1)
        assert service.keep_to_look_at(case_id, 2).standing == "to look at"
        view = service.glance(case_id)
        assert (view.standing, view.reasons) == ("to look at", ())
        assert view.last_left is not None


def test_a_zero_picture_is_named_as_such_unless_it_is_the_first(tmp_path: Path) -> None:
    with Service(tmp_path) as service:
        service.open_case(standins.setup())
        service.add_picture("p1", png(0), "000.png", as_zero=True)
        assert service.case("p1").log.zero_number is None
        service.accept_proposed("p1")
        assert service.skip_zero("p1").log.zero_skipped
        service.add_picture("p1", png(0, noise=1), "001.png", as_zero=True)
        log = service.case("p1").log
        assert (log.zero_number, log.zero_skipped) == (1, False)


@pytest.mark.parametrize("text", ["", "  ", "x" * 1001])
def test_a_note_has_something_to_say_and_ends(tmp_path: Path, text: str) -> None:
    with Service(tmp_path) as service:
        case_id = started(service)
        with pytest.raises(InputError, match="note"):
            service.take_note(case_id, text)
        assert service.take_note(case_id, " Head seen. ").log.notes[0].text == "Head seen."


def test_what_was_said_outlives_a_restart(tmp_path: Path) -> None:
    with Service(tmp_path) as service:
        case_id = started(service)
        service.take_note(case_id, "First look.", 0)
        service.close_case(case_id)
    with Service(tmp_path) as service:
        log = service.case(case_id).log
        assert log.closed
        assert [(note.text, note.number) for note in log.notes] == [("First look.", 0)]


def test_a_new_series_carries_the_total_and_keeps_the_pictures(tmp_path: Path) -> None:
    with Service(tmp_path) as service:
        case_id = deep_less(service)
        with pytest.raises(InputError, match="Nothing has been measured"):
            service.begin_series(case_id, nothing_burred=True)
        service.add_picture(case_id, png(18), "001.png")
        service.add_picture(case_id, png(255), "002.png")
        case = service.begin_series(case_id, nothing_burred=True)
        assert (case.standing, case.stills, case.setup.marks) == ("no picture", (), None)
        assert [picture.number for picture in case.earlier] == [0, 1, 2]
        carried = case.log.carried
        assert carried is not None
        assert (carried.whole, carried.number) == (True, 1)
        assert carried.removed_mm.value == pytest.approx(1.8)

        again = service.add_picture(case_id, png(18), "001.png")
        assert not again.is_new
        assert service.case(case_id).first is None

        service.add_picture(case_id, png(0, noise=3), "003.png")
        service.accept_proposed(case_id)
        service.add_picture(case_id, png(7), "004.png")
        case = service.begin_series(case_id, nothing_burred=False)
        carried = case.log.carried
        assert carried is not None
        assert (carried.whole, carried.number) == (False, 4)
        assert carried.removed_mm.value == pytest.approx(1.8 + 0.7)
        assert carried.removed_mm.u == pytest.approx(0.15 * math.sqrt(2))


def deep_less(service: Service) -> str:
    """A started case whose plan is an angle alone."""
    plan = Plan(floor_lcea_deg=25.0, target_lcea_deg=33.0)
    service.open_case(replace(standins.setup(), plan=plan))
    service.add_picture("p1", png(0), "000.png")
    service.accept_proposed("p1")
    return "p1"


@pytest.mark.parametrize("whole", [True, False])
def test_a_depth_goes_on_counting_over_a_new_first_picture(tmp_path: Path, *, whole: bool) -> None:
    with Service(tmp_path) as service:
        plan = Plan(None, depth_mm=5.0, max_depth_mm=6.0)
        service.open_case(replace(standins.setup(), plan=plan))
        service.add_picture("p1", png(0), "000.png")
        service.accept_proposed("p1")
        service.add_picture("p1", png(18), "001.png")
        case = service.begin_series("p1", nothing_burred=whole)
        assert case.setup.carried == case.log.carried
        service.add_picture("p1", png(0, 9), "new first.png")
        service.accept_proposed("p1")
        service.add_picture("p1", png(7, 9), "002.png")
        case = service.case("p1")
        assert case.at_most is not whole
        removal = case.believed[-1].removal
        assert removal is not None
        assert removal.remaining_mm.value == pytest.approx(5.0 - 1.8 - 0.7)
        assert case.believed[-1].message == ("more to go" if whole else "may be at the plan")
