"""Registration and outline of one picture -> its removal, budgets, overlay."""

import math
from dataclasses import dataclass, replace

import numpy as np

from tracker import distortion, measure, outline, plan, uncertainty
from tracker.distortion import Rectification
from tracker.measurable import (
    Measurable,
    arc_point,
    arc_point_array,
    outline_points,
    point,
    reading,
    recorded,
    rim_depth,
    target_point,
)
from tracker.outline import RimPath
from tracker.settings import Settings
from tracker.values import (
    BeamDirection,
    Budget,
    BudgetRow,
    Floats,
    NotMeasurable,
    Overlay,
    Quantity,
    Radiograph,
    Reason,
    Registration,
    Removal,
)


@dataclass(frozen=True, eq=False, slots=True)
class Total:
    """One measured removal, for the running total."""

    raw_mm: float
    u_independent_mm: float
    u_shared_mm: float


def rim_path(
    picture: Radiograph, registration: Registration, known: Measurable, settings: Settings
) -> RimPath | NotMeasurable:
    """The outline on this picture, in the reference's frame of the rim."""
    nodes = known.frame.points_px
    there = registration.rim_to_moving(nodes.reshape(-1, 2), rim_depth(settings)).reshape(
        nodes.shape
    )
    edge = registration.rim_to_moving(
        np.array([arc_point(known, known.path.edge_arc_mm)]), rim_depth(settings)
    )[0]
    height, width = picture.field.valid.shape
    column, row = round(float(edge[0])), round(float(edge[1]))
    if not (0 <= column < width and 0 <= row < height and picture.field.valid[row, column]):
        return NotMeasurable(Reason.RIM_OUTSIDE)
    strip = outline.sample_strip(picture.attenuation, picture.valid, picture.noise_std, there)
    return outline.find_outline(
        strip,
        known.frame,
        settings,
        prior=measure.filled(known.path.arc_mm, known.frame.rho_mm),
        reference=known.path,
        gain=registration.gain,
    )


def removal(
    registration: Registration,
    path: RimPath,
    known: Measurable,
    totals: tuple[Total, ...],
    settings: Settings,
    *,
    rectification: Rectification | None = None,
) -> tuple[Removal, Total, plan.Remaining]:
    """Turn registration and outline of a picture into its numbers.

    Parameters
    ----------
    registration : Registration
    path : RimPath
        The outline, in the reference's frame of the rim.
    known : Measurable
        The reference.
    totals : tuple of Total
        Of the pictures measured before this one.
    settings : Settings
    rectification : Rectification, optional
        Of this picture, where it is another than the reference's.

    Returns
    -------
    removal : Removal
    total : Total
        This picture's, for the running total of later ones.
    remaining : plan.Remaining
    """
    frame, socket = known.frame, known.socket
    # What is drawn on this picture lies in its own recorded pixels.
    own_known = known if rectification is None else replace(known, rectification=rectification)
    up, lateral = np.array(socket.up_px), np.array(socket.lateral_px)
    theta = math.radians(frame.angle_deg(path.edge_arc_mm))
    # Along the arc, lateral positive; a turn of the beam moves the edge by z (oblique l - tilt u).
    tangent = math.cos(theta) * lateral - math.sin(theta) * up
    tilt, oblique = math.radians(registration.tilt_deg), math.radians(registration.oblique_deg)
    angle = float(tangent @ (oblique * lateral - tilt * up))
    u_registration = _u_at_edge(registration, known, tangent, path.edge_arc_mm, settings)
    value, recession_budget = measure.recession(
        reading(known.path),
        reading(path),
        u_registration_mm=u_registration,
        angle_rad=angle,
        agreement=registration.score,
        u_relative_scale=known.u_relative_scale,
        settings=settings,
    )
    recession = uncertainty.quantity(value, recession_budget)
    remaining = plan.remaining(
        known.setup.plan,
        reference_lcea_deg=known.lcea_deg,
        lcea_budget=known.lcea_budget,
        recession_mm=value,
        recession_budget=recession_budget,
        radius_mm=frame.radius_mm,
        radius_budget=_radius_budget(known),
        carried=known.setup.carried,
        carried_rows=_carried_rows(known),
    )
    shared = {measure.REFERENCE_OUTLINE, measure.SCALE}
    parts = [row.contribution for row in recession_budget.rows if row.source not in shared]
    common = [row.contribution for row in recession_budget.rows if row.source in shared]
    total = Total(value, math.hypot(*parts), math.hypot(*common))
    totals = (*totals, total)
    running = uncertainty.running_total(
        np.array([t.raw_mm for t in totals]),
        np.array([t.u_independent_mm for t in totals]),
        np.array([t.u_shared_mm for t in totals]),
    )
    own = settings.measure
    radial = math.cos(theta) * up + math.sin(theta) * lateral
    radial_angle = float(radial @ (oblique * lateral - tilt * up))
    u_radial = _u_at_edge(registration, known, radial, path.edge_arc_mm, settings)
    u_shape = own.u_shape_mm * max(0.0, 1 - registration.score)
    area, area_budget = measure.outline_area(
        frame.rho_mm,
        frame.radius_mm,
        known.path.arc_mm,
        path.arc_mm,
        from_rho_mm=socket.head.radius_px * known.mm_per_px + own.area_head_margin_mm,
        to_rho_mm=frame.radius_mm + own.area_to_mm,
        u_edge_mm=math.hypot(own.u_lip_mm, u_shape),
        u_along_mm=math.hypot(u_registration, own.u_rim_depth_mm * angle),
        u_radial_mm=math.hypot(u_radial, own.u_rim_depth_mm * radial_angle),
        u_relative_scale=known.u_relative_scale,
    )
    profile = measure.depth_profile(
        frame.rho_mm, frame.radius_mm, frame.edge_deg, known.path.arc_mm, path.arc_mm
    )
    angles = np.degrees(np.sqrt(np.diag(registration.covariance)[4:]))
    directions = np.array([registration.tilt_deg, registration.oblique_deg])
    u_angle = np.sqrt(angles**2 + own.u_beam_deg**2 + (own.u_beam_share * directions) ** 2)
    found = Removal(
        _to_reference(registration, known, own_known, path, settings),
        recession,
        running,
        remaining.lcea_deg,
        uncertainty.quantity(area, area_budget),
        remaining.to_plan_mm,
        remaining.to_limit_mm,
        BeamDirection(
            Quantity(registration.tilt_deg, float(u_angle[0]), "deg"),
            Quantity(registration.oblique_deg, float(u_angle[1]), "deg"),
        ),
        float(path.hidden.mean()),
        (recession_budget, *remaining.budgets, area_budget),
        _overlay(registration, path, own_known, settings),
        profile,
    )
    return found, total, remaining


