"""From a picture brought to a changed screen: ``python -m tests.validation.latency``.

Serves a record by ``tracker serve`` in a process of its own, opens pages as a browser does (the
stream of events, then on each change the page's fragment and the picture in it) and brings
pictures of one hip one after another.  Writes docs/latency.json, of which docs/validation.md is
made; what is measured there is the time beyond the measuring itself.
"""

import argparse
import asyncio
import json
import os
import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path

import httpx
import numpy as np

from tests.strategies import setup
from tests.validation.memory import drawn
from tracker import __version__, images
from tracker.service import Service
from tracker.settings import DEFAULTS

ROOT = Path(__file__).resolve().parents[2]
KEPT = ROOT / "docs" / "latency.json"
PAGES = (1, 5, 20)
SIZE_PX = 1024
_PATIENCE_S = 60


@dataclass(frozen=True)
class Watched:
    """What so many open pages saw of so many pictures.

    Attributes
    ----------
    pages, pictures : int
    measuring_ms : list of float
        What each picture took to measure.
    heard_ms, changed_ms : list of float
        For each picture and page, from the sending of the picture until the page heard of it,
        and until it had all that it shows, less the measuring.
    after_start_ms : float
        The same of the first picture after the service was started, until the last page had it:
        the first picture of the case is prepared again, and what came after it.
    """

    pages: int
    pictures: int
    measuring_ms: list[float]
    heard_ms: list[float]
    changed_ms: list[float]
    after_start_ms: float


@dataclass(frozen=True)
class Latency:
    """A whole run, and what it was made with; ``load`` is that of other programs before it."""

    machine: str
    software: str
    settings: str
    size_px: int
    load: float
    runs: list[Watched]


class Page:
    """An open page: it hears of changes and fetches what it then shows."""

    def __init__(self, client: httpx.AsyncClient, case: str) -> None:
        self._client, self._case = client, case
        self.heard: dict[int, float] = {}
        self.changed: dict[int, float] = {}
        self.open = asyncio.Event()

    async def watch(self) -> None:
        """Listen until cancelled."""
        address = f"/cases/{self._case}/events"
        async with self._client.stream("GET", address, timeout=None) as answer:
            async for line in answer.aiter_lines():
                self.open.set()
                if line == "event: changed":
                    await self._renew(time.perf_counter())

    async def _renew(self, heard: float) -> None:
        fragment = await self._client.get(f"/cases/{self._case}/glance?part=live")
        found = re.search(r'<img src="([^"]+/pictures/(\d+)/[^"]+)"', fragment.text)
        if found is None:
            return
        picture = await self._client.get(found[1])
        assert picture.content.startswith(b"\x89PNG")
        number = int(found[2])
        self.heard.setdefault(number, heard)
        self.changed.setdefault(number, time.perf_counter())


async def watched(
    address: str, case: str, pages: int, pictures: list[bytes]
) -> tuple[list[int], list[float], list[float]]:
    """Bring the pictures to a service at an address while so many pages look.

    Returns
    -------
    numbers : list of int
        Of the pictures.
    heard, changed : list of float
        For each picture and page, ms from the sending of the picture.
    """
    limits = httpx.Limits(max_connections=None)
    async with httpx.AsyncClient(base_url=address, limits=limits, timeout=_PATIENCE_S) as client:
        opened = [Page(client, case) for _ in range(pages)]
        watching = [asyncio.create_task(page.watch()) for page in opened]
        await asyncio.gather(*(page.open.wait() for page in opened))
        sent: dict[int, float] = {}
        for data in pictures:
            started = time.perf_counter()
            answer = await client.post(f"/api/cases/{case}/pictures", content=data)
            plain = answer.json()
            assert plain.get("verdict") == "measured", plain
            sent[plain["number"]] = started
            until = time.perf_counter() + _PATIENCE_S
            while any(plain["number"] not in page.changed for page in opened):
                assert time.perf_counter() < until, "a page did not change"
                await asyncio.sleep(0.01)
        for task in watching:
            task.cancel()
        await asyncio.gather(*watching, return_exceptions=True)
    heard = [1000 * (page.heard[n] - at) for n, at in sent.items() for page in opened]
    changed = [1000 * (page.changed[n] - at) for n, at in sent.items() for page in opened]
    return list(sent), heard, changed


@contextmanager
def served(folder: Path) -> Iterator[str]:
    """Serve a record in a process of its own; gives the address."""
    command = [sys.executable, "-m", "tracker", "serve", "--port", "0", "--data", str(folder)]
    running = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True)
    try:
        assert running.stdout is not None
        found = re.search(r"http://\S+", running.stdout.readline())
        assert found is not None, "it is not served"
        yield found[0].rstrip("/")
    finally:
        running.terminate()
        running.communicate(timeout=30)


def measured(pages: int, pictures: int, size_px: int) -> Watched:
    """Open a case in a record of its own, watch it, and take the measuring off the times."""
    still, marks, later, scene = drawn(size_px)
    levels = np.round(255 * later.grey)
    sent = []
    for k in range(pictures + 2):
        # Grain of its own each time: another exposure of the same view.
        grain = np.random.default_rng(1000 * pages + k).normal(0, 3.0, levels.shape)
        sent.append(images.encode_png(np.clip(np.round(levels + grain), 0, 255).astype(np.uint8)))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "record"
        with Service(folder) as service:
            case = service.open_case(setup(scene, marks)).row.id
            first = np.round(255 * still.grey).astype(np.uint8)
            service.add_picture(case, images.encode_png(first), "000.png")
            # One before the pages are opened, so that they have something to show.
            service.add_picture(case, sent[0], "001.png")
        with served(folder) as address:
            numbers, heard, changed = asyncio.run(watched(address, case, pages, sent[1:]))
        with Service(folder) as service:
            stills = {one.number: one.result for one in service.case(case).stills}
    took = []
    for number in numbers:
        result = stills[number]
        assert result is not None
        took.append(result.elapsed_ms)
    each = np.repeat(took, pages)
    beyond = np.array(changed) - each
    # The first after the start is told apart.
    return Watched(
        pages,
        pictures,
        [round(ms, 1) for ms in took[1:]],
        [round(float(ms), 1) for ms in (np.array(heard) - each)[pages:]],
        [round(float(ms), 1) for ms in beyond[pages:]],
        round(float(beyond[:pages].max()), 1),
    )


def read(path: Path = KEPT) -> Latency:
    """Return what was measured last."""
    plain = json.loads(path.read_text(encoding="utf-8"))
    return Latency(**plain | {"runs": [Watched(**run) for run in plain["runs"]]})


def write(path: Path, machine: str, pictures: int, size_px: int) -> None:
    """Measure with each number of pages and write it down."""
    load = round(os.getloadavg()[0], 1)
    runs = [measured(pages, pictures, size_px) for pages in PAGES]
    found = Latency(machine, __version__, DEFAULTS.digest(), size_px, load, runs)
    path.write_text(json.dumps(asdict(found), separators=(",", ":")) + "\n", encoding="utf-8")


if __name__ == "__main__":
    from tests.validation.run import machine

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pictures", type=int, default=20)
    parser.add_argument("--into", type=Path, default=KEPT)
    asked = parser.parse_args()
    write(asked.into, machine(), asked.pictures, SIZE_PX)
