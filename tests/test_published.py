"""Outside facts: numbers printed elsewhere, or fixed by plane geometry, through our functions.

Circle fits are in test_circle.py and test_marks.py, uncertainties in test_uncertainty.py,
conformance and guard bands in test_plan.py, each beside its source.  "Worked" below means that
no one printed the number: it follows from the formula named and was computed by a second route.
"""

import math

import numpy as np
import pytest
from skimage.transform import SimilarityTransform

from tracker import marks, measure, phantom, pipeline
from tracker.phantom import Scene
from tracker.values import (
    CaseSetup,
    Floats,
    Landmark,
    Plan,
    ReferenceResult,
    Registration,
    Scale,
    Side,
)


def registration(zoom: float, turn_deg: float, shift: tuple[float, float]) -> Registration:
    """A registration without beam turn: a plain similarity."""
    turn = math.radians(turn_deg)
    linear = zoom * np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    blank = np.zeros((2, 2), np.float32)
    mark = Landmark(
        (0.0, 0.0),
        np.array([0.0, -1.0]),
        np.array([1.0, 0.0]),
        (0.0, 0.0),
        1.0,
        blank,
        blank,
        blank > 0,
    )
    return Registration(
        reference_to_moving=np.column_stack([linear, shift]),
        tilt_deg=0.0,
        oblique_deg=0.0,
        covariance=np.eye(6) * 1e-6,
        modes_mm=np.zeros(5),
        modes_covariance=np.eye(5) * 1e-6,
        score=1.0,
        gain=1.0,
        overlap=1.0,
        local_mm=np.zeros(2),
        local_covariance=np.eye(2) * 1e-6,
        landmark=mark,
    )


# --- similarity ---------------------------------------------------------------------------


def test_known_similarity_carries_points() -> None:
    """Worked by hand: 7°, zoom 1.05, shift (12, -8); the turn is clockwise on the screen."""
    points = np.array([[0.0, 0.0], [100.0, 0.0], [100.0, 60.0], [20.0, 80.0]])
    expected = [
        (12.0, -8.0),
        (116.217346, 4.796281),
        (108.539577, 67.326689),
        (22.606444, 77.933133),
    ]
    known = registration(1.05, 7.0, (12.0, -8.0))
    assert known.to_moving(points) == pytest.approx(np.array(expected), abs=1e-6)
    assert known.zoom == pytest.approx(1.05)
    assert known.turn_deg == pytest.approx(7.0)
    back = known.rim_to_reference(0.0)
    there = known.to_moving(points)
    assert there @ back[:, :2].T + back[:, 2] == pytest.approx(points, abs=1e-9)


def test_the_library_we_compare_with_reproduces_the_published_similarity() -> None:
    """Umeyama 1991, PAMI 13:376, example: R, c and t; the reflection is not taken."""
    source = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 2.0]])
    target = np.array([[0.0, 0.0], [-1.0, 0.0], [0.0, 2.0]])
    fitted = SimilarityTransform.from_estimate(source, target)
    scale = float(np.sqrt(np.linalg.det(fitted.params[:2, :2])))
    assert scale == pytest.approx(0.721, abs=5e-4)
    assert fitted.params[:2, :2] / scale == pytest.approx(
        np.array([[0.832, 0.555], [-0.555, 0.832]]), abs=5e-4
    )
    assert fitted.params[:2, 2] == pytest.approx([-0.800, 0.400], abs=5e-4)


# --- the centre-edge angle ------------------------------------------------------------------


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
def test_centre_edge_angle_by_construction(edge: tuple[float, float], angle: float) -> None:
    """Wiberg's construction, right hip on the viewer's left; worked with sine and cosine."""
    up, lateral = marks.axes(np.array([[0.0, 0.0], [100.0, 0.0]]), "right")
    assert marks.centre_edge_angle_deg((300.0, 400.0), edge, up, lateral) == pytest.approx(
        angle, abs=1e-3
    )


