"""A watched folder: a USB stick or an export share whose pictures go to a case.

Files are only ever read.  A file is taken when it has stood still for a while and is a whole
picture, so that one that is still being copied is waited for.  What was taken is known from the
record by its bytes, not from a list beside the folder: a restart, a renamed file or a stick that
is put in again adds nothing.
"""

import contextlib
import itertools
import os
import re
import stat
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Final

from tracker.errors import TrackerError, UnreadableImage
from tracker.service import Service
from tracker.sources import Source, SourceState, plainly

EVERY_S: Final = 0.5
"""Between two looks."""
STILL_S: Final = 1.0
"""A file that has not changed for so long may be complete."""
PATIENCE_S: Final = 30.0
"""A file that has not changed for so long and is no whole picture never will be one."""
_AGAIN_S: Final = (1.0, 2.0, 4.0, 8.0)
"""Between tries of a file that could not be taken."""

_PICTURES: Final = frozenset(
    {".png", ".jpg", ".jpeg", ".tif", ".tiff", ".bmp", ".webp", ".dcm", ".dicom", ".ima"}
)
_DEEPEST: Final = 8
_MOST_FILES: Final = 20_000
_DICOM_MARK: Final = slice(128, 132)

_Print = tuple[int, int, int]
"""Inode, size and time of change: what tells that a file is another than before."""


@dataclass(slots=True)
class _Seen:
    """A file of the folder, and how far it has come."""

    mark: _Print
    since: float
    tries: int = 0
    not_before: float = 0.0
    done: bool = False


class Inbox(Source):
    """Watches a folder and gives its pictures to a case.

    Parameters
    ----------
    service : Service
    folder : Path
        Looked through with its sub-folders; need not be there yet.
    case_id : str
    timer : callable, optional
        Gives seconds.
    """

    def __init__(
        self,
        service: Service,
        folder: Path,
        case_id: str,
        timer: Callable[[], float] = time.monotonic,
    ) -> None:
        super().__init__(SourceState("folder", str(folder), case_id), service.now)
        self._service = service
        self._folder = folder
        self._case_id = case_id
        self._timer = timer
        self._seen: dict[Path, _Seen] = {}

    def look(self) -> None:
        """Look through the folder once and take what is complete, the oldest first."""
        now = self._timer()
        try:
            found = sorted(self._files(), key=lambda file: (file[1][2], _natural(file[0])))
        except OSError as error:
            why = os.strerror(error.errno or 0)
            self._says(standing="not reachable", last_error=f"The folder can't be read ({why}).")
            self._seen.clear()
            return
        if self.state.standing != "open":
            self._says(standing="open", last_error="")
        for path in self._seen.keys() - {path for path, _ in found}:
            del self._seen[path]
        for path, mark in found:
            seen = self._seen.get(path)
            if seen is None or seen.mark != mark:
                self._seen[path] = _Seen(mark, since=now)
            elif not seen.done and now - seen.since >= STILL_S and now >= seen.not_before:
                self._take(path, seen, now)
            if self._stopped.is_set():
                break

    def _work(self) -> None:
        while not self._stopped.is_set():
            self.look()
            self._stopped.wait(EVERY_S)

    def _files(self) -> Iterator[tuple[Path, _Print]]:
        """Yield the files that could be pictures; links and what is hidden are passed over."""
        yield from itertools.islice(_walk(self._folder, 0), _MOST_FILES)

    def _take(self, path: Path, seen: _Seen, now: float) -> None:
        """Give a file to the case, or say when to try again."""
        try:
            data = self._read(path, seen)
            if data is None:
                return
            unnamed = path.suffix.lower() not in _PICTURES
            if unnamed and data[_DICOM_MARK] != b"DICM":
                seen.done = True
                return
            if self._service.has_seen(self._case_id, sha256(data).hexdigest()):
                seen.done = True
                return
            if now - seen.since < PATIENCE_S:
                # Not yet given up: nothing is written down about a file that is still coming.
                self._service.check_picture(data, path.name)
            added = self._service.add_picture(self._case_id, data, path.name)
        except UnreadableImage as error:
            seen.done = now - seen.since >= PATIENCE_S
            if seen.done:
                self._says(last_error=plainly(error))
            else:
                _later(seen, now)
        except (TrackerError, OSError) as error:
            self._says(last_error=f"{path.name}: {plainly(error)}")
            _later(seen, now)
        else:
            seen.done = True
            self._took(path.name, is_new=added.is_new)

    def _read(self, path: Path, seen: _Seen) -> bytes | None:
        """Return a file's bytes; None where it is empty, too long, or changes meanwhile."""
        most = self._service.settings.images.max_bytes
        # A name may have become a pipe since it was listed: never wait for one to be opened.
        handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
        with os.fdopen(handle, "rb") as file:
            before = os.fstat(handle)
            if not stat.S_ISREG(before.st_mode) or before.st_size > most:
                self._says(last_error=f"{path.name}: the file is longer than {most / 1e6:.0f} MB.")
                seen.done = True
                return None
            data = file.read(most + 1)
            same = _print(before) == _print(os.fstat(handle)) == seen.mark
        return data if same and len(data) == before.st_size and data else None


def _walk(folder: Path, depth: int) -> Iterator[tuple[Path, _Print]]:
    below = []
    with os.scandir(folder) as entries:
        for entry in entries:
            # What vanishes between two steps was not complete either.
            with contextlib.suppress(FileNotFoundError):
                if entry.name.startswith((".", "~")):
                    continue
                if entry.is_dir(follow_symlinks=False):
                    below.append(Path(entry.path))
                elif entry.is_file(follow_symlinks=False) and _may_be_picture(entry.name):
                    yield Path(entry.path), _print(entry.stat(follow_symlinks=False))
    for inner in below if depth < _DEEPEST else ():
        # A folder that may not be read hides its own files only.
        with contextlib.suppress(OSError):
            yield from _walk(inner, depth + 1)


def _later(seen: _Seen, now: float) -> None:
    seen.not_before = now + _AGAIN_S[min(seen.tries, len(_AGAIN_S) - 1)]
    seen.tries += 1


def _may_be_picture(name: str) -> bool:
    """Tell by its name whether a file could be a picture.

    DICOM files often have no ending, or are named by a number with dots.

    >>> [_may_be_picture(name) for name in ("a.PNG", "IM1", "1.2.840.7", "DICOMDIR", "a.txt")]
    [True, True, True, False, False]
    """
    suffix = Path(name).suffix.lower()
    if suffix in _PICTURES:
        return True
    return (not suffix or suffix[1:].isdecimal()) and name.upper() != "DICOMDIR"


def _print(found: os.stat_result) -> _Print:
    return found.st_ino, found.st_size, found.st_mtime_ns


def _natural(path: Path) -> list[tuple[int, str]]:
    """Return a key that sorts picture 2 before picture 10.

    >>> sorted(map(Path, ["IM10", "IM2", "a/IM1"]), key=_natural)[0].name
    'IM2'
    """
    pieces = re.split(r"(\d+)", str(path))
    return [(int(piece), "") if piece.isdecimal() else (0, piece) for piece in pieces]
