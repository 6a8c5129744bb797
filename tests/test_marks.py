"""Marks to frame and angle.

The angles of the worked examples are constructions: the edge placed at a stated angle from the
head-ward direction at a stated distance (right hip on the picture's left, rows running down).
"""

import math

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracker.marks import axes, centre_edge_angle_deg, refine_head, socket_from_marks
from tracker.values import (
    ExposedField,
    Floats,
    Marks,
    NotMeasurable,
    Point,
    Radiograph,
    Reason,
    Side,
    Socket,
)


def head_points(centre: Point, radius: float, first: float = 200.0, last: float = 380.0) -> Floats:
    """Six marks on the head's outline between two image angles."""
    turn = np.radians(np.linspace(first, last, 6))
    return np.column_stack([centre[0] + radius * np.cos(turn), centre[1] + radius * np.sin(turn)])


def marks(
    centre: Point,
    edge: Point,
    *,
    radius: float = 100.0,
    turn_deg: float = 0.0,
    head: Floats | None = None,
) -> Marks:
    """Marks of a hip whose transverse axis is turned clockwise by ``turn_deg``."""
    along = np.array([math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))])
    middle = np.array(centre)
    return Marks(
        head_px=head_points(centre, radius) if head is None else head,
        rim_edge_px=edge,
        horizontal_px=np.vstack([middle - 200 * along, middle + 200 * along]),
        source="given",
        u_px=2.0,
        u_horizontal_deg=0.4,
    )


@pytest.mark.parametrize(
    ("edge", "angle"),
    [
        ((258.958, 287.237), 20),
        ((249.286, 291.243), 25),
        ((236.410, 298.234), 32),
        ((222.865, 308.075), 40),
        ((215.147, 315.147), 45),
    ],
)
def test_angles_of_a_right_hip(edge: Point, angle: float) -> None:
    found = socket_from_marks(marks((300, 400), edge), "right")
    assert isinstance(found, Socket)
    assert found.lcea_deg.value == pytest.approx(angle, abs=2e-3)
    assert found.edge_radius_px == pytest.approx(120, abs=2e-3)


def test_angle_of_a_left_hip_and_of_a_tilted_pelvis() -> None:
    level = socket_from_marks(marks((500, 400), (570, 320)), "left")
    # up vector (sin 4°, -cos 4°): the transverse axis falls to the right
    oblique = socket_from_marks(marks((500, 400), (570, 320), turn_deg=4.0), "left")
    assert isinstance(level, Socket)
    assert isinstance(oblique, Socket)
    assert level.lcea_deg.value == pytest.approx(41.1859, abs=1e-4)
    assert oblique.lcea_deg.value == pytest.approx(37.1859, abs=1e-4)


def test_the_wrong_side_is_noticed() -> None:
    up, lateral = axes(np.array([[0.0, 0.0], [10.0, 0.0]]), "right")
    assert centre_edge_angle_deg((500, 400), (570, 320), up, lateral) == pytest.approx(
        -41.1859, abs=1e-4
    )
    found = socket_from_marks(marks((500, 400), (570, 320)), "right")
    assert isinstance(found, NotMeasurable)
    assert found.reason is Reason.WRONG_SIDE


@given(
    st.floats(5, 70), st.floats(-30, 30), st.floats(1.0, 1.5), st.sampled_from(["left", "right"])
)
def test_mirror_and_side_swapped_change_nothing(
    angle: float, turn: float, reach: float, side: Side
) -> None:
    sign = 1 if side == "left" else -1
    away = math.radians(angle) * sign + math.radians(turn)
    edge = (300 + 100 * reach * math.sin(away), 400 - 100 * reach * math.cos(away))
    here = marks((300, 400), edge, turn_deg=turn)
    flipped = Marks(
        head_px=np.column_stack([600 - here.head_px[:, 0], here.head_px[:, 1]]),
        rim_edge_px=(600 - edge[0], edge[1]),
        horizontal_px=np.column_stack([600 - here.horizontal_px[:, 0], here.horizontal_px[:, 1]])[
            ::-1
        ].copy(),
        source="given",
        u_px=2.0,
        u_horizontal_deg=0.4,
    )
    other: Side = "right" if side == "left" else "left"
    one, two = socket_from_marks(here, side), socket_from_marks(flipped, other)
    assert isinstance(one, Socket)
    assert isinstance(two, Socket)
    assert one.lcea_deg.value == pytest.approx(angle, abs=1e-6)
    assert two.lcea_deg.value == pytest.approx(angle, abs=1e-6)
    assert two.lcea_deg.u == pytest.approx(one.lcea_deg.u, rel=1e-6)


def test_extrusion_index_follows_from_the_frame() -> None:
    """Centre x 500, radius 100, edge x 570: 15 % of the head uncovered (worked example)."""
    found = socket_from_marks(marks((500, 400), (570, 310)), "left")
    assert isinstance(found, Socket)
    outward = found.rim_edge_px[0] - found.head.centre_px[0]
    radius = found.head.radius_px
    assert 100 * (radius - outward) / (2 * radius) == pytest.approx(15.0, abs=1e-6)


def test_the_angle_scatters_as_its_budget_says() -> None:
    source = np.random.default_rng(31)
    errors, stated = [], []
    for _ in range(500):
        turn = source.normal(0, 0.4)
        clean = marks((300, 400), (222.865, 308.075), turn_deg=turn)
        noisy = Marks(
            head_px=clean.head_px + source.normal(0, 2.0, clean.head_px.shape),
            rim_edge_px=(222.865 + source.normal(0, 2.0), 308.075 + source.normal(0, 2.0)),
            horizontal_px=clean.horizontal_px.copy(),
            source="given",
            u_px=2.0,
            u_horizontal_deg=0.4,
        )
        found = socket_from_marks(noisy, "right")
        assert isinstance(found, Socket)
        errors.append(found.lcea_deg.value - 40)
        stated.append(found.lcea_deg.u)
    assert np.std(errors) == pytest.approx(np.mean(stated), rel=0.12)
    assert abs(np.mean(errors)) < 0.2
    assert all(u == pytest.approx(stated[0], rel=0.5) for u in stated)


