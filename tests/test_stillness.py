"""Of a filmed monitor every exposure is taken once, and nothing else."""

import numpy as np
import pytest

from tests import monitor
from tests.monitor import RATE, SIDE, Film, Grey
from tracker.stillness import StillFinder, grain_of, has_moved, is_exposure, is_same


def taken(film: Film) -> list[Grey]:
    """The exposures found, cut out of the monitor again."""
    finder, found = StillFinder(), []
    for number, frame in enumerate(film.frames()):
        picture = finder.look(frame, number / RATE)
        if picture is not None:
            top, left = ((side - SIDE) // 2 for side in picture.shape)
            found.append(picture[top : top + SIDE, left : left + SIDE].astype(np.float32))
    return found


def check(found: list[Grey], wanted: list[Grey]) -> None:
    assert len(found) == len(wanted)
    for got, shown in zip(found, wanted, strict=True):
        # The noise of the cable is averaged away; what is left is less than a level.
        assert float(np.mean(np.abs(got - np.clip(shown, 0, 255)))) < 1.5


@pytest.mark.slow
def test_every_exposure_once_and_nothing_else() -> None:
    film = monitor.whole_film()
    check(taken(film), film.wanted)


@pytest.mark.parametrize("page", [monitor.colour_menu, monitor.grey_menu])
def test_a_menu_is_left(page: object) -> None:
    film = Film()
    film.add(lambda _: page(), 2.0)  # type: ignore[operator]
    assert taken(film) == []


def test_live_movement_and_live_noise_are_left() -> None:
    film = Film()
    film.add(monitor.live(monitor.exposure(0), 1), 2.0)
    film.add(monitor.still_live(monitor.exposure(0), 2), 2.0)
    assert taken(film) == []


def test_a_new_exposure_of_an_unmoved_hip_is_another_picture() -> None:
    film = Film()
    for seed in range(3):
        film.hold(monitor.another(monitor.exposure(0), seed), wanted=True)
    check(taken(film), film.wanted)


@pytest.mark.slow
def test_a_picture_called_up_again_is_the_same_picture() -> None:
    film, first, second = Film(), monitor.exposure(0), monitor.exposure(1)
    film.hold(first, wanted=True)
    film.hold(second, wanted=True)
    film.hold(first, wanted=False)
    film.hold(first * np.float32(0.7) + 30, wanted=False)
    check(taken(film), film.wanted)


def test_a_frame_of_another_size_is_a_change() -> None:
    assert has_moved(np.zeros((64, 64), np.uint8), np.zeros((64, 96), np.uint8))
    grain = grain_of(monitor.exposure(0))
    assert not is_same(grain, grain_of(monitor.exposure(0)[:-64]))
    assert is_same(grain, grain)


def test_black_white_and_drawn_pages_are_no_exposures() -> None:
    for level in (0.0, 128.0, 255.0):
        assert not is_exposure(np.full((256, 256), level, np.float32))
    assert is_exposure(monitor.exposure(0))
