"""What the forms of the pages send, and how it becomes the keys of a case.toml."""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, Final, Literal

from pydantic import BaseModel, ConfigDict, Field

from tracker.errors import InputError, InvalidCase
from tracker.service import Terms
from tracker.values import View
from web import words

PictureForm = Literal["recorded", "registered", "rim"]
Looks = Literal["wrong", "right"]
Said = Literal[
    "close",
    "reopen",
    "no zero",
    "new series",
    "new series, burred since",
    "burr runs",
    "burr stopped",
]
Aside = Literal["take back", "look at"]
CasePage = Literal["", "glance", "review"]
Rehearse = Literal["begin", "end"]
BesideHow = Literal["", "with", "without"]
BesideWhat = Literal["rim fragment", "ossicle", "calcified labrum"]


class MarksForm(BaseModel):
    """The handles' places on a picture, in pixels as recorded."""

    model_config = ConfigDict(extra="forbid")

    head_x: list[float]
    head_y: list[float]
    edge_x: float
    edge_y: float
    horizontal_x: list[float]
    horizontal_y: list[float]
    as_proposed: bool = False

    def plain(self) -> dict[str, Any]:
        """Return the marks as a case.toml would say them."""
        return {
            "head": [list(point) for point in zip(self.head_x, self.head_y, strict=False)],
            "rim_edge": [self.edge_x, self.edge_y],
            "horizontal": [
                list(point) for point in zip(self.horizontal_x, self.horizontal_y, strict=False)
            ],
        }


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
    "other_depth_mm": "Planned depth in the other views",
    "other_max_depth_mm": "Greatest depth in the other views",
}
"""Names of the form's fields by the keys of a case.toml."""

_SCALE: Final = ("head_diameter_mm", "mm_per_px", "object_diameter_mm")
_PLAN: Final = ("target_lcea_deg", "floor_lcea_deg", "depth_mm", "max_depth_mm")


class CaseForm(BaseModel):
    """The form that opens a case; numbers are texts until they are checked."""

    model_config = ConfigDict(extra="forbid")

    id: str = ""
    side: str = ""
    view: View | Literal[""] = ""
    views: list[View] = Field(default_factory=list)
    head_diameter_mm: str = ""
    mm_per_px: str = ""
    object_diameter_mm: str = ""
    unusual_head: str = ""
    target_lcea_deg: str = ""
    floor_lcea_deg: str = ""
    depth_mm: str = ""
    max_depth_mm: str = ""
    other_depth_mm: str = ""
    other_max_depth_mm: str = ""
    clock_from: str = ""
    clock_to: str = ""
    edge: str = "lateral bony edge"
    film: Literal["", "X-ray lying", "X-ray standing", "CT", "C-arm picture"] = ""
    traction_on: bool = False
    numbers: Literal["live", "recorded only"] = "live"

    def used_views(self) -> tuple[View, ...]:
        """Return the views that will be used; the first of them stands for the hip."""
        chosen = [self.view, *self.views] if self.view else self.views
        order: tuple[View, ...] = ("AP", "oblique", "false-profile")
        return tuple(view for view in order if view in chosen) or ("AP",)

    def plain(self) -> dict[str, Any]:
        """Return the form as the keys and tables of a case.toml.

        Raises
        ------
        InputError
            A field that should hold a number holds something else.
        """
        plain: dict[str, Any] = {"id": self.id.strip(), "view": self.used_views()[0]}
        if self.side:
            plain["side"] = self.side
        plain["scale"] = self._numbers(_SCALE)
        plain["plan"] = self._numbers(_PLAN)
        if self.clock_from or self.clock_to:
            plain["plan"]["clock"] = [self.clock_from.strip(), self.clock_to.strip()]
        self._refuse_unlikely(plain)
        return plain

    def depths(self) -> dict[str, Any]:
        """Return the depths as the keys of a case.toml's table.

        Raises
        ------
        InputError
            A field that should hold a number holds something else.
        """
        return self._numbers(("depth_mm", "max_depth_mm"))

    def terms(self) -> Terms:
        """Return what is agreed beside what measuring needs."""
        return Terms(numbers=self.numbers, film=self.film, traction_on=self.traction_on)

    def others(self) -> dict[View, dict[str, Any]]:
        """Return the plans of the other views, as the keys of a case.toml's table.

        Raises
        ------
        InputError
            There are other views and no depth.
        """
        views = self.used_views()[1:]
        if not views:
            return {}
        typed = self._numbers(("other_depth_mm", "other_max_depth_mm"))
        own = self.depths()
        plan = {
            key: typed.get(f"other_{key}", own.get(key)) for key in ("depth_mm", "max_depth_mm")
        }
        if plan["depth_mm"] is None:
            raise InputError(
                "The other views need a planned depth in millimetres.",
                hint="Angles are planned in the AP view alone.",
            )
        known = {key: value for key, value in plan.items() if value is not None}
        return {view: dict(known) for view in views}

    def _refuse_unlikely(self, plain: dict[str, Any]) -> None:
        """Refuse what could be typed and is most likely a slip, saying what was meant."""
        if self.edge != "lateral bony edge" and "target_lcea_deg" in plain["plan"]:
            raise InputError(
                "The target LCEA is of another edge than the one that is measured here.",
                hint="Angles of the lateral bony edge and of the sourcil's end differ by degrees "
                "and are never subtracted: measure the film again at the lateral bony edge, or "
                "plan a depth.",
            )
        without = "in a case that begins under traction" if self.traction_on else ""
        if plain["view"] != "AP":
            without = "without an AP view"
        if without and plain["plan"].keys() & {"target_lcea_deg", "floor_lcea_deg"}:
            raise InputError(
                f"No LCEA is measured {without}.",
                hint="Leave target and lower limit empty, and plan a depth in millimetres.",
            )
        head = plain["scale"].get("head_diameter_mm")
        odd = words.head_size(head) if head is not None else ""
        if odd and not self.unusual_head:
            raise InputError(odd, hint="If it is right, say so below the diameter.")

    def as_filled(self) -> dict[str, str]:
        """Return what was typed, to show it again."""
        typed = {name: str(value) for name, value in self.model_dump().items()}
        typed["views"] = " ".join(self.used_views())
        typed["traction_on"] = "yes" if self.traction_on else ""
        return typed

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


@contextmanager
def in_its_words() -> Iterator[None]:
    """Say what is wrong with a case.toml in the words of the form."""
    try:
        yield
    except InvalidCase as error:
        raise InvalidCase(in_form_words(error.message), hint=error.hint) from None
