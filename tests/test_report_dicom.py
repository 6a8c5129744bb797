"""The DICOM objects of a report, as other programs judge them."""

import io
import re
import subprocess
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pydicom
import pytest

from tests import report_cases, standins
from tests.report_cases import KINDS
from tracker import report_picture
from tracker.drawing import Label, RimLines
from tracker.errors import NotFound
from tracker.report_sr import SCHEME
from tracker.service import Service
from tracker.values import CAUTION


@pytest.fixture(autouse=True)
def _quick_pipeline(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tracker.ledger.pipeline", standins)
    monkeypatch.setattr("tracker.around_films.pipeline", standins)


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    with Service(tmp_path / "record", clock=report_cases.Clock()) as opened:
        yield opened


def judged(data: bytes, path: Path) -> list[str]:
    """What dciodvfy finds, but for the name of this software's own codes, which none can know."""
    path.write_bytes(data)
    done = subprocess.run(["dciodvfy", path], capture_output=True, text=True, check=False)
    lines = done.stderr.splitlines()
    return [
        line
        for line in lines
        if re.match("Error|Warning", line) and f"Unrecognized defined term <{SCHEME}>" not in line
    ]


@pytest.mark.dicom3tools
@pytest.mark.parametrize("kind", KINDS)
def test_another_program_finds_nothing_wrong(service: Service, kind: str, tmp_path: Path) -> None:
    KINDS[kind](service)
    assert judged(service.reports.structured("p1"), tmp_path / "report.dcm") == []
    if kind == "no_picture":
        with pytest.raises(NotFound):
            service.reports.capture("p1")
        return
    assert judged(service.reports.capture("p1"), tmp_path / "capture.dcm") == []


@pytest.mark.dicom3tools
def test_the_program_does_find_what_is_wrong(service: Service, tmp_path: Path) -> None:
    report_cases.nothing_later(service)
    data = pydicom.dcmread(io.BytesIO(service.reports.structured("p1")))
    del data.CompletionFlag
    buffer = io.BytesIO()
    data.save_as(buffer)
    assert judged(buffer.getvalue(), tmp_path / "report.dcm")


def test_they_name_the_pseudonym_and_nobody(service: Service) -> None:
    report_cases.whole(service)
    report = pydicom.dcmread(io.BytesIO(service.reports.structured("p1")))
    capture = pydicom.dcmread(io.BytesIO(service.reports.capture("p1")))
    for data in (report, capture):
        assert data.PatientID == "p1"
        assert str(data.PatientName) == "p1^"
        assert not data.PatientBirthDate
        assert data.PatientIdentityRemoved == "YES"
        assert data.StudyInstanceUID == report.StudyInstanceUID
        assert data.TimezoneOffsetFromUTC == "+0000"
        assert data.StudyDate == data.ContentDate == "20260105"
        for name in ("StudyInstanceUID", "SeriesInstanceUID", "SOPInstanceUID"):
            assert str(data[name].value).startswith("2.25.")
    assert report.SeriesInstanceUID != capture.SeriesInstanceUID
    assert report.PreliminaryFlag == "FINAL"
    [study] = report.CurrentRequestedProcedureEvidenceSequence
    [image] = study.ReferencedSeriesSequence[0].ReferencedSOPSequence
    assert image.ReferencedSOPInstanceUID == capture.SOPInstanceUID


def test_another_record_gives_other_identifiers(service: Service, tmp_path: Path) -> None:
    report_cases.nothing_later(service)
    with Service(tmp_path / "another", clock=report_cases.Clock()) as other:
        report_cases.nothing_later(other)
        one, two = (
            pydicom.dcmread(io.BytesIO(each.reports.structured("p1"))) for each in (service, other)
        )
    assert one.StudyInstanceUID != two.StudyInstanceUID


def test_a_changed_case_is_another_object_of_the_same_study(service: Service) -> None:
    report_cases.nothing_later(service)
    before = pydicom.dcmread(io.BytesIO(service.reports.structured("p1")))
    assert before.PreliminaryFlag == "PRELIMINARY"
    service.take_note("p1", "Something more.")
    after = pydicom.dcmread(io.BytesIO(service.reports.structured("p1")))
    assert before.StudyInstanceUID == after.StudyInstanceUID
    assert before.SOPInstanceUID != after.SOPInstanceUID


def test_the_report_says_why_a_picture_has_no_number_and_carries_the_caution(
    service: Service,
) -> None:
    report_cases.refused_only(service)
    data = pydicom.dcmread(io.BytesIO(service.reports.structured("p1")))
    texts = [item.TextValue for item in data.ContentSequence if item.ValueType == "TEXT"]
    assert CAUTION in texts
    said = [
        item.ConceptCodeSequence[0].CodeMeaning
        for part in data.ContentSequence
        if part.ConceptNameCodeSequence[0].CodeMeaning == "Imaging Measurements"
        for group in part.ContentSequence
        for item in group.ContentSequence
        if item.ValueType == "CODE"
    ]
    assert said.count("not measured") == said.count("rim-hidden") == 2


def test_the_capture_shows_the_lines_in_the_pixels(service: Service) -> None:
    report_cases.depth_only(service)
    data = pydicom.dcmread(io.BytesIO(service.reports.capture("p1")))
    pixels = data.pixel_array
    assert pixels.shape[1:] == (1280, 3)
    assert pixels.shape[0] > 1024
    assert data.Laterality == "L"
    assert list(data.PatientOrientation) == ["L", "F"]
    colours = pixels.reshape(-1, 3).astype(int)
    for wanted in ((0x56, 0xB4, 0xE9), (0xE6, 0x9F, 0x00), (0xD5, 0x5E, 0x00)):
        assert (np.abs(colours - wanted).max(axis=1) <= 8).sum() > 200


def test_an_unusable_first_picture_is_captured_as_recorded(service: Service) -> None:
    report_cases.first_unusable(service)
    data = pydicom.dcmread(io.BytesIO(service.reports.capture("p1")))
    assert data.Columns == standins.SIDE_PX
    picture = data.pixel_array[: standins.SIDE_PX]
    assert (picture[..., 0] == picture[..., 2]).all()
    assert picture[0, 0, 0] == 253


def test_lines_lie_where_they_are_said_to() -> None:
    grey = np.full((200, 300), 90, np.uint8)
    along = np.array([[20.0, 100.0], [280.0, 100.0]])
    lines = RimLines(
        now=np.array([[50.0, 20.0], [50.0, 100.0], [50.0, 180.0]]),
        hidden=np.array([False, False, True]),
        start=along,
    )
    drawn = report_picture.burnt_in(grey, lines, (Label((150.0, 30.0), "head"),), ("words",))
    now = (drawn[:200] == (0x56, 0xB4, 0xE9)).all(axis=2)
    assert abs(np.argwhere(now)[:, 1].mean() - 50) < 1
    # Seen it is solid, hidden it is dots.
    assert now[30:90, 50].mean() > 0.9
    assert 0.1 < now[110:180, 50].mean() < 0.7
    white = (drawn[100, 100:280] == 255).all(axis=1)
    assert 0.3 < white.mean() < 0.9
    assert drawn[200:].max() == 255
    bare = report_picture.burnt_in(grey, None, (), ("words",))
    assert (bare[:200] == 90).all()