def _radius_budget(known: Measurable) -> Budget:
    """R's own budget: a wrong scale makes it wrong by the same share, as it does every mm."""
    scale = BudgetRow(measure.SCALE, known.u_relative_scale, "1", known.frame.radius_mm)
    return Budget("radius", "mm", (scale,))


def _carried_rows(known: Measurable) -> Budget | None:
    """What was removed before this first picture, with the scale that it shares with the rest."""
    if known.setup.carried is None:
        return None
    return plan.carried_budget(
        known.setup.carried, BudgetRow(measure.SCALE, known.u_relative_scale, "1", 1.0)
    )


def _u_at_edge(
    registration: Registration,
    known: Measurable,
    direction: Floats,
    arc_mm: float,
    settings: Settings,
) -> float:
    """Registration's u at the edge, in a direction, in mm, without the depth of the edge."""
    from_centre = (arc_point_array(known, arc_mm) - known.socket.head.centre_px) * known.mm_per_px
    perpendicular = np.array([-from_centre[1], from_centre[0]])
    slope = np.array(
        [
            float(direction @ from_centre),
            float(direction @ perpendicular),
            float(direction[0]),
            float(direction[1]),
            0.0,
            0.0,
        ]
    )
    variance = float(slope @ registration.covariance @ slope)
    return math.hypot(math.sqrt(max(variance, 0.0)), settings.measure.u_registration_floor_mm)


def _to_reference(
    registration: Registration,
    known: Measurable,
    there_known: Measurable,
    path: RimPath,
    settings: Settings,
) -> Floats:
    """Affine from this picture to the reference for the bone of the edge, recorded pixels."""
    matrix = registration.rim_to_reference(rim_depth(settings))
    if known.rectification is None or there_known.rectification is None:
        return matrix
    # Distortion differs between the two places: linearise the whole way about the edge.
    edge = arc_point_array(known, path.edge_arc_mm)
    there = registration.rim_to_moving(edge[None], rim_depth(settings))
    at = distortion.to_recorded(there, there_known.rectification)[0]
    nodes = at + np.array([[0.0, 0.0], [8.0, 0.0], [0.0, 8.0]])
    ideal = distortion.to_ideal(nodes, there_known.rectification)
    back = distortion.to_recorded(ideal @ matrix[:, :2].T + matrix[:, 2], known.rectification)
    linear = np.column_stack([(back[1] - back[0]) / 8.0, (back[2] - back[0]) / 8.0])
    return np.column_stack([linear, back[0] - linear @ at])


def _overlay(
    registration: Registration, path: RimPath, known: Measurable, settings: Settings
) -> Overlay:
    depth = rim_depth(settings)

    def there(points: Floats) -> Floats:
        return recorded(known, registration.rim_to_moving(points, depth))

    plan_ = known.setup.plan
    target = plan_.target_lcea_deg
    if target is None and plan_.depth_mm is not None:
        carried = known.setup.carried
        left = plan_.depth_mm - (carried.removed_mm.value if carried else 0.0)
        target = known.lcea_deg - math.degrees(left / known.frame.radius_mm)
    return Overlay(
        there(outline_points(known, path.arc_mm)),
        there(outline_points(known, known.path.arc_mm)),
        point(there(arc_point_array(known, path.edge_arc_mm)[None])[0]),
        target_point(known, target, registration),
        target_point(known, plan_.floor_lcea_deg, registration),
        path.hidden[np.isfinite(path.arc_mm)][::-1].copy(),
    )
