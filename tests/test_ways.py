"""What comes in otherwise than by the page's drop: the phase, programs, DICOM over the web."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests import standins
from tests.asking import Client
from tests.standins import png
from tracker.service import Service
from web import app as web_app


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


@pytest.fixture
def marked(service: Service, client: Client) -> Client:
    """A case with its first picture, marked."""
    service.open_case(standins.setup())
    service.add_picture("p1", png(0), "000.png")
    service.accept_proposed("p1")
    return client


# --- phase -------------------------------------------------------------------------------


@pytest.mark.parametrize("phase", ["before burring", "repair", "femur"])
def test_outside_burring_glance_says_no_number(
    marked: Client, service: Service, phase: str
) -> None:
    service.add_picture("p1", png(18), "001.png")
    assert "2.0" in marked.get("/cases/p1/glance").text
    page = marked.post("/cases/p1/phase", data={"phase": phase})
    assert "Glance shows no number" in page.text
    assert f'value="{phase}" aria-pressed="true"' in page.text
    glance = marked.get("/cases/p1/glance?part=live").text
    assert "2.0" not in glance
    assert "Pictures are kept, not judged." in glance
    assert "mm" not in glance
    # Kept and measured all the same, and there again when burring goes on.
    service.add_picture("p1", png(20), "002.png")
    marked.post("/cases/p1/phase", data={"phase": "burring"})
    assert "1.8" in marked.get("/cases/p1/glance").text


def test_pause_and_resume(marked: Client, service: Service) -> None:
    service.add_picture("p1", png(18), "001.png")
    page = marked.post("/cases/p1/phase", data={"phase": "burring", "paused": "true"})
    assert "Resume" in page.text
    assert "Burring, paused" in marked.get("/cases/p1/glance").text
    page = marked.post("/cases/p1/phase", data={"phase": "burring", "paused": "false"})
    assert "Pause" in page.text
    assert "2.0" in marked.get("/cases/p1/glance").text


def test_what_is_to_be_done_first_is_said_in_every_phase(client: Client, service: Service) -> None:
    service.open_case(standins.setup())
    assert "No picture yet" in client.get("/cases/p1/glance").text


def test_an_unknown_phase_is_refused(marked: Client, service: Service) -> None:
    before = service.case("p1").last_event
    assert marked.post("/cases/p1/phase", data={"phase": "lunch"}).status_code == 422
    assert service.case("p1").last_event == before
