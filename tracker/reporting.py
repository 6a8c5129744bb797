"""Reports of cases, in every form: put together from the record when somebody asks."""

from collections import OrderedDict
from collections.abc import Callable
from datetime import tzinfo
from threading import Lock
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from tracker import (
    around_acts,
    gallery,
    overlay,
    report_dicom,
    report_note,
    report_page,
    report_pdf,
    report_picture,
    report_sr,
    report_tables,
    report_words,
    views,
)
from tracker.around_films import hip_of
from tracker.casebook import Case, CasePicture
from tracker.drawing import Label, RimLines
from tracker.errors import NotFound
from tracker.gallery import Frame
from tracker.images import encode_png
from tracker.ledger import Ledger, first_picture, picture_of
from tracker.report import Report, build
from tracker.report_entries import entries
from tracker.report_page import Drawings, Shown
from tracker.values import ReferenceResult, Still

Address = Callable[[int, str], str]
"""Gives the address of a picture from its number and the form in which it is shown."""

_SHARE: Final[dict[str, float]] = {"rim": 0.75, "rim-small": 0.375}
_Key = tuple[str, int | None]
"""Hash of a picture's file, and which frame of a run."""
_DRAWING: Final = (640, 480)
_RECORDED_PX: Final = 512
"""Longest side of a picture as recorded, on the report."""
_MOST_HELD: Final = 3
"""Pictures that are held decoded: the first one is needed again for each of the others."""


