"""The case folder on disk, and the replay result in the exchange form."""

import json
import os
from pathlib import Path

import pytest

from tests import fakes
from tracker.casefolder import read_case, read_picture, replay_json
from tracker.casetoml import parse_case
from tracker.errors import InvalidCase, UnreadableImage
from tracker.values import NotMeasurable, Reason, ReferenceResult, StillResult


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "case.toml").write_text(fakes.CASE)
    for index in range(3):
        (tmp_path / f"{index:03}.png").write_bytes(fakes.picture(index))
    return tmp_path


def test_pictures_come_in_byte_order_of_their_names(folder: Path) -> None:
    for name in ("Z.PNG", "a.jpeg", "é.tif", "10.bmp", "9.webp", "IM.dcm"):
        (folder / name).write_bytes(b"")
    for name in ("notes.txt", ".hidden.png", "grid.png"):
        (folder / name).write_bytes(b"")
    (folder / "sub").mkdir()

    names = [path.name for path in read_case(folder).pictures]

    assert names == sorted(names, key=str.encode)
    assert set(names) == {
        "000.png", "001.png", "002.png", "Z.PNG", "a.jpeg", "é.tif", "10.bmp", "9.webp",
        "IM.dcm",
    }  # fmt: skip


def test_a_name_that_is_no_utf_8_is_a_name(folder: Path) -> None:
    name = os.fsdecode(b"\xe9.png")
    try:
        (folder / name).write_bytes(b"")
    except OSError:
        pytest.skip("this disk keeps no such names")

    assert read_case(folder).pictures[-1].name == name


def test_the_grid_is_no_picture_of_the_case(folder: Path) -> None:
    (folder / "plate.png").write_bytes(fakes.picture(9))
    with (folder / "case.toml").open("a") as file:
        file.write('[distortion]\ngrid = "plate.png"\nbead_spacing_mm = 10.0\n')

    case = read_case(folder)

    assert case.grid == folder / "plate.png"
    assert case.grid not in case.pictures


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda f: [p.unlink() for p in f.iterdir()], "holds no case.toml"),
        (lambda f: [p.unlink() for p in f.glob("*.png")], "holds no picture"),
        (lambda f: (f / "case.toml").write_bytes(b"\xff\xfe\x00"), "not UTF-8"),
        (lambda f: (f / "case.toml").write_bytes(b"#" * 1_000_001), "over 1 MB"),
        (
            lambda f: (f / "case.toml").write_text(
                fakes.CASE + '[distortion]\ngrid = "grid.png"\nbead_spacing_mm = 10\n'
            ),
            "[distortion] grid: grid.png is not in the folder",
        ),
        (
            lambda f: (f / "case.toml").write_text(
                fakes.CASE.replace(
                    "[scale]",
                    "[scale]\nobject_diameter_mm = 5\nobject_px = [[1, 2], [3, 4]]\n"
                    'object_file = "007.png"',
                )
            ),
            "[scale] object_file: 007.png is not among the pictures",
        ),
    ],
)
def test_folders_that_cannot_be_used(folder: Path, change: object, said: str) -> None:
    assert callable(change)
    change(folder)

    with pytest.raises(InvalidCase) as caught:
        read_case(folder)

    assert said in caught.value.message


def test_no_folder(tmp_path: Path) -> None:
    with pytest.raises(InvalidCase, match="not a folder"):
        read_case(tmp_path / "nowhere")


def test_a_picture_is_read_no_further_than_the_limit(folder: Path) -> None:
    assert len(read_picture(folder / "000.png", 100)) == 101
    with pytest.raises(UnreadableImage, match="can't be opened"):
        read_picture(folder / "nothing.png", 100)


# --- the replay result -------------------------------------------------------------------

SETUP = parse_case(fakes.CASE)


def test_the_keys_of_a_measured_picture_are_those_of_the_form() -> None:
    result = StillResult("001.png", "aa", "measured", (), 140.0, removal=fakes.removal())

    plain = replay_json(fakes.reference_result(), [result], SETUP, "0.1.0")

    assert list(plain) == ["schema", "case", "software", "reference", "stills"]
    assert list(plain["reference"]) == [
        "file", "marks", "reasons", "centre_px", "head_radius_px", "rim_edge_px", "up_px",
        "mm_per_px", "scale_from", "lcea_deg",
    ]  # fmt: skip
    (still,) = plain["stills"]
    assert list(still) == [
        "file", "verdict", "reasons", "to_reference", "recession_mm", "running_mm", "lcea_deg",
        "area_mm2", "remaining_mm", "beam_deg", "elapsed_ms",
    ]  # fmt: skip
    assert still["recession_mm"] == {"value": 1.3, "u": 0.2}
    assert still["beam_deg"]["tilt"] == {"value": 0.4, "u": 0.3}
    assert still["to_reference"] == [[1.0, 0.0, -2.0], [0.0, 1.0, 3.0]]
    assert json.loads(json.dumps(plain, allow_nan=False)) == plain


def test_a_refused_picture_has_reasons_and_no_numbers() -> None:
    reasons = (NotMeasurable(Reason.RIM_HIDDEN, "metal"), NotMeasurable(Reason.VIEW_CHANGED))
    result = StillResult("001.png", "aa", "refused", reasons, 3.0)

    (still,) = replay_json(fakes.reference_result(), [result], SETUP, "0.1.0")["stills"]

    assert still == {
        "file": "001.png",
        "verdict": "refused",
        "reasons": ["rim-hidden", "view-changed"],
        "elapsed_ms": 3.0,
    }


def test_a_reference_that_cannot_be_used_has_reasons_only() -> None:
    reference = ReferenceResult(
        "000.png", "proposed", (NotMeasurable(Reason.NO_ANATOMY),), mm_per_px=0.2
    )

    plain = replay_json(reference, [], SETUP, "0.1.0")

    assert plain["reference"] == {
        "file": "000.png",
        "marks": "proposed",
        "reasons": ["no-anatomy"],
    }


def test_what_is_named_like_a_picture_and_is_none_has_a_line(folder: Path) -> None:
    (folder / "zz1.png").mkdir()
    (folder / "zz2.png").symlink_to(folder / "nowhere.png")
    os.mkfifo(folder / "zz3.png")
    listed = read_case(folder).pictures

    for name, said in (
        ("zz1.png", "it is a folder"),
        ("zz2.png", "it is a link that leads nowhere"),
        ("zz3.png", "it is no file"),
    ):
        assert folder / name in listed
        with pytest.raises(UnreadableImage, match=said):
            read_picture(folder / name, 1000)


def test_a_link_to_a_picture_is_a_picture(folder: Path) -> None:
    (folder / "zz.png").symlink_to(folder / "000.png")

    assert read_picture(folder / "zz.png", 10**6) == (folder / "000.png").read_bytes()
