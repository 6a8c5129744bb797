"""The only place where steps meet: a reference prepared once, then one still after another.

Reading order: :func:`prepare_reference`, :func:`measure_still`.  Nothing here reads a file, a
clock or a random number; the state that one picture leaves for the next is a value.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from tracker import (
    anatomy,
    distortion,
    duplicate,
    field,
    marks,
    measure,
    outline,
    pelvis,
    plan,
    propose,
    register,
    template,
    uncertainty,
    verdict,
)
from tracker.distortion import Rectification
from tracker.duplicate import Fingerprint
from tracker.outline import RimFrame, RimPath
from tracker.settings import DEFAULTS, Settings
from tracker.values import (
    BeamDirection,
    Budget,
    CaseSetup,
    ExposedField,
    Floats,
    Landmark,
    Marks,
    MarksSource,
    NotMeasurable,
    Overlay,
    Point,
    Quantity,
    Radiograph,
    Reason,
    ReferenceResult,
    Registration,
    Removal,
    ScaleRung,
    Side,
    Socket,
    Still,
    StillResult,
)


@dataclass(frozen=True, eq=False, slots=True)
class Measurable:
    """Everything of a usable reference that later pictures are compared with."""

    setup: CaseSetup
    rectification: Rectification | None
    socket: Socket
    mm_per_px: float
    u_relative_scale: float
    template: template.Template
    frame: RimFrame
    path: RimPath
    lcea_deg: float
    lcea_budget: Budget
    fingerprint: Fingerprint


@dataclass(frozen=True, eq=False, slots=True)
class PreparedReference:
    """The first picture: its published result, and what is needed to compare with it."""

    result: ReferenceResult
    measurable: Measurable | None


@dataclass(frozen=True, eq=False, slots=True)
class Total:
    """One measured removal, for the running total."""

    raw_mm: float
    u_independent_mm: float
    u_shared_mm: float


@dataclass(frozen=True, eq=False, slots=True)
class CaseState:
    """What the pictures so far leave for the next one."""

    reference: PreparedReference
    results: tuple[StillResult, ...] = ()
    fingerprints: tuple[Fingerprint, ...] = ()
    totals: tuple[Total, ...] = ()
    registration: Registration | None = None


def propose_marks(
    still: Still, side: Side, settings: Settings = DEFAULTS
) -> Marks | NotMeasurable:
    """Propose marks on a first picture, in its recorded pixels.

    Returns
    -------
    Marks or NotMeasurable
    """
    picture = _radiograph(still, settings)
    if isinstance(picture, NotMeasurable):
        return picture
    return propose.propose(picture, side)


def prepare_reference(
    still: Still,
    setup: CaseSetup,
    settings: Settings = DEFAULTS,
    *,
    plate: Still | None = None,
    object_still: Still | None = None,
) -> PreparedReference:
    """Prepare the first picture of a case.

    Parameters
    ----------
    still : Still
        No traction, nothing over the rim.
    setup : CaseSetup
    settings : Settings
    plate : Still, optional
        The bead-plate picture named in ``setup.plate``.
    object_still : Still, optional
        The picture that shows the object of known size, where it is not the first one.

    Returns
    -------
    PreparedReference
        Its result carries reasons, and nothing can be measured, when the picture can't be used.
    """
    prepared = _measurable(still, setup, settings, plate, object_still)
    if isinstance(prepared, NotMeasurable):
        return PreparedReference(ReferenceResult(still.name, _marks_from(setup), (prepared,)), None)
    return PreparedReference(_reference_result(still, prepared, settings), prepared)


def open_case(reference: PreparedReference) -> CaseState:
    """Begin a case with its prepared reference."""
    known = () if reference.measurable is None else (reference.measurable.fingerprint,)
    return CaseState(reference, fingerprints=known)


def measure_still(
    still: Still, state: CaseState, settings: Settings = DEFAULTS
) -> tuple[StillResult, CaseState]:
    """Judge and measure the next picture of a case.

    Parameters
    ----------
    still : Still
        Any turn, shift, zoom and polarity.
    state : CaseState
    settings : Settings

    Returns
    -------
    result : StillResult
        ``elapsed_ms`` is 0: the caller has the clock.
    state : CaseState
        With this picture taken in; a refused picture changes no total.
    """
    known = state.reference.measurable
    if known is None:
        return _refused(still, state, NotMeasurable(Reason.REFERENCE_UNUSABLE))
    exposed = field.expose(still, settings)
    if isinstance(exposed, NotMeasurable):
        return _refused(still, state, exposed)
    print_ = duplicate.fingerprint(still, exposed, settings)
    for earlier in state.fingerprints:
        if duplicate.same_exposure(print_, earlier, settings):
            return _refused(
                still,
                state,
                NotMeasurable(Reason.DUPLICATE, f"This is the same picture as {earlier.name}."),
            )
    state = replace(state, fingerprints=(*state.fingerprints, print_))
    picture = _radiograph(still, settings, known.rectification, exposed)
    if isinstance(picture, NotMeasurable):
        return _refused(still, state, picture)
    registration = register.register(
        known.template, picture, settings, earlier=state.registration
    )
    if isinstance(registration, NotMeasurable):
        return _refused(still, state, registration)
    reasons = verdict.judge_registration(registration, settings)
    if reasons:
        return _refused(still, state, *reasons)
    path = _outline(picture, registration, known, settings)
    if isinstance(path, NotMeasurable):
        return _refused(still, state, path)
    removal, total, remaining = _removal(registration, path, known, state, settings)
    reasons = verdict.judge_number(removal.recession_mm, registration, settings)
    if reasons:
        return _refused(still, state, *reasons)
    result = StillResult(
        still.name,
        still.sha256,
        "measured",
        (),
        0.0,
        removal,
        remaining.message,
        remaining.limits,
        _notes(removal, state),
    )
    after = replace(
        state,
        results=(*state.results, result),
        totals=(*state.totals, total),
        registration=registration,
    )
    return result, after


# --- the reference -----------------------------------------------------------------------


def _radiograph(
    still: Still,
    settings: Settings,
    rectification: Rectification | None = None,
    exposed: ExposedField | None = None,
) -> Radiograph | NotMeasurable:
    """The undistorted picture's attenuation; ``exposed`` is that of the still as recorded."""
    if rectification is not None:
        still, exposed = distortion.rectify(still, rectification), None
    known = field.expose(still, settings) if exposed is None else exposed
    if isinstance(known, NotMeasurable):
        return known
    return field.radiograph(still, known, settings)


