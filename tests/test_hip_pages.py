"""Opening with views, rehearsal, numbers recorded only, what lies beside the rim, on the pages."""

import asyncio
import re
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests import standins
from tests.asking import Client
from tests.standins import png
from tests.test_web import CASE, bring, marks_form, text
from tracker.service import Service
from web import app as web_app
from web import live
from web.agreed import LIMITS

PAGE = {"Accept": "text/html"}
NO_ANGLE = {"target_lcea_deg": "", "floor_lcea_deg": ""}


@pytest.fixture(autouse=True)
def _quick_pipeline(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tracker.ledger.pipeline", standins)


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    with Service(tmp_path / "record") as opened:
        yield opened


@pytest.fixture
def client(service: Service) -> Iterator[Client]:
    with Client(web_app.create_app(service)) as opened:
        yield opened


def started(client: Client, case: str = "p1", **more: Any) -> None:
    """A case with its first picture and its marks agreed."""
    client.post("/cases", data=CASE | {"id": case} | more)
    bring(client, png(0), "000.png", case)
    client.post(f"/cases/{case}/marks", data=marks_form())


def page(client: Client, address: str) -> str:
    return text(client.get(address).text)


# --- views -------------------------------------------------------------------------------


def test_a_case_is_opened_with_its_views(client: Client, service: Service) -> None:
    views = {"view": "", "views": ["AP", "oblique", "false-profile"], "other_depth_mm": "3"}
    answer = client.post("/cases", data=CASE | views)
    assert answer.json()["address"] == "/cases/p1"
    assert [case.setup.view for case in service.hips.views("p1")] == [
        "AP",
        "oblique",
        "false-profile",
    ]
    home = page(client, "/")
    assert home.count("LEFT hip") == 1 + 1  # the choice, and one line for the hip
    assert "false profile waits for its first picture" in home
    for name, address in (("AP", "p1"), ("oblique", "p1-oblique")):
        html = client.get(f"/cases/{address}").text
        assert re.search(rf'aria-current="page"><b>{name}</b>', html)
        assert f"first picture of the {name} view" in text(html)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"views": ["AP", "oblique"]}, "other views need a planned depth"),
        ({"view": "false-profile"}, "No LCEA is measured without an AP view"),
        ({"traction_on": "true"}, "No LCEA is measured in a case that begins under traction"),
        ({"traction_on": "true"} | NO_ANGLE, "Planned depth is missing"),
        ({"views": ["AP", "oblique"], "other_depth_mm": "99"}, "it must lie between"),
        ({"views": ["AP", "oblique"], "other_depth_mm": "two"}, "in the other views is not a num"),
    ],
)
def test_a_plan_that_a_view_cant_have_is_refused(
    client: Client, service: Service, changes: dict[str, Any], said: str
) -> None:
    answer = client.post("/cases", data=CASE | changes, headers=PAGE)
    assert answer.status_code == 422
    assert said in text(answer.text)
    assert service.cases() == ()
    # What was typed is still there.
    assert 'value="48.6"' in answer.text


def test_each_view_says_what_it_cant_see(client: Client) -> None:
    client.post("/cases", data=CASE | {"views": ["AP", "oblique"], "depth_mm": "3"})
    for address, view in (("p1", "AP"), ("p1-oblique", "oblique")):
        for place in ("", "/review"):
            assert LIMITS[view] in page(client, f"/cases/{address}{place}")  # type: ignore[index]


def test_glance_shows_the_view_that_was_brought_last(client: Client) -> None:
    started(client, views=["AP", "oblique"], depth_mm="3")
    bring(client, png(18), "001.png")
    assert "1.2 mm left" in page(client, "/cases/p1-oblique/glance")
    bring(client, png(0, 5), "000.png", "p1-oblique")
    client.post("/cases/p1-oblique/marks", data=marks_form())
    bring(client, png(5, 5), "001.png", "p1-oblique")
    shown = page(client, "/cases/p1/glance")
    assert "2.5 mm left" in shown
    assert "oblique view" in shown
    assert "LCEA" not in shown


