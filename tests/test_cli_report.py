"""The command that writes a report: files, refusals, beside a service that holds the record."""

import json
import re
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests import report_cases, standins
from tracker import cli
from tracker.agreement import Terms
from tracker.cli_report import FILES
from tracker.service import Service
from tracker.values import Plan


@pytest.fixture(autouse=True)
def _quick_pipeline(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tracker.ledger.pipeline", standins)


@pytest.fixture
def record(tmp_path: Path) -> Iterator[Path]:
    with Service(tmp_path / "record", clock=report_cases.Clock()) as service:
        report_cases.depth_only(service)
        yield tmp_path / "record"


def test_it_writes_every_file_while_the_record_is_served(
    record: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    assert cli.main(["report", "p1", "--data", str(record), "--out", str(out)]) == 0
    assert {path.name for path in out.iterdir()} == set(FILES.values())
    assert capsys.readouterr().out.split() == [str(out / name) for name in FILES.values()]
    assert (out / "report.pdf").read_bytes().startswith(b"%PDF")
    plain = json.loads((out / "report.json").read_text("utf-8"))
    assert plain["numbers"]["final.removed_mm"]["value"] == pytest.approx(3.4)
    html = (out / "report.html").read_text("utf-8")
    # The page holds its pictures: it can be sent by itself.
    sources = re.findall(r'(?:src|href)="([^"]*)"', html)
    assert sources
    assert all(source.startswith("data:image/png;base64,") for source in sources)


def test_another_view_of_the_hip_says_what_is_said_of_the_hip(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Service(tmp_path / "record", clock=report_cases.Clock()) as service:
        plan = Plan(floor_lcea_deg=None, depth_mm=3.0)
        service.hips.open_hip(standins.setup(), Terms(), {"false-profile": plan})
        service.around.capsule("p1", "closed")
        [other] = service.case("p1").agreement.views
    monkeypatch.chdir(tmp_path)
    assert cli.main(["report", other.case_id, "--data", "record", "--only", "json"]) == 0
    plain = json.loads(Path(f"{other.case_id}-report", "report.json").read_text("utf-8"))
    assert plain["view"] == "false-profile"
    assert plain["around"]["capsule"] == "closed"


def test_only_what_is_asked_for(record: Path, tmp_path: Path) -> None:
    arguments = ["report", "p1", "--data", str(record), "--out", str(tmp_path / "out"), "--only"]
    assert cli.main([*arguments, "csv", "json", "csv"]) == 0
    assert {path.name for path in (tmp_path / "out").iterdir()} == {"report.csv", "report.json"}
    first = (tmp_path / "out" / "report.csv").read_bytes()
    assert cli.main([*arguments, "csv"]) == 0
    assert (tmp_path / "out" / "report.csv").read_bytes() == first


def test_a_case_without_a_picture_has_no_capture(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    with Service(tmp_path / "record") as service:
        report_cases.no_picture(service)
    monkeypatch.chdir(tmp_path)
    assert cli.main(["report", "p1", "--data", "record"]) == 0
    written = {path.name for path in (tmp_path / "p1-report").iterdir()}
    assert set(FILES.values()) - written == {"capture.dcm", "note.png"}
    assert cli.main(["report", "p1", "--data", "record", "--only", "capture"]) == 3
    assert "has no picture" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "status", "said"),
    [
        (["nobody"], 3, "No case named 'nobody'"),
        (["p1", "--only", "doc"], 2, "invalid choice"),
        (["p1", "--only", "csv", "--out", "RECORD/key"], 2, "is a file"),
        (["p1", "--only", "csv", "--out", "RECORD/a/b"], 3, "can't be written"),
        (["p1", "--data", "nowhere"], 3, "There is no record in nowhere"),
    ],
)
def test_what_can_t_be_done_is_one_line(
    record: Path,
    arguments: list[str],
    status: int,
    said: str,
    capsys: pytest.CaptureFixture[str],
) -> None:
    data = [] if "--data" in arguments else ["--data", str(record)]
    filled = [argument.replace("RECORD", str(record)) for argument in arguments]
    assert cli.main(["report", *filled, *data]) == status
    error = capsys.readouterr().err
    assert said in error
    assert len(error.splitlines()) == 1
    assert not Path("nowhere").exists()


def test_without_the_extra_nothing_is_written(
    record: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    out = tmp_path / "out"
    assert cli.main(["report", "p1", "--data", str(record), "--out", str(out)]) == 2
    assert "weasyprint" in capsys.readouterr().err
    assert not out.exists()
