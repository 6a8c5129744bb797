"""The child that looks at a video: frames in through OpenCV, exposures out as messages.

Run as a program with the video's address: a file, a stream, or the number of a capture device.
Decoding video is left to large libraries written in C, so it happens in a process that can be
killed, with a limit on memory.
"""

import contextlib
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import IO, Final, cast

import cv2
import numpy as np
from numpy.typing import NDArray

from tracker.child import limit_myself, write_message
from tracker.images import encode_png
from tracker.stillness import StillFinder

MOST_MEMORY: Final = 1_000_000_000
"""Address space of the child, bytes."""
BEAT_S: Final = 1.0
"""So often the child says that it lives."""


def frames(source: str) -> Iterator[tuple[NDArray[np.uint8], float]]:
    """Yield each frame of a video with its time in seconds.

    A file is read as fast as it goes and keeps its own time; all else comes when it is shown.

    Parameters
    ----------
    source : str
        Path of a file, address of a stream, or number of a capture device.

    Raises
    ------
    ValueError
        It can't be opened.
    """
    capture = cv2.VideoCapture(int(source) if source.isdecimal() else source)
    try:
        if not capture.isOpened():
            raise ValueError(f"{source} can't be opened")
        in_file = is_file(source)
        rate = capture.get(cv2.CAP_PROP_FPS)
        number = 0
        while True:
            there, frame = capture.read()
            if not there:
                return
            # A container's time stamps may be missing or jump; its frame rate does not.
            at_s = number / rate if in_file and rate > 0 else time.monotonic()
            number += 1
            yield cast(NDArray[np.uint8], frame), at_s
    finally:
        capture.release()


def is_file(source: str) -> bool:
    """Tell whether a source is a file, which ends, rather than a stream or a device."""
    return not source.isdecimal() and Path(source).is_file()


def _grab(source: str, out: IO[bytes]) -> None:
    """Say what is found in a video until its end."""
    finder, beat, in_file = StillFinder(), 0.0, is_file(source)
    for frame, at_s in frames(source):
        picture = finder.look(frame, at_s)
        if picture is not None:
            said = {"event": "picture", "at_s": at_s if in_file else None}
            write_message(out, said, encode_png(picture))
        if time.monotonic() - beat > BEAT_S:
            beat = time.monotonic()
            write_message(out, {"event": "beat"})
    write_message(out, {"event": "end", "is_file": in_file})


if __name__ == "__main__":
    answers = sys.stdout.buffer
    # Whatever a library prints must not get between the messages.
    sys.stdout = sys.stderr
    cv2.setNumThreads(1)
    limit_myself(MOST_MEMORY)
    with contextlib.suppress(BrokenPipeError):
        try:
            _grab(sys.argv[1], answers)
        except ValueError:
            write_message(answers, {"event": "closed"})
