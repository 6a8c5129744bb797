"""Pictures as files named by their content: written once, synced, never overwritten.

The file is written beside its final name, synced, linked to that name (a link is atomic and
refuses to overwrite) and the folders are synced.  Only then does :meth:`Shelf.put` return.
"""

import errno
import fcntl
import hashlib
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final, Self

from tracker.errors import Busy, StoreError, Unwritable

_SECRET_BYTES: Final = 32


class Shelf:
    """A folder of files, each named by the SHA-256 of its bytes.

    Parameters
    ----------
    folder : Path
        Made if absent.
    reads_only : bool, optional
        Nothing is made or written.
    """

    def __init__(self, folder: Path, *, reads_only: bool = False) -> None:
        self._folder = folder
        if not reads_only:
            with disk_speaks_plainly():
                folder.mkdir(parents=True, exist_ok=True)

    def put(self, digest: str, data: bytes) -> None:
        """Keep bytes under their hash; on return they are on the disk.

        Parameters
        ----------
        digest : str
            SHA-256 of the bytes, 64 hex digits.
        data : bytes
        """
        path = self._path(digest)
        with disk_speaks_plainly():
            path.parent.mkdir(exist_ok=True)
            handle, name = tempfile.mkstemp(dir=path.parent, prefix=".coming-")
            temporary = Path(name)
            try:
                with os.fdopen(handle, "wb") as file:
                    file.write(data)
                    file.flush()
                    os.fsync(file.fileno())
                temporary.chmod(0o440)
                try:
                    os.link(temporary, path)
                except FileExistsError:
                    # The name is the content, so the file that is there is this one, unless
                    # the disk has damaged it; then a good copy has just been given.
                    if path.read_bytes() != data:
                        temporary.replace(path)
            finally:
                temporary.unlink(missing_ok=True)
            for folder in (path.parent, self._folder):
                sync_folder(folder)

    def get(self, digest: str) -> bytes:
        """Return the bytes of that hash, checked.

        Raises
        ------
        StoreError
            The file is gone or damaged.
        """
        hint = "Restore it from a backup; the numbers already measured are kept."
        try:
            data = self._path(digest).read_bytes()
        except OSError:
            raise StoreError(f"The picture {digest[:12]} can't be read.", hint=hint) from None
        if hashlib.sha256(data).hexdigest() != digest:
            raise StoreError(f"The picture {digest[:12]} is damaged.", hint=hint)
        return data

    def take_away(self, digest: str) -> None:
        """Delete the file of that hash, if it is there; on return the disk knows."""
        path = self._path(digest)
        with disk_speaks_plainly():
            path.unlink(missing_ok=True)
            if path.parent.is_dir():
                sync_folder(path.parent)

    def has(self, digest: str) -> bool:
        """Tell whether there is a file of that hash."""
        return self._path(digest).is_file()

    def _path(self, digest: str) -> Path:
        return self._folder / digest[:2] / digest


def keep_secret(path: Path, *, made_if_absent: bool = True) -> bytes:
    """Return a record's own random key, made when it is first asked for.

    It is readable by the record's owner only.  Whoever has it can tell whether a name that they
    know belongs to a copy in the record; without it nobody can.

    Raises
    ------
    StoreError
        The file is damaged.
    """
    with disk_speaks_plainly():
        if made_if_absent and not path.exists():
            handle, name = tempfile.mkstemp(dir=path.parent, prefix=".coming-")
            with os.fdopen(handle, "wb") as file:
                file.write(os.urandom(_SECRET_BYTES))
                file.flush()
                os.fsync(file.fileno())
            Path(name).chmod(0o400)
            Path(name).rename(path)
            sync_folder(path.parent)
        secret = path.read_bytes()
    if len(secret) != _SECRET_BYTES:
        raise StoreError("The record's key is damaged.", hint="Restore it from a backup.")
    return secret


class Lock:
    """A lock file, held until it is closed or the process ends.

    Parameters
    ----------
    path : Path

    Raises
    ------
    Busy
        Another process (or another part of this one) holds it.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        with disk_speaks_plainly():
            self._handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o640)
        try:
            fcntl.flock(self._handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            os.close(self._handle)
            raise Busy(
                f"Another service holds the record in {path.parent}.",
                hint="Stop it first, or use another folder.",
            ) from None

    def is_there(self) -> bool:
        """Tell whether the file is still the one that is held; a new one keeps nobody out."""
        try:
            found = self._path.stat()
        except OSError:
            return False
        mine = os.fstat(self._handle)
        return (found.st_dev, found.st_ino) == (mine.st_dev, mine.st_ino)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        os.close(self._handle)


def full_disk(whose: str = "The record's") -> Unwritable:
    """Return the error that says that a disk is full."""
    return Unwritable(
        f"{whose} disk is full.", hint="Free some space; what was taken in before is kept."
    )


def sync_folder(folder: Path) -> None:
    """Let the disk know what names a folder holds."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


@contextmanager
def disk_speaks_plainly(whose: str = "The record's") -> Iterator[None]:
    """Turn what the disk raises into an error that says what to do."""
    try:
        yield
    except Unwritable:
        raise
    except OSError as error:
        if error.errno in (errno.ENOSPC, errno.EDQUOT):
            raise full_disk(whose) from None
        raise Unwritable(
            f"{whose} folder can't be written ({os.strerror(error.errno or 0)}).",
            hint="Check the folder's disk and rights.",
        ) from None
