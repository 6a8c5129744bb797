"""The sensitivity of every budget row against a numerical derivative of what it speaks of.

Each source of error is a variable of a model; the result is computed by the room's own function
on perturbed inputs (or from the geometry where the function gets the error already carried to
the edge), and its slope is compared with the row.  Rows without a model here fail the tests.
"""

import dataclasses
import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from tests.test_published import registration
from tracker import marks, measure, plan, removal
from tracker.settings import DEFAULTS
from tracker.uncertainty import numerical_sensitivity
from tracker.values import Budget, BudgetRow, Floats, Plan, Registration

RADIUS_MM = 26.4
EDGE_DEG = 44.0
FIRST = measure.EdgeReading(0.08, 0.05, 0.45, 2.0)
NOW = measure.EdgeReading(-2.1, 0.06, 0.40, 2.6)
U_SCALE = 0.011
AGREEMENT = 0.93
TILT_DEG, OBLIQUE_DEG = 1.4, -2.2
UP, LATERAL = (
    np.array([0.05, -1.0]) / math.hypot(0.05, 1.0),
    np.array([1.0, 0.05]) / math.hypot(0.05, 1.0),
)


def row(budget: Budget, source: str) -> BudgetRow:
    (found,) = (r for r in budget.rows if r.source == source)
    return found


def slope(f: Callable[[float], float], at: float = 0.0) -> float:
    return numerical_sensitivity(lambda x: f(float(x[0])), np.array([at]), 0)


# --- the angle of the first picture ------------------------------------------------------------


def lcea(reading: measure.EdgeReading = FIRST) -> tuple[float, Budget]:
    return measure.reference_lcea(
        EDGE_DEG, RADIUS_MM, reading, u_centre_mm=0.2, u_direction_deg=0.6
    )


def angle(*, centre_mm: float = 0.0, turned_deg: float = 0.0) -> float:
    """Wiberg's construction by the room that does it for marks, from perturbed marks."""
    value = math.radians(lcea()[0])
    turn = math.radians(turned_deg)
    horizontal = np.array([[0.0, 0.0], [math.cos(turn), -math.sin(turn)]])
    up, lateral = marks.axes(horizontal, "left")
    edge = RADIUS_MM * np.array([math.sin(value), -math.cos(value)])
    across = np.array([math.cos(value), math.sin(value)])
    centre = -centre_mm * across
    return marks.centre_edge_angle_deg(
        (float(centre[0]), float(centre[1])), (float(edge[0]), float(edge[1])), up, lateral
    )


LCEA_MODELS: dict[str, Callable[[float], float]] = {
    "centre": lambda e: angle(centre_mm=e),
    "head and socket not concentric": lambda e: angle(centre_mm=e),
    "direction": lambda e: angle(turned_deg=e),
    measure.REFERENCE_OUTLINE: lambda e: lcea(dataclasses.replace(FIRST, arc_mm=FIRST.arc_mm + e))[
        0
    ],
    "end of the lip": lambda e: lcea(dataclasses.replace(FIRST, foot_mm=FIRST.foot_mm + e))[0],
}


@pytest.mark.parametrize("source", [r.source for r in lcea()[1].rows])
def test_first_angle(source: str) -> None:
    """Each in degrees per unit of its source; small errors of the marks, exact to 1e-3."""
    assert row(lcea()[1], source).sensitivity == pytest.approx(slope(LCEA_MODELS[source]), rel=1e-3)


# --- the recession -----------------------------------------------------------------------------


def at_edge(**changes: Any) -> Registration:
    """A registration with the beam turned, centre at the origin, 1 mm a pixel."""
    plain = registration(1.03, 6.0, (12.0, -8.0))
    mark = dataclasses.replace(plain.landmark, up=UP, lateral=LATERAL)
    return dataclasses.replace(
        plain, landmark=mark, tilt_deg=TILT_DEG, oblique_deg=OBLIQUE_DEG, **changes
    )


