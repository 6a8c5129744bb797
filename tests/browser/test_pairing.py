"""Another device is paired by keyboard, works within its role, and is sent away."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from argon2 import PasswordHasher
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, BrowserContext, FilePayload, Page, expect
from starlette.types import Scope

from tests import standins
from tests.browser.test_every_page import KEPT, RULES
from tests.browser.theatre import SIZES, Complaints, Theatre, tab_to
from tracker import pairing
from tracker.service import DeviceRole
from web.access import LOOPBACK, Door, comes_from_here

pytestmark = pytest.mark.browser


@pytest.fixture
def shared(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Theatre]:
    """Pages for other machines too; whoever does not say otherwise comes from one."""
    monkeypatch.setattr("tracker.ledger.pipeline", standins)
    quick = PasswordHasher(time_cost=1, memory_cost=64, parallelism=1)
    monkeypatch.setattr(pairing, "_HASHER", quick)
    here = b"x-here"

    def is_here(scope: Scope) -> bool:
        headers = dict(scope["headers"])
        return here in headers and comes_from_here(scope)

    door = Door(LOOPBACK, is_shared=True, is_here=is_here)
    with Theatre(tmp_path / "record", door) as opened:
        opened.case(10)
        yield opened


@pytest.fixture
def machine(browser: Browser) -> Iterator[Page]:
    """The browser on the machine that serves the pages."""
    context = browser.new_context(extra_http_headers={"X-Here": "yes"})
    yield context.new_page()
    context.close()


def another(browser: Browser) -> BrowserContext:
    return browser.new_context(viewport={"width": 1366, "height": 768})


def code(theatre: Theatre, role: DeviceRole) -> str:
    return theatre.service.gate.new_code(role).shown


def test_a_wall_screen_is_paired_by_keyboard_and_shows_the_number(
    shared: Theatre, page: Page
) -> None:
    page.goto(f"{shared.address}/cases/p1/glance")
    expect(page.get_by_role("heading", name="Pair this device")).to_be_visible()
    expect(page.get_by_label("Code")).to_be_focused()
    page.keyboard.type(code(shared, "look"))
    page.keyboard.press("Tab")
    page.keyboard.type("Wall screen")
    page.keyboard.press("Enter")
    expect(page.locator(".left .value")).to_have_text("2.8")
    (session,) = shared.service.gate.live_sessions()
    assert (session.device, session.role) == ("Wall screen", "look")
    shared.service.add_picture("p1", standins.png(30), "next.png")
    expect(page.locator(".left .value")).to_have_text("0.8")
    expect(page.get_by_role("link", name="Pictures")).to_have_count(0)


def test_a_wrong_code_is_said_and_the_name_stays(
    shared: Theatre, page: Page, complaints: Complaints
) -> None:
    page.goto(f"{shared.address}/pair")
    right = code(shared, "theatre")
    wrong = "0000 0000" if right != "0000 0000" else "1111 1111"
    expect(page.get_by_label("Code")).to_be_focused()
    page.keyboard.type(wrong)
    page.keyboard.press("Tab")
    page.keyboard.type("Laptop")
    page.keyboard.press("Enter")
    expect(page.get_by_role("alert")).to_contain_text("4 more tries")
    expect(page.get_by_label("What this device is called")).to_have_value("Laptop")
    expect(page.get_by_label("Code")).to_be_focused()
    page.keyboard.type(right)
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name="Open a case")).to_be_visible()
    # The browser notes the status of the wrong try.
    complaints.said[:] = [line for line in complaints.said if "401" not in line]


def pair(page: Page, theatre: Theatre, role: DeviceRole, name: str) -> None:
    page.goto(f"{theatre.address}/pair")
    page.get_by_label("Code").fill(code(theatre, role))
    page.get_by_label("What this device is called").fill(name)
    page.get_by_role("button", name="Pair this device").click()
    expect(page.get_by_role("heading", name="Pair this device")).to_have_count(0)


def test_a_paired_laptop_brings_pictures_and_the_paired_wall_shows_them(
    shared: Theatre, page: Page, browser: Browser
) -> None:
    context = another(browser)
    wall = context.new_page()
    pair(wall, shared, "look", "Wall")
    expect(wall.locator(".left .value")).to_have_text("2.8")
    pair(page, shared, "theatre", "Laptop")
    page.goto(f"{shared.address}/cases/p1")
    expect(page.locator("body.scripted")).to_be_attached()
    picture = FilePayload(name="002.png", mimeType="image/png", buffer=standins.png(20))
    page.set_input_files("[data-add] input[type=file]", picture)
    expect(page.get_by_role("heading", name="Picture 2 at")).to_be_visible()
    expect(wall.locator(".left .value")).to_have_text("1.8")
    page.get_by_label("What should be remembered").fill("From the laptop")
    page.get_by_role("button", name="Write it down").click()
    expect(page.locator(".notes li")).to_contain_text("From the laptop")
    context.close()


def test_the_wall_takes_a_wrong_number_off_every_screen_and_can_not_bring_it_back(
    shared: Theatre, page: Page, browser: Browser
) -> None:
    context = another(browser)
    laptop = context.new_page()
    pair(laptop, shared, "theatre", "Laptop")
    laptop.goto(f"{shared.address}/cases/p1/glance")
    pair(page, shared, "look", "Wall")
    page.get_by_role("button", name="Outline looks wrong").click()
    for one in (page, laptop):
        expect(one.locator(".left .value")).to_have_count(0)
    expect(page.get_by_role("button", name="Outline is right after all")).to_be_hidden()
    laptop.get_by_role("button", name="Outline is right after all").click()
    expect(page.locator(".left .value")).to_be_visible()
    context.close()


def test_a_device_that_is_sent_away_shows_no_number_within_three_seconds(
    shared: Theatre, page: Page, machine: Page
) -> None:
    pair(page, shared, "look", "Wall")
    expect(page.locator(".left .value")).to_have_text("2.8")
    machine.goto(f"{shared.address}/devices")
    tab_to(machine, "[aria-label='Send Wall away']")
    machine.keyboard.press("Enter")
    expect(page.locator(".left .value")).to_have_count(0, timeout=3000)
    expect(page.get_by_role("heading", name="Pair this device")).to_be_visible()
    expect(page.get_by_label("Code")).to_be_focused()
    page.keyboard.type(code(shared, "look"))
    page.keyboard.press("Enter")
    expect(page.locator(".left .value")).to_have_text("2.8")


def test_the_machine_s_page_makes_codes_by_keyboard(shared: Theatre, machine: Page) -> None:
    machine.goto(f"{shared.address}/pair")
    expect(machine.get_by_role("heading", name="Devices")).to_be_visible()
    tab_to(machine, "button[value=look]")
    machine.keyboard.press("Enter")
    shown = machine.locator(".codes .code")
    expect(shown).to_have_count(1)
    admitted = shared.service.gate.pair(shown.inner_text(), "x")
    assert admitted.session.role == "look"


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
def test_pages_about_devices_are_whole_and_accessible(
    shared: Theatre, browser: Browser, size: tuple[int, int], complaints: Complaints
) -> None:
    for name in ("Wall screen, theatre 3", "Laptop of the theatre"):
        shared.service.gate.pair(code(shared, "look"), name)
    KEPT.mkdir(parents=True, exist_ok=True)
    view = {"width": size[0], "height": size[1]}
    for page_name, path, headers in (
        ("pair", "/pair", {}),
        ("devices", "/devices", {"X-Here": "yes"}),
    ):
        context = browser.new_context(viewport=view, extra_http_headers=headers)  # type: ignore[arg-type]
        page = context.new_page()
        complaints.hear(page)
        page.goto(shared.address + path)
        if page_name == "devices":
            for role in ("theatre", "look"):
                page.locator(f"button[value={role}]").click()
        page.screenshot(path=KEPT / f"{page_name}-{size[0]}.png", full_page=True)
        assert page.evaluate("document.documentElement.scrollWidth") <= size[0]
        found = Axe().run(page, options=RULES)
        assert found.violations_count == 0, found.generate_report()
        context.close()
    assert complaints.said == []
