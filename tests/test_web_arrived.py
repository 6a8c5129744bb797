"""What is held, order, frames and dose on the pages and in the API."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests import standins
from tests.asking import Client
from tests.standins import png
from tests.test_intake import OTHER, Clock, bring, dicom, order, run
from tracker.service import Service
from web import app as web_app


@pytest.fixture(autouse=True)
def _quick_pipeline(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tracker.ledger.pipeline", standins)


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def service(tmp_path: Path, clock: Clock) -> Iterator[Service]:
    with Service(tmp_path / "record", clock=clock) as opened:
        opened.open_case(standins.setup())
        opened.add_picture("p1", dicom(0, taken=0, ImageAndFluoroscopyAreaDoseProduct="2"), "0.dcm")
        opened.accept_proposed("p1")
        yield opened


@pytest.fixture
def client(service: Service) -> Iterator[Client]:
    with Client(web_app.create_app(service)) as opened:
        yield opened


def page(client: Client) -> str:
    return client.get("/cases/p1").text


def word(text: str) -> str:
    found = re.search(r'name="word" value="(\w+)"', text)
    assert found
    return found[1]


# --- held --------------------------------------------------------------------------------


@pytest.mark.parametrize("what", ["patient", "side"])
def test_a_picture_that_does_not_fit_is_confirmed_in_two_steps(
    client: Client, service: Service, clock: Clock, what: str
) -> None:
    bring(service, clock, 60, 10, 60, **OTHER[what])
    first = page(client)
    assert "Picture 1" in first
    assert "held, not measured" in first
    assert 'value="belongs"' not in first
    assert client.post("/cases/p1/pictures/1/held", data={"what": "belongs"}).status_code == 422
    second = client.get("/cases/p1/pictures/1/held").text
    assert "Is picture 1 of this patient and this hip?" in second
    assert 'type="checkbox" required' in second
    said = {"what": "belongs", "word": word(second)}
    assert "removed" in client.post("/cases/p1/pictures/1/held", data=said).text
    assert order(service.case("p1")) == [1.0]
    # Nothing is held any more: the second step leads back.
    assert "held, not measured" not in client.get("/cases/p1/pictures/1/held").text


def test_another_examination_takes_one_step(client: Client, service: Service, clock: Clock) -> None:
    bring(service, clock, 60, 10, 60, **OTHER["study"])
    assert "Same operation: measure it" in page(client)
    client.post("/cases/p1/pictures/1/held", data={"what": "belongs"})
    assert order(service.case("p1")) == [1.0]


def test_a_held_picture_is_set_aside(client: Client, service: Service, clock: Clock) -> None:
    bring(service, clock, 60, 10, 60, **OTHER["patient"])
    client.post("/cases/p1/pictures/1/held", data={"what": "belongs not"})
    assert "held, not measured" not in page(client)
    assert service.case("p1").stills == ()


def test_glance_says_that_something_is_held(client: Client, service: Service, clock: Clock) -> None:
    bring(service, clock, 60, 10, 60)
    bring(service, clock, 90, 20, 90, **OTHER["patient"])
    glance = client.get("/cases/p1/glance").text
    assert "held, see Pictures: 2" in glance
    assert "2.8" in glance


def test_the_api_answers_what_differs_and_then_takes_the_yes(
    client: Client, service: Service, clock: Clock
) -> None:
    clock.at(60)
    data = dicom(10, taken=60, **OTHER["patient"])
    answer = client.post("/api/cases/p1/pictures?name=1.dcm", content=data).json()
    assert answer["standing"] == "held"
    assert answer["held"] == ["patient"]
    assert answer["verdict"] is None
    step = client.post("/api/cases/p1/pictures/1/belongs")
    assert step.status_code == 202
    assert "another patient" in step.json()["differs"][0]
    assert service.case("p1").stills == ()
    wrong = client.post("/api/cases/p1/pictures/1/belongs?confirm=yes")
    assert wrong.status_code == 422
    done = client.post(f"/api/cases/p1/pictures/1/belongs?confirm={step.json()['confirm']}")
    assert done.json()["belongs"] is True
    assert order(service.case("p1")) == [1.0]
    assert client.post("/api/cases/p1/pictures/1/belongs").status_code == 422
    assert client.post("/api/cases/p1/pictures/1/belongs-not").status_code == 422
    assert client.post("/api/cases/p1/pictures/9/belongs").status_code == 404


# --- order and phases --------------------------------------------------------------------


def test_a_late_picture_is_told_and_the_order_can_be_kept(
    client: Client, service: Service, clock: Clock
) -> None:
    bring(service, clock, 60, 10, 60)
    bring(service, clock, 180, 30, 180)
    bring(service, clock, 200, 20, 120)
    text = page(client)
    assert "Picture 3 came at" in text
    assert "agrees with this machine’s (4 pictures)" in text
    assert "picture 3 came later and was taken before it" in client.get("/cases/p1/glance").text
    text = client.post("/cases/p1/order", data={"by": "arrival"}).text
    assert "Pictures are in the order in which they came" in text
    assert order(service.case("p1")) == [1.0, 3.0, 2.0]
    text = client.post("/cases/p1/order", data={"by": "clock"}).text
    assert "Picture 3 came at" in text
    assert client.post("/cases/p1/order", data={"by": "moon"}).status_code == 422


def test_how_far_the_clock_is_off_is_shown(client: Client, service: Service, clock: Clock) -> None:
    bring(service, clock, 60, 10, 60)
    assert "agrees with this machine" in page(client)
    bring(service, clock, 1000, 20, 1000 - 3600)
    assert order(service.case("p1")) == [2.0, 1.0]
    bring(service, clock, 1100, 30, 1100 - 3600)
    text = page(client)
    assert "at most 1:00:00 behind (4 pictures)" in text
    assert "was set back during the case" in text
    assert order(service.case("p1")) == [1.0, 2.0, 3.0]


def test_what_is_taken_in_repair_is_shown_as_no_pass(
    client: Client, service: Service, clock: Clock
) -> None:
    bring(service, clock, 60, 10, 60)
    service.set_phase("p1", "repair")
    bring(service, clock, 120, 50, 120)
    note = "Taken during the repair: measured, but it is no pass of burring"
    assert note in page(client)
    assert note in client.get("/cases/p1/review").text


# --- frames ------------------------------------------------------------------------------


def test_a_frame_is_chosen_from_the_page(client: Client, service: Service) -> None:
    service.add_picture("p1", run(5, 7, 9), "run.dcm")
    assert "This is the last of 3 frames" in page(client)
    frames = client.get("/cases/p1/pictures/1/frames").text
    assert "frame 3 of 3" in frames
    assert "Measured is frame 3." in frames
    assert "Measure frame" not in frames
    frames = client.get("/cases/p1/pictures/1/frames?frame=2").text
    assert "Measure frame 2" in frames
    assert client.get("/cases/p1/pictures/1/frame/2.png").content.startswith(b"\x89PNG")
    assert client.get("/cases/p1/pictures/1/frame/9.png").status_code == 422
    text = client.post("/cases/p1/pictures/1/frames", data={"frame": 2}).text
    assert "This is frame 2 of 3" in text
    assert order(service.case("p1")) == [0.7]
    # Far off a run's ends the nearest is shown; a picture that is no run has no such page.
    assert "frame 3 of 3" in client.get("/cases/p1/pictures/1/frames?frame=77").text
    assert "Go to frame" not in client.get("/cases/p1/pictures/0/frames").text


def test_a_frame_is_asked_for_by_a_program(client: Client, service: Service) -> None:
    answer = client.post("/api/cases/p1/pictures?name=run.dcm&frame=1", content=run(5, 7, 9))
    assert answer.json()["recession_mm"]["value"] == pytest.approx(0.5)
    answer = client.post("/api/cases/p1/pictures/1/frame?frame=2")
    assert answer.json() == {"case": "p1", "number": 1, "frame": 2, "standing": "measured"}
    assert order(service.case("p1")) == [0.7]
    assert client.post("/api/cases/p1/pictures/1/frame?frame=4").status_code == 422
    assert client.post("/api/cases/p1/pictures/0/frame?frame=1").status_code == 422
    bad = client.post("/api/cases/p1/pictures?name=run.dcm&frame=9", content=run(5, 7, 9))
    assert bad.status_code == 422


# --- dose --------------------------------------------------------------------------------


def test_time_kv_and_dose_stand_on_the_pages_with_their_units(
    client: Client, service: Service, clock: Clock
) -> None:
    more = {"ImageAndFluoroscopyAreaDoseProduct": "1.25", "KVP": "72", "EntranceDoseInmGy": "0.4"}
    bring(service, clock, 60, 10, 60, **more)
    for text in (page(client), client.get("/cases/p1/review").text):
        assert re.search(r"By its header: taken at \d\d:\d\d:\d\d, 72 kV, 1\.25 dGy·cm²", text)
        assert "0.4 mGy at the entrance" in text
    assert "Dose-area product of the case: 3.25 dGy·cm²." in page(client)
    bring(service, clock, 120, 20, 120)
    text = page(client)
    assert "kV not known, dose not known" in text
    assert "at least 3.25 dGy·cm² (2 of 3 pictures say theirs)" in text


def test_without_a_header_the_dose_is_not_known(tmp_path: Path) -> None:
    with Service(tmp_path / "r") as service, Client(web_app.create_app(service)) as client:
        service.open_case(standins.setup())
        service.add_picture("p1", png(0), "0.png")
        service.accept_proposed("p1")
        service.add_picture("p1", png(10), "1.png")
        text = page(client)
        assert "Dose-area product of the case: not known." in text
        assert "By its header" not in text
