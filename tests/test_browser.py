"""The pages in a real browser: they load whole, and their scripts make no complaint."""

import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
import uvicorn

from tests import phantom_case
from tracker.service import Service
from tracker.values import CAUTION, VIEW_LIMIT
from web.app import create_app

pytestmark = pytest.mark.browser

PAGES = ("", "cases/phantom", "cases/phantom/glance", "cases/phantom/review")
OPTIONS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--enable-logging=stderr", "--timeout=5000", "--window-size=1920,1080",
)  # fmt: skip


@dataclass(frozen=True)
class Seen:
    """What a browser made of a page: its document, and what its console said."""

    document: str
    console: list[str]


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Serve a phantom case on a free port."""
    folder = tmp_path_factory.mktemp("browser")
    case = phantom_case.write(folder / "case")
    with Service(folder / "record") as service, socket.socket() as listener:
        list(service.import_folder(case.folder))
        listener.bind(("127.0.0.1", 0))
        server = uvicorn.Server(
            uvicorn.Config(create_app(service), log_level="error", timeout_graceful_shutdown=1)
        )
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]})
        thread.start()
        while not server.started:
            time.sleep(0.02)
        yield f"http://127.0.0.1:{listener.getsockname()[1]}/"
        server.should_exit = True
        thread.join(timeout=20)


def look(address: str, profile: Path) -> Seen:
    program = shutil.which("chromium") or shutil.which("chromium-browser")
    assert program, "chromium is not on this machine"
    done = subprocess.run(
        [program, *OPTIONS, f"--user-data-dir={profile}", "--dump-dom", address],
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    return Seen(done.stdout, [line for line in done.stderr.splitlines() if "CONSOLE" in line])


@pytest.mark.parametrize("page", PAGES)
def test_a_page_loads_whole_and_without_complaint(page: str, address: str, tmp_path: Path) -> None:
    seen = look(address + page, tmp_path / "profile")

    assert seen.console == []
    assert CAUTION.split(";")[0] in seen.document
    assert VIEW_LIMIT in seen.document or page == ""


def test_the_console_would_be_heard(tmp_path: Path) -> None:
    seen = look("data:text/html,<script>nowhere()</script>", tmp_path / "profile")

    assert len(seen.console) == 1
    assert "nowhere is not defined" in seen.console[0]
