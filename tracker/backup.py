"""A copy of a whole record while a service writes into it, and a record made from such a copy.

The record only grows, so a copy of all rows up to one moment is a whole record, and it can be made
in small steps that keep nobody waiting.  Pictures are on the disk before their rows are.  A case
that is deleted meanwhile makes the copying begin again.

The copy is a ZIP archive: unpacked, it is a record's folder.  The key that de-identified copies
were named with is in it, so it is to be kept like the record itself.
"""

import hashlib
import json
import re
import tempfile
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import sqlalchemy as sa

from tracker import tables
from tracker.engines import speaking_plainly
from tracker.errors import Busy, InputError, StoreError
from tracker.parcel import file_hash, writing_whole
from tracker.record import Stamp
from tracker.shelf import Shelf, disk_speaks_plainly
from tracker.store import DATABASE, Store
from tracker.tables import AUDIT, CASES, EVENTS, GROWING, PICTURES
from tracker.verifying import Walked, verify

COPIED: Final = "copied"
_KEY: Final = "key"
_ROWS: Final = 200
_TRIES: Final = 5
_MOST_FILE_BYTES: Final = 1_000_000_000
_TABLES: Final = (*GROWING, AUDIT)
_PICTURE: Final = re.compile(r"pictures/([0-9a-f]{2})/(\1[0-9a-f]{62})")


def backup(store: Store, path: Path) -> str:
    """Copy a record into one file.

    Parameters
    ----------
    store : Store
        May be opened to be looked at only, while a service writes.
    path : Path
        Must not exist yet.

    Returns
    -------
    str
        SHA-256 of the file.
    """
    with writing_whole(path) as coming:
        for _ in range(_TRIES):
            with tempfile.TemporaryDirectory(dir=path.parent, prefix=".coming-") as place:
                if _is_packed(store, Path(place), coming):
                    break
        else:
            raise Busy("Cases are being deleted; the copy was given up.", hint="Try again.")
    return file_hash(path)


def _is_packed(store: Store, place: Path, coming: Path) -> bool:
    """Pack the record of one moment; False if a case was deleted before that was done."""
    deletions = len(store.audit_of(tables.DELETED))
    (place / _KEY).write_bytes(store.secret)
    with Store(place, store.stamp, store.now) as copy:
        copy_rows(store, copy)
        digests = _digests(copy)
    with zipfile.ZipFile(coming, "w", zipfile.ZIP_STORED) as archive:
        archive.writestr(_KEY, store.secret)
        archive.write(place / DATABASE, DATABASE, zipfile.ZIP_DEFLATED, 1)
        for digest, is_needed in sorted(digests.items()):
            if is_needed or store.shelf.has(digest):
                try:
                    data = store.shelf.get(digest)
                except StoreError:
                    if len(store.audit_of(tables.DELETED)) != deletions:
                        return False
                    raise
                archive.writestr(f"pictures/{digest[:2]}/{digest}", data)
    return len(store.audit_of(tables.DELETED)) == deletions


def _digests(store: Store) -> dict[str, bool]:
    """Return the hashes of all files that the rows name; False where the file need not be there."""
    with store.reading() as link:
        pictures = link.execute(sa.select(PICTURES.c.sha256)).scalars().all()
        notes = link.execute(sa.select(EVENTS.c.body).where(EVENTS.c.kind == "original"))
        originals = [str(json.loads(row.body)["sha256"]) for row in notes]
    return dict.fromkeys(originals, False) | dict.fromkeys(pictures, True)


def copy_rows(source: Store, target: Store) -> None:
    """Copy every row of one moment into an empty record, keys and all.

    Parameters
    ----------
    source : Store
        Is read in short steps, so that its writers wait for nothing.
    target : Store
    """
    with source.reading() as link:
        ends = {
            table.name: int(link.execute(sa.select(sa.func.max(table.c.key))).scalar() or 0)
            for table in _TABLES
        }
        kind, given = link.dialect.name, _given(link)
    for table in _TABLES:
        for rows in _in_steps(source, table, ends[table.name]):
            with target.writing() as link:
                link.execute(table.insert(), rows)
    with target.writing() as link:
        for name, end in ends.items():
            _never_again(link, name, max(end, given.get(name, 0)))
        # A database that skips numbers must not look later as if entries had been lost.
        body = json.dumps({"from": kind, "upto": ends["events"]}, sort_keys=True)
        target.note_in_audit(link, COPIED, body)


