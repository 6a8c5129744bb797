"""The chain of hashes over a case's journal.

Each entry carries a hash over its own fields and the hash of the entry before it; the first one
follows the case's name and time of opening.  An entry that announces a picture or a result also
carries a hash of that row.  Whoever changes, drops or moves anything that is not the very end of a
journal changes every later hash; the last hash stands for the whole case and is printed where it
can be compared.

Nothing here is secret: the chain shows damage and careless changes, not a forger who writes the
whole journal anew.
"""

import hashlib
import json
from collections.abc import Iterable


def start(case_id: str, opened_at: str) -> str:
    """Return what a case's first entry follows.

    Parameters
    ----------
    case_id : str
    opened_at : str
        As it stands in the record.

    Returns
    -------
    str
        64 hex digits, as all hashes here.
    """
    return _digest(["case", case_id, opened_at])


def link(before: str, fields: Iterable[str]) -> str:
    """Return the hash of an entry that follows another one.

    Parameters
    ----------
    before : str
        Hash of the entry before, or of the start.
    fields : iterable of str
        Everything that the entry says, in the order of :data:`FIELDS`.

    Returns
    -------
    str
    """
    return _digest([before, *fields])


FIELDS = ("at", "kind", "body", "software", "settings", "role", "covers")
"""What an entry's hash is taken over, in this order."""


def picture(number: int, name: str, sha256: str, size: int, received_at: str) -> str:
    """Return the hash of a picture's row, which covers the file by the file's own hash."""
    return _digest(["picture", number, name, sha256, size, received_at])


def result(
    serial: int,
    number: int,
    sha256: str,
    at: str,
    kind: str,
    software: str,
    settings: str,
    body: str,
) -> str:
    """Return the hash of a result's row."""
    return _digest(["result", serial, number, sha256, at, kind, software, settings, body])


def _digest(parts: list[str | int]) -> str:
    # JSON keeps the parts apart: no two lists give one text.
    text = json.dumps(parts, ensure_ascii=True, separators=(",", ":"))
    return hashlib.sha256(text.encode("ascii")).hexdigest()
