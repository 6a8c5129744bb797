"""`tracker add`: pictures given to a case from the command line."""

from pathlib import Path
from typing import Any

import pytest

from tests import standins
from tests.standins import png
from tests.test_intake import OTHER, dicom, run
from tracker.cli import main
from tracker.service import Service


@pytest.fixture(autouse=True)
def _quick_pipeline(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tracker.ledger.pipeline", standins)


@pytest.fixture
def record(tmp_path: Path) -> Path:
    with Service(tmp_path / "record") as service:
        service.open_case(standins.setup())
        service.add_picture("p1", dicom(0), "0.dcm")
        service.accept_proposed("p1")
    return tmp_path / "record"


def add(record: Path, *arguments: str) -> int:
    return main(["add", *arguments, "--data", str(record)])


def write(folder: Path, **files: bytes) -> list[str]:
    for name, data in files.items():
        (folder / name).write_bytes(data)
    return [str(folder / name) for name in files]


def test_each_file_has_a_line(record: Path, tmp_path: Path, capsys: Any) -> None:
    files = write(
        tmp_path, a=png(18), b=png(18), c=png(255), d=b"nothing", e=dicom(9, **OTHER["patient"])
    )
    assert add(record, "p1", *files) == 0

    assert capsys.readouterr().out.splitlines() == [
        "a: picture 1, measured",
        "b: picture 1, measured, in the case already",
        "c: picture 2, not measured: Metal or a drawn line lies over the edge of the roof.",
        "d: refused: d: the file is not a PNG, JPEG, TIFF, BMP or WebP picture",
        "e: picture 3, held (another patient): see Pictures",
    ]


def test_a_frame_of_a_run_is_counted_from_one(record: Path, tmp_path: Path) -> None:
    files = write(tmp_path, a=run(5, 7, 9))
    assert add(record, "p1", *files, "--frame", "2") == 0
    with Service(record) as service:
        result = service.case("p1").stills[0].result
        assert result is not None
        assert result.removal is not None
        assert result.removal.recession_mm.value == pytest.approx(0.7)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["p1", "a", "b", "--frame", "1"], "--frame is for one file"),
        (["p1", "a", "--frame", "0"], "no frame's number"),
        (["p9", "a"], "No case named 'p9'"),
        (["p1", "nothing"], "no picture was taken in"),
    ],
)
def test_what_can_t_be_done_is_one_line(
    record: Path, arguments: list[str], said: str, capsys: Any
) -> None:
    assert add(record, *arguments) in (2, 3)
    assert said in capsys.readouterr().err


def test_a_record_that_is_served_or_not_there_is_named(
    record: Path, tmp_path: Path, capsys: Any
) -> None:
    files = write(tmp_path, a=png(1))
    with Service(record):
        assert add(record, "p1", *files) == 3
    assert "Another service holds the record" in capsys.readouterr().err
    assert add(tmp_path / "nowhere", "p1", *files) == 3
    assert "There is no record" in capsys.readouterr().err