def _measurable(
    still: Still,
    setup: CaseSetup,
    settings: Settings,
    plate: Still | None,
    object_still: Still | None,
) -> Measurable | NotMeasurable:
    """Everything that later pictures need, or the reason why it can't be had."""
    rectification = None
    if plate is not None:
        found = distortion.find_rectification(plate, settings)
        if isinstance(found, NotMeasurable):
            return found
        if plate.grey.shape != still.grey.shape:
            return NotMeasurable(
                Reason.GRID_UNUSABLE, "The bead-plate picture is not of the pictures' size."
            )
        rectification = found
    exposed = field.expose(still, settings)
    if isinstance(exposed, NotMeasurable):
        return exposed
    picture = _radiograph(still, settings, rectification, exposed)
    if isinstance(picture, NotMeasurable):
        return picture
    if setup.marks is None:
        given: Marks | NotMeasurable = propose.propose(picture, setup.side)
    else:
        given = _scaled_marks(setup.marks, still, rectification)
    if isinstance(given, NotMeasurable):
        return given
    socket = marks.socket_from_marks(given, setup.side)
    if isinstance(socket, NotMeasurable):
        return socket
    socket = replace(socket, head=marks.refine_head(picture, socket))
    scale = _scale(setup, socket, object_still is not None, rectification)
    if isinstance(scale, NotMeasurable):
        return scale
    mm_per_px, u_relative, _ = scale
    centre, up, lateral = socket.head.centre_px, np.array(socket.up_px), np.array(socket.lateral_px)
    offset = np.array(socket.rim_edge_px) - centre
    radius_mm = float(np.hypot(*offset)) * mm_per_px
    edge_deg = math.degrees(math.atan2(float(offset @ lateral), float(offset @ up)))

    projection = pelvis.project(
        pelvis.load_generic_pelvis(),
        setup.side,
        centre_px=centre,
        mm_per_px=mm_per_px,
        up_px=socket.up_px,
        shape=still.grey.shape,
        step_px=settings.anatomy.step_mm / mm_per_px,
        scale_to_radius_mm=socket.head.radius_px * mm_per_px,
    )
    weight, depth, steady = anatomy.registration_maps(
        picture,
        projection,
        centre_px=centre,
        head_radius_px=socket.head.radius_px,
        rim_edge_px=socket.rim_edge_px,
        up=up,
        lateral=lateral,
        mm_per_px=mm_per_px,
        settings=settings,
    )
    landmark = Landmark(centre, up, lateral, socket.rim_edge_px, mm_per_px, weight, depth, steady)
    prepared = template.prepare_template(picture, landmark, settings)
    if isinstance(prepared, NotMeasurable):
        return prepared
    frame = outline.rim_frame(centre, up, lateral, mm_per_px, radius_mm, edge_deg, settings)
    strip = outline.sample_strip(
        picture.attenuation, picture.valid, picture.noise_std, frame.points_px
    )
    path = outline.find_outline(strip, frame, settings)
    if isinstance(path, NotMeasurable):
        return path
    # Again from its own path, so that the soft tissue is taken from the same places beside the
    # outline as on every later picture.
    prior = measure.filled(path.arc_mm, frame.rho_mm)
    path = outline.find_outline(strip, frame, settings, prior=prior)
    if isinstance(path, NotMeasurable):
        return path
    across = np.array([offset[1], -offset[0]]) / np.hypot(*offset)
    u_centre_px = math.sqrt(
        max(float(across @ socket.head.covariance_px2[:2, :2] @ across), 1e-6)
    )
    lcea, budget = measure.reference_lcea(
        edge_deg,
        radius_mm,
        _reading(path),
        u_centre_mm=u_centre_px * mm_per_px,
        u_direction_deg=socket.u_up_deg,
        settings=settings,
    )
    return Measurable(
        setup,
        rectification,
        socket,
        mm_per_px,
        u_relative,
        prepared,
        frame,
        path,
        lcea,
        budget,
        duplicate.fingerprint(still, exposed, settings),
    )