@pytest.mark.parametrize(
    ("bad", "word"),
    [
        (
            marks((300, 400), (240, 420), head=np.array([[0.0, 0.0], [10.0, 10.0], [20.0, 20.0]])),
            "circle",
        ),
        (marks((300, 400), (222, 308), head=head_points((300, 400), 100, 250, 290)), "90 degrees"),
        (marks((300, 400), (100, 200)), "beside the head"),
        (marks((300, 400), (190, 420)), "above it"),
        (marks((300, 400), (222, 308), turn_deg=180.0), "left to its right"),
        (marks((300, 400), (222, 308), turn_deg=75.0), "steep"),
    ],
)
def test_marks_that_fix_no_hip_are_refused(bad: Marks, word: str) -> None:
    found = socket_from_marks(bad, "right")
    assert isinstance(found, NotMeasurable)
    assert found.reason is Reason.MARKS_UNUSABLE
    assert word in found.sentence


def test_marks_off_any_circle_are_refused() -> None:
    square = np.array([[200.0, 300], [300, 300], [400, 300], [400, 400], [400, 500], [300, 560]])
    found = socket_from_marks(marks((300, 400), (222, 308), head=square * [1, 1.6]), "right")
    assert isinstance(found, NotMeasurable)
    assert found.reason is Reason.MARKS_UNUSABLE


def ball(
    centre: Point, radius: float, *, noise: float, seed: int, crossed: bool = True
) -> Radiograph:
    """A ball's shadow beside a straight wall that crosses its outline, blurred and noisy."""
    rows, columns = np.mgrid[:512, :512].astype(np.float64)
    inside = radius**2 - (columns - centre[0]) ** 2 - (rows - centre[1]) ** 2
    path = 2 * np.sqrt(np.maximum(inside, 0)) / (2 * radius)
    neck = (np.abs(rows - centre[1] - 40) < 45) & (columns < centre[0])
    path = np.maximum(path, 0.6 * neck)
    wall = 0.8 * (columns > centre[0] + 0.55 * radius) if crossed else 0.0
    slope = 0.001 * columns
    clean = cv2.GaussianBlur((path + wall + slope).astype(np.float32), (0, 0), 0.7)
    noisy = clean + np.random.default_rng(seed).normal(0, noise, clean.shape).astype(np.float32)
    valid = np.ones(clean.shape, dtype=bool)
    field = ExposedField(valid.copy(), "rectangle", (255.5, 255.5), 361.0)
    return Radiograph(
        noisy.astype(np.float32), valid, np.zeros(clean.shape, dtype=bool), field, True, noise
    )


@pytest.mark.parametrize("noise", [0.02, 0.06])
def test_the_picture_improves_the_head(noise: float) -> None:
    """Centre and radius of a ball within 0.15 mm (radius 24 mm), the marks being 0.4 mm off."""
    source = np.random.default_rng(41)
    centre, radius = (262.3, 238.6), 110.0
    mm = 24.0 / radius
    before, after = [], []
    for seed in range(5):
        clean = marks(centre, (centre[0] - 80, centre[1] - 105), radius=radius)
        noisy = Marks(
            head_px=clean.head_px + source.normal(0, 2.0, clean.head_px.shape),
            rim_edge_px=clean.rim_edge_px,
            horizontal_px=clean.horizontal_px.copy(),
            source="given",
            u_px=2.0,
            u_horizontal_deg=0.4,
        )
        first = socket_from_marks(noisy, "right")
        assert isinstance(first, Socket)
        better = refine_head(ball(centre, radius, noise=noise, seed=seed), first)
        before.append(math.dist(first.head.centre_px, centre) * mm)
        after.append(math.dist(better.centre_px, centre) * mm)
        assert abs(better.radius_px - radius) * mm < 0.2
        assert better.u_centre_px < 0.7 * first.head.u_centre_px
        assert math.dist(better.centre_px, centre) < 3 * better.u_centre_px
    assert np.sqrt(np.mean(np.square(after))) < 0.15
    assert np.sqrt(np.mean(np.square(after))) < 0.5 * np.sqrt(np.mean(np.square(before)))


def test_without_an_outline_the_marks_stay() -> None:
    first = socket_from_marks(marks((262.0, 238.0), (180.0, 135.0), radius=110.0), "right")
    assert isinstance(first, Socket)
    empty = ball((3000.0, 3000.0), 110.0, noise=0.05, seed=1, crossed=False)
    assert refine_head(empty, first) is first.head


def test_an_outline_elsewhere_is_not_the_head() -> None:
    """A ball 8 % of the radius beside sharp marks is another thing: the marks stay."""
    centre, radius = (262.0, 238.0), 110.0
    sharp = marks(centre, (180.0, 135.0), radius=radius)
    exact = Marks(
        head_px=sharp.head_px.copy(),
        rim_edge_px=sharp.rim_edge_px,
        horizontal_px=sharp.horizontal_px.copy(),
        source="given",
        u_px=0.5,
        u_horizontal_deg=0.4,
    )
    first = socket_from_marks(exact, "right")
    assert isinstance(first, Socket)
    moved = ball((centre[0] + 8.0, centre[1] - 4.0), radius, noise=0.02, seed=2)
    assert refine_head(moved, first) is first.head
