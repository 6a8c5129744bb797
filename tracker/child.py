"""A process of our own that can be killed: messages there and back, a time limit, a memory limit.

A message is a JSON text and bytes behind it.  The parent reads numbers and text only: nothing
that a child sends is ever unpickled or run.
"""

import json
import os
import resource
import struct
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from threading import Timer
from typing import IO, Any, Final

_LENGTHS: Final = struct.Struct(">IQ")
_LONGEST_TEXT: Final = 1_000_000
_ROOT: Final = Path(__file__).resolve().parents[1]


class ChildLost(Exception):
    """The child was killed, ended or sent something that is no message.

    Parameters
    ----------
    late : bool
        It was killed because its time was over.
    """

    def __init__(self, *, late: bool) -> None:
        super().__init__("late" if late else "gone")
        self.late = late


class Child:
    """A child process that runs a room of this package.

    Parameters
    ----------
    room : str
        Name of the room, such as ``tracker.decoding``; it is run as a program.
    arguments : sequence of str
    """

    def __init__(self, room: str, arguments: Sequence[str] = ()) -> None:
        environment = {
            # More threads would only reserve address space that counts against the limit.
            "OPENBLAS_NUM_THREADS": "1",
            "OMP_NUM_THREADS": "1",
            "PYTHONPATH": str(_ROOT),
            "PATH": os.environ.get("PATH", os.defpath),
        }
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-m", room, *arguments],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env=environment,
            # Ctrl-C at the terminal is for the parent, which then ends its children.
            start_new_session=True,
        )
        self._late = False

    @property
    def pid(self) -> int:
        """Number of the process."""
        return self._process.pid

    @property
    def alive(self) -> bool:
        """True until the process has ended."""
        return self._process.poll() is None

    def kill(self) -> None:
        """End the process at once and let go of its pipes."""
        self._process.kill()
        self._process.wait()
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                try:
                    pipe.close()
                except BrokenPipeError:
                    continue

    def send(self, plain: Any, data: bytes, seconds: float) -> None:
        """Send a message.

        Raises
        ------
        ChildLost
        """
        with self._clock(seconds):
            try:
                write_message(self._pipe(self._process.stdin), plain, data)
            except (OSError, ValueError):
                raise self._lost() from None

    def receive(self, seconds: float, *, most_bytes: int) -> tuple[Any, bytes]:
        """Wait for a message.

        Parameters
        ----------
        seconds : float
            After this the process is killed.
        most_bytes : int
            A message that says to be longer ends the process.

        Raises
        ------
        ChildLost
        """
        with self._clock(seconds):
            try:
                found = read_message(self._pipe(self._process.stdout), most_bytes)
            except (OSError, ValueError):
                raise self._lost() from None
        if found is None:
            raise self._lost()
        return found

    def _pipe(self, pipe: IO[bytes] | None) -> IO[bytes]:
        if pipe is None:
            raise self._lost()
        return pipe

    def _clock(self, seconds: float) -> "_Clock":
        return _Clock(seconds, self._too_late)

    def _too_late(self) -> None:
        self._late = True
        self._process.kill()

    def _lost(self) -> ChildLost:
        self.kill()
        return ChildLost(late=self._late)


class _Clock:
    """Calls a function when a block takes too long."""

    def __init__(self, seconds: float, too_late: Any) -> None:
        self._timer = Timer(seconds, too_late)
        self._timer.daemon = True

    def __enter__(self) -> None:
        self._timer.start()

    def __exit__(self, *_: object) -> None:
        self._timer.cancel()


def write_message(pipe: IO[bytes], plain: Any, data: bytes = b"") -> None:
    """Write a message to a pipe."""
    text = json.dumps(plain, allow_nan=False).encode()
    pipe.write(_LENGTHS.pack(len(text), len(data)))
    pipe.write(text)
    pipe.write(data)
    pipe.flush()


def read_message(pipe: IO[bytes], most_bytes: int) -> tuple[Any, bytes] | None:
    """Read a message from a pipe; None at its end.

    Raises
    ------
    ValueError
        What came is no message, or is too long.
    """
    head = pipe.read(_LENGTHS.size)
    if not head:
        return None
    if len(head) < _LENGTHS.size:
        raise ValueError("a message is cut short")
    text_length, data_length = _LENGTHS.unpack(head)
    if text_length > _LONGEST_TEXT or data_length > most_bytes:
        raise ValueError("a message is too long")
    text, data = pipe.read(text_length), pipe.read(data_length)
    if len(text) < text_length or len(data) < data_length:
        raise ValueError("a message is cut short")
    return json.loads(text), data


def limit_myself(memory_bytes: int) -> None:
    """Give up memory beyond a limit, core dumps and the writing of files; can't be undone."""
    for kind, most in (
        (resource.RLIMIT_AS, memory_bytes),
        (resource.RLIMIT_CORE, 0),
        (resource.RLIMIT_FSIZE, 0),
    ):
        resource.setrlimit(kind, (most, most))