def _scaled_marks(given: Marks, still: Still, rectification: Rectification | None) -> Marks:
    """Given marks on the undistorted picture, with the scatter that clicks have at its size."""
    factor = max(still.grey.shape) / 1024
    head, horizontal = given.head_px, given.horizontal_px
    edge = np.array([given.rim_edge_px])
    if rectification is not None:
        head = distortion.to_ideal(head, rectification)
        edge = distortion.to_ideal(edge, rectification)
        horizontal = distortion.to_ideal(horizontal, rectification)
    return Marks(
        np.array(head),
        (float(edge[0, 0]), float(edge[0, 1])),
        np.array(horizontal),
        given.source,
        given.u_px * factor,
        given.u_horizontal_deg * factor,
    )


def _scale(
    setup: CaseSetup,
    socket: Socket,
    object_elsewhere: bool,
    rectification: Rectification | None,
) -> tuple[float, float, ScaleRung] | NotMeasurable:
    """mm per pixel, its relative u, and the rung of the ladder it came from."""
    own, given = DEFAULTS.measure, setup.scale
    if given.mm_per_px is not None:
        return given.mm_per_px, own.u_given_scale, "mm_per_px"
    if given.object_diameter_mm is not None and given.object_px is not None:
        ends = np.array(given.object_px, float)
        if rectification is not None:
            ends = distortion.to_ideal(ends, rectification)
        length = float(np.hypot(*(ends[1] - ends[0])))
        if length < 5:
            return NotMeasurable(Reason.SCALE_UNUSABLE, "The object's ends lie too close together.")
        u_px = math.sqrt(2.0) * 2.0 / length
        # An object that is not at the depth of the rim is magnified differently.
        u_depth = 0.02 if object_elsewhere else 0.015
        u = math.hypot(u_px, u_depth, own.u_object_mm / given.object_diameter_mm)
        return given.object_diameter_mm / length, u, "object_diameter_mm"
    if given.head_diameter_mm is not None:
        diameter = 2 * socket.head.radius_px
        u = math.hypot(
            socket.head.u_radius_px / socket.head.radius_px,
            own.u_head_diameter_mm / given.head_diameter_mm,
        )
        return given.head_diameter_mm / diameter, u, "head_diameter_mm"
    return NotMeasurable(Reason.SCALE_UNUSABLE)


