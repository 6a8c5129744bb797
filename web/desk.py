"""What can be said of a case on Pictures, in words: zero picture, notes, plan, closing."""

from tracker.service import Case, CasePicture, PlanNote
from web import words
from web.contexts import DeskContext, ZeroContext


def desk_context(case: Case, notes: tuple[PlanNote, ...]) -> DeskContext:
    """Put what was said of a case into words.

    Parameters
    ----------
    case : Case
    notes : tuple of PlanNote
        What the plan looks like on this hip.

    Returns
    -------
    DeskContext
    """
    latest = case.stills[-1] if case.stills else None
    return DeskContext(
        zero=zero_context(case),
        plan_notes=tuple(note.text for note in notes),
        confirmed=case.log.plan_confirmed,
        notes=written(case),
        latest=latest.number if latest else None,
        carried=carried_text(case),
        can_renew=bool(_trusted(case)),
        last_measured=next((p.number for p in reversed(_trusted(case))), None),
        can_keep=latest is not None and case.standing_of(latest) == "not measured",
    )


def carried_text(case: Case) -> str:
    """Say what was removed before the present first picture; empty where it is the only one."""
    carried = case.log.carried
    if carried is None:
        return ""
    if case.silent:
        return "What was removed before this first picture is recorded, and carried over."
    total = carried.removed_mm
    least = "" if carried.whole else "at least "
    said = f"Removed before this first picture: {least}{words.value(total)} mm"
    until = f"({words.interval(total)}), up to picture {carried.number}."
    return f"{said} {until}" if carried.whole else f"{said} {until} Something was burred after it."


def before_series(case: Case) -> tuple[tuple[int, str, str], ...]:
    """Return number, time and verdict of the pictures from before a new first one."""
    lines = []
    for picture in case.earlier:
        removal = picture.result.removal if picture.result and picture.counts else None
        text = "the first picture then" if picture.reference else words.NOT_MEASURED
        if picture.withheld and picture.is_measured:
            text = "recorded"
        if removal is not None:
            removed = f"{words.value(removal.recession_mm)} mm removed"
            text = f"{removed} ({words.interval(removal.recession_mm)})"
        elif picture.result is not None and picture.result.reasons:
            text = f"{words.NOT_MEASURED}: {words.seen(picture.result.reasons[0])}"
        lines.append((picture.number, words.clock(picture.row.received_at), text))
    return tuple(lines)


def written(case: Case) -> tuple[tuple[str, str, str], ...]:
    """Return time, place and text of what was noted, the latest first."""
    return tuple(
        (
            words.clock(note.at) if note.at else "",
            "" if note.number is None else f"picture {note.number}",
            note.text,
        )
        for note in reversed(case.log.notes)
    )


def zero_context(case: Case) -> ZeroContext:
    """Say how the zero picture stands, and whether the next picture is to be one."""
    log, counted = case.log, _trusted(case)
    zero = next((p for p in counted if p.number == log.zero_number), None)
    ready = case.standing not in ("no picture", "marks to agree", "first unusable", "closed")
    if zero is not None and zero.withheld:
        return ZeroContext(False, "The zero picture is recorded; what it reads is not shown yet.")
    if zero is not None:
        reads_zero, text = _zero_reading(zero)
        asked = ready and not reads_zero and not log.zero_skipped and len(counted) == 1
        return ZeroContext(asked, text)
    if log.zero_skipped:
        return ZeroContext(False, "No zero picture: numbers stand without that proof on this hip.")
    if counted:
        return ZeroContext(False, "No picture was named as the zero picture.")
    return ZeroContext(ready, "")


def _trusted(case: Case) -> list[CasePicture]:
    """Return the pictures that were measured and not called wrong, whether or not they show it."""
    return [picture for picture in case.stills if picture.is_measured and not picture.distrusted]


def _zero_reading(zero: CasePicture) -> tuple[bool, str]:
    """Tell whether the zero picture reads 0 within its interval, and say so."""
    removal = zero.result.removal if zero.result else None
    if removal is None:
        return False, ""
    read = removal.recession_mm
    said = f"The zero picture reads {words.value(read)} mm ({words.interval(read)})"
    if read.low <= 0 <= read.high:
        return True, f"{said}: 0 lies within, so the chain holds on this hip."
    return False, (
        f"{said}: 0 does not lie within. Check the marks, and that nothing was burred; "
        "then take it again."
    )
