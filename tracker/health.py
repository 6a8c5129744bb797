"""Whether the record can be trusted to take the next picture, asked before it comes.

Each look writes and syncs a small file where pictures are kept, reads the database, and compares
the clock with the last entry.  What was found damaged while it was read is told as well.
"""

import os
import shutil
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from threading import Lock
from typing import Final

from tracker.errors import StoreError
from tracker.shelf import disk_speaks_plainly
from tracker.store import Store

LOW_BYTES: Final = 500_000_000
"""Less free space than this is told: some hundred pictures."""
_PROBE_BYTES: Final = 65_536
_EVERY_S: Final = 3.0
_BEHIND: Final = timedelta(seconds=30)


@dataclass(frozen=True, slots=True)
class Trouble:
    """Something that is not as it should be.

    Attributes
    ----------
    what, hint : str
        In the user's words.
    stops : bool
        Pictures can't be kept while it lasts; else it is a warning.
    """

    what: str
    hint: str
    stops: bool


class Health:
    """The record's state, looked at no more often than every few seconds.

    Parameters
    ----------
    store : Store
    timer : callable, optional
        Gives seconds.
    """

    def __init__(self, store: Store, timer: Callable[[], float] = time.monotonic) -> None:
        self._store = store
        self._timer = timer
        self._guard = Lock()
        self._looked_at = float("-inf")
        self._found: tuple[Trouble, ...] = ()
        self._newest = store.newest_at()

    def troubles(self) -> tuple[Trouble, ...]:
        """Return what is wrong at present, the worst first; empty where nothing is."""
        with self._guard:
            if self._timer() - self._looked_at >= _EVERY_S:
                found = [one for look in (self._record, self._disk, self._clock) for one in look()]
                found += self._damage()
                self._found = tuple(sorted(found, key=lambda one: not one.stops))
                self._looked_at = self._timer()
            return self._found

    def look_again(self) -> None:
        """Forget the last look: something has just failed."""
        with self._guard:
            self._looked_at = float("-inf")

    # --- what is looked at ---------------------------------------------------------------

    def _record(self) -> list[Trouble]:
        try:
            self._store.check_held()
            self._probe(self._store.folder / "pictures")
            newest = self._store.newest_at()
        except StoreError as error:
            return [Trouble(error.message, error.hint, stops=True)]
        if newest is not None and (self._newest is None or newest > self._newest):
            self._newest = newest
        return []

    def _probe(self, folder: Path) -> None:
        """Write as a picture is written, and take it away again."""
        with disk_speaks_plainly():
            handle, name = tempfile.mkstemp(dir=folder, prefix=".coming-")
            try:
                os.write(handle, bytes(_PROBE_BYTES))
                os.fsync(handle)
            finally:
                os.close(handle)
                Path(name).unlink(missing_ok=True)

    def _disk(self) -> list[Trouble]:
        try:
            free = shutil.disk_usage(self._store.folder).free
        except OSError:
            return []
        if free >= LOW_BYTES:
            return []
        return [
            Trouble(
                f"The record's disk has {free / 1e6:.0f} MB left.", "Free some space.", stops=False
            )
        ]

    def _clock(self) -> list[Trouble]:
        if self._newest is None:
            return []
        behind = self._newest - self._store.now()
        if behind <= _BEHIND:
            return []
        return [
            Trouble(
                f"This machine's clock is {_spoken(behind)} behind the record's last entry.",
                "Set the clock. The order of pictures is kept; their times may be wrong.",
                stops=False,
            )
        ]

    def _damage(self) -> list[Trouble]:
        return [
            Trouble(what, "Restore it from a backup; tracker verify says what else.", stops=False)
            for what in self._store.damage()
        ]


def _spoken(length: timedelta) -> str:
    seconds = length.total_seconds()
    for unit, size in (("days", 86_400), ("h", 3_600), ("min", 60)):
        if seconds >= 2 * size:
            return f"{seconds / size:.0f} {unit}"
    return f"{seconds:.0f} s"