def _marks_from(setup: CaseSetup) -> MarksSource:
    return "proposed" if setup.marks is None else "given"


def _reading(path: RimPath) -> measure.EdgeReading:
    return measure.EdgeReading(path.edge_arc_mm, path.u_edge_mm, path.foot_mm)


def _reference_result(still: Still, known: Measurable, settings: Settings) -> ReferenceResult:
    scale = _scale(known.setup, known.socket, False, known.rectification)
    assert not isinstance(scale, NotMeasurable)
    lcea = uncertainty.quantity(known.lcea_deg, known.lcea_budget)
    points = _outline_points(known, known.path.arc_mm)
    edge = _arc_point(known, known.path.edge_arc_mm + known.path.foot_mm)
    radius_mm = known.frame.radius_mm
    planned = plan.check_plan(known.setup.plan, lcea, radius_mm)
    recorded = _recorded(known, np.array([known.socket.head.centre_px, edge]))
    up = _recorded(
        known,
        np.array(known.socket.head.centre_px)
        + np.outer([0.0, 40.0], np.array(known.socket.up_px)),
    )
    direction = up[1] - up[0]
    direction = direction / np.hypot(*direction)
    return ReferenceResult(
        still.name,
        _marks_from(known.setup),
        (),
        _point(recorded[0]),
        known.socket.head.radius_px,
        _point(recorded[1]),
        _point(direction),
        known.mm_per_px,
        scale[2],
        lcea,
        known.lcea_budget,
        Overlay(
            _recorded(known, points),
            _recorded(known, points),
            _point(recorded[1]),
            _target_point(known, known.setup.plan.target_lcea_deg, None),
            _target_point(known, known.setup.plan.floor_lcea_deg, None),
            known.path.hidden[np.isfinite(known.path.arc_mm)],
        ),
        tuple(note.text for note in planned),
    )


# --- one picture -------------------------------------------------------------------------


def _refused(
    still: Still, state: CaseState, *reasons: NotMeasurable
) -> tuple[StillResult, CaseState]:
    result = StillResult(still.name, still.sha256, "refused", reasons, 0.0)
    return result, replace(state, results=(*state.results, result))


def _rim_depth(settings: Settings) -> float:
    return settings.anatomy.rim_depth_of_edge_mm


def _outline(
    picture: Radiograph, registration: Registration, known: Measurable, settings: Settings
) -> RimPath | NotMeasurable:
    """The outline on this picture, in the reference's frame of the rim."""
    nodes = known.frame.points_px
    there = registration.rim_to_moving(nodes.reshape(-1, 2), _rim_depth(settings)).reshape(nodes.shape)
    edge = registration.rim_to_moving(
        np.array([_arc_point(known, known.path.edge_arc_mm)]), _rim_depth(settings)
    )[0]
    height, width = picture.field.valid.shape
    column, row = round(float(edge[0])), round(float(edge[1]))
    if not (0 <= column < width and 0 <= row < height and picture.field.valid[row, column]):
        return NotMeasurable(Reason.RIM_OUTSIDE)
    strip = outline.sample_strip(
        picture.attenuation, picture.valid, picture.noise_std, there
    )
    return outline.find_outline(
        strip,
        known.frame,
        settings,
        prior=measure.filled(known.path.arc_mm, known.frame.rho_mm),
        level=known.path.contrast * registration.gain,
    )


