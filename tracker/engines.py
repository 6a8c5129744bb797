"""Opening the record's database: SQLite in the folder, or PostgreSQL at an address.

SQLite runs with a rollback journal: the versions that stable systems ship can lose commits in the
newer journal mode, and one picture a minute needs no speed.  A folder on a network share is
refused, for locks and syncs can't be relied on there.
"""

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from threading import Lock
from typing import Any, Final

import sqlalchemy as sa
from sqlalchemy.exc import DatabaseError, IntegrityError, InterfaceError, OperationalError

from tracker.errors import Busy, InputError, StoreError, Unwritable
from tracker.shelf import full_disk

OLDEST_SQLITE: Final = (3, 35, 0)
"""The first with all that the record asks for, and with no known way to lose a commit in the
rollback journal."""

_NETWORK: Final = frozenset(
    {"nfs", "nfs4", "cifs", "smb", "smb2", "smb3", "smbfs", "afs", "ncpfs", "davfs"}
    | {"ceph", "glusterfs", "lustre", "gfs2", "ocfs2", "beegfs"}
    | {"fuse.sshfs", "fuse.davfs", "fuse.davfs2", "fuse.glusterfs", "fuse.ceph", "fuse.rclone"}
    | {"fuse.s3fs", "fuse.smbnetfs", "fuse.gvfsd-fuse"}
)
_FEW_BYTES: Final = 256 * 1024
_ONE_WRITER: Final = 0x52494D01
_ONE_SERVICE: Final = 0x52494D02
_PRAGMAS: Final = {
    "synchronous": "EXTRA",
    "foreign_keys": "ON",
    "busy_timeout": "5000",
    # What is deleted by command is overwritten, not only forgotten.
    "secure_delete": "ON",
}


def network_share(folder: str, mounts: str) -> str:
    r"""Return the kind of network share that a folder lies on; empty where it lies on a disk.

    Parameters
    ----------
    folder : str
        Absolute path without links.
    mounts : str
        Text of ``/proc/mounts``.

    Returns
    -------
    str

    Examples
    --------
    >>> network_share("/data/record", "/dev/sda / ext4 rw 0 0\nbox:/x /data nfs4 rw 0 0\n")
    'nfs4'
    >>> network_share("/database", "/dev/sda / ext4 rw 0 0\nbox:/x /data nfs4 rw 0 0\n")
    ''
    """
    kind, longest = "", -1
    for line in mounts.splitlines():
        parts = line.split(" ")
        if len(parts) < 3:
            continue
        # Blanks and the like stand as octal numbers there.
        point = parts[1].encode("latin-1", "replace").decode("unicode_escape").rstrip("/")
        inside = folder == point or folder.startswith(f"{point}/")
        # Of two mounts at one place the later one hides the earlier.
        if inside and len(point) >= longest:
            kind, longest = parts[2], len(point)
    return kind if kind in _NETWORK else ""


def refuse_network_share(folder: Path) -> None:
    """Raise Unwritable if the folder lies on a network share."""
    try:
        mounts = Path("/proc/mounts").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return
    kind = network_share(str(folder.resolve()), mounts)
    if kind:
        raise Unwritable(
            f"The folder {folder} lies on a network share ({kind}).",
            hint="Keep the record on a disk of this machine; backups may lie on the share.",
        )


def sqlite(path: Path, *, reads_only: bool = False) -> sa.Engine:
    """Return an engine over a SQLite file."""
    engine = sa.create_engine(sa.URL.create("sqlite", database=str(path)))

    @sa.event.listens_for(engine, "connect")
    def _(link: Any, _record: object) -> None:
        # The driver's own habit is to commit each change of the schema by itself.
        link.isolation_level = None
        _refuse_old(link.execute("SELECT sqlite_version()").fetchone()[0])
        for name, value in _PRAGMAS.items():
            link.execute(f"PRAGMA {name}={value}")
        if reads_only:
            link.execute("PRAGMA query_only=ON")
        elif link.execute("PRAGMA journal_mode=DELETE").fetchone()[0] != "delete":
            raise Unwritable(
                "The record's database can't be opened in the safe mode.",
                hint="Close every other program that has tracker.sqlite open.",
            )

    @sa.event.listens_for(engine, "begin")
    def _(link: sa.Connection) -> None:
        # Who will write takes the lock at once: two who read first and then both want to write
        # could only be told that they are in each other's way.
        reads = reads_only or link.get_execution_options().get("reads_only", False)
        link.exec_driver_sql("BEGIN" if reads else "BEGIN IMMEDIATE")

    return engine


def _refuse_old(version: str) -> None:
    if tuple(int(part) for part in version.split(".")[:3]) < OLDEST_SQLITE:
        wanted = ".".join(map(str, OLDEST_SQLITE))
        raise Unwritable(
            f"The SQLite of this Python is {version}; the record needs {wanted}.",
            hint="Use a newer Python or system.",
        )


