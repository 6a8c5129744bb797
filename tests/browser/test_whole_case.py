"""A whole case from opening to report: by mouse, by touch, by keyboard alone."""

import re
import time

import pytest
from playwright.sync_api import FileChooser, FilePayload, Page, expect

from tests import standins
from tests.browser.theatre import Theatre, tab_to
from tests.standins import png
from tracker.settings import Settings
from tracker.values import Marks, NotMeasurable, Side, Still

pytestmark = pytest.mark.browser

CHOOSE = "[data-add] input[type=file]"


def picture(tenths: int, name: str) -> FilePayload:
    return FilePayload(name=name, mimeType="image/png", buffer=png(tenths))


def bring(page: Page, file: FilePayload) -> None:
    """Choose a file once the page's script is there to take it."""
    expect(page.locator("body.scripted")).to_be_attached()
    page.set_input_files(CHOOSE, file)


def marked_edge(theatre: Theatre) -> tuple[float, float]:
    marks = theatre.service.case("p1").setup.marks
    assert marks is not None
    return marks.rim_edge_px


def test_by_mouse(theatre: Theatre, page: Page) -> None:
    page.goto(theatre.address)
    page.get_by_label("Pseudonym").fill("p1")
    page.get_by_role("radio", name="LEFT hip").check()
    expect(page.locator("[data-open]")).to_have_text("Open the case: LEFT hip")
    diameter = page.get_by_label("Femoral head, diameter, mm")
    diameter.fill("24.3")
    page.get_by_label("Target LCEA, degrees").fill("33")
    expect(page.get_by_text("A radius is half of that")).to_be_visible()
    diameter.fill("48.6")
    page.get_by_label("Lower limit of LCEA, degrees").fill("25")
    expect(page.get_by_text("A radius is half of that")).to_be_hidden()
    page.locator("[data-open]").click()

    bring(page, picture(0, "000.png"))
    expect(page.get_by_text("Do these marks lie right?")).to_be_visible()
    expect(page.locator("[data-lcea]")).to_contain_text("41°")
    drag_the_edge(page, by=(0, 12))
    expect(page.locator("[data-lcea]")).not_to_contain_text("41°")
    page.get_by_role("button", name="Looks right").click()
    expect(page.get_by_role("heading", name="First picture at")).to_be_visible()
    assert marked_edge(theatre) != pytest.approx(standins.point_at(41.0), abs=1)

    bring(page, picture(1, "zero.png"))
    expect(page.get_by_text("the chain holds on this hip")).to_be_visible()
    bring(page, picture(18, "001.png"))
    expect(page.locator(".verdict .left")).to_contain_text("2.0")
    page.get_by_label("What should be remembered").fill("Bone is soft.")
    page.get_by_role("button", name="Write it down").click()
    expect(page.locator(".notes li")).to_contain_text("Bone is soft.")
    page.get_by_role("link", name="Review").click()
    expect(page.locator(".said .left")).to_contain_text("2.0 mm left (1.5 to 2.5)")
    page.get_by_role("link", name="Report", exact=True).click()
    expect(page.get_by_role("heading", name="Rim resection report")).to_be_visible()
    expect(page.get_by_role("main")).to_contain_text("LEFT hip, case p1")


