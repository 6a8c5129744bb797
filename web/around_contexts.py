"""What the templates about the resection's surroundings may see, already in words."""

from dataclasses import dataclass

from markupsafe import Markup

from web.contexts import BudgetContext, Figure, ReadingContext, Shell


@dataclass(frozen=True, slots=True)
class ClockContext:
    """The traction clock.

    Attributes
    ----------
    is_on : bool
    running_s : float or None
        Seconds so far while it runs.
    total : str
    spells : tuple of str
    marks : tuple of (int, str, str)
        Seconds, name, and when it was reached.
    offered : tuple of (int, str) or None
        A picture whose time is offered as the start, and why.
    """

    is_on: bool
    running_s: float | None
    total: str
    spells: tuple[str, ...]
    marks: tuple[tuple[int, str, str], ...]
    offered: tuple[int, str] | None


@dataclass(frozen=True, slots=True)
class AnchorContext:
    """One anchor's place; ``key`` and ``at`` where it is in."""

    place: str
    key: int | None
    at: str


@dataclass(frozen=True, slots=True)
class LabrumContext:
    """The labrum's detached stretch and its anchors."""

    start: str
    end: str
    spacing: str
    length: str
    radius: str
    anchors: str
    rule: str
    places: tuple[AnchorContext, ...]
    drawing: Markup
    budgets: tuple[BudgetContext, ...]


@dataclass(frozen=True, slots=True)
class FinalContext:
    """Two exposures taken together, or the want of them."""

    when: str
    name: str
    key: int | None
    figure: str
    interval: str
    left: str
    lcea: str
    apart: str
    problem: str
    at: str
    pictures: str
    budgets: tuple[BudgetContext, ...]


@dataclass(frozen=True, slots=True)
class PictureChoice:
    """A picture to choose, and whether it is one of the two proposed."""

    number: int
    text: str
    chosen: bool


@dataclass(frozen=True, slots=True)
class FilmMarksContext:
    """A film with marks to agree."""

    number: int
    name: str
    figure: Figure
    head: tuple[tuple[str, str], ...]
    edge: tuple[str, str]
    horizontal: tuple[tuple[str, str], ...]
    proposed: bool
    reading: ReadingContext


@dataclass(frozen=True, slots=True)
class FilmContext:
    """The films before and after."""

    before: str
    before_key: int | None
    after: str
    after_key: int | None
    change: str
    change_note: str
    marks: FilmMarksContext | None


@dataclass(frozen=True, slots=True)
class EntryContext:
    """One entry as it was written."""

    key: int
    at: str
    text: str
    holds: bool
    can_withdraw: bool
    clock: str
    on: bool | None


@dataclass(frozen=True, slots=True)
class AroundContext:
    """Of around.html: what is kept in mind between picture and picture."""

    shell: Shell
    who: str
    problem: str
    hint: str
    clock: ClockContext
    labrum: LabrumContext
    finals: tuple[FinalContext, ...]
    choices: tuple[PictureChoice, ...]
    capsule: str
    movement: str
    film: FilmContext
    estimates_asked: bool
    entries: tuple[EntryContext, ...]
    last_event: int


@dataclass(frozen=True, slots=True)
class BriefContext:
    """What Pictures and Review show of it: the finals, traction, a line for each thing said.

    Attributes
    ----------
    address : str
        Of the page about it.
    estimate : tuple of (int, tuple of str)
        Pictures whose numbers wait for the surgeon's own estimate, and limits that do not wait.
    clock : ClockContext
    finals : tuple of FinalContext
        Those that were saved.
    pair : tuple of int
        The last two pictures that can make a final, where none is saved yet; else empty.
    lines : tuple of (str, str)
    """

    address: str
    estimate: tuple[tuple[int, tuple[str, ...]], ...]
    clock: ClockContext
    finals: tuple[FinalContext, ...]
    pair: tuple[int, ...]
    lines: tuple[tuple[str, str], ...]
