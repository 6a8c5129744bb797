"""The page with the list of cases, part by part."""

from typing import Final
from urllib.parse import urlencode

from tracker.service import ListPage
from web import words
from web.agreed import VIEWS
from web.contexts import CaseLine, HomeContext, Shell, case_base

_DAMAGED: Final = "can't be read; see tracker verify"
_STANDINGS: Final[dict[str, str]] = {
    "no picture": "waits for its first picture",
    "marks to agree": "waits for the marks on the first picture",
    "first unusable": "the first picture can't be used",
    "ready": "ready for the first pass",
    "waiting": "being measured",
    "measured": "measured",
    "recorded": "last picture usable; numbers after the case",
    "estimate first": "waits for the surgeon's own estimate",
    "not measured": "last picture not measured",
    "outline wrong": "last outline looks wrong",
    "to look at": "last picture kept to look at",
    "held": "last picture held back",
    "closed": "closed",
}


def home_context(
    page: ListPage, form: dict[str, str], error: str = "", hint: str = ""
) -> HomeContext:
    """Put a part of the list into words, with the form as it was filled in."""
    lines = tuple(
        CaseLine(
            one.case_id,
            case_base(one.case_id),
            words.hip(one.side) if one.side else "",
            f"{words.day(one.opened_at)}, {words.minute(one.opened_at)}",
            _STANDINGS[one.standing] if one.standing else _DAMAGED,
            tuple(
                (VIEWS[view.view], case_base(view.case_id), _STANDINGS[view.standing])
                for view in one.views
            ),
        )
        for one in page.lines
    )
    looked_for = {"find": page.find} if page.find else {}
    older = ""
    if page.older is not None:
        older = f"/?{urlencode({**looked_for, 'before': page.older})}"
    shell = Shell("Cases", "home")
    return HomeContext(shell, lines, form, error, hint, page.find, older, page.total)
