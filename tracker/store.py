"""The record: cases, pictures, results and events, durable and append-only.

A picture is written to disk and synced before the row that names it is committed, and the row is
committed before anyone is told that the picture was taken in.  A row therefore never points at a
missing file; a file without a row is harmless.  Nothing is ever changed or deleted: the tables
refuse it.

One service at a time holds a record (a lock file).  SQLite runs with a rollback journal: the
versions that stable systems ship can lose commits in the newer journal mode, and one picture a
minute needs no speed.
"""

import hashlib
import json
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, Self

import sqlalchemy as sa
from sqlalchemy.exc import DatabaseError, IntegrityError, OperationalError

from tracker.errors import Busy, InternalError, InvalidCase, NotFound, StoreError, Unwritable
from tracker.record import CaseRow, EventRow, PictureRow, ResultRow, Stamp
from tracker.shelf import Shelf, full_disk, keep_secret, take_lock

SCHEMA_VERSION: Final = 1

_META = sa.MetaData()
_VERSION = sa.Table("schema_version", _META, sa.Column("version", sa.Integer, nullable=False))
_CASES = sa.Table(
    "cases",
    _META,
    sa.Column("key", sa.Integer, primary_key=True),
    sa.Column("id", sa.String(64), nullable=False, unique=True),
    sa.Column("opened_at", sa.String(40), nullable=False),
)
_PICTURES = sa.Table(
    "pictures",
    _META,
    sa.Column("key", sa.Integer, primary_key=True),
    sa.Column("case_key", sa.ForeignKey("cases.key"), nullable=False, index=True),
    sa.Column("number", sa.Integer, nullable=False),
    sa.Column("name", sa.String(255), nullable=False),
    sa.Column("sha256", sa.String(64), nullable=False),
    sa.Column("bytes", sa.Integer, nullable=False),
    sa.Column("received_at", sa.String(40), nullable=False),
    sa.UniqueConstraint("case_key", "sha256"),
    sa.UniqueConstraint("case_key", "number"),
)


def _written() -> tuple[sa.Column[Any], ...]:
    """Return the columns that say what was written, when, and by which software."""
    lengths = {"at": 40, "kind": 32, "software": 32, "settings": 12}
    columns = [sa.Column(name, sa.String(size), nullable=False) for name, size in lengths.items()]
    return (*columns, sa.Column("body", sa.Text, nullable=False))


_RESULTS = sa.Table(
    "results",
    _META,
    sa.Column("key", sa.Integer, primary_key=True),
    sa.Column("picture_key", sa.ForeignKey("pictures.key"), nullable=False, index=True),
    sa.Column("sha256", sa.String(64), nullable=False),
    *_written(),
)
_EVENTS = sa.Table(
    "events",
    _META,
    sa.Column("key", sa.Integer, primary_key=True),
    sa.Column("case_key", sa.ForeignKey("cases.key"), nullable=False, index=True),
    *_written(),
)


def _now() -> datetime:
    return datetime.now(UTC)


