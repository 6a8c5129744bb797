"""The pages, asked as a browser and as a program would ask."""

import asyncio
import dataclasses
import json
import re
import socket
import threading
from collections.abc import AsyncIterator, Iterator
from dataclasses import replace
from datetime import timedelta
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import httpx
import pytest
from jinja2 import meta

from tests import standins
from tests.asking import Client
from tests.standins import png
from tracker.errors import HTTP_STATUS
from tracker.service import Service
from tracker.values import CAUTION, VIEW_LIMIT, NotMeasurable, Quantity, Reason, StillResult
from web import app as web_app
from web import arrived, card, contexts, forms, live, pages, phrases, words

PAGE = {"Accept": "text/html"}
OWN = "http://127.0.0.1"
CASE = {
    "id": "p1",
    "side": "left",
    "view": "AP",
    "head_diameter_mm": "48.6",
    "target_lcea_deg": "33",
    "floor_lcea_deg": "25",
}
CONTEXTS = {
    "home.html": contexts.HomeContext,
    "pictures.html": contexts.PicturesContext,
    "pictures_live.html": contexts.PicturesContext,
    "glance.html": contexts.GlanceContext,
    "glance_live.html": contexts.GlanceContext,
    "review.html": contexts.ReviewContext,
    "review_live.html": contexts.ReviewContext,
    "error.html": contexts.ErrorContext,
    "frames.html": arrived.FramesContext,
    "held.html": arrived.HeldPageContext,
    "card.html": card.CardContext,
}


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


def bring(client: Client, data: bytes, name: str, case: str = "p1") -> Any:
    return client.post(f"/cases/{case}/pictures", files={"picture": (name, data, "image/png")})


@pytest.fixture
def measured(client: Client) -> Client:
    """A case with a first picture, one measured picture and one that is not."""
    client.post("/cases", data=CASE)
    bring(client, png(0), "000.png")
    client.post("/cases/p1/marks", data=marks_form() | {"as_proposed": "true"})
    bring(client, png(18), "001.png")
    bring(client, png(255), "002.png")
    return client


@pytest.fixture(scope="module")
def seen(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Client]:
    """The same case, for tests that only look at it."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("tracker.ledger.pipeline", standins)
        with (
            Service(tmp_path_factory.mktemp("record")) as service,
            Client(web_app.create_app(service)) as client,
        ):
            client.post("/cases", data=CASE)
            bring(client, png(0), "000.png")
            client.post("/cases/p1/marks", data=marks_form() | {"as_proposed": "true"})
            bring(client, png(18), "001.png")
            bring(client, png(255), "002.png")
            yield client


def marks_form(shift: float = 0.0) -> dict[str, Any]:
    marks = standins.marks(shift)
    return {
        "head_x": [f"{x:.1f}" for x, _ in marks.head_px],
        "head_y": [f"{y:.1f}" for _, y in marks.head_px],
        "edge_x": f"{marks.rim_edge_px[0]:.1f}",
        "edge_y": f"{marks.rim_edge_px[1]:.1f}",
        "horizontal_x": [f"{x:.1f}" for x, _ in marks.horizontal_px],
        "horizontal_y": [f"{y:.1f}" for _, y in marks.horizontal_px],
    }


class Text(HTMLParser):
    """The words of a page, without its markup."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.words: list[str] = []
        self.feed(html)

    def handle_data(self, data: str) -> None:
        self.words.append(data)

    def __str__(self) -> str:
        return " ".join(" ".join(self.words).split())


def text(html: str) -> str:
    return str(Text(html))


# --- a whole case ------------------------------------------------------------------------


def test_a_whole_case_through_the_pages(client: Client) -> None:
    opened = client.post("/cases", data=CASE, headers=PAGE, follow_redirects=False)
    assert (opened.status_code, opened.headers["location"]) == (303, "/cases/p1")
    assert "Bring the first picture" in text(client.get("/cases/p1").text)

    first = bring(client, png(0), "000.png")
    assert first.status_code == 201
    assert first.json() == {"number": 0, "is_new": True, "verdict": None, "reasons": []}
    page = client.get("/cases/p1").text
    assert "Do these marks lie right?" in text(page)
    assert page.count('name="head_x"') == 5
    assert "41° (" in page

    agreed = client.post("/cases/p1/marks", data=marks_form() | {"as_proposed": "true"})
    assert "Next: the zero picture" in text(agreed.text)
    skipped = client.post("/cases/p1/say", data={"what": "no zero"})
    assert "Ready for the first pass" in text(skipped.text)
    assert "Ready: nothing burred yet" in text(client.get("/cases/p1/glance").text)

    assert bring(client, png(18), "001.png").json()["verdict"] == "measured"
    page = text(client.get("/cases/p1").text)
    assert "2.0 mm left" in page
    assert "1.5 to 2.5" in page
    assert "More to go" in page
    refused = bring(client, png(255), "002.png").json()
    assert (refused["verdict"], refused["reasons"]) == ("refused", ["rim-hidden"])
    bring(client, png(45), "003.png")

    glance = text(client.get("/cases/p1/glance").text)
    assert "0.7 mm past the plan" in glance
    assert "0.2 to 1.2 past" in glance
    assert "past the plan" in glance
    review = text(client.get("/cases/p1/review").text)
    for found in ("1.8 (1.4 to 2.2)", "4.5 (4.1 to 4.9)", "not measured: Metal or a drawn line"):
        assert found in review
    assert review.count("Budget of “removed”") == 1
    earlier = client.get("/cases/p1/review", params={"second": "1", "mode": "wipe"})
    assert "2.0 mm left (1.5 to 2.5)" in text(earlier.text)
    assert earlier.text.count("Budget of “removed”") == 1


