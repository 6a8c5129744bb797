"""Several views of one hip: cases of their own that are shown together and never mixed."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests import standins
from tests.standins import png
from tracker.errors import InputError, InvalidCase, StoreError
from tracker.service import Case, Service, Terms
from tracker.values import Plan

PLAIN = {
    "id": "p1",
    "side": "left",
    "view": "AP",
    "scale": {"head_diameter_mm": 48.6},
    "plan": {"target_lcea_deg": 33.0, "floor_lcea_deg": 25.0},
}
DEPTH = {"depth_mm": 3.0, "max_depth_mm": 4.0}


@pytest.fixture(autouse=True)
def _quick_pipeline(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tracker.ledger.pipeline", standins)


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    with Service(tmp_path / "record") as opened:
        opened.open_hip(PLAIN, Terms(film="CT"), {"oblique": DEPTH})
        yield opened


def with_first(service: Service, case_id: str = "p1") -> None:
    service.add_picture(case_id, png(0), "000.png")
    service.accept_proposed(case_id)


def test_a_view_is_a_case_of_its_own_that_knows_its_hip(service: Service) -> None:
    main, other = service.hips.views("p1")
    assert (main.row.id, other.row.id) == ("p1", "p1-oblique")
    assert (other.setup.view, other.setup.side) == ("oblique", "left")
    assert other.setup.plan == Plan(None, depth_mm=3.0, max_depth_mm=4.0)
    assert other.agreement.terms == Terms(film="CT", view_of="p1")
    assert service.hips.views("p1-oblique") == (main, other)


def test_each_view_has_its_own_pictures_and_totals(service: Service) -> None:
    with_first(service)
    service.add_picture("p1", png(18), "001.png")
    with_first(service, "p1-oblique")
    service.add_picture("p1-oblique", png(5), "001.png")
    main, other = service.hips.views("p1")
    for case, removed in ((main, 1.8), (other, 0.5)):
        removal = case.believed[-1].removal
        assert removal is not None
        assert removal.recession_mm.value == pytest.approx(removed)
    assert service.hips.last_brought("p1").row.id == "p1-oblique"
    service.add_picture("p1", png(20), "002.png")
    assert service.hips.last_brought("p1-oblique").row.id == "p1"
    assert service.hips.last_event("p1-oblique") == service.case("p1").last_event


def test_a_view_without_a_picture_is_not_the_last_one_brought(service: Service) -> None:
    with_first(service)
    service.hips.add_view("p1", "false-profile", Plan(None, depth_mm=2.0))
    assert service.hips.last_brought("p1").row.id == "p1"
    assert len(service.hips.views("p1")) == 3


def test_a_picture_that_was_not_measured_is_taken_as_another_view_s(service: Service) -> None:
    with_first(service)
    service.add_picture("p1", png(255), "001.png")
    other = service.take_as_view("p1", 1, "oblique", None)
    assert other.row.id == "p1-oblique"
    assert other.first is not None
    assert service.case("p1").standing == "to look at"
    with pytest.raises(InputError, match="of that view already"):
        service.take_as_view("p1", 1, "AP", None)
    with pytest.raises(InputError, match="No false-profile view is open"):
        service.take_as_view("p1", 1, "false-profile", None)
    service.add_picture("p1", png(4), "002.png")
    with pytest.raises(InputError, match="could not be measured"):
        service.take_as_view("p1", 2, "oblique", None)


def test_a_name_that_is_taken_opens_nothing(service: Service) -> None:
    service.open_hip(PLAIN | {"id": "p2-oblique"}, Terms(), {})
    with pytest.raises(InvalidCase, match="p2-oblique is already"):
        service.open_hip(PLAIN | {"id": "p2"}, Terms(), {"oblique": DEPTH})
    assert "p2" not in [case.row.id for case in service.cases()]
    with pytest.raises(InvalidCase, match="too long"):
        service.open_hip(PLAIN | {"id": "p" * 60}, Terms(), {"oblique": DEPTH})
    service.open_hip(PLAIN | {"id": "p2"}, Terms(), {})
    with pytest.raises(InvalidCase, match="not of this hip"):
        service.hips.add_view("p2", "oblique", Plan(None, depth_mm=3.0))


def test_other_views_are_planned_in_millimetres(service: Service) -> None:
    with pytest.raises(InvalidCase, match="no angle is measured here"):
        service.open_hip(PLAIN | {"id": "p3"}, Terms(), {"oblique": PLAIN["plan"]})  # type: ignore[dict-item]
    assert "p3" not in [case.row.id for case in service.cases()]


def test_a_known_spacing_becomes_the_size_of_the_head(tmp_path: Path) -> None:
    with Service(tmp_path) as service:
        service.open_hip(PLAIN | {"scale": {"mm_per_px": 0.27}}, Terms(), {})
        with_first(service)
        other = service.hips.add_view("p1", "oblique", Plan(None, depth_mm=3.0))
        assert other.setup.scale.mm_per_px is None
        head_mm = 2 * standins.RADIUS_PX * standins.MM_PER_PX
        assert other.setup.scale.head_diameter_mm == pytest.approx(head_mm)


def test_closing_is_said_of_every_view(service: Service) -> None:
    service.hips.everywhere("p1-oblique", service.close_case)
    assert all(case.log.closed for case in service.hips.views("p1"))


def test_a_view_that_can_t_be_read_leaves_the_others_alone(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    with_first(service)
    known = service._ledger.case

    def damaged(case_id: str) -> Case:
        if case_id == "p1-oblique":
            raise StoreError("The record is damaged.")
        return known(case_id)

    monkeypatch.setattr(service._ledger, "case", damaged)
    assert [case.row.id for case in service.hips.views("p1")] == ["p1"]
    assert service.glance("p1").standing == "ready"


def test_a_view_that_was_named_and_not_opened_is_opened_when_asked_again(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(service.hips, "_open_case", broken)
        with pytest.raises(KeyboardInterrupt):
            service.hips.add_view("p1", "false-profile", Plan(None, depth_mm=2.0))
    assert len(service.hips.views("p1")) == 2
    service.hips.add_view("p1", "false-profile", Plan(None, depth_mm=2.0))
    assert [case.setup.view for case in service.hips.views("p1")] == [
        "AP",
        "oblique",
        "false-profile",
    ]