class Reporting:
    """Reports of cases.

    Parameters
    ----------
    ledger : Ledger
    made_with : tuple of str
        Version of this software and digest of its settings.
    zone : tzinfo, optional
        In which times are said; this machine's own if not given.
    """

    def __init__(
        self,
        ledger: Ledger,
        made_with: tuple[str, str],
        zone: tzinfo | None = None,
    ) -> None:
        self._ledger = ledger
        self._made_with = made_with
        self._zone = zone
        self._guard = Lock()
        self._at_layout = Lock()
        self._held: OrderedDict[_Key, Still] = OrderedDict()
        self._sizes: dict[_Key, tuple[int, int]] = {}

    def report(self, case_id: str) -> Report:
        """Return the report of a case as it stands.

        Raises
        ------
        NotFound
        """
        case = self._ledger.case(case_id)
        events = self._ledger.store.events(case.row)
        notes = [note.text for note in views.plan_notes(case)]
        hip = self._ledger.case(hip_of(self._ledger, case_id))
        beside = around_acts.view_of(case, events[-1].at, hip)
        return build(beside, events, notes, self._made_with)

    def page(self, case_id: str, address: Address) -> str:
        """Return the report as an ``article`` element for a page; its pictures have an address."""
        report = self.report(case_id)
        return report_page.body(report, self._drawings(report, address), self._zone)

    def stylesheet(self) -> str:
        """Return the style of the report."""
        return report_page.stylesheet()

    def document(self, case_id: str, address: Address) -> str:
        """Return the report as a whole HTML document."""
        report = self.report(case_id)
        return report_page.document(report, self._drawings(report, address), self._zone)

    def pdf(self, case_id: str) -> bytes:
        """Return the report as PDF: the same bytes for the same case.

        Raises
        ------
        InputError
            What lays pages out is not installed.
        """
        report = self.report(case_id)
        drawings = self._drawings(report, report_pdf.address, for_print=True)
        document = report_page.document(report, drawings, self._zone)
        identity = f"{case_id} {report.last_at.isoformat()} {report.made.entries}"
        # One at a time: the text layout beneath is not made for several threads.
        with self._at_layout:
            return report_pdf.render(
                document, lambda number, form: self.picture(case_id, number, form), identity
            )

    def csv(self, case_id: str) -> str:
        """Return every number of the report as CSV."""
        return report_tables.to_csv(self.report(case_id))

    def json(self, case_id: str) -> str:
        """Return the report as JSON."""
        return report_tables.to_json(self.report(case_id))

    def structured(self, case_id: str) -> bytes:
        """Return the report as a DICOM structured report.

        Raises
        ------
        InputError
            What makes DICOM objects is not installed.
        """
        report, key = self.report(case_id), self._ledger.store.secret
        shown = self._capture(report) if report.start else None
        return report_dicom.to_bytes(report_sr.structured(report, shown, key))

    def capture(self, case_id: str) -> bytes:
        """Return the final picture with its lines as a DICOM secondary capture.

        Without a measured picture it is the first one, without lines where it is of no use.

        Raises
        ------
        InputError
            What makes DICOM objects is not installed.
        NotFound
            The case has no picture.
        """
        report = self.report(case_id)
        if report.start is None:
            raise NotFound(f"Case {case_id} has no picture.", hint="Bring the first one.")
        return report_dicom.to_bytes(self._capture(report))

    def note(self, case_id: str) -> str:
        """Return what the report says for the operation note, as text to be pasted."""
        report = self.report(case_id)
        return report_note.plain(report, {entry.key: entry for entry in entries(report)})

    def note_picture(self, case_id: str) -> bytes:
        """Return start and final before repair side by side with their lines, as one PNG.

        Raises
        ------
        NotFound
            Nothing is measured: there are no two pictures to show.
        """
        report = self.report(case_id)
        if report.start is None or report.final is None:
            raise NotFound(f"Nothing is measured in case {case_id}.")
        case = self._ledger.case(case_id)
        halves = []
        first = "First picture" if report.carried else "Start"
        for number, name in ((report.start.number, first), (report.final.number, "Final")):
            grey, lines, labels = self._overlaid(case, picture_of(case, number))
            corner = Label((80.0, 40.0), name)
            halves.append(report_picture.with_lines(grey, lines, (*labels, corner)))
        known = {entry.key: entry for entry in entries(report)}
        pair = report_picture.side_by_side(halves, report_words.band(report, known))
        return encode_png(pair)

    def picture(self, case_id: str, number: int, form: str) -> bytes:
        """Return a picture as the report shows it, as PNG.

        Parameters
        ----------
        case_id : str
        number : int
        form : {"rim", "rim-small", "recorded"}

        Raises
        ------
        NotFound
        """
        case = self._ledger.case(case_id)
        picture = picture_of(case, number)
        still = self._still(picture)
        if form == "recorded":
            return _smaller(still)
        reference, removal = case.reference, picture.result.removal if picture.result else None
        if reference is None or not reference.usable or not (removal or picture.role == "first"):
            raise NotFound(f"Picture {number} is only there as recorded.")
        first = still if picture.role == "first" else self._still(first_picture(case))
        to_reference = removal.to_reference if removal else gallery.UNMOVED
        return gallery.placed_png(still, to_reference, first, _rim_frame(reference, _SHARE[form]))

    # --- inside --------------------------------------------------------------------------

    def _drawings(self, report: Report, address: Address, *, for_print: bool = False) -> Drawings:
        case = self._ledger.case(report.case_id)
        reference = case.reference
        rim, passes, whole = {}, {}, {}
        for picture in case.pictures:
            # A picture that is held may be of another patient: it is named, and not shown.
            if picture.role not in ("first", "still"):
                continue
            width, height = self._size(picture)
            frame = gallery.whole_frame(width, height)
            view = views.picture_view(case, picture, frame, (width, height), rim=True)
            number, lines, size = picture.number, view.lines, (view.width, view.height)
            if view.form != "rim":
                whole[number] = Shown(address(number, "recorded"), width, height)
                continue
            small = lines
            if for_print:
                lines = report_pdf.drawn_for_print(lines, 2.6, word_size=36)
                small = report_pdf.drawn_for_print(small, 5.0, word_size=36, named=False)
            rim[number] = Shown(address(number, "rim"), *size, lines)
            passes[number] = Shown(address(number, "rim-small"), *size, small)
        usable = reference is not None and reference.usable
        strip = views.strip_of(case, _DRAWING) if usable else ""
        chart = _wider(views.chart_of(case, _DRAWING)) if strip else ""
        if for_print and strip:
            strip, chart = (report_pdf.drawn_for_print(one, word_size=17) for one in (strip, chart))
        return Drawings(rim, passes, whole, strip, chart)

    def _capture(self, report: Report) -> Any:
        case = self._ledger.case(report.case_id)
        picture = picture_of(case, report.final.number) if report.final else first_picture(case)
        grey, lines, labels = self._overlaid(case, picture)
        texts = report_words.band(report, {entry.key: entry for entry in entries(report)})
        pixels = report_picture.burnt_in(grey, lines, labels, texts)
        towards = _towards(case.reference) if case.reference else ("", "")
        return report_dicom.capture(report, pixels, towards, self._ledger.store.secret)

    def _overlaid(
        self, case: Case, picture: CasePicture
    ) -> tuple[NDArray[np.uint8], RimLines | None, tuple[Label, ...]]:
        """Return the rim magnified with its lines; a picture that has none as recorded."""
        still, reference = self._still(picture), case.reference
        removal = picture.result.removal if picture.result else None
        if reference is None or not reference.usable or reference.overlay is None:
            return overlay.as_recorded(still), None, ()
        frame = gallery.rim_frame(reference)
        drawn = removal.overlay if removal else reference.overlay
        to_reference = removal.to_reference if removal else None
        lines = gallery.placed_lines(frame, drawn, to_reference, reference)
        moved = gallery.UNMOVED if to_reference is None else to_reference
        grey = gallery.placed_grey(still, moved, self._still(first_picture(case)), frame)
        return grey, lines, gallery.directions(frame, reference, case.setup.side)

    def _still(self, picture: CasePicture) -> Still:
        """Return a kept picture; the few that were looked at last are held."""
        key = (picture.row.sha256, picture.frame)
        with self._guard:
            held = self._held.get(key)
            if held is not None:
                self._held.move_to_end(key)
                return held
        still = self._ledger.shown(picture)
        height, width = still.grey.shape
        with self._guard:
            self._sizes[key] = (width, height)
            self._held[key] = still
            while len(self._held) > _MOST_HELD:
                self._held.popitem(last=False)
        return still

    def _size(self, picture: CasePicture) -> tuple[int, int]:
        """Return a picture's width and height, looked up once."""
        key = (picture.row.sha256, picture.frame)
        if key not in self._sizes:
            self._still(picture)
        return self._sizes[key]


