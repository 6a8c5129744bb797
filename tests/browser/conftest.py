"""A browser for the whole session, a quick service for each test."""

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect, sync_playwright

from tests import standins
from tests.browser.theatre import Complaints, Theatre

expect.set_options(timeout=8000)


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    program = shutil.which("chromium") or shutil.which("chromium-browser")
    assert program, "chromium is not on this machine"
    with sync_playwright() as player:
        browser = player.chromium.launch(executable_path=program, args=["--no-sandbox"])
        yield browser
        browser.close()


@pytest.fixture
def theatre(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Theatre]:
    """Pages over a pipeline that measures at once."""
    monkeypatch.setattr("tracker.ledger.pipeline", standins)
    with Theatre(tmp_path / "record") as opened:
        yield opened


@pytest.fixture
def complaints() -> Complaints:
    return Complaints()


@pytest.fixture
def page(browser: Browser, complaints: Complaints) -> Iterator[Page]:
    """A page that may not complain, nor ask anybody else for anything."""
    context = browser.new_context(viewport={"width": 1366, "height": 768}, has_touch=True)
    page = context.new_page()
    complaints.hear(page)
    yield page
    context.close()
    assert complaints.said == []
