"""What the page of many cases may see, already in words."""

from dataclasses import dataclass

from markupsafe import Markup

from web.contexts import Shell


@dataclass(frozen=True, slots=True)
class Option:
    """One of the answers to choose from: value, text, whether it is chosen."""

    value: str
    text: str
    chosen: bool


@dataclass(frozen=True, slots=True)
class ChoiceForm:
    """The form that chooses cases, as it was filled in."""

    since: str
    until: str
    sides: tuple[Option, ...]
    plans: tuple[Option, ...]
    views: tuple[Option, ...]
    origins: tuple[Option, ...]
    problem: str


@dataclass(frozen=True, slots=True)
class Drawn:
    """A chart with its name and the sentences under it."""

    name: str
    svg: Markup
    said: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class CaseRow:
    """One case in the table."""

    case_id: str
    address: str
    opened: str
    origin: str
    side: str
    plan: str
    planned: str
    removed: str
    left: str
    passes: str
    each: str
    minutes: str
    pictures: str
    not_measured: str
    dose: str
    eye: str


@dataclass(frozen=True, slots=True)
class CohortContext:
    """Of cohort.html.

    Attributes
    ----------
    shell : Shell
    form : ChoiceForm
    counts : tuple of str
        Sentences on which cases these are.
    shares : tuple of (str, str, str)
        What holds, of how many cases, and per cent with its interval.
    spreads, trends : tuple of Drawn
    eye : Drawn or None
    reasons : tuple of (str, str, str, str)
        Sentence, pictures, cases, share of cases.
    not_measured : str
    dose : str
    rows : tuple of CaseRow
    page_said, newer, older : str
        Which part of the table it is, and the addresses of its neighbours.
    cases_csv, passes_csv : str
        Addresses.
    unread : str
    others : str
        Address of the cases of every origin, where none is chosen and there are some.
    intervals, no_ranking : str
    """

    shell: Shell
    form: ChoiceForm
    counts: tuple[str, ...]
    shares: tuple[tuple[str, str, str], ...]
    spreads: tuple[Drawn, ...]
    trends: tuple[Drawn, ...]
    eye: Drawn | None
    reasons: tuple[tuple[str, str, str, str], ...]
    not_measured: str
    dose: str
    rows: tuple[CaseRow, ...]
    page_said: str
    newer: str
    older: str
    cases_csv: str
    passes_csv: str
    unread: str
    others: str
    intervals: str
    no_ranking: str
