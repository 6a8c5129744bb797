"""What the templates may see of how pictures came, already in words."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class HeldContext:
    """A picture that waits for somebody to say whether it belongs to the case.

    Attributes
    ----------
    number : int
    at : str
        When it came.
    seen : tuple of str
        What differs, a sentence each.
    two_steps : bool
        What differs has to be looked at first.
    """

    number: int
    at: str
    seen: tuple[str, ...]
    two_steps: bool


@dataclass(frozen=True, slots=True)
class ArrivedContext:
    """How the pictures of a case came.

    Attributes
    ----------
    held : tuple of HeldContext
    run : (int, str) or None
        Number of the picture shown where it is one frame of a run, and which.
    order : str
        By what the pictures are in order; empty where nothing needs saying.
    late : tuple of str
        Which came after one that was taken later.
    by_clock : bool
        The C-arm's clock puts them in order.
    can_choose : bool
        It makes a difference.
    clock : str
        How far the C-arm's clock is off.
    header : str
        What the header of the picture shown says: time, kV, dose.
    dose : str
        Of the case.
    """

    held: tuple[HeldContext, ...] = ()
    run: tuple[int, str] | None = None
    order: str = ""
    late: tuple[str, ...] = ()
    by_clock: bool = True
    can_choose: bool = False
    clock: str = ""
    header: str = ""
    dose: str = ""
