"""SIGKILL at random moments while two programs and a watched folder bring pictures."""

import http.client
import threading
import time
from collections import Counter
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path

import numpy as np

from tests.faults.served import Running, begun, opened, picture, quick, start
from tracker.errors import TrackerError
from tracker.record import Stamp
from tracker.service import Service
from tracker.store import Store
from tracker.verifying import verify

ROUNDS_A_CASE = 8


@dataclass
class Killed:
    """What came of it."""

    kills: int = 0
    before_listening: int = 0
    acknowledged: int = 0
    unacknowledged_but_kept: int = 0
    from_folder: int = 0
    lost: int = 0
    unmeasured: int = 0
    twice: int = 0
    broken: list[str] = field(default_factory=list)
    restart_ms: list[float] = field(default_factory=list)


class Sender(threading.Thread):
    """A program that brings one picture after another, and the same one again until it is told
    that it was taken."""

    def __init__(self, running: Running, case_id: str, bag: "Bag") -> None:
        super().__init__(daemon=True)
        self._running, self._case_id, self._bag = running, case_id, bag

    def run(self) -> None:
        while True:
            data = self._bag.next()
            try:
                status, _ = self._running.ask("POST", f"/api/cases/{self._case_id}/pictures", data)
            except (OSError, http.client.HTTPException):
                return
            if status in (200, 201):
                self._bag.taken()
            else:
                self._bag.refused.append(status)
                return


class Bag:
    """One sender's pictures: what was acknowledged, and the one that is on its way."""

    def __init__(self, first: int) -> None:
        self._k = first
        self._waiting: bytes | None = None
        self.acknowledged: list[str] = []
        self.sent: set[str] = set()
        self.refused: list[int] = []

    def next(self) -> bytes:
        if self._waiting is None:
            self._waiting = picture(self._k)
            self._k += 1
        self.sent.add(sha256(self._waiting).hexdigest())
        return self._waiting

    def taken(self) -> None:
        assert self._waiting is not None
        self.acknowledged.append(sha256(self._waiting).hexdigest())
        self._waiting = None


class Dropper(threading.Thread):
    """Somebody who copies pictures into the watched folder, each whole in one step."""

    def __init__(self, folder: Path, first: int) -> None:
        super().__init__(daemon=True)
        self._folder, self._k = folder, first
        self.dropped: list[str] = []
        self.stopped = threading.Event()

    def run(self) -> None:
        while not self.stopped.wait(0.03):
            data = picture(self._k)
            coming = self._folder / f".{self._k}.png"
            coming.write_bytes(data)
            coming.rename(self._folder / f"{self._k:06}.png")
            self.dropped.append(sha256(data).hexdigest())
            self._k += 1


def killed(folder: Path, rounds: int, seed: int, until_s: float = 0.35) -> Killed:
    """Kill a service so many times.

    Parameters
    ----------
    folder : Path
        Empty; each few rounds begin a new record in it.
    rounds : int
    seed : int
        Of the moments.
    until_s : float
        Latest moment after it listens.
    """
    found, rng = Killed(), np.random.default_rng(seed)
    done = 0
    while done < rounds:
        part = min(ROUNDS_A_CASE, rounds - done)
        _one_record(folder / f"record{done}", part, rng, until_s, found)
        done += part
    return found


def _one_record(
    place: Path, rounds: int, rng: np.random.Generator, until_s: float, found: Killed
) -> None:
    record, watched, case_id = place / "record", place / "watched", "p1"
    watched.mkdir(parents=True)
    begun(record, case_id)
    bags = [Bag(0), Bag(10_000)]
    dropped: list[str] = []
    for _ in range(rounds):
        before = time.perf_counter()
        running = start(record, watched, case_id)
        # One in five is killed while it starts, at any moment of the time that starting takes.
        if rng.random() < 0.2:
            usual = np.median(found.restart_ms or [300.0]) / 1000
            time.sleep(rng.uniform(0, usual))
            found.before_listening += 1
            running.kill()
        else:
            running.wait()
            found.restart_ms.append((time.perf_counter() - before) * 1000)
            dropper = Dropper(watched, 20_000 + len(dropped))
            senders = [Sender(running, case_id, bag) for bag in bags]
            for thread in (dropper, *senders):
                thread.start()
            time.sleep(rng.uniform(0, until_s))
            running.kill()
            dropper.stopped.set()
            for thread in (dropper, *senders):
                thread.join(30)
            dropped += dropper.dropped
        found.kills += 1
        _look(record, case_id, bags, found)
    _let_the_folder_end(record, watched, case_id, dropped)
    _count(record, case_id, bags, dropped, found)


def _look(record: Path, case_id: str, bags: list[Bag], found: Killed) -> None:
    """What was acknowledged must be there and measured, each once; the chain must hold."""
    with quick(), opened(record) as service:
        case = service.case(case_id)
        held = Counter(one.row.sha256 for one in case.pictures)
        for bag in bags:
            found.lost += sum(held[digest] == 0 for digest in bag.acknowledged)
            found.broken += [f"answered {status}" for status in bag.refused]
        found.twice += sum(count > 1 for count in held.values())
        found.unmeasured += len(case.waiting)
        found.twice += _measured_twice(service, case_id)
        try:
            verify(service._store)
        except TrackerError as error:
            found.broken.append(error.message)


def _measured_twice(service: Service, case_id: str) -> int:
    row = service._store.case(case_id)
    made = Counter(result.picture_key for result in service._store.results(row))
    return sum(count > 1 for count in made.values())


def _let_the_folder_end(record: Path, watched: Path, case_id: str, dropped: list[str]) -> None:
    """Serve once more until everything that lies in the folder is taken."""
    running = start(record, watched, case_id)
    running.wait()
    until = time.monotonic() + 120
    while time.monotonic() < until and not _holds(record, case_id, dropped):
        time.sleep(0.1)
    running.kill()


def _holds(record: Path, case_id: str, dropped: list[str]) -> bool:
    with Store(record, Stamp("test", "test"), reads_only=True) as store:
        held = {row.sha256 for row in store.pictures(store.case(case_id))}
    return held.issuperset(dropped)


def _count(record: Path, case_id: str, bags: list[Bag], dropped: list[str], found: Killed) -> None:
    with quick(), opened(record) as service:
        held = {one.row.sha256 for one in service.case(case_id).pictures}
        found.lost += len(set(dropped) - held)
    for bag in bags:
        found.acknowledged += len(bag.acknowledged)
        found.unacknowledged_but_kept += len((bag.sent & held) - set(bag.acknowledged))
    found.from_folder += len(dropped)