def tangent(theta: float) -> Floats:
    return np.asarray(math.cos(theta) * LATERAL - math.sin(theta) * UP)


def edge_point(theta: float) -> Floats:
    return np.asarray(RADIUS_MM * (math.cos(theta) * UP + math.sin(theta) * LATERAL))


NOW_RAD = math.radians(EDGE_DEG) + NOW.arc_mm / RADIUS_MM
DEPTH_MM = 4.0


def recession_with(found: Registration, true: Registration) -> float:
    """Recession read when the pelvis lies as ``true`` and is taken to lie as ``found``."""
    there = true.rim_to_moving(edge_point(NOW_RAD)[None], DEPTH_MM)[0]
    back = found.rim_to_reference(DEPTH_MM)
    seen = back[:, :2] @ there + back[:, 2]
    theta = math.atan2(float(seen @ LATERAL), float(seen @ UP))
    return RADIUS_MM * (math.radians(EDGE_DEG) - theta) + FIRST.arc_mm


def recession() -> tuple[float, Budget]:
    direction = math.radians(OBLIQUE_DEG) * LATERAL - math.radians(TILT_DEG) * UP
    return measure.recession(
        FIRST,
        NOW,
        u_registration_mm=0.04,
        angle_rad=float(tangent(NOW_RAD) @ direction),
        agreement=AGREEMENT,
        u_relative_scale=U_SCALE,
    )


def shifted(mm: float) -> Registration:
    """The pelvis found further along the arc than it lies: bone there is taken for medial."""
    return at_edge(local_mm=mm * tangent(NOW_RAD))


def with_depth(mm: float) -> float:
    """The edge's bone lies this much nearer to the tube than it is taken to lie."""
    there = at_edge().rim_to_moving(edge_point(NOW_RAD)[None], DEPTH_MM + mm)[0]
    back = at_edge().rim_to_reference(DEPTH_MM)
    seen = back[:, :2] @ there + back[:, 2]
    return recession()[0] - float((seen - edge_point(NOW_RAD)) @ tangent(NOW_RAD))


def scaled(relative: float) -> float:
    """The angle between the edges is told by pixels; the scale only makes mm of it."""
    return recession()[0] * (1 + relative)


def read(first: float = 0.0, now: float = 0.0) -> float:
    return measure.recession(
        dataclasses.replace(FIRST, arc_mm=FIRST.arc_mm + first),
        dataclasses.replace(NOW, arc_mm=NOW.arc_mm + now),
        u_registration_mm=0.04,
        angle_rad=0.0,
        agreement=AGREEMENT,
        u_relative_scale=U_SCALE,
    )[0]


RECESSION_MODELS: dict[str, Callable[[float], float]] = {
    measure.REFERENCE_OUTLINE: lambda e: read(first=e),
    "outline of this picture": lambda e: read(now=e),
    "registration": lambda e: recession_with(at_edge(), shifted(e)),
    "depth of the edge": with_depth,
    measure.SCALE: scaled,
    # Both move the edge's crossing itself by what they are.
    "shape of the lip": lambda e: read(first=e),
}


@pytest.mark.parametrize("source", RECESSION_MODELS)
def test_recession(source: str) -> None:
    """Along the arc, mm per unit of the source; 1 % for the turn within the picture."""
    found, expected = row(recession()[1], source).sensitivity, slope(RECESSION_MODELS[source])
    if source == "depth of the edge":
        # The sign depends on which way the beam turned; only its size enters u.
        assert abs(found) == pytest.approx(abs(expected), rel=1e-2)
    else:
        assert found == pytest.approx(expected, rel=1e-2)


def test_recession_has_no_row_without_a_model() -> None:
    """What the fit left over is no input of the value: its row is a share of a length in mm."""
    shape = row(recession()[1], "shape of other bones")
    assert {r.source for r in recession()[1].rows} == {*RECESSION_MODELS, shape.source}
    assert shape.unit == "mm"
    assert shape.sensitivity == pytest.approx(1 - AGREEMENT)


