"""A service that can be killed: pages, programs' addresses and a watched folder in one process.

It measures with the stand-in pipeline and decodes in its own process, so that a round takes
fractions of a second and the moments of a kill fall everywhere.  Processes are forked off one that
has loaded everything.
"""

import http.client
import multiprocessing
import os
import signal
import socket
from dataclasses import dataclass
from multiprocessing.connection import Connection
from multiprocessing.context import ForkServerProcess
from pathlib import Path
from unittest import mock

from tests import standins
from tracker import identity, images
from tracker.decoding import Decoder
from tracker.identity import Kept
from tracker.inbox import Inbox
from tracker.service import Service
from tracker.settings import ImageLimits
from tracker.values import Mask, Still
from web.app import Server, create_app

SIDE_PX = 144
_READY_S = 120.0


class Here(Decoder):
    """Decodes in this process."""

    def decode(
        self, data: bytes, name: str, limits: ImageLimits, frame: int | None = None
    ) -> Still:
        return images.decode(data, name, limits, frame=frame)

    def keep(
        self,
        data: bytes,
        name: str,
        limits: ImageLimits,
        key: bytes,
        *,
        blank: Mask | None = None,
        frame: int | None = None,
    ) -> Kept:
        return identity.kept_form(data, key, limits, blank=blank, frame=frame)


def quick_place() -> str | None:
    """A folder in memory, where there is one."""
    return "/dev/shm" if os.access("/dev/shm", os.W_OK) else None


def picture(k: int) -> bytes:
    """The k-th of fifty thousand different pictures."""
    return standins.png(1 + k // 256 % 200, noise=k % 256, side_px=SIDE_PX)


def opened(folder: Path, database: str = "") -> Service:
    """A service over the stand-in pipeline; patch the pipeline while it is used."""
    return Service(folder, decoder=Here(), database=database)


def quick() -> "mock._patch[object]":
    """Put the stand-in pipeline in the real one's place."""
    return mock.patch("tracker.ledger.pipeline", standins)


def begun(folder: Path, case_id: str) -> None:
    """Open a case and agree its marks."""
    with quick(), opened(folder) as service:
        service.open_case(standins.setup(case_id))
        service.add_picture(case_id, standins.png(0, side_px=SIDE_PX), "first.png")
        service.accept_proposed(case_id)


def _serve(folder: str, watched: str, case_id: str, wire: Connection) -> None:
    with (
        quick(),
        mock.patch("tracker.inbox.STILL_S", 0.04),
        mock.patch("tracker.inbox.EVERY_S", 0.02),
        opened(Path(folder)) as service,
        socket.socket() as listener,
    ):
        listener.bind(("127.0.0.1", 0))
        listener.listen(64)
        inbox = Inbox(service, Path(watched), case_id)
        service.attach(inbox)
        with inbox:
            wire.send(listener.getsockname()[1])
            Server(create_app(service)).run(sockets=[listener])


@dataclass
class Running:
    """A served record in a process of its own."""

    process: ForkServerProcess
    wire: Connection
    port: int = 0

    def wait(self) -> None:
        """Wait until it answers."""
        if not self.wire.poll(_READY_S):
            raise TimeoutError("the service did not start")
        self.port = int(self.wire.recv())
        status, body = self.ask("GET", "/healthz")
        if status != 200:
            raise RuntimeError(body.decode())

    def kill(self) -> None:
        """End it as a power cut does, between any two instructions."""
        assert self.process.pid is not None
        os.kill(self.process.pid, signal.SIGKILL)
        self.process.join()
        self.wire.close()

    def ask(self, method: str, path: str, body: bytes | None = None) -> tuple[int, bytes]:
        """Ask one thing; raises OSError or HTTPException if the service goes away meanwhile."""
        link = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        try:
            kind = {"content-type": "application/octet-stream"} if body is not None else {}
            link.request(method, path, body, kind)
            answer = link.getresponse()
            return answer.status, answer.read()
        finally:
            link.close()


_CONTEXT = multiprocessing.get_context("forkserver")


def start(folder: Path, watched: Path, case_id: str) -> Running:
    """Start serving a record; it may be killed before it listens."""
    _CONTEXT.set_forkserver_preload(["tests.faults.served"])
    mine, others = _CONTEXT.Pipe(duplex=False)
    process = _CONTEXT.Process(
        target=_serve, args=(str(folder), str(watched), case_id, others), daemon=True
    )
    process.start()
    others.close()
    return Running(process, mine)
