"""The gate: which devices come in, kept in the record's folder beside the record itself.

One small file holds the codes' hashes, the count of wrong tries, the devices and the key of the
forms' tokens.  It is written whole and synced before anyone is let in or sent away.  It has a
lock of its own: ``tracker pair`` and ``tracker sessions`` work while the service runs, and the
service looks whether the file has changed before it trusts anyone.
"""

import fcntl
import hmac
import json
import os
import secrets
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from threading import RLock
from typing import Any, Final, TypeVar

from tracker import pairing, sessions
from tracker.errors import InputError, NotPaired, PairingClosed, StoreError, Unwritable
from tracker.pairing import Code, Tries
from tracker.sessions import DeviceRole, End, Kind, Session

T = TypeVar("T")

_FORM: Final = 1
_SEEN_EVERY: Final = timedelta(minutes=1)
ROLES: Final[tuple[DeviceRole, ...]] = ("theatre", "look")


@dataclass(frozen=True, slots=True)
class GateState:
    """All that the gate knows."""

    key: str
    tries: Tries = field(default_factory=Tries)
    sessions: tuple[Session, ...] = ()
    last_key: int = 0


@dataclass(frozen=True, slots=True)
class NewCode:
    """A code that was just made, with its digits, which are kept nowhere."""

    role: DeviceRole
    digits: str
    until: datetime

    @property
    def shown(self) -> str:
        """The digits as people read them."""
        return pairing.shown(self.digits)


@dataclass(frozen=True, slots=True)
class Admitted:
    """A device that was just let in, with its token, which is kept nowhere."""

    session: Session
    token: str


def _now() -> datetime:
    return datetime.now(UTC)


