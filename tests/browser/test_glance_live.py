"""Glance over a real connection: at once, never silently old, start and now without a hand."""

import time
from itertools import pairwise

import pytest
from playwright.sync_api import Browser, Page, expect

from tests import standins
from tests.browser.theatre import Complaints, Theatre

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
    """22 minutes of arc at 3 m are 19.2 mm: 69 px of capital height on a 24 inch screen.

    Digits of the fonts stand at 0.7 of the type's size and more: 99 px of type.
    """
    page = browser.new_page(viewport={"width": 1920, "height": 1080})
    page.goto(theatre.case(34) + "/glance")
    for place in (".left .value", ".left .unit", "p.interval", ".age"):
        size = page.evaluate(
            "s => parseFloat(getComputedStyle(document.querySelector(s)).fontSize)", place
        )
        assert size >= 99, place
    page.close()
