"""Many cases read at once, without what makes a case heavy: the bodies of its results."""

from typing import Any

import sqlalchemy as sa

from tracker.errors import StoreError
from tracker.record import CaseRow, WholeCase
from tracker.store import Store, event_of_row, picture_of_row, result_of_row
from tracker.tables import EVENTS, PICTURES, RESULTS

_LIGHT = (*(column for column in RESULTS.c if column.name != "body"), sa.literal("").label("body"))
_PARTS = (
    (PICTURES, tuple(PICTURES.c), picture_of_row),
    (RESULTS, _LIGHT, result_of_row),
    (EVENTS, tuple(EVENTS.c), event_of_row),
)


def journals(store: Store, cases: tuple[CaseRow, ...]) -> tuple[WholeCase, ...]:
    """Return cases with all rows, but for the results' bodies: those are empty.

    A row that can't be read leaves its case out.
    """
    keys = tuple(case.key for case in cases)
    found: dict[int, list[list[Any]]] = {key: [[], [], []] for key in keys}
    with store.reading() as link:
        for place, (table, columns, made) in enumerate(_PARTS):
            query = sa.select(*columns).where(table.c.case_key.in_(keys))
            for row in link.execute(query.order_by(table.c.case_key, table.c.key)):
                try:
                    found.get(row.case_key, [[], [], []])[place].append(store.sound(made, row))
                except StoreError:
                    found.pop(row.case_key, None)
    return tuple(
        WholeCase(case, *map(tuple, found[case.key])) for case in cases if case.key in found
    )


def heads(store: Store, cases: tuple[CaseRow, ...]) -> dict[int, str]:
    """Return the hash of the last entry of each case, by the case's key."""
    last = sa.select(sa.func.max(EVENTS.c.key)).group_by(EVENTS.c.case_key)
    last = last.where(EVENTS.c.case_key.in_([case.key for case in cases]))
    query = sa.select(EVENTS.c.case_key, EVENTS.c.chain).where(EVENTS.c.key.in_(last))
    return {row.case_key: str(row.chain) for row in store.read(query)}


def last_bodies(store: Store, cases: tuple[WholeCase, ...]) -> dict[tuple[int, int], str]:
    """Return the text of the last result of each case, by the case's key and its serial."""
    last = [(one.row.key, one.results[-1].serial) for one in cases if one.results]
    chosen = sa.tuple_(RESULTS.c.case_key, RESULTS.c.serial).in_(last)
    query = sa.select(RESULTS.c.case_key, RESULTS.c.serial, RESULTS.c.body).where(chosen)
    return {(row.case_key, row.serial): str(row.body) for row in store.read(query)}


def body(store: Store, case: CaseRow, serial: int) -> str:
    """Return the text of one result."""
    chosen = sa.and_(RESULTS.c.case_key == case.key, RESULTS.c.serial == serial)
    [row] = store.read(sa.select(RESULTS.c.body).where(chosen))
    return str(row.body)