def test_both_limits_are_said_apart_from_the_plan(client: Client) -> None:
    client.post("/cases", data=CASE | {"max_depth_mm": "6"})
    bring(client, png(0), "000.png")
    client.post("/cases/p1/marks", data=marks_form())
    bring(client, png(30), "001.png")
    for page in ("", "/glance", "/review"):
        assert "reached" not in text(client.get(f"/cases/p1{page}").text)
    bring(client, png(72), "002.png")
    for page in ("", "/glance", "/review"):
        said = text(client.get(f"/cases/p1{page}").text)
        assert "Past the plan" in said or "past the plan" in said
        assert "Lower limit reached" in said
        assert "Greatest depth reached" in said


def test_a_restart_shows_the_same_pages(tmp_path: Path) -> None:
    def read(client: Client) -> list[str]:
        page = client.get("/cases/p1/glance").text
        without_age = re.sub(r'data-age="[\d.]+"|>\d+:\d\d<', "", page)
        return [without_age, client.get("/cases/p1/review").text, client.get("/").text]

    with (
        Service(tmp_path) as service,
        Client(web_app.create_app(service)) as client,
    ):
        client.post("/cases", data=CASE)
        bring(client, png(0), "000.png")
        client.post("/cases/p1/marks", data=marks_form())
        bring(client, png(18), "001.png")
        before = read(client)
        picture = client.get("/cases/p1/pictures/1/rim.png").content
    with (
        Service(tmp_path) as service,
        Client(web_app.create_app(service)) as client,
    ):
        assert read(client) == before
        assert client.get("/cases/p1/pictures/1/rim.png").content == picture


def test_the_same_file_twice_adds_nothing(measured: Client) -> None:
    before = measured.get("/cases/p1/review").text
    again = bring(measured, png(18), "copy.png")
    assert again.status_code == 200
    assert again.json() == {"number": 1, "is_new": False, "verdict": "measured", "reasons": []}
    assert measured.get("/cases/p1/review").text == before


def test_an_unmeasured_picture_takes_the_place_of_the_number(seen: Client) -> None:
    page = seen.get("/cases/p1/glance").text
    assert 'class="left' not in page
    words_ = text(page)
    assert "Not measured" in words_
    assert "Metal or a drawn line lies over the edge of the roof." in words_
    assert "Draw burr and scope back about 2 cm; one more picture." in words_
    assert "last measured 2.0 mm left, before the last pass" in words_


