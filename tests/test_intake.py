"""Pictures as they come in: held back where they do not fit, put in order, frames of runs."""

import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests import standins
from tests.dicom_files import MADE_UP_NAME, ROOT, as_file, dataset_of
from tests.standins import png
from tracker.errors import InputError, UnreadableImage
from tracker.images import raw_pixels
from tracker.intake import word_for
from tracker.ledger import picture_of
from tracker.service import Case, Service

START = datetime(2026, 11, 24, 21, 0, 0, tzinfo=UTC)


@pytest.fixture(autouse=True)
def _quick_pipeline(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tracker.ledger.pipeline", standins)


class Clock:
    """Our clock, moved on by hand."""

    def __init__(self) -> None:
        self.now = START

    def __call__(self) -> datetime:
        return self.now

    def at(self, seconds: float) -> None:
        self.now = START + timedelta(seconds=seconds)


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def service(tmp_path: Path, clock: Clock) -> Iterator[Service]:
    with Service(tmp_path / "record", clock=clock) as opened:
        opened.open_case(standins.setup())
        yield opened


def pixels(tenths_mm: int, noise: int = 0) -> np.ndarray:
    return raw_pixels(png(tenths_mm, noise))


def dicom(tenths_mm: int, noise: int = 0, taken: float | None = None, **changes: Any) -> bytes:
    """A picture on which so much is removed, taken so many seconds after the start."""
    if taken is not None:
        at = (START + timedelta(seconds=taken)).astimezone()
        changes["AcquisitionDate"] = at.strftime("%Y%m%d")
        changes["AcquisitionTime"] = at.strftime("%H%M%S")
    dataset = dataset_of(pixels(tenths_mm, noise), "XA")
    dataset.SOPInstanceUID = f"{ROOT}{tenths_mm}.{noise}"
    for keyword, value in changes.items():
        setattr(dataset, keyword, value)
    return as_file(dataset)


@pytest.fixture
def begun(service: Service, clock: Clock) -> Service:
    """A case whose first picture is a DICOM file, marked."""
    service.add_picture("p1", dicom(0, taken=0), "0.dcm")
    service.accept_proposed("p1")
    return service


def bring(
    service: Service, clock: Clock, came: float, tenths_mm: int, taken: float | None, **more: Any
) -> Case:
    clock.at(came)
    service.add_picture("p1", dicom(tenths_mm, taken=taken, **more), f"{tenths_mm}.dcm")
    return service.case("p1")


def order(case: Case) -> list[float]:
    """What was removed on the pictures, in the order in which they were taken."""
    return [
        round(picture.result.removal.recession_mm.value, 1)
        for picture in case.stills
        if picture.result and picture.result.removal
    ]


def built_on(service: Service) -> list[str]:
    """Names of the pictures that the next one builds on."""
    return [one.file for one in service._ledger._trails["p1"].states[-1].results]


# --- order -------------------------------------------------------------------------------


def test_a_picture_that_came_late_is_put_in_its_place_and_later_ones_measured_again(
    begun: Service, clock: Clock
) -> None:
    bring(begun, clock, 60, 10, 60)
    bring(begun, clock, 180, 30, 180)
    case = bring(begun, clock, 200, 20, 120)

    assert order(case) == [1.0, 2.0, 3.0]
    assert case.timeline.late == (3,)
    assert case.latest is not None
    assert case.latest.number == 2
    assert built_on(begun) == ["10.dcm", "20.dcm", "30.dcm"]
    # Every result stays in the record: that of picture 2 twice.
    results = begun._store.results(case.row)
    assert len(results) == 1 + 4
    assert case.to_measure == ()


def test_the_order_and_the_totals_survive_a_restart(tmp_path: Path, clock: Clock) -> None:
    with Service(tmp_path / "r", clock=clock) as service:
        service.open_case(standins.setup())
        service.add_picture("p1", dicom(0, taken=0), "0.dcm")
        service.accept_proposed("p1")
        bring(service, clock, 60, 10, 60)
        bring(service, clock, 180, 30, 180)
        bring(service, clock, 200, 20, 120)
    with Service(tmp_path / "r", clock=clock) as service:
        case = service.case("p1")
        assert order(case) == [1.0, 2.0, 3.0]
        count = len(service._store.results(case.row))
        bring(service, clock, 240, 40, 240)
        assert built_on(service) == ["10.dcm", "20.dcm", "30.dcm", "40.dcm"]
        assert len(service._store.results(case.row)) == count + 1


def test_a_late_picture_waits_to_be_measured_after_a_broken_start(
    begun: Service, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    bring(begun, clock, 60, 10, 60)
    bring(begun, clock, 180, 30, 180)
    measured = standins.measure_still
    seen: list[str] = []

    def breaks(still: Any, state: Any, settings: Any) -> Any:
        seen.append(still.name)
        if len(seen) == 2:
            raise RuntimeError("power lost")
        return measured(still, state, settings)

    with monkeypatch.context() as patch:
        patch.setattr(standins, "measure_still", breaks)
        with pytest.raises(RuntimeError, match="power lost"):
            bring(begun, clock, 200, 20, 120)
    assert seen == ["20.dcm", "30.dcm"]
    # The later picture's result was made before that of the earlier one: it is made again.
    case = begun._ledger.measure_waiting("p1")
    assert order(case) == [1.0, 2.0, 3.0]
    assert case.to_measure == ()
    assert built_on(begun) == ["10.dcm", "20.dcm", "30.dcm"]


@pytest.mark.parametrize("wrong_s", [-9 * 3600.0, 37.0, 400 * 86_400.0])
def test_a_wrong_clock_orders_as_well_and_its_offset_is_told(
    service: Service, clock: Clock, wrong_s: float
) -> None:
    service.add_picture("p1", dicom(0, taken=wrong_s), "0.dcm")
    service.accept_proposed("p1")
    bring(service, clock, 60, 10, 60 + wrong_s)
    bring(service, clock, 180, 30, 180 + wrong_s)
    case = bring(service, clock, 200, 20, 120 + wrong_s)

    assert order(case) == [1.0, 2.0, 3.0]
    assert case.timeline.offset_s == pytest.approx(-wrong_s, abs=1)
    assert case.timeline.timed == 4


def test_without_a_time_or_with_a_date_alone_the_order_is_that_of_arrival(
    begun: Service, clock: Clock
) -> None:
    bring(begun, clock, 60, 10, None)
    bring(begun, clock, 180, 30, None, AcquisitionDate="20261124")
    clock.at(200)
    begun.add_picture("p1", png(20), "20.png")

    assert order(begun.case("p1")) == [1.0, 3.0, 2.0]


def test_a_clock_that_was_set_back_changes_no_order(begun: Service, clock: Clock) -> None:
    bring(begun, clock, 60, 10, 60, SeriesNumber=1, InstanceNumber=2)
    case = bring(begun, clock, 180, 20, 180 - 3600, SeriesNumber=1, InstanceNumber=3)
    assert order(case) == [1.0, 2.0]
    assert case.timeline.set_back
    case = bring(begun, clock, 300, 30, 300 - 3600, SeriesNumber=1, InstanceNumber=4)
    assert order(case) == [1.0, 2.0, 3.0]


def test_midnight_is_crossed_with_a_date_that_was_not_renewed(
    service: Service, clock: Clock
) -> None:
    """21:00 UTC plus hours: whatever the machine's zone, a date is crossed somewhere."""
    service.add_picture("p1", dicom(0, taken=0), "0.dcm")
    service.accept_proposed("p1")
    for hour in range(1, 26):
        at = 3600.0 * hour
        day = START.astimezone().strftime("%Y%m%d")
        time = (START + timedelta(seconds=at)).astimezone().strftime("%H%M%S")
        clock.at(at)
        data = dicom(hour, AcquisitionDate=day, AcquisitionTime=time)
        service.add_picture("p1", data, f"{hour}.dcm")

    assert order(service.case("p1")) == [hour / 10 for hour in range(1, 26)]


def test_somebody_can_say_that_the_clock_is_not_to_be_used(begun: Service, clock: Clock) -> None:
    bring(begun, clock, 60, 10, 60)
    bring(begun, clock, 180, 30, 180)
    bring(begun, clock, 200, 20, 120)
    case = begun.intake.order_by("p1", as_they_came=True)
    assert order(case) == [1.0, 3.0, 2.0]
    assert built_on(begun) == ["10.dcm", "30.dcm", "20.dcm"]
    event = case.last_event
    assert begun.intake.order_by("p1", as_they_came=True).last_event == event
    assert order(begun.intake.order_by("p1", as_they_came=False)) == [1.0, 2.0, 3.0]


def test_the_picture_that_came_last_is_the_one_that_can_be_taken_back(
    begun: Service, clock: Clock
) -> None:
    bring(begun, clock, 60, 10, 60)
    bring(begun, clock, 180, 30, 180)
    bring(begun, clock, 200, 20, 120)
    with pytest.raises(InputError):
        begun.take_back("p1", 2)
    assert order(begun.take_back("p1", 3)) == [1.0, 3.0]


def test_a_picture_from_before_the_first_one_is_no_first_one(begun: Service, clock: Clock) -> None:
    bring(begun, clock, 60, 10, 60)
    case = bring(begun, clock, 100, 5, -300)
    assert case.first is not None
    assert case.first.number == 0
    assert order(case) == [0.5, 1.0]


# --- phases ------------------------------------------------------------------------------


@pytest.mark.parametrize(("phase", "paused"), [("repair", False), ("femur", False),
                                               ("burring", True)])  # fmt: skip
def test_what_is_taken_while_nothing_is_burred_enters_no_total(
    begun: Service, clock: Clock, phase: Any, paused: bool
) -> None:
    bring(begun, clock, 60, 10, 60)
    clock.at(90)
    begun.set_phase("p1", phase, paused=paused)
    case = bring(begun, clock, 120, 50, 120)
    quiet = picture_of(case, 2)
    assert quiet.quiet
    assert quiet.is_measured
    assert not quiet.is_pass
    assert case.latest is quiet
    assert built_on(begun) == ["10.dcm"]

    clock.at(150)
    begun.set_phase("p1", "burring")
    case = begun.case("p1")
    assert case.latest is not None
    assert case.latest.number == 1
    assert [one.removal.recession_mm.value for one in case.believed if one.removal] == [1.0]
    view = begun.glance("p1")
    assert view.shown is not None
    assert view.shown.number == 1
    case = bring(begun, clock, 180, 20, 180)
    assert built_on(begun) == ["10.dcm", "20.dcm"]


def test_a_picture_that_was_taken_while_burring_and_came_later_is_a_pass(
    begun: Service, clock: Clock
) -> None:
    bring(begun, clock, 60, 10, 60)
    bring(begun, clock, 110, 20, 110)
    clock.at(120)
    begun.set_phase("p1", "repair")
    bring(begun, clock, 130, 40, 130)
    case = bring(begun, clock, 140, 15, 90)

    assert [picture.quiet for picture in case.stills] == [False, False, False, True]
    assert order(case) == [1.0, 1.5, 2.0, 4.0]


def test_before_burring_the_zero_picture_is_a_pass(begun: Service, clock: Clock) -> None:
    begun.set_phase("p1", "before burring")
    case = bring(begun, clock, 60, 0, 60, SOPInstanceUID="2.25.77")
    assert picture_of(case, 1).is_pass


# --- held --------------------------------------------------------------------------------

OTHER: dict[str, dict[str, Any]] = {
    "patient": {"PatientID": "made-up 8"},
    "patient by name": {"PatientName": "Nobody^Else"},
    "side": {"Laterality": "R"},
    "study": {"StudyInstanceUID": "2.25.123"},
}


@pytest.mark.parametrize("what", OTHER)
def test_a_picture_that_does_not_fit_is_held_and_not_measured(
    begun: Service, clock: Clock, what: str
) -> None:
    clock.at(60)
    added = begun.add_picture("p1", dicom(10, taken=60, **OTHER[what]), "10.dcm")
    case = begun.case("p1")

    assert added.is_new
    assert added.result is None
    assert added.held == (what.split()[0],)
    assert case.standing_of(picture_of(case, 1)) == "held"
    assert case.stills == ()
    assert [picture.number for picture in case.held] == [1]
    assert case.standing == "ready"
    # Sent again it stays held; what fits goes on beside it.
    again = begun.add_picture("p1", dicom(10, taken=60, **OTHER[what]), "10.dcm")
    assert (again.is_new, again.number) == (False, 1)
    assert order(bring(begun, clock, 120, 20, 120)) == [2.0]


@pytest.mark.parametrize("what", ["patient", "patient by name", "side"])
def test_that_it_belongs_is_said_in_two_steps(begun: Service, clock: Clock, what: str) -> None:
    bring(begun, clock, 60, 10, 60, **OTHER[what])
    case = bring(begun, clock, 120, 20, 120)
    for word in ("", "yes"):
        with pytest.raises(InputError, match="does not fit this case"):
            begun.intake.belongs("p1", 1, word)
    case = begun.intake.belongs("p1", 1, word_for(case, picture_of(case, 1)))

    assert order(case) == [1.0, 2.0]
    assert case.held == ()
    with pytest.raises(InputError, match="not held"):
        begun.intake.belongs("p1", 1, "again")
    # What was said once holds for what follows.
    assert order(bring(begun, clock, 180, 30, 180, **OTHER[what])) == [1.0, 2.0, 3.0]


def test_another_examination_alone_is_said_in_one_step_for_all_of_it(
    begun: Service, clock: Clock
) -> None:
    bring(begun, clock, 60, 10, 60, **OTHER["study"])
    bring(begun, clock, 120, 20, 120, **OTHER["study"])
    case = begun.intake.belongs("p1", 1)

    assert order(case) == [1.0, 2.0]
    assert order(bring(begun, clock, 180, 30, 180, **OTHER["study"])) == [1.0, 2.0, 3.0]
    assert order(bring(begun, clock, 240, 40, 240)) == [1.0, 2.0, 3.0, 4.0]


def test_a_held_picture_can_be_set_aside_and_is_held_again_when_sent_again(
    begun: Service, clock: Clock
) -> None:
    bring(begun, clock, 60, 10, 60, **OTHER["patient"])
    case = begun.intake.belongs_not("p1", 1)
    assert picture_of(case, 1).role == "set aside"
    with pytest.raises(InputError, match="not held"):
        begun.intake.belongs_not("p1", 1)
    case = bring(begun, clock, 90, 10, 60, **OTHER["patient"])
    assert picture_of(case, 1).role == "held"


def test_a_first_picture_of_the_other_side_is_held_and_is_not_the_first(
    service: Service, clock: Clock
) -> None:
    service.add_picture("p1", dicom(0, taken=0, Laterality="R"), "0.dcm")
    assert service.case("p1").first is None
    assert service.case("p1").standing == "no picture"
    case = bring(service, clock, 30, 1, 30)
    assert case.first is not None
    assert case.first.number == 1


def test_where_the_first_picture_is_the_wrong_one_it_can_be_set_aside(
    service: Service, clock: Clock
) -> None:
    service.add_picture("p1", dicom(0, taken=0, **OTHER["patient"]), "0.dcm")
    case = bring(service, clock, 60, 1, 60)
    assert [picture.number for picture in case.held] == [1]
    service.replace_first("p1")
    case = service.case("p1")
    case = service.intake.belongs("p1", 1, word_for(case, picture_of(case, 1)))
    assert case.first is not None
    assert case.first.number == 1


def test_files_without_a_header_and_headers_without_a_name_are_not_held(
    begun: Service, clock: Clock
) -> None:
    clock.at(60)
    begun.add_picture("p1", png(10), "10.png")
    nobody = {"PatientID": "", "PatientName": "", "StudyInstanceUID": ""}
    assert order(bring(begun, clock, 120, 20, 120, **nobody)) == [1.0, 2.0]


def test_a_crash_between_the_note_and_the_picture_holds_it_all_the_same(
    begun: Service, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: Any, **__: Any) -> None:
        raise RuntimeError("power lost")

    with monkeypatch.context() as patch:
        patch.setattr(begun._store, "keep_picture", broken)
        with pytest.raises(RuntimeError, match="power lost"):
            bring(begun, clock, 60, 10, 60, **OTHER["patient"])
    assert len(begun.case("p1").pictures) == 1
    assert picture_of(bring(begun, clock, 90, 10, 60, **OTHER["patient"]), 1).role == "held"


def test_the_journal_holds_no_name_number_or_date_of_anybody(begun: Service, clock: Clock) -> None:
    bring(begun, clock, 60, 10, 60, StudyDate="19990203", **OTHER["patient"])
    case = begun.case("p1")
    text = json.dumps([event.body for event in begun._store.events(case.row)])

    for secret in (MADE_UP_NAME, "Nobody", "made-up", "2.25.123", ROOT, "1999"):
        assert secret not in text
    came = picture_of(case, 1).arrival
    assert came is not None
    assert len(came.who.patient) == 16


# --- runs --------------------------------------------------------------------------------


def run(*tenths_mm: int, **changes: Any) -> bytes:
    """A run in which the rim is burred from frame to frame."""
    dataset = dataset_of(np.stack([pixels(one) for one in tenths_mm]), "XA")
    for keyword, value in changes.items():
        setattr(dataset, keyword, value)
    return as_file(dataset)


def test_of_a_run_the_last_frame_is_measured_or_the_one_asked_for(
    begun: Service, clock: Clock
) -> None:
    begun.add_picture("p1", run(5, 7, 9), "run.dcm")
    assert order(begun.case("p1")) == [0.9]
    data = run(5, 7, 9, SOPInstanceUID="2.25.9", AccessionNumber="2")
    begun.add_picture("p1", data, "again.dcm", frame=1)
    assert order(begun.case("p1")) == [0.9, 0.7]


def test_another_frame_can_be_chosen_and_what_follows_is_measured_again(
    begun: Service, clock: Clock
) -> None:
    begun.add_picture("p1", run(5, 7, 9), "run.dcm")
    clock.at(60)
    begun.add_picture("p1", png(12), "12.png")
    assert order(begun.intake.choose_frame("p1", 1, 0)) == [0.5, 1.2]
    assert [one.removal.recession_mm.value for one in begun.case("p1").believed if one.removal] == [
        pytest.approx(0.5), pytest.approx(1.2),
    ]  # fmt: skip
    shown = begun.still("p1", 1)
    assert standins.first_pixel(shown) == 5
    # The same file with another frame asked for is the same picture.
    added = begun.add_picture("p1", run(5, 7, 9), "run.dcm", frame=1)
    assert (added.number, added.is_new) == (1, False)
    assert order(begun.case("p1")) == [0.7, 1.2]
    event = begun.case("p1").last_event
    assert begun.intake.choose_frame("p1", 1, 1).last_event == event


def test_a_frame_that_is_not_there_is_refused_in_a_line(begun: Service, clock: Clock) -> None:
    begun.add_picture("p1", run(5, 7, 9), "run.dcm")
    with pytest.raises(InputError, match="has 3 frames, so there is no frame 4"):
        begun.intake.choose_frame("p1", 1, 3)
    with pytest.raises(InputError, match="is no run"):
        begun.intake.choose_frame("p1", 0, 0)
    with pytest.raises(InputError, match="is no run"):
        begun.add_picture("p1", png(3), "3.png", frame=1)
    assert len(begun.case("p1").stills) == 1


def test_the_first_picture_s_frame_is_chosen_before_its_marks_are_agreed(
    service: Service, clock: Clock
) -> None:
    service.add_picture("p1", run(5, 7, 9), "run.dcm")
    before = service.case("p1").proposal
    case = service.intake.choose_frame("p1", 0, 0)
    assert case.proposal is not None
    assert case.proposal is not before
    service.accept_proposed("p1")
    with pytest.raises(InputError, match="marks are on the frame"):
        service.intake.choose_frame("p1", 0, 1)


def test_the_frame_that_was_asked_for_survives_a_restart(tmp_path: Path, clock: Clock) -> None:
    with Service(tmp_path / "r", clock=clock) as service:
        service.open_case(standins.setup())
        service.add_picture("p1", png(0), "0.png")
        service.accept_proposed("p1")
        service.add_picture("p1", run(5, 7, 9), "run.dcm", frame=1)
    with Service(tmp_path / "r", clock=clock) as service:
        assert standins.first_pixel(service.still("p1", 1)) == 7
        service.set_marks("p1", standins.marks(1.0))
        assert order(service.case("p1")) == [0.7]


# --- another view ------------------------------------------------------------------------


def test_a_picture_taken_as_another_view_s_is_of_the_same_patient(
    begun: Service, clock: Clock
) -> None:
    """Its copy names nobody: whom it named is known from the case that it came to first."""
    bring(begun, clock, 60, 255, 60)
    plan = begun.plan_of_view({"depth_mm": 3.0})
    clock.at(90)
    other = begun.take_as_view("p1", 1, "oblique", plan)
    assert other.first is not None
    assert other.first.arrival is not None
    assert other.first.arrival.lag_s == pytest.approx(30, abs=1)
    begun.accept_proposed(other.row.id)
    clock.at(120)
    added = begun.add_picture(other.row.id, dicom(20, taken=120), "20.dcm")
    assert added.held == ()
    assert added.result is not None


def test_a_kept_picture_that_can_t_be_decoded_keeps_no_other_from_being_measured(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    service.add_picture("p1", png(0), "0.png")
    service.set_marks("p1", standins.marks())
    decode, gone = service._ledger.decode, {"1.png"}
    calls = []

    def at_first_only(data: bytes, name: str, frame: int | None = None) -> Any:
        calls.append(name)
        if name in gone and calls.count(name) > 1:
            raise UnreadableImage(f"{name}: the file needs too much memory")
        return decode(data, name, frame)

    monkeypatch.setattr(service._ledger, "decode", at_first_only)
    waits = service.add_picture("p1", png(10), "1.png")
    after = service.add_picture("p1", png(20), "2.png")

    assert (waits.number, waits.is_new, waits.result) == (1, True, None)
    assert after.result is not None
    assert after.result.verdict == "measured"
    gone.clear()
    service.add_picture("p1", png(30), "3.png")
    result = picture_of(service.case("p1"), 1).result
    assert result is not None
    assert result.verdict == "measured"
