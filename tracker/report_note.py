"""What a report says for the operation note: sentences for the page, and the same as plain text."""

from collections.abc import Callable, Iterator, Mapping

from tracker import report_words as words
from tracker.around_sums import minutes
from tracker.report import FinalState, Report
from tracker.report_entries import Entry

Known = Mapping[str, Entry]
Write = Callable[[Entry], str]
"""Gives a number's text without its unit."""


def plain(report: Report, known: Known) -> str:
    """Return the note as text to be pasted, with the caution under it.

    Parameters
    ----------
    report : Report
    known : mapping of str to Entry

    Returns
    -------
    str
    """
    said = " ".join(sentences(report, known, _number))
    return f"{said}\n\n{report.caution}\n"


def _number(entry: Entry) -> str:
    return words.left(entry)[0] if words.is_left(entry) else words.number(entry)


def sentences(report: Report, known: Known, write: Write) -> list[str]:
    """Return the note, sentence by sentence; numbers as ``write`` gives them.

    Nothing in it was typed by anybody: only numbers, places on the clock face and words of this
    software, so that it needs no escaping.
    """
    hip = f"{report.side.capitalize()} hip"
    if report.final is None:
        return [f"{hip}: {_nothing(report)}"]
    return [
        f"{hip}: resection of the acetabular rim followed on C-arm pictures, {report.view} view "
        f"({write(known['exposure.measured'])} of {write(known['exposure.received'])} measured).",
        *_measured(report, report.final, known, write),
        *_beside(report, known, write),
        "Intervals hold 19 times in 20.",
        report.unseen[0],
    ]


def _nothing(report: Report) -> str:
    start, later = report.start, len(report.lines)
    said = "nothing was measured."
    if report.silent:
        said = "the numbers are recorded and shown once the case is closed."
    if start is None:
        return f"{said} The case has no picture."
    if start.standing != "ready":
        return f"{said} {words.STANDINGS[start.standing].capitalize()}."
    if not later:
        return f"{said} The first picture can be used; no later picture was taken."
    if report.silent:
        pictures = words.count(later, "later picture is", "later pictures are")
        return f"{said} The first picture can be used; {pictures} in the record."
    return f"{said} The first picture can be used; none of the later pictures has a number."


def _measured(report: Report, final: FinalState, known: Known, write: Write) -> Iterator[str]:
    def with_interval(key: str) -> str:
        entry = known[key]
        interval = f" ({words.interval(entry)})" if entry.u is not None else ""
        return f"{write(entry)}{words.unit(entry)}{interval}"

    def left(key: str) -> str:
        entry = known[key]
        return f"{write(entry)} {words.left(entry)[1]} ({words.left_interval(entry)})"

    def reached(limit: str) -> str:
        return "may have been reached" if limit in final.limits else "not reached"

    if "final.lcea_deg" in known and "start.lcea_deg" in known:
        less = f": {with_interval('final.change_deg')} less" if "final.change_deg" in known else ""
        yield (
            f"LCEA to the lateral bony edge {with_interval('start.lcea_deg')} "
            f"{words.at_start(report)}, {with_interval('final.lcea_deg')} at the end{less}."
        )
    total = ""
    if report.carried is not None and "final.total_mm" in known:
        least = "" if report.carried.whole else "at least "
        total = (
            f", {least}{with_interval('final.total_mm')} with what was removed before the "
            "present first picture"
        )
    removed = with_interval("final.removed_mm")
    yield f"Removed at the {words.edge(report)} {removed} along the roof’s arc{total}."
    planned = [
        f"{name} {with_interval(key)}"
        for name, key in (("LCEA", "plan.target_lcea_deg"), ("depth", "plan.depth_mm"))
        if key in known
    ]
    most = "at most " if report.at_most else ""
    message = f", {final.message}" if final.message else ""
    yield f"Planned {' and '.join(planned)}: {most}{left('final.left_mm')}{message}."
    if "final.left_to_limit_mm" in known:
        limit = with_interval("plan.lower_limit_lcea_deg")
        yield (
            f"Lower limit {limit}: {left('final.left_to_limit_mm')}, "
            f"{reached('lower limit reached')}."
        )
    if "plan.greatest_depth_mm" in known:
        depth = with_interval("plan.greatest_depth_mm")
        yield f"Greatest depth {depth}: {reached('greatest depth reached')}."


def _beside(report: Report, known: Known, write: Write) -> Iterator[str]:
    beside = report.beside
    if "around.traction_min" in known:
        still = ", still on" if beside.traction_on else ""
        yield f"Traction {write(known['around.traction_min'])} min{still}."
    if "around.anchors_in" in known:
        # Nothing but places: a journal that was made elsewhere could say anything.
        places = ", ".join(one.place for one in beside.anchors if minutes(one.place) is not None)
        yield f"Anchors in: {write(known['around.anchors_in'])} ({places}; 3 is anterior)."