def test_a_repeat_of_an_earlier_exposure_leaves_the_number(
    client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file that is already in the case, saved anew, says nothing about the rim."""
    client.post("/cases", data=CASE)
    bring(client, png(0), "000.png")
    client.post("/cases/p1/marks", data=marks_form())
    bring(client, png(18), "001.png")

    def again(still: Any, state: Any, _settings: Any) -> Any:
        finding = NotMeasurable(Reason.DUPLICATE)
        result = StillResult(still.name, still.sha256, "refused", (finding,), 0.0)
        return result, state

    monkeypatch.setattr(standins, "measure_still", again)
    assert bring(client, png(18, noise=9), "002.png").json()["reasons"] == ["duplicate"]
    assert "2.0 mm left" in text(client.get("/cases/p1/glance").text)


def test_outline_looks_wrong_takes_the_number_off_every_page(client: Client) -> None:
    client.post("/cases", data=CASE)
    bring(client, png(0), "000.png")
    client.post("/cases/p1/marks", data=marks_form())
    bring(client, png(18), "001.png")
    for page in ("", "/glance", "/review"):
        assert "2.0 mm left" in text(client.get(f"/cases/p1{page}").text)
    judged = client.post(
        "/cases/p1/pictures/1/outline",
        data={"looks": "wrong", "page": "glance"},
        follow_redirects=False,
    )
    assert judged.headers["location"] == "/cases/p1/glance"
    for page in ("", "/glance", "/review"):
        html = client.get(f"/cases/p1{page}").text
        assert "2.0 mm" not in text(html)
        assert "utline" in text(html)
    client.post("/cases/p1/pictures/1/outline", data={"looks": "right"})
    assert "2.0 mm left" in text(client.get("/cases/p1/glance").text)


def test_the_age_counts_from_the_picture_and_says_when_it_is_stale(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with (
        Service(tmp_path) as service,
        Client(web_app.create_app(service)) as client,
    ):
        client.post("/cases", data=CASE)
        bring(client, png(0), "000.png")
        client.post("/cases/p1/marks", data=marks_form())
        bring(client, png(18), "001.png")
        assert "data-stale" not in client.get("/cases/p1/glance").text
        real = service.now
        monkeypatch.setattr(service, "now", lambda: real() + timedelta(seconds=61))
        page = client.get("/cases/p1/glance").text
        assert "data-stale" in page
        assert re.search(r">1:0\d</span>", page)
        assert "Anything burred since this picture is not counted." in text(page)


def test_after_a_picture_without_numbers_glance_has_no_angle(measured: Client) -> None:
    """The start's angle beside a refused picture would read as the present one."""
    page = text(measured.get("/cases/p1/glance").text)
    assert "last measured 2.0 mm left" in page
    assert "LCEA 41°" not in page


def test_marks_left_as_they_are_shown_are_read_and_kept_with_their_own_uncertainty(
    client: Client, service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is read beside them is what is measured with; moved marks stay moved."""
    wide = replace(standins.marks(), u_px=6.0)
    monkeypatch.setattr(standins, "propose_marks", lambda *_: wide)
    client.post("/cases", data=CASE | {"target_lcea_deg": "27", "floor_lcea_deg": "25"})
    bring(client, png(0), "000.png")
    as_shown = marks_form() | {"as_proposed": "true"}
    said = client.post("/cases/p1/marks/reading", data=as_shown).json()
    moved = client.post("/cases/p1/marks/reading", data=marks_form()).json()
    assert said["lcea"] != moved["lcea"]
    assert said["lcea"] in text(client.get("/cases/p1").text)

    client.post("/cases/p1/marks", data=marks_form(3.0) | {"confirmed": "true"})
    kept = service.case("p1").setup.marks
    assert kept is not None
    assert kept.u_px != wide.u_px
    client.post(
        "/cases/p1/marks", data=marks_form(3.0) | {"as_proposed": "true", "confirmed": "true"}
    )
    again = service.case("p1").setup.marks
    assert again is not None
    assert (again.u_px, again.rim_edge_px) == (kept.u_px, kept.rim_edge_px)
    assert again.head_px == pytest.approx(kept.head_px)


def test_marks_are_read_before_they_are_agreed(seen: Client) -> None:
    said = seen.post("/cases/p1/marks/reading", data=marks_form()).json()
    assert said["usable"]
    assert said["lcea"].startswith("41° (")
    assert said["diameter"] == "48.6 mm"
    assert said["circle"] == pytest.approx([200.0, 220.0, 90.0], abs=0.1)
    line = marks_form() | {"head_x": ["10", "20", "30"], "head_y": ["10", "20", "30"]}
    said = seen.post("/cases/p1/marks/reading", data=line).json()
    assert not said["usable"]
    assert said["problem"]


def test_marks_that_are_half_given_are_refused(seen: Client) -> None:
    half = marks_form() | {"head_x": ["10"], "head_y": ["10"]}
    answer = seen.post("/cases/p1/marks", data=half)
    assert answer.status_code == 422
    assert_error_shape(answer)


def test_a_first_picture_can_be_set_aside(client: Client) -> None:
    client.post("/cases", data=CASE)
    bring(client, png(0), "000.png")
    page = client.post("/cases/p1/first-picture-again").text
    assert "Bring the first picture" in text(page)
    bring(client, png(0, noise=1), "001.png")
    assert "/pictures/1/recorded.png" in client.get("/cases/p1").text


def test_a_closed_case_shows_no_number(measured: Client) -> None:
    bring(measured, png(20), "003.png")
    assert "mm left" in text(measured.get("/cases/p1/glance").text)
    measured.post("/cases/p1/say", data={"what": "close"})
    html = measured.get("/cases/p1/glance").text
    assert "Case closed" in html
    assert "mm left" not in text(html)
    assert "<img" not in html
    assert_error_shape(bring(measured, png(25), "004.png"))
    measured.post("/cases/p1/say", data={"what": "reopen"})
    assert "mm left" in text(measured.get("/cases/p1/glance").text)


def test_start_and_now_lie_over_one_another_on_glance(client: Client) -> None:
    client.post("/cases", data=CASE)
    bring(client, png(0), "000.png")
    client.post("/cases/p1/marks", data=marks_form())
    assert '<img class="start"' not in client.get("/cases/p1/glance").text
    bring(client, png(18), "001.png")
    html = client.get("/cases/p1/glance").text
    now, start = re.findall(
        r'<img(?: class="start")? src="([^"]+)" (width="\d+" height="\d+")', html
    )
    assert now[0] == "/cases/p1/pictures/1/rim.png"
    assert start == ("/cases/p1/pictures/0/rim.png", now[1])


def test_each_message_has_a_shape_of_its_own(client: Client) -> None:
    client.post("/cases", data=CASE)
    bring(client, png(0), "000.png")
    client.post("/cases/p1/marks", data=marks_form())
    shapes = {}
    for tenths, message in ((5, "More to go"), (38, "May be at the plan"), (45, "Past the plan")):
        bring(client, png(tenths), f"{tenths}.png")
        html = client.get("/cases/p1/glance").text
        found = re.search(r'<svg class="shape".*?</svg>(?=([\w ]+))', html, re.DOTALL)
        assert found is not None
        assert found[1] == message
        shapes[message] = found[0]
    assert len(set(shapes.values())) == 3


def test_a_picture_that_is_kept_to_look_at_asks_for_nothing(measured: Client) -> None:
    measured.post("/cases/p1/pictures/2/aside", data={"how": "look at"})
    said = text(measured.get("/cases/p1/glance").text)
    assert "Kept to look at" in said
    assert "Draw burr" not in said
    assert "last measured 2.0 mm left, before the last pass" in said
    measured.post("/cases/p1/pictures/2/aside", data={"how": "take back"})
    assert "2.0 mm left" in text(measured.get("/cases/p1/glance").text)


# --- the comparison on Review --------------------------------------------------------------


def chosen(html: str) -> list[str]:
    """Keys of what the comparison shows, in the page's order."""
    found = re.findall(r'data-key="([^"]+)"[^>]*aria-current="true"', html)
    return [str(key) for key in found]


def test_review_compares_the_first_picture_with_the_latest_unless_asked(seen: Client) -> None:
    assert chosen(seen.get("/cases/p1/review").text) == [
        "mode-side", "extent-rim", "first-0", "second-1",
    ]  # fmt: skip


@pytest.mark.parametrize("mode", ["side", "blink", "wipe", "passes"])
@pytest.mark.parametrize("extent", ["rim", "whole"])
def test_the_address_says_what_is_compared(seen: Client, mode: str, extent: str) -> None:
    asked = {"first": "1", "second": "0", "mode": mode, "extent": extent}
    for part in ({}, {"part": "live"}):
        html = seen.get("/cases/p1/review", params=asked | part).text
        assert chosen(html) == [f"mode-{mode}", f"extent-{extent}", "first-1", "second-0"]
    form = "rim" if extent == "rim" else "registered"
    shown = set(re.findall(r'<img src="([^"]+)"', html.split("Numbers</h2>")[0]))
    both = {f"/cases/p1/pictures/{number}/{form}.png" for number in (0, 1)}
    assert shown == (both if mode != "passes" else {f"/cases/p1/pictures/1/{form}.png"})
    for address in re.findall(r'<a href="([^"]+)" data-key', html):
        assert seen.get(address.replace("&amp;", "&")).status_code == 200


def test_every_measured_pass_is_drawn_in_one_picture(client: Client) -> None:
    client.post("/cases", data=CASE)
    bring(client, png(0), "000.png")
    client.post("/cases/p1/marks", data=marks_form())
    for tenths in (5, 12, 255, 20):
        bring(client, png(tenths), f"{tenths}.png")
    html = client.get("/cases/p1/review?mode=passes").text
    assert html.count('<g class="pass">') == 3


def test_a_picture_that_cant_be_laid_over_the_first_is_said_and_replaced(seen: Client) -> None:
    html = seen.get("/cases/p1/review?first=2&second=77&mode=blink").text
    assert chosen(html)[2:] == ["first-0", "second-1"]
    assert "Picture 2 and Picture 77 can't be laid over the first one" in text(html)
    assert_error_shape(seen.get("/cases/p1/review?mode=shake"))


def test_review_without_a_usable_first_picture_has_nothing_to_compare(client: Client) -> None:
    client.post("/cases", data=CASE)
    assert "Two pictures compared" not in client.get("/cases/p1/review").text
    bring(client, png(253), "000.png")
    client.post("/cases/p1/marks", data=marks_form())
    html = client.get("/cases/p1/review").text
    assert "Two pictures compared" not in html
    assert "first unusable" in html


# --- the form that opens a case ----------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"side": ""}, "Side"),
        ({"floor_lcea_deg": ""}, "Lower limit is missing"),
        ({"target_lcea_deg": "20"}, "Target LCEA is 20, not above the lower limit"),
        ({"head_diameter_mm": ""}, "The scale is empty"),
        ({"head_diameter_mm": "a lot"}, "Diameter of the femoral head is not a number."),
        ({"head_diameter_mm": "480"}, "Few adult heads measure 480.0 mm across"),
        ({"head_diameter_mm": "24.3"}, "24.3 mm is a head's radius rather than its diameter"),
        ({"edge": "end of the sourcil"}, "The target LCEA is of another edge"),
        ({"clock_from": "25:00"}, "clock"),
        ({"id": "a/b"}, "can't name a case"),
        ({"id": " "}, "Pseudonym must be"),
    ],
)
def test_a_case_that_cant_be_opened_says_why_and_keeps_what_was_typed(
    client: Client, change: dict[str, str], said: str
) -> None:
    answer = client.post("/cases", data=CASE | change, headers=PAGE)
    assert answer.status_code == 422
    assert said in text(answer.text)
    if "target_lcea_deg" not in change:
        assert 'value="33"' in answer.text
    assert "case.toml" not in answer.text
    assert "_deg is" not in answer.text
    assert_error_shape(client.post("/cases", data=CASE | change))
    assert client.get("/healthz").json()["cases"] == 0


