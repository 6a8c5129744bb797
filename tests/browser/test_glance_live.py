"""Glance over a real connection: at once, never silently old, start and now without a hand."""

import math
import time
from itertools import pairwise

import pytest
from playwright.sync_api import Browser, Page, expect

from tests import standins
from tests.browser.theatre import Complaints, Theatre
from tracker.service import Terms

pytestmark = pytest.mark.browser

LOST_WITHIN_MS = 3000


def test_a_new_picture_is_there_at_once_on_every_screen(
    theatre: Theatre, browser: Browser, page: Page
) -> None:
    address = theatre.case(10) + "/glance"
    pages = [page, browser.new_page(), browser.new_page()]
    for one in pages:
        one.goto(address)
        expect(one.locator(".left .value")).to_have_text("2.8")
    theatre.service.add_picture("p1", standins.png(30), "next.png")
    for one in pages:
        expect(one.locator(".left .value")).to_have_text("0.8", timeout=2000)
    for one in pages[1:]:
        one.close()


def test_a_stopped_service_takes_the_number_away_and_a_started_one_brings_it_back(
    theatre: Theatre, page: Page, complaints: Complaints
) -> None:
    page.goto(theatre.case(10) + "/glance")
    number = page.locator(".left .value")
    expect(number).to_be_visible()
    theatre.stop()
    expect(number).to_be_hidden(timeout=LOST_WITHIN_MS)
    expect(page.get_by_text("Connection lost")).to_be_visible()
    expect(page.locator(".age")).to_be_hidden()
    theatre.start()
    expect(number).to_be_visible(timeout=6000)
    expect(page.get_by_text("Connection lost")).to_be_hidden()
    theatre.service.add_picture("p1", standins.png(30), "next.png")
    expect(number).to_have_text("0.8")
    # What the browser itself says of a lost connection is not a complaint of the page.
    complaints.said[:] = [line for line in complaints.said if "Failed to load" not in line]


def test_a_closed_case_and_a_wrong_outline_take_the_number_away(
    theatre: Theatre, page: Page
) -> None:
    page.goto(theatre.case(10) + "/glance")
    number = page.locator(".left .value")
    expect(number).to_be_visible()
    theatre.service.judge_outline("p1", 1, wrong=True)
    expect(number).to_have_count(0, timeout=LOST_WITHIN_MS)
    theatre.service.judge_outline("p1", 1, wrong=False)
    expect(number).to_be_visible(timeout=LOST_WITHIN_MS)
    theatre.service.close_case("p1")
    expect(number).to_have_count(0, timeout=LOST_WITHIN_MS)
    expect(page.get_by_role("heading", name="Case closed")).to_be_visible()


def test_start_and_now_take_turns_slowly_and_without_a_hand(theatre: Theatre, page: Page) -> None:
    page.goto(theatre.case(10) + "/glance")
    start = page.locator("img.start")
    seen = [opacity(page)]
    until = time.monotonic() + 8
    while time.monotonic() < until:
        page.wait_for_timeout(100)
        seen.append(opacity(page))
    turns = sum(a < 0.5 <= b or b < 0.5 <= a for a, b in pairwise(seen))
    assert 2 <= turns <= 3  # in 8 s: far under three changes a second
    now = page.locator(".rim .picture > img:not(.start)").bounding_box()
    assert start.bounding_box() == now


def opacity(page: Page) -> float:
    return float(page.evaluate("getComputedStyle(document.querySelector('img.start')).opacity"))


def test_nothing_moves_where_motion_is_not_wanted(theatre: Theatre, page: Page) -> None:
    page.emulate_media(reduced_motion="reduce")
    page.goto(theatre.case(10) + "/glance")
    for _ in range(12):
        page.wait_for_timeout(500)
        assert opacity(page) == 0
    page.keyboard.down("s")
    assert opacity(page) == 1
    page.keyboard.up("s")
    assert opacity(page) == 0


def test_held_still_it_stays_so_over_a_reload_and_a_new_picture(
    theatre: Theatre, page: Page
) -> None:
    page.goto(theatre.case(10) + "/glance")
    page.get_by_role("button", name="Hold still").click()
    page.reload()
    expect(page.locator(".left .value")).to_have_text("2.8")
    theatre.service.add_picture("p1", standins.png(30), "next.png")
    expect(page.locator(".left .value")).to_have_text("0.8")
    expect(page.get_by_role("button", name="Start and now take turns")).to_be_visible()
    page.wait_for_timeout(5000)
    assert opacity(page) == 0


