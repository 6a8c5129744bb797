"""Orders done by all cores of this machine, each case by a process of its own.

A process that dies or hangs is replaced and its case tried again; a case that ends its process
every time is given up, and the others go on.
"""

import os
import signal
from collections.abc import Callable, Generator, Iterator
from contextlib import suppress
from dataclasses import dataclass
from queue import SimpleQueue
from threading import Event, Lock, Thread
from typing import Any, Final, Protocol

from tracker.child import Child, ChildLost
from tracker.errors import TrackerError
from tracker.worker import done

TRIES: Final = 3
LOST: Final = f"The process that measured it was lost {TRIES} times."
_START_S: Final = 120.0
_CASE_S: Final = 120.0
_PICTURE_S: Final = 60.0
"""Longest time of a picture; a process that takes longer hangs."""
_MOST_ANSWER: Final = 1 << 31


@dataclass(frozen=True, eq=False, slots=True)
class Job:
    """One case to be done.

    Attributes
    ----------
    key : str
        The case's name.
    order : dict
        As it is sent.
    pictures : int
    load : callable
        Gives the bytes of its pictures, only when they are needed.
    """

    key: str
    order: dict[str, Any]
    pictures: int
    load: Callable[[], bytes]


@dataclass(frozen=True, slots=True)
class Done:
    """What came of a job: the answer's text, or why there is none."""

    key: str
    answer: str = ""
    failed: str = ""


class Farm(Protocol):
    """Whoever does jobs; answers come as they are ready, in any order."""

    def run(self, jobs: Iterator[Job]) -> Generator[Done]:
        """Do jobs until there is none left."""

    @property
    def workers(self) -> int:
        """How many are done at a time."""


class Alone:
    """Jobs done one after another in this process."""

    workers = 1

    def run(self, jobs: Iterator[Job]) -> Generator[Done]:
        """Do jobs until there is none left."""
        for job in jobs:
            data, why = loaded(job)
            if data is None:
                yield Done(job.key, failed=why)
            else:
                yield Done(job.key, done(job.order, data))


class Processes:
    """Jobs done by several processes of this machine.

    Parameters
    ----------
    workers : int, optional
        As many as this process has cores.
    """

    def __init__(self, workers: int | None = None) -> None:
        self.workers = workers or len(os.sched_getaffinity(0))
        self._children: set[Child] = set()
        self._guard = Lock()
        self._stop = Event()

    def run(self, jobs: Iterator[Job]) -> Generator[Done]:
        """Do jobs until there is none left; who stops asking ends the processes."""
        self._stop.clear()
        finished: SimpleQueue[Done | None] = SimpleQueue()
        shared = _Shared(jobs)
        hands = [
            Thread(target=self._work, args=(shared, finished), daemon=True)
            for _ in range(self.workers)
        ]
        for hand in hands:
            hand.start()
        try:
            working = len(hands)
            while working:
                one = finished.get()
                if one is None:
                    working -= 1
                else:
                    yield one
        finally:
            self._end()
            for hand in hands:
                hand.join(timeout=10)
        if shared.error is not None:
            raise shared.error

    def pids(self) -> tuple[int, ...]:
        """Return the numbers of the processes at work."""
        with self._guard:
            return tuple(child.pid for child in self._children)

    # --- inside --------------------------------------------------------------------------

    def _work(self, jobs: "_Shared", finished: "SimpleQueue[Done | None]") -> None:
        child: Child | None = None
        try:
            while not self._stop.is_set() and (job := jobs.take()) is not None:
                data, why = loaded(job)
                if data is None:
                    finished.put(Done(job.key, failed=why))
                    continue
                result = None
                for _ in range(TRIES):
                    try:
                        child = child or self._started()
                        result = _asked(child, job, data)
                        break
                    except ChildLost:
                        self._let_go(child)
                        child = None
                        if self._stop.is_set():
                            return
                finished.put(result or Done(job.key, failed=LOST))
        finally:
            self._let_go(child)
            finished.put(None)

    def _started(self) -> Child:
        child = Child("tracker.worker")
        with self._guard:
            self._children.add(child)
        try:
            child.receive(_START_S, most_bytes=0)
        except ChildLost:
            self._let_go(child)
            raise
        return child

    def _let_go(self, child: Child | None) -> None:
        if child is None:
            return
        with self._guard:
            self._children.discard(child)
        child.kill()

    def _end(self) -> None:
        """Stop: no new job is begun, and what is under way is given up."""
        self._stop.set()
        for pid in self.pids():
            # The thread that waits for it sees its end and puts it away.
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)


class _Shared:
    """Jobs that several threads take from; an error of the source ends them all."""

    def __init__(self, jobs: Iterator[Job]) -> None:
        self._jobs = jobs
        self._guard = Lock()
        self.error: Exception | None = None

    def take(self) -> Job | None:
        """Return the next job; None where there is none left."""
        with self._guard:
            if self.error is not None:
                return None
            try:
                return next(self._jobs, None)
            except Exception as error:  # noqa: BLE001  raised again where the jobs are asked for
                self.error = error
                return None


def loaded(job: Job) -> tuple[bytes | None, str]:
    """Return a job's bytes, or why they can't be had."""
    try:
        return job.load(), ""
    except TrackerError as error:
        return None, error.message


def _asked(child: Child, job: Job, data: bytes) -> Done:
    longest_s = _CASE_S + _PICTURE_S * job.pictures
    child.send(job.order, data, longest_s)
    _, text = child.receive(longest_s, most_bytes=_MOST_ANSWER)
    return Done(job.key, text.decode())
