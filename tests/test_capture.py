"""How a picture was captured: what was not saved pixel by pixel is found, the rest left alone."""

from pathlib import Path

import cv2
import numpy as np
import pytest

from tests.photographs import photograph
from tests.test_exif import with_exif
from tracker import field, phantom
from tracker.capture import fit_ellipse, has_lattice
from tracker.images import decode, encode_png
from tracker.phantom import Scene
from tracker.settings import CaptureSettings
from tracker.values import ExposedField, NotMeasurable, Picture, Reason, Still

DEMO = Path(__file__).resolve().parents[1] / "demo_frames" / "case"
OWN = CaptureSettings()
SCENE = Scene(noise=0.008)
HIP = phantom.render(SCENE, 0)[0].grey


def judged(grey: Picture) -> Reason | None:
    found = field.expose(Still("a", np.ascontiguousarray(grey, np.float32), "0"))
    return found.reason if isinstance(found, NotMeasurable) else None


def resized(grey: Picture, across: float, down: float) -> Picture:
    height, width = grey.shape
    size = (round(width * across), round(height * down))
    return np.asarray(cv2.resize(grey, size, interpolation=cv2.INTER_LINEAR), np.float32)


@pytest.mark.parametrize(("across", "down"), [(1.067, 1), (1, 1.067), (0.9, 1), (1, 0.94)])
def test_a_grab_with_pixels_that_are_not_square_is_refused(across: float, down: float) -> None:
    assert judged(resized(HIP, across, down)) is Reason.NOT_SQUARE


def test_how_much_it_is_stretched_is_said() -> None:
    found = field.expose(Still("a", resized(HIP, 1.1, 1), "0"))

    assert isinstance(found, NotMeasurable)
    assert found.sentence == "The exposed field is an ellipse, 10 % wider than high."


def test_a_letter_boxed_grab_is_measured_where_it_lies() -> None:
    boxed = np.pad(HIP, ((90, 90), (160, 160)))

    plain, moved = field.expose(Still("a", HIP, "0")), field.expose(Still("b", boxed, "1"))

    assert isinstance(plain, ExposedField)
    assert isinstance(moved, ExposedField)
    assert plain.shape == moved.shape == "disc"
    assert moved.centre_px[0] == pytest.approx(plain.centre_px[0] + 160, abs=1)
    assert moved.centre_px[1] == pytest.approx(plain.centre_px[1] + 90, abs=1)
    assert moved.radius_px == pytest.approx(plain.radius_px, abs=1)


def test_bars_above_and_below_a_stretched_grab_do_not_hide_the_stretch() -> None:
    boxed = np.pad(resized(HIP, 1.1, 1), ((90, 90), (0, 0))).astype(np.float32)

    assert judged(boxed) is Reason.NOT_SQUARE


@pytest.mark.parametrize("path", sorted(DEMO.glob("*.png")), ids=lambda path: path.stem)
def test_saved_pictures_are_left_alone(path: Path) -> None:
    assert judged(decode(path.read_bytes(), path.name).grey) is None


@pytest.mark.parametrize("quality", [30, 60, 90])
def test_blocks_of_a_lossy_save_are_no_lattice(quality: int) -> None:
    pixels = np.asarray(np.round(HIP * 255), np.uint8)
    written, buffer = cv2.imencode(".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, quality])
    assert written

    assert judged(decode(buffer.tobytes(), "a").grey) is None


def test_a_picture_that_was_enlarged_is_left_alone() -> None:
    y, x = np.mgrid[: HIP.shape[0], : HIP.shape[1]].astype(np.float32)
    every_third = 0.02 * np.cos(2 * np.pi * x / 3) * np.cos(2 * np.pi * y / 3)

    assert not has_lattice(np.asarray(HIP + every_third, np.float32), OWN)
    assert judged(resized(HIP, 1.5, 1.5)) is None


def test_an_anti_scatter_grid_is_no_lattice_and_crossed_lines_are() -> None:
    y, x = np.mgrid[: HIP.shape[0], : HIP.shape[1]].astype(np.float32)
    one = 0.02 * np.cos(2 * np.pi * (0.21 * x + 0.05 * y))
    other = 0.02 * np.cos(2 * np.pi * (0.05 * x - 0.21 * y))

    assert not has_lattice(HIP, OWN)
    assert not has_lattice(np.asarray(HIP + one, np.float32), OWN)
    assert has_lattice(np.asarray(HIP + one + other, np.float32), OWN)


# Measured on 80 photographs of this kind with tilts up to 20 degrees, half of them close-ups
# without the monitor's frame: all are found.
@pytest.mark.parametrize("wall", [True, False])
@pytest.mark.parametrize(("yaw", "pitch"), [(9, 2), (-12, 4), (3, -11), (16, 8)])
def test_a_photograph_of_a_screen_is_refused(yaw: float, pitch: float, *, wall: bool) -> None:
    taken = photograph(HIP, seed=1, yaw_deg=yaw, pitch_deg=pitch, turn_deg=2.0, wall=wall)

    still = decode(encode_png(taken), "a")

    assert judged(still.grey) is Reason.PHOTOGRAPH


def test_a_file_that_comes_from_a_camera_is_a_photograph() -> None:
    written, buffer = cv2.imencode(".jpg", np.asarray(np.round(HIP * 255), np.uint8))
    assert written

    still = decode(with_exif(buffer.tobytes(), camera=True), "a")
    found = field.expose(still)

    assert still.camera
    assert isinstance(found, NotMeasurable)
    assert found.reason is Reason.PHOTOGRAPH
    assert "comes from a camera" in found.sentence


@pytest.mark.parametrize(("ratio", "slant"), [(1.0, 0.0), (1.08, 0.0), (0.93, 20.0), (1.2, -30.0)])
def test_an_ellipse_is_fitted_as_it_was_drawn(ratio: float, slant: float) -> None:
    angles = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    x, y = 300 * np.cos(angles), 300 * ratio * np.sin(angles)
    # A dark edge: a tenth of the border lies 40 px too far inwards.
    near = (angles > 1) & (angles < 1.6)
    x[near] *= 0.87
    turn = np.radians(slant)
    points = np.column_stack(
        [x * np.cos(turn) - y * np.sin(turn), x * np.sin(turn) + y * np.cos(turn)]
    )

    found = fit_ellipse(points + 400, OWN)

    assert found is not None
    assert found[0] == pytest.approx(ratio, abs=0.003)
    if ratio != 1:
        assert found[1] == pytest.approx(slant, abs=0.5)


def test_a_rectangle_is_no_ellipse() -> None:
    side = np.linspace(-1, 1, 180)
    one = np.ones_like(side)
    square = np.vstack(
        [np.column_stack(pair) for pair in ((side, one), (side, -one), (one, side), (-one, side))]
    )

    assert fit_ellipse(300 * square + 400, OWN) is None