@pytest.mark.parametrize(
    ("side", "obliquity_deg", "angle"),
    [("left", 0.0, 41.1859), ("right", 0.0, -41.1859), ("left", 4.0, 37.1859)],
)
def test_side_and_obliquity(side: Side, obliquity_deg: float, angle: float) -> None:
    """Worked: a wrong side flips the sign; 4° of turn in the plane are 4° of angle."""
    turn = math.radians(obliquity_deg)
    horizontal = np.array([[0.0, 0.0], [100 * math.cos(turn), 100 * math.sin(turn)]])
    up, lateral = marks.axes(horizontal, side)
    found = marks.centre_edge_angle_deg((500.0, 400.0), (570.0, 320.0), up, lateral)
    assert found == pytest.approx(angle, abs=1e-4)


def test_edge_radius_and_not_head_radius_gives_the_published_extrusion() -> None:
    """Tannast et al. 2015, CORR 473:1234: LCEA 23-33° goes with extrusion index 27-17 %.

    For r = 24 mm and a joint space of 4.2 mm the edge lies at R = 28.2 mm; the phantom's edge
    at these angles reproduces the pairing to 1 %.
    """
    for lcea, extrusion in ((23.0, 27.0), (33.0, 17.0)):
        scene = Scene(lcea_deg=lcea, head_radius_mm=24.0, joint_mm=4.2, lip_mm=0.0, noise=0.0)
        _, truth = phantom.render(scene)
        lateral_mm = abs(truth.edge_px[0] - truth.centre_px[0]) * truth.mm_per_px
        assert 100 * (24.0 - lateral_mm) / 48.0 == pytest.approx(extrusion, abs=1.05)


# --- areas ----------------------------------------------------------------------------------


def area(rho: Floats, angle_rad: Floats, radius: float = 26.0) -> float:
    """Our area between outlines whose angles differ by ``angle_rad`` at each radius."""
    value, budget = measure.outline_area(
        rho,
        radius,
        angle_rad * radius,
        np.zeros_like(rho),
        from_rho_mm=float(rho[0]),
        to_rho_mm=float(rho[-1]),
        u_edge_mm=0.1,
        u_along_mm=0.1,
        u_radial_mm=0.1,
        u_relative_scale=0.01,
    )
    assert budget.unit == "mm2"
    return value


def radii(low: float, high: float, n: int = 4000) -> Floats:
    """Nodes from one radius to the other, both ends included: the area is between them."""
    return np.linspace(low, high, n + 1)


@pytest.mark.parametrize(
    ("inner", "outer", "deg", "mm2"),
    [(24, 26, 60, 52.360), (24, 27, 60, 80.11), (24, 29, 60, 138.75), (26, 28, 90, 84.82)],
)
def test_annular_sector(inner: float, outer: float, deg: float, mm2: float) -> None:
    """Worked: (R² - r²) / 2 times the angle; arc times width would be 4 % short."""
    rho = radii(inner, outer)
    assert area(rho, np.full_like(rho, math.radians(deg))) == pytest.approx(mm2, abs=0.01)


def test_half_sine_depth() -> None:
    """Worked: depth 3 mm sin over 60° on an inner radius of 26 mm has 54.356 mm²."""
    rho = radii(26.0, 29.0)
    open_angle = math.radians(60) * (1 - 2 / math.pi * np.arcsin((rho - 26.0) / 3.0))
    assert area(rho, open_angle) == pytest.approx(54.356, abs=0.01)


def test_crescent_of_two_discs() -> None:
    """Worked: discs of 24 mm, 2 mm apart, share 1713.585 mm²; the rest of one is a crescent."""
    rho = radii(24.0, 26.0, 40_000)
    cosine = (rho**2 + 2.0**2 - 24.0**2) / (2 * rho * 2.0)
    crescent = area(rho, 2 * np.arccos(np.clip(cosine, -1, 1)))
    lower = radii(22.0, 24.0, 40_000)
    assert lower[0] == 22.0  # inside radius 22 both discs cover everything
    assert crescent == pytest.approx(math.pi * 24.0**2 - 1713.585153, abs=0.02)


