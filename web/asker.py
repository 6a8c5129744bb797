"""Who asks: set by the door for each request, read wherever an answer depends on it."""

from contextvars import ContextVar
from dataclasses import dataclass
from typing import Final

from tracker.service import DeviceRole, Session


@dataclass(frozen=True, slots=True)
class Asker:
    """Who asks for a page.

    Attributes
    ----------
    role : {"theatre", "look"}
    session : Session or None
        None for a browser or a program on the machine that serves the pages, and for who is not
        paired.
    form_token : str
        What the forms of this device's pages carry; empty for who is not paired.
    is_here : bool
        The machine that serves the pages asks.
    """

    role: DeviceRole
    session: Session | None = None
    form_token: str = ""
    is_here: bool = False

    @property
    def is_known(self) -> bool:
        """True for a paired device and for the machine that serves the pages."""
        return self.is_here or self.session is not None


STRANGER: Final = Asker("look")
_ASKER: ContextVar[Asker] = ContextVar("asker", default=STRANGER)


def asker() -> Asker:
    """Return who asks at present."""
    return _ASKER.get()


def set_asker(who: Asker) -> None:
    """Let this be who asks, for the rest of the task that serves the request."""
    _ASKER.set(who)
