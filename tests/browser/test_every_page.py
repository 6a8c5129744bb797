"""Every page at three sizes: readable by machine and eye, nothing cut off; pictures are kept."""

from collections.abc import Iterator
from io import BytesIO
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page
from pypdf import PdfReader

from tests import standins
from tests.browser.theatre import SIZES, Complaints, Theatre
from tracker.service import Terms

pytestmark = pytest.mark.browser

ROOT = Path(__file__).resolve().parents[2]
KEPT = ROOT / "build" / "screenshots"

PAGES = {
    "cases": "/",
    "pictures": "/cases/demo",
    "glance": "/cases/demo/glance",
    "card": "/cases/demo/card",
    "marks": "/cases/demo?marks=again",
    "around": "/cases/demo/around",
    "review": "/cases/demo/review",
    "review-blink": "/cases/demo/review?mode=blink",
    "review-wipe": "/cases/demo/review?mode=wipe",
    "review-outlines": "/cases/demo/review?mode=passes",
    "report": "/cases/demo/report",
    "many-cases": "/cohort?cases=all",
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


BEFORE = {
    "first": ("pictures-first", ""),
    "rehearsal": ("rehearsal", ""),
    "rehearsal on the wall": ("rehearsal-glance", "/glance"),
}


@pytest.mark.parametrize("name", BEFORE)
def test_a_page_before_the_first_picture_is_whole_and_accessible(
    theatre: Theatre, screen: Page, name: str, complaints: Complaints
) -> None:
    plan = {"depth_mm": 3.0}
    theatre.service.open_hip(
        {
            "id": "p1",
            "side": "left",
            "view": "AP",
            "scale": {"head_diameter_mm": 48.6},
            "plan": {"target_lcea_deg": 33.0, "floor_lcea_deg": 25.0},
        },
        Terms(),
        {"oblique": plan, "false-profile": plan},
    )
    if name != "first":
        theatre.service.agreeing.begin_rehearsal("p1")
        theatre.service.add_picture("p1", standins.png(40), "test.png")
    file, place = BEFORE[name]
    screen.goto(f"{theatre.address}/cases/p1{place}")
    screen.wait_for_load_state("load")
    size = screen.viewport_size
    assert size is not None
    KEPT.mkdir(parents=True, exist_ok=True)
    screen.screenshot(path=KEPT / f"{file}-{size['width']}.png", full_page=not place)
    assert screen.evaluate("document.documentElement.scrollWidth") <= size["width"]
    found = Axe().run(screen, options=RULES)
    assert found.violations_count == 0, found.generate_report()
    assert complaints.said == []


def test_the_theatre_card_is_one_sheet(theatre: Theatre, browser: Browser) -> None:
    plan = {"depth_mm": 3.0, "max_depth_mm": 4.0}
    theatre.service.open_hip(
        {
            "id": "p" * 40,
            "side": "right",
            "view": "AP",
            "scale": {"head_diameter_mm": 48.6},
            "plan": {
                "target_lcea_deg": 33.0,
                "floor_lcea_deg": 25.0,
                "depth_mm": 3.0,
                "max_depth_mm": 4.0,
                "clock": ["11:00", "2:00"],
            },
        },
        Terms(),
        {"oblique": plan, "false-profile": plan},
    )
    page = browser.new_page()
    page.goto(f"{theatre.address}/cases/{'p' * 40}/card")
    sheets = PdfReader(BytesIO(page.pdf(format="A4", print_background=False))).pages
    assert len(sheets) == 1
    said = " ".join(sheets[0].extract_text().split())
    for word in ("RIGHT hip", "Zero picture", "Park and mark", "medical device"):
        assert word in said, word
    page.close()


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
