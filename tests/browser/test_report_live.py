"""The report in a browser: from Review by mouse and by keyboard, its files, its pictures."""

import json
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from tests.browser.theatre import Theatre, tab_to

pytestmark = pytest.mark.browser


def test_from_review_to_the_report_and_its_files(theatre: Theatre, page: Page) -> None:
    page.goto(theatre.case(8, 255, 18) + "/review")
    page.get_by_role("link", name="Report of this case").click()
    expect(page.get_by_role("heading", name="Rim resection report")).to_be_visible()
    expect(page.locator(".for-note > p").first).to_contain_text(
        "Removed at the lateral edge 1.8 mm"
    )
    files = page.get_by_role("list", name="The same as files")
    for name, begins in (("PDF", b"%PDF-1.7"), ("CSV", b"key,picture"), ("JSON", b"{")):
        with page.expect_download() as started:
            files.get_by_role("link", name=name, exact=True).click()
        data = Path(started.value.path()).read_bytes()
        assert data.startswith(begins)
        assert started.value.suggested_filename == f"p1 report.{name.lower()}"
    shown = page.locator("[data-key='final.removed_mm']").first
    plain = json.loads(data)["numbers"]["final.removed_mm"]["value"]
    assert float(shown.get_attribute("value") or "nan") == plain


def test_every_picture_of_the_report_is_seen_with_its_lines_over_it(
    theatre: Theatre, page: Page
) -> None:
    page.goto(theatre.case(8, 255, 18) + "/report")
    page.wait_for_load_state("networkidle")
    sizes = page.evaluate(
        "[...document.querySelectorAll('.report .picture')].map(one => {"
        "const img = one.querySelector('img'), svg = one.querySelector('svg');"
        "const a = img.getBoundingClientRect(), b = svg ? svg.getBoundingClientRect() : a;"
        "return [img.naturalWidth, a.width, a.height, b.width, b.height]})"
    )
    assert len(sizes) == 2 + 2 + 1
    for natural, width, height, over_width, over_height in sizes:
        assert natural > 0
        assert (over_width, over_height) == (
            pytest.approx(width, abs=1),
            pytest.approx(height, abs=1),
        )


def test_the_keyboard_reaches_the_files(theatre: Theatre, page: Page) -> None:
    page.goto(theatre.case(8) + "/report")
    tab_to(page, "a[href$='report.pdf']")
    with page.expect_download() as started:
        page.keyboard.press("Enter")
    assert Path(started.value.path()).read_bytes().startswith(b"%PDF")
