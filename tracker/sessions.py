"""Devices that were let in: who they are, what they may do, until when.

A device carries a random token; the record knows its hash only, so that nobody who reads the
record can act as the device.
"""

import hashlib
import secrets
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final, Literal

DeviceRole = Literal["theatre", "look"]
"""What a device may do: bring pictures and agree the plan, or look."""
End = Literal["taken away", "left", "paired again"]
Kind = Literal["browser", "program"]

UNUSED_FOR: Final[dict[DeviceRole, timedelta]] = {
    # A laptop is carried about; a screen on the wall stays where it is and only shows.
    "theatre": timedelta(hours=16),
    "look": timedelta(days=14),
}
"""How long a device may stay away before it has to be paired again."""
LASTS: Final = timedelta(days=90)
MOST: Final = 64
"""Devices that can be paired at one time."""
_MOST_ENDED: Final = 64
_MOST_NAME: Final = 60


@dataclass(frozen=True, slots=True)
class Session:
    """A device that was let in.

    Attributes
    ----------
    key : int
        By which people name it.
    digest : str
        SHA-256 of its token.
    role : {"theatre", "look"}
    device : str
        As the person called it who paired it.
    kind : {"browser", "program"}
        Whether its token is a cookie or is sent as a bearer token.
    paired_at, seen_at : datetime
        ``seen_at`` is kept to the minute only.
    ended_at : datetime or None
    end : str or None
        Why it ended.
    """

    key: int
    digest: str
    role: DeviceRole
    device: str
    kind: Kind
    paired_at: datetime
    seen_at: datetime
    ended_at: datetime | None = None
    end: End | None = None

    def is_live(self, now: datetime) -> bool:
        """Tell whether the device may still come in."""
        stays = now < self.paired_at + LASTS and now < self.seen_at + UNUSED_FOR[self.role]
        return self.ended_at is None and stays


def new_token() -> str:
    """Return a token: 32 random bytes as text."""
    return secrets.token_urlsafe(32)


def digest_of(token: str) -> str:
    """Return the hash by which the record knows a token."""
    return hashlib.sha256(token.encode("utf-8", "surrogateescape")).hexdigest()


def named(device: str) -> str:
    """Return a device's name as it is kept: one line, what prints, not too long."""
    line = " ".join("".join(one if one.isprintable() else " " for one in device).split())
    return line[:_MOST_NAME].rstrip()


def ended(
    sessions: Iterable[Session], keys: Iterable[int] | None, end: End, now: datetime
) -> tuple[Session, ...]:
    """Return the sessions with some of them, or all, ended."""
    wanted = None if keys is None else set(keys)
    return tuple(
        replace(one, ended_at=now, end=end)
        if one.ended_at is None and (wanted is None or one.key in wanted)
        else one
        for one in sessions
    )


def kept(sessions: Iterable[Session], now: datetime) -> tuple[Session, ...]:
    """Return the sessions worth keeping: all that live, and the last of those that ended."""
    sessions = tuple(sessions)
    over = [one for one in sessions if not one.is_live(now)]
    forgotten = {one.key for one in over[: max(0, len(over) - _MOST_ENDED)]}
    return tuple(one for one in sessions if one.key not in forgotten)