class Store:
    """A record in a folder.

    Parameters
    ----------
    folder : Path
        Made if absent.  Holds ``tracker.sqlite``, ``pictures/`` and the lock file.
    stamp : Stamp
        Software version and settings digest of this run.
    clock : callable, optional
        Gives the present time with its time zone.

    Raises
    ------
    Busy
        Another service holds the record.
    Unwritable
        The disk is full or read-only, or the record was made by newer software.
    """

    def __init__(self, folder: Path, stamp: Stamp, clock: Callable[[], datetime] = _now) -> None:
        self.folder = folder
        self._stamp = stamp
        self._clock = clock
        self._shelf = Shelf(folder / "pictures")
        self._lock = take_lock(folder / "lock")
        try:
            self.secret = keep_secret(folder / "key")
            """Key of the names that de-identified copies get."""
            self._engine = _engine(folder / "tracker.sqlite")
            self._prepare()
        except BaseException:
            os.close(self._lock)
            raise

    def close(self) -> None:
        """Let go of the record."""
        self._engine.dispose()
        os.close(self._lock)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # --- cases ---------------------------------------------------------------------------

    def add_case(self, case_id: str, body: str) -> CaseRow:
        """Open a case; ``body`` is the JSON text of what is known about it."""
        at = self._clock()
        try:
            with _record_speaks_plainly(), self._engine.begin() as link:
                key = _insert(link, _CASES, id=case_id, opened_at=_text(at))
                self._log(link, key, at, "opened", body)
        except IntegrityError:
            raise InvalidCase(
                f"A case named {case_id} is already in the record.",
                hint="Choose another pseudonym.",
            ) from None
        return CaseRow(key, case_id, at)

    def cases(self) -> tuple[CaseRow, ...]:
        """Return all cases, the newest first."""
        rows = self._read(sa.select(_CASES).order_by(_CASES.c.key.desc()))
        return tuple(CaseRow(row.key, row.id, _time(row.opened_at)) for row in rows)

    def case(self, case_id: str) -> CaseRow:
        """Return one case.

        Raises
        ------
        NotFound
        """
        for row in self._read(sa.select(_CASES).where(_CASES.c.id == case_id)):
            return CaseRow(row.key, row.id, _time(row.opened_at))
        raise NotFound(f"No case named {case_id!r} is in the record.", hint="Open it first.")

    # --- the journal ---------------------------------------------------------------------

    def append(self, case: CaseRow, kind: str, body: str) -> EventRow:
        """Add an entry to a case's journal."""
        at = self._clock()
        with _record_speaks_plainly(), self._engine.begin() as link:
            key = self._log(link, case.key, at, kind, body)
        return EventRow(key, at, kind, body, self._stamp.software, self._stamp.settings)

    def events(self, case: CaseRow, after: int = 0) -> tuple[EventRow, ...]:
        """Return a case's journal in order, from past the key ``after`` on."""
        chosen = sa.and_(_EVENTS.c.case_key == case.key, _EVENTS.c.key > after)
        return tuple(map(_event, self._read(sa.select(_EVENTS).where(chosen).order_by("key"))))

    # --- pictures ------------------------------------------------------------------------

    def keep_picture(
        self, case: CaseRow, data: bytes, name: str, role: str = "still"
    ) -> tuple[PictureRow, bool]:
        """Keep a picture: on disk and synced, then in the table.

        Parameters
        ----------
        case : CaseRow
        data : bytes
            The file as it came.
        name : str
            The file's name, for people.
        role : str
            What it is for; goes into the journal.

        Returns
        -------
        picture : PictureRow
        is_new : bool
            False when the case already holds the same bytes; then nothing was added.
        """
        digest = hashlib.sha256(data).hexdigest()
        known = self._picture_by_hash(case, digest)
        if known is not None:
            return known, False
        self._shelf.put(digest, data)
        at = self._clock()
        with _record_speaks_plainly(), self._engine.begin() as link:
            count = sa.select(sa.func.count()).where(_PICTURES.c.case_key == case.key)
            number = int(link.execute(count).scalar_one())
            key = _insert(
                link,
                _PICTURES,
                case_key=case.key,
                number=number,
                name=name,
                sha256=digest,
                bytes=len(data),
                received_at=_text(at),
            )
            self._log(link, case.key, at, "picture", _json(number=number, role=role))
        return PictureRow(key, number, name, digest, len(data), at), True

    def keep_original(self, digest: str, data: bytes) -> None:
        """Keep a file, of which a copy without a name is a picture, under its own hash."""
        self._shelf.put(digest, data)

    def pictures(self, case: CaseRow) -> tuple[PictureRow, ...]:
        """Return a case's pictures in the order in which they came."""
        query = sa.select(_PICTURES).where(_PICTURES.c.case_key == case.key)
        return tuple(map(_picture, self._read(query.order_by(_PICTURES.c.number))))

    def picture_bytes(self, picture: PictureRow) -> bytes:
        """Return a picture's file, checked against its hash."""
        return self._shelf.get(picture.sha256)

    # --- results -------------------------------------------------------------------------

    def add_result(self, case: CaseRow, picture: PictureRow, kind: str, body: str) -> ResultRow:
        """Add a result; earlier ones of the same picture stay."""
        at, stamp = self._clock(), self._stamp
        marks = {"software": stamp.software, "settings": stamp.settings}
        row = {"picture_key": picture.key, "kind": kind, "body": body, "sha256": picture.sha256}
        with _record_speaks_plainly(), self._engine.begin() as link:
            key = _insert(link, _RESULTS, at=_text(at), **row, **marks)
            self._log(link, case.key, at, "result", _json(number=picture.number, result=key))
        return ResultRow(key, picture.key, at, kind, body, picture.sha256, **marks)

    def results(self, case: CaseRow) -> tuple[ResultRow, ...]:
        """Return every result of a case in the order in which they were made."""
        query = (
            sa.select(_RESULTS)
            .join(_PICTURES, _PICTURES.c.key == _RESULTS.c.picture_key)
            .where(_PICTURES.c.case_key == case.key)
            .order_by(_RESULTS.c.key)
        )
        return tuple(map(_result, self._read(query)))

    # --- inside --------------------------------------------------------------------------

    def _log(self, link: sa.Connection, case_key: int, at: datetime, kind: str, body: str) -> int:
        return _insert(
            link,
            _EVENTS,
            case_key=case_key,
            at=_text(at),
            kind=kind,
            body=body,
            software=self._stamp.software,
            settings=self._stamp.settings,
        )

    def _read(self, query: sa.Select[Any]) -> list[Any]:
        with _record_speaks_plainly(), self._engine.connect() as link:
            return list(link.execution_options(reads_only=True).execute(query))

    def _picture_by_hash(self, case: CaseRow, digest: str) -> PictureRow | None:
        chosen = sa.and_(_PICTURES.c.case_key == case.key, _PICTURES.c.sha256 == digest)
        rows = self._read(sa.select(_PICTURES).where(chosen))
        return _picture(rows[0]) if rows else None

    def _prepare(self) -> None:
        """Make the tables of a new record; refuse a newer one."""
        with _record_speaks_plainly(), self._engine.begin() as link:
            if not sa.inspect(link).has_table("schema_version"):
                _META.create_all(link)
                for table in (_CASES, _PICTURES, _RESULTS, _EVENTS):
                    _forbid_changes(link, table.name)
                link.execute(_VERSION.insert().values(version=SCHEMA_VERSION))
            version = link.execute(sa.select(_VERSION.c.version)).scalar_one()
        if version != SCHEMA_VERSION:
            raise Unwritable(
                f"The record has form {version}; this software writes form {SCHEMA_VERSION}.",
                hint="Use the software that made the record, or another folder.",
            )


