"""The report of the demo case, measured by the real chain."""

import io
import json
import time
from pathlib import Path

import pytest
from pypdf import PdfReader

from tracker.report_entries import entries
from tracker.service import Service

DEMO = Path(__file__).resolve().parents[1] / "demo_frames" / "case"
MOST_S = 5.0
"""Of processor time: what else runs on the machine does not count."""


@pytest.mark.slow
def test_the_report_of_the_demo_case_is_quick_and_whole(tmp_path: Path) -> None:
    with Service(tmp_path / "record") as service:
        list(service.import_folder(DEMO))
        started = time.process_time()
        pdf = service.reports.pdf("demo")
        assert time.process_time() - started < MOST_S
        report = service.reports.report("demo")
        page = service.reports.page("demo", lambda number, form: "x")
    assert len(PdfReader(io.BytesIO(pdf)).pages) <= 5
    removed = {entry.key: entry for entry in entries(report)}["final.removed_mm"].quantity
    truth = json.loads((DEMO.parent / "truth.json").read_text("utf-8"))
    [state] = [one["state"] for one in truth["pictures"] if one["file"] == "009.png"]
    assert removed is not None
    assert removed.low <= truth["states"][state]["recession_mm"] <= removed.high
    assert {line.number for line in report.unmeasured} == {5}
    assert report.exposure.retakes == 1
    assert "The view has turned about" in page
    assert page.count('class="picture"') == 2 + len(report.measured) + len(report.unmeasured)
