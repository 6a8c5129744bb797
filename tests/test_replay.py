"""The replay of a folder: what reaches the pipeline, what is told, what is refused before it."""

from pathlib import Path

import pytest

from tests import fakes
from tracker.errors import InvalidCase
from tracker.replay import replay
from tracker.values import NotMeasurable, Reason, ReferenceResult, StillResult


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "case.toml").write_text(fakes.CASE)
    for index in range(4):
        (tmp_path / f"{index:03}.png").write_bytes(fakes.picture(index))
    return tmp_path


@pytest.fixture
def fake(monkeypatch: pytest.MonkeyPatch) -> fakes.FakePipeline:
    return fakes.install(monkeypatch)


def told(folder: Path) -> list[tuple[StillResult, int, int]]:
    calls: list[tuple[StillResult, int, int]] = []
    replay(folder, lambda *call: calls.append(call))
    return calls


def test_the_first_picture_is_the_reference_and_the_others_follow_in_order(
    folder: Path, fake: fakes.FakePipeline
) -> None:
    done = replay(folder)

    assert done.reference.file == "000.png"
    assert [result.file for result in done.results] == ["001.png", "002.png", "003.png"]
    removed = [result.removal.recession_mm.value for result in done.results if result.removal]
    assert removed == [1.0, 2.0, 3.0]
    assert fake.given["plate"] is None
    assert fake.given["object_still"] is None


def test_each_result_is_told_as_it_comes(folder: Path, fake: fakes.FakePipeline) -> None:
    assert [(r.file, index, total) for r, index, total in told(folder)] == [
        ("001.png", 1, 4),
        ("002.png", 2, 4),
        ("003.png", 3, 4),
    ]


def test_each_picture_is_timed_alone(folder: Path, fake: fakes.FakePipeline) -> None:
    done = replay(folder, clock=fakes.clock_of(0.25))

    assert [result.elapsed_ms for result in done.results] == [250.0] * 3


def test_a_picture_that_cannot_be_read_is_refused_and_the_others_are_measured(
    folder: Path, fake: fakes.FakePipeline
) -> None:
    (folder / "002.png").write_text("these are words")

    one, two, three = replay(folder).results

    assert (one.verdict, three.verdict) == ("measured", "measured")
    assert two.verdict == "refused"
    assert two.reasons[0].reason is Reason.UNREADABLE
    assert "002.png" in two.reasons[0].sentence
    assert three.removal is not None
    assert three.removal.recession_mm.value == 2.0


@pytest.mark.parametrize("read", [True, False])
def test_without_a_reference_every_picture_is_refused(
    folder: Path, fake: fakes.FakePipeline, read: bool
) -> None:
    if read:
        why = (NotMeasurable(Reason.WRONG_SIDE),)
        fake.reference = ReferenceResult("000.png", "given", why)
    else:
        (folder / "000.png").write_bytes(fakes.picture(0)[:1000])

    done = replay(folder)

    reason = Reason.WRONG_SIDE if read else Reason.UNREADABLE
    assert [why.reason for why in done.reference.reasons] == [reason]
    assert {result.verdict for result in done.results} == {"refused"}
    assert {why.reason for r in done.results for why in r.reasons} == {Reason.REFERENCE_UNUSABLE}


def test_the_bead_plate_goes_to_the_reference(folder: Path, fake: fakes.FakePipeline) -> None:
    with (folder / "case.toml").open("a") as file:
        file.write('[distortion]\ngrid = "grid.png"\nbead_spacing_mm = 10.0\n')
    (folder / "grid.png").write_bytes(fakes.picture(9))
    replay(folder)
    assert fake.given["plate"].name == "grid.png"

    (folder / "grid.png").write_bytes(b"")
    assert replay(folder).reference.reasons[0].reason is Reason.GRID_UNUSABLE


def test_the_picture_of_the_object_goes_to_the_reference(
    folder: Path, fake: fakes.FakePipeline
) -> None:
    scale = '[scale]\nobject_diameter_mm = 5\nobject_px = [[1, 2], [3, 4]]\nobject_file = "002.png"'
    (folder / "case.toml").write_text(fakes.CASE.replace("[scale]", scale))
    assert len(replay(folder).results) == 3
    assert fake.given["object_still"].name == "002.png"

    (folder / "002.png").write_bytes(b"")
    assert replay(folder).reference.reasons[0].reason is Reason.SCALE_UNUSABLE


def test_a_folder_that_cannot_be_used_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(InvalidCase):
        replay(tmp_path)
