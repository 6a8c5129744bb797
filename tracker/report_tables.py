"""A report's numbers as tables for programs: CSV and JSON, unrounded."""

import csv
import json
from collections.abc import Iterator
from typing import Any, Final

from tracker.report import Line, Report
from tracker.report_entries import Entry, entries
from tracker.values import Budget, NotMeasurable

SCHEMA: Final = 1
COLUMNS: Final = ("key", "picture", "what", "value", "u", "low", "high", "unit")
"""Of the CSV; ``low`` and ``high`` are the value minus and plus 2u."""


class _Lines:
    """Collects what the writer of CSV writes."""

    def __init__(self) -> None:
        self.text: list[str] = []

    def write(self, line: str) -> int:
        self.text.append(line)
        return len(line)


def to_csv(report: Report) -> str:
    """Return every number of a report as CSV, one a row.

    Parameters
    ----------
    report : Report

    Returns
    -------
    str
        UTF-8 text with a heading; lines end in CR LF, as RFC 4180 has it.
    """
    lines = _Lines()
    writer = csv.writer(lines)
    writer.writerow(COLUMNS)
    writer.writerows(map(_row, entries(report)))
    return "".join(lines.text)


def _row(entry: Entry) -> tuple[str, ...]:
    found = entry.quantity
    return (
        entry.key,
        "" if entry.picture is None else str(entry.picture),
        entry.name,
        repr(entry.value),
        "" if entry.u is None else repr(entry.u),
        "" if found is None else repr(found.low),
        "" if found is None else repr(found.high),
        entry.unit,
    )


def to_json(report: Report) -> str:
    """Return a report as JSON: every number with its u, and what was said in words.

    Parameters
    ----------
    report : Report

    Returns
    -------
    str
        One object; see docs/reference.md for its keys.
    """
    return json.dumps(plain(report), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def plain(report: Report) -> dict[str, Any]:
    """Return what :func:`to_json` writes."""
    start, final, made = report.start, report.final, report.made
    return {
        "schema": SCHEMA,
        "case": report.case_id,
        "side": report.side,
        "view": report.view,
        "opened_at": report.opened_at.isoformat(),
        "last_entry_at": report.last_at.isoformat(),
        "closed": report.closed,
        "numbers": {entry.key: _number(entry) for entry in entries(report)},
        "plan": {
            "clock": list(report.plan.clock) if report.plan.clock else None,
            "notes": list(report.plan_notes),
            "confirmed": report.plan_confirmed,
            "measured_on": report.terms.film or None,
            "edge": report.terms.edge,
            "left_is_at_most": report.at_most,
        },
        "marks": {
            "source": report.marks.source if report.marks else None,
            "agreed_at": report.marks_at.isoformat() if report.marks_at else None,
        },
        "first_under_traction": report.terms.traction_on,
        "numbers_shown": not report.silent,
        "beside_rim": report.beside_rim or None,
        "other_views": [{"case": case_id, "view": view} for case_id, view in report.other_views],
        "scale_from": start.scale_from if start else None,
        "first_picture": None
        if start is None
        else {
            "number": start.number,
            "file": start.name,
            "at": start.at.isoformat(),
            "standing": start.standing,
            "reasons": [_finding(one) for one in start.reasons],
            "notes": list(start.notes),
        },
        "pictures": [_line(line) for line in report.lines],
        "final": None
        if final is None
        else {
            "picture": final.number,
            "pictures": list(final.numbers),
            "chosen": final.how,
            "agree": final.agree,
            "message": final.message,
            "limits": list(final.limits),
            "budgets": [
                _budget(budget)
                for budget in final.removal.budgets
                if report.angles or budget.result not in ("lcea", "to the lower limit")
            ],
        },
        "around": _around(report),
        "unreadable": [
            {"file": name, "at": at.isoformat() if at else None, "why": why}
            for at, name, why in report.unreadable
        ],
        "notes": [
            {
                "text": note.text,
                "picture": note.number,
                "at": note.at.isoformat() if note.at else None,
            }
            for note in report.notes
        ],
        "not_seen": list(report.unseen),
        "intervals": report.intervals,
        "software": made.software,
        "settings": made.settings,
        "measured_with": [
            {"software": software, "settings": settings}
            for software, settings in made.measured_with
        ],
        "journal": {"entries": made.entries, "head": made.chain or None},
        "caution": report.caution,
    }


def _around(report: Report) -> dict[str, Any]:
    found = report.beside
    films = {"before": found.film_before, "after": found.film_after}
    return {
        "traction": [
            {"on": one.on_at.isoformat(), "off": one.off_at.isoformat() if one.off_at else None}
            for one in found.spells
        ],
        "labrum": [found.labrum.start, found.labrum.end] if found.labrum else None,
        "anchors": [{"place": one.place, "at": one.at.isoformat()} for one in found.anchors],
        "capsule": found.capsule,
        "movement_tested": found.movement_tested,
        "films": {
            when: {"read_by": film.said.by, "edge": film.said.variant} if film else None
            for when, film in films.items()
        },
        "change_resolved": found.compared.change.resolved
        if found.compared and found.compared.change
        else None,
        "after_traction": {
            "pictures": list(found.after_traction.said.numbers),
            "stands": found.after_traction.given,
        }
        if found.after_traction
        else None,
    }


def _number(entry: Entry) -> dict[str, Any]:
    found: dict[str, Any] = {"value": entry.value, "u": entry.u, "unit": entry.unit}
    return found | {"what": entry.name, "picture": entry.picture}


def _line(line: Line) -> dict[str, Any]:
    return {
        "number": line.number,
        "file": line.name,
        "at": line.at.isoformat(),
        "standing": line.standing,
        "series": line.series,
        "message": line.message,
        "limits": list(line.limits),
        "reasons": [_finding(one) for one in line.reasons],
        "notes": list(line.notes),
        "retake_asked_for": line.retake,
        "zero_picture": line.is_zero,
        "not_while_burring": line.quiet,
    }


def _finding(one: NotMeasurable) -> dict[str, str]:
    return {"reason": str(one.reason), "seen": one.sentence, "to_do": one.what_to_do}


def _budget(budget: Budget) -> dict[str, Any]:
    return {"result": budget.result, "unit": budget.unit, "rows": list(_rows(budget))}


def _rows(budget: Budget) -> Iterator[dict[str, Any]]:
    for row in budget.rows:
        yield {
            "source": row.source,
            "u": row.u,
            "unit": row.unit,
            "sensitivity": row.sensitivity,
            "contribution": row.contribution,
            "note": row.note,
        }