def test_what_is_unlikely_is_taken_once_it_is_said_to_be_right(
    client: Client, service: Service
) -> None:
    asked = CASE | {"head_diameter_mm": "30", "unusual_head": "yes"}
    assert client.post("/cases", data=asked).status_code == 201
    assert service.case("p1").setup.scale.head_diameter_mm == 30


def test_the_plan_keeps_its_zone_and_where_it_comes_from(client: Client, service: Service) -> None:
    more = {"clock_from": "11:00", "clock_to": "2:00", "film": "X-ray standing"}
    client.post("/cases", data=CASE | more)
    case = service.case("p1")
    assert case.setup.plan.clock == ("11:00", "2:00")
    bring(client, png(0), "000.png")
    assert "Zone : 11:00 to 2:00 on the clock face" in text(client.get("/cases/p1").text)
    assert case.agreement.terms.film == "X-ray standing"
    said = "plan measured on X-ray standing, lateral bony edge"
    assert said in text(client.get("/cases/p1/review").text)


# --- scale from an object, plan on this hip, zero picture, notes -------------------------


def test_an_object_of_known_size_is_marked_on_the_first_picture(
    client: Client, service: Service
) -> None:
    client.post("/cases", data=CASE | {"head_diameter_mm": "", "object_diameter_mm": "27"})
    bring(client, png(0), "000.png")
    page = client.get("/cases/p1").text
    x, y = (re.findall(rf'name="object_{axis}"[^>]*value="([^"]+)"', page) for axis in "xy")
    assert len(x) == len(y) == 2
    unplaced = marks_form() | {"object_x": x, "object_y": y}
    assert client.post("/cases/p1/marks/reading", data=unplaced).json()["diameter"] == ""
    answer = client.post("/cases/p1/marks", data=unplaced)
    assert answer.status_code == 422
    assert "ends of the object" in answer.json()["error"]["message"]

    ends = marks_form() | {"object_x": ["40", "140"], "object_y": ["90", "90"]}
    said = client.post("/cases/p1/marks/reading", data=ends).json()
    assert (said["diameter"], said["scale"]) == ("48.6 mm", "0.2700 mm a pixel, from the object")
    assert client.post("/cases/p1/marks", data=ends).status_code == 200
    assert service.case("p1").setup.scale.object_px == ((40.0, 90.0), (140.0, 90.0))


