"""Ways in that run by themselves: each in its own thread, each with a state that can be shown.

A source never ends because of what it was given.  What went wrong is said in its state, and it
goes on with the next file.
"""

from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from threading import Event, Lock, Thread
from typing import Any, Final, Literal, Self

from tracker.errors import TrackerError

Kind = Literal["folder", "video", "receiver"]
Standing = Literal["starting", "open", "not reachable", "ended"]

_STOP_S: Final = 20.0


@dataclass(frozen=True, slots=True)
class SourceState:
    """How a source stands.

    Attributes
    ----------
    kind : {"folder", "video", "receiver"}
    where : str
        The folder, the video's address, or the receiver's title and port.
    case_id : str
        The case to which it gives its pictures.
    standing : {"starting", "open", "not reachable", "ended"}
    taken : int
        Pictures that were new to the case.
    last_file : str
        Name of the last picture that was given to the case, new or not.
    last_at : datetime or None
        When that was.
    last_error : str
        What went wrong last, in plain words; empty once a later picture went well.
    """

    kind: Kind
    where: str
    case_id: str
    standing: Standing = "starting"
    taken: int = 0
    last_file: str = ""
    last_at: datetime | None = None
    last_error: str = ""


def _now() -> datetime:
    return datetime.now(UTC)


class Source(ABC):
    """A thread that brings pictures, and its state.

    Parameters
    ----------
    state : SourceState
        As it begins.
    clock : callable, optional
        Gives the present time with its time zone.
    """

    def __init__(self, state: SourceState, clock: Callable[[], datetime] = _now) -> None:
        self._state = state
        self._clock = clock
        self._guard = Lock()
        self._stopped = Event()
        self._thread = Thread(target=self._run, name=state.kind, daemon=True)

    @property
    def state(self) -> SourceState:
        """How the source stands now."""
        with self._guard:
            return self._state

    def start(self) -> None:
        """Begin; what comes is taken from now on."""
        self._thread.start()

    def stop(self) -> None:
        """End; a picture that is being taken in is finished first."""
        self._stopped.set()
        if self._thread.is_alive():
            self._thread.join(_STOP_S)

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    @abstractmethod
    def _work(self) -> None:
        """Bring pictures until ``_stopped`` is set, or until there can be no more."""

    def _run(self) -> None:
        while not self._stopped.is_set():
            try:
                self._work()
                break
            except Exception as error:  # noqa: BLE001  a source goes on whatever it was given
                self._says(last_error=plainly(error))
                self._stopped.wait(1.0)
        self._says(standing="ended")

    def _says(self, **changes: Any) -> None:
        with self._guard:
            self._state = replace(self._state, **changes)

    def _took(self, name: str, *, is_new: bool) -> None:
        with self._guard:
            self._state = replace(
                self._state,
                standing="open",
                taken=self._state.taken + is_new,
                last_file=name,
                last_at=self._clock(),
                last_error="",
            )


def plainly(error: Exception) -> str:
    """Say an error in the user's words; no library's text reaches anyone."""
    if isinstance(error, TrackerError):
        return " ".join(part for part in (error.message, error.hint) if part)
    return f"Something in the machinery failed ({type(error).__name__})."
