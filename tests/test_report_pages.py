"""The report in the pages: the page, its pictures and its files."""

import dataclasses
import re
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from jinja2 import meta

from tests import report_cases, standins
from tests.asking import Client
from tracker.service import Service
from tracker.values import CAUTION, VIEW_LIMIT
from web import pages
from web.app import create_app
from web.reporting import FILES, ReportContext


@pytest.fixture(autouse=True)
def _quick_pipeline(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tracker.ledger.pipeline", standins)


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    with Service(tmp_path / "record", clock=report_cases.Clock()) as opened:
        report_cases.refused_only(opened)
        report_cases.bring(opened, 8)
        yield opened


@pytest.fixture
def client(service: Service) -> Iterator[Client]:
    with Client(create_app(service)) as opened:
        yield opened


def test_review_leads_to_the_report(client: Client) -> None:
    review = client.get("/cases/p1/review").text
    assert 'class="choose to-report" href="/cases/p1/report"' in review


def test_the_page_holds_the_report_and_nothing_inline(client: Client) -> None:
    answer = client.get("/cases/p1/report")
    assert answer.status_code == 200
    html = answer.text
    assert CAUTION.split(".")[0] in html
    assert VIEW_LIMIT in html
    assert "style=" not in html
    assert not re.search(r"<(?:style|script)\b", html)
    assert not re.search(r"\son\w+=", html)
    for address in re.findall(r'(?:src|href)="([^"#]+)"', html):
        found = client.get(address)
        assert found.status_code == 200, address
        if address.endswith(".png"):
            assert found.content.startswith(b"\x89PNG")


@pytest.mark.parametrize(
    ("name", "kind", "begins"),
    [
        ("report.pdf", "application/pdf", b"%PDF-1.7"),
        ("report.csv", "text/csv; charset=utf-8; header=present", b"key,picture,what,"),
        ("report.json", "application/json", b"{"),
        ("report.dcm", "application/dicom", bytes(128) + b"DICM"),
        ("capture.dcm", "application/dicom", bytes(128) + b"DICM"),
        ("note.txt", "text/plain; charset=utf-8", b"Left hip: resection"),
        ("note.png", "image/png", b"\x89PNG"),
    ],
)
def test_each_file_comes_as_a_file(
    client: Client, service: Service, name: str, kind: str, begins: bytes
) -> None:
    assert name in {file for file, _, _ in FILES}
    answer = client.get(f"/cases/p1/{name}")
    assert answer.headers["content-type"] == kind
    assert answer.headers["cache-control"] == "no-store"
    assert answer.headers["content-disposition"] == (
        f"attachment; filename=\"{name}\"; filename*=UTF-8''p1%20{name}"
    )
    assert answer.content.startswith(begins)


@pytest.mark.parametrize(
    "path",
    [
        "report",
        "report.pdf",
        "report.csv",
        "report.json",
        "report.dcm",
        "capture.dcm",
        "note.txt",
        "note.png",
    ],
)
def test_of_a_case_that_is_not_there(client: Client, path: str) -> None:
    answer = client.get(f"/cases/nobody/{path}")
    assert answer.status_code == 404
    assert "nobody" in answer.json()["error"]["message"]


def test_what_there_is_nothing_for_is_not_offered(tmp_path: Path) -> None:
    with Service(tmp_path / "empty") as service, Client(create_app(service)) as client:
        report_cases.no_picture(service)
        page = client.get("/cases/p1/report").text
        assert "/cases/p1/report.pdf" in page
        for name in ("capture.dcm", "note.png"):
            assert name not in page
            assert client.get(f"/cases/p1/{name}").status_code == 404


@pytest.mark.parametrize(
    ("path", "status"), [("1/rim", 404), ("77/rim", 404), ("0/other", 422), ("x/rim", 422)]
)
def test_of_a_picture_that_is_not_there(client: Client, path: str, status: int) -> None:
    assert client.get(f"/cases/p1/report/{path}.png").status_code == status


def test_the_template_sees_its_dataclass_and_nothing_else() -> None:
    assert pages.ENVIRONMENT.loader is not None
    found = set[str]()
    for name in ("report.html", "base.html"):
        source, _, _ = pages.ENVIRONMENT.loader.get_source(pages.ENVIRONMENT, name)
        found |= meta.find_undeclared_variables(pages.ENVIRONMENT.parse(source))
    declared = {part.name for part in dataclasses.fields(ReportContext)}
    assert found - {"sheet"} == declared


def test_without_the_extra_the_page_says_what_to_install(
    client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    answer = client.get("/cases/p1/report.pdf")
    assert answer.status_code == 422
    assert "[report]" in answer.json()["error"]["hint"]
    assert client.get("/cases/p1/report").status_code == 200
