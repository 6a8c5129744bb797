"""The service killed under open pages, and screens that lose their connection and come back."""

import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from playwright.sync_api import Browser, Page, expect

from tests import standins
from tests.browser.theatre import Complaints, Theatre
from tests.standins import png

pytestmark = pytest.mark.browser

ROOT = Path(__file__).resolve().parents[2]
LOST_WITHIN_MS = 3000


class Killable:
    """A service that can be killed as a power cut would."""

    def __init__(self, folder: Path) -> None:
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self._port = free.getsockname()[1]
        self.address = f"http://127.0.0.1:{self._port}"
        self._folder = folder
        self.start()

    def start(self) -> None:
        command = [sys.executable, "-m", "tests.browser.served", str(self._folder), str(self._port)]
        self._running = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.DEVNULL)
        until = time.monotonic() + 30
        while True:
            try:
                httpx.get(f"{self.address}/healthz")
                return
            except httpx.HTTPError:
                assert time.monotonic() < until, "it does not start"
                time.sleep(0.05)

    def kill(self) -> None:
        """End it without a word."""
        self._running.send_signal(signal.SIGKILL)
        self._running.wait(timeout=10)

    def bring(self, tenths: int) -> None:
        """Bring a picture as a program does."""
        answer = httpx.post(f"{self.address}/api/cases/p1/pictures", content=png(tenths))
        assert answer.status_code == 201, answer.text


@pytest.fixture
def killable(theatre: Theatre) -> Iterator[Killable]:
    """A record with a case, served by a process of its own."""
    theatre.case(10)
    theatre.stop()
    served = Killable(theatre.folder)
    yield served
    served.kill()
    theatre.start()


def test_a_killed_service_is_seen_within_three_seconds_and_nothing_old_comes_back(
    killable: Killable, page: Page, complaints: Complaints
) -> None:
    page.goto(f"{killable.address}/cases/p1/glance")
    number = page.locator(".left .value")
    expect(number).to_have_text("2.8")
    killable.kill()
    expect(number).to_be_hidden(timeout=LOST_WITHIN_MS)
    expect(page.get_by_text("Connection lost")).to_be_visible()
    killable.start()
    killable.bring(30)
    expect(number).to_have_text("0.8", timeout=8000)
    expect(number).to_be_visible()
    expect(page.get_by_text("Connection lost")).to_be_hidden()
    # What the browser itself says of a lost connection is not a complaint of the page.
    complaints.said[:] = [line for line in complaints.said if "Failed to load" not in line]


def test_a_page_reloaded_while_the_service_is_away_shows_no_number(
    killable: Killable, page: Page, complaints: Complaints
) -> None:
    page.goto(f"{killable.address}/cases/p1/glance")
    killable.kill()
    with pytest.raises(Exception, match="ERR_CONNECTION_REFUSED"):
        page.reload()
    expect(page.locator(".left .value")).to_have_count(0)
    killable.start()
    page.goto(f"{killable.address}/cases/p1/glance")
    expect(page.locator(".left .value")).to_have_text("2.8")
    complaints.said.clear()


def test_two_screens_and_a_third_that_comes_back(theatre: Theatre, browser: Browser) -> None:
    """Each in a browser of its own; what the third missed is there when it is back."""
    address = theatre.case(10) + "/glance"
    contexts = [browser.new_context() for _ in range(3)]
    pages = [context.new_page() for context in contexts]
    numbers = [one.locator(".left .value") for one in pages]
    for one, number in zip(pages, numbers, strict=True):
        one.goto(address)
        expect(number).to_have_text("2.8")
    # What is open stays open: the third hears of the change and can't fetch it.
    contexts[2].set_offline(True)
    theatre.service.add_picture("p1", standins.png(20), "next.png")
    for number in numbers[:2]:
        expect(number).to_have_text("1.8")
    expect(numbers[2]).to_be_hidden(timeout=LOST_WITHIN_MS + 1000)
    theatre.service.add_picture("p1", standins.png(30), "last.png")
    contexts[2].set_offline(False)
    for number in numbers:
        expect(number).to_have_text("0.8")
        expect(number).to_be_visible()
    for context in contexts:
        context.close()
