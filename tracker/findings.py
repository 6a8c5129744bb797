"""Why a picture is not measured: the one registry of findings, what was seen and what to do."""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final


class Reason(StrEnum):
    """The one registry of findings; the words are those of the case-folder form."""

    DUPLICATE = "duplicate"
    NO_ANATOMY = "no-anatomy"
    MIRRORED = "mirrored"
    OTHER_ANATOMY = "other-anatomy"
    VIEW_CHANGED = "view-changed"
    RIM_HIDDEN = "rim-hidden"
    RIM_OUTSIDE = "rim-outside"
    NOT_SQUARE = "not-square"
    PHOTOGRAPH = "photograph"
    UNREADABLE = "unreadable"
    WRONG_SIDE = "wrong-side"
    MARKS_UNUSABLE = "marks-unusable"
    SCALE_UNUSABLE = "scale-unusable"
    GRID_UNUSABLE = "grid-unusable"
    REFERENCE_UNUSABLE = "reference-unusable"


SENTENCES: Final[dict[Reason, str]] = {
    Reason.DUPLICATE: "This is a picture that is already in the case.",
    Reason.NO_ANATOMY: "No hip can be found in this picture.",
    Reason.MIRRORED: "The picture is mirrored against the first one.",
    Reason.OTHER_ANATOMY: "The bone in this picture does not match the first one.",
    Reason.VIEW_CHANGED: "The view has turned (C-arm moved, or the pelvis tilted).",
    Reason.RIM_HIDDEN: "Metal or a drawn line lies over the edge of the roof.",
    Reason.RIM_OUTSIDE: "The edge of the roof lies outside the exposed field.",
    Reason.NOT_SQUARE: "The picture is stretched: its pixels are not square.",
    Reason.PHOTOGRAPH: "This is a photograph of a screen, not the C-arm's own picture.",
    Reason.UNREADABLE: "The file can't be read as a picture.",
    Reason.WRONG_SIDE: "The lateral direction of the first picture does not fit the case's side.",
    Reason.MARKS_UNUSABLE: "The marks on the first picture can't be used.",
    Reason.SCALE_UNUSABLE: "The scale can't be found from what was given.",
    Reason.GRID_UNUSABLE: "The bead-plate picture can't be used.",
    Reason.REFERENCE_UNUSABLE: "The first picture can't be used; nothing can be compared with it.",
}
"""What was seen: one sentence for each reason."""

REMEDIES: Final[dict[Reason, str]] = {
    Reason.DUPLICATE: "Nothing to do: it adds nothing and changes no total.",
    Reason.NO_ANATOMY: "Centre the hip and take one more picture, or keep this one to look at.",
    Reason.MIRRORED: "Undo the left-right flip at the C-arm and save the picture again.",
    Reason.OTHER_ANATOMY: "Check that the picture is of this patient and this hip.",
    Reason.VIEW_CHANGED: "Bring the receptor back to its mark and take one more picture.",
    Reason.RIM_HIDDEN: "Draw burr and scope back about 2 cm; one more picture.",
    Reason.RIM_OUTSIDE: "Centre the hip or open the collimator; one more picture.",
    Reason.NOT_SQUARE: "Set the frame grabber to square pixels, or save at the C-arm.",
    Reason.PHOTOGRAPH: "Save the picture at the C-arm; the photograph is kept to look at.",
    Reason.UNREADABLE: "Copy the file again, or save it as PNG, JPEG, TIFF, BMP or DICOM.",
    Reason.WRONG_SIDE: "Check the side of the case, and that the picture is not mirrored.",
    Reason.MARKS_UNUSABLE: "Mark the head, the roof's lateral corner and the horizontal again.",
    Reason.SCALE_UNUSABLE: "Give the head's diameter, an object of known size, or the spacing.",
    Reason.GRID_UNUSABLE: "Take the bead-plate picture again, or open the case without it.",
    Reason.REFERENCE_UNUSABLE: "Take a first picture without traction, nothing over the rim.",
}
"""What to do: one sentence for each reason."""


@dataclass(frozen=True, slots=True)
class NotMeasurable:
    """What a step returns when it can't estimate: why, and what exactly was seen."""

    reason: Reason
    detail: str = ""
    remedy: str = ""

    @property
    def sentence(self) -> str:
        """What was seen, as a sentence for the page."""
        return self.detail or SENTENCES[self.reason]

    @property
    def what_to_do(self) -> str:
        """What to do about it, as a sentence for the page."""
        return self.remedy or REMEDIES[self.reason]
