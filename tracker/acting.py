"""Who writes into the record at present.

A way in says whom it speaks for, and everything that is written beneath it says so too.  What
nobody has claimed was written by the software.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Final

SOFTWARE: Final = "software"
"""Of what no person said: results, proposals, pictures from ways in that run by themselves."""
THEATRE: Final = "theatre"
"""Of who works with the pages and has not said more."""

_ROLE: ContextVar[str] = ContextVar("role", default=SOFTWARE)


@contextmanager
def acting_as(role: str) -> Iterator[None]:
    """Let everything that is written inside say that this role wrote it.

    Parameters
    ----------
    role : str
        One of the house's words for who somebody is, not a name.
    """
    token = _ROLE.set(role[:32])
    try:
        yield
    finally:
        _ROLE.reset(token)


def role_now() -> str:
    """Return the role that is writing."""
    return _ROLE.get()