def _rim_frame(reference: ReferenceResult, share: float) -> Frame:
    frame = gallery.rim_frame(reference)
    size = round(frame.width * share), round(frame.height * share)
    return Frame(*size, frame.from_reference * share)


def _towards(reference: ReferenceResult) -> tuple[str, str]:
    """Return the letters of the patient's direction to which rows and columns run."""
    if reference.up_px is None:
        return "", ""
    x, y = reference.up_px
    if abs(y) < abs(x):
        return "", ""
    # A picture that is not mirrored shows the patient's left on the right while the head is up.
    return ("L", "F") if y < 0 else ("R", "H")


def _wider(chart: str) -> str:
    """Give a chart more room on its right, for words that are larger here than on Review."""
    width, height = _DRAWING
    box = f'viewBox="0 0 {width} {height}"'
    return chart.replace(box, f'viewBox="0 0 {width + 32} {height}"', 1)


def _smaller(still: Still) -> bytes:
    """Return a picture as recorded, small enough for a page of several."""
    height, width = still.grey.shape
    share = min(1.0, _RECORDED_PX / max(height, width))
    size = round(width * share), round(height * share)
    picture, _ = overlay.placed(still, np.array([[share, 0.0, 0.0], [0.0, share, 0.0]]), size)
    return encode_png(np.round(np.clip(picture, 0, 1) * 255).astype(np.uint8))
