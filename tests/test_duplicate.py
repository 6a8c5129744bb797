"""One exposure saved twice, and two exposures of a hip that did not move."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from tracker import field
from tracker.duplicate import Fingerprint, fingerprint, same_exposure
from tracker.values import ExposedField, Floats, Picture, Still

SIDE = 768


def trabeculae(seed: int = 0) -> Floats:
    """Anatomy with fine structure: smooth bone, and a grain of about three pixels on it."""
    rng = np.random.default_rng(seed)
    across, down = np.meshgrid(np.linspace(-1, 1, SIDE), np.linspace(-1, 1, SIDE))
    smooth = 0.5 + 0.2 * np.sin(3 * across) * np.cos(4 * down)
    grain = cv2.GaussianBlur(rng.normal(size=(SIDE, SIDE)), (0, 0), 1.3)
    return np.asarray(smooth + 0.012 * grain / grain.std(), float)


def exposure(anatomy: Floats, seed: int, noise: float = 0.01) -> Still:
    """One exposure of it, in a disc, with quantum noise of its own."""
    rng = np.random.default_rng([7, seed])
    grey = anatomy + noise * rng.normal(size=anatomy.shape)
    across, down = np.meshgrid(np.arange(SIDE) - SIDE / 2, np.arange(SIDE) - SIDE / 2)
    grey = np.where(np.hypot(across, down) < 0.48 * SIDE, grey, 0.0)
    levels = np.round(np.clip(grey, 0, 1) * 255) / 255
    return still(levels.astype(np.float32), f"{seed}")


def still(grey: Picture, name: str) -> Still:
    return Still(name, grey, name.rjust(64, "0"), 256)


def taken(picture: Still) -> Fingerprint:
    exposed = field.expose(picture)
    assert isinstance(exposed, ExposedField)
    return fingerprint(picture, exposed)


def jpeg(picture: Still, quality: int, *, inverted: bool = False) -> Still:
    grey = 1 - picture.grey if inverted else picture.grey
    eight = np.round(grey * 255).astype(np.uint8)
    _, packed = cv2.imencode(".jpg", eight, [cv2.IMWRITE_JPEG_QUALITY, quality])
    opened = np.asarray(cv2.imdecode(packed, cv2.IMREAD_UNCHANGED), np.float32) / 255
    return still(opened.astype(np.float32), f"jpeg{quality}")


@pytest.mark.parametrize("seed", range(4))
def test_a_new_exposure_of_an_unmoved_hip_is_not_taken_for_the_last(seed: int) -> None:
    """The grain of its bone is the same and as strong as the noise."""
    anatomy = trabeculae(seed)
    first, second = (taken(exposure(anatomy, 10 * seed + k)) for k in (1, 2))
    # Its grain alone would make them one: that is the trap.
    both = (first.noise != 0) & (second.noise != 0)
    a, b = first.noise[both].astype(float), second.noise[both].astype(float)
    assert float((a * b).sum() / np.sqrt((a * a).sum() * (b * b).sum())) > 0.12
    assert not same_exposure(first, second)


@pytest.mark.parametrize("quality", [100, 95, 90])
@pytest.mark.parametrize("inverted", [False, True])
def test_a_copy_saved_anew_is_the_same_exposure(quality: int, *, inverted: bool) -> None:
    picture = exposure(trabeculae(), 1)
    assert same_exposure(taken(picture), taken(jpeg(picture, quality, inverted=inverted)))


def test_a_copy_with_another_window_is_the_same_exposure() -> None:
    picture = exposure(trabeculae(), 1)
    windowed = still(np.clip(picture.grey * np.float32(1.2) - np.float32(0.1), 0, 1), "windowed")
    assert same_exposure(taken(picture), taken(windowed))


def test_the_same_bytes_are_the_same_exposure() -> None:
    picture = taken(exposure(trabeculae(), 1))
    assert same_exposure(picture, replace(picture, name="again"))


def test_another_size_is_another_picture() -> None:
    picture = exposure(trabeculae(), 1)
    small = cv2.resize(picture.grey, (300, 300), None, 0, 0, cv2.INTER_AREA)
    assert not same_exposure(taken(picture), taken(still(small.astype(np.float32), "small")))