class Gate:
    """Who may come in.

    Parameters
    ----------
    folder : Path
        The record's folder; it must exist.
    clock : callable, optional
        Gives the present time with its time zone.

    What the gate knows may be damaged or out of reach: every question then raises StoreError or
    Unwritable, and nobody is let in.
    """

    def __init__(self, folder: Path, clock: Callable[[], datetime] = _now) -> None:
        self._path = folder / "gate.json"
        self._lock_path = folder / "gate.lock"
        self._clock = clock
        self._guard = RLock()
        self._stamp: tuple[int, int, int] | None = None
        self._state: GateState | None = None
        self._by_digest: dict[str, Session] = {}
        self._seen: dict[int, datetime] = {}
        # Made now, while there is room; what can't be read or written is told to who asks.
        with suppress(StoreError):
            self._read()

    # --- codes ---------------------------------------------------------------------------

    def new_code(self, role: DeviceRole) -> NewCode:
        """Make a code for a role; an older one of that role is worth nothing from now on.

        To be called for a person at this machine only: it opens pairing where wrong codes had
        closed it.
        """
        made, code = self._made(role)

        def change(state: GateState) -> tuple[GateState, NewCode]:
            return replace(state, tries=pairing.with_code(state.tries, code)), made

        return self._change(change)

    def codes_at_start(self) -> tuple[NewCode, ...]:
        """Make a code for each role as the service starts; wrong tries stay counted.

        Returns
        -------
        tuple of NewCode
            None while pairing is closed.
        """
        if self.closed_until() is not None:
            return ()
        made = [self._made(role) for role in ROLES]
        codes = tuple(code for _, code in made)

        def change(state: GateState) -> tuple[GateState, tuple[NewCode, ...]]:
            tries = pairing.with_start(state.tries, codes)
            return replace(state, tries=tries), tuple(new for new, _ in made)

        return self._change(change)

    def usable(self) -> dict[DeviceRole, datetime]:
        """Return until when a code can be used, for each role that has one now."""
        return {code.role: code.until for code in self._read().tries.usable(self._clock())}

    def closed_until(self) -> datetime | None:
        """Return until when wrong codes have closed pairing; None while it is open."""
        tries = self._read().tries
        return tries.closed_until if tries.is_closed(self._clock()) else None

    def pair(self, text: str, device: str, kind: Kind = "browser", *, old: int = 0) -> Admitted:
        """Let a device in by a code; takes a good part of a second.

        Parameters
        ----------
        text : str
            The code as it was typed.
        device : str
            What the device is called.
        kind : {"browser", "program"}
        old : int
            Key of the session that the device had before; it ends.

        Raises
        ------
        InputError
            What was typed can't be a code, or too many devices are paired.
        NotPaired
            The code is wrong, used or past its time.
        PairingClosed
            Too many wrong codes have been typed.
        """
        digits = pairing.typed(text)
        if digits is None:
            raise InputError(
                f"A code has {pairing.DIGITS} digits.",
                hint="It is shown on the machine that serves the pages.",
            )
        usable = self._change(self._count_try)
        code = pairing.which(usable, digits)
        return self._change(lambda state: self._settle(state, code, device, kind, old))

    # --- sessions ------------------------------------------------------------------------

    def session_of(self, token: str) -> Session | None:
        """Return the live session to which a token belongs."""
        self._read()
        with self._guard:
            session = self._by_digest.get(sessions.digest_of(token))
            if session is None:
                return None
            session = replace(session, seen_at=self._seen.get(session.key, session.seen_at))
        return session if session.is_live(self._clock()) else None

    def stays(self, session: Session) -> bool:
        """Tell whether a device that has been here all the time still may be; it is seen here."""
        self._read()
        with self._guard:
            known = self._by_digest.get(session.digest)
        if known is None or not known.is_live(self._clock()):
            return False
        self.see(known)
        return True

    def sessions(self) -> tuple[Session, ...]:
        """Return the sessions, the newest first; those that ended come with them."""
        found = self._read().sessions
        with self._guard:
            seen = {
                one.key: max(one.seen_at, self._seen.get(one.key, one.seen_at)) for one in found
            }
        return tuple(replace(one, seen_at=seen[one.key]) for one in reversed(found))

    def live_sessions(self) -> tuple[Session, ...]:
        """Return the sessions that live, the newest first."""
        now = self._clock()
        return tuple(one for one in self.sessions() if one.is_live(now))

    def see(self, session: Session) -> None:
        """Note that a device was here; written down once a minute, if the disk allows it."""
        now = self._clock()
        with self._guard:
            self._seen[session.key] = now
            known = self._by_digest.get(session.digest)
        if known is not None and now - known.seen_at >= _SEEN_EVERY:
            # A full disk takes no screen away.
            with suppress(Unwritable):
                self._change(self._with_seen)

    def end(self, keys: tuple[int, ...] | None, end: End = "taken away") -> int:
        """End sessions, all of them where ``keys`` is None; return how many lived."""

        def change(state: GateState) -> tuple[GateState, int]:
            now = self._clock()
            found = [one for one in state.sessions if one.is_live(now)]
            count = sum(keys is None or one.key in keys for one in found)
            return replace(state, sessions=sessions.ended(state.sessions, keys, end, now)), count

        return self._change(change)

    def form_token(self, session: Session | None) -> str:
        """Return what the forms of a device's pages carry; no other site's page can know it."""
        whose = f"session {session.key} {session.digest}" if session else "this machine"
        secret = bytes.fromhex(self._read().key)
        return hmac.new(secret, whose.encode(), "sha256").hexdigest()

    # --- inside --------------------------------------------------------------------------

    def _made(self, role: DeviceRole) -> tuple[NewCode, Code]:
        digits, until = pairing.new_digits(), self._clock() + pairing.LASTS
        return NewCode(role, digits, until), Code(role, pairing.hashed(digits), until)

    def _count_try(self, state: GateState) -> tuple[GateState, tuple[Code, ...]]:
        now, tries = self._clock(), state.tries
        if not tries.is_closed(now):
            # Tries that were counted and never finished, as the service was killed meanwhile.
            tries = pairing.after_wrong(tries, now)
        if tries.is_closed(now):
            raise _Refused(replace(state, tries=tries), self._closed(tries, now))
        usable = tries.usable(now)
        if not usable:
            raise NotPaired(
                "No code can be used at present.",
                hint="Make one on the machine that serves the pages.",
            )
        return replace(state, tries=pairing.tried(tries)), usable

    def _settle(
        self, state: GateState, code: Code | None, device: str, kind: Kind, old: int
    ) -> tuple[GateState, Admitted]:
        """Let the device in whose code it was, or write down that it was none."""
        now = self._clock()
        # Another device may have used the code up while this one was checked.
        if code is None or code not in state.tries.usable(now):
            tries = pairing.after_wrong(state.tries, now)
            raise _Refused(replace(state, tries=tries), self._wrong(tries, now))
        if sum(one.is_live(now) for one in state.sessions) >= sessions.MOST:
            error = InputError(
                f"{sessions.MOST} devices are paired already.", hint="End one on Devices first."
            )
            raise _Refused(state, error)
        token, key = sessions.new_token(), state.last_key + 1
        name = sessions.named(device) or f"{kind} {key}"
        new = Session(key, sessions.digest_of(token), code.role, name, kind, now, now)
        before = sessions.ended(state.sessions, (old,), "paired again", now)
        tries = pairing.after_right(state.tries, code)
        found = sessions.kept((*before, new), now)
        return GateState(state.key, tries, found, key), Admitted(new, token)

    def _wrong(self, tries: Tries, now: datetime) -> NotPaired | PairingClosed:
        if tries.is_closed(now):
            return self._closed(tries, now)
        left = pairing.MOST_WRONG - tries.wrong
        return NotPaired(
            "This code can't be used: it is wrong, used up or past its time.",
            hint=f"{left} more {'try' if left == 1 else 'tries'}, then pairing is closed.",
        )

    def _closed(self, tries: Tries, now: datetime) -> PairingClosed:
        until = tries.closed_until or now + pairing.CLOSED_FOR
        minutes = max(1, -int((now - until).total_seconds() // 60))
        return PairingClosed(
            f"Too many wrong codes: pairing is closed for {minutes} min.",
            hint="A new code made on the machine that serves the pages opens it at once.",
        )

    def _with_seen(self, state: GateState) -> tuple[GateState, None]:
        with self._guard:
            seen = dict(self._seen)
        updated = tuple(
            replace(one, seen_at=max(one.seen_at, seen.get(one.key, one.seen_at)))
            for one in state.sessions
        )
        return replace(state, sessions=sessions.kept(updated, self._clock())), None

    def _read(self) -> GateState:
        """Return what is known, read again where another process has written."""
        with self._guard:
            stamp = self._look()
            if stamp is None:
                return self._change(lambda state: (state, state))
            if self._state is None or stamp != self._stamp:
                self._take(self._load(), stamp)
            assert self._state is not None
            return self._state

    def _look(self) -> tuple[int, int, int] | None:
        try:
            found = self._path.stat()
        except FileNotFoundError:
            return None
        except OSError as error:
            raise _unreadable(error) from None
        return found.st_ino, found.st_mtime_ns, found.st_size

    def _take(self, state: GateState, stamp: tuple[int, int, int] | None) -> None:
        self._state, self._stamp = state, stamp
        self._by_digest = {one.digest: one for one in state.sessions if one.ended_at is None}

    def _change(self, change: Callable[[GateState], tuple[GateState, T]]) -> T:
        """Change what is known, alone among threads and processes; on disk when this returns."""
        with self._guard, self._alone():
            state = self._load() if self._look() is not None else None
            refused: Exception | None = None
            given: T
            try:
                new, given = change(state or _fresh())
            except _Refused as error:
                new, refused = error.state, error.reason
            if new != state:
                self._save(new)
            self._take(new, self._look())
            if refused is not None:
                raise refused
            return given

    @contextmanager
    def _alone(self) -> Iterator[None]:
        try:
            handle = os.open(self._lock_path, os.O_RDWR | os.O_CREAT, 0o600)
        except OSError as error:
            raise _unreadable(error) from None
        try:
            fcntl.flock(handle, fcntl.LOCK_EX)
            yield
        finally:
            os.close(handle)

    def _load(self) -> GateState:
        try:
            return _state_of(json.loads(self._path.read_text(encoding="utf-8")))
        except OSError as error:
            raise _unreadable(error) from None
        except (ValueError, KeyError, TypeError):
            raise StoreError(
                "What is known of paired devices is damaged.",
                hint=f"Remove {self._path.name} from the record's folder and pair them again.",
            ) from None

    def _save(self, state: GateState) -> None:
        try:
            handle, name = tempfile.mkstemp(dir=self._path.parent, prefix=".coming-")
            try:
                with os.fdopen(handle, "w", encoding="utf-8") as file:
                    file.write(_text_of(state))
                    file.flush()
                    os.fsync(file.fileno())
                Path(name).replace(self._path)
            finally:
                Path(name).unlink(missing_ok=True)
            folder = os.open(self._path.parent, os.O_RDONLY | os.O_DIRECTORY)
            try:
                os.fsync(folder)
            finally:
                os.close(folder)
        except OSError as error:
            raise _unreadable(error) from None


class _Refused(Exception):
    """A change that is refused and all the same leaves its trace."""

    def __init__(self, state: GateState, reason: Exception) -> None:
        super().__init__(str(reason))
        self.state, self.reason = state, reason


def _fresh() -> GateState:
    return GateState(secrets.token_bytes(32).hex())


def _text_of(state: GateState) -> str:
    return json.dumps({"form": _FORM, **asdict(state)}, default=datetime.isoformat, indent=1)


def _state_of(plain: dict[str, Any]) -> GateState:
    if plain["form"] != _FORM or len(bytes.fromhex(plain["key"])) != 32:
        raise ValueError("not the gate's form")
    tries = plain["tries"]
    codes = tuple(Code(one["role"], one["digest"], _time(one["until"])) for one in tries["codes"])
    closed = tries["closed_until"]
    found = tuple(
        Session(
            **one
            | {"paired_at": _time(one["paired_at"]), "seen_at": _time(one["seen_at"])}
            | {"ended_at": _time(one["ended_at"]) if one["ended_at"] else None}
        )
        for one in plain["sessions"]
    )
    counted = Tries(codes, int(tries["wrong"]), _time(closed) if closed else None)
    return GateState(plain["key"], counted, found, int(plain["last_key"]))


def _time(text: str) -> datetime:
    return datetime.fromisoformat(text)


def _unreadable(error: OSError) -> Unwritable:
    return Unwritable(
        f"The list of paired devices can't be read or written ({os.strerror(error.errno or 0)}).",
        hint="Check the disk and rights of the record's folder.",
    )
