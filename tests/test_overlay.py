"""Pictures come into another frame without being altered, and one brightness serves all."""

import numpy as np
import pytest

from tests import standins
from tracker import gallery, images, overlay
from tracker.values import Floats, Still


def scene(gain: float = 1.0, offset: float = 0.0, *, inverted: bool = False) -> Still:
    y, x = np.mgrid[:200, :240].astype(np.float32)
    grey = 0.3 + 0.2 * np.sin(x / 23) * np.cos(y / 31) + 0.0008 * x
    grey = grey * gain + offset
    if inverted:
        grey = 1 - grey
    return Still("scene.png", grey.astype(np.float32), "0" * 64)


def moved(turn_deg: float, zoom: float, shift: tuple[float, float]) -> Floats:
    c, s = zoom * np.cos(np.radians(turn_deg)), zoom * np.sin(np.radians(turn_deg))
    return np.array([[c, -s, shift[0]], [s, c, shift[1]]])


def test_as_recorded_keeps_every_grey_value() -> None:
    data = standins.png(18)
    still = images.decode(data, "001.png")
    shown = overlay.as_recorded(still)
    assert shown.dtype == np.uint8
    assert shown[0, 0] == 18
    again = images.decode(gallery.recorded_png(still), "again.png")
    assert np.array_equal(again.grey, still.grey)


def test_a_picture_in_its_own_frame_is_itself() -> None:
    still = scene()
    picture, inside = overlay.placed(still, gallery.UNMOVED, (240, 200))
    assert inside.all()
    assert np.abs(picture - still.grey).max() < 1e-6


def test_a_moved_picture_lands_where_the_map_says() -> None:
    """A bright spot of the still appears at the mapped place, to a tenth of a pixel."""
    y, x = np.mgrid[:200, :240]
    spot = (91.0, 77.0)
    grey = np.exp(-((x - spot[0]) ** 2 + (y - spot[1]) ** 2) / 18).astype(np.float32)
    matrix = moved(31.0, 2.1, (60.0, -20.0))
    picture, _ = overlay.placed(Still("spot.png", grey, ""), matrix, (480, 400))
    weight = np.clip(picture, 0, None)
    rows, columns = np.mgrid[:400, :480]
    found = (weight * columns).sum() / weight.sum(), (weight * rows).sum() / weight.sum()
    expected = matrix[:, :2] @ spot + matrix[:, 2]
    assert found == pytest.approx(tuple(expected), abs=0.1)


def test_where_the_still_does_not_reach_is_black_and_known() -> None:
    picture, inside = overlay.placed(scene(), moved(0, 1, (100, 0)), (240, 200))
    assert not inside[:, :99].any()
    assert inside[:, 101:].all()
    assert not overlay.shown(picture, inside, (0.0, 1.0))[:, :99].any()


@pytest.mark.parametrize("inverted", [False, True])
@pytest.mark.parametrize(("gain", "offset"), [(1.0, 0.0), (0.4, 0.35), (1.3, -0.05)])
def test_brightness_contrast_and_polarity_are_matched(
    gain: float, offset: float, inverted: bool
) -> None:
    model = scene()
    inside = np.ones(model.grey.shape, np.bool_)
    other = scene(gain, offset, inverted=inverted)
    adjusted = overlay.matched(other.grey, inside, model.grey, inside)
    assert np.abs(adjusted - model.grey).max() < 0.01


def test_too_little_in_common_changes_nothing() -> None:
    model, nothing = scene(), np.zeros((200, 240), np.bool_)
    other = scene(0.5)
    assert overlay.matched(other.grey, nothing, model.grey, nothing) is other.grey
    flat = np.full((200, 240), 0.5, np.float32)
    inside = np.ones(flat.shape, np.bool_)
    assert overlay.matched(flat, inside, model.grey, inside) is flat


def test_the_span_leaves_out_the_rare_extremes() -> None:
    grey = np.linspace(0.2, 0.6, 40000, dtype=np.float32).reshape(200, 200)
    grey = grey.copy()
    grey[0, 0], grey[0, 1] = 0.0, 1.0
    low, high = overlay.span_of(grey, np.ones(grey.shape, np.bool_))
    assert (low, high) == pytest.approx((0.202, 0.598), abs=0.002)
    assert overlay.span_of(grey, np.zeros(grey.shape, np.bool_)) == (0.0, 1.0)


def test_the_rim_is_magnified_in_the_reference_s_own_orientation() -> None:
    still = images.decode(standins.png(0), "000.png")
    reference = standins.prepare_reference(still, standins.setup()).result
    frame = gallery.rim_frame(reference)
    matrix = frame.from_reference
    assert matrix[0, 1] == matrix[1, 0] == 0
    assert matrix[0, 0] == matrix[1, 1] > 1
    edge = matrix[:, :2] @ np.array(reference.rim_edge_px) + matrix[:, 2]
    assert 0.3 * frame.width < edge[0] < 0.7 * frame.width
    assert 0.3 * frame.height < edge[1] < 0.7 * frame.height
    shown = images.decode(gallery.placed_png(still, gallery.UNMOVED, still, frame), "rim.png")
    assert shown.grey.shape == (frame.height, frame.width)


def test_the_words_at_the_edges_lie_where_lateral_and_head_are() -> None:
    still = images.decode(standins.png(0), "000.png")
    for side, is_right in (("left", True), ("right", False)):
        setup = standins.setup(side="left" if side == "left" else "right")
        reference = standins.prepare_reference(still, setup).result
        frame = gallery.rim_frame(reference)
        places = {
            label.text: label.at for label in gallery.directions(frame, reference, setup.side)
        }
        assert (places["lateral"][0] > frame.width / 2) == is_right
        assert places["head"][1] < 0.1 * frame.height