def drag_the_edge(page: Page, by: tuple[float, float]) -> None:
    """Drag the edge's mark, and look that the lens is there and not under the hand."""
    grip = page.get_by_role("button", name="Lateral edge of the roof").locator(".grip")
    inside = grip.bounding_box()
    assert inside is not None
    x, y = inside["x"] + inside["width"] / 2, inside["y"] + inside["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + by[0], y + by[1], steps=4)
    lens = page.locator(".lens").bounding_box()
    assert lens is not None
    within_x = lens["x"] - 8 <= x + by[0] <= lens["x"] + lens["width"] + 8
    within_y = lens["y"] - 8 <= y + by[1] <= lens["y"] + lens["height"] + 8
    assert not (within_x and within_y)
    page.mouse.up()
    expect(page.locator(".lens")).to_be_hidden()


def drag_the_edge_by_finger(page: Page, by: tuple[float, float]) -> None:
    """Drag the edge's mark with one finger, and look that the lens keeps clear of it."""
    inside = page.get_by_role("button", name="Lateral edge of the roof").locator(".grip")
    inside.scroll_into_view_if_needed()
    box = inside.bounding_box()
    assert box is not None
    assert min(box["width"], box["height"]) >= 44  # CSS pixels: a gloved finger
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    finger = page.context.new_cdp_session(page)

    def touch(kind: str, *points: tuple[float, float]) -> None:
        places = [{"x": px, "y": py} for px, py in points]
        finger.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": places})

    touch("touchStart", (x, y))
    for part in (0.25, 0.5, 0.75, 1.0):
        touch("touchMove", (x + by[0] * part, y + by[1] * part))
    lens = page.locator(".lens").bounding_box()
    assert lens is not None
    inside_x = lens["x"] - 8 <= x + by[0] <= lens["x"] + lens["width"] + 8
    inside_y = lens["y"] - 8 <= y + by[1] <= lens["y"] + lens["height"] + 8
    assert not (inside_x and inside_y)
    touch("touchEnd")
    expect(page.locator(".lens")).to_be_hidden()


def test_by_keyboard_alone(theatre: Theatre, page: Page) -> None:
    page.goto(theatre.address)
    tab_to(page, "[name=id]")
    page.keyboard.type("p1")
    tab_to(page, "[name=side]")
    page.keyboard.press("ArrowRight")
    expect(page.locator("[data-open]")).to_have_text("Open the case: LEFT hip")
    for name, text in (
        ("target_lcea_deg", "33"),
        ("floor_lcea_deg", "25"),
        ("head_diameter_mm", "48.6"),
    ):
        tab_to(page, f"[name={name}]")
        page.keyboard.type(text)
    tab_to(page, "[data-open]")
    page.keyboard.press("Enter")
    expect(page.get_by_text("Bring the first picture")).to_be_visible()

    bring_by_keyboard(page, picture(0, "000.png"))
    before = page.locator("input[name=edge_x]").input_value()
    tab_to(page, '[aria-label="Lateral edge of the roof"]')
    page.keyboard.press("ArrowLeft")
    assert float(page.locator("input[name=edge_x]").input_value()) == float(before) - 1
    page.keyboard.press("Shift+ArrowRight")
    assert float(page.locator("input[name=edge_x]").input_value()) == float(before) + 9
    tab_to(page, "[data-agree]")
    expect(page.locator("[data-agree]")).to_be_enabled()
    page.keyboard.press("Enter")
    expect(page.get_by_text("Next: the zero picture")).to_be_visible()
    tab_to(page, "[value='no zero']")
    page.keyboard.press("Enter")
    expect(page.get_by_text("Ready for the first pass")).to_be_visible()
    bring_by_keyboard(page, picture(12, "001.png"))
    bring_by_keyboard(page, picture(255, "002.png"))
    expect(page.get_by_text("Draw burr and scope back")).to_be_visible()
    tab_to(page, "[value='look at']")
    page.keyboard.press("Enter")
    expect(page.get_by_text("Kept to look at")).to_be_visible()
    bring_by_keyboard(page, picture(20, "003.png"))
    expect(page.locator(".verdict .left")).to_contain_text("1.8")

    tab_to(page, "nav a[href$=review]")
    page.keyboard.press("Enter")
    expect(page.locator(".said .left")).to_contain_text("1.8 mm left")
    page.wait_for_load_state("load")
    for _ in range(2):
        page.keyboard.press("ArrowLeft")
        page.wait_for_timeout(300)
    expect(page.locator(".said .left")).to_contain_text("2.6 mm left")
    page.keyboard.press("Space")
    expect(page.locator(".is-blink")).to_be_visible()
    assert re.search(r"first=0&second=1&mode=blink", page.url)
    tab_to(page, "nav a[href$=report]")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name="Rim resection report")).to_be_visible()


def bring_by_keyboard(page: Page, file: FilePayload) -> None:
    chooser = file_dialog(page)
    before = page.locator("#live").get_attribute("data-seen")
    chooser.set_files(file)
    expect(page.locator("#live")).not_to_have_attribute("data-seen", before or "")
    expect(page.locator("body")).not_to_have_class(re.compile("is-sending"))


