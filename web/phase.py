"""What goes on around a case: its phase, Glance while it is quiet, and the ways in."""

from dataclasses import replace
from typing import Final

from tracker.service import Case, Phase, SourceState
from web import words
from web.contexts import Finding, GlanceContext, PhaseContext

NAMES: Final[dict[Phase, str]] = {
    "before burring": "Before burring",
    "burring": "Burring",
    "repair": "Repair",
    "femur": "Femur",
}
_JUDGED: Final = frozenset(
    {"ready", "waiting", "measured", "recorded", "not measured", "outline wrong"}
)


def phase_context(case: Case) -> PhaseContext:
    """Put the phase into words for Pictures."""
    quiet = "" if case.aloud else "Pictures are kept and measured; Glance shows no number."
    return PhaseContext(
        now=case.phase,
        paused=case.paused,
        choices=tuple((phase, name, phase == case.phase) for phase, name in NAMES.items()),
        quiet=quiet,
    )


def as_heard(case: Case, shown: GlanceContext) -> GlanceContext:
    """Return what Glance may say: everything while burring, else that nothing is judged."""
    if case.aloud or shown.standing not in _JUDGED:
        return shown
    heading = f"{NAMES[case.phase]}, paused" if case.paused else NAMES[case.phase]
    return replace(
        shown,
        standing="quiet",
        heading=heading,
        figure_text="",
        unit="",
        interval="",
        message="",
        limits=(),
        findings=(
            Finding(
                "Pictures are kept, not judged.", "To be told again, choose Burring on Pictures."
            ),
        ),
        last_measured="",
        age_s=None,
        age="",
        is_stale=False,
        lcea="",
        picture_line="",
        number=None,
        figure=None,
    )


def ways_in(case: Case, sources: tuple[SourceState, ...]) -> tuple[str, ...]:
    """Say how each way in stands that brings this case its pictures."""
    return tuple(_way(state) for state in sources if state.case_id == case.row.id)


def _way(state: SourceState) -> str:
    text = f"{_KINDS[state.kind]} {state.where}: {_STANDINGS[state.standing]}"
    if state.last_at is not None:
        text += f", last {state.last_file} at {words.clock(state.last_at)}"
    return f"{text}. {state.last_error}".rstrip()


_KINDS: Final = {"folder": "Folder", "video": "Video", "receiver": "DICOM receiver"}
_STANDINGS: Final = {
    "starting": "being opened",
    "open": "watched",
    "not reachable": "not reachable",
    "ended": "ended",
}
