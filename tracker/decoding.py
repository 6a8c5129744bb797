"""Untrusted bytes to :class:`~tracker.values.Still`, in a process that can be killed.

A picture file may come from anywhere, and the libraries that decode it are written in C.  They
run in a child process with a limit on time and memory; if it dies, hangs or asks for too much,
the file is refused and the next one is decoded by a new child.
"""

import atexit
import contextlib
import dataclasses
import signal
import sys
from collections import deque
from collections.abc import Callable
from dataclasses import asdict
from threading import Lock
from typing import Any, Final, TypeVar, get_type_hints

import numpy as np

from tracker.child import Child, ChildLost, limit_myself, read_message, write_message
from tracker.errors import TrackerError, UnreadableImage
from tracker.identity import Kept
from tracker.record import decode as from_plain
from tracker.record import encode as to_plain
from tracker.settings import ImageLimits
from tracker.values import Mask, Still

_Answer = TypeVar("_Answer")

LONGEST_S: Final = 5.0
"""A picture that takes longer is refused."""
MOST_MEMORY: Final = 1_000_000_000
"""Address space of the child, bytes."""
_START_S: Final = 60.0
_MOST_IDLE: Final = 2
_SEND_AGAIN: Final = "save the picture again as PNG"


class Decoder:
    """Decodes pictures in child processes, each for one picture at a time.

    Parameters
    ----------
    longest_s : float
        Time for one picture, seconds.
    """

    def __init__(self, longest_s: float = LONGEST_S) -> None:
        self._longest_s = longest_s
        self._idle: deque[_Reader] = deque()
        self._guard = Lock()
        self.lost = 0
        """Children that had to be given up so far."""

    def decode(
        self, data: bytes, name: str, limits: ImageLimits, frame: int | None = None
    ) -> Still:
        """Return the picture in a file's bytes; see :func:`tracker.images.decode`.

        Raises
        ------
        UnreadableImage
            As there; or the file took too long, too much memory, or broke the decoder.
        """
        return self._ask(data, name, limits, lambda reader: reader.read(data, name, limits, frame))

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
        """Return what is kept of a file; see :func:`tracker.identity.kept_form`.

        Raises
        ------
        UnreadableImage
            As for :meth:`decode`.
        """
        return self._ask(
            data, name, limits, lambda reader: reader.keep(data, name, limits, key, blank, frame)
        )

    def _ask(
        self, data: bytes, name: str, limits: ImageLimits, ask: Callable[["_Reader"], _Answer]
    ) -> _Answer:
        if len(data) > limits.max_bytes:
            raise UnreadableImage(
                f"{name}: the file has more than {limits.max_bytes / 1e6:.0f} MB",
                hint="save a smaller picture",
            )
        reader = self._take()
        try:
            answer = ask(reader)
        except ChildLost as lost:
            with self._guard:
                self.lost += 1
            if lost.late:
                what = f"takes longer than {self._longest_s:.0f} s to read"
            else:
                what = "is damaged: it broke the decoder"
            raise UnreadableImage(f"{name}: the file {what}", hint=_SEND_AGAIN) from None
        except UnreadableImage:
            self._give_back(reader)
            raise
        self._give_back(reader)
        return answer

    def warm(self) -> None:
        """Start a child now, so that the first picture need not wait for it."""
        self._give_back(self._take())

    def children(self) -> tuple[int, ...]:
        """Return the process numbers of the idle children."""
        with self._guard:
            return tuple(reader.child.pid for reader in self._idle)

    def close(self) -> None:
        """End the children."""
        while self._idle:
            self._idle.pop().child.kill()

    def _take(self) -> "_Reader":
        with self._guard:
            while self._idle:
                reader = self._idle.pop()
                if reader.child.alive:
                    return reader
                reader.child.kill()
        return _Reader(self._longest_s)

    def _give_back(self, reader: "_Reader") -> None:
        with self._guard:
            if len(self._idle) < _MOST_IDLE:
                self._idle.append(reader)
                return
        reader.child.kill()


