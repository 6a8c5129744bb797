"""What can be written beside the resection: checked, corrected, and as it stands after it."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests import standins
from tests.standins import png
from tracker import thinned
from tracker.errors import InputError, NotFound
from tracker.service import Service, Terms
from tracker.settings import DEFAULTS, Settings
from tracker.values import (
    Budget,
    BudgetRow,
    CaseSetup,
    NotMeasurable,
    Plan,
    Quantity,
    Reason,
    ReferenceResult,
    Still,
)

START = datetime(2026, 1, 5, 9, 0, tzinfo=UTC)


class Clock:
    """A clock that stands until it is moved on."""

    def __init__(self) -> None:
        self.at = START

    def __call__(self) -> datetime:
        return self.at

    def move(self, minutes: float) -> None:
        self.at += timedelta(minutes=minutes)


@pytest.fixture(autouse=True)
def _quick_pipeline(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tracker.ledger.pipeline", standins)
    monkeypatch.setattr("tracker.around_films.pipeline", standins)


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def service(tmp_path: Path, clock: Clock) -> Iterator[Service]:
    with Service(tmp_path, clock=clock) as opened:
        opened.open_case(standins.setup())
        opened.add_picture("p1", png(0), "000.png")
        opened.accept_proposed("p1")
        yield opened


def bring(service: Service, *tenths: int) -> None:
    for removed in tenths:
        number = len(service.case("p1").pictures)
        service.add_picture("p1", png(removed, noise=number), f"{number:03}.png")


# --- traction ----------------------------------------------------------------------------


def test_the_traction_clock_runs_and_is_corrected(service: Service, clock: Clock) -> None:
    acts = service.around
    acts.traction("p1", on=True)
    clock.move(70)
    assert acts.view("p1").around.traction.total_s(clock()) == 70 * 60
    key = acts.view("p1").around.entries[-1].key
    acts.traction("p1", on=True, at=START - timedelta(minutes=20), corrects=key)
    found = acts.view("p1").around.traction
    assert found.total_s(clock()) == 90 * 60
    assert [at is not None for _, at in found.reached(clock())] == [True, True, False]
    acts.traction("p1", on=False)
    clock.move(30)
    assert acts.view("p1").around.traction.total_s(clock()) == 90 * 60


def test_traction_is_not_put_on_twice_nor_in_the_future(service: Service, clock: Clock) -> None:
    acts = service.around
    with pytest.raises(InputError, match="off already"):
        acts.traction("p1", on=False)
    acts.traction("p1", on=True)
    with pytest.raises(InputError, match="on already"):
        acts.traction("p1", on=True)
    for hours in (1, -13):
        with pytest.raises(InputError, match="12 hours"):
            acts.traction("p1", on=False, at=clock() + timedelta(hours=hours))
    with pytest.raises(NotFound, match="no such entry"):
        acts.traction("p1", on=False, corrects=9999)


def test_the_first_distracted_picture_offers_the_start(
    service: Service, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    quick = standins._measure

    def pulled(still: Still, state: Any) -> Any:
        result = quick(still, state)
        if standins.first_pixel(still) >= 1 and result.removal is not None:
            moved = replace(result.removal, thinned_why=thinned.no_comparison())
            return replace(result, removal=moved)
        return result

    monkeypatch.setattr(standins, "_measure", pulled)
    bring(service, 0)
    assert service.around.view("p1").distracted is None
    clock.move(12)
    bring(service, 1)
    clock.move(8)
    bring(service, 6)
    offered = service.around.view("p1").distracted
    assert offered is not None
    assert offered.number == 2
    service.around.traction("p1", on=True, picture=2)
    spell = service.around.view("p1").around.traction.spells[0]
    assert spell.on_at == START + timedelta(minutes=12)


# --- labrum and anchors ------------------------------------------------------------------


def test_the_detached_zone_becomes_anchors_at_the_measured_radius(service: Service) -> None:
    acts = service.around
    acts.labrum("p1", "11:00", "2:00")
    acts.spacing("p1", 9.0)
    view = acts.view("p1")
    assert view.radius_mm is not None
    # The stand-in's socket: 100 px of 0.27 mm.
    assert view.radius_mm.value == pytest.approx(27.0)
    assert view.arc is not None
    assert view.arc.length_mm.value == pytest.approx(np.radians(90) * 27.0)
    assert view.anchors is not None
    assert view.anchors.number == 5
    acts.anchor("p1", view.anchors.places[0])
    acts.anchor("p1", "1:37")
    with pytest.raises(InputError, match="already"):
        acts.anchor("p1", "1:37")
    acts.withdraw("p1", acts.view("p1").around.anchors[1].key)
    assert [one.place for one in acts.view("p1").around.anchors] == [view.anchors.places[0]]


@pytest.mark.parametrize(
    ("start", "end", "says"),
    [
        ("13:00", "1:00", "no place"),
        ("11:00", "", "no place"),
        ("1:00", "1:00", "empty"),
        ("2:00", "11:30", "longer"),
    ],
)
def test_a_stretch_that_is_none_is_refused(
    service: Service, start: str, end: str, says: str
) -> None:
    with pytest.raises(InputError, match=says):
        service.around.labrum("p1", start, end)


@pytest.mark.parametrize("mm", [0.0, -4.0, 60.0, float("nan"), float("inf")])
def test_a_spacing_that_is_none_is_refused(service: Service, mm: float) -> None:
    with pytest.raises(InputError, match="no distance"):
        service.around.spacing("p1", mm)
    with pytest.raises(InputError, match="none that a hip has"):
        service.around.films.typed("p1", "before", mm + 1000, "lateral bony edge")


def test_without_a_usable_first_picture_there_is_no_length(tmp_path: Path) -> None:
    with Service(tmp_path / "other") as service:
        service.open_case(standins.setup())
        service.around.labrum("p1", "11:00", "2:00")
        service.around.spacing("p1", 8.0)
        view = service.around.view("p1")
        assert (view.radius_mm, view.arc, view.anchors) == (None, None, None)
        service.around.capsule("p1", "closed in part")
        service.around.movement("p1", tested=True)
        assert service.case("p1").around.capsule == "closed in part"
        assert service.case("p1").around.movement_tested is True


def test_all_of_it_outlives_a_restart(tmp_path: Path) -> None:
    with Service(tmp_path / "again") as service:
        service.open_case(standins.setup())
        service.around.traction("p1", on=True)
        service.around.capsule("p1", "closed")
        service.around.ask_estimates("p1", asked=True)
    with Service(tmp_path / "again") as service:
        found = service.case("p1").around
        assert found.traction.is_on
        assert found.capsule == "closed"
        assert found.estimates_asked


# --- the final ---------------------------------------------------------------------------


def test_two_exposures_make_a_final(service: Service) -> None:
    bring(service, 10, 30, 31)
    service.around.final("p1", "before repair", 3, 2)
    kept = service.case("p1").around.final("before repair")
    assert kept is not None
    assert kept.given
    assert kept.said.numbers == (2, 3)
    assert kept.said.exposures.removed_mm is not None
    assert kept.said.exposures.removed_mm.value == pytest.approx(3.05)
    service.judge_outline("p1", 3, wrong=True)
    again = service.case("p1").around.final("before repair")
    assert again is not None
    assert again.standing == "outline wrong"


def test_two_that_disagree_are_written_down_without_a_mean(service: Service) -> None:
    bring(service, 20, 35)
    service.around.final("p1", "before repair", 1, 2)
    kept = service.case("p1").around.final("before repair")
    assert kept is not None
    assert not kept.given
    assert kept.said.exposures.removed_mm is None


@pytest.mark.parametrize(("first", "second"), [(1, 1), (1, 2)])
def test_a_final_needs_two_pictures_with_numbers(service: Service, first: int, second: int) -> None:
    bring(service, 20, 255)
    with pytest.raises(InputError):
        service.around.final("p1", "before repair", first, second)
    with pytest.raises(NotFound):
        service.around.final("p1", "before repair", 1, 77)


# --- the surgeon's own estimate ----------------------------------------------------------


def test_the_number_waits_for_the_estimate(service: Service) -> None:
    bring(service, 10)
    service.around.ask_estimates("p1", asked=True)
    bring(service, 20)
    case = service.case("p1")
    assert case.standing == "estimate first"
    assert not case.stills[-1].counts
    glance = service.glance("p1")
    assert glance.standing == "estimate first"
    assert glance.shown is not None
    assert glance.shown.removal is None
    assert glance.shown.lines == ""
    assert [p.number for p in service.around.view("p1").waiting] == [2]
    service.around.estimate("p1", 2, 1.5)
    case = service.case("p1")
    assert case.standing == "measured"
    assert [one.removed_mm for one in case.around.estimates] == [1.5]
    with pytest.raises(InputError, match="is waited for"):
        service.around.estimate("p1", 2, 2.0)


def test_an_estimate_can_be_skipped_and_is_never_withdrawn(service: Service) -> None:
    service.around.ask_estimates("p1", asked=True)
    bring(service, 20, 22)
    service.around.estimate("p1", 1, None)
    assert service.case("p1").stills[0].counts
    with pytest.raises(InputError, match="made once"):
        service.around.withdraw("p1", service.case("p1").around.entries[-1].key)
    with pytest.raises(InputError, match="no length"):
        service.around.estimate("p1", 2, float("nan"))
    with pytest.raises(InputError, match="against the first one"):
        service.replace_first("p1")


def test_a_withheld_picture_is_in_no_drawing_of_review(service: Service) -> None:
    service.around.ask_estimates("p1", asked=True)
    bring(service, 37)
    review = service.review("p1")
    assert review.strip == ""
    assert "3.7" not in review.chart
    assert all(entry.whole.removal is None for entry in review.pictures)


# --- films -------------------------------------------------------------------------------


def film_setups(monkeypatch: pytest.MonkeyPatch, lcea: Quantity | None) -> list[CaseSetup]:
    """Let films read an angle, or nothing; remember what they were measured with."""
    seen: list[CaseSetup] = []

    def prepare(still: Still, setup: CaseSetup, settings: Settings = DEFAULTS) -> Any:
        seen.append(setup)
        why = () if lcea else (NotMeasurable(Reason.NO_ANATOMY),)
        result = ReferenceResult(still.name, "given", why, lcea_deg=lcea)
        return standins.PreparedReference(result, setup)

    monkeypatch.setattr("tracker.around_films.pipeline.prepare_reference", prepare, raising=True)
    return seen


def test_a_film_is_measured_by_itself(service: Service, monkeypatch: pytest.MonkeyPatch) -> None:
    acts = service.around
    number = acts.films.bring("p1", "after", png(7), "after.png")
    case = service.case("p1")
    assert [p.role for p in case.pictures] == ["first", "film"]
    assert case.stills == ()
    marks = acts.films.marks_to_agree("p1", "after")
    assert marks is not None
    assert marks.proposed
    setups = film_setups(monkeypatch, Quantity(33.0, 1.2, "deg"))
    acts.films.agree("p1", number, None)
    # The head's size comes from the first picture: 90 px of 0.27 mm across twice.
    assert setups[0].scale.head_diameter_mm == pytest.approx(2 * 90 * 0.27)
    view = acts.view("p1")
    assert view.compared is not None
    assert view.compared.against == "first picture"
    assert view.compared.change is not None
    assert view.compared.change.change_deg.value == pytest.approx(33.0 - 41.0)
    assert view.compared.change.change_deg.u == pytest.approx(np.sqrt(1.2**2 + 1.1**2 + 1.4**2))
    assert acts.films.marks_to_agree("p1", "after") is None


def test_where_mark_and_outline_lie_apart_a_film_is_known_no_better(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By hand: marks say 41°, the outline 35° ± u 1.2°: u = √(1.2² + 6²/3)."""
    rows = (BudgetRow("direction", 1.2, "deg", 1.0),)

    def prepare(still: Still, setup: CaseSetup, settings: Settings = DEFAULTS) -> Any:
        lcea, budget = Quantity(35.0, 1.2, "deg"), Budget("lcea_deg", "deg", rows)
        result = ReferenceResult(still.name, "given", lcea_deg=lcea, budget=budget)
        return standins.PreparedReference(result, setup)

    monkeypatch.setattr("tracker.around_films.pipeline.prepare_reference", prepare)
    films = service.around.films
    films.agree("p1", films.bring("p1", "after", png(7), "after.png"), None)
    film = service.case("p1").around.film_after
    assert film is not None
    assert film.said.lcea_deg.value == 35.0
    assert film.said.lcea_deg.u == pytest.approx(np.sqrt(1.2**2 + 6.0**2 / 3), abs=0.02)


