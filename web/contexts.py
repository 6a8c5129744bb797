"""One frozen dataclass a page: all that its template may see, already in words.

A test holds every template to its dataclass: it uses each field and nothing else.
"""

from dataclasses import dataclass, field
from typing import TYPE_CHECKING
from urllib.parse import quote

from markupsafe import Markup

from tracker.values import CAUTION, VIEW_LIMIT
from web.agreed_contexts import AgreedContext
from web.arrived_contexts import ArrivedContext
from web.asker import asker
from web.health import troubles

if TYPE_CHECKING:
    from web.around_contexts import BriefContext, ClockContext


@dataclass(frozen=True, slots=True)
class Shell:
    """What every page carries."""

    title: str
    page: str
    case_id: str | None = None
    caution: str = CAUTION
    view_limit: str = VIEW_LIMIT

    @property
    def role(self) -> str:
        """What the device may do that asks for the page."""
        return asker().role

    @property
    def form_token(self) -> str:
        """What the page's scripts send with what they change."""
        return asker().form_token

    @property
    def is_known(self) -> bool:
        """False on the page on which a stranger types a code."""
        return asker().is_known

    @property
    def troubles(self) -> tuple[tuple[str, str, bool], ...]:
        """What is wrong with the record: what, what to do, and whether it stops pictures."""
        return troubles()

    @property
    def base(self) -> str:
        """Address of the case's pages."""
        return case_base(self.case_id or "")


@dataclass(frozen=True, slots=True)
class Figure:
    """A picture and the drawing that lies over it."""

    src: str
    width: int
    height: int
    lines: Markup
    alt: str


@dataclass(frozen=True, slots=True)
class Finding:
    """Why a picture is not measured: what was seen, what to do."""

    seen: str
    remedy: str


@dataclass(frozen=True, slots=True)
class ErrorContext:
    """Of error.html."""

    shell: Shell
    message: str
    hint: str
    status: int


@dataclass(frozen=True, slots=True)
class CaseLine:
    """One case in the list of cases."""

    case_id: str
    address: str
    side: str
    opened: str
    standing: str
    views: tuple[tuple[str, str, str], ...] = ()
    """Of a hip with several: name, address, how it stands."""


@dataclass(frozen=True, slots=True)
class HomeContext:
    """Of home.html: the cases, and the form that opens one."""

    shell: Shell
    cases: tuple[CaseLine, ...]
    form: dict[str, str]
    error: str
    hint: str
    find: str
    """What was looked for."""
    older: str
    """Address of the next part of the list; empty at its end."""
    total: int


@dataclass(frozen=True, slots=True)
class ReadingContext:
    """What the marks say while they are dragged."""

    usable: bool
    problem: str
    lcea: str
    diameter: str
    scale: str
    plausible: str
    circle: tuple[float, float, float] | None
    plan: tuple[str, ...] = ()
    confirm: bool = False
    quality: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class MarksContext:
    """The handles on the first picture."""

    figure: Figure
    head: tuple[tuple[str, str], ...]
    edge: tuple[str, str]
    horizontal: tuple[tuple[str, str], ...]
    object_ends: tuple[tuple[str, str], ...]
    object_mm: str
    hip: str
    proposed: bool
    reading: ReadingContext
    zone: str = ""


@dataclass(frozen=True, slots=True)
class VerdictContext:
    """The verdict on one picture, as Pictures shows it."""

    number: int
    at: str
    heading: str
    figure_text: str
    unit: str
    interval: str
    message: str
    limits: tuple[str, ...]
    findings: tuple[Finding, ...]
    removed: str
    notes: tuple[str, ...]
    standing: str
    figure: Figure


@dataclass(frozen=True, slots=True)
class PhaseContext:
    """What is being done now, and what else can be chosen: value, name, whether it is chosen."""

    now: str
    paused: bool
    choices: tuple[tuple[str, str, bool], ...]
    quiet: str


@dataclass(frozen=True, slots=True)
class ZeroContext:
    """How the zero picture stands; ``asked`` where the next picture is to be it."""

    asked: bool
    text: str


