"""Whole cases put into a record and taken out of it, each in one step and with its audit line."""

import json
from collections.abc import Callable
from typing import Final

import sqlalchemy as sa
from sqlalchemy.exc import IntegrityError

from tracker import tables
from tracker.derived import forget
from tracker.errors import InvalidCase
from tracker.record import CaseRow, WholeCase, time_text
from tracker.store import Store
from tracker.tables import CASES, EVENTS, PICTURES, RESULTS, insert
from tracker.verifying import originals

IMPORTED: Final = "imported"


def put(store: Store, whole: WholeCase, read: Callable[[str], bytes], head: str) -> CaseRow:
    """Put a whole case into a record as it was in another one.

    Parameters
    ----------
    store : Store
    whole : WholeCase
        Its keys are those of the other record; new ones are given.
    read : callable
        Gives the bytes of a picture by its SHA-256.
    head : str
        Hash of its last entry, for the audit.

    Returns
    -------
    CaseRow

    Raises
    ------
    InvalidCase
        The record has a case of this name.
    """
    if any(case.id == whole.row.id for case in store.cases()):
        raise _taken(whole.row.id)
    brought = []
    try:
        for picture in whole.pictures:
            if not store.shelf.has(picture.sha256):
                brought.append(picture.sha256)
            store.shelf.put(picture.sha256, read(picture.sha256))
        with store.writing() as link:
            case = _put_rows(link, whole)
            body = {"case": case.id, "head": head, "entries": len(whole.events)}
            store.note_in_audit(link, IMPORTED, json.dumps(body, sort_keys=True), case.key)
    except BaseException as error:
        for digest in brought:
            store.shelf.take_away(digest)
        if isinstance(error, IntegrityError):
            raise _taken(whole.row.id) from None
        raise
    return case


def _taken(case_id: str) -> InvalidCase:
    return InvalidCase(
        f"A case named {case_id} is already in the record.",
        hint="A case is imported once; look at the one that is there.",
    )


def _put_rows(link: sa.Connection, whole: WholeCase) -> CaseRow:
    opened_at = time_text(whole.row.opened_at)
    key = insert(link, CASES, id=whole.row.id, opened_at=opened_at)
    keys = {}
    for picture in whole.pictures:
        keys[picture.key] = insert(
            link,
            PICTURES,
            case_key=key,
            number=picture.number,
            name=picture.name,
            sha256=picture.sha256,
            bytes=picture.bytes,
            received_at=time_text(picture.received_at),
        )
    for result in whole.results:
        insert(
            link,
            RESULTS,
            case_key=key,
            serial=result.serial,
            picture_key=keys[result.picture_key],
            sha256=result.sha256,
            at=time_text(result.at),
            kind=result.kind,
            software=result.software,
            settings=result.settings,
            body=result.body,
        )
    for event in whole.events:
        insert(
            link,
            EVENTS,
            case_key=key,
            at=time_text(event.at),
            kind=event.kind,
            software=event.software,
            settings=event.settings,
            body=event.body,
            role=event.role,
            covers=event.covers,
            chain=event.chain,
        )
    return CaseRow(key, whole.row.id, whole.row.opened_at)


def delete(store: Store, case: CaseRow, reason: str) -> None:
    """Delete a case: its rows, and the files that no other case holds; the audit keeps a line.

    Parameters
    ----------
    store : Store
    case : CaseRow
    reason : str
        In somebody's words; it stays in the audit.
    """
    # First: whatever happens after, nothing of the case stays in what was made from it.
    forget(store.folder)
    whole = store.whole(case)
    files = {picture.sha256 for picture in whole.pictures} | set(originals(whole))
    with store.writing() as link:
        gone = sorted(files - _held_elsewhere(link, case, files))
        body = {
            "case": case.id,
            "opened_at": time_text(case.opened_at),
            "head": whole.events[-1].chain if whole.events else "",
            "entries": len(whole.events),
            "pictures": len(whole.pictures),
            "files": gone,
            "reason": reason,
        }
        said = json.dumps(body, sort_keys=True)
        store.note_in_audit(link, tables.DELETED, said, case.key)
        for table in (EVENTS, RESULTS, PICTURES):
            link.execute(table.delete().where(table.c.case_key == case.key))
        link.execute(CASES.delete().where(CASES.c.key == case.key))
    for digest in gone:
        store.shelf.take_away(digest)


def _held_elsewhere(link: sa.Connection, case: CaseRow, files: set[str]) -> set[str]:
    """Return those of some files that other cases hold too."""
    others = sa.select(PICTURES.c.sha256).where(
        PICTURES.c.case_key != case.key, PICTURES.c.sha256.in_(files)
    )
    held = {str(row.sha256) for row in link.execute(others)}
    notes = sa.select(EVENTS.c.body).where(
        EVENTS.c.case_key != case.key, EVENTS.c.kind == "original"
    )
    return held | {str(json.loads(row.body)["sha256"]) for row in link.execute(notes)} & files


def finish_deletions(store: Store) -> None:
    """Take away the files of the last deleted case, if the machine stopped before that was done."""
    lines = store.audit_of(tables.DELETED)
    left = (
        [one for one in json.loads(lines[-1].body)["files"] if store.shelf.has(one)]
        if lines
        else []
    )
    if not left:
        return
    with store.reading() as link:
        held = _held_elsewhere(link, CaseRow(-1, "", store.now()), set(left))
    for digest in sorted(set(left) - held):
        store.shelf.take_away(digest)
