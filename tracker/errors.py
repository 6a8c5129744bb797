"""The error tree.

::

    TrackerError(message, *, hint)
    |- InputError(ValueError)       the caller can mend it
    |  |- UnreadableImage           bytes that are no picture, or are past a limit
    |  `- InvalidCase               case.toml, plan or marks that can't be used
    |- AccessError(RuntimeError)    who asks may not
    |  |- NotPaired                 the device is not known here
    |  |- NotAllowed                the device may look, not change
    |  `- PairingClosed             too many wrong codes
    |- StoreError(RuntimeError)     the record can't be read or written
    |  |- NotFound(LookupError)
    |  |- Busy                      another service holds the store
    |  `- Unwritable(OSError)       full or read-only disk, store of a newer schema
    `- InternalError(RuntimeError)  a broken invariant: always a bug

"Not measurable" is a result (:class:`tracker.values.NotMeasurable`), not an error.
"""

from typing import Final


class TrackerError(Exception):
    """Root of every error that this package raises.

    Parameters
    ----------
    message : str
        What happened, one line, in the user's words.
    hint : str, keyword-only
        What to do next, one line; may be empty.
    """

    def __init__(self, message: str, *, hint: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.hint = hint


class InputError(TrackerError, ValueError):
    """Something given by the caller can't be used; the caller can mend it."""


class UnreadableImage(InputError):
    """Bytes that are no picture, a damaged picture, or one past the size limits."""


class InvalidCase(InputError):
    """A case folder, plan, scale or set of marks that can't be used."""


class AccessError(TrackerError, RuntimeError):
    """Who asks may not."""


class NotPaired(AccessError):
    """The device is not paired, or its code can't be used."""


class NotAllowed(AccessError):
    """The device is paired to look only, or the request does not come from a page of its own."""


class PairingClosed(AccessError):
    """Too many wrong codes have been typed; nobody is let in for a while."""


class StoreError(TrackerError, RuntimeError):
    """The record can't be read or written."""


class NotFound(StoreError, LookupError):
    """No case or picture of that name is in the record."""


class Busy(StoreError):
    """Another service holds the record."""


class Unwritable(StoreError, OSError):
    """The record's disk is full or read-only, or its schema is newer than this software."""


class InternalError(TrackerError, RuntimeError):
    """A broken invariant: always a bug."""


EXIT_STATUS: Final[dict[type[TrackerError], int]] = {
    TrackerError: 3,
    InputError: 2,
    UnreadableImage: 2,
    InvalidCase: 2,
    AccessError: 3,
    NotPaired: 3,
    NotAllowed: 3,
    PairingClosed: 3,
    StoreError: 3,
    NotFound: 3,
    Busy: 3,
    Unwritable: 3,
    InternalError: 3,
}
"""Exit status of the command line for each error; every subclass is listed."""

HTTP_STATUS: Final[dict[type[TrackerError], int]] = {
    TrackerError: 500,
    InputError: 422,
    UnreadableImage: 422,
    InvalidCase: 422,
    AccessError: 403,
    NotPaired: 401,
    NotAllowed: 403,
    PairingClosed: 429,
    StoreError: 500,
    NotFound: 404,
    Busy: 503,
    Unwritable: 507,
    InternalError: 500,
}
"""HTTP status of the web pages for each error; every subclass is listed."""