def _removal(
    registration: Registration,
    path: RimPath,
    known: Measurable,
    state: CaseState,
    settings: Settings,
) -> tuple[Removal, Total, plan.Remaining]:
    frame, socket = known.frame, known.socket
    up, lateral = np.array(socket.up_px), np.array(socket.lateral_px)
    theta = math.radians(frame.angle_deg(path.edge_arc_mm))
    # Along the arc, lateral positive; a turn of the beam moves the edge by z (oblique l - tilt u).
    tangent = math.cos(theta) * lateral - math.sin(theta) * up
    tilt, oblique = math.radians(registration.tilt_deg), math.radians(registration.oblique_deg)
    angle = float(tangent @ (oblique * lateral - tilt * up))
    u_registration = _u_at_edge(registration, known, tangent, path.edge_arc_mm, settings)
    value, recession_budget = measure.recession(
        _reading(known.path),
        _reading(path),
        u_registration_mm=u_registration,
        angle_rad=angle,
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
        radius_budget=None,
    )
    shared = {measure.REFERENCE_OUTLINE, measure.SCALE}
    parts = [row.contribution for row in recession_budget.rows if row.source not in shared]
    common = [row.contribution for row in recession_budget.rows if row.source in shared]
    total = Total(value, math.hypot(*parts), math.hypot(*common))
    totals = (*state.totals, total)
    running = uncertainty.running_total(
        np.array([t.raw_mm for t in totals]),
        np.array([t.u_independent_mm for t in totals]),
        np.array([t.u_shared_mm for t in totals]),
    )
    own = settings.measure
    area, area_budget = measure.outline_area(
        frame.rho_mm,
        frame.radius_mm,
        known.path.arc_mm,
        path.arc_mm,
        from_rho_mm=socket.head.radius_px * known.mm_per_px + own.area_head_margin_mm,
        to_rho_mm=frame.radius_mm + own.area_to_mm,
        u_shift_mm=math.hypot(u_registration, own.u_lip_mm),
        u_relative_scale=known.u_relative_scale,
    )
    profile = measure.depth_profile(
        frame.rho_mm, frame.radius_mm, frame.edge_deg, known.path.arc_mm, path.arc_mm
    )
    angles = np.degrees(np.sqrt(np.diag(registration.covariance)[4:]))
    u_angle = np.hypot(angles, own.u_beam_deg)
    removal = Removal(
        _to_reference(registration, known, path, settings),
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
        _overlay(registration, path, known, settings),
        profile,
    )
    return removal, total, remaining


def _u_at_edge(
    registration: Registration, known: Measurable, tangent: Floats, arc_mm: float, settings: Settings
) -> float:
    """Registration's u at the edge, along the arc, in mm, without the depth of the edge."""
    from_centre = (_arc_point_array(known, arc_mm) - known.socket.head.centre_px) * known.mm_per_px
    perpendicular = np.array([-from_centre[1], from_centre[0]])
    slope = np.array(
        [
            float(tangent @ from_centre),
            float(tangent @ perpendicular),
            float(tangent[0]),
            float(tangent[1]),
            0.0,
            0.0,
        ]
    )
    variance = float(slope @ registration.covariance @ slope)
    return math.hypot(math.sqrt(max(variance, 0.0)), settings.measure.u_registration_floor_mm)


def _to_reference(
    registration: Registration, known: Measurable, path: RimPath, settings: Settings
) -> Floats:
    """Affine from this picture to the reference for the bone of the edge, recorded pixels."""
    matrix = registration.rim_to_reference(_rim_depth(settings))
    if known.rectification is None:
        return matrix
    # Distortion differs between the two places: linearise the whole way about the edge.
    edge = _arc_point_array(known, path.edge_arc_mm)
    there = registration.rim_to_moving(edge[None], _rim_depth(settings))
    at = distortion.to_recorded(there, known.rectification)[0]
    nodes = at + np.array([[0.0, 0.0], [8.0, 0.0], [0.0, 8.0]])
    ideal = distortion.to_ideal(nodes, known.rectification)
    back = distortion.to_recorded(
        ideal @ matrix[:, :2].T + matrix[:, 2], known.rectification
    )
    linear = np.column_stack([(back[1] - back[0]) / 8.0, (back[2] - back[0]) / 8.0])
    return np.column_stack([linear, back[0] - linear @ at])


