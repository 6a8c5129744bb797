"""The theatre card: one page, printed before the case, read beside the C-arm."""

from dataclasses import dataclass

from tracker.service import Case
from web import words
from web.agreed import LIMITS, VIEWS
from web.contexts import Shell


@dataclass(frozen=True, slots=True)
class CardContext:
    """Of card.html.

    Attributes
    ----------
    shell : Shell
    case_id, side : str
    plan : tuple of (str, str)
        Name and text.
    views : tuple of (str, str)
        Name, and what it can't see.
    by_traction : bool
        The first picture is taken under traction.
    live : bool
        Numbers are shown live.
    """

    shell: Shell
    case_id: str
    side: str
    plan: tuple[tuple[str, str], ...]
    views: tuple[tuple[str, str], ...]
    by_traction: bool
    live: bool


def card_context(case: Case, views: tuple[Case, ...]) -> CardContext:
    """Put the card together.

    Parameters
    ----------
    case : Case
    views : tuple of Case
        Of the same hip.
    """
    plan, terms = case.setup.plan, case.agreement.terms
    lines = []
    if plan.target_lcea_deg is not None:
        lines.append(("target LCEA", f"{plan.target_lcea_deg:g}°"))
    if plan.floor_lcea_deg is not None:
        lines.append(("lower limit", f"{plan.floor_lcea_deg:g}°"))
    for one in views:
        of = f", {VIEWS[one.setup.view]}" if len(views) > 1 else ""
        if one.setup.plan.depth_mm is not None:
            lines.append((f"planned depth{of}", f"{one.setup.plan.depth_mm:g} mm"))
        if one.setup.plan.max_depth_mm is not None:
            lines.append((f"greatest depth{of}", f"{one.setup.plan.max_depth_mm:g} mm"))
    if plan.clock is not None:
        lines.append(("zone on the clock face", f"{plan.clock[0]} to {plan.clock[1]}"))
    return CardContext(
        shell=Shell(f"Theatre card, case {case.row.id}", "card", case.row.id),
        case_id=views[0].row.id,
        side=words.hip(case.setup.side),
        plan=tuple(lines),
        views=tuple((VIEWS[one.setup.view], LIMITS[one.setup.view]) for one in views),
        by_traction=terms.traction_on,
        live=terms.numbers == "live",
    )
