"""A short run of the damaged files; `python -m tests.fuzz` makes a long one."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests import fuzz, standins
from tests.standins import png
from tracker.decoding import Decoder
from tracker.errors import UnreadableImage
from tracker.record import to_text
from tracker.service import Service
from tracker.settings import ImageLimits
from tracker.values import StillResult


@pytest.fixture
def decoder() -> Iterator[Decoder]:
    made = Decoder()
    yield made
    made.close()


def test_the_files_that_are_damaged_are_good_before(decoder: Decoder) -> None:
    for kind, data in fuzz.seeds().items():
        assert decoder.decode(data, kind, ImageLimits()).grey.shape == (fuzz.ROWS, fuzz.COLUMNS)


def test_damage_is_told_by_its_seed_and_hardly_ever_none() -> None:
    files = fuzz.seeds()
    contents = list(files.values())

    def made(seed: int) -> list[bytes]:
        chance = np.random.default_rng(seed)
        return [fuzz.damaged(data, contents, chance) for data in contents]

    assert made(3) == made(3)
    assert made(3) != made(4)
    changed = [new != old for new, old in zip(made(3), contents, strict=True)]
    assert sum(changed) > 0.9 * len(contents)


def test_a_short_run_gives_pictures_and_refusals_and_nothing_else(decoder: Decoder) -> None:
    report = fuzz.run(900, 11, decoder)
    assert report.wrong == []
    total = report.total
    assert total.read + total.refused == total.tried == 900
    # Enough of the damage gets as far as the decoders, and enough of it is found.
    assert total.read > 100
    assert total.refused > 300
    assert 0 < report.most_memory < 1_000_000_000


def results(folder: Path, hostile: list[bytes]) -> list[str]:
    """What the good pictures of a case give, with hostile files brought before each."""
    found = []
    with Service(folder) as service:
        service.open_case(standins.setup(marks=standins.marks()))
        service.add_picture("p1", png(0), "000.png")
        for number, tenths in enumerate((9, 18, 27), start=1):
            for data in hostile:
                with pytest.raises(UnreadableImage):
                    service.add_picture("p1", data, "hostile")
            result = service.add_picture("p1", png(tenths), f"{number:03d}.png").result
            assert isinstance(result, StillResult)
            found.append(to_text(replace(result, elapsed_ms=0.0)))
    return found


def test_after_hostile_files_a_picture_is_measured_as_if_nothing_had_happened(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tracker.ledger.pipeline", standins)
    files = fuzz.seeds()
    hostile = [data[: len(data) // 2] for kind, data in files.items() if kind != "DICOM run"]
    hostile = [data for data in hostile if refused(data)]
    assert len(hostile) > 15
    assert results(tmp_path / "with", hostile) == results(tmp_path / "without", [])


def refused(data: bytes) -> bool:
    from tracker import images

    try:
        images.decode(data, "cut", ImageLimits())
    except UnreadableImage:
        return True
    return False