@pytest.mark.parametrize("parameter", range(4))
def test_registration_at_the_edge(parameter: int) -> None:
    """Zoom, turn and shift of the fit, one at a time: u against the displacement.

    0.2 mm is what the depth of the edge itself moves it by in this view.
    """
    step = 1e-4
    covariance = np.zeros((6, 6))
    covariance[parameter, parameter] = step**2
    known: Any = _Known()  # only the geometry is asked for
    u = removal._u_at_edge(
        at_edge(covariance=covariance), known, tangent(NOW_RAD), NOW.arc_mm, DEFAULTS
    )
    floor = DEFAULTS.measure.u_registration_floor_mm
    moved = _perturbed(parameter, step)
    displaced = recession_with(at_edge(), moved) - recession_with(at_edge(), at_edge())
    assert math.sqrt(u**2 - floor**2) == pytest.approx(abs(displaced), rel=2e-2, abs=0.2 * step)


def _perturbed(parameter: int, step: float) -> Registration:
    """The registration with one parameter off, as the fit counts them: about the centre."""
    plain = at_edge()
    change = np.eye(2)
    offset = np.zeros(2)
    match parameter:
        case 0:
            change = change * math.exp(step)
        case 1:
            c, s = math.cos(step), math.sin(step)
            change = np.array([[c, -s], [s, c]])
        case _:
            offset[parameter - 2] = step
    matrix = plain.reference_to_moving
    linear = matrix[:, :2] @ change
    return at_edge(reference_to_moving=np.column_stack([linear, matrix[:, 2] + linear @ offset]))


@dataclasses.dataclass
class _Head:
    centre_px: tuple[float, float] = (0.0, 0.0)


@dataclasses.dataclass
class _Socket:
    head: _Head = dataclasses.field(default_factory=_Head)
    up_px: tuple[float, float] = (float(UP[0]), float(UP[1]))
    lateral_px: tuple[float, float] = (float(LATERAL[0]), float(LATERAL[1]))


@dataclasses.dataclass
class _Frame:
    radius_mm: float = RADIUS_MM

    def angle_deg(self, arc_mm: float) -> float:
        return EDGE_DEG + math.degrees(arc_mm / RADIUS_MM)


@dataclasses.dataclass
class _Known:
    """As much of a prepared reference as the geometry at the edge needs."""

    socket: _Socket = dataclasses.field(default_factory=_Socket)
    frame: _Frame = dataclasses.field(default_factory=_Frame)
    mm_per_px: float = 1.0


# --- the angle now and what remains ---------------------------------------------------------------

PLAN = Plan(floor_lcea_deg=25.0, target_lcea_deg=36.0)


def left(
    *, first: float = 0.0, now: float = 0.0, angle_deg: float = 0.0, scale: float = 0.0
) -> plan.Remaining:
    """What remains when the inputs are off by so much."""
    reading = dataclasses.replace(FIRST, arc_mm=FIRST.arc_mm + first)
    at_first, lcea_budget = measure.reference_lcea(
        EDGE_DEG + angle_deg, RADIUS_MM, reading, u_centre_mm=0.2, u_direction_deg=0.6
    )
    removed, recession_budget = measure.recession(
        reading,
        dataclasses.replace(NOW, arc_mm=NOW.arc_mm + now),
        u_registration_mm=0.04,
        angle_rad=0.02,
        agreement=AGREEMENT,
        u_relative_scale=U_SCALE,
    )
    return plan.remaining(
        PLAN,
        reference_lcea_deg=at_first,
        lcea_budget=lcea_budget,
        recession_mm=removed * (1 + scale),
        recession_budget=recession_budget,
        radius_mm=RADIUS_MM * (1 + scale),
        radius_budget=Budget("radius", "mm", (BudgetRow(measure.SCALE, U_SCALE, "1", RADIUS_MM),)),
    )


