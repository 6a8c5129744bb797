"""Every page at three sizes: readable by machine and eye, nothing cut off; pictures are kept."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page

from tests.browser.theatre import SIZES, Complaints, Theatre

pytestmark = pytest.mark.browser

ROOT = Path(__file__).resolve().parents[2]
KEPT = ROOT / "build" / "screenshots"

PAGES = {
    "cases": "/",
    "pictures": "/cases/demo",
    "glance": "/cases/demo/glance",
    "review": "/cases/demo/review",
    "review-blink": "/cases/demo/review?mode=blink",
    "review-wipe": "/cases/demo/review?mode=wipe",
    "review-outlines": "/cases/demo/review?mode=passes",
    "report": "/cases/demo/report",
    "not-there": "/nowhere",
}
RULES = {
    "resultTypes": ["violations"],
    # Contrast is asked for at 7:1, which axe counts among the strictest.
    "rules": {"color-contrast-enhanced": {"enabled": True}},
}


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Theatre]:
    """The demo case, measured for once by the real pipeline."""
    with Theatre(tmp_path_factory.mktemp("record")) as theatre:
        list(theatre.service.import_folder(ROOT / "demo_frames" / "case"))
        yield theatre


@pytest.fixture(params=SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
def screen(
    browser: Browser, complaints: Complaints, request: pytest.FixtureRequest
) -> Iterator[Page]:
    width, height = request.param
    page = browser.new_page(viewport={"width": width, "height": height})
    page.emulate_media(reduced_motion="reduce")
    complaints.hear(page)
    yield page
    page.close()


@pytest.mark.parametrize("name", PAGES)
def test_a_page_is_whole_and_accessible(
    demo: Theatre, screen: Page, name: str, complaints: Complaints
) -> None:
    screen.goto(demo.address + PAGES[name])
    screen.wait_for_load_state("load")
    size = screen.viewport_size
    assert size is not None
    KEPT.mkdir(parents=True, exist_ok=True)
    screen.screenshot(path=KEPT / f"{name}-{size['width']}.png", full_page=name != "glance")

    wide = screen.evaluate("document.documentElement.scrollWidth")
    assert wide <= size["width"], "something sticks out to the right"
    found = Axe().run(screen, options=RULES)
    assert found.violations_count == 0, found.generate_report()
    expected = 1 if name == "not-there" else 0
    assert len(complaints.said) == expected, complaints.said


def test_glance_cuts_nothing_off(demo: Theatre, screen: Page) -> None:
    screen.goto(demo.address + PAGES["glance"])
    size = screen.viewport_size
    assert size is not None
    assert screen.evaluate("document.documentElement.scrollHeight") <= size["height"]
    for place in (".who", ".left .value", "p.interval", ".message", ".age", ".caution"):
        box = screen.locator(place).bounding_box()
        assert box is not None, place
        assert box["x"] >= 0, place
        assert box["x"] + box["width"] <= size["width"] + 1, place
        assert box["y"] + box["height"] <= size["height"] + 1, place


def test_review_prints_without_its_controls(demo: Theatre, browser: Browser) -> None:
    page = browser.new_page()
    page.goto(demo.address + PAGES["review"])
    page.emulate_media(media="print")
    for control in ("nav", ".choices", ".passes", ".judge"):
        for one in page.locator(control).all():
            assert not one.is_visible(), control
    assert page.locator(".numbers table").is_visible()
    assert page.locator(".caution").is_visible()
    printed = page.pdf(format="A4", print_background=False)
    assert printed.startswith(b"%PDF")
    page.close()
