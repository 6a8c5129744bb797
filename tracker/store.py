"""The record: cases, pictures, results and events, durable and append-only.

A picture is written to disk and synced before the row that names it is committed, and the row is
committed before anyone is told that the picture was taken in.  A row therefore never points at a
missing file; a file without a row is harmless.  Nothing is ever changed: the tables refuse it.  A
case is deleted whole, by command, and the audit says so.

One service at a time holds a record.  Every entry of a case's journal is chained to the one before
it (:mod:`tracker.chain`).
"""

import hashlib
import json
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, Self, TypeVar

import sqlalchemy as sa
from sqlalchemy.exc import IntegrityError

from tracker import chain, engines, migrate, tables
from tracker.acting import SOFTWARE, role_now
from tracker.engines import speaking_plainly
from tracker.errors import InvalidCase, NotFound, StoreError, Unwritable
from tracker.record import CaseRow, EventRow, PictureRow, ResultRow, Stamp, WholeCase, time_text
from tracker.shelf import Lock, Shelf, disk_speaks_plainly, keep_secret
from tracker.tables import AUDIT, CASES, EVENTS, FORM, PICTURES, RESULTS, insert

SCHEMA_VERSION: Final = tables.VERSION
DATABASE: Final = "tracker.sqlite"

_T = TypeVar("_T")
_ANY_KEY: Final = 2**31
_ANY_HASH: Final = "0" * 64


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
    database : str, optional
        Address of a PostgreSQL database that holds the tables instead; pictures stay in the
        folder.
    reads_only : bool, optional
        Look at a record, also while a service holds it; nothing is written, made or locked.

    Raises
    ------
    Busy
        Another service holds the record.
    Unwritable
        The disk is full, read-only or a network share, or the record was made by newer software.
    """

    def __init__(
        self,
        folder: Path,
        stamp: Stamp,
        clock: Callable[[], datetime] = _now,
        *,
        database: str = "",
        reads_only: bool = False,
    ) -> None:
        self.folder = folder
        self.stamp = stamp
        self._clock = clock
        self._file = None if database else folder / DATABASE
        self._inode = (0, 0)
        self._damaged: dict[str, str] = {}
        self._lock: Lock | None = None
        self._service_lock: engines.ServiceLock | None = None
        with ExitStack() as opened:
            if reads_only:
                self._look(folder)
            self.shelf = Shelf(folder / "pictures", reads_only=reads_only)
            if not reads_only:
                engines.refuse_network_share(folder)
                self._lock = opened.enter_context(Lock(folder / "lock"))
            self.secret = keep_secret(folder / "key", made_if_absent=not reads_only)
            """Key of the names that de-identified copies get."""
            if self._file is None:
                self.engine = engines.postgres(database, reads_only=reads_only)
            else:
                self.engine = engines.sqlite(self._file, reads_only=reads_only)
            opened.callback(self.engine.dispose)
            if self._file is None and not reads_only:
                with speaking_plainly(folder):
                    self._service_lock = engines.ServiceLock(self.engine)
                opened.callback(self._service_lock.close)
            self._prepare(reads_only=reads_only)
            if self._file is not None:
                self._inode = _inode(self._file)
            self._opened = opened.pop_all()

    def close(self) -> None:
        """Let go of the record."""
        self._opened.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # --- cases ---------------------------------------------------------------------------

    def add_case(self, case_id: str, body: str) -> CaseRow:
        """Open a case; ``body`` is the JSON text of what is known about it."""
        at = self._clock()
        try:
            with self.writing() as link:
                key = insert(link, CASES, id=case_id, opened_at=time_text(at))
                case = CaseRow(key, case_id, at)
                self._log(link, case, at, "opened", body)
        except IntegrityError:
            raise InvalidCase(
                f"A case named {case_id} is already in the record.",
                hint="Choose another pseudonym.",
            ) from None
        return case

    def cases(
        self, limit: int | None = None, before: int | None = None, find: str = ""
    ) -> tuple[CaseRow, ...]:
        """Return cases, the newest first.

        Parameters
        ----------
        limit : int, optional
            At most so many.
        before : int, optional
            Only those whose key is lower, that is, opened before.
        find : str, optional
            Only those whose name holds this, in small letters or capitals.
        """
        query = sa.select(CASES).order_by(CASES.c.key.desc()).limit(limit)
        if before is not None and before < _ANY_KEY:
            query = query.where(CASES.c.key < before)
        if find:
            name = sa.func.lower(CASES.c.id)
            query = query.where(name.contains(find.lower(), autoescape=True))
        return tuple(self.sound(_case, row) for row in self.read(query))

    def count_cases(self) -> int:
        """Return the number of cases."""
        return int(self.read(sa.select(sa.func.count()).select_from(CASES))[0][0])

    def cases_named(self, names: Iterable[str]) -> tuple[CaseRow, ...]:
        """Return the cases of some names; a name that is not there is passed over."""
        rows = self.read(sa.select(CASES).where(CASES.c.id.in_(tuple(names))))
        return tuple(self.sound(_case, row) for row in rows)

    def case(self, case_id: str) -> CaseRow:
        """Return one case.

        Raises
        ------
        NotFound
        """
        for row in self.read(sa.select(CASES).where(CASES.c.id == case_id)):
            return self.sound(_case, row)
        raise NotFound(f"No case named {case_id!r} is in the record.", hint="Open it first.")

    # --- the journal ---------------------------------------------------------------------

    def append(self, case: CaseRow, kind: str, body: str, role: str | None = None) -> EventRow:
        """Add an entry to a case's journal.

        Parameters
        ----------
        case : CaseRow
        kind : str
        body : str
            JSON text.
        role : str, optional
            Who says it; without, whoever acts at present (:mod:`tracker.acting`).
        """
        with self.writing() as link:
            return self._log(link, case, self._clock(), kind, body, role=role)

    def events(self, case: CaseRow, after: int = 0) -> tuple[EventRow, ...]:
        """Return a case's journal in order, from past the key ``after`` on."""
        chosen = sa.and_(EVENTS.c.case_key == case.key, EVENTS.c.key > after)
        found = self.read(sa.select(EVENTS).where(chosen).order_by("key"))
        return tuple(self.sound(event_of_row, row) for row in found)

    def whole(self, case: CaseRow) -> WholeCase:
        """Return every row of a case as of one moment, also while a service writes."""
        with self.reading() as link:
            pictures, results, events = (
                tables.rows_of(link, table, case.key).all() for table in (PICTURES, RESULTS, EVENTS)
            )
        return WholeCase(
            case,
            tuple(self.sound(picture_of_row, row) for row in pictures),
            tuple(self.sound(result_of_row, row) for row in results),
            tuple(self.sound(event_of_row, row) for row in events),
        )

    def complaint(self) -> str:
        """Return what the database itself finds wrong with its file; empty where nothing is."""
        if self._file is None:
            return ""
        with self.reading() as link:
            for asked in ("PRAGMA integrity_check(1)", "PRAGMA foreign_key_check"):
                found = link.exec_driver_sql(asked).first()
                if found is not None and found[0] != "ok":
                    return " ".join(str(part) for part in found)
            # Keys are given one after another, so that an entry that is gone leaves its number.
            given = link.exec_driver_sql("SELECT seq FROM sqlite_sequence WHERE name = 'events'")
            count = sa.select(sa.func.count()).select_from(EVENTS)
            missing = int(given.scalar() or 0) - int(link.execute(count).scalar_one())
            given = link.exec_driver_sql("SELECT seq FROM sqlite_sequence WHERE name = 'audit'")
            count = sa.select(sa.func.count()).select_from(AUDIT)
            lines = int(given.scalar() or 0) - int(link.execute(count).scalar_one())
        if any(json.loads(line.body)["from"] != "sqlite" for line in self.audit_of("copied")):
            return ""
        if lines > 0:
            return f"{lines} lines of the audit are gone"
        missing -= sum(json.loads(line.body)["entries"] for line in self.audit_of(tables.DELETED))
        return f"{missing} entries of journals are gone" if missing > 0 else ""

    def head(self, case: CaseRow) -> str:
        """Return the hash of a case's last entry, which stands for the whole case."""
        with self.reading() as link:
            return self._head(link, case)

    def audit(self) -> tuple[EventRow, ...]:
        """Return what was done to the record as a whole: deletions, imports, migrations."""
        return tuple(
            self.sound(event_of_row, row) for row in self.read(sa.select(AUDIT).order_by("key"))
        )

    def audit_of(self, kind: str) -> tuple[EventRow, ...]:
        """Return the audit's lines of one kind."""
        return tuple(line for line in self.audit() if line.kind == kind)

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
            if not self._is_whole(digest):
                # Somebody has just given a good copy of what the disk has lost.
                self.shelf.put(digest, data)
            return known, False
        self.shelf.put(digest, data)
        at, name = self._clock(), _storable(name)
        with self.writing() as link:
            count = sa.select(sa.func.count()).where(PICTURES.c.case_key == case.key)
            number = int(link.execute(count).scalar_one())
            row = {"number": number, "name": name, "sha256": digest, "bytes": len(data)}
            key = insert(link, PICTURES, case_key=case.key, received_at=time_text(at), **row)
            picture = PictureRow(key, number, name, digest, len(data), at)
            body = _json(number=number, role=role)
            self._log(link, case, at, "picture", body, covers=hash_of_picture(picture))
        return picture, True

    def keep_original(self, digest: str, data: bytes) -> None:
        """Keep a file, of which a copy without a name is a picture, under its own hash."""
        self.shelf.put(digest, data)

    def pictures(self, case: CaseRow) -> tuple[PictureRow, ...]:
        """Return a case's pictures in the order in which they came."""
        query = sa.select(PICTURES).where(PICTURES.c.case_key == case.key)
        found = self.read(query.order_by(PICTURES.c.number))
        return tuple(self.sound(picture_of_row, row) for row in found)

    def picture_bytes(self, picture: PictureRow) -> bytes:
        """Return a picture's file, checked against its hash."""
        return self.file_bytes(picture.sha256)

    def file_bytes(self, digest: str) -> bytes:
        """Return a kept file by its hash, checked; what is damaged is remembered."""
        try:
            data = self.shelf.get(digest)
        except StoreError as error:
            self._damaged[digest] = error.message
            raise
        self._damaged.pop(digest, None)
        return data

    def damage(self) -> tuple[str, ...]:
        """Return what was found damaged since the record was opened and is not mended."""
        for digest in [one for one in self._damaged if len(one) == len(_ANY_HASH)]:
            with suppress(StoreError):
                self.file_bytes(digest)
        return tuple(self._damaged.values())

    # --- results -------------------------------------------------------------------------

    def add_result(self, case: CaseRow, picture: PictureRow, kind: str, body: str) -> ResultRow:
        """Add a result; earlier ones of the same picture stay."""
        at, stamp = self._clock(), self.stamp
        marks = {"software": stamp.software, "settings": stamp.settings}
        row = {"picture_key": picture.key, "kind": kind, "body": body, "sha256": picture.sha256}
        with self.writing() as link:
            last = sa.select(sa.func.max(RESULTS.c.serial)).where(RESULTS.c.case_key == case.key)
            serial = int(link.execute(last).scalar() or 0) + 1
            mine = {"case_key": case.key, "serial": serial}
            key = insert(link, RESULTS, at=time_text(at), **mine, **row, **marks)
            result = ResultRow(
                key, picture.key, at, kind, body, picture.sha256, **marks, serial=serial
            )
            said = _json(number=picture.number, result=serial)
            covers = hash_of_result(result, picture.number)
            self._log(link, case, at, "result", said, role=SOFTWARE, covers=covers)
        return result

    def results(self, case: CaseRow, after: int = 0) -> tuple[ResultRow, ...]:
        """Return a case's results in the order in which they were made, from past a serial on."""
        query = sa.select(RESULTS).where(RESULTS.c.case_key == case.key, RESULTS.c.serial > after)
        found = self.read(query.order_by(RESULTS.c.serial))
        return tuple(self.sound(result_of_row, row) for row in found)

    # --- for the rooms that move whole cases ---------------------------------------------

    @contextmanager
    def writing(self) -> Iterator[sa.Connection]:
        """Write in one transaction; on return it is on the disk of the record that was opened."""
        self._hold()
        with speaking_plainly(self.folder), self.engine.begin() as link:
            yield link
        # A file that was deleted meanwhile took the commit with it.
        self._hold()

    @contextmanager
    def reading(self) -> Iterator[sa.Connection]:
        """Read in one transaction, without keeping writers out."""
        with speaking_plainly(self.folder), self.engine.connect() as link:
            if self._file is None:
                link = link.execution_options(isolation_level="REPEATABLE READ")
            yield link.execution_options(reads_only=True)

    def note_in_audit(
        self, link: sa.Connection, kind: str, body: str, case_key: int | None = None
    ) -> None:
        """Write into the audit, within the caller's transaction."""
        query = sa.select(AUDIT.c.chain).order_by(AUDIT.c.key.desc()).limit(1)
        before = link.execute(query).scalar() or chain.start("audit", "")
        said = self._said(self._clock(), kind, body, role_now())
        covered = {**said, "covers": _covered_case(case_key)}
        linked = chain.link(before, (covered[name] for name in chain.FIELDS))
        insert(link, AUDIT, case_key=case_key, chain=linked, **said)

    def now(self) -> datetime:
        """Return the present time by the record's clock."""
        return self._clock()

    # --- inside --------------------------------------------------------------------------

    def _log(
        self,
        link: sa.Connection,
        case: CaseRow,
        at: datetime,
        kind: str,
        body: str,
        *,
        role: str | None = None,
        covers: str = "",
    ) -> EventRow:
        said = self._said(at, kind, body, role_now() if role is None else role[:32])
        said["covers"] = covers
        linked = chain.link(self._head(link, case), (said[name] for name in chain.FIELDS))
        key = insert(link, EVENTS, case_key=case.key, chain=linked, **said)
        del said["at"]
        return EventRow(key, at, **said, chain=linked)

    def _said(self, at: datetime, kind: str, body: str, role: str) -> dict[str, str]:
        stamp = {"software": self.stamp.software, "settings": self.stamp.settings}
        return {"at": time_text(at), "kind": kind, "body": body, **stamp, "role": role}

    def _head(self, link: sa.Connection, case: CaseRow) -> str:
        query = sa.select(EVENTS.c.chain).where(EVENTS.c.case_key == case.key)
        found = link.execute(query.order_by(EVENTS.c.key.desc()).limit(1)).scalar()
        return str(found) if found else chain.start(case.id, time_text(case.opened_at))

    def read(self, query: sa.Select[Any]) -> list[Any]:
        """Return the rows that a query finds."""
        with self.reading() as link:
            return list(link.execute(query))

    def _picture_by_hash(self, case: CaseRow, digest: str) -> PictureRow | None:
        chosen = sa.and_(PICTURES.c.case_key == case.key, PICTURES.c.sha256 == digest)
        rows = self.read(sa.select(PICTURES).where(chosen))
        return picture_of_row(rows[0]) if rows else None

    def _is_whole(self, digest: str) -> bool:
        try:
            self.file_bytes(digest)
        except StoreError:
            return False
        return True

    def sound(self, made: Callable[[Any], _T], row: Any) -> _T:
        """Make a row of the database into one of ours; what can't be one is damage."""
        try:
            return made(row)
        except (ValueError, TypeError):
            kind = made.__name__.removesuffix("_of_row").strip("_")
            message = f"The record is damaged: {kind} row {row.key} can't be read."
            self._damaged[f"{kind} {row.key}"] = message
            raise StoreError(
                message, hint="Restore it from a backup; tracker verify says what else is wrong."
            ) from None

    def check_held(self) -> None:
        """Raise what a writer would meet if the record was moved, deleted or taken by another."""
        self._hold()

    def newest_at(self) -> datetime | None:
        """Return the time of the record's last entry."""
        found = self.read(sa.select(EVENTS).order_by(EVENTS.c.key.desc()).limit(1))
        return self.sound(event_of_row, found[0]).at if found else None

    def _hold(self) -> None:
        """Refuse to write into a record that is no longer the one that was opened."""
        if self._lock is None:
            raise Unwritable("The record was opened to be looked at only.")
        if self._service_lock is not None:
            with speaking_plainly(self.folder):
                self._service_lock.hold()
        gone = not self._lock.is_there()
        if self._file is not None:
            gone = gone or _inode(self._file) != self._inode
        if gone:
            raise Unwritable(
                "The record has been moved or deleted.",
                hint=f"Put {self.folder} back as it was, or stop the service.",
            )

    def _look(self, folder: Path) -> None:
        if self._file is not None and not self._file.is_file():
            raise NotFound(f"There is no record in {folder}.", hint="Name its folder with --data.")

    def _prepare(self, *, reads_only: bool) -> None:
        """Make the tables of a new record; migrate an older one; refuse a newer one."""
        record = hashlib.sha256(b"record" + self.secret).hexdigest()
        with speaking_plainly(self.folder), self.engine.begin() as link:
            if not sa.inspect(link).has_table("schema_version"):
                if reads_only:
                    raise NotFound("There are no tables of a record.", hint="Name the right one.")
                tables.make(link, record)
            version = link.execute(sa.select(FORM.c.version)).scalar_one()
        if version == migrate.FROM and self._file is not None and not reads_only:
            self.engine.dispose()
            with speaking_plainly(self.folder), disk_speaks_plainly():
                kept = migrate.migrate(self._file, record)
            with self._writing_unheld() as link:
                self.note_in_audit(link, "migrated", _json(form=version, kept_as=kept))
        elif version != SCHEMA_VERSION:
            raise Unwritable(
                f"The record has form {version}; this software writes form {SCHEMA_VERSION}.",
                hint="Use the software that made the record, or another folder."
                if version > SCHEMA_VERSION
                else "Open it once with tracker serve: it is migrated, and the old form is kept.",
            )
        elif self._file is None:
            with self.reading() as link:
                if link.execute(sa.select(FORM.c.record)).scalar_one() != record:
                    raise StoreError(
                        f"The pictures in {self.folder} are not those of this database.",
                        hint="Give the folder that the database was made with.",
                    )

    @contextmanager
    def _writing_unheld(self) -> Iterator[sa.Connection]:
        """Write before the record counts as opened."""
        with speaking_plainly(self.folder), self.engine.begin() as link:
            yield link


