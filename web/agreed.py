"""What was agreed about a case, in words: its views, its numbers, what lies beside the rim."""

from typing import Final

from tracker.service import Case, PictureView
from tracker.values import VIEW_LIMIT, Reason, View
from web import words
from web.agreed_contexts import AgreedContext, Offer, RehearsalContext, ViewTab
from web.contexts import case_base

VIEWS: Final[dict[View, str]] = {
    "AP": "AP",
    "oblique": "oblique",
    "false-profile": "false profile",
}
LIMITS: Final[dict[View, str]] = {
    "AP": VIEW_LIMIT,
    "oblique": (
        "Oblique view: the rim where it is seen edge on. Lateral edge and back of the rim not seen "
        "in this view. Millimetres only."
    ),
    "false-profile": (
        "False profile: front edge only. Lateral edge and back of the rim not seen in this view. "
        "Millimetres only; no anterior angle is measured."
    ),
}
"""What each view can't see; always beside the number."""

_OTHER_VIEW: Final = frozenset({Reason.VIEW_CHANGED, Reason.OTHER_ANATOMY, Reason.NO_ANATOMY})
"""Findings that a picture of another view would give."""


def agreed_context(
    case: Case,
    views: tuple[Case, ...],
    page: str,
    *,
    quality: tuple[str, ...] = (),
    shown: PictureView | None = None,
    has_test_picture: bool = False,
) -> AgreedContext:
    """Put what was agreed into words.

    Parameters
    ----------
    case : Case
    views : tuple of Case
        Of the same hip, this one among them.
    page : {"", "glance", "review"}
        Which page the tabs lead to.
    quality : tuple of str
    shown : PictureView, optional
        The picture on the page.
    has_test_picture : bool
        The rehearsal's picture is still there to be seen.
    """
    agreed, many = case.agreement, len(views) > 1
    open_views = {one.setup.view for one in views}
    return AgreedContext(
        tabs=tuple(_tab(one, page, here=one.row.id == case.row.id) for one in views)
        if many
        else (),
        view=VIEWS[case.setup.view] if many or case.setup.view != "AP" else "",
        offers=_offers(case, open_views, shown),
        can_add=tuple((str(view), name) for view, name in VIEWS.items() if view not in open_views),
        beside=beside_text(case),
        how=agreed.beside.how,
        what=agreed.beside.what,
        quality=quality,
        silent=case.silent,
        angles=case.angles,
        at_most=case.at_most,
        burr_runs=case.log.burr_runs and not case.log.closed,
        rehearsal=_rehearsal(case, has_picture=has_test_picture),
    )


def view_limit(case: Case) -> str:
    """Return what the case's view can't see."""
    return LIMITS[case.setup.view]


def beside_text(case: Case) -> str:
    """Say whether the edge is taken with or without what lies beside the rim."""
    beside = case.agreement.beside
    return f"Edge taken {beside.how} the {beside.what}." if beside.how else ""


def agreed_lines(case: Case) -> list[tuple[str, str]]:
    """Return what was agreed as lines of the plan: name and text."""
    terms, lines = case.agreement.terms, []
    if case.setup.view != "AP" or case.agreement.views:
        lines.append(("view", VIEWS[case.setup.view]))
    if terms.film:
        lines.append(("plan measured on", f"{terms.film}, {terms.edge}"))
    if terms.traction_on:
        lines.append(("first picture", "under traction: millimetres only"))
    if case.agreement.beside.how:
        beside = case.agreement.beside
        lines.append(("edge taken", f"{beside.how} the {beside.what}"))
    if terms.numbers == "recorded only":
        lines.append(("numbers", "recorded only, shown once the case is closed"))
    lines += [("rehearsed", text) for text in _rehearsed(case)]
    return lines


def _tab(case: Case, page: str, *, here: bool) -> ViewTab:
    base = case_base(case.row.id)
    number = len(case.stills)
    standing = "no picture yet" if case.first is None else words.count(number, "pass", "passes")
    address = f"{base}/{page}" if page else base
    return ViewTab(VIEWS[case.setup.view], address, here, standing)


def _offers(case: Case, open_views: set[View], shown: PictureView | None) -> tuple[Offer, ...]:
    """Return the views as which a picture that could not be measured here can be taken."""
    if shown is None or shown.standing != "not measured" or shown.result is None:
        return ()
    if not any(reason.reason in _OTHER_VIEW for reason in shown.result.reasons):
        return ()
    return tuple(
        Offer(view, name, view in open_views)
        for view, name in VIEWS.items()
        if view != case.setup.view and (view != "AP" or view in open_views)
    )


def _rehearsal(case: Case, *, has_picture: bool) -> RehearsalContext:
    stage, text, src = case.agreement.rehearsal, "", ""
    if stage == "waiting":
        text = "Waiting for one test picture by the way that will be used."
    elif stage == "shown":
        last = case.agreement.rehearsals[-1]
        at = words.clock(last.at) if last.at else ""
        text = f"{last.name} came at {at}, {last.width} x {last.height} pixels."
        src = f"{case_base(case.row.id)}/rehearsal.png" if has_picture else ""
    return RehearsalContext(stage, text, src, _rehearsed(case))


def _rehearsed(case: Case) -> tuple[str, ...]:
    return tuple(
        f"{words.day(one.at)}, {words.clock(one.at)}: {one.name}, {one.width} x {one.height}"
        for one in case.agreement.rehearsals
        if one.at is not None
    )
