"""A pipeline that measures at once, for tests of the record, the service and the pages.

The numbers are read off the picture: its first pixel says how much is removed, in tenths of a
millimetre; 255 says that metal lies over the edge.  Outlines are arcs about a fixed centre, so
that drawings have something true to show.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from tracker import images
from tracker.settings import DEFAULTS, Settings
from tracker.values import (
    BeamDirection,
    Budget,
    BudgetRow,
    CaseSetup,
    DepthProfile,
    Floats,
    LimitMessage,
    Marks,
    Message,
    NotMeasurable,
    Overlay,
    Plan,
    Point,
    Quantity,
    Reason,
    ReferenceResult,
    Removal,
    Scale,
    Side,
    Still,
    StillResult,
)

CENTRE: Point = (200.0, 220.0)
RADIUS_PX = 90.0
EDGE_PX = 100.0
MM_PER_PX = 0.27
LCEA_DEG = 41.0
SIDE_PX = 384


@dataclass(frozen=True, eq=False)
class PreparedReference:
    result: ReferenceResult
    setup: CaseSetup


@dataclass(frozen=True, eq=False)
class CaseState:
    reference: PreparedReference
    results: tuple[StillResult, ...] = ()


def setup(case_id: str = "p1", side: Side = "left", marks: Marks | None = None) -> CaseSetup:
    plan = Plan(floor_lcea_deg=25.0, target_lcea_deg=33.0, max_depth_mm=6.0)
    return CaseSetup(case_id, side, "AP", Scale(head_diameter_mm=48.6), plan, marks=marks)


def png(tenths_mm: int, noise: int = 0, side_px: int = SIDE_PX) -> bytes:
    """A picture on which ``tenths_mm`` is removed; ``noise`` makes another exposure of it."""
    y, x = np.mgrid[:side_px, :side_px]
    bone = np.hypot(x - CENTRE[0], y - CENTRE[1]) / side_px
    grey = np.clip(40 + 300 * bone, 0, 250).astype(np.uint8)
    grey[0, 0] = tenths_mm
    grey[0, 1] = noise
    return images.encode_png(grey)


def marks(shift_px: float = 0.0) -> Marks:
    turns = np.radians([-120.0, -60.0, 0.0, 60.0, 120.0])
    head = np.array(CENTRE) + RADIUS_PX * np.column_stack([np.cos(turns), np.sin(turns)])
    edge = point_at(LCEA_DEG)
    return Marks(
        head_px=head + shift_px,
        rim_edge_px=edge,
        horizontal_px=np.array([[60.0, 300.0], [340.0, 300.0]]),
        source="proposed",
        u_px=2.0,
        u_horizontal_deg=0.6,
    )


def point_at(lcea_deg: float, radius_px: float = EDGE_PX) -> Point:
    turn = math.radians(lcea_deg)
    return CENTRE[0] + radius_px * math.sin(turn), CENTRE[1] - radius_px * math.cos(turn)


def outline(lcea_deg: float) -> Floats:
    wall = [point_at(lcea_deg - rise / 9, EDGE_PX + rise) for rise in range(60, 0, -2)]
    roof = [point_at(turn, EDGE_PX) for turn in np.arange(lcea_deg, -10.0, -2.0)]
    return np.array(wall + roof)


def propose_marks(still: Still, side: Side, settings: Settings = DEFAULTS) -> Marks | NotMeasurable:
    if first_pixel(still) == 254:
        return NotMeasurable(Reason.NO_ANATOMY)
    return marks()


def prepare_reference(
    still: Still,
    setup: CaseSetup,
    settings: Settings = DEFAULTS,
    *,
    plate: Still | None = None,
    object_still: Still | None = None,
) -> PreparedReference:
    given = setup.marks or marks()
    if first_pixel(still) == 253:
        reasons = (NotMeasurable(Reason.MARKS_UNUSABLE),)
        return PreparedReference(ReferenceResult(still.name, given.source, reasons), setup)
    line = outline(LCEA_DEG)
    result = ReferenceResult(
        file=still.name,
        marks=given.source,
        centre_px=CENTRE,
        head_radius_px=RADIUS_PX,
        rim_edge_px=point_at(LCEA_DEG),
        up_px=(0.0, -1.0),
        mm_per_px=MM_PER_PX,
        scale_from="head_diameter_mm",
        lcea_deg=Quantity(LCEA_DEG, 1.1, "deg"),
        overlay=Overlay(
            line,
            line,
            point_at(LCEA_DEG),
            point_at(setup.plan.target_lcea_deg or 33.0),
            None if setup.plan.floor_lcea_deg is None else point_at(setup.plan.floor_lcea_deg),
            np.zeros(len(line), np.bool_),
        ),
    )
    return PreparedReference(result, setup)


def open_case(reference: PreparedReference) -> CaseState:
    return CaseState(reference)


def measure_still(
    still: Still, state: CaseState, settings: Settings = DEFAULTS
) -> tuple[StillResult, CaseState]:
    result = _measure(still, state)
    return result, replace(state, results=(*state.results, result))


def beside(before: CaseState, after: CaseState) -> CaseState:
    return before


def _measure(still: Still, state: CaseState) -> StillResult:
    def refused(reason: Reason) -> StillResult:
        return StillResult(still.name, still.sha256, "refused", (NotMeasurable(reason),), 0.0)

    tenths = first_pixel(still)
    if state.reference.result.reasons:
        return refused(Reason.REFERENCE_UNUSABLE)
    if tenths == 255:
        return refused(Reason.RIM_HIDDEN)
    if tenths == 252:
        return refused(Reason.VIEW_CHANGED)
    removed = Quantity(tenths / 10, 0.2, "mm")
    per_mm = math.degrees(1 / (EDGE_PX * MM_PER_PX))
    lcea = LCEA_DEG - removed.value * per_mm
    plan = state.reference.setup.plan
    carried = state.reference.setup.carried
    if plan.depth_mm is None:
        left = Quantity((lcea - (plan.target_lcea_deg or 33.0)) / per_mm, 0.25, "mm")
    else:
        before = carried.removed_mm.value if carried else 0.0
        left = Quantity(plan.depth_mm - before - removed.value, 0.25, "mm")
    floor = plan.floor_lcea_deg
    to_floor = None if floor is None else Quantity((lcea - floor) / per_mm, 0.25, "mm")
    line = outline(lcea)
    hidden = np.zeros(len(line), np.bool_)
    hidden[:6] = True
    turns = np.linspace(0, 60, 31)
    depth = removed.value * np.exp(-(((turns - 38) / 16) ** 2))
    rows = (
        BudgetRow("outline", 0.12, "mm", 1.0, "noise and contrast at the edge"),
        BudgetRow("registration", 0.16, "mm", -1.0),
    )
    message: Message = "may be at the plan"
    is_most = carried is not None and not carried.whole and plan.depth_mm is not None
    if left.low > 0 and not is_most:
        message = "more to go"
    elif left.high < 0:
        message = "past the plan"
    removal = Removal(
        to_reference=np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]),
        recession_mm=removed,
        running_mm=Quantity(max(removed.value, 0.0), 0.15, "mm"),
        lcea_deg=Quantity(lcea, 1.2, "deg"),
        area_mm2=Quantity(12.0 * removed.value + 0.1, 3.0, "mm2"),
        remaining_mm=left,
        to_floor_mm=to_floor,
        beam=BeamDirection(Quantity(0.4, 0.3, "deg"), Quantity(-1.1, 0.4, "deg")),
        hidden_share=6 / len(line),
        budgets=(Budget("recession_mm", "mm", rows),),
        overlay=Overlay(
            line,
            outline(LCEA_DEG),
            point_at(lcea),
            point_at(plan.target_lcea_deg or 33.0),
            None if floor is None else point_at(floor),
            hidden,
        ),
        profile=DepthProfile(turns, depth),
    )
    limits: tuple[LimitMessage, ...] = ()
    if floor is not None and lcea - 2.4 <= floor:
        limits = (*limits, "lower limit reached")
    if plan.max_depth_mm is not None and removed.high >= plan.max_depth_mm:
        limits = (*limits, "greatest depth reached")
    return StillResult(still.name, still.sha256, "measured", (), 0.0, removal, message, limits)


def first_pixel(still: Still) -> int:
    return round(float(still.grey[0, 0]) * 255)
