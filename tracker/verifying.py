"""Walking a record: every chain, every row that a chain covers, every picture's file.

The first thing that is wrong is named with its case and its place.  Nothing is mended.
"""

import hashlib
import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

from tracker import chain
from tracker.errors import NotFound, StoreError
from tracker.record import EventRow, WholeCase, time_text
from tracker.store import Store, hash_of_picture, hash_of_result

_ANNOUNCING: Final = ("picture", "result")


@dataclass(frozen=True, slots=True)
class Wrong:
    """Something that is not as it was written.

    Attributes
    ----------
    case_id : str
        Empty where it is none of a case's.
    place : str
        Which entry, picture or result.
    what : str
    """

    case_id: str
    place: str
    what: str

    def __str__(self) -> str:
        of = f"case {self.case_id}, " if self.case_id else ""
        return f"{of}{self.place}: {self.what}"


@dataclass(slots=True)
class Walked:
    """How much was looked at."""

    cases: int = 0
    entries: int = 0
    pictures: int = 0
    results: int = 0


def verify(store: Store, tell: Callable[[Walked], None] | None = None) -> Walked:
    """Walk a whole record.

    Parameters
    ----------
    store : Store
        May be opened to be looked at only, while a service writes.
    tell : callable, optional
        Called after each case.

    Returns
    -------
    Walked

    Raises
    ------
    StoreError
        Something is wrong; the message names the first such thing.
    """
    walked = Walked()
    for wrong in _walk(store, walked, tell or (lambda _: None)):
        raise StoreError(
            f"The record is not as it was written: {wrong}.",
            hint="Nothing was changed. Restore what is wrong from a backup.",
        )
    return walked


def _walk(store: Store, walked: Walked, tell: Callable[[Walked], None]) -> Iterator[Wrong]:
    broken = broken_link(store.audit(), chain.start("audit", ""))
    if broken is not None:
        yield Wrong("", f"line {broken.key} of the audit ({broken.kind})", "its hash does not fit")
    # Only now: what it says of entries that are gone it takes from the audit.
    complaint = store.complaint()
    if complaint:
        yield Wrong("", "the database", complaint)
    for case in reversed(store.cases()):
        try:
            whole = store.whole(store.case(case.id))
        except NotFound:
            continue  # deleted by command meanwhile
        wrong = wrong_with(whole) or _wrong_with_files(store, whole)
        if wrong is not None:
            yield wrong
        walked.cases += 1
        walked.entries += len(whole.events)
        walked.pictures += len(whole.pictures)
        walked.results += len(whole.results)
        tell(walked)


def broken_link(events: tuple[EventRow, ...], before: str) -> EventRow | None:
    """Return the first entry whose hash does not follow from its words and the entry before it."""
    for event in events:
        before = chain.link(before, [_field(event, name) for name in chain.FIELDS])
        if event.chain != before:
            return event
    return None


def _field(event: EventRow, name: str) -> str:
    return time_text(event.at) if name == "at" else str(getattr(event, name))


def wrong_with(whole: WholeCase) -> Wrong | None:
    """Return the first thing that is wrong with a case's rows, if any; files are not opened."""
    return next(_wrongs(whole), None)


def _wrongs(whole: WholeCase) -> Iterator[Wrong]:
    case_id = whole.row.id
    if not whole.events or whole.events[0].kind != "opened":
        yield Wrong(case_id, "the journal", "it does not begin with the opening")
        return
    broken = broken_link(whole.events, chain.start(case_id, time_text(whole.row.opened_at)))
    if broken is not None:
        yield Wrong(case_id, _entry(whole, broken), "its hash does not fit")
    numbers = {picture.key: picture.number for picture in whole.pictures}
    covers: dict[tuple[str, int], str] = {
        ("picture", row.number): hash_of_picture(row) for row in whole.pictures
    }
    for row in whole.results:
        if row.picture_key not in numbers:
            yield Wrong(case_id, f"result {row.serial}", "its picture is not of this case")
            return
        covers["result", row.serial] = hash_of_result(row, numbers[row.picture_key])
    for event in whole.events:
        if event.kind not in _ANNOUNCING:
            continue
        name = _announced(event)
        if name is None or name not in covers:
            said = " ".join(map(str, name)) if name else f"a {event.kind}"
            yield Wrong(case_id, _entry(whole, event), f"{said}, which it announces, is gone")
        elif covers.pop(name) != event.covers:
            yield Wrong(case_id, f"{name[0]} {name[1]}", "its row is not what the journal covers")
    for kind, number in covers:
        yield Wrong(case_id, f"{kind} {number}", "the journal does not announce it")


def _announced(event: EventRow) -> tuple[str, int] | None:
    """Return which row an entry announces: a picture by its number, a result by its serial."""
    try:
        plain = json.loads(event.body)
        return event.kind, int(plain["number" if event.kind == "picture" else "result"])
    except (ValueError, TypeError, KeyError):
        return None


def _entry(whole: WholeCase, event: EventRow) -> str:
    place = next(k for k, one in enumerate(whole.events) if one is event)
    return f"entry {place + 1} of {len(whole.events)} ({event.kind}, {time_text(event.at)[:19]})"


def _wrong_with_files(store: Store, whole: WholeCase) -> Wrong | None:
    for picture in whole.pictures:
        place = f"picture {picture.number} ({picture.name})"
        try:
            data = store.picture_bytes(picture)
        except StoreError as error:
            return Wrong(whole.row.id, place, error.message.rstrip("."))
        if len(data) != picture.bytes:
            return Wrong(whole.row.id, place, f"it has {len(data)} bytes, not {picture.bytes}")
    for digest in originals(whole):
        if (
            store.shelf.has(digest)
            and hashlib.sha256(store.shelf.get(digest)).hexdigest() != digest
        ):
            return Wrong(whole.row.id, f"original {digest[:12]}", "its file is damaged")
    return None


def originals(whole: WholeCase) -> tuple[str, ...]:
    """Return the hashes of files of which a copy without a name was kept."""
    found = (json.loads(event.body) for event in whole.events if event.kind == "original")
    return tuple(str(plain["sha256"]) for plain in found)
