"""Letters beyond the field are gone, at the level that is there; the field is never touched."""

import cv2
import numpy as np
import pytest

from tracker.blanking import blanked, needs_blanking

Y, X = np.mgrid[:200, :260]
FIELD = np.hypot(X - 130, Y - 100) < 80
BLANK = np.hypot(X - 130, Y - 100) > 84


def scene(levels: tuple[int, ...] = (8,)) -> np.ndarray:
    """A field between corners of a level; a second level makes bars left and right."""
    grey = np.full(FIELD.shape, levels[0], np.uint8)
    if len(levels) > 1:
        grey[:, :30] = grey[:, -30:] = levels[1]
    grey[FIELD] = (100 + X[FIELD] // 4).astype(np.uint8)
    return grey


def lettered(grey: np.ndarray, places: list[tuple[int, int]], level: int = 255) -> np.ndarray:
    marked = grey.copy()
    for place in places:
        cv2.putText(marked, "AB", place, cv2.FONT_HERSHEY_SIMPLEX, 0.4, level, 1, cv2.LINE_AA)
    return marked


@pytest.mark.parametrize("levels", [(8,), (240,), (0, 40), (40, 0)])
def test_letters_are_painted_over_at_their_part_s_level(levels: tuple[int, ...]) -> None:
    plain = scene(levels)
    marked = lettered(plain, [(2, 14), (205, 190)], 128)
    assert needs_blanking(marked, BLANK, 255.0)

    found = blanked(marked, BLANK, 255.0)

    np.testing.assert_array_equal(found[BLANK], plain[BLANK])
    np.testing.assert_array_equal(found[~BLANK], marked[~BLANK])


def test_what_is_faint_is_gone_too() -> None:
    marked = lettered(scene(), [(2, 14)], 12)

    assert len(np.unique(blanked(marked, BLANK, 255.0)[BLANK])) == 1


def test_letters_inside_the_field_stay() -> None:
    marked = lettered(scene(), [(110, 100)])

    np.testing.assert_array_equal(blanked(marked, BLANK, 255.0), marked)


def test_colour_saves_keep_their_colour() -> None:
    marked = np.repeat(lettered(scene(), [(2, 14)])[:, :, None], 3, axis=2)
    marked[12, 4] = (0, 0, 255)

    found = blanked(marked, BLANK, 255.0)

    assert (found[BLANK] == 8).all()
    np.testing.assert_array_equal(found[~BLANK], marked[~BLANK])


def test_a_flat_surround_needs_nothing_and_nothing_but_letters_gets_one_level() -> None:
    assert not needs_blanking(scene(), BLANK, 255.0)
    assert not needs_blanking(scene(), np.zeros_like(BLANK), 255.0)
    noise = np.random.default_rng(1).integers(0, 256, FIELD.shape).astype(np.uint8)
    assert len(np.unique(blanked(noise, BLANK, 255.0)[BLANK])) <= 12
    np.testing.assert_array_equal(blanked(noise, np.zeros_like(BLANK), 255.0), noise)