def test_a_picture_of_another_view_is_taken_there(client: Client, service: Service) -> None:
    started(client)
    bring(client, png(252), "001.png")
    offered = client.get("/cases/p1").text
    assert "It is of another view" in offered
    plan = {"view": "oblique", "depth_mm": "3", "max_depth_mm": "4"}
    answer = client.post("/cases/p1/pictures/1/as-view", data=plan, follow_redirects=False)
    assert answer.headers["location"] == "/cases/p1-oblique"
    assert service.case("p1-oblique").first is not None
    assert service.case("p1").standing == "to look at"
    bring(client, png(252, 3), "002.png")
    assert "It is of the oblique view: take it there" in text(client.get("/cases/p1").text)


def test_a_view_is_added_later_and_needs_its_plan(client: Client, service: Service) -> None:
    started(client)
    assert client.post("/cases/p1/views", data={"view": "oblique"}).status_code == 422
    assert client.post("/cases/p1/views", data={"view": "AP", "depth_mm": "2"}).status_code == 422
    bring(client, png(252), "001.png")
    as_ap = {"view": "AP", "depth_mm": "2"}
    assert client.post("/cases/p1/pictures/1/as-view", data=as_ap).status_code == 422
    client.post("/cases/p1/views", data={"view": "oblique", "depth_mm": "2,5"})
    assert service.case("p1-oblique").setup.plan.depth_mm == 2.5


def test_phase_and_closing_are_said_once_for_the_hip(client: Client, service: Service) -> None:
    client.post("/cases", data=CASE | {"views": ["AP", "oblique"], "depth_mm": "3"})
    client.post("/cases/p1-oblique/phase", data={"phase": "repair"})
    assert {case.phase for case in service.hips.views("p1")} == {"repair"}
    client.post("/cases/p1/say", data={"what": "close"})
    assert "Case closed" in page(client, "/cases/p1-oblique/glance")
    client.post("/cases/p1-oblique/say", data={"what": "reopen"})
    assert not service.case("p1").log.closed


def test_a_change_in_one_view_is_heard_on_the_page_of_another(
    client: Client, service: Service
) -> None:
    client.post("/cases", data=CASE | {"views": ["AP", "oblique"], "depth_mm": "3"})
    seen = service.hips.last_event("p1")

    async def listen() -> str | None:
        changes: AsyncIterator[Any] = live.changes(service, "p1", seen, lambda: False)
        await anext(changes)
        bringing = asyncio.to_thread(service.add_picture, "p1-oblique", png(0), "000.png")
        task = asyncio.ensure_future(bringing)
        async for event in changes:
            if event.event == "changed":
                await task
                return str(event.id)
        return None

    assert int(asyncio.run(listen()) or 0) > seen


# --- numbers recorded only ---------------------------------------------------------------


def test_recorded_only_shows_no_number_until_the_case_is_closed(client: Client) -> None:
    started(client, numbers="recorded only")
    ready = page(client, "/cases/p1")
    assert "Next: the zero picture" in ready
    client.post(
        "/cases/p1/pictures",
        files={"picture": ("001.png", png(1), "image/png")},
        data={"as_zero": "true"},
    )
    added = bring(client, png(18), "002.png").json()
    assert added["verdict"] == "measured"
    told = client.post(
        "/api/cases/p1/pictures", files={"picture": ("003.png", png(20), "image/png")}
    ).json()
    assert (told["recession_mm"], told["remaining_mm"], told["message"]) == (None, None, None)
    for address in ("/cases/p1", "/cases/p1/glance", "/cases/p1/review"):
        html = client.get(address).text
        words = text(html)
        assert not re.search(r"\d mm left|\d mm removed|LCEA (at the start|now)", words), address
        assert "rim-lines" not in html
        assert "outline area" not in words
    assert "Picture taken in and usable" in page(client, "/cases/p1")
    assert "Picture taken in and usable" in page(client, "/cases/p1/glance")
    assert "The zero picture is recorded" in page(client, "/cases/p1")
    bring(client, png(255), "004.png")
    assert "Draw burr and scope back" in page(client, "/cases/p1/glance")
    client.post("/cases/p1/say", data={"what": "close"})
    review = page(client, "/cases/p1/review")
    assert "1.8 (1.4 to 2.2)" in review
    assert "0 lies within" in review


