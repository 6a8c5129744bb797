"""The first picture judged: what is said, and what is not."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests import standins
from tests.standins import png
from tracker import firstlook, views
from tracker.service import Beside, Service
from tracker.values import Marks, ReferenceResult


@pytest.mark.parametrize("mm_per_px", [0.15, 0.3])
@pytest.mark.parametrize(("gap_mm", "is_said"), [(2.0, False), (7.0, False), (12.0, True)])
def test_a_joint_s_own_space_is_no_traction(
    mm_per_px: float, gap_mm: float, *, is_said: bool
) -> None:
    """A healthy joint is 2 to 7 mm wide (Lequesne et al. 2004, 446 hips)."""
    away = (24.0 + gap_mm) / mm_per_px
    edge = (100 + away * math.sin(0.7), 100 - away * math.cos(0.7))
    said = firstlook.traction((100, 100), 24.0 / mm_per_px, edge, mm_per_px, agreed=False)
    assert bool(said) == is_said
    assert firstlook.traction((100, 100), 24.0 / mm_per_px, edge, mm_per_px, agreed=True) == ""


@pytest.mark.parametrize("turn_deg", [-90.0, -37.0, -5.0, 5.0, 37.0, 90.0])
def test_a_turn_in_the_plane_is_said_whichever_way(turn_deg: float) -> None:
    turn = math.radians(turn_deg)
    said = firstlook.turn((math.sin(turn), -math.cos(turn)))
    assert (f"about {abs(turn_deg):.0f}°" in said) == (abs(turn_deg) > firstlook.TURN_DEG)


def test_a_covered_outline_is_said_by_its_share() -> None:
    hidden = np.zeros(50, np.bool_)
    assert firstlook.covered(hidden) == ""
    hidden[:12] = True
    assert "24 % of the rim's outline" in firstlook.covered(hidden)
    assert firstlook.covered(np.zeros(0, np.bool_)) == ""


def prepared(covered: bool) -> type[standins.PreparedReference]:
    """A stand-in whose outline is covered in part."""

    class Prepared(standins.PreparedReference):
        def __init__(self, result: ReferenceResult, setup: object) -> None:
            if covered and result.overlay is not None:
                hidden = np.ones_like(result.overlay.hidden)
                result = replace(result, overlay=replace(result.overlay, hidden=hidden))
            super().__init__(result, setup)  # type: ignore[arg-type]

    return Prepared


@pytest.mark.parametrize("covered", [False, True])
def test_metal_on_the_first_picture_is_said_once_its_marks_are_agreed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, *, covered: bool
) -> None:
    monkeypatch.setattr("tracker.ledger.pipeline", standins)
    monkeypatch.setattr(standins, "PreparedReference", prepared(covered))
    with Service(tmp_path) as service:
        service.open_case(standins.setup())
        service.add_picture("p1", png(0), "000.png")
        assert views.quality_of(service.case("p1")) == ()
        service.accept_proposed("p1")
        said = service.glance("p1").quality
        assert any("Metal or a drawn line" in one for one in said) == covered


def test_an_outline_off_the_mark_is_asked_about_in_the_words_of_what_was_left_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tracker.ledger.pipeline", standins)
    marks = standins.marks()
    x, y = marks.rim_edge_px
    off = Marks(marks.head_px, (x + 11.0, y), marks.horizontal_px, "given", 2.0, 0.6)
    with Service(tmp_path) as service:
        service.open_case(standins.setup())
        service.add_picture("p1", png(0), "000.png")
        service.set_marks("p1", off)
        assert "look that its line lies on the roof's edge" in service.glance("p1").quality[0]
        service.agreeing.say_beside("p1", Beside("without", "rim fragment"))
        assert "may be that of the rim fragment" in service.glance("p1").quality[0]
        service.set_marks("p1", marks)
        assert service.glance("p1").quality == ()
