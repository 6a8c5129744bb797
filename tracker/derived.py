"""Files beside a record that can always be made again: nothing in them is the record's own.

They lie in ``derived/`` in the record's folder.  Whoever deletes a case deletes them too; they come
back with the next question.  A line that was cut short by a kill is left out when read.
"""

import json
import os
import tempfile
from collections.abc import Iterable
from pathlib import Path
from typing import Any, Final

FOLDER: Final = "derived"


class Lines:
    """A file of JSON objects, one a line.

    Parameters
    ----------
    path : Path
        Its folder is made when the first line is written.
    """

    def __init__(self, path: Path) -> None:
        self.path = path

    def read(self) -> list[dict[str, Any]]:
        """Return the whole lines; none where there is no such file or it can't be read."""
        try:
            text = self.path.read_bytes()
        except OSError:
            return []
        found = []
        for line in text.splitlines(keepends=True):
            if not line.endswith(b"\n"):
                break
            try:
                plain = json.loads(line)
            except ValueError:
                continue
            if isinstance(plain, dict):
                found.append(plain)
        return found

    def add(self, plain: dict[str, Any]) -> None:
        """Add a line; on return it is on the disk.

        Raises
        ------
        OSError
        """
        self.path.parent.mkdir(parents=True, exist_ok=True)
        with self.path.open("ab+") as file:
            # A line that was cut short must not swallow this one.
            if file.tell():
                file.seek(-1, os.SEEK_END)
                if file.read(1) != b"\n":
                    file.write(b"\n")
            file.write(_line(plain))
            file.flush()
            os.fsync(file.fileno())

    def replace(self, lines: Iterable[dict[str, Any]]) -> None:
        """Write the file anew, whole or not at all.

        Raises
        ------
        OSError
        """
        self.path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=self.path.parent, prefix=".coming-")
        temporary = Path(name)
        try:
            with os.fdopen(handle, "wb") as file:
                file.writelines(_line(plain) for plain in lines)
            temporary.replace(self.path)
        finally:
            temporary.unlink(missing_ok=True)


def _line(plain: dict[str, Any]) -> bytes:
    text = json.dumps(plain, sort_keys=True, allow_nan=False, separators=(",", ":"))
    return text.encode() + b"\n"


def forget(record: Path) -> None:
    """Delete every derived file of a record, as far as the disk lets it."""
    folder = record / FOLDER
    if folder.is_dir():
        for path in folder.iterdir():
            path.unlink(missing_ok=True)
