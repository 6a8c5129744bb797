"""The report of a case: a page to read, and the same as files to take away."""

from dataclasses import dataclass
from typing import Final, Literal
from urllib.parse import quote

from fastapi import APIRouter, Request
from markupsafe import Markup
from starlette.responses import Response

from tracker.service import Service
from web.contexts import Shell, case_base
from web.pages import render

router = APIRouter()

FILES: Final = (
    ("report.pdf", "PDF", "to print or to file"),
    ("report.csv", "CSV", "every number with its u"),
    ("report.json", "JSON", "the same, and what was said"),
    ("report.dcm", "DICOM report", "structured, TID 1500"),
    ("capture.dcm", "DICOM picture", "the final one with its lines"),
    ("note.txt", "Note", "text for the operation note"),
    ("note.png", "Picture for it", "start and final side by side"),
)
"""Name, what it is, and what is in it."""


@dataclass(frozen=True, slots=True)
class ReportContext:
    """Of report.html: the report as the service wrote it, and its files."""

    shell: Shell
    inside: Markup
    files: tuple[tuple[str, str, str], ...]


def _service(request: Request) -> Service:
    service: Service = request.app.state.service
    return service


@router.get("/cases/{case_id}/report")
def report(request: Request, case_id: str) -> Response:
    """Show the report of a case."""
    base = case_base(case_id)
    inside = _service(request).reports.page(
        case_id, lambda number, form: f"{base}/report/{number}/{form}.png"
    )
    shell = Shell(f"Report, case {case_id}", "report", case_id)
    found = _service(request).reports.report(case_id)
    missing = {"note.png"} if found.final is None else set[str]()
    missing |= {"capture.dcm"} if found.start is None else set()
    files = tuple(
        (f"{base}/{name}", what, detail) for name, what, detail in FILES if name not in missing
    )
    return render("report.html", ReportContext(shell, Markup(inside), files))


@router.get("/cases/{case_id}/report/{number}/{form}.png")
def report_picture(
    request: Request, case_id: str, number: int, form: Literal["rim", "rim-small", "recorded"]
) -> Response:
    """Return a picture as the report shows it."""
    data = _service(request).reports.picture(case_id, number, form)
    return Response(data, media_type="image/png")


@router.get("/report.css")
def report_style(request: Request) -> Response:
    """Return the style of the report, which the PDF shares."""
    return Response(_service(request).reports.stylesheet(), media_type="text/css")


@router.get("/cases/{case_id}/report.pdf")
def report_pdf(request: Request, case_id: str) -> Response:
    """Return the report as PDF."""
    return _file(_service(request).reports.pdf(case_id), case_id, "application/pdf", "report.pdf")


@router.get("/cases/{case_id}/report.csv")
def report_csv(request: Request, case_id: str) -> Response:
    """Return every number of the report as CSV."""
    text = _service(request).reports.csv(case_id)
    return _file(text.encode(), case_id, "text/csv; charset=utf-8; header=present", "report.csv")


@router.get("/cases/{case_id}/report.json")
def report_json(request: Request, case_id: str) -> Response:
    """Return the report as JSON."""
    text = _service(request).reports.json(case_id)
    return _file(text.encode(), case_id, "application/json", "report.json")


@router.get("/cases/{case_id}/report.dcm")
def report_structured(request: Request, case_id: str) -> Response:
    """Return the report as a DICOM structured report."""
    data = _service(request).reports.structured(case_id)
    return _file(data, case_id, "application/dicom", "report.dcm")


@router.get("/cases/{case_id}/capture.dcm")
def report_capture(request: Request, case_id: str) -> Response:
    """Return the final picture with its lines as a DICOM secondary capture."""
    data = _service(request).reports.capture(case_id)
    return _file(data, case_id, "application/dicom", "capture.dcm")


@router.get("/cases/{case_id}/note.txt")
def note_text(request: Request, case_id: str) -> Response:
    """Return what the report says for the operation note."""
    text = _service(request).reports.note(case_id)
    return _file(text.encode(), case_id, "text/plain; charset=utf-8", "note.txt")


@router.get("/cases/{case_id}/note.png")
def note_picture(request: Request, case_id: str) -> Response:
    """Return start and final side by side as one picture."""
    data = _service(request).reports.note_picture(case_id)
    return _file(data, case_id, "image/png", "note.png")


def _file(data: bytes, case_id: str, kind: str, name: str) -> Response:
    """Answer with a file to be saved, named after the case."""
    named = quote(f"{case_id} {name}", safe="")
    headers = {"Content-Disposition": f"attachment; filename=\"{name}\"; filename*=UTF-8''{named}"}
    return Response(data, media_type=kind, headers=headers)