def hash_of_picture(row: PictureRow) -> str:
    """Return the hash by which the journal covers a picture's row."""
    return chain.picture(row.number, row.name, row.sha256, row.bytes, time_text(row.received_at))


def hash_of_result(row: ResultRow, number: int) -> str:
    """Return the hash by which the journal covers a result's row; ``number`` is its picture's."""
    stamp = (row.software, row.settings)
    return chain.result(
        row.serial, number, row.sha256, time_text(row.at), row.kind, *stamp, row.body
    )


def _inode(path: Path) -> tuple[int, int]:
    try:
        found = path.stat()
    except OSError:
        return (-1, -1)
    return (found.st_dev, found.st_ino)


def _storable(name: str) -> str:
    """Return a file's name without what a database can't hold."""
    return name.replace("\0", "?").encode(errors="replace").decode()[:255]


def _case(row: Any) -> CaseRow:
    return CaseRow(row.key, row.id, _time(row.opened_at))


def picture_of_row(row: Any) -> PictureRow:
    """Make a picture out of its row."""
    return PictureRow(row.key, row.number, row.name, row.sha256, row.bytes, _time(row.received_at))


def event_of_row(row: Any) -> EventRow:
    """Make an entry, of a journal or of the audit out of its row."""
    said = (row.kind, row.body, row.software, row.settings, row.role)
    covers = row.covers if hasattr(row, "covers") else _covered_case(row.case_key)
    return EventRow(row.key, _time(row.at), *said, covers, row.chain)


def _covered_case(key: int | None) -> str:
    """Return what an audit line covers: the case's key, or nothing."""
    return "" if key is None else str(key)


def result_of_row(row: Any) -> ResultRow:
    """Make a result out of its row."""
    marks = (row.sha256, row.software, row.settings, row.serial)
    return ResultRow(row.key, row.picture_key, _time(row.at), row.kind, row.body, *marks)


def _json(**values: object) -> str:
    return json.dumps(values, sort_keys=True)


def _time(text: str) -> datetime:
    return datetime.fromisoformat(text)
