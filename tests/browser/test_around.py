"""Around the resection in a browser: by hand and by keyboard, accessible, printable."""

import re
from datetime import timedelta
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, FilePayload, Page, expect

from tests import standins
from tests.browser.test_every_page import KEPT, RULES
from tests.browser.theatre import SIZES, Complaints, Theatre, tab_to
from tests.standins import png

pytestmark = pytest.mark.browser


@pytest.fixture(autouse=True)
def _quick_films(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tracker.around_films.pipeline", standins)


def told(theatre: Theatre) -> str:
    """A case of which everything is said; returns the address of its page."""
    base = theatre.case(1, 10, 18, 29, 30)
    acts = theatre.service.around
    acts.traction("p1", on=True, at=theatre.service.now() - timedelta(minutes=75))
    acts.labrum("p1", "11:00", "2:30")
    acts.spacing("p1", 9)
    view = acts.view("p1")
    assert view.anchors is not None
    acts.anchor("p1", view.anchors.places[0])
    acts.final("p1", "before repair", 4, 5)
    acts.capsule("p1", "closed in part")
    acts.movement("p1", tested=True)
    acts.films.typed("p1", "before", 41.0, "lateral bony edge")
    acts.films.bring("p1", "after", png(7), "after.png")
    acts.ask_estimates("p1", asked=True)
    theatre.service.add_picture("p1", png(31, noise=9), "006.png")
    return base


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
def test_every_part_is_whole_and_accessible(
    theatre: Theatre, browser: Browser, complaints: Complaints, size: tuple[int, int]
) -> None:
    base = told(theatre)
    page = browser.new_page(viewport={"width": size[0], "height": size[1]})
    page.emulate_media(reduced_motion="reduce")
    complaints.hear(page)
    KEPT.mkdir(parents=True, exist_ok=True)
    for name, path in (("around", "/around"), ("estimate", ""), ("review-around", "/review")):
        page.goto(base + path)
        page.wait_for_load_state("load")
        expect(page.locator("body")).to_have_attribute("data-connection", "live")
        page.evaluate(
            "for (const folded of document.querySelectorAll('details')) folded.open = true"
        )
        page.screenshot(path=KEPT / f"{name}-{size[0]}.png", full_page=True)
        wide = page.evaluate("document.documentElement.scrollWidth")
        assert wide <= size[0], f"{name}: something sticks out to the right"
        found = Axe().run(page, options=RULES)
        assert found.violations_count == 0, f"{name}: {found.generate_report()}"
    page.close()
    assert complaints.said == []


def test_by_mouse(theatre: Theatre, page: Page) -> None:
    page.goto(theatre.case(20, 29, 31))
    page.get_by_role("link", name=re.compile("^Traction, final")).click()
    page.get_by_role("button", name="Traction on").click()
    expect(page.get_by_role("button", name="Traction off")).to_be_visible()
    running = page.locator("#traction .value")
    expect(running).not_to_have_text("0:00")

    page.get_by_label("Detached from").fill("11:00")
    page.get_by_label("to", exact=True).fill("1:00")
    page.locator("#labrum").get_by_role("button", name="Write it down").first.click()
    expect(page.locator("#labrum")).to_contain_text("28 mm")
    page.get_by_label("Your anchors’ spacing, mm").fill("9")
    page.locator("#labrum").get_by_role("button", name="Write it down").nth(1).click()
    places = page.locator(".anchors button")
    expect(places).to_have_count(4)
    places.first.click()
    expect(places.first).to_have_attribute("aria-pressed", "true")
    expect(page.locator(".clock-face .is-in")).to_have_count(1)
    places.first.click()
    expect(places.first).to_have_attribute("aria-pressed", "false")

    page.get_by_role("button", name="Final before repair: save the mean").click()
    expect(page.locator(".final")).to_contain_text("3.0")
    page.get_by_role("button", name="Closed", exact=True).click()
    expect(page.get_by_role("button", name="Closed", exact=True)).to_have_attribute(
        "aria-pressed", "true"
    )
    page.get_by_text("entries, to correct or withdraw").click()
    page.get_by_role("button", name=re.compile("Withdraw “capsule closed”")).click()
    assert theatre.service.case("p1").around.capsule is None


def test_by_keyboard_alone(theatre: Theatre, page: Page) -> None:
    base = theatre.case(29, 31)
    page.goto(base)
    tab_to(page, ".beside a")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name="Around the resection")).to_be_visible()
    tab_to(page, "#traction [name=at]")
    earlier = (theatre.service.now() - timedelta(minutes=61)).astimezone()
    page.keyboard.type(earlier.strftime("%H:%M"))
    page.keyboard.press("Enter")
    expect(page.locator("#traction")).to_contain_text("60 min reached")
    tab_to(page, "[name=when][value='before repair']")
    page.keyboard.press("Enter")
    expect(page.locator(".final-figure")).to_contain_text("3.0")
    tab_to(page, "[name=asked][value=true]")
    page.keyboard.press("Space")
    expect(page.locator("[name=asked][value=true]")).to_have_attribute("aria-pressed", "true")
    theatre.service.add_picture("p1", png(33, noise=8), "003.png")
    page.goto(base)
    expect(page.get_by_text("Your own estimate first")).to_be_visible()
    tab_to(page, "[name=removed_mm]")
    page.keyboard.type("2.5")
    page.keyboard.press("Enter")
    expect(page.locator(".verdict .left")).to_contain_text("0.5")
    page.goto(base + "/review")
    expect(page.locator("svg.eye")).to_be_visible()
    tab_to(page, "a.to-budget[href*='second=1'][href$='budget-removed']", most=120)
    page.keyboard.press("Enter")
    expect(page.locator("#budget-removed")).to_be_visible()
    assert "second=1" in page.url