PER_MM = math.degrees(1 / RADIUS_MM)
LEFT_MODELS: dict[str, Callable[[float], plan.Remaining]] = {
    measure.REFERENCE_OUTLINE: lambda e: left(first=e),
    "outline of this picture": lambda e: left(now=e),
    "registration": lambda e: left(now=e),
    "shape of the lip": lambda e: left(first=e, angle_deg=-PER_MM * e),
    "centre": lambda e: left(angle_deg=PER_MM * e),
    "end of the lip": lambda e: left(angle_deg=PER_MM * e),
    "head and socket not concentric": lambda e: left(angle_deg=PER_MM * e),
    "direction": lambda e: left(angle_deg=e),
    measure.SCALE: lambda e: left(scale=e),
}


@pytest.mark.parametrize("source", LEFT_MODELS)
@pytest.mark.parametrize("result", ["angle now", "remaining"])
def test_angle_now_and_what_remains(result: str, source: str) -> None:
    """Signed where it cancels: the first outline is in the angle and in the recession."""
    index = 0 if result == "angle now" else 1

    def value(e: float) -> float:
        found = LEFT_MODELS[source](e)
        return found.lcea_deg.value if index == 0 else found.to_plan_mm.value

    found = row(left().budgets[index], source).sensitivity
    assert found == pytest.approx(slope(value), rel=1e-3, abs=1e-6)


def test_the_first_outline_cancels_in_what_remains() -> None:
    assert row(left().budgets[1], measure.REFERENCE_OUTLINE).contribution < 1e-12
    assert row(left().budgets[0], measure.REFERENCE_OUTLINE).contribution < 1e-12


def test_the_scale_hardly_matters_at_the_plan() -> None:
    """What remains goes with the scale: nothing left, nothing unsure from it."""
    rows = left().budgets[1]
    remains = left().to_plan_mm.value
    assert row(rows, measure.SCALE).sensitivity == pytest.approx(remains, rel=1e-6)


# --- the area -----------------------------------------------------------------------------------

RHO = np.arange(24.0, 36.4, 0.1)
BEFORE = -0.5 * np.maximum(RHO - RADIUS_MM, 0.0)
CUT = np.minimum(BEFORE, -2.0)


def area(
    edge_mm: float = 0.0, along_mm: float = 0.0, radial_mm: float = 0.0, scale: float = 0.0
) -> tuple[float, Budget]:
    grown = 1 + scale
    now = np.interp(RHO + radial_mm, RHO, CUT) - along_mm - np.where(CUT < BEFORE, edge_mm, 0.0)
    return measure.outline_area(
        RHO * grown,
        RADIUS_MM * grown,
        BEFORE * grown,
        now * grown,
        from_rho_mm=24.0 * grown,
        to_rho_mm=36.0 * grown,
        u_edge_mm=0.1,
        u_along_mm=0.1,
        u_radial_mm=0.1,
        u_relative_scale=U_SCALE,
    )


def test_area_with_the_scale() -> None:
    expected = slope(lambda e: area(scale=e)[0])
    assert row(area()[1], measure.SCALE).sensitivity == pytest.approx(expected, rel=1e-3)


def test_area_with_the_edge_where_it_changed() -> None:
    """The row takes length times shift; rows further out move a little more (rho / R): 10 %."""
    expected = slope(lambda e: area(edge_mm=e)[0])
    assert row(area()[1], "shape of the lip").sensitivity == pytest.approx(expected, rel=0.1)


def test_area_with_a_shift_along_the_arc() -> None:
    expected = slope(lambda e: area(along_mm=e)[0])
    found = row(area()[1], "registration").sensitivity
    assert found == pytest.approx(expected, rel=0.2)  # rho / R again, over the whole length


def test_area_with_a_shift_along_the_radius() -> None:
    expected = abs(slope(lambda e: area(radial_mm=e)[0]))
    found = row(area()[1], "registration, radial").sensitivity
    assert found == pytest.approx(expected, rel=0.3)  # and the rows at either end