def _in_steps(source: Store, table: sa.Table, end: int) -> Iterator[list[dict[str, Any]]]:
    last = 0
    while True:
        query = sa.select(table).where(table.c.key > last, table.c.key <= end)
        with source.reading() as link:
            found = link.execute(query.order_by(table.c.key).limit(_ROWS)).mappings().all()
        if not found:
            return
        yield [dict(row) for row in found]
        last = int(found[-1]["key"])


def _given(link: sa.Connection) -> dict[str, int]:
    """Return the highest key that a deleted row may have had, by table."""
    if link.dialect.name == "sqlite":
        found = link.execute(sa.text("SELECT name, seq FROM sqlite_sequence"))
        return {row.name: int(row.seq) for row in found}
    # The audit lets rows of the cases that it names go: their keys must not come again.
    return {CASES.name: int(link.execute(sa.select(sa.func.max(AUDIT.c.case_key))).scalar() or 0)}


def _never_again(link: sa.Connection, table: str, end: int) -> None:
    """Let the next key be higher than all that were ever given."""
    values = {"table": table, "end": end}
    if link.dialect.name == "sqlite":
        link.execute(sa.text("DELETE FROM sqlite_sequence WHERE name = :table"), values)
        link.execute(sa.text("INSERT INTO sqlite_sequence VALUES (:table, :end)"), values)
    elif end:
        link.execute(sa.text("SELECT setval(pg_get_serial_sequence(:table, 'key'), :end)"), values)


def restore(
    path: Path, folder: Path, stamp: Stamp, *, database: str = "", most: int = _MOST_FILE_BYTES
) -> Walked:
    """Make a record from a copy, and walk it.

    Parameters
    ----------
    path : Path
        What :func:`backup` wrote.
    folder : Path
        Must be empty or not there.
    stamp : Stamp
    database : str, optional
        Address of an empty PostgreSQL database that gets the tables.
    most : int, optional
        Largest picture, bytes.

    Returns
    -------
    Walked

    Raises
    ------
    InputError
        The file is no copy of a record, or the folder is not empty.
    StoreError
        The copy is not whole; what was made of it stays to be looked at.
    """
    with disk_speaks_plainly(f"{folder}: its"):
        folder.mkdir(parents=True, exist_ok=True)
        if any(folder.iterdir()):
            raise InputError(f"{folder} is not empty.", hint="Give a new folder.")
    try:
        with zipfile.ZipFile(path) as archive:
            if {_KEY, DATABASE} - set(archive.namelist()):
                raise _no_copy(path)
            _unpack(archive, path, folder, most)
            with tempfile.TemporaryDirectory(dir=folder, prefix=".coming-") as place:
                tables_at = Path(place) if database else folder
                _unpack_tables(archive, tables_at)
                if database:
                    (tables_at / _KEY).write_bytes((folder / _KEY).read_bytes())
                    _into_database(tables_at, folder, stamp, database)
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError):
        raise _no_copy(path) from None
    except FileNotFoundError:
        raise InputError(f"{path} can't be read.", hint="Name a backup.") from None
    with Store(folder, stamp, database=database) as store:
        return verify(store)


def _into_database(source: Path, folder: Path, stamp: Stamp, database: str) -> None:
    with (
        Store(source, stamp, reads_only=True) as old,
        Store(folder, stamp, database=database) as new,
    ):
        if new.count_cases() or new.audit():
            raise InputError("The database holds a record.", hint="Give an empty one.")
        with speaking_plainly(folder):
            copy_rows(old, new)


def _unpack(archive: zipfile.ZipFile, path: Path, folder: Path, most: int) -> None:
    """Put key and pictures in their places; each file's place follows from its hash."""
    shelf = Shelf(folder / "pictures")
    for entry in archive.infolist():
        if entry.filename in (_KEY, DATABASE):
            continue
        named = _PICTURE.fullmatch(entry.filename)
        if named is None or entry.file_size > most:
            raise _no_copy(path)
        data = archive.read(entry)
        if hashlib.sha256(data).hexdigest() != named[2]:
            raise InputError(
                f"{path} is damaged: picture {named[2][:12]}.", hint="Use another backup."
            )
        shelf.put(named[2], data)
    with disk_speaks_plainly(f"{folder}: its"):
        (folder / _KEY).write_bytes(archive.read(_KEY)[:64])
        (folder / _KEY).chmod(0o400)


def _unpack_tables(archive: zipfile.ZipFile, folder: Path) -> None:
    with (
        disk_speaks_plainly(f"{folder}: its"),
        archive.open(DATABASE) as packed,
        (folder / DATABASE).open("wb") as file,
    ):
        while block := packed.read(1 << 20):
            file.write(block)


def _no_copy(path: Path) -> InputError:
    return InputError(f"{path} is no copy of a record.", hint="Give a file of tracker backup.")
