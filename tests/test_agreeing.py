"""What is agreed beside the measuring: numbers kept back, what lies beside the rim, rehearsal."""

from collections.abc import Iterator
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path

import pytest

from tests import standins
from tests.standins import png
from tracker import agreement
from tracker.agreement import Agreement, Beside, Rehearsed, Terms
from tracker.errors import InputError, NotFound
from tracker.inbox import STILL_S, Inbox
from tracker.record import EventRow, to_text
from tracker.service import Service
from tracker.values import Plan

AT = datetime(2026, 1, 5, 9, 30, tzinfo=UTC)
PLAIN = {
    "id": "p1",
    "side": "left",
    "view": "AP",
    "scale": {"head_diameter_mm": 48.6},
    "plan": {"target_lcea_deg": 33.0, "floor_lcea_deg": 25.0},
}


@pytest.fixture(autouse=True)
def _quick_pipeline(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tracker.ledger.pipeline", standins)


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    with Service(tmp_path / "record") as opened:
        yield opened


def event(kind: str, body: object) -> EventRow:
    return EventRow(1, AT, kind, to_text(body), "0.1.0", "digest")


def test_what_was_agreed_last_holds() -> None:
    silent = Terms(numbers="recorded only")
    events = [
        event("agreed", Terms()),
        event("agreed", silent),
        event("beside-rim", Beside("with")),
    ]
    assert agreement.read(events) == Agreement(terms=silent, beside=Beside("with"))


def test_a_rehearsal_waits_shows_and_ends_with_the_first_picture() -> None:
    begin = event("rehearsal", {"on": True})
    came = event("rehearsed", Rehearsed("test.png", "ab", 100, 80))
    assert agreement.read([begin]).rehearsal == "waiting"
    shown = agreement.read([begin, came])
    assert (shown.rehearsal, shown.rehearsals[0].at) == ("shown", AT)
    assert agreement.read([begin, came, event("rehearsal", {"on": False})]).rehearsal == ""
    after = agreement.read([begin, came, event("picture", {"number": 0, "role": "still"})])
    assert (after.rehearsal, len(after.rehearsals)) == ("", 1)


# --- numbers recorded only -------------------------------------------------------------------


def silent_case(service: Service) -> None:
    service.open_hip(PLAIN, Terms(numbers="recorded only"), {})
    service.add_picture("p1", png(0), "000.png")
    service.accept_proposed("p1")
    service.add_picture("p1", png(18), "001.png")


def test_numbers_that_are_recorded_only_count_nowhere_until_the_case_is_closed(
    service: Service,
) -> None:
    silent_case(service)
    case = service.case("p1")
    assert (case.silent, case.standing) == (True, "recorded")
    assert not any(picture.counts for picture in case.pictures)
    glance = service.glance("p1")
    assert glance.shown is not None
    assert (glance.shown.removal, glance.shown.lines, glance.strip) == (None, "", "")
    assert all(entry.whole.lines == "" for entry in service.review("p1").pictures)
    assert service.case("p1").stills[0].is_measured
    service.close_case("p1")
    closed = service.case("p1")
    assert [picture.counts for picture in closed.stills] == [True]
    assert service.review("p1").strip
    assert service.reopen_case("p1").standing == "recorded"


def test_the_first_picture_stays_while_numbers_are_recorded_only(service: Service) -> None:
    silent_case(service)
    with pytest.raises(InputError, match="it stays"):
        service.replace_first("p1")
    assert service.begin_series("p1", nothing_burred=True).log.carried is not None


# --- what lies beside the rim ----------------------------------------------------------------


def test_with_or_without_is_chosen_once(service: Service) -> None:
    service.open_hip(PLAIN, Terms(), {})
    service.add_picture("p1", png(0), "000.png")
    assert service.agreeing.say_beside("p1", Beside("with")).agreement.beside.how == "with"
    assert service.agreeing.say_beside("p1", Beside("without")).agreement.beside.how == "without"
    service.accept_proposed("p1")
    service.add_picture("p1", png(3), "001.png")
    before = service.case("p1").last_event
    assert service.agreeing.say_beside("p1", Beside("without")).last_event == before
    with pytest.raises(InputError, match="have been measured so"):
        service.agreeing.say_beside("p1", Beside("with"))


# --- rehearsal -------------------------------------------------------------------------------


def test_a_rehearsal_leaves_a_line_and_no_picture(service: Service) -> None:
    service.open_hip(PLAIN, Terms(), {})
    service.agreeing.begin_rehearsal("p1")
    test = png(40, side_px=200)
    added = service.add_picture("p1", test, "test.png")
    assert (added.rehearsed, added.number, added.is_new) == (True, None, False)
    case = service.case("p1")
    assert (case.pictures, case.standing, case.agreement.rehearsal) == ((), "no picture", "shown")
    kept = case.agreement.rehearsals[0]
    assert (kept.name, kept.width, kept.height) == ("test.png", 200, 200)
    assert kept.sha256 == sha256(test).hexdigest()
    assert service.agreeing.rehearsal_png("p1").startswith(b"\x89PNG")


def test_the_rehearsal_s_picture_never_becomes_the_first_one(service: Service) -> None:
    service.open_hip(PLAIN, Terms(), {})
    service.agreeing.begin_rehearsal("p1")
    test = png(40)
    digest = sha256(test).hexdigest()
    assert not service.has_seen("p1", digest)
    service.add_picture("p1", test, "test.png")
    # A folder that still holds it would bring it again.
    assert service.has_seen("p1", digest)
    service.agreeing.end_rehearsal("p1")
    assert service.add_picture("p1", test, "test.png").rehearsed
    assert service.case("p1").first is None
    assert service.add_picture("p1", png(0), "000.png").number == 0
    case = service.case("p1")
    assert (case.agreement.rehearsal, len(case.agreement.rehearsals)) == ("", 1)
    with pytest.raises(InputError, match="before the first picture"):
        service.agreeing.begin_rehearsal("p1")


def test_a_rehearsal_takes_one_picture_and_the_next_one_counts(service: Service) -> None:
    service.open_hip(PLAIN, Terms(), {})
    service.agreeing.begin_rehearsal("p1")
    service.add_picture("p1", png(40), "test.png")
    assert service.add_picture("p1", png(0), "000.png").number == 0
    assert service.case("p1").first is not None


def test_a_rehearsal_by_a_watched_folder_leaves_its_file_and_takes_it_never_again(
    service: Service, tmp_path: Path
) -> None:
    folder = tmp_path / "share"
    folder.mkdir()
    service.open_hip(PLAIN, Terms(), {})
    service.agreeing.begin_rehearsal("p1")
    (folder / "test.png").write_bytes(png(40))

    def watch() -> None:
        """Look until what is in the folder has come to rest."""
        now = 0.0
        inbox = Inbox(service, folder, "p1", timer=lambda: now)
        for _ in range(4):
            inbox.look()
            now += STILL_S

    watch()
    assert [one.name for one in service.case("p1").agreement.rehearsals] == ["test.png"]
    service.agreeing.end_rehearsal("p1")
    watch()
    assert service.case("p1").pictures == ()
    (folder / "000.png").write_bytes(png(0))
    watch()
    assert [picture.row.name for picture in service.case("p1").pictures] == ["000.png"]


def test_after_a_restart_the_line_is_there_and_the_picture_is_not(tmp_path: Path) -> None:
    with Service(tmp_path) as service:
        service.open_hip(PLAIN, Terms(), {})
        service.agreeing.begin_rehearsal("p1")
        service.add_picture("p1", png(40), "test.png")
    with Service(tmp_path) as service:
        assert service.case("p1").agreement.rehearsal == "shown"
        assert not service.agreeing.shows_rehearsal("p1")
        with pytest.raises(NotFound, match="not kept"):
            service.agreeing.rehearsal_png("p1")


# --- without angles --------------------------------------------------------------------------


def test_a_case_that_begins_under_traction_is_planned_in_millimetres(service: Service) -> None:
    terms = Terms(traction_on=True)
    with pytest.raises(InputError, match="no angle is measured here"):
        service.open_hip(PLAIN, terms, {})
    assert service.cases() == ()
    service.open_hip(PLAIN | {"plan": {"depth_mm": 3.0}}, terms, {})
    case = service.case("p1")
    assert (case.angles, case.setup.plan) == (False, Plan(None, depth_mm=3.0))


def test_the_burr_runs_until_the_next_picture(service: Service) -> None:
    service.open_hip(PLAIN, Terms(), {})
    service.add_picture("p1", png(0), "000.png")
    service.accept_proposed("p1")
    assert service.say_burr("p1", runs=True).log.burr_runs
    before = service.case("p1").last_event
    assert service.say_burr("p1", runs=True).last_event == before
    service.add_picture("p1", png(3), "001.png")
    assert not service.case("p1").log.burr_runs
