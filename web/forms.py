"""What the forms of the pages send, and how it becomes the keys of a case.toml."""

import re
from typing import Any, Final, Literal

from pydantic import BaseModel, ConfigDict

from tracker.errors import InputError
from web import words

PictureForm = Literal["recorded", "registered", "rim"]
Looks = Literal["wrong", "right"]
Said = Literal["close", "reopen", "no zero", "new series", "new series, burred since"]
Aside = Literal["take back", "look at"]
CasePage = Literal["", "glance", "review"]

_LABELS: Final = {
    "id": "Pseudonym",
    "side": "Side",
    "view": "View",
    "head_diameter_mm": "Diameter of the femoral head",
    "mm_per_px": "Spacing",
    "object_diameter_mm": "Object of known size",
    "target_lcea_deg": "Target LCEA",
    "floor_lcea_deg": "Lower limit",
    "depth_mm": "Planned depth",
    "max_depth_mm": "Greatest depth",
}
"""Names of the form's fields by the keys of a case.toml."""

_SCALE: Final = ("head_diameter_mm", "mm_per_px", "object_diameter_mm")
_PLAN: Final = ("target_lcea_deg", "floor_lcea_deg", "depth_mm", "max_depth_mm")


class CaseForm(BaseModel):
    """The form that opens a case; numbers are texts until they are checked."""

    model_config = ConfigDict(extra="forbid")

    id: str = ""
    side: str = ""
    view: str = "AP"
    head_diameter_mm: str = ""
    mm_per_px: str = ""
    object_diameter_mm: str = ""
    unusual_head: str = ""
    target_lcea_deg: str = ""
    floor_lcea_deg: str = ""
    depth_mm: str = ""
    max_depth_mm: str = ""
    clock_from: str = ""
    clock_to: str = ""
    edge: str = "lateral bony edge"
    film: str = ""

    def plain(self) -> dict[str, Any]:
        """Return the form as the keys and tables of a case.toml.

        Raises
        ------
        InputError
            A field that should hold a number holds something else.
        """
        plain: dict[str, Any] = {"id": self.id.strip(), "view": self.view}
        if self.side:
            plain["side"] = self.side
        plain["scale"] = self._numbers(_SCALE)
        plain["plan"] = self._numbers(_PLAN)
        if self.clock_from or self.clock_to:
            plain["plan"]["clock"] = [self.clock_from.strip(), self.clock_to.strip()]
        self._refuse_unlikely(plain)
        return plain

    def plan_note(self) -> str:
        """Return where the plan's angle comes from, as a note; empty where nothing was said."""
        if not self.film or not self.target_lcea_deg.strip():
            return ""
        return f"The target LCEA comes from: {self.film}, {self.edge}."

    def _refuse_unlikely(self, plain: dict[str, Any]) -> None:
        """Refuse what could be typed and is most likely a slip, saying what was meant."""
        if self.edge != "lateral bony edge" and "target_lcea_deg" in plain["plan"]:
            raise InputError(
                "The target LCEA is of another edge than the one that is measured here.",
                hint="Angles of the lateral bony edge and of the sourcil's end differ by degrees "
                "and are never subtracted: measure the film again at the lateral bony edge, or "
                "plan a depth.",
            )
        head = plain["scale"].get("head_diameter_mm")
        odd = words.head_size(head) if head is not None else ""
        if odd and not self.unusual_head:
            raise InputError(odd, hint="If it is right, say so below the diameter.")

    def as_filled(self) -> dict[str, str]:
        """Return what was typed, to show it again."""
        return {name: str(value) for name, value in self.model_dump().items()}

    def _numbers(self, names: tuple[str, ...]) -> dict[str, float]:
        found = {}
        for name in names:
            text = str(getattr(self, name)).strip().replace(",", ".")
            if not text:
                continue
            try:
                found[name] = float(text)
            except ValueError:
                raise InputError(
                    f"{_LABELS[name]} is not a number.", hint="Write it like 33 or 48.6."
                ) from None
        return found


EMPTY: Final = CaseForm().as_filled()


def in_form_words(message: str) -> str:
    """Say a message about a case.toml in the words of the form.

    >>> in_form_words("case.toml: [plan] floor_lcea_deg is missing")
    'Lower limit is missing'
    >>> in_form_words("case.toml: [scale] is empty")
    'The scale is empty'
    """
    text = re.sub(r"^case\.toml: (\[\w+\] )?(?=\w+_\w+|id |side |view )", "", message)
    text = re.sub(r"^case\.toml: \[(\w+)\]", r"The \1", text)
    pattern = r"\b(" + "|".join(sorted(_LABELS, key=len, reverse=True)) + r")\b"
    first = re.match(pattern, text)
    if first:
        text = _LABELS[first[1]] + text[first.end() :]
    return re.sub(pattern, lambda found: _LABELS[found[1]].lower(), text)