def _engine(path: Path) -> sa.Engine:
    engine = sa.create_engine(f"sqlite:///{path}")

    @sa.event.listens_for(engine, "connect")
    def _(link: Any, _record: object) -> None:
        # The driver's own habit is to commit each change of the schema by itself.
        link.isolation_level = None
        for pragma in (
            "journal_mode=DELETE",
            "synchronous=EXTRA",
            "foreign_keys=ON",
            "busy_timeout=5000",
        ):
            link.execute(f"PRAGMA {pragma}")

    @sa.event.listens_for(engine, "begin")
    def _(link: sa.Connection) -> None:
        # Who will write takes the lock at once: two who read first and then both want to write
        # could only be told that they are in each other's way.
        reads_only = link.get_execution_options().get("reads_only", False)
        link.exec_driver_sql("BEGIN" if reads_only else "BEGIN IMMEDIATE")

    return engine


def _forbid_changes(link: sa.Connection, table: str) -> None:
    """Let the database itself refuse updates and deletions."""
    for action in ("UPDATE", "DELETE"):
        link.execute(
            sa.text(
                f"CREATE TRIGGER {table}_no_{action.lower()} BEFORE {action} ON {table} "
                f"BEGIN SELECT RAISE(ABORT, 'append-only'); END"
            )
        )


def _insert(link: sa.Connection, table: sa.Table, **values: object) -> int:
    key = link.execute(table.insert().values(**values)).inserted_primary_key
    if key is None:
        raise InternalError(f"a new row of {table.name} has no key")
    return int(key[0])


def _picture(row: Any) -> PictureRow:
    return PictureRow(row.key, row.number, row.name, row.sha256, row.bytes, _time(row.received_at))


def _event(row: Any) -> EventRow:
    return EventRow(row.key, _time(row.at), row.kind, row.body, row.software, row.settings)


def _result(row: Any) -> ResultRow:
    marks = (row.sha256, row.software, row.settings)
    return ResultRow(row.key, row.picture_key, _time(row.at), row.kind, row.body, *marks)


def _json(**values: object) -> str:
    return json.dumps(values, sort_keys=True)


def _text(at: datetime) -> str:
    return at.astimezone(UTC).isoformat(timespec="microseconds")


def _time(text: str) -> datetime:
    return datetime.fromisoformat(text)


@contextmanager
def _record_speaks_plainly() -> Iterator[None]:
    try:
        yield
    except IntegrityError:
        raise
    except OperationalError as error:
        text = str(error.orig)
        if "full" in text:
            raise full_disk() from None
        if "locked" in text:
            raise Busy("The record is busy.", hint="Try again in a moment.") from None
        raise Unwritable(
            "The record can't be read or written.", hint="Check the record's disk and rights."
        ) from None
    except DatabaseError:
        raise StoreError(
            "The record is damaged.", hint="Restore tracker.sqlite from a backup."
        ) from None
