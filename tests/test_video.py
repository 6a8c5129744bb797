"""A video input, from a film of a monitor to the case."""

import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from tests import monitor, standins
from tests.monitor import SIDE, Film
from tracker import images
from tracker.service import Service
from tracker.video import Video


@pytest.fixture(autouse=True)
def _quick_pipeline(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tracker.ledger.pipeline", standins)


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    with Service(tmp_path / "record") as opened:
        opened.open_case(standins.setup(marks=standins.marks()))
        yield opened


def until(ready: object, seconds: float = 60.0) -> None:
    deadline = time.monotonic() + seconds
    while not ready() and time.monotonic() < deadline:  # type: ignore[operator]
        time.sleep(0.05)


def watch(service: Service, path: Path) -> Video:
    """Watch a film to its end."""
    video = Video(service, str(path), "p1")
    with video:
        until(lambda: video.state.standing == "ended")
    return video


def short_film() -> Film:
    film, first = Film(), monitor.exposure(0)
    film.add(monitor.noise(1), 0.5)
    film.hold(first, wanted=True)
    film.add(monitor.live(first, 2), 0.8)
    film.add(lambda _: monitor.grey_menu(), 1.2)
    film.hold(first, wanted=False)
    film.hold(monitor.exposure(1), wanted=True)
    return film


def matches(service: Service, film: Film, levels: float) -> None:
    pictures = service.case("p1").pictures
    assert len(pictures) == len(film.wanted)
    for picture, wanted in zip(pictures, film.wanted, strict=True):
        grey = service.still("p1", picture.number).grey * 255
        top, left = ((side - SIDE) // 2 for side in grey.shape)
        found = grey[top : top + SIDE, left : left + SIDE]
        assert float(np.mean(np.abs(found - np.clip(wanted, 0, 255)))) < levels


@pytest.mark.slow
def test_a_film_gives_each_exposure_once_also_when_it_is_played_again(
    service: Service, tmp_path: Path
) -> None:
    film = short_film()
    path = film.write(tmp_path / "film.avi", "FFV1")
    video = watch(service, path)
    matches(service, film, levels=1.5)
    assert (video.state.taken, video.state.last_error) == (2, "")
    assert video.state.last_file.endswith(" s.png")
    again = watch(service, path)
    matches(service, film, levels=1.5)
    assert again.state.taken == 0


@pytest.mark.slow
@pytest.mark.parametrize(("codec", "levels"), [("FFV1", 1.5), ("MJPG", 3.0)])
def test_a_film_of_everything_that_a_monitor_shows(
    service: Service, tmp_path: Path, codec: str, levels: float
) -> None:
    film = monitor.whole_film()
    video = watch(service, film.write(tmp_path / "film.avi", codec))
    matches(service, film, levels)
    assert video.state.taken == len(film.wanted)


@pytest.mark.parametrize("content", [None, b"", b"no film" * 1000])
def test_what_can_not_be_opened_is_said_and_tried_again(
    service: Service, tmp_path: Path, content: bytes | None
) -> None:
    path = tmp_path / "film.avi"
    if content is not None:
        path.write_bytes(content)
    video = Video(service, str(path), "p1")
    with video:
        until(lambda: video.state.last_error)
        state = video.state
    assert (state.standing, state.last_error) == ("not reachable", "The video can't be opened.")
    assert video.state.standing == "ended"


def test_a_film_that_appears_later_is_found(service: Service, tmp_path: Path) -> None:
    path, film = tmp_path / "film.avi", Film()
    film.hold(monitor.exposure(0), wanted=True)
    film.write(tmp_path / "made.avi", "FFV1")
    video = Video(service, str(path), "p1")
    with video:
        until(lambda: video.state.last_error)
        (tmp_path / "made.avi").rename(path)
        until(lambda: video.state.standing == "ended")
    matches(service, film, levels=1.5)


def test_a_picture_waits_for_its_case(service: Service, tmp_path: Path) -> None:
    film = Film()
    film.hold(monitor.exposure(0), wanted=True)
    video = Video(service, str(film.write(tmp_path / "film.avi", "FFV1")), "p2")
    with video:
        until(lambda: video.state.last_error)
        assert "p2" in video.state.last_error
        service.open_case(standins.setup("p2"))
        until(lambda: video.state.taken)
    assert len(service.case("p2").pictures) == 1


@pytest.mark.slow
def test_the_picture_is_a_png_of_the_frame(service: Service, tmp_path: Path) -> None:
    film = Film()
    film.hold(monitor.exposure(0), wanted=True)
    watch(service, film.write(tmp_path / "film.avi", "FFV1"))
    (picture,) = service.case("p1").pictures
    data = service._store.picture_bytes(picture.row)
    still = images.decode(data, "a.png")
    assert still.grey.shape == (monitor.HEIGHT, monitor.WIDTH)