def test_the_traction_clock_runs_on_glance_from_an_hour_on(theatre: Theatre, page: Page) -> None:
    base = theatre.case(5)
    acts, now = theatre.service.around, theatre.service.now()
    acts.traction("p1", on=True, at=now - timedelta(minutes=59, seconds=57))
    page.goto(base + "/glance")
    clock = page.locator(".traction")
    expect(clock).to_be_hidden()
    expect(clock).to_be_visible()
    expect(clock).to_contain_text("Traction 1:00:0")
    acts.traction("p1", on=False)
    expect(clock).to_have_count(0)


def test_the_film_after_is_marked_by_hand_and_compared(theatre: Theatre, page: Page) -> None:
    page.goto(theatre.case(5) + "/around")
    film = FilePayload(name="after.png", mimeType="image/png", buffer=png(7))
    page.get_by_label("Bring the film after the operation").set_input_files(film)
    page.locator("#films").get_by_role("button", name="Bring it").first.click()
    expect(page.get_by_text("Do these marks lie right?")).to_be_visible()
    expect(page.locator("[data-lcea]")).to_contain_text("41°")
    tab_to(page, '[aria-label="Lateral edge of the roof"]')
    for _ in range(3):
        page.keyboard.press("Shift+ArrowLeft")
    expect(page.locator("[data-lcea]")).not_to_contain_text("41°")
    page.get_by_role("button", name="Looks right: measure with these marks").click()
    expect(page.locator("#films")).to_contain_text("not resolved")
    expect(page.get_by_text("Do these marks lie right?")).to_be_hidden()


def test_a_number_withheld_shows_on_no_open_page(theatre: Theatre, browser: Browser) -> None:
    base = theatre.case(10)
    theatre.service.around.ask_estimates("p1", asked=True)
    wall, desk = browser.new_page(), browser.new_page()
    wall.goto(base + "/glance")
    desk.goto(base + "/review")
    theatre.service.add_picture("p1", png(27, noise=4), "002.png")
    expect(wall.get_by_text("Your own estimate first")).to_be_visible()
    expect(desk.get_by_role("cell", name="Waits for the surgeon's own estimate")).to_be_visible()
    for page in (wall, desk):
        assert "2.7" not in page.inner_text("body")
        assert "1.1 mm left" not in page.inner_text("body")
    theatre.service.around.estimate("p1", 2, 2.0)
    expect(wall.locator(".left .value")).to_have_text("1.1")
    wall.close()
    desk.close()


def test_pictures_that_are_not_registered_lie_side_by_side_as_recorded(
    theatre: Theatre, page: Page
) -> None:
    base = theatre.case(10, 255, 18)
    page.goto(base + "/review?first=2&second=3")
    expect(page.locator("figcaption").first).to_contain_text("as recorded")
    page.locator("[data-key=mode-wipe]").click()
    expect(page.get_by_text("can't be laid over the first one")).to_be_visible()
    page.goto(base + "/review?first=0&second=2")
    expect(page.locator("aside.said")).to_contain_text("Draw burr and scope back")


def test_around_prints_without_its_controls(
    theatre: Theatre, browser: Browser, tmp_path: Path
) -> None:
    base = told(theatre)
    page = browser.new_page()
    for path in ("/around", "/review"):
        page.goto(base + path)
        page.emulate_media(media="print")
        for form in page.locator("form.row, .beside form").all():
            assert not form.is_visible()
        shown = page.inner_text("main")
        assert "closed in part" in shown, path
        assert "2:30" in shown or path == "/around"
        assert page.pdf(format="A4").startswith(b"%PDF")
    page.close()
