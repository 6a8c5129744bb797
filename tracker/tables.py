"""The record's tables, in the form this software writes, for both databases.

They only grow: the database itself refuses to change a row, and to delete one unless the audit
says that its case was deleted.  Keys are never given twice.
"""

from typing import Any, Final

import sqlalchemy as sa

from tracker.errors import InternalError

VERSION: Final = 2
"""Form 2 added who wrote an entry and the chain of hashes; form 1 is migrated."""

DELETED: Final = "deleted"
"""Kind of the audit line without which no row can be deleted."""

META: Final = sa.MetaData()
# SQLite would otherwise give the key of a deleted last row again.
_NEVER_AGAIN: Final[dict[str, Any]] = {"sqlite_autoincrement": True}


def _key() -> sa.Column[int]:
    return sa.Column("key", sa.Integer, primary_key=True)


def _texts(**lengths: int) -> list[sa.Column[str]]:
    return [sa.Column(name, sa.String(size), nullable=False) for name, size in lengths.items()]


def _said() -> list[sa.Column[str]]:
    """What was written, when, and by which software."""
    body = sa.Column("body", sa.Text, nullable=False)
    return [*_texts(at=40, kind=32, software=32, settings=12), body]


def _case() -> sa.Column[int]:
    return sa.Column("case_key", sa.ForeignKey("cases.key"), nullable=False)


FORM: Final = sa.Table(
    "schema_version",
    META,
    sa.Column("version", sa.Integer, nullable=False),
    # Ties a database elsewhere to the folder of its pictures.
    *_texts(record=64),
)
CASES: Final = sa.Table(
    "cases",
    META,
    _key(),
    sa.Column("id", sa.String(64), nullable=False, unique=True),
    *_texts(opened_at=40),
    **_NEVER_AGAIN,
)
PICTURES: Final = sa.Table(
    "pictures",
    META,
    _key(),
    _case(),
    sa.Column("number", sa.Integer, nullable=False),
    *_texts(name=255, sha256=64),
    sa.Column("bytes", sa.Integer, nullable=False),
    *_texts(received_at=40),
    sa.UniqueConstraint("case_key", "sha256"),
    sa.UniqueConstraint("case_key", "number"),
    sa.Index("pictures_by_content", "sha256"),
    **_NEVER_AGAIN,
)
RESULTS: Final = sa.Table(
    "results",
    META,
    _key(),
    _case(),
    # By which the journal names it; counts within its case, so that it means the same elsewhere.
    sa.Column("serial", sa.Integer, nullable=False),
    sa.Column("picture_key", sa.ForeignKey("pictures.key"), nullable=False, index=True),
    *_texts(sha256=64),
    *_said(),
    sa.UniqueConstraint("case_key", "serial"),
    **_NEVER_AGAIN,
)
EVENTS: Final = sa.Table(
    "events",
    META,
    _key(),
    _case(),
    *_said(),
    *_texts(role=32, covers=64, chain=64),
    sa.Index("events_of_a_case", "case_key", "key"),
    sa.Index("events_by_kind", "case_key", "kind", "key"),
    **_NEVER_AGAIN,
)
AUDIT: Final = sa.Table(
    "audit",
    META,
    _key(),
    # No foreign key: the line outlives its case.
    sa.Column("case_key", sa.Integer, nullable=True),
    *_said(),
    *_texts(role=32, chain=64),
    sa.Index("audit_by_case", "case_key", "kind"),
    **_NEVER_AGAIN,
)
GROWING: Final = (CASES, PICTURES, RESULTS, EVENTS)
"""The tables of cases, in the order in which rows can be copied."""


def make(link: sa.Connection, record: str) -> None:
    """Make the tables of a new record, within the caller's transaction."""
    META.create_all(link)
    if link.dialect.name == "postgresql":
        link.exec_driver_sql(_POSTGRES_GUARD)
    for table in (*GROWING, AUDIT):
        forbid_changes(link, table)
    link.execute(FORM.insert().values(version=VERSION, record=record))


def forbid_changes(link: sa.Connection, table: sa.Table) -> None:
    """Let the database refuse changes, and deletions that the audit does not name."""
    whose = "" if table is AUDIT else "key" if table is CASES else "case_key"
    if link.dialect.name == "postgresql":
        link.exec_driver_sql(
            f"CREATE TRIGGER only_grows BEFORE UPDATE OR DELETE ON {table.name} "
            f"FOR EACH ROW EXECUTE FUNCTION only_grows('{whose}')"
        )
        link.exec_driver_sql(
            f"CREATE TRIGGER never_emptied BEFORE TRUNCATE ON {table.name} "
            f"FOR EACH STATEMENT EXECUTE FUNCTION only_grows('')"
        )
        return
    unless = (
        f"WHEN NOT EXISTS (SELECT 1 FROM audit WHERE kind = '{DELETED}' AND case_key = OLD.{whose})"
    )
    for action, condition in (("UPDATE", ""), ("DELETE", unless if whose else "")):
        link.exec_driver_sql(
            f"CREATE TRIGGER {table.name}_no_{action.lower()} BEFORE {action} ON {table.name} "
            f"{condition} BEGIN SELECT RAISE(ABORT, 'append-only'); END"
        )


_POSTGRES_GUARD: Final = f"""
CREATE OR REPLACE FUNCTION only_grows() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF TG_OP = 'DELETE' AND TG_ARGV[0] <> '' THEN
        IF EXISTS (
            SELECT 1 FROM audit
            WHERE kind = '{DELETED}' AND case_key = (to_jsonb(OLD) ->> TG_ARGV[0])::integer
        ) THEN
            RETURN OLD;
        END IF;
    END IF;
    RAISE EXCEPTION 'append-only' USING ERRCODE = 'restrict_violation';
END
$$
"""


def insert(link: sa.Connection, table: sa.Table, **values: object) -> int:
    """Add a row and return its key."""
    key = link.execute(table.insert().values(**values)).inserted_primary_key
    if key is None:
        raise InternalError(f"a new row of {table.name} has no key")
    return int(key[0])


def rows_of(link: sa.Connection, table: sa.Table, case_key: int) -> sa.CursorResult[Any]:
    """Return a case's rows of a table, in the order of their keys."""
    query = sa.select(table).where(table.c.case_key == case_key).order_by(table.c.key)
    return link.execute(query)
