"""Review in a browser: the keys, the wipe, the address."""

import pytest
from playwright.sync_api import Page, expect

from tests.browser.theatre import Complaints, Theatre

pytestmark = pytest.mark.browser


def test_keys_step_through_the_pictures_and_the_address_follows(
    theatre: Theatre, page: Page
) -> None:
    page.goto(theatre.case(5, 12, 255, 20) + "/review")
    expect(page.locator("#said")).to_contain_text("Picture 4")
    page.keyboard.press("ArrowLeft")
    expect(page.locator("#said")).to_contain_text("as recorded")
    page.keyboard.press("ArrowLeft")
    expect(page.locator("#said")).to_contain_text("Picture 2")
    page.keyboard.press("Shift+ArrowRight")
    expect(page.locator("[data-key=first-1]")).to_have_attribute("aria-current", "true")
    assert "first=1&second=2&mode=side" in page.url
    page.reload()
    expect(page.locator("#said")).to_contain_text("Picture 2")
    for _ in range(4):
        page.keyboard.press("ArrowRight")
    expect(page.locator("#said")).to_contain_text("Picture 4")


def test_a_choice_keeps_the_focus(theatre: Theatre, page: Page) -> None:
    page.goto(theatre.case(5, 12) + "/review")
    page.locator("[data-key=mode-wipe]").focus()
    page.keyboard.press("Enter")
    expect(page.locator("[data-over=wipe]")).to_be_visible()
    expect(page.locator("[data-key=mode-wipe]")).to_be_focused()


def test_space_changes_the_picture_by_hand(theatre: Theatre, page: Page) -> None:
    page.emulate_media(reduced_motion="reduce")
    page.goto(theatre.case(5, 12) + "/review?mode=blink")
    over = page.locator("[data-over=blink]")
    expect(over).to_have_attribute("data-shows", "upper")
    page.wait_for_timeout(2500)
    expect(over).to_have_attribute("data-shows", "upper")
    page.keyboard.press("Space")
    expect(over).to_have_attribute("data-shows", "under")
    expect(page.locator(".blinking b:visible")).to_contain_text("First picture")


def test_it_blinks_by_itself_until_held(theatre: Theatre, page: Page) -> None:
    page.goto(theatre.case(5, 12) + "/review?mode=blink")
    over = page.locator("[data-over=blink]")
    expect(over).to_have_attribute("data-shows", "under", timeout=3000)
    expect(over).to_have_attribute("data-shows", "upper", timeout=3000)
    page.get_by_role("button", name="Hold still").click()
    held = over.get_attribute("data-shows")
    page.wait_for_timeout(2500)
    expect(over).to_have_attribute("data-shows", held or "")


def test_the_wipe_follows_hand_and_keys(theatre: Theatre, page: Page) -> None:
    page.goto(theatre.case(5, 12) + "/review?mode=wipe")
    box = page.locator(".layers").bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + 50)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] / 4, box["y"] + 50, steps=3)
    page.mouse.up()
    place = page.locator("[data-wipe]")
    assert float(place.input_value()) == pytest.approx(25, abs=1)
    clipped = page.evaluate("getComputedStyle(document.querySelector('.upper')).clipPath")
    assert clipped.startswith("inset(0")
    place.focus()
    page.keyboard.press("ArrowRight")
    assert float(place.input_value()) == pytest.approx(26, abs=1)


def test_the_two_pictures_lie_exactly_over_one_another(theatre: Theatre, page: Page) -> None:
    page.goto(theatre.case(5, 12) + "/review?mode=blink&extent=whole")
    under = page.locator(".layers .under img").bounding_box()
    upper = page.locator(".layers .upper img").bounding_box()
    assert under == upper
    assert under is not None


def test_a_line_over_a_picture_is_held_away(theatre: Theatre, page: Page) -> None:
    page.goto(theatre.case(5, 12) + "/review")
    lines = page.locator(".pair svg").first
    expect(lines).to_be_visible()
    page.keyboard.down("b")
    expect(lines).to_be_hidden()
    page.keyboard.up("b")
    expect(lines).to_be_visible()


def test_a_complaint_would_be_heard(page: Page, complaints: Complaints, theatre: Theatre) -> None:
    page.goto(theatre.address)
    page.evaluate("setTimeout(() => nowhere())")
    page.evaluate("fetch('http://elsewhere.invalid/').catch(() => {})")
    page.wait_for_timeout(300)
    assert any("nowhere is not defined" in said for said in complaints.said)
    assert any("elsewhere.invalid" in said for said in complaints.said)
    complaints.said.clear()