@dataclass(frozen=True, slots=True)
class DeskContext:
    """What was said, and can be said, of the case."""

    zero: ZeroContext
    plan_notes: tuple[str, ...]
    confirmed: bool
    notes: tuple[tuple[str, str, str], ...]
    latest: int | None
    carried: str
    can_renew: bool
    last_measured: int | None
    can_keep: bool


@dataclass(frozen=True, slots=True)
class PicturesContext:
    """Of pictures.html: what to do next, and what the last picture gave."""

    shell: Shell
    who: str
    stage: str
    next_picture: str
    verdict: VerdictContext | None
    marks: MarksContext | None
    findings: tuple[Finding, ...]
    earlier: tuple[tuple[int, str, str], ...]
    waiting: int
    lcea: str
    notes: tuple[str, ...]
    can_replace_first: bool
    desk: DeskContext
    phase: PhaseContext
    ways: tuple[str, ...]
    last_event: int
    agreed: AgreedContext = field(default_factory=AgreedContext)
    around: "BriefContext | None" = None
    arrived: ArrivedContext = field(default_factory=ArrivedContext)


@dataclass(frozen=True, slots=True)
class GlanceContext:
    """Of glance.html: what is left, from across the room."""

    shell: Shell
    who: str
    standing: str
    heading: str
    figure_text: str
    unit: str
    interval: str
    message: str
    limits: tuple[str, ...]
    findings: tuple[Finding, ...]
    last_measured: str
    age_s: float | None
    age: str
    is_stale: bool
    lcea: str
    picture_line: str
    number: int | None
    figure: Figure | None
    start: str
    strip: Markup
    last_event: int
    agreed: AgreedContext = field(default_factory=AgreedContext)
    traction: "ClockContext | None" = None


@dataclass(frozen=True, slots=True)
class BudgetContext:
    """The rows behind one number."""

    result: str
    unit: str
    rows: tuple[tuple[str, str, str, str], ...]
    combined: str


@dataclass(frozen=True, slots=True)
class RowContext:
    """One picture on Review."""

    number: int
    address: str
    at: str
    name: str
    standing: str
    figure: Figure
    removed: str
    running: str
    left: str
    lcea: str
    area: str
    beam: str
    message: str
    limits: tuple[str, ...]
    findings: tuple[Finding, ...]
    notes: tuple[str, ...]
    budgets: tuple[BudgetContext, ...]
    thinned: str
    thinned_why: tuple[Finding, ...]
    thinned_strip: Markup


@dataclass(frozen=True, slots=True)
class Choice:
    """One of several things to look at, with the address that shows it."""

    key: str
    text: str
    detail: str
    address: str
    chosen: bool


@dataclass(frozen=True, slots=True)
class CompareContext:
    """Two registered pictures beside or over one another, as the address asks."""

    mode: str
    modes: tuple[Choice, ...]
    extents: tuple[Choice, ...]
    firsts: tuple[Choice, ...]
    seconds: tuple[Choice, ...]
    first: Figure
    second: Figure
    first_name: str
    second_name: str
    passes: Markup
    note: str
    row: RowContext


@dataclass(frozen=True, slots=True)
class ReviewContext:
    """Of review.html: the whole case for reading afterwards."""

    shell: Shell
    who: str
    opened: str
    plan: tuple[tuple[str, str], ...]
    strip: Markup
    chart: Markup
    compare: CompareContext | None
    said: tuple[tuple[str, str, str], ...]
    zero: str
    carried: str
    before: tuple[tuple[int, str, str], ...]
    rows: tuple[RowContext, ...]
    around: "BriefContext"
    eye: Markup
    over_time: Markup
    exposures: tuple[tuple[str, str], ...]
    unreadable: tuple[tuple[str, str, str], ...]
    last_event: int
    agreed: AgreedContext = field(default_factory=AgreedContext)


def case_base(case_id: str) -> str:
    """Return the address of a case's pages."""
    return f"/cases/{quote(case_id, safe='')}"