def test_recorded_only_marks_say_no_angle_and_still_ask_for_a_yes(client: Client) -> None:
    client.post("/cases", data=CASE | {"numbers": "recorded only", "floor_lcea_deg": "32"})
    bring(client, png(0), "000.png")
    said = client.post("/cases/p1/marks/reading", data=marks_form()).json()
    assert said["lcea"] == "recorded, shown once the case is closed"
    assert said["diameter"] == "48.6 mm"
    assert said["confirm"] is True
    assert said["plan"] == ["The lower limit may be reached before the target."]


# --- traction on, what lies beside the rim, the first picture judged ----------------------


def test_a_start_under_traction_says_millimetres_alone(client: Client) -> None:
    started(client, traction_on="true", depth_mm="3", **NO_ANGLE)
    said = client.post("/cases/p1/marks/reading", data=marks_form()).json()
    assert said["lcea"] == "not measured here: millimetres only"
    bring(client, png(18), "001.png")
    for address in ("/cases/p1", "/cases/p1/glance", "/cases/p1/review"):
        words = page(client, address)
        assert "1.2 mm left" in words, address
        assert "LCEA 3" not in words, address
        assert "lower limit" not in re.sub("plan lower limit", "", words).lower() or (
            address == "/cases/p1/review"
        )


@pytest.mark.parametrize("how", ["with", "without"])
def test_what_lies_beside_the_rim_is_said_beside_each_number(client: Client, how: str) -> None:
    client.post("/cases", data=CASE)
    bring(client, png(0), "000.png")
    beside = {"beside": how, "beside_what": "calcified labrum"}
    client.post("/cases/p1/marks", data=marks_form() | beside)
    bring(client, png(18), "001.png")
    for address in ("/cases/p1", "/cases/p1/glance"):
        assert f"Edge taken {how} the calcified labrum" in page(client, address)
    assert f"edge taken {how} the calcified labrum" in page(client, "/cases/p1/review").lower()
    again = client.post("/cases/p1/marks", data=marks_form())
    assert again.status_code == 422
    assert "have been measured so" in again.json()["error"]["message"]


def test_a_first_picture_under_traction_and_turned_is_said_so(client: Client) -> None:
    client.post("/cases", data=CASE)
    bring(client, png(0), "000.png")
    form = marks_form()
    form["edge_x"], form["edge_y"] = "300.0", "110.0"
    form["horizontal_x"], form["horizontal_y"] = ["60.0", "340.0"], ["300.0", "390.0"]
    said = client.post("/cases/p1/marks/reading", data=form).json()
    assert re.search(r"lies \d+ mm off the head: traction may be on", said["quality"][0])
    assert "turned by about 18°" in said["quality"][1]
    assert client.post("/cases/p1/marks/reading", data=marks_form()).json()["quality"] == []


def test_an_edge_on_the_wrong_side_is_not_taken(client: Client) -> None:
    client.post("/cases", data=CASE)
    bring(client, png(0), "000.png")
    assert "Looks right: LEFT hip, these marks" in page(client, "/cases/p1")
    form = marks_form()
    form["edge_x"] = f"{2 * standins.CENTRE[0] - float(form['edge_x']):.1f}"
    said = client.post("/cases/p1/marks/reading", data=form).json()
    assert said["usable"] is False
    assert "does not fit the case's side" in said["problem"]