def test_two_scales_that_disagree_are_said(client: Client) -> None:
    client.post("/cases", data=CASE | {"object_diameter_mm": "27"})
    bring(client, png(0), "000.png")
    ends = marks_form() | {"object_x": ["40", "130"], "object_y": ["90", "90"]}
    said = client.post("/cases/p1/marks/reading", data=ends).json()
    assert said["plausible"] == "The scale makes the head 54.0 mm, 48.6 mm was given: check both."


def test_a_shallow_start_is_confirmed_deliberately(client: Client, service: Service) -> None:
    client.post("/cases", data=CASE | {"target_lcea_deg": "21", "floor_lcea_deg": "19"})
    bring(client, png(0), "000.png")
    shallow = marks_form()
    shallow["edge_x"], shallow["edge_y"] = (f"{v:.1f}" for v in standins.point_at(24.0))
    said = client.post("/cases/p1/marks/reading", data=shallow).json()
    assert said["confirm"] is True
    assert "bone taken away can't be put back" in said["plan"][0]
    answer = client.post("/cases/p1/marks", data=shallow)
    assert answer.status_code == 422
    assert service.case("p1").setup.marks is None
    client.post("/cases/p1/marks", data=shallow | {"confirmed": "true"})
    assert service.case("p1").log.plan_confirmed
    # Other marks ask again.
    assert client.post("/cases/p1/marks", data=shallow).status_code == 422


def test_a_start_that_is_not_shallow_asks_for_nothing(seen: Client, client: Client) -> None:
    said = seen.post("/cases/p1/marks/reading", data=marks_form()).json()
    assert said["confirm"] is False
    assert 'hidden><input type="checkbox" name="confirmed"' in marks_page(client)


def marks_page(client: Client) -> str:
    client.post("/cases", data=CASE)
    bring(client, png(0), "000.png")
    return str(client.get("/cases/p1").text)


@pytest.mark.parametrize(
    ("tenths", "said", "asks_again"),
    [(1, "0 lies within, so the chain holds", False), (9, "0 does not lie within", True)],
)
def test_the_zero_picture_is_asked_for_and_checked(
    client: Client, tenths: int, said: str, asks_again: bool
) -> None:
    marks_page(client)
    client.post("/cases/p1/marks", data=marks_form())
    asked = client.get("/cases/p1").text
    assert 'name="as_zero"' in asked
    assert "Add the zero picture: nothing burred yet" in text(asked)
    client.post(
        "/cases/p1/pictures",
        files={"picture": ("001.png", png(tenths), "image/png")},
        data={"as_zero": "true"},
    )
    page = client.get("/cases/p1").text
    assert said in text(page)
    assert ('name="as_zero"' in page) == asks_again
    assert said in text(client.get("/cases/p1/review").text)


def test_a_zero_picture_that_is_skipped_is_said_to_be(client: Client) -> None:
    marks_page(client)
    client.post("/cases/p1/marks", data=marks_form())
    client.post("/cases/p1/say", data={"what": "no zero"})
    assert 'name="as_zero"' not in client.get("/cases/p1").text
    bring(client, png(18), "001.png")
    for page in ("", "/review"):
        assert "No zero picture: numbers stand without that proof" in text(
            client.get(f"/cases/p1{page}").text
        )


