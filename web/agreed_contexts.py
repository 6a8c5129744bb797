"""What the templates may see of what was agreed about a case, already in words."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ViewTab:
    """One view of the hip, with the page that shows it."""

    name: str
    address: str
    is_here: bool
    standing: str


@dataclass(frozen=True, slots=True)
class Offer:
    """Another view that a picture may be of; ``is_open`` where it has a plan already."""

    view: str
    name: str
    is_open: bool


@dataclass(frozen=True, slots=True)
class RehearsalContext:
    """The rehearsal: "", "waiting" or "shown", and its picture."""

    stage: str = ""
    text: str = ""
    src: str = ""
    earlier: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class AgreedContext:
    """What was agreed, for Pictures, Glance and Review.

    Attributes
    ----------
    tabs : tuple of ViewTab
        Views of the hip; empty where there is one.
    view : str
        Name of this one; empty where there is one.
    offers : tuple of Offer
        Views as which the picture shown can be taken.
    can_add : tuple of (str, str)
        Views that are not open: value and name.
    beside : str
        Whether the edge is taken with or without what lies beside the rim.
    how, what : str
        The same as chosen in the form.
    quality : tuple of str
        What speaks against the first picture.
    silent : bool
        Numbers are recorded and not shown.
    angles : bool
        Angles are said in this view.
    at_most : bool
        Less may be left than is said.
    burr_runs : bool
    rehearsal : RehearsalContext
    """

    tabs: tuple[ViewTab, ...] = ()
    view: str = ""
    offers: tuple[Offer, ...] = ()
    can_add: tuple[tuple[str, str], ...] = ()
    beside: str = ""
    how: str = ""
    what: str = ""
    quality: tuple[str, ...] = ()
    silent: bool = False
    angles: bool = True
    at_most: bool = False
    burr_runs: bool = False
    rehearsal: RehearsalContext = RehearsalContext()