def shoelace(points: Floats) -> float:
    """Signed area of a polygon: the second route for areas (Gauss, Meister)."""
    x, y = points.T
    return float(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2


@pytest.mark.parametrize(
    ("points", "expected"),
    [
        ([(3, 4), (5, 11), (12, 8), (9, 5), (5, 6)], -30.0),
        ([(1, 6), (3, 1), (7, 2), (4, 4), (8, 5)], 16.5),
    ],
)
def test_shoelace_reproduces_its_textbook_examples(
    points: list[tuple[int, int]], expected: float
) -> None:
    """The two worked polygons of the encyclopaedia article on the shoelace formula."""
    assert shoelace(np.array(points, float)) == pytest.approx(expected)


def test_polygon_in_a_circle() -> None:
    """Worked: a 64-gon in a circle of 24 mm has 1806.651931 mm²."""
    turn = np.arange(64) * 2 * np.pi / 64
    polygon = 24.0 * np.column_stack([np.cos(turn), np.sin(turn)])
    assert shoelace(polygon) == pytest.approx(1806.651931, abs=1e-6)


def test_area_by_polygon_against_the_integral_of_the_profile() -> None:
    """Two routes, one answer: the outlines as a polygon, and our sum over radii."""
    scene = Scene(recession_mm=3.0)
    rho = np.arange(24.0, 50.0, 0.02)
    before = np.radians(phantom.outline_deg(Scene(), rho))
    after = np.radians(phantom.outline_deg(scene, rho))
    across = np.linspace(after[0], before[0], 100)

    def points(radius: Floats, theta: Floats) -> Floats:
        return np.asarray(radius * np.stack([np.sin(theta), np.cos(theta)])).T

    ring = np.concatenate(
        [points(rho, before), points(rho, after)[::-1], points(np.full(100, rho[0]), across)]
    )
    assert area(rho, before - after) == pytest.approx(abs(shoelace(ring)), rel=3e-3)


# --- arc, chord, depth ------------------------------------------------------------------------


def test_profile_depth_of_an_arc_is_its_chord() -> None:
    """Worked: 5 mm of arc at R = 24 mm is a chord of 4.990963 mm."""
    rho = np.array([24.0, 24.0 + 1e-9])
    profile = measure.depth_profile(rho, 24.0, 40.0, np.zeros(2), np.full(2, -5.0))
    assert profile.depth_mm[0] == pytest.approx(4.990963, abs=1e-6)
    assert profile.angle_deg[0] == pytest.approx(40.0)


# --- scale --------------------------------------------------------------------------------------


def test_spacing_at_the_hip_from_the_magnification() -> None:
    """Worked: SID 1000, object to image 300, imager pixel 0.225: M = 1.428571, 0.1575 mm/px.

    20 px at the hip are 3.15 mm, and would read 4.50 mm with the imager's own spacing.
    """
    magnification = 1000 / (1000 - 300)
    spacing = 0.225 / magnification
    assert magnification == pytest.approx(1.428571, abs=1e-6)
    result = prepared(Scale(mm_per_px=spacing))
    assert result.scale_from == "mm_per_px"
    assert result.mm_per_px == pytest.approx(0.1575, abs=1e-9)
    assert 20 * spacing == pytest.approx(3.15)


def test_spacing_from_a_ball() -> None:
    """Worked: a 25.4 mm ball that spans 161.3 px gives 0.157471 mm/px."""
    ball = Scale(object_diameter_mm=25.4, object_px=((400.0, 300.0), (561.3, 300.0)))
    result = prepared(ball)
    assert result.scale_from == "object_diameter_mm"
    assert result.mm_per_px == pytest.approx(0.157471, abs=1e-6)


def prepared(scale: Scale) -> ReferenceResult:
    still, truth = phantom.render(Scene(size_px=1024, mm_per_px=0.1575))
    setup = CaseSetup(
        "published",
        "right",
        "AP",
        scale,
        Plan(floor_lcea_deg=25, target_lcea_deg=33),
        phantom.marks(truth),
    )
    result = pipeline.prepare_reference(still, setup).result
    assert result.usable, result.reasons
    return result
