"""Codes by which another device is let in: made, checked, used up, and what wrong ones cost.

A code is eight digits, since a wall screen may have nothing but a number pad.  What keeps it from
being guessed is not its length but that it lasts minutes, that it works once, and that a few
wrong ones close pairing for everybody.  A try is counted before it is checked, so that tries
made at the same moment, or cut off, are counted too.
"""

import secrets
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final

from argon2 import PasswordHasher
from argon2.exceptions import VerificationError

from tracker.sessions import DeviceRole

DIGITS: Final = 8
LASTS: Final = timedelta(minutes=10)
"""How long a code can be used: long enough to walk to the wall screen and type it."""
MOST_WRONG: Final = 5
CLOSED_FOR: Final = timedelta(minutes=15)

_HASHER: Final = PasswordHasher()


@dataclass(frozen=True, slots=True)
class Code:
    """A code that lets one device in, once; only its hash is known.

    Attributes
    ----------
    role : {"theatre", "look"}
        What the device may do.
    digest : str
        Argon2 hash of the digits.
    until : datetime
        From then on it is worth nothing.
    """

    role: DeviceRole
    digest: str
    until: datetime


@dataclass(frozen=True, slots=True)
class Tries:
    """Codes that can be used, and how many wrong ones have been typed.

    Attributes
    ----------
    codes : tuple of Code
        At most one a role.
    wrong : int
        Since a device was let in, or a person made a code.
    closed_until : datetime or None
        Nobody is let in before.
    """

    codes: tuple[Code, ...] = ()
    wrong: int = 0
    closed_until: datetime | None = None

    def is_closed(self, now: datetime) -> bool:
        """Tell whether wrong codes have closed pairing."""
        return self.closed_until is not None and now < self.closed_until

    def usable(self, now: datetime) -> tuple[Code, ...]:
        """Return the codes that can still be used."""
        return tuple(code for code in self.codes if now < code.until)


def new_digits() -> str:
    """Return eight digits that nobody can foresee."""
    return f"{secrets.randbelow(10**DIGITS):0{DIGITS}}"


def shown(digits: str) -> str:
    """Return a code as people read it.

    >>> shown("48310957")
    '4831 0957'
    """
    half = DIGITS // 2
    return f"{digits[:half]} {digits[half:]}"


def typed(text: str) -> str | None:
    """Return the digits in what was typed; None where it can't be a code.

    >>> typed(" 4831-0957 ")
    '48310957'
    >>> typed("4831") is None
    True
    """
    digits = "".join(one for one in text[:64] if not one.isspace() and one != "-")
    return digits if len(digits) == DIGITS and digits.isascii() and digits.isdecimal() else None


def hashed(digits: str) -> str:
    """Return a code's Argon2 hash; takes a good part of a second and 64 MB."""
    return _HASHER.hash(digits)


def which(codes: Iterable[Code], digits: str) -> Code | None:
    """Return the code whose digits these are; every one is checked, whichever it is.

    Takes a good part of a second for each.
    """
    found = None
    for code in codes:
        try:
            _HASHER.verify(code.digest, digits)
        except VerificationError:
            continue
        found = code
    return found


def with_code(tries: Tries, code: Code) -> Tries:
    """Return the state after a person at this machine made a code: it takes its role's place.

    Whoever can make a code is no guesser, so this opens pairing again.
    """
    others = tuple(one for one in tries.codes if one.role != code.role)
    return Tries((*others, code))


def with_start(tries: Tries, codes: tuple[Code, ...]) -> Tries:
    """Return the state after the service started: new codes, but nothing is forgiven."""
    return replace(tries, codes=codes)


def tried(tries: Tries) -> Tries:
    """Return the state with one more try, which is wrong until it is found to be right."""
    return replace(tries, wrong=tries.wrong + 1)


def after_right(tries: Tries, code: Code) -> Tries:
    """Return the state after a device was let in: its code is used up."""
    return Tries(tuple(one for one in tries.codes if one != code))


def after_wrong(tries: Tries, now: datetime) -> Tries:
    """Return the state after a wrong code; too many close pairing and withdraw the codes."""
    if tries.wrong < MOST_WRONG:
        return tries
    return Tries((), 0, now + CLOSED_FOR)
