"""A case whose pictures are DICOM files gives the numbers of the same pictures as PNG."""

from pathlib import Path

import pytest

from tests import phantom_case
from tests.dicom_files import LOSSLESS, UNPACKED, as_file, dataset_of
from tracker.images import decode
from tracker.replay import replay
from tracker.service import Service

TAKEN = ("000", "001", "002", "003")
"""Pictures of the phantom case: a first one, and three that are measured."""


@pytest.fixture(scope="module")
def folders(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The same four pictures twice: as PNG, and as DICOM in as many ways of packing."""
    plain = phantom_case.write(tmp_path_factory.mktemp("case") / "png").folder
    folder = plain.parent / "dicom"
    folder.mkdir()
    (folder / "case.toml").write_bytes((plain / "case.toml").read_bytes())
    for path in plain.glob("*.png"):
        if path.stem not in TAKEN:
            path.unlink()
    ways = [UNPACKED["implicit"], LOSSLESS["RLE"], LOSSLESS["JPEG-LS"], UNPACKED["deflated"]]
    for number, (name, syntax) in enumerate(zip(TAKEN, ways, strict=True)):
        still = decode((plain / f"{name}.png").read_bytes(), name)
        names = {"SOPInstanceUID": f"2.25.{number + 1}"}
        data = as_file(dataset_of(phantom_case.levels(still), "XA", **names), syntax)
        (folder / f"{name}.dcm").write_bytes(data)
    return plain, folder


@pytest.mark.slow
def test_replay_gives_the_same_numbers(folders: tuple[Path, Path]) -> None:
    as_png, as_dicom = (replay(folder) for folder in folders)

    assert as_dicom.reference.lcea_deg == as_png.reference.lcea_deg
    assert [one.verdict for one in as_dicom.results] == ["measured"] * 3
    for one, other in zip(as_dicom.results, as_png.results, strict=True):
        assert one.removal is not None
        assert other.removal is not None
        assert one.removal.recession_mm == other.removal.recession_mm


@pytest.mark.slow
def test_the_record_takes_them_in(folders: tuple[Path, Path], tmp_path: Path) -> None:
    with Service(tmp_path / "record") as service:
        added = list(service.import_folder(folders[1]))

    assert [one.number for one in added] == [0, 1, 2, 3]
    assert [one.result.verdict for one in added[1:] if one.result] == ["measured"] * 3
