"""Orders done by the machines of a Dask cluster, whose scheduler's address is given.

Only text and pictures' bytes go there, and only text comes back: no worker sees the record.  A
case whose worker is lost is sent again from here.  Whoever is on the network between may read or
change what is sent, unless the address begins with ``tls://``.
"""

from collections.abc import Generator, Iterator
from contextlib import suppress
from typing import Any, Final
from uuid import uuid4

from tracker.errors import InputError
from tracker.farm import LOST, TRIES, Done, Job, loaded
from tracker.worker import done

_WAIT_S: Final = 30
_AHEAD: Final = 2
"""Jobs sent for each that can be done at a time, so that nobody waits for bytes."""


class Cluster:
    """Jobs done by a Dask cluster.

    Parameters
    ----------
    address : str
        Of the scheduler, such as ``tcp://host:8786``.
    wait_s : float, optional
        For the scheduler and for a first worker, seconds.

    Raises
    ------
    InputError
        Dask is not installed, nobody answers at the address, or no worker is there.
    """

    def __init__(self, address: str, *, wait_s: float = _WAIT_S) -> None:
        try:
            import distributed
        except ModuleNotFoundError:
            raise InputError(
                "--scheduler needs Dask.",
                hint="Install with the extra: pip install -e '.[cluster]'",
            ) from None
        try:
            connect: Any = distributed.Client
            self._client = connect(address, timeout=wait_s, set_as_default=False)
        except (TimeoutError, OSError, ValueError, TypeError):
            raise InputError(
                f"No scheduler answers at {address}.", hint="Give one like tcp://host:8786."
            ) from None
        try:
            self._client.wait_for_workers(1, timeout=wait_s)
        except TimeoutError:
            self.close()
            raise InputError(
                f"The scheduler at {address} has no worker.", hint="Start one there first."
            ) from None

    @property
    def workers(self) -> int:
        """How many jobs are done at a time."""
        threads: dict[str, int] = self._client.nthreads()
        return max(1, sum(threads.values()))

    def run(self, jobs: Iterator[Job]) -> Generator[Done]:
        """Do jobs until there is none left; who stops asking calls back what was sent."""
        import distributed

        as_completed: Any = distributed.as_completed
        answered = as_completed(loop=self._client.loop)
        sent: dict[Any, tuple[Job, int]] = {}

        def send(job: Job, data: bytes, tries: int) -> None:
            future = self._send(job, data)
            sent[future] = job, tries
            answered.add(future)

        try:
            while True:
                while len(sent) < _AHEAD * self.workers and (job := next(jobs, None)) is not None:
                    data, why = loaded(job)
                    if data is None:
                        yield Done(job.key, failed=why)
                    else:
                        send(job, data, 1)
                if not sent:
                    return
                future = next(answered)
                job, tries = sent.pop(future)
                text = _text(future)
                future.release()
                if text is not None:
                    yield Done(job.key, text)
                    continue
                data, why = loaded(job) if tries < TRIES else (None, LOST)
                if data is None:
                    yield Done(job.key, failed=why)
                else:
                    send(job, data, tries + 1)
        finally:
            with suppress(Exception):
                self._client.cancel(list(sent), force=True)

    def close(self) -> None:
        """Let go of the cluster."""
        with suppress(Exception):
            self._client.close(timeout=5)

    def _send(self, job: Job, data: bytes) -> Any:
        try:
            # Bytes go to one worker directly, not through the scheduler with the order.
            there = self._client.scatter(data, hash=False)
            return self._client.submit(
                done, job.order, there, key=f"case-{uuid4().hex}", pure=False, retries=0
            )
        except Exception:  # noqa: BLE001  whatever the library raises, the way there is lost
            raise InputError(
                "The cluster can't be reached any more.",
                hint="Run the same command again: what is finished is not done again.",
            ) from None


def _text(future: Any) -> str | None:
    """Return what a worker answered; None where it was lost or could not answer."""
    if future.status != "finished":
        return None
    with suppress(Exception):
        found: object = future.result()
        if isinstance(found, str):
            return found
    return None