def test_a_film_whose_outline_can_not_be_followed_gives_the_marks_angle(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    film_setups(monkeypatch, None)
    number = service.around.films.bring("p1", "before", png(8), "before.png")
    service.around.films.agree("p1", number, None)
    film = service.case("p1").around.film_before
    assert film is not None
    assert film.said.by == "marks"
    assert film.said.lcea_deg.value == pytest.approx(standins.LCEA_DEG, abs=0.1)
    assert film.said.why_marks is not None


def test_angles_of_two_edges_are_never_subtracted(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    films = service.around.films
    films.typed("p1", "before", 37.0, "end of the sourcil")
    film_setups(monkeypatch, Quantity(33.0, 1.2, "deg"))
    films.agree("p1", films.bring("p1", "after", png(7), "after.png"), None)
    found = service.around.view("p1").compared
    assert found is not None
    assert found.change is None
    films.typed("p1", "before", 41.0, "lateral bony edge")
    found = service.around.view("p1").compared
    assert found is not None
    assert found.against == "typed"
    assert found.change is not None
    assert found.change.resolved


def test_a_film_that_is_a_picture_of_the_case_is_refused(service: Service) -> None:
    bring(service, 12)
    with pytest.raises(InputError, match="already in the case as picture 1"):
        service.around.films.bring("p1", "after", png(12, noise=1), "x.png")
    with pytest.raises(NotFound):
        service.around.films.agree("p1", 1, None)


def test_a_film_without_a_hip_asks_for_marks_by_hand(service: Service) -> None:
    number = service.around.films.bring("p1", "after", png(254), "after.png")
    marks = service.around.films.marks_to_agree("p1", "after")
    assert marks is not None
    assert not marks.proposed
    with pytest.raises(InputError, match="No marks were proposed"):
        service.around.films.agree("p1", number, None)


# --- several views of one hip ------------------------------------------------------------


def test_what_is_said_of_the_hip_holds_in_every_view_and_finals_in_their_own(
    service: Service,
) -> None:
    other = service.hips.add_view("p1", "oblique", Plan(None, depth_mm=3.0)).row.id
    service.add_picture(other, png(0, noise=40), "o0.png")
    service.accept_proposed(other)
    acts = service.around
    acts.traction(other, on=True)
    acts.labrum(other, "11:00", "2:00")
    acts.capsule("p1", "closed")
    for name in ("p1", other):
        view = acts.view(name)
        assert view.around.traction.is_on
        assert view.around.capsule == "closed"
        assert view.arc is not None
    for k, tenths in enumerate((20, 21), 1):
        service.add_picture(other, png(tenths, noise=50 + k), f"o{k}.png")
    acts.final(other, "before repair", 1, 2)
    assert acts.view(other).around.final("before repair") is not None
    assert acts.view("p1").around.final("before repair") is None
    acts.ask_estimates(other, asked=True)
    assert acts.view("p1").around.estimates_asked
    key = next(
        e.key for e in acts.view(other).around.entries if e.said.__class__.__name__ == "CapsuleSaid"
    )
    acts.withdraw(other, key)
    assert acts.view("p1").around.capsule is None


def test_a_final_is_saved_where_numbers_are_recorded_only(service: Service) -> None:
    plain = {
        "id": "quiet",
        "side": "left",
        "view": "AP",
        "scale": {"head_diameter_mm": 48.6},
        "plan": {"target_lcea_deg": 33.0, "floor_lcea_deg": 25.0},
    }
    service.open_hip(plain, Terms(numbers="recorded only"), {})
    service.add_picture("quiet", png(0), "000.png")
    service.accept_proposed("quiet")
    for k, tenths in enumerate((20, 21), 1):
        service.add_picture("quiet", png(tenths, noise=k), f"{k}.png")
    service.around.final("quiet", "before repair", 1, 2)
    kept = service.case("quiet").around.final("before repair")
    assert kept is not None
    assert kept.given


def test_no_clock_is_started_in_a_closed_case(service: Service) -> None:
    service.around.traction("p1", on=True)
    key = service.case("p1").around.entries[0].key
    service.close_case("p1")
    with pytest.raises(InputError, match="no clock runs"):
        service.around.traction("p1", on=False)
    service.around.traction("p1", on=True, at=START - timedelta(minutes=5), corrects=key)
    assert service.case("p1").around.traction.spells[0].on_at == START - timedelta(minutes=5)