def _notes(removal: Removal, state: CaseState) -> tuple[str, ...]:
    """Remarks on a measured picture."""
    notes = []
    measured = [result.removal for result in state.results if result.removal is not None]
    if not measured:
        low, high = removal.recession_mm.low, removal.recession_mm.high
        if not low <= 0 <= high:
            notes.append("The first compared picture does not read 0: no zero picture was taken.")
    else:
        last = measured[-1].recession_mm
        fall = last.value - removal.recession_mm.value
        if fall > 2 * math.hypot(last.u, removal.recession_mm.u):
            notes.append(
                f"It reads {fall:.1f} mm less removed than the picture before: a fault of pose."
            )
    if removal.hidden_share > 0.05:
        notes.append(f"{100 * removal.hidden_share:.0f} % of the outline is hidden.")
    return tuple(notes)


# --- geometry of overlays ----------------------------------------------------------------


def _point(xy: Floats) -> Point:
    return float(xy[0]), float(xy[1])


def _arc_point_array(known: Measurable, arc_mm: float) -> Floats:
    theta = math.radians(known.frame.angle_deg(arc_mm))
    along = math.cos(theta) * np.array(known.socket.up_px)
    along = along + math.sin(theta) * np.array(known.socket.lateral_px)
    result: Floats = np.array(known.socket.head.centre_px) + (
        known.frame.radius_mm / known.mm_per_px * along
    )
    return result


def _arc_point(known: Measurable, arc_mm: float) -> Point:
    """Point of the circle of radius R at an arc position, reference pixels."""
    return _point(_arc_point_array(known, arc_mm))


def _outline_points(known: Measurable, arc_mm: Floats) -> Floats:
    """Outline in reference pixels, outer wall first: shape (N, 2); unknown rows left out."""
    finite = np.isfinite(arc_mm)
    theta = math.radians(known.frame.edge_deg) + arc_mm[finite] / known.frame.radius_mm
    rho = known.frame.rho_mm[finite] / known.mm_per_px
    along = np.outer(np.cos(theta), known.socket.up_px) + np.outer(
        np.sin(theta), known.socket.lateral_px
    )
    points: Floats = np.array(known.socket.head.centre_px) + rho[:, None] * along
    return points[::-1]


def _recorded(known: Measurable, points_px: Floats) -> Floats:
    """From undistorted to recorded pixels."""
    if known.rectification is None:
        return points_px
    return distortion.to_recorded(points_px, known.rectification)


def _target_point(
    known: Measurable, angle_deg: float | None, registration: Registration | None
) -> Point | None:
    """Where the edge would lie at an angle, on the reference or on a registered picture."""
    if angle_deg is None:
        return None
    # The angle speaks of the bone's end; the outline drawn is the level followed.
    arc = math.radians(angle_deg - known.frame.edge_deg) * known.frame.radius_mm
    point = _arc_point_array(known, arc - known.path.foot_mm)[None]
    if registration is not None:
        point = registration.rim_to_moving(point, _rim_depth(DEFAULTS))
    return _point(_recorded(known, point)[0])


def _overlay(
    registration: Registration, path: RimPath, known: Measurable, settings: Settings
) -> Overlay:
    depth = _rim_depth(settings)

    def there(points: Floats) -> Floats:
        return _recorded(known, registration.rim_to_moving(points, depth))

    plan_ = known.setup.plan
    target = plan_.target_lcea_deg
    if target is None and plan_.depth_mm is not None:
        target = known.lcea_deg - math.degrees(plan_.depth_mm / known.frame.radius_mm)
    return Overlay(
        there(_outline_points(known, path.arc_mm)),
        there(_outline_points(known, known.path.arc_mm)),
        _point(there(_arc_point_array(known, path.edge_arc_mm)[None])[0]),
        _target_point(known, target, registration),
        _target_point(known, plan_.floor_lcea_deg, registration),
        path.hidden[np.isfinite(path.arc_mm)][::-1].copy(),
    )
