"""Form 1 of the record -> form 2.

The new database is written whole beside the old one.  Then the old file gets a second name, and
the new one takes its place in one step: at every moment there is one whole record under its name,
and the old form stays beside it, byte by byte.
"""

import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import sqlalchemy as sa

from tracker import chain, engines, tables
from tracker.errors import StoreError
from tracker.shelf import sync_folder
from tracker.tables import CASES, EVENTS, PICTURES, RESULTS, insert

FROM: Final = 1
ROLE: Final = "not recorded"
"""Form 1 did not say who wrote an entry."""


def migrate(path: Path, record: str) -> str:
    """Bring a SQLite file from form 1 to form 2.

    Parameters
    ----------
    path : Path
        Held by the caller, and closed.
    record : str
        What ties the database to its folder.

    Returns
    -------
    str
        Name of the file that holds the old form.
    """
    coming = path.with_name(f"{path.name}.coming")
    coming.unlink(missing_ok=True)
    old, new = engines.sqlite(path), engines.sqlite(coming)
    try:
        with old.connect() as source, new.begin() as target:
            tables.make(target, record)
            for row in _all(source, "cases"):
                insert(target, CASES, **row)
                _copy_case(source, target, row)
    except BaseException:
        coming.unlink(missing_ok=True)
        raise
    finally:
        old.dispose()
        new.dispose()
    kept = _free_name(path)
    os.link(path, kept)
    coming.replace(path)
    sync_folder(path.parent)
    return kept.name


def _free_name(path: Path) -> Path:
    for k in range(1, 1000):
        kept = path.with_name(f"{path.stem}-form-{FROM}{f'-{k}' if k > 1 else ''}{path.suffix}")
        if not kept.exists():
            return kept
    raise FileExistsError(path)


def _copy_case(source: sa.Connection, target: sa.Connection, case: dict[str, Any]) -> None:
    """Copy what belongs to one case; keys stay, so that the journal's own references hold."""
    numbers: dict[int, int] = {}
    covers: dict[tuple[str, int], str] = {}
    for row in _all(source, "pictures", case["key"]):
        insert(target, PICTURES, **row)
        numbers[row["key"]] = row["number"]
        covers["picture", row["number"]] = chain.picture(
            row["number"], row["name"], row["sha256"], row["bytes"], row["received_at"]
        )
    for row in _results(source, case["key"]):
        serial = row["key"]
        insert(target, RESULTS, case_key=case["key"], serial=serial, **row)
        covers["result", serial] = chain.result(
            serial,
            numbers[row["picture_key"]],
            *(row[name] for name in ("sha256", "at", "kind", "software", "settings", "body")),
        )
    before = chain.start(case["id"], case["opened_at"])
    for row in _all(source, "events", case["key"]):
        row |= {"role": ROLE, "covers": _covered(row, covers)}
        before = chain.link(before, (row[name] for name in chain.FIELDS))
        insert(target, EVENTS, **row, chain=before)


def _covered(row: dict[str, Any], covers: dict[tuple[str, int], str]) -> str:
    if row["kind"] not in ("picture", "result"):
        return ""
    named = json.loads(row["body"])
    key = named["number"] if row["kind"] == "picture" else named["result"]
    if (row["kind"], key) not in covers:
        raise StoreError(
            f"The record is damaged: entry {row['key']} names a {row['kind']} that is not there.",
            hint="Restore tracker.sqlite from a backup.",
        )
    return covers[row["kind"], key]


def _all(link: sa.Connection, table: str, case_key: int | None = None) -> Iterator[dict[str, Any]]:
    columns = ", ".join(_FORM_1[table])
    condition = "" if case_key is None else f"WHERE case_key = {int(case_key)}"
    for row in link.exec_driver_sql(f"SELECT {columns} FROM {table} {condition} ORDER BY key"):
        yield dict(row._mapping)


def _results(link: sa.Connection, case_key: int) -> Iterator[dict[str, Any]]:
    columns = ", ".join(f"results.{name}" for name in _FORM_1["results"])
    for row in link.exec_driver_sql(
        f"SELECT {columns} FROM results JOIN pictures ON pictures.key = results.picture_key "
        f"WHERE pictures.case_key = {int(case_key)} ORDER BY results.key"
    ):
        yield dict(row._mapping)


_SAID: Final = ("at", "kind", "software", "settings", "body")
_FORM_1: Final[dict[str, tuple[str, ...]]] = {
    "cases": ("key", "id", "opened_at"),
    "pictures": ("key", "case_key", "number", "name", "sha256", "bytes", "received_at"),
    "results": ("key", "picture_key", "sha256", *_SAID),
    "events": ("key", "case_key", *_SAID),
}
