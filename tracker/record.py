"""The form in which the record keeps things: its rows, and values as plain JSON without loss.

The declared types of the dataclasses drive both directions, so that a value that gains a field
needs no second description here.  Arrays become nested lists; JSON carries a float64 exactly.
A field that an older record lacks takes its default; an unknown field is an error.
"""

import json
import types
from collections.abc import Callable
from dataclasses import MISSING, dataclass, fields, is_dataclass
from datetime import UTC, datetime
from enum import StrEnum
from functools import cache, partial
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
    return cast(T, _reader(cast(Any, kind))(plain))


def to_text(value: object) -> str:
    """Return a value's JSON text: one line, keys sorted, no NaN."""
    return json.dumps(encode(value), sort_keys=True, allow_nan=False, separators=(",", ":"))


def from_text(kind: type[T], text: str) -> T:
    """Rebuild a dataclass from its JSON text."""
    return decode(kind, json.loads(text))


Reader = Callable[[Any], Any]


@cache
def _reader(kind: Any) -> Reader:
    """Return what rebuilds a value of a type; worked out once a type, for thousands of values."""
    origin = get_origin(kind)
    if origin in (Union, types.UnionType):
        return _optional(kind)
    if origin is Literal:
        return _one_of(get_args(kind))
    if origin is tuple:
        return _several(get_args(kind))
    if origin is np.ndarray:
        # NDArray[np.float64] is ndarray[shape, dtype[float64]].
        scalar = get_args(get_args(kind)[1])[0]
        return partial(np.asarray, dtype=scalar)
    if is_dataclass(kind):
        return _parts_of(cast(type, kind))
    if isinstance(kind, type) and issubclass(kind, StrEnum):
        return kind
    if kind is datetime:
        return _decode_time
    if kind is float:
        return float
    if kind in (str, int, bool):
        return _plain(kind)
    raise InternalError(f"the record has no form for {kind!r}")


def _plain(kind: type) -> Reader:
    def read(plain: Any) -> Any:
        if not isinstance(plain, kind):
            raise InternalError(f"the record holds {plain!r} where a {kind.__name__} belongs")
        return plain

    return read


def _one_of(allowed: tuple[Any, ...]) -> Reader:
    def read(plain: Any) -> Any:
        if plain not in allowed:
            raise InternalError(f"the record holds {plain!r}, which is none of {allowed}")
        return plain

    return read


def _decode_time(plain: Any) -> datetime:
    found = datetime.fromisoformat(plain)
    if found.tzinfo is None:
        raise InternalError(f"the record holds {plain!r}, which has no time zone")
    return found


def _optional(kind: Any) -> Reader:
    members = [member for member in get_args(kind) if member is not type(None)]

    def read(plain: Any) -> Any:
        if plain is None:
            return None
        if len(members) != 1:
            raise InternalError(f"the record can't tell the members of {kind!r} apart")
        return _reader(members[0])(plain)

    return read


def _several(members: tuple[Any, ...]) -> Reader:
    if len(members) == 2 and members[1] is Ellipsis:
        item = _reader(members[0])
        return lambda plain: tuple(map(item, plain))
    items = tuple(map(_reader, members))

    def read(plain: Any) -> tuple[Any, ...]:
        return tuple(item(value) for item, value in zip(items, plain, strict=True))

    return read


def _parts_of(kind: type) -> Reader:
    hints = get_type_hints(kind)
    # A part's reader is looked up when it is first needed: a type may hold itself.
    parts = [
        (part.name, hints[part.name], part.default is MISSING and part.default_factory is MISSING)
        for part in fields(kind)
    ]
    names = frozenset(name for name, _, _ in parts)

    def read(plain: Any) -> Any:
        if not names.issuperset(plain):
            unknown = set(plain) - names
            raise InternalError(f"the record holds unknown fields of {kind.__name__}: {unknown}")
        given = {}
        for name, hint, is_needed in parts:
            if name in plain:
                given[name] = _reader(hint)(plain[name])
            elif is_needed:
                raise InternalError(f"the record lacks {kind.__name__}.{name}")
        return kind(**given)

    return read
