"""The form in which the record keeps things: its rows, and values as plain JSON without loss.

The declared types of the dataclasses drive both directions, so that a value that gains a field
needs no second description here.  Arrays become nested lists; JSON carries a float64 exactly.
A field that an older record lacks takes its default; an unknown field is an error.
"""

import json
import types
from dataclasses import MISSING, dataclass, fields, is_dataclass
from datetime import UTC, datetime
from enum import StrEnum
from functools import cache
from typing import Any, Literal, TypeVar, Union, cast, get_args, get_origin, get_type_hints

import numpy as np

from tracker.errors import InternalError

T = TypeVar("T")

Plain = dict[str, Any]
"""What json.loads gives for an object."""


@dataclass(frozen=True, slots=True)
class CaseRow:
    """One case of the record."""

    key: int
    id: str
    opened_at: datetime


@dataclass(frozen=True, slots=True)
class PictureRow:
    """One picture as it was taken in; ``number`` counts from 0 within its case."""

    key: int
    number: int
    name: str
    sha256: str
    bytes: int
    received_at: datetime


@dataclass(frozen=True, slots=True)
class ResultRow:
    """One result as JSON text; ``kind`` says of what ("reference" or "still").

    ``serial`` is how the journal names it, within its case.
    """

    key: int
    picture_key: int
    at: datetime
    kind: str
    body: str
    sha256: str
    software: str
    settings: str
    serial: int


@dataclass(frozen=True, slots=True)
class EventRow:
    """One entry of a case's journal; keys rise through the whole record.

    ``role`` is who wrote it, ``covers`` the hash of the picture's or result's row that it
    announces, ``chain`` the hash over it and all before it; see :mod:`tracker.chain`.
    """

    key: int
    at: datetime
    kind: str
    body: str
    software: str
    settings: str
    role: str = ""
    covers: str = ""
    chain: str = ""


@dataclass(frozen=True, slots=True)
class WholeCase:
    """Every row of one case, as of one moment."""

    row: CaseRow
    pictures: tuple[PictureRow, ...]
    results: tuple[ResultRow, ...]
    events: tuple[EventRow, ...]


@dataclass(frozen=True, slots=True)
class Stamp:
    """What is written beside every event and result."""

    software: str
    settings: str


def time_text(at: datetime) -> str:
    """Return a time as the record holds it: UTC, to the microsecond."""
    return at.astimezone(UTC).isoformat(timespec="microseconds")


def encode(value: object) -> Any:
    """Turn a value into dicts, lists, strings, numbers, booleans and None.

    Parameters
    ----------
    value : dataclass instance, ndarray, tuple, str, float, int, bool or None

    Returns
    -------
    object
        Something that ``json.dumps`` takes.
    """
    if is_dataclass(value) and not isinstance(value, type):
        return {part.name: encode(getattr(value, part.name)) for part in fields(value)}
    if isinstance(value, np.ndarray):
        return value.tolist()
    if isinstance(value, (tuple, list)):
        return [encode(item) for item in value]
    if isinstance(value, dict):
        return {str(key): encode(item) for key, item in value.items()}
    if isinstance(value, StrEnum):
        return value.value
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, datetime):
        return time_text(value)
    if value is None or isinstance(value, (str, float, int, bool)):
        return value
    raise InternalError(f"the record has no form for a {type(value).__name__}")


def decode(kind: type[T], plain: Plain) -> T:
    """Rebuild a dataclass from what :func:`encode` made of it.

    Parameters
    ----------
    kind : type
        The dataclass.
    plain : dict
        Its encoded form.

    Returns
    -------
    kind
    """
    return cast(T, _decode(kind, plain))


def to_text(value: object) -> str:
    """Return a value's JSON text: one line, keys sorted, no NaN."""
    return json.dumps(encode(value), sort_keys=True, allow_nan=False, separators=(",", ":"))


def from_text(kind: type[T], text: str) -> T:
    """Rebuild a dataclass from its JSON text."""
    return decode(kind, json.loads(text))


@cache
def _hints(kind: type) -> dict[str, Any]:
    return get_type_hints(kind)


def _decode(kind: Any, plain: Any) -> Any:
    origin = get_origin(kind)
    if origin in (Union, types.UnionType):
        return _decode_optional(kind, plain)
    if origin is Literal:
        if plain not in get_args(kind):
            raise InternalError(f"the record holds {plain!r}, which is none of {get_args(kind)}")
        return plain
    if origin is tuple:
        return _decode_tuple(get_args(kind), plain)
    if origin is np.ndarray:
        # NDArray[np.float64] is ndarray[shape, dtype[float64]].
        scalar = get_args(get_args(kind)[1])[0]
        return np.asarray(plain, dtype=scalar)
    if is_dataclass(kind):
        return _decode_dataclass(cast(type, kind), plain)
    if isinstance(kind, type) and issubclass(kind, StrEnum):
        return kind(plain)
    if kind is datetime:
        return _decode_time(plain)
    if kind is float:
        return float(plain)
    if kind in (str, int, bool):
        if not isinstance(plain, kind):
            raise InternalError(f"the record holds {plain!r} where a {kind.__name__} belongs")
        return plain
    raise InternalError(f"the record has no form for {kind!r}")


def _decode_time(plain: Any) -> datetime:
    found = datetime.fromisoformat(plain)
    if found.tzinfo is None:
        raise InternalError(f"the record holds {plain!r}, which has no time zone")
    return found


def _decode_optional(kind: Any, plain: Any) -> Any:
    members = [member for member in get_args(kind) if member is not type(None)]
    if plain is None:
        return None
    if len(members) != 1:
        raise InternalError(f"the record can't tell the members of {kind!r} apart")
    return _decode(members[0], plain)


def _decode_tuple(members: tuple[Any, ...], plain: Any) -> tuple[Any, ...]:
    if len(members) == 2 and members[1] is Ellipsis:
        return tuple(_decode(members[0], item) for item in plain)
    return tuple(_decode(member, item) for member, item in zip(members, plain, strict=True))


def _decode_dataclass(kind: type, plain: Any) -> Any:
    hints = _hints(kind)
    parts = {part.name: part for part in fields(kind)}
    unknown = set(plain) - set(parts)
    if unknown:
        raise InternalError(f"the record holds unknown fields of {kind.__name__}: {unknown}")
    given = {}
    for name, part in parts.items():
        if name in plain:
            given[name] = _decode(hints[name], plain[name])
        elif part.default is MISSING and part.default_factory is MISSING:
            raise InternalError(f"the record lacks {kind.__name__}.{name}")
    return kind(**given)
