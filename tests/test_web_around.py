"""The page about what lies beside the resection, and what the other pages show of it."""

import dataclasses
import html as markup
import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests import standins
from tests.asking import Client
from tests.standins import png
from tests.test_web import PAGE, used_by
from tracker.service import Service
from tracker.values import CAUTION, VIEW_LIMIT
from web import app as web_app
from web import around, around_contexts

BASE = "/cases/p1/around"
START = datetime(2026, 1, 5, 9, 0, tzinfo=UTC)


@pytest.fixture(autouse=True)
def _quick_pipeline(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tracker.ledger.pipeline", standins)
    monkeypatch.setattr("tracker.around_films.pipeline", standins)


class Clock:
    def __init__(self) -> None:
        self.at = START

    def __call__(self) -> datetime:
        return self.at


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def service(tmp_path: Path, clock: Clock) -> Iterator[Service]:
    with Service(tmp_path / "record", clock=clock) as opened:
        opened.open_case(standins.setup())
        opened.add_picture("p1", png(0), "000.png")
        opened.accept_proposed("p1")
        yield opened


@pytest.fixture
def client(service: Service) -> Iterator[Client]:
    with Client(web_app.create_app(service)) as opened:
        yield opened


def bring(service: Service, *tenths: int) -> None:
    for removed in tenths:
        number = len(service.case("p1").pictures)
        service.add_picture("p1", png(removed, noise=number), f"{number:03}.png")


def text_of(client: Client, path: str = BASE) -> str:
    html = client.get(path, headers=PAGE).text
    return " ".join(markup.unescape(re.sub(r"<[^>]+>", " ", html)).split())


def test_templates_see_their_dataclasses_and_nothing_else() -> None:
    declared = {part.name for part in dataclasses.fields(around_contexts.AroundContext)}
    assert used_by("around.html") - {"sheet", "beside"} == declared


def test_an_empty_case_has_a_page(client: Client, service: Service) -> None:
    html = client.get(BASE, headers=PAGE).text
    assert CAUTION in markup.unescape(html)
    assert VIEW_LIMIT in markup.unescape(html)
    assert "The clock has not been started." in html
    assert client.get(f"{BASE}?part=live").text.lstrip().startswith("<div id=")
    assert client.get("/cases/nobody/around").status_code == 404


def test_the_traction_clock_on_its_page_on_pictures_and_on_glance(
    client: Client, clock: Clock
) -> None:
    client.post(f"{BASE}/traction", data={"on": "true"})
    clock.at += timedelta(minutes=59)
    assert 'class="traction" data-shown-from="3600" hidden' in client.get("/cases/p1/glance").text
    clock.at += timedelta(minutes=6)
    assert "Traction 1:05:00" in text_of(client, "/cases/p1/glance")
    assert "1:05:00 on; 60 min at" in text_of(client, "/cases/p1")
    assert "1:05:00 on 60 min reached" in text_of(client)
    client.post(f"{BASE}/traction", data={"on": "false"})
    assert "Traction" not in text_of(client, "/cases/p1/glance")
    assert "1:05:00 in all, off" in text_of(client)


def test_a_time_of_day_is_read_in_this_machine_s_zone(client: Client, service: Service) -> None:
    earlier = (START - timedelta(minutes=40)).astimezone()
    client.post(f"{BASE}/traction", data={"on": "true", "at": earlier.strftime("%H:%M")})
    assert service.case("p1").around.traction.spells[0].on_at == earlier
    entry = service.case("p1").around.entries[0]
    later = (START - timedelta(minutes=30)).astimezone()
    right = {"on": "true", "at": later.strftime("%H.%M"), "corrects": str(entry.key)}
    client.post(f"{BASE}/traction", data=right)
    assert service.case("p1").around.traction.spells[0].on_at == later
    page = client.get(BASE, headers=PAGE).text
    assert "<s>traction on at" in page


@pytest.mark.parametrize(
    ("path", "data", "says"),
    [
        ("traction", {"on": "false"}, "off already"),
        ("traction", {"on": "true", "at": "25:00"}, "no time of day"),
        ("labrum", {"start": "11:00", "end": "x"}, "no place on the clock face"),
        ("spacing", {"spacing_mm": "wide"}, "not a number"),
        ("spacing", {}, "is missing"),
        ("spacing", {"spacing_mm": "inf"}, "no distance"),
        ("anchor", {"place": "0:00"}, "no place"),
        ("final", {"when": "before repair", "picture": "1"}, "1 exposure is chosen"),
        ("final", {"when": "before repair"}, "0 exposures are chosen"),
        ("estimate", {"number": "0", "removed_mm": "2"}, "is waited for"),
        ("films/typed", {"when": "before", "lcea_deg": "400"}, "none that a hip has"),
    ],
)
def test_what_can_not_be_written_down_is_said_in_place(
    client: Client, service: Service, path: str, data: dict[str, str], says: str
) -> None:
    before = service.case("p1").last_event
    answer = client.post(f"{BASE}/{path}", data=data, headers=PAGE)
    assert answer.status_code == 422
    assert says in markup.unescape(answer.text)
    assert "Around the resection" in answer.text
    assert client.post(f"{BASE}/{path}", data=data).status_code == 422
    assert service.case("p1").last_event == before


@pytest.mark.parametrize(
    ("path", "data"),
    [
        ("withdraw", {"key": "99999"}),
        ("final", {"when": "before repair", "picture": ["1", "99"]}),
        ("films/7/marks", {"as_proposed": "true"}),
        ("capsule", {"state": "gone"}),
        ("traction", {}),
    ],
)
def test_what_is_not_there_is_an_error_and_no_failure(
    client: Client, service: Service, path: str, data: dict[str, str]
) -> None:
    bring(service, 3)
    assert client.post(f"{BASE}/{path}", data=data, headers=PAGE).status_code in (404, 422)


def test_labrum_and_anchors_are_ticked_off(client: Client, service: Service) -> None:
    client.post(f"{BASE}/labrum", data={"start": "11:00", "end": "2:00"})
    client.post(f"{BASE}/spacing", data={"spacing_mm": "9,0"})
    said = text_of(client)
    assert "42 mm (" in said
    assert "27.0 mm (" in said
    assert "5 anchors" in said
    client.post(f"{BASE}/anchor", data={"place": "11:20"})
    page = client.get(BASE, headers=PAGE).text
    assert "✓ 11:20" in page
    assert page.count('class="anchor is-in"') == 1
    assert "1 in, 5 planned" in text_of(client, "/cases/p1")
    key = service.case("p1").around.anchors[0].key
    client.post(f"{BASE}/withdraw", data={"key": str(key)})
    assert "✓" not in client.get(BASE, headers=PAGE).text


def test_the_final_on_its_page_on_pictures_and_on_review(client: Client, service: Service) -> None:
    bring(service, 20, 29, 31)
    client.post(f"{BASE}/final", data={"when": "before repair", "picture": ["3", "2"]})
    for path in (BASE, "/cases/p1", "/cases/p1/review"):
        said = text_of(client, path)
        assert "3.0 mm removed" in said.replace("3.0  mm", "3.0 mm"), path
    assert "They differ by 0.2 mm" in text_of(client)
    assert "does not shrink" in text_of(client)
    client.post("/cases/p1/pictures/3/outline", data={"looks": "wrong"})
    assert "The outline of one of the two looks wrong since" in text_of(client)
    assert "mm removed" not in text_of(client).split("As it was written")[0].split("Final", 1)[1]


def test_pictures_offers_the_last_two_as_the_final(client: Client, service: Service) -> None:
    bring(service, 20)
    assert "final before repair" not in client.get("/cases/p1", headers=PAGE).text.lower().replace(
        "traction, final before repair", ""
    )
    bring(service, 29, 31)
    assert "pictures 2 and 3 are two exposures" in client.get("/cases/p1", headers=PAGE).text
    data = {"when": "before repair", "picture": ["2", "3"], "page": "pictures"}
    answer = client.post(f"{BASE}/final", data=data, headers=PAGE)
    assert answer.url.path == "/cases/p1"
    assert "are two exposures" not in answer.text
    assert "3.0 mm</b> removed" in answer.text


def test_two_that_disagree_give_no_mean(client: Client, service: Service) -> None:
    bring(service, 20, 34)
    client.post(f"{BASE}/final", data={"when": "after traction", "picture": ["1", "2"]})
    said = text_of(client)
    assert "The two differ by 1.4 mm, more than the" in said
    assert "no mean is given" in said
    assert "no mean is given" in text_of(client, "/cases/p1/review")


def test_the_number_waits_on_every_page_for_the_estimate(client: Client, service: Service) -> None:
    bring(service, 10)
    client.post(f"{BASE}/estimates", data={"asked": "true"})
    bring(service, 27)
    for path in ("/cases/p1", "/cases/p1/glance", "/cases/p1/review", BASE):
        said = text_of(client, path)
        assert "2.7" not in said, path
        assert "1.1 mm left" not in said, path
    assert "Your own estimate first" in text_of(client, "/cases/p1/glance")
    assert "What do you take to be removed in all?" in text_of(client, "/cases/p1")
    client.post(f"{BASE}/estimate", data={"number": "2", "removed_mm": "2,0"})
    assert "1.1 mm left" in text_of(client, "/cases/p1")
    assert "eye" in text_of(client, "/cases/p1/review")


def test_a_limit_does_not_wait_for_the_estimate(client: Client, service: Service) -> None:
    client.post(f"{BASE}/estimates", data={"asked": "true"})
    bring(service, 58)
    assert "Greatest depth reached" in text_of(client, "/cases/p1")
    assert "Greatest depth reached." in text_of(client, "/cases/p1/glance")
    assert "5.8" not in text_of(client, "/cases/p1/glance")


def test_an_estimate_is_skipped_with_one_button(client: Client, service: Service) -> None:
    client.post(f"{BASE}/estimates", data={"asked": "true"})
    bring(service, 27)
    client.post(f"{BASE}/estimate", data={"number": "1", "skip": "true"})
    assert service.case("p1").around.estimates[0].removed_mm is None
    assert "1.1" in text_of(client, "/cases/p1")


def film_form(edge_shift: float = 0.0) -> dict[str, list[str] | str]:
    marks = standins.marks()
    return {
        "head_x": [f"{x:.1f}" for x in marks.head_px[:, 0]],
        "head_y": [f"{y:.1f}" for y in marks.head_px[:, 1]],
        "edge_x": f"{marks.rim_edge_px[0] + edge_shift:.1f}",
        "edge_y": f"{marks.rim_edge_px[1]:.1f}",
        "horizontal_x": [f"{x:.1f}" for x in marks.horizontal_px[:, 0]],
        "horizontal_y": [f"{y:.1f}" for y in marks.horizontal_px[:, 1]],
    }


def test_the_film_after_is_marked_measured_and_compared(client: Client, service: Service) -> None:
    files = {"film": ("after.png", png(7), "image/png")}
    client.post(f"{BASE}/films", data={"when": "after"}, files=files)
    page = client.get(BASE, headers=PAGE).text
    assert "Do these marks lie right?" in page
    assert client.get("/cases/p1/pictures/1/recorded.png").status_code == 200
    reading = client.post(f"{BASE}/films/1/marks/reading", data=film_form())
    assert reading.json()["usable"]
    assert reading.json()["lcea"].startswith("41°")
    client.post(f"{BASE}/films/1/marks", data=film_form(-20.0))
    said = text_of(client)
    assert "not resolved" in said
    assert "Do these marks lie right?" not in said
    client.post(f"{BASE}/films/typed", data={"when": "before", "lcea_deg": "52"})
    assert "−11°" in text_of(client)
    sourcil = {"when": "before", "lcea_deg": "49", "edge": "end of the sourcil"}
    client.post(f"{BASE}/films/typed", data=sourcil)
    assert "never subtracted" in text_of(client)


def test_a_film_that_is_no_picture_is_said_in_place(client: Client, service: Service) -> None:
    files = {"film": ("after.png", b"nothing", "image/png")}
    answer = client.post(f"{BASE}/films", data={"when": "after"}, files=files, headers=PAGE)
    assert answer.status_code == 422
    assert "Around the resection" in answer.text
    assert len(service.case("p1").pictures) == 1


def test_capsule_and_movement_are_pressed(client: Client) -> None:
    client.post(f"{BASE}/capsule", data={"state": "closed"})
    client.post(f"{BASE}/movement", data={"tested": "true"})
    page = client.get(BASE, headers=PAGE).text
    assert 'value="closed" aria-pressed="true"' in page
    assert 'name="tested" value="true" aria-pressed="true"' in page
    said = text_of(client, "/cases/p1/review")
    assert "movement tested yes" in said
    assert "capsule closed" in said


@pytest.mark.parametrize(("typed", "ahead"), [("0:00", False), ("23.59", True)])
def test_a_time_is_the_last_one_that_the_clock_showed(typed: str, ahead: bool) -> None:
    noon = datetime(2026, 1, 5, 12, 0).astimezone()
    found = around._moment(typed, noon)
    assert found <= noon
    assert (noon - found > timedelta(hours=12)) is ahead
