"""Where every case's journal stands, in one question to the database.

What was put together from a journal stays true until the journal grows.
"""

from dataclasses import dataclass

import sqlalchemy as sa

from tracker.record import CaseRow
from tracker.store import Store
from tracker.tables import CASES, EVENTS


@dataclass(frozen=True, slots=True)
class Mark:
    """Tells two states of a record apart: the last entry of all, and the number of cases."""

    last_event: int
    cases: int


def mark(store: Store) -> Mark:
    """Return how far the record has come; quick however many cases there are."""
    last = sa.select(sa.func.max(EVENTS.c.key)).scalar_subquery()
    count = sa.select(sa.func.count()).select_from(CASES).scalar_subquery()
    with store.reading() as link:
        found = link.execute(sa.select(last, count)).one()
    return Mark(found[0] or 0, found[1])


def heads(store: Store) -> dict[int, tuple[CaseRow, str]]:
    """Return each case and the hash of its journal's last entry, by the case's key.

    The hash stands for the whole journal, also where a record was restored and went another way.
    """
    last = sa.select(sa.func.max(EVENTS.c.key)).group_by(EVENTS.c.case_key)
    query = sa.select(EVENTS.c.case_key, EVENTS.c.chain).where(EVENTS.c.key.in_(last))
    with store.reading() as link:
        found = {row.case_key: row.chain for row in link.execute(query)}
    return {case.key: (case, found.get(case.key, "")) for case in store.cases()}