def test_full_screen_is_one_key(theatre: Theatre, page: Page) -> None:
    page.goto(theatre.case(10) + "/glance")
    page.keyboard.press("f")
    page.wait_for_function("document.fullscreenElement !== null")
    expect(page.locator("nav")).to_be_hidden()
    page.keyboard.press("f")
    page.wait_for_function("document.fullscreenElement === null")


def test_the_number_is_large_enough_at_three_metres(theatre: Theatre, browser: Browser) -> None:
    """What is left, its interval and the age: 22 minutes of arc; the message: the least, 16.

    The height is that of a digit, or of a capital, as the browser draws it.
    """
    page = browser.new_page(viewport={"width": 1920, "height": 1080})
    page.goto(theatre.case(34) + "/glance")
    for place in (".left .value", ".left .unit", "p.interval", ".age"):
        assert arc_minutes(page, place) >= 22, place
    assert arc_minutes(page, ".message") >= 16
    page.close()


SCREEN_24_INCH_MM_PER_PX = 0.2768
"""24 inches across, 1920 x 1080 pixels."""


def arc_minutes(page: Page, place: str, distance_mm: float = 3000.0) -> float:
    """Return under which angle a character of this place is seen: h = 2 d tan(a/2)."""
    height_px = page.evaluate(
        """place => {
            const style = getComputedStyle(document.querySelector(place));
            const pen = document.createElement("canvas").getContext("2d");
            pen.font = `${style.fontWeight} ${style.fontSize} ${style.fontFamily}`;
            const tall = ["0", "M"].map((one) => pen.measureText(one).actualBoundingBoxAscent);
            return Math.min(...tall);
        }""",
        place,
    )
    height_mm = float(height_px) * SCREEN_24_INCH_MM_PER_PX
    return math.degrees(2 * math.atan(height_mm / 2 / distance_mm)) * 60


def test_the_arc_is_that_of_the_published_sizes() -> None:
    """19.20 mm at 3.0 m are 22 minutes (geometry)."""
    assert math.degrees(2 * math.atan(19.20 / 2 / 3000)) * 60 == pytest.approx(22, abs=0.01)


def test_a_screen_that_was_away_shows_what_it_missed(
    theatre: Theatre, browser: Browser, page: Page, complaints: Complaints
) -> None:
    address = theatre.case(10) + "/glance"
    page.goto(address)
    away = browser.new_context()
    other = away.new_page()
    other.goto(address)
    for one in (page, other):
        expect(one.locator(".left .value")).to_have_text("2.8")
    away.set_offline(True)
    # The switch leaves an open stream alone: it is closed as a lost network would.
    other.evaluate("dispatchEvent(new Event('pagehide'))")
    expect(other.locator(".left .value")).to_be_hidden(timeout=LOST_WITHIN_MS)
    theatre.service.add_picture("p1", standins.png(30), "next.png")
    expect(page.locator(".left .value")).to_have_text("0.8")
    away.set_offline(False)
    other.reload()
    expect(other.locator(".left .value")).to_have_text("0.8")
    away.close()


def test_a_rehearsal_is_seen_as_one_and_gives_way_to_the_case(theatre: Theatre, page: Page) -> None:
    theatre.service.open_case(standins.setup())
    page.goto(f"{theatre.address}/cases/p1/glance")
    theatre.service.agreeing.begin_rehearsal("p1")
    expect(page.get_by_role("heading", name="Rehearsal, not a case")).to_be_visible()
    theatre.service.add_picture("p1", standins.png(40), "test.png")
    expect(page.get_by_text("test.png came at")).to_be_visible(timeout=LOST_WITHIN_MS)
    expect(page.locator(".test img")).to_be_visible()
    assert arc_minutes(page, ".band") >= 22 * 768 / 1080
    theatre.service.add_picture("p1", standins.png(0), "000.png")
    expect(page.get_by_text("Marks to agree on Pictures")).to_be_visible(timeout=LOST_WITHIN_MS)
    expect(page.locator(".band")).to_have_count(0)


def test_numbers_that_are_recorded_only_are_not_on_the_wall(theatre: Theatre, page: Page) -> None:
    theatre.service.agreeing.say_terms(
        theatre.service.open_case(standins.setup()).row.id, Terms(numbers="recorded only")
    )
    theatre.service.add_picture("p1", standins.png(0), "000.png")
    theatre.service.accept_proposed("p1")
    page.goto(f"{theatre.address}/cases/p1/glance")
    theatre.service.add_picture("p1", standins.png(18), "001.png")
    expect(page.get_by_role("heading", name="Picture taken in and usable")).to_be_visible()
    expect(page.locator(".left")).to_have_count(0)
