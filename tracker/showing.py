"""What the pages show: the ledger's cases put together with their pictures."""

from dataclasses import replace
from datetime import datetime
from typing import Final

import numpy as np

from tracker import casetoml, gallery, views
from tracker.casebook import Case, CasePicture
from tracker.errors import NotFound, StoreError
from tracker.gallery import Form
from tracker.ledger import Ledger, first_picture, picture_of
from tracker.once import Once
from tracker.values import CaseSetup, Floats, Still
from tracker.views import GlanceView, MarksView, PictureView, ReviewEntry, ReviewView

_MOST_STILLS: Final = 3
_MOST_PNGS: Final = 24
_MOST_GLANCES: Final = 8
"""Kept in memory: a few decoded pictures, and of the pages' pictures what the open ones show."""


class Showing:
    """Views of cases.

    Parameters
    ----------
    ledger : Ledger
    """

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger
        self._sizes: dict[str, tuple[int, int]] = {}
        self._stills: Once[Still] = Once(_MOST_STILLS)
        self._pngs: Once[bytes] = Once(_MOST_PNGS)
        self._glances: Once[GlanceView] = Once(_MOST_GLANCES)

    def glance(self, case_id: str, now: datetime) -> GlanceView:
        """Return what the wall shows: what is left now, or why nothing can be said."""
        case = self._ledger.case(case_id)

        def seen() -> GlanceView:
            shown = self._view(case, case.latest, rim=True) if case.latest else None
            return views.glance(case, shown, now)

        # All that a case shows follows from its journal; only the picture's age goes on.
        found = self._glances.get((case.row.key, case.last_event), seen)
        return replace(found, now=now)

    def review(self, case_id: str, now: datetime) -> ReviewView:
        """Return the whole case for reading afterwards."""
        case = self._ledger.case(case_id)
        entries = []
        for picture in case.pictures:
            if picture.role not in ("first", "still"):
                continue
            rim = self._view(case, picture, rim=True, thinned=True)
            whole = self._view(case, picture, rim=False, thinned=True)
            entries.append(ReviewEntry(whole, rim if rim.form == "rim" else None))
        frame = gallery.whole_frame(*self._size(case.first)) if case.first else None
        return views.review(case, tuple(entries), frame, now)

    def picture_png(self, case_id: str, number: int, form: Form) -> bytes:
        """Return a picture as a page shows it, as PNG.

        Parameters
        ----------
        case_id : str
        number : int
        form : {"recorded", "registered", "rim"}
            As recorded; turned to the first picture; the rim magnified.

        Raises
        ------
        NotFound
            There is no such picture, or it was not measured and is only there as recorded.
        """
        case = self._ledger.case(case_id)
        picture = picture_of(case, number)
        if form == "recorded":
            key: tuple[object, ...] = (picture.row.sha256, picture.frame, form)
            return self._pngs.get(key, lambda: gallery.recorded_png(self._still(picture)))
        reference = case.reference
        removal = picture.result.removal if picture.result else None
        is_first = picture.role == "first"
        if reference is None or not reference.usable or not (removal or is_first):
            raise NotFound(f"Picture {number} is only there as recorded.")
        first = first_picture(case)
        frame = gallery.whole_frame(*self._size(first))
        frame = gallery.rim_frame(reference) if form == "rim" else frame
        to_reference = removal.to_reference if removal else gallery.UNMOVED

        def placed() -> bytes:
            stills = self._still(picture), self._still(first)
            return gallery.placed_png(stills[0], to_reference, stills[1], frame)

        # Every screen of a case asks for the same picture in the same moment.
        shown = (picture.row.sha256, picture.frame, first.row.sha256, first.frame)
        where = (to_reference.tobytes(), frame.from_reference.tobytes(), frame.width, frame.height)
        return self._pngs.get((*shown, *where), placed)

    def marks_to_agree(self, case_id: str) -> MarksView:
        """Return the first picture with the marks that are proposed, or to start from.

        Raises
        ------
        NotFound
            There is no first picture yet.
        """
        case = self._ledger.case(case_id)
        first = first_picture(case)
        width, height = self._size(first)
        marks = case.setup.marks or (case.proposal.marks if case.proposal else None)
        proposed = marks is not None
        if marks is None:
            u_px = casetoml.MARK_SCATTER_PX
            marks = views.marks_to_start_from(case.setup, width, height, u_px)
        scale, ends = case.setup.scale, None
        if scale.object_diameter_mm is not None:
            ends = views.object_to_start_from(width, height)
            ends = ends if scale.object_px is None else np.array(scale.object_px)
        traction_on = case.agreement.terms.traction_on
        reading = views.read_marks(case.setup, marks, traction_on=traction_on)
        handles = views.handles(marks)
        return MarksView(case, first, width, height, marks, handles, ends, proposed, reading)

    def setup_with_object(self, case_id: str, object_px: Floats | None) -> CaseSetup:
        """Return a case's set-up with the ends of its object of known size as marked."""
        case = self._ledger.case(case_id)
        return views.with_object(case.setup, object_px, self._size(first_picture(case)))

    def _view(
        self, case: Case, picture: CasePicture, *, rim: bool, thinned: bool = False
    ) -> PictureView:
        of_first = self._size(first_picture(case))
        whole, size = gallery.whole_frame(*of_first), self._size_or(picture, of_first)
        return views.picture_view(case, picture, whole, size, rim=rim, thinned=thinned)

    def _still(self, picture: CasePicture) -> Still:
        key = (picture.row.sha256, picture.frame)
        return self._stills.get(key, lambda: self._ledger.shown(picture))

    def _size(self, picture: CasePicture) -> tuple[int, int]:
        """Return width and height of a kept picture, looked up once."""
        digest = picture.row.sha256
        if digest not in self._sizes:
            height, width = self._still(picture).grey.shape
            self._sizes[digest] = (width, height)
        return self._sizes[digest]

    def _size_or(self, picture: CasePicture, other: tuple[int, int]) -> tuple[int, int]:
        """Return a picture's size; another one where its file is damaged: its numbers stand."""
        try:
            return self._size(picture)
        except StoreError:
            return other