def file_dialog(page: Page) -> FileChooser:
    """Open the file dialog by keyboard."""
    tab_to(page, CHOOSE)
    with page.expect_file_chooser() as chooser:
        page.keyboard.press("Space")
    return chooser.value


def test_a_key_that_is_down_while_the_page_renews_itself_is_not_lost(
    theatre: Theatre, page: Page
) -> None:
    page.goto(theatre.case(5))
    page.wait_for_load_state("load")
    page.get_by_role("button", name="Repair", exact=True).focus()
    page.keyboard.down("Space")
    theatre.service.add_picture("p1", png(12), "elsewhere.png")
    expect(page.get_by_role("heading", name="Picture 2 at")).to_be_visible()
    page.keyboard.up("Space")
    expect(page.get_by_role("button", name="Repair", exact=True)).to_have_attribute(
        "aria-pressed", "true"
    )
    assert theatre.service.case("p1").phase == "repair"


def test_by_touch(theatre: Theatre, page: Page) -> None:
    page.goto(theatre.address)
    page.get_by_label("Pseudonym").fill("p1")
    page.get_by_role("radio", name="LEFT hip").tap()
    page.get_by_label("Target LCEA, degrees").fill("33")
    page.get_by_label("Lower limit of LCEA, degrees").fill("25")
    page.get_by_label("Femoral head, diameter, mm").fill("48.6")
    page.locator("[data-open]").tap()
    bring(page, picture(0, "000.png"))
    drag_the_edge_by_finger(page, by=(0, 14))
    expect(page.locator("[data-lcea]")).not_to_contain_text("41°")
    page.get_by_text("Rim fragment, ossicle or calcified labrum").tap()
    page.get_by_role("radio", name="without it").tap()
    expect(page.get_by_label("It is")).to_be_visible()
    page.get_by_role("button", name="Looks right: LEFT hip").tap()
    page.get_by_role("button", name="Go on without a zero picture").tap()
    assert theatre.service.case("p1").agreement.beside.how == "without"
    bring(page, picture(45, "001.png"))
    expect(page.locator(".verdict .left")).to_contain_text("mm past the plan")
    page.get_by_role("button", name="Take picture 1 back").tap()
    expect(page.get_by_text("Ready for the first pass")).to_be_visible()
    page.get_by_role("button", name="Close the case").tap()
    expect(page.get_by_text("The case is closed.")).to_be_visible()
    assert theatre.service.case("p1").log.closed
    page.get_by_role("link", name="Report", exact=True).tap()
    expect(page.get_by_role("heading", name="Rim resection report")).to_be_visible()
    expect(page.get_by_role("main")).to_contain_text(", closed;")


def test_what_is_in_the_hand_outlives_a_picture_that_comes_in_elsewhere(
    theatre: Theatre, page: Page
) -> None:
    """An open file dialog, a note half written and the focus stay when the page renews itself."""
    page.goto(theatre.case(5))
    page.wait_for_load_state("load")
    note = page.get_by_label("What should be remembered")
    note.fill("Half a sen")
    note.focus()
    with page.expect_file_chooser() as chooser:
        page.locator(CHOOSE).click()
    note.focus()
    theatre.service.add_picture("p1", png(12), "elsewhere.png")
    expect(page.get_by_role("heading", name="Picture 2 at")).to_be_visible()
    expect(note).to_have_value("Half a sen")
    expect(note).to_be_focused()
    chooser.value.set_files(picture(20, "mine.png"))
    expect(page.get_by_role("heading", name="Picture 3 at")).to_be_visible()


def test_marks_are_shown_once_they_are_proposed_however_long_that_takes(
    theatre: Theatre, page: Page, monkeypatch: pytest.MonkeyPatch
) -> None:
    quick = standins.propose_marks

    def slow(still: Still, side: Side, settings: Settings) -> Marks | NotMeasurable:
        time.sleep(2.5)
        return quick(still, side, settings)

    monkeypatch.setattr(standins, "propose_marks", slow)
    theatre.service.open_case(standins.setup())
    page.goto(f"{theatre.address}/cases/p1")
    bring(page, picture(0, "000.png"))
    expect(page.get_by_text("Looking for head, edge and level")).to_be_visible()
    expect(page.get_by_text("Do these marks lie right?")).to_be_visible()
    expect(page.locator("[data-lcea]")).to_contain_text("41°")
