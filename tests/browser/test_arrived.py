"""What is held, and the frames of a run, in a browser: two steps, by keyboard, nothing amiss."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page

from tests import standins
from tests.browser.test_every_page import RULES
from tests.browser.theatre import SIZES, Complaints, Theatre
from tests.test_intake import OTHER, dicom, order, run

pytestmark = pytest.mark.browser

KEPT = Path(__file__).resolve().parents[2] / "build" / "screenshots"


@pytest.fixture
def theatre(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Theatre]:
    monkeypatch.setattr("tracker.ledger.pipeline", standins)
    with Theatre(tmp_path / "record") as opened:
        service = opened.service
        service.open_case(standins.setup())
        service.add_picture("p1", dicom(0), "0.dcm")
        service.accept_proposed("p1")
        service.add_picture("p1", run(5, 7, 9), "run.dcm")
        service.add_picture("p1", dicom(10, **OTHER["patient"]), "10.dcm")
        service.add_picture("p1", dicom(11, **OTHER["study"]), "11.dcm")
        yield opened


@pytest.fixture(params=SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
def screen(
    browser: Browser, complaints: Complaints, request: pytest.FixtureRequest
) -> Iterator[Page]:
    width, height = request.param
    page = browser.new_page(viewport={"width": width, "height": height})
    complaints.hear(page)
    yield page
    page.close()
    assert complaints.said == []


@pytest.mark.parametrize(
    ("name", "address"),
    [
        ("held-among-pictures", "/cases/p1"),
        ("held", "/cases/p1/pictures/2/held"),
        ("frames", "/cases/p1/pictures/1/frames?frame=2"),
    ],
)
def test_a_page_is_whole_and_accessible(
    theatre: Theatre, screen: Page, name: str, address: str
) -> None:
    screen.goto(theatre.address + address)
    size = screen.viewport_size or {"width": 0, "height": 0}
    KEPT.mkdir(parents=True, exist_ok=True)
    screen.screenshot(path=KEPT / f"{name}-{size['width']}.png", full_page=True)

    assert screen.evaluate("document.documentElement.scrollWidth <= innerWidth")
    found = Axe().run(screen, options=RULES)
    assert found.response["violations"] == []


def test_that_a_picture_belongs_is_said_in_two_steps(
    theatre: Theatre, browser: Browser, complaints: Complaints
) -> None:
    page = browser.new_page()
    complaints.hear(page)
    page.goto(f"{theatre.address}/cases/p1")
    page.get_by_role("link", name="Look at picture 2").click()
    yes = page.get_by_role("button", name="It belongs to LEFT hip, case p1: measure it")
    # Without the tick the browser itself does not send it.
    yes.click()
    assert page.url.endswith("/held")
    page.get_by_label("I have compared it").check()
    yes.click()
    page.wait_for_url("**/cases/p1")
    page.get_by_role("button", name="Same operation: measure it").click()
    page.wait_for_function("!document.querySelector('.held')")
    assert order(theatre.service.case("p1")) == [0.9, 1.0, 1.1]
    page.close()
    assert complaints.said == []


def test_a_frame_is_chosen(theatre: Theatre, browser: Browser, complaints: Complaints) -> None:
    page = browser.new_page()
    complaints.hear(page)
    page.goto(f"{theatre.address}/cases/p1")
    page.get_by_role("link", name="Choose another frame").click()
    page.get_by_role("link", name="Frame 2").click()
    page.get_by_role("button", name="Measure frame 2").click()
    page.wait_for_url("**/cases/p1")
    assert order(theatre.service.case("p1")) == [0.7]
    page.close()
    assert complaints.said == []