def postgres(address: str, *, reads_only: bool = False) -> sa.Engine:
    """Return an engine over a PostgreSQL database.

    Raises
    ------
    InputError
        The address is not of that kind, or the driver is not installed.
    """
    hint = "Give one like postgresql+psycopg://user@host/database."
    try:
        url = sa.make_url(address)
        if url.drivername not in ("postgresql", "postgresql+psycopg"):
            raise InputError("The database's address is not one of PostgreSQL.", hint=hint)
        engine = sa.create_engine(
            url.set(drivername="postgresql+psycopg"),
            pool_pre_ping=True,
            connect_args={"connect_timeout": 5, "application_name": "tracker"},
        )
    except sa.exc.ArgumentError:
        raise InputError("The database's address can't be read.", hint=hint) from None
    except ModuleNotFoundError:
        raise InputError(
            "A PostgreSQL database needs psycopg.",
            hint="Install with the extra: pip install -e '.[postgres]'",
        ) from None

    @sa.event.listens_for(engine, "connect")
    def _(link: Any, _record: object) -> None:
        # A commit is on the server's disk before it is acknowledged, whatever the server's habit.
        link.execute("SET synchronous_commit = on")
        link.execute("SET lock_timeout = '5s'")
        link.execute("SET TIME ZONE 'UTC'")
        if reads_only:
            link.execute("SET default_transaction_read_only = on")
        link.commit()

    @sa.event.listens_for(engine, "begin")
    def _(link: sa.Connection) -> None:
        # One writer at a time, as in SQLite: numbers and chains follow on what is there.
        if not (reads_only or link.get_execution_options().get("reads_only", False)):
            link.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_ONE_WRITER}, {_schema()})")

    return engine


def _schema() -> str:
    """Return the second half of a lock's name: two records may lie in schemas of one database."""
    return "hashtext(current_schema()::text)"


class ServiceLock:
    """The one service of a PostgreSQL record: a lock that lives as long as its connection.

    Parameters
    ----------
    engine : Engine

    Raises
    ------
    Busy
        Another service holds it.
    """

    def __init__(self, engine: sa.Engine) -> None:
        self._engine = engine
        self._link: sa.Connection | None = None
        self._guard = Lock()
        self.hold()

    def hold(self) -> None:
        """Make sure that the lock is held; after the server went away it is taken again."""
        with self._guard:
            self._hold()

    def _hold(self) -> None:
        if self._link is not None:
            try:
                self._link.exec_driver_sql("SELECT 1")
            except sa.exc.SQLAlchemyError:
                self.close()
            else:
                return
        link = self._engine.connect().execution_options(
            reads_only=True, isolation_level="AUTOCOMMIT"
        )
        asked = f"SELECT pg_try_advisory_lock({_ONE_SERVICE}, {_schema()})"
        if not link.exec_driver_sql(asked).scalar_one():
            link.close()
            raise another_service("this database")
        self._link = link

    def close(self) -> None:
        """Let go."""
        if self._link is not None:
            # By a word: the server may take a while to notice that a connection has ended.
            with suppress(sa.exc.SQLAlchemyError):
                self._link.exec_driver_sql(
                    f"SELECT pg_advisory_unlock({_ONE_SERVICE}, {_schema()})"
                )
            # Not back into the pool: the lock ends with the connection.
            self._link.invalidate()
            self._link.close()
            self._link = None


def another_service(place: str) -> Busy:
    """Return the error that says that the record is held."""
    return Busy(
        f"Another service holds the record in {place}.",
        hint="Stop it first, or use another one.",
    )


@contextmanager
def speaking_plainly(folder: Path) -> Iterator[None]:
    """Turn what a database's driver raises into an error that says what to do."""
    try:
        yield
    except IntegrityError:
        raise
    except (OperationalError, InterfaceError) as error:
        text = str(error.orig).lower()
        if "full" in text or "no space" in text or _nearly_full(folder):
            raise full_disk() from None
        if "could not decode" in text:
            raise _damaged() from None
        if "locked" in text or "lock timeout" in text:
            raise Busy("The record is busy.", hint="Try again in a moment.") from None
        if "psycopg" in type(error.orig).__module__:
            raise Unwritable(
                "The record's database does not answer.",
                hint="Look after the database's server; what was taken in before is kept.",
            ) from None
        raise Unwritable(
            "The record can't be read or written.", hint="Check the record's disk and rights."
        ) from None
    except DatabaseError as error:
        if "psycopg" in type(error.orig).__module__:
            raise StoreError(
                "The record's database can't do what was asked.",
                hint="Look into the database server's log.",
            ) from None
        raise _damaged() from None


def _damaged() -> StoreError:
    return StoreError("The record is damaged.", hint="Restore tracker.sqlite from a backup.")


def _nearly_full(folder: Path) -> bool:
    try:
        found = os.statvfs(folder)
    except OSError:
        return False
    return found.f_bavail * found.f_frsize < _FEW_BYTES
