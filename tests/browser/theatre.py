"""A service with its pages on a real socket, and what a person does at a browser."""

import socket
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Self

from playwright.sync_api import ConsoleMessage, Page, Request

from tests import standins
from tracker.service import Service
from web.access import Door
from web.app import Server, create_app

SIZES = ((1920, 1080), (1366, 768), (1024, 768))


class Theatre:
    """The pages of a record, on one port: they can be stopped and started again.

    Parameters
    ----------
    folder : Path
        Where the record is kept.
    door : Door, optional
        How the pages are reached, if not by this machine only.
    """

    def __init__(self, folder: Path, door: Door | None = None) -> None:
        self.folder = folder
        self._door = door
        self._port = 0
        self.start()

    def start(self) -> None:
        """Serve, on the port of the last time."""
        self.service = Service(self.folder)
        listener = socket.socket()
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(("127.0.0.1", self._port))
        self._port = listener.getsockname()[1]
        self._server = Server(create_app(self.service, door=self._door))
        self._thread = threading.Thread(target=self._run, args=(self._server, listener))
        self._thread.start()
        while not self._server.started:
            time.sleep(0.01)

    @staticmethod
    def _run(server: Server, listener: socket.socket) -> None:
        with listener:
            server.run(sockets=[listener])

    def stop(self) -> None:
        """Stop serving, as on Ctrl+C; the record is let go of."""
        self._server.should_exit = True
        self._thread.join(timeout=20)
        self.service.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    @property
    def address(self) -> str:
        """Where the pages are."""
        return f"http://127.0.0.1:{self._port}"

    def case(self, *tenths: int) -> str:
        """Open a case whose pictures show that much removed, and return the address of it."""
        self.service.open_case(standins.setup())
        self.service.add_picture("p1", standins.png(0), "000.png")
        self.service.accept_proposed("p1")
        for k, removed in enumerate(tenths, 1):
            self.service.add_picture("p1", standins.png(removed, noise=k), f"{k:03}.png")
        return f"{self.address}/cases/p1"


@dataclass
class Complaints:
    """What a page's console and network said that it should not have."""

    said: list[str] = field(default_factory=list)

    def hear(self, page: Page) -> None:
        """Listen to a page from now on."""
        page.on("console", self._console)
        page.on("pageerror", lambda error: self.said.append(str(error)))
        page.on("request", self._request)

    def _console(self, message: ConsoleMessage) -> None:
        if message.type in ("error", "warning"):
            self.said.append(message.text)

    def _request(self, request: Request) -> None:
        if not request.url.startswith(("http://127.0.0.1:", "blob:", "data:")):
            self.said.append(f"asked for {request.url}")


def tab_to(page: Page, selector: str, most: int = 80) -> None:
    """Press Tab until the element has the focus, as one does without a mouse."""
    for _ in range(most):
        page.keyboard.press("Tab")
        if page.evaluate("s => document.activeElement.matches(s)", selector):
            return
    raise AssertionError(f"{selector} can't be reached with Tab")
