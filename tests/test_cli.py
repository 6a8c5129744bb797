"""The command line: exit statuses, one-line errors, files written whole or not at all."""

import importlib.metadata
import json
import os
import struct
import subprocess
import sys
import threading
import time
import zlib
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from tests import fakes
from tracker import cli, errors
from tracker.cli import main
from tracker.service import Service, SourceState
from tracker.values import Reason


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    case = tmp_path / "case"
    case.mkdir()
    (case / "case.toml").write_text(fakes.CASE)
    for index in range(3):
        (case / f"{index:03}.png").write_bytes(fakes.picture(index))
    return case


@pytest.fixture
def fake(monkeypatch: pytest.MonkeyPatch) -> fakes.FakePipeline:
    return fakes.install(monkeypatch)


def header_only_png(width: int, height: int) -> bytes:
    """A PNG that says it is of some size and holds next to nothing."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        crc = struct.pack(">I", zlib.crc32(kind + body))
        return struct.pack(">I", len(body)) + kind + body + crc

    header = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    rows = chunk(b"IDAT", zlib.compress(bytes(2)))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + rows + chunk(b"IEND", b"")


# --- replay ------------------------------------------------------------------------------


def test_replay_writes_the_result_and_prints_progress_and_table(
    folder: Path, fake: fakes.FakePipeline, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out.json"

    assert main(["replay", str(folder), "--json", str(out)]) == 0

    plain = json.loads(out.read_text())
    assert plain["case"] == "example"
    assert [still["file"] for still in plain["stills"]] == ["001.png", "002.png"]
    printed = capfd.readouterr()
    assert [line.split(" ")[0] for line in printed.err.splitlines()] == ["1/3", "2/3", "3/3"]
    assert "001.png" in printed.out
    assert "1.00 (0.60 to 1.40)" in printed.out
    assert [path.name for path in tmp_path.iterdir() if path.is_file()] == ["out.json"]


@pytest.mark.parametrize("name", [b"9\n\x1b[31m.png", b"9\xe9.png"])
def test_no_name_of_a_file_steers_the_terminal_or_stops_the_output(
    name: bytes,
    folder: Path,
    fake: fakes.FakePipeline,
    tmp_path: Path,
    capfd: pytest.CaptureFixture[str],
) -> None:
    try:
        (folder / os.fsdecode(name)).write_bytes(fakes.picture(5))
    except OSError:
        pytest.skip("this disk keeps no such names")
    out = tmp_path / "out.json"

    assert main(["replay", str(folder), "--json", str(out)]) == 0

    printed = capfd.readouterr()
    assert "\x1b" not in printed.out + printed.err
    assert len(printed.err.splitlines()) == 4
    plain = json.loads(out.read_text(encoding="utf-8"))
    assert os.fsencode(plain["stills"][-1]["file"]) == name


def test_an_earlier_result_is_replaced_only_by_a_whole_one(
    folder: Path, fake: fakes.FakePipeline, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out.json"
    out.write_text("earlier")

    def full(_descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as broken:
        broken.setattr(os, "fsync", full)
        assert main(["replay", str(folder), "--json", str(out)]) == 3
    assert out.read_text() == "earlier"
    assert [path.name for path in tmp_path.iterdir() if path.is_file()] == ["out.json"]

    assert main(["replay", str(folder), "--json", str(out)]) == 0
    assert json.loads(out.read_text())["schema"] == 1


def test_a_place_that_does_not_exist_is_told_before_the_work(
    folder: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    assert main(["replay", str(folder), "--json", str(tmp_path / "no" / "out.json")]) == 2
    assert capfd.readouterr().err.count("\n") == 1


# --- bad input ---------------------------------------------------------------------------

BAD_FOLDERS = {
    "an empty folder": ({}, "holds no case.toml"),
    "no picture": ({"case.toml": fakes.CASE}, "holds no picture"),
    "a wrong key": (
        {"case.toml": fakes.CASE.replace("target_lcea_deg", "target_angle")},
        "[plan] target_angle is not a known key",
    ),
    "a missing scale": (
        {"case.toml": fakes.CASE.replace("head_diameter_mm = 48.0", "")},
        "[scale] is empty",
    ),
    "a target under the limit": (
        {"case.toml": fakes.CASE.replace("33.0", "22.0")},
        "[plan] target_lcea_deg is 22, not above the lower limit floor_lcea_deg, 25",
    ),
    "no TOML": ({"case.toml": "side: right"}, "not valid TOML at line 1"),
}


@pytest.mark.parametrize("name", BAD_FOLDERS)
def test_a_bad_folder_is_one_line_and_exit_2(
    name: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    files, said = BAD_FOLDERS[name]
    case = tmp_path / "case"
    case.mkdir()
    for file, text in files.items():
        (case / file).write_text(text)
    out = tmp_path / "out.json"

    assert main(["replay", str(case), "--json", str(out)]) == 2

    printed = capfd.readouterr()
    assert printed.out == ""
    assert printed.err.count("\n") == 1
    assert printed.err.startswith("tracker: ")
    assert said in printed.err
    assert not out.exists()


BAD_PICTURES = {
    "text": (b"these are words, not pixels\n", "not a PNG, JPEG, TIFF, BMP or WebP picture"),
    "empty": (b"", "the file is empty"),
    "truncated": (fakes.picture(7)[:5000], "cut short or damaged"),
    "one pixel": (header_only_png(1, 1), "1 x 1 pixels"),
    "far too big": (header_only_png(20000, 20000), "20000 x 20000 pixels"),
}


@pytest.mark.parametrize("name", BAD_PICTURES)
@pytest.mark.parametrize("place", ["000.png", "001.png"])
def test_a_bad_picture_is_refused_and_nothing_else_is_lost(
    name: str,
    place: str,
    folder: Path,
    fake: fakes.FakePipeline,
    tmp_path: Path,
    capfd: pytest.CaptureFixture[str],
) -> None:
    data, said = BAD_PICTURES[name]
    (folder / place).write_bytes(data)
    out = tmp_path / "out.json"

    assert main(["replay", str(folder), "--json", str(out)]) == 0

    plain = json.loads(out.read_text())
    printed = capfd.readouterr()
    assert sum(said in line for line in printed.out.splitlines()) == 1
    assert "Traceback" not in printed.out + printed.err
    assert len(printed.err.splitlines()) == 3
    if place == "000.png":
        assert plain["reference"]["reasons"] == ["unreadable"]
        assert {still["reasons"][0] for still in plain["stills"]} == {"reference-unusable"}
    else:
        assert [still["verdict"] for still in plain["stills"]] == ["refused", "measured"]
        assert plain["stills"][0]["reasons"] == ["unreadable"]


@pytest.mark.parametrize(
    "arguments",
    [
        [],
        ["measure"],
        ["replay"],
        ["replay", "a", "b"],
        ["replay", "a", "--colour"],
        ["serve", "--port", "70000"],
        ["serve", "--port", "http"],
        ["replay", "/nowhere/at/all"],
    ],
)
def test_arguments_that_cannot_be_used(
    arguments: list[str], capfd: pytest.CaptureFixture[str]
) -> None:
    assert main(arguments) == 2
    printed = capfd.readouterr()
    assert printed.err.startswith("tracker: ")
    assert printed.err.count("\n") == 1


# --- statuses ----------------------------------------------------------------------------


def test_a_bug_is_one_line_and_exit_3(
    folder: Path, fake: fakes.FakePipeline, capfd: pytest.CaptureFixture[str]
) -> None:
    fake.break_on = "002.png"

    assert main(["replay", str(folder)]) == 3
    printed = capfd.readouterr()
    assert "a bug, on purpose" not in printed.err
    assert printed.err.splitlines()[-1].startswith("tracker: internal error, ZeroDivisionError")
    assert "Traceback" not in printed.err

    assert main(["--traceback", "replay", str(folder)]) == 3
    assert "Traceback" in capfd.readouterr().err


@pytest.mark.parametrize("kind", errors.EXIT_STATUS)
def test_every_error_leaves_with_its_status(
    kind: type[errors.TrackerError],
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
) -> None:
    def fail(_options: object) -> None:
        raise kind("it went\nwrong", hint="try again")

    monkeypatch.setattr(cli, "_replay", fail)

    assert main(["replay", "folder"]) == errors.EXIT_STATUS[kind]
    assert capfd.readouterr().err == "tracker: it went wrong (try again)\n"


# --- the installed program ---------------------------------------------------------------


def test_help_and_version_do_not_wait_for_the_libraries() -> None:
    code = (
        "import sys\n"
        "from tracker.cli import main\n"
        "try:\n    main(['replay', '--help'])\n"
        "except SystemExit as stop:\n    assert stop.code == 0\n"
        "slow = {'cv2', 'scipy', 'numpy', 'fastapi', 'sqlalchemy'} & set(sys.modules)\n"
        "assert not slow, slow\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False, timeout=60
    )

    assert (done.returncode, done.stderr) == (0, "")
    assert "--json OUT.json" in done.stdout


def test_the_module_is_the_command(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "tracker", "replay", str(tmp_path)],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )

    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr.startswith("tracker: ")
    assert done.stderr.count("\n") == 1


# --- demo and serve ----------------------------------------------------------------------


@dataclass
class Pages:
    """Stands in for the pages: remembers what it was asked to serve."""

    calls: list[tuple[tuple[str, ...], int]] = field(default_factory=list)

    def load(self) -> Callable[..., None]:
        return self.run

    def run(self, service: Service, *, port: int, **_door: object) -> None:
        self.calls.append((tuple(case.row.id for case in service.cases()), port))
        raise KeyboardInterrupt


@pytest.fixture
def pages(monkeypatch: pytest.MonkeyPatch) -> Pages:
    stand_in = Pages()
    monkeypatch.setattr("importlib.metadata.entry_points", lambda group: [stand_in])
    return stand_in


def test_serve_opens_the_record_and_ends_quietly(pages: Pages, tmp_path: Path) -> None:
    record = tmp_path / "record"

    assert main(["serve", "--data", str(record), "--port", "0"]) == 0

    assert pages.calls == [((), 0)]
    assert record.is_dir()
    assert main(["serve", "--data", str(record)]) == 0, "the record was not let go of"


def test_the_demo_stands_beside_its_truth_and_is_then_served(
    folder: Path,
    fake: fakes.FakePipeline,
    pages: Pages,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
) -> None:
    fake.refuse["002.png"] = Reason.MIRRORED
    truth = {
        "states": [{"recession_mm": 0.0}, {"recession_mm": 1.1}],
        "pictures": [
            {"file": "000.png", "kind": "measure", "state": 0},
            {"file": "001.png", "kind": "measure", "state": 1},
            {"file": "002.png", "kind": "mirrored", "state": 1},
        ],
    }
    (folder.parent / "truth.json").write_text(json.dumps(truth))
    monkeypatch.setattr(cli, "_DEMO", folder.parent)

    assert main(["demo", "--no-serve"]) == 0
    assert pages.calls == []
    printed = capfd.readouterr()
    assert [line.split(" ")[0] for line in printed.err.splitlines()] == ["1/3", "2/3", "3/3"]
    (row,) = (line for line in printed.out.splitlines() if line.startswith("001.png"))
    assert " 1.10 " in row
    assert "-0.10" in row
    (row,) = (line for line in printed.out.splitlines() if line.startswith("002.png"))
    assert "1.10" not in row

    assert main(["demo", "--port", "0"]) == 0
    assert pages.calls == [(("example",), 0)]


def test_a_demo_without_its_pictures_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(cli, "_DEMO", tmp_path)

    assert main(["demo", "--no-serve"]) == 2
    assert "demo_frames/case/ is not beside the package" in capfd.readouterr().err


def test_without_pages_nothing_is_opened(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("importlib.metadata.entry_points", lambda group: [])

    assert main(["serve", "--data", str(tmp_path / "record")]) == 2
    assert "no pages are installed" in capfd.readouterr().err
    assert not (tmp_path / "record").exists()


def test_the_installed_pages_are_those_of_web() -> None:
    (found,) = importlib.metadata.entry_points(group="tracker.pages")

    assert found.value == "web.app:run"
    assert callable(found.load())


# --- ways in that run by themselves ------------------------------------------------------


@pytest.mark.parametrize("way", [["--watch", "x"], ["--video", "0"], ["--dicom", "0"]])
def test_a_way_in_needs_its_case(
    pages: Pages, tmp_path: Path, way: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["serve", "--data", str(tmp_path), *way]) == 2
    assert "--case" in capsys.readouterr().err
    assert pages.calls == []


def test_a_case_without_a_way_in_is_an_error(
    pages: Pages, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["serve", "--data", str(tmp_path), "--case", "p1"]) == 2
    assert "--case needs a way in" in capsys.readouterr().err
    assert pages.calls == []


def test_serve_runs_the_ways_in_while_it_serves(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[SourceState] = []

    class Waiting(Pages):
        def run(self, service: Service, *, port: int, **_door: object) -> None:
            deadline = time.monotonic() + 20
            while time.monotonic() < deadline:
                seen[:] = service.sources()
                if [state.standing for state in seen] == ["open", "not reachable", "open"]:
                    break
                time.sleep(0.05)
            raise KeyboardInterrupt

    (tmp_path / "share").mkdir()
    monkeypatch.setattr("importlib.metadata.entry_points", lambda group: [Waiting()])
    ways = ["--watch", str(tmp_path / "share"), "--video", str(tmp_path / "no.avi")]
    ways += ["--dicom", "0", "--title", "HIPROOM", "--case", "p1"]
    before = threading.active_count()

    assert main(["serve", "--data", str(tmp_path / "record"), *ways]) == 0

    assert [state.kind for state in seen] == ["folder", "video", "receiver"]
    assert {state.case_id for state in seen} == {"p1"}
    assert seen[1].last_error == "The video can't be opened."
    assert seen[2].where.startswith("HIPROOM at 127.0.0.1:")
    assert threading.active_count() <= before