class _Reader:
    """A child that decodes, and what it has said so far."""

    def __init__(self, longest_s: float) -> None:
        self.child = Child(__name__)
        self._longest_s = longest_s
        self._ready = False

    def read(self, data: bytes, name: str, limits: ImageLimits, frame: int | None) -> Still:
        """Let the child decode a file."""
        order = {"frame": frame}
        said, pixels = self._ask(order, data, name, limits, most_bytes=4 * limits.max_pixels)
        return self._checked(lambda: _still(said, pixels))

    def keep(
        self,
        data: bytes,
        name: str,
        limits: ImageLimits,
        key: bytes,
        blank: Mask | None,
        frame: int | None,
    ) -> Kept:
        """Let the child make what is kept of a file."""
        shape = None if blank is None else list(blank.shape)
        packed = b"" if blank is None else np.packbits(blank).tobytes()
        order = {"key": key.hex(), "blank": shape, "packed": len(packed), "frame": frame}
        most = 8 * limits.max_pixels + limits.max_bytes
        said, kept = self._ask(order, packed + data, name, limits, most_bytes=most)
        return self._checked(lambda: Kept(data=kept, **_parts(Kept, said)))

    def _ask(
        self, order: dict[str, Any], data: bytes, name: str, limits: ImageLimits, most_bytes: int
    ) -> tuple[dict[str, Any], bytes]:
        if not self._ready:
            self.child.receive(_START_S, most_bytes=0)
            self._ready = True
        order |= {"name": name, "limits": asdict(limits), "longest_s": self._longest_s}
        self.child.send(order, data, self._longest_s)
        said, found = self.child.receive(self._longest_s, most_bytes=most_bytes)
        if "error" in said:
            raise UnreadableImage(str(said["error"]), hint=str(said["hint"]))
        return said, found

    def _checked(self, rebuild: Callable[[], _Answer]) -> _Answer:
        try:
            return rebuild()
        except (TrackerError, TypeError, ValueError, KeyError):
            # Nothing that this package's own child would say.
            self.child.kill()
            raise ChildLost(late=False) from None


def _still(said: dict[str, Any], pixels: bytes) -> Still:
    """Rebuild a picture from a child's message."""
    grey = np.frombuffer(pixels, np.float32).reshape(said.pop("shape"))
    if not np.isfinite(grey).all():
        raise ValueError("grey values are finite")
    return Still(grey=grey, **_parts(Still, said))


def _parts(kind: type, said: dict[str, Any]) -> dict[str, Any]:
    """Return the parts of a value that a child's message says."""
    hints = get_type_hints(kind)
    return {name: from_plain(hints[name], value) for name, value in said.items()}


SHARED: Final = Decoder()
"""The decoder of every service in this process: it knows nothing from one picture to the next."""
atexit.register(SHARED.close)


# --- the child's side --------------------------------------------------------------------


def _answer(order: dict[str, Any], data: bytes) -> tuple[dict[str, Any], bytes]:
    name, limits = order["name"], ImageLimits(**order["limits"])
    do = _decoded if "key" not in order else _kept
    try:
        return do(order, data, limits)
    except UnreadableImage as error:
        return {"error": error.message, "hint": error.hint}, b""
    except MemoryError:
        what = "needs too much memory"
        return {"error": f"{name}: the file {what}", "hint": _SEND_AGAIN}, b""
    except Exception:  # noqa: BLE001  whatever a decoder throws at damaged bytes, the file is damaged
        what = "is damaged"
        return {"error": f"{name}: the file {what}", "hint": _SEND_AGAIN}, b""


def _decoded(
    order: dict[str, Any], data: bytes, limits: ImageLimits
) -> tuple[dict[str, Any], bytes]:
    from tracker import images

    still = images.decode(data, order["name"], limits, frame=order["frame"])
    said: dict[str, Any] = {"shape": list(still.grey.shape)}
    for part in dataclasses.fields(still):
        if part.name != "grey":
            said[part.name] = to_plain(getattr(still, part.name))
    return said, still.grey.tobytes()


def _kept(order: dict[str, Any], data: bytes, limits: ImageLimits) -> tuple[dict[str, Any], bytes]:
    from tracker import identity

    packed, blank = order["packed"], None
    if order["blank"] is not None:
        rows, columns = order["blank"]
        bits = np.unpackbits(np.frombuffer(data[:packed], np.uint8), count=rows * columns)
        blank = bits.reshape(rows, columns).astype(bool)
    key = bytes.fromhex(order["key"])
    kept = identity.kept_form(data[packed:], key, limits, blank=blank, frame=order["frame"])
    said = {
        part.name: to_plain(getattr(kept, part.name))
        for part in dataclasses.fields(kept)
        if part.name != "data"
    }
    return said, kept.data


def _serve() -> None:
    """Decode what comes on standard input until its end."""
    orders, answers = sys.stdin.buffer, sys.stdout.buffer
    # Whatever a library prints must not get between the messages.
    sys.stdout = sys.stderr
    from tracker import images  # noqa: F401  loaded before the limits hold

    with contextlib.suppress(ModuleNotFoundError):
        from tracker import dicomcopy  # noqa: F401

    limit_myself(MOST_MEMORY)
    write_message(answers, {})
    while (message := read_message(orders, 1 << 40)) is not None:
        order, data = message
        # If the parent is gone nobody else would end a picture that hangs.
        signal.alarm(int(order["longest_s"]) + 2)
        said, found = _answer(order, data)
        signal.alarm(0)
        del data, message
        write_message(answers, said, found)


if __name__ == "__main__":
    with contextlib.suppress(BrokenPipeError):
        _serve()