@pytest.mark.parametrize(
    ("what", "said"),
    [
        ("new series", "Removed before this first picture: 1.8 mm (1.5 to 2.1), up to picture 1."),
        ("new series, burred since", "Removed before this first picture: at least 1.8 mm"),
    ],
)
def test_a_new_first_picture_in_mid_case_is_an_explicit_break(
    measured: Client, what: str, said: str
) -> None:
    assert "begin with a new one" in text(measured.get("/cases/p1").text)
    page = measured.post("/cases/p1/say", data={"what": what})
    assert "Bring the first picture" in text(page.text)
    assert said in text(page.text)
    assert "No new first picture yet" in text(measured.get("/cases/p1/glance").text)
    review = text(measured.get("/cases/p1/review").text)
    assert said in review
    assert "1.8 mm removed (1.4 to 2.2)" in review
    bring(measured, png(0, noise=9), "again.png")
    agreed = measured.post("/cases/p1/marks", data=marks_form() | {"as_proposed": "true"})
    for page in (agreed, measured.get("/cases/p1/glance")):
        assert "nothing burred yet" not in text(page.text)
    assert "Ready for the next pass" in text(page.text)


def test_notes_are_shown_and_escaped(measured: Client) -> None:
    measured.post("/cases/p1/notes", data={"text": "Ossicle <left> in place", "number": "1"})
    for page in ("", "/review"):
        assert "Ossicle &lt;left&gt; in place" in measured.get(f"/cases/p1{page}").text
    assert_error_shape(measured.post("/cases/p1/notes", data={"text": " "}))
    assert_error_shape(measured.post("/cases/p1/notes", data={"text": "x", "number": "99"}))


def test_a_comma_is_a_decimal_point(client: Client, service: Service) -> None:
    client.post("/cases", data=CASE | {"head_diameter_mm": "48,6"})
    assert service.case("p1").setup.scale.head_diameter_mm == 48.6


def test_a_case_name_is_part_of_an_address(client: Client) -> None:
    name = "hip no. 7 & more"
    opened = client.post("/cases", data=CASE | {"id": name}, headers=PAGE)
    assert opened.url.path == "/cases/hip no. 7 & more"
    assert "hip no. 7 &amp; more" in opened.text


# --- pictures ----------------------------------------------------------------------------


@pytest.mark.parametrize("form", ["recorded", "registered", "rim"])
def test_a_measured_picture_comes_in_every_form(seen: Client, form: str) -> None:
    answer = seen.get(f"/cases/p1/pictures/1/{form}.png")
    assert answer.headers["content-type"] == "image/png"
    assert answer.content.startswith(b"\x89PNG")


def test_an_unmeasured_picture_is_only_there_as_recorded(seen: Client) -> None:
    assert seen.get("/cases/p1/pictures/2/recorded.png").status_code == 200
    answer = seen.get("/cases/p1/pictures/2/registered.png")
    assert answer.status_code == 404
    assert_error_shape(answer)


def test_every_picture_a_page_names_is_there(seen: Client) -> None:
    for page in ("", "/glance", "/review"):
        for source in re.findall(r'<img src="([^"]+)"', seen.get(f"/cases/p1{page}").text):
            assert seen.get(source).status_code == 200


# --- errors, headers, access -------------------------------------------------------------


def assert_error_shape(answer: Any) -> None:
    """Every error is told to programs in one shape."""
    assert answer.status_code >= 400
    body = answer.json()
    assert set(body) == {"error"}
    assert set(body["error"]) == {"message", "hint", "status"}
    assert body["error"]["status"] == answer.status_code
    assert body["error"]["message"]
    assert "Traceback" not in answer.text


@pytest.mark.parametrize(
    ("method", "path", "status"),
    [
        ("GET", "/nothing", 404),
        ("GET", "/cases/p9", 404),
        ("GET", "/cases/p9/glance", 404),
        ("GET", "/cases/p9/review", 404),
        ("GET", "/cases/p9/events", 404),
        ("GET", "/cases/p1/pictures/9/recorded.png", 404),
        ("GET", "/cases/p1/pictures/0/other.png", 422),
        ("GET", "/cases/p1/pictures/first/recorded.png", 422),
        ("POST", "/cases/p1/pictures", 422),
        ("POST", "/cases/p1/marks", 422),
        ("POST", "/cases/p1/pictures/1/outline", 422),
        ("POST", "/cases/p1/first-picture-again", 422),
        ("DELETE", "/cases/p1", 405),
        ("GET", "/docs", 404),
    ],
)
def test_every_error_has_the_one_shape(seen: Client, method: str, path: str, status: int) -> None:
    answer = seen.request(method, path)
    assert answer.status_code == status
    assert_error_shape(answer)
    page = seen.request(method, path, headers=PAGE)
    assert page.status_code == status
    assert page.headers["content-type"].startswith("text/html")
    assert CAUTION in text(page.text)


@pytest.mark.parametrize(
    "data", [b"", b"Dear sir", png(18)[:700], b"\x89PNG\r\n\x1a\n" + b"0" * 99]
)
def test_a_file_that_is_no_picture_is_refused_in_one_line(measured: Client, data: bytes) -> None:
    answer = bring(measured, data, "letter.png")
    assert answer.status_code == 422
    assert_error_shape(answer)
    assert "\n" not in answer.json()["error"]["message"]
    assert "letter.png" in text(measured.get("/cases/p1/review").text)


