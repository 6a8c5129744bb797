"""A report as one page to read: the same markup for the screen, for a file and for the PDF."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import tzinfo
from typing import Final

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup, escape

from tracker import report_note
from tracker import report_words as words
from tracker.report import Line, Report
from tracker.report_entries import Entry, entries
from tracker.values import Budget

_ENVIRONMENT: Final = Environment(
    loader=PackageLoader("tracker"),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)

RUNGS: Final = {
    "mm_per_px": "as given",
    "object_diameter_mm": "from an object of known size",
    "head_diameter_mm": "from the diameter of the head",
}
"""How the scale was got."""

HOW_FINAL: Final = {
    "two exposures": "two exposures saved as the final one before repair",
    "last while burring": "last measured picture that came while burring",
    "last measured": "last measured picture; none was saved as the final one before repair",
}

FINAL_NAME: Final = {
    "two exposures": "Final before repair",
    "last while burring": "Last while burring",
    "last measured": "Last measured",
}
"""What the picture at the end may be called: only one that was saved as final is."""

_BUDGETS: Final = {"recession_mm": "Removed", "lcea": "LCEA", "remaining": "Left to the plan"}
"""Budgets that the page shows; the JSON holds all of them."""


@dataclass(frozen=True, slots=True)
class Shown:
    """A picture of the report and the drawing that lies over it.

    Attributes
    ----------
    src : str
        Address of the picture.
    width, height : int
        Of the drawing's frame, pixels.
    lines : str
        An ``svg`` element of that frame; empty where nothing is drawn.
    """

    src: str
    width: int
    height: int
    lines: str = ""


@dataclass(frozen=True, slots=True)
class Drawings:
    """Everything on the page that is not text.

    Attributes
    ----------
    rim : mapping of int to Shown
        The rim magnified, by number of picture.
    passes : mapping of int to Shown
        The same, small.
    whole : mapping of int to Shown
        The picture as recorded.
    strip, chart : str
        ``svg`` elements; empty while nothing is measured.
    """

    rim: Mapping[int, Shown] = field(default_factory=dict)
    passes: Mapping[int, Shown] = field(default_factory=dict)
    whole: Mapping[int, Shown] = field(default_factory=dict)
    strip: str = ""
    chart: str = ""


def body(report: Report, drawings: Drawings, zone: tzinfo | None = None) -> str:
    """Return the report as an ``article`` element, to be set into a page.

    Parameters
    ----------
    report : Report
    drawings : Drawings
    zone : tzinfo, optional
        In which times are said; this machine's own if not given.

    Returns
    -------
    str
    """
    return _ENVIRONMENT.get_template("report.html").render(**_known(report, drawings, zone))


def document(report: Report, drawings: Drawings, zone: tzinfo | None = None) -> str:
    """Return the report as a whole HTML document with its style in it.

    Parameters
    ----------
    report : Report
    drawings : Drawings
    zone : tzinfo, optional

    Returns
    -------
    str
    """
    inside = Markup(body(report, drawings, zone))
    return _ENVIRONMENT.get_template("report_document.html").render(
        inside=inside, report=report, words=words, style=Markup(stylesheet())
    )


def stylesheet() -> str:
    """Return the style of the report."""
    assert _ENVIRONMENT.loader is not None
    source: str = _ENVIRONMENT.loader.get_source(_ENVIRONMENT, "report.css")[0]
    return source


def _known(report: Report, drawings: Drawings, zone: tzinfo | None) -> dict[str, object]:
    """Return what the template may see."""
    known = {entry.key: entry for entry in entries(report)}
    return {
        "report": report,
        "drawings": drawings,
        "known": known,
        "words": words,
        "zone": zone,
        "value": _value,
        "between": _between,
        "budgets": _budgets(report),
        "rungs": RUNGS,
        "how_final": HOW_FINAL,
        "final_name": FINAL_NAME,
        "note": Markup(" ".join(report_note.sentences(report, known, _value))),
        "verdict": _verdict,
    }


def _value(entry: Entry) -> Markup:
    """Return a number that can be read back by its key, without its unit."""
    text = words.left(entry)[0] if words.is_left(entry) else words.number(entry)
    return Markup('<data value="{}" data-key="{}">{}</data>').format(
        repr(entry.value), entry.key, text
    )


def _between(entry: Entry) -> Markup:
    """Return the interval in words; empty where there is none."""
    text = words.left_interval(entry) if words.is_left(entry) else words.interval(entry)
    return escape(text)


def _verdict(line: Line) -> str:
    said = (line.message or "measured", *line.limits)
    return "; ".join(said)


def _budgets(report: Report) -> list[tuple[str, str, str, list[tuple[str, str, str, str]]]]:
    """Return name, unit, u and rows of the final numbers' budgets, the largest share first."""
    if report.final is None:
        return []
    return [
        (_BUDGETS[budget.result], _unit(budget.unit), *_rows(budget))
        for budget in report.final.removal.budgets
        if budget.result in _BUDGETS and (report.angles or budget.result != "lcea")
    ]


def _rows(budget: Budget) -> tuple[str, list[tuple[str, str, str, str]]]:
    ordered = sorted(budget.rows, key=lambda row: -row.contribution)
    combined = sum(row.contribution**2 for row in ordered) ** 0.5
    rows = [
        (
            row.source,
            f"{words.significant(row.u)} {_unit(row.unit)}".strip(),
            words.significant(row.contribution),
            row.note,
        )
        for row in ordered
        # A share that vanishes by construction is no news.
        if row.contribution > 1e-6 * max(combined, 1e-12)
    ]
    return words.significant(combined), rows


def _unit(unit: str) -> str:
    return {"mm2": "mm²", "deg": "°", "1": ""}.get(unit, unit)