def test_an_outline_off_the_mark_is_said_where_an_ossicle_was_left_out(client: Client) -> None:
    client.post("/cases", data=CASE)
    bring(client, png(0), "000.png")
    form = marks_form() | {"beside": "without"}
    form["edge_x"] = f"{float(form['edge_x']) + 12:.1f}"
    client.post("/cases/p1/marks", data=form)
    ready = page(client, "/cases/p1")
    assert (
        "The outline followed ends 3.2 mm off the marked edge and may be that of the oss" in ready
    )


def test_marks_are_moved_later_and_everything_is_measured_again(
    client: Client, service: Service
) -> None:
    started(client)
    bring(client, png(18), "001.png")
    assert "?marks=again" in client.get("/cases/p1").text
    again = client.get("/cases/p1?marks=again").text
    assert "data-marks=" in again
    client.post("/cases/p1/marks", data=marks_form(2.0))
    case = service.case("p1")
    assert case.setup.marks is not None
    assert case.setup.marks.head_px[0, 0] == pytest.approx(standins.marks(2.0).head_px[0, 0], abs=1)
    assert case.stills[0].result is not None


# --- burr, series, rehearsal, card -------------------------------------------------------


def test_burr_running_is_said_until_the_next_picture(client: Client) -> None:
    started(client)
    bring(client, png(8), "001.png")
    client.post("/cases/p1/say", data={"what": "burr runs"})
    assert "data-burr" in client.get("/cases/p1/glance").text
    bring(client, png(12), "002.png")
    assert "data-burr" not in client.get("/cases/p1/glance").text


def test_a_least_that_was_carried_makes_what_is_left_a_most(client: Client) -> None:
    started(client, depth_mm="5", target_lcea_deg="")
    bring(client, png(18), "001.png")
    client.post("/cases/p1/say", data={"what": "new series, burred since"})
    bring(client, png(0, 7), "new.png")
    client.post("/cases/p1/marks", data=marks_form())
    bring(client, png(7, 7), "002.png")
    for address in ("/cases/p1", "/cases/p1/glance"):
        words = page(client, address)
        assert "2.5 mm left at most up to 3.0 left" in words
        assert "May be at the plan" in words
    assert "2.5 mm left at most (up to 3.0 left)" in page(client, "/cases/p1/review")


def test_a_rehearsal_is_seen_and_can_t_be_taken_for_a_case(client: Client) -> None:
    client.post("/cases", data=CASE)
    client.post("/cases/p1/rehearsal", data={"what": "begin"})
    assert "Bring one test picture" in page(client, "/cases/p1")
    assert "Rehearsal, not a case Waiting" in page(client, "/cases/p1/glance")
    said = bring(client, png(30), "test.png").json()
    assert said == {"number": None, "is_new": False, "rehearsed": True}
    glance = client.get("/cases/p1/glance").text
    assert "data-rehearsal" in glance
    assert "test.png came at" in text(glance)
    assert "mm left" not in text(glance)
    assert client.get("/cases/p1/rehearsal.png").headers["content-type"] == "image/png"
    told = client.post("/api/cases/p1/pictures", content=png(30))
    assert (told.status_code, told.json()["rehearsed"]) == (200, True)
    client.post("/cases/p1/rehearsal", data={"what": "end"})
    assert "Bring the first picture" in page(client, "/cases/p1")
    assert client.get("/cases/p1/rehearsal.png").status_code == 404
    started_now = bring(client, png(0), "000.png").json()
    assert started_now["number"] == 0
    assert re.search(r"rehearsed \d+ \w+ \d+, [\d:]+: test.png", page(client, "/cases/p1/review"))


def test_the_theatre_card_says_what_the_case_needs(client: Client) -> None:
    client.post("/cases", data=CASE | {"views": ["AP", "oblique"], "depth_mm": "3"})
    card = page(client, "/cases/p1/card")
    for said in (
        "LEFT hip",
        "No flip",
        "One field size",
        "Park and mark",
        "planned depth, oblique",
    ):
        assert said in card