def test_a_file_past_the_limit_is_refused(service: Service) -> None:
    """Whether its length is told beforehand or not."""
    limits = dataclasses.replace(service.settings.images, max_bytes=1000)
    service.settings = dataclasses.replace(service.settings, images=limits)

    async def untold() -> AsyncIterator[bytes]:
        yield b'--x\r\nContent-Disposition: form-data; name="picture"; filename="a.png"\r\n\r\n'
        for _ in range(12):
            yield b"0" * 100_000

    with Client(web_app.create_app(service)) as client:
        client.post("/cases", data=CASE)
        answer = bring(client, b"0" * 1_100_000, "huge.png")
        assert answer.status_code == 413
        assert_error_shape(answer)
        answer = client.post(
            "/cases/p1/pictures",
            content=untold(),
            headers={"Content-Type": "multipart/form-data; boundary=x"},
        )
        assert answer.status_code == 413
        assert_error_shape(answer)


def test_a_broken_invariant_tells_nothing_of_itself(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken() -> int:
        raise RuntimeError("secret of the library")

    monkeypatch.setattr(service, "count_cases", broken)
    app = web_app.create_app(service)
    with Client(app, failures_are_answers=True) as client:
        answer = client.get("/healthz")
    assert answer.status_code == 500
    assert_error_shape(answer)
    assert "secret" not in answer.text


def test_every_kind_of_error_has_its_status(service: Service, client: Client) -> None:
    for kind, status in HTTP_STATUS.items():

        def broken(kind: type[Exception] = kind) -> int:
            raise kind("What happened.", hint="What to do.")  # type: ignore[call-arg]

        service.count_cases = broken  # type: ignore[method-assign]
        answer = client.get("/healthz")
        assert answer.status_code == status
        assert answer.json()["error"]["message"] == "What happened."


@pytest.mark.parametrize(
    "path", ["/", "/cases/p1", "/cases/p1/glance", "/cases/p1/review", "/nothing", "/healthz"]
)
def test_every_answer_carries_the_headers(seen: Client, path: str) -> None:
    headers = seen.get(path, headers=PAGE).headers
    policy = headers["content-security-policy"]
    assert policy.startswith("default-src 'self'")
    assert "unsafe" not in policy
    assert "frame-ancestors 'none'" in policy
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["cache-control"] == "no-store"
    assert headers["referrer-policy"] == "same-origin"
    assert "strict-transport-security" not in headers


def test_another_page_can_t_change_anything(measured: Client) -> None:
    for headers in (
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": "http://127.0.0.1:9999"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ):
        answer = measured.post("/cases", data=CASE | {"id": "p2"}, headers=headers)
        assert answer.status_code == 403
        assert_error_shape(answer)
        assert answer.headers["x-content-type-options"] == "nosniff"
    token = form_token(measured.get("/", headers=PAGE).text)
    own = CASE | {"id": "p2"}
    answer = measured.post("/cases", data=own, headers={"Origin": OWN})
    assert answer.status_code == 403
    assert_error_shape(answer)
    answer = measured.post("/cases", data={"form_token": token} | own, headers={"Origin": OWN})
    assert answer.status_code == 201


def form_token(html: str) -> str:
    """The token that a page's scripts send."""
    (found,) = re.findall(r'<meta name="form-token" content="(\w+)">', html)
    return str(found)


def test_another_name_for_this_machine_is_refused(seen: Client) -> None:
    for host in ("evil.example", "127.0.0.1.evil.example:8000", ""):
        answer = seen.get("/", headers={"Host": host})
        assert answer.status_code == 400
        assert_error_shape(answer)
    for host in ("localhost", "localhost:8000", "127.0.0.1:8321", "[::1]:8000"):
        assert seen.get("/", headers={"Host": host}).status_code == 200


# --- what every page is made of ----------------------------------------------------------


@pytest.mark.parametrize("path", ["/", "/cases/p1", "/cases/p1/glance", "/cases/p1/review"])
def test_every_page_carries_caution_and_view_limit_and_nothing_inline(
    seen: Client, path: str
) -> None:
    html = seen.get(path).text
    assert CAUTION in text(html)
    assert VIEW_LIMIT in text(html)
    assert not re.search(r"\sstyle=|\son\w+=|<style|javascript:", html)
    assert not re.search(r"<script(?![^>]*\bsrc=\"/static/)", html)
    assert not re.search(r"(?:src|href)=\"(?:https?:)?//", html)
    for source in re.findall(r'(?:src|href)="(/static/[^"]+)"', html):
        assert seen.get(source).status_code == 200


def test_modules_name_only_what_is_there(client: Client) -> None:
    folder = Path(web_app.__file__).parent / "static"
    for module in folder.glob("*.js"):
        for name in re.findall(r'(?:from|import) "\./([^"]+)"', module.read_text("utf-8")):
            assert (folder / name).is_file()


@pytest.mark.parametrize("template", sorted(CONTEXTS))
def test_a_template_sees_its_dataclass_and_nothing_else(template: str) -> None:
    """Every field is used by the page, and the page uses nothing that is not a field."""
    declared = {part.name for part in dataclasses.fields(CONTEXTS[template])}
    assert used_by(template) <= declared | {"sheet"}
    if not template.endswith("_live.html"):
        assert declared <= used_by(template)


def used_by(template: str) -> set[str]:
    """Names that a template, and those it is made of, take from outside."""
    assert pages.ENVIRONMENT.loader is not None
    source, _, _ = pages.ENVIRONMENT.loader.get_source(pages.ENVIRONMENT, template)
    tree = pages.ENVIRONMENT.parse(source)
    found = meta.find_undeclared_variables(tree)
    for other in meta.find_referenced_templates(tree):
        if other is not None and other != "parts.html":
            found |= used_by(other)
    return found


def test_every_context_is_frozen_and_holds_words() -> None:
    for context in CONTEXTS.values():
        assert dataclasses.is_dataclass(context)
        assert context.__dataclass_params__.frozen  # type: ignore[attr-defined]


@pytest.mark.parametrize("tenths", [0, 18, 36, 45])
def test_page_and_record_give_the_same_numbers(
    client: Client, service: Service, tenths: int
) -> None:
    client.post("/cases", data=CASE)
    bring(client, png(0, noise=5), "000.png")
    client.post("/cases/p1/marks", data=marks_form())
    bring(client, png(tenths), "001.png")
    result = service.case("p1").stills[0].result
    assert result is not None
    assert result.removal is not None
    context = phrases.glance_context(service.glance("p1"))
    left = result.removal.remaining_mm
    shown = float(context.figure_text) * (-1 if "past" in context.unit else 1)
    assert shown == pytest.approx(left.value, abs=0.0501)
    assert "-" not in context.figure_text + context.interval
    assert "−" not in context.figure_text + context.interval


# --- live --------------------------------------------------------------------------------


async def heard(service: Service, last_seen: int, act: Any) -> list[tuple[str | None, str | None]]:
    """Events from a connection until one that is a change."""
    found = []
    async for event in live.changes(service, "p1", last_seen, lambda: False):
        found.append((event.event, event.id))
        if len(found) == 1:
            await asyncio.to_thread(act)
        if event.event == "changed" or len(found) > 4:
            break
    return found


def test_a_change_is_heard_at_once_with_the_key_of_its_entry(
    measured: Client, service: Service
) -> None:
    seen = service.case("p1").last_event
    found = asyncio.run(heard(service, seen, lambda: service.add_picture("p1", png(30), "003.png")))
    assert found == [("beat", None), ("changed", str(service.case("p1").last_event))]


def test_who_comes_back_is_told_what_was_missed(measured: Client, service: Service) -> None:
    now = service.case("p1").last_event
    found = asyncio.run(heard(service, now - 1, lambda: None))
    assert found == [("beat", None), ("changed", str(now))]


def test_without_a_change_there_are_beats(
    measured: Client, service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(live, "BEAT_S", 0.01)
    found = asyncio.run(heard(service, service.case("p1").last_event, lambda: None))
    assert found == [("beat", None)] * 5


def test_the_stream_speaks_the_events_form(service: Service) -> None:
    """Asked over a real connection, which the server ends by itself when it is stopped."""
    service.open_case(standins.setup())
    now = service.case("p1").last_event
    lines: list[str] = []
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        address = f"http://127.0.0.1:{listener.getsockname()[1]}/cases/p1/events"
        server = web_app.Server(web_app.create_app(service))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]})
        thread.start()
        try:
            with httpx.stream("GET", address, headers={"Last-Event-ID": str(now - 1)}) as answer:
                assert answer.headers["content-type"].startswith("text/event-stream")
                for line in answer.iter_lines():
                    lines.append(line)
                    if line.startswith("id:"):
                        server.should_exit = True
        finally:
            server.should_exit = True
            thread.join()
    assert "event: changed" in lines
    assert f"id: {now}" in lines
    assert json.loads(next(line for line in lines if "event" in line and "data" in line)[6:]) == {
        "event": now
    }


# --- words -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "u", "figure", "interval"),
    [
        (1.42, 0.25, ("1.4", "mm left"), "0.9 to 1.9"),
        (0.04, 0.02, ("0.0", "mm left"), "0.0 to 0.1"),
        (-0.04, 0.02, ("0.0", "mm left"), "0.1 past to 0.0 left"),
        (-0.6, 0.1, ("0.6", "mm past the plan"), "0.4 to 0.8 past"),
        (0.1, 0.25, ("0.1", "mm left"), "0.4 past to 0.6 left"),
    ],
)
def test_what_is_left_never_has_a_minus_sign(
    value: float, u: float, figure: tuple[str, str], interval: str
) -> None:
    quantity = Quantity(value, u, "mm")
    assert words.left(quantity) == figure
    assert words.left_interval(quantity) == interval


def test_the_form_s_words_replace_the_keys_of_the_file() -> None:
    said = forms.in_form_words(
        "case.toml: [plan] target_lcea_deg is 20, not above the lower limit floor_lcea_deg, 25"
    )
    assert said.startswith("Target LCEA is 20")
    assert "_deg" not in said
