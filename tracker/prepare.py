"""The first picture of a case -> everything later pictures are compared with.

Field and polarity, marks given or proposed, scale, the generic pelvis laid on, the template of
the registration, the rim's frame and its outline - or the reason why it can't be used.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from tracker import (
    anatomy,
    crosscheck,
    distortion,
    duplicate,
    field,
    marks,
    measure,
    outline,
    pelvis,
    plan,
    plates,
    propose,
    register,
    rimpatch,
    scaling,
    search,
    squaring,
    template,
    uncertainty,
    verdict,
)
from tracker.distortion import Rectification
from tracker.measurable import (
    Measurable,
    arc_point,
    outline_points,
    point,
    reading,
    recorded,
    target_point,
)
from tracker.plates import Plate
from tracker.scaling import ObjectPicture
from tracker.settings import DEFAULTS, Settings
from tracker.values import (
    CaseSetup,
    ExposedField,
    HeaderFacts,
    Landmark,
    Marks,
    MarksSource,
    NotMeasurable,
    Overlay,
    Radiograph,
    Reason,
    ReferenceResult,
    Registration,
    Side,
    Still,
)


@dataclass(frozen=True, eq=False, slots=True)
class PreparedReference:
    """The first picture: its published result, and what is needed to compare with it."""

    result: ReferenceResult
    measurable: Measurable | None
    facts: HeaderFacts | None = None


def propose_marks(still: Still, side: Side, settings: Settings = DEFAULTS) -> Marks | NotMeasurable:
    """Propose marks on a first picture, in its recorded pixels.

    Returns
    -------
    Marks or NotMeasurable
    """
    picture = _reference_radiograph(still, side, settings)
    if isinstance(picture, NotMeasurable):
        return picture
    return propose.propose(picture, side)


def prepare_reference(
    still: Still,
    setup: CaseSetup,
    settings: Settings = DEFAULTS,
    *,
    plate: Still | None = None,
    more_plates: tuple[Still, ...] = (),
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
    more_plates : tuple of Still
        Those of other C-arm positions.
    object_still : Still, optional
        The picture that shows the object of known size, where it is not the first one.

    Returns
    -------
    PreparedReference
        Its result carries reasons, and nothing can be measured, when the picture can't be used.
    """
    wrong = crosscheck.against_case(still.facts, setup.side)
    stills = () if plate is None else (plate, *more_plates)
    prepared = wrong or _prepared(still, setup, settings, stills, object_still)
    if isinstance(prepared, NotMeasurable):
        return PreparedReference(ReferenceResult(still.name, _marks_from(setup), (prepared,)), None)
    return PreparedReference(_reference_result(still, prepared), prepared, still.facts)


def _reference_radiograph(
    still: Still,
    side: Side,
    settings: Settings,
    rectification: Rectification | None = None,
    exposed: ExposedField | None = None,
) -> Radiograph | NotMeasurable:
    """The first picture in the polarity in which a hip of the case's side shows best.

    Grey values alone can mislead about polarity where a flank is over- or under-exposed; the
    shape of a hip does not.
    """
    picture = radiograph(still, settings, rectification, exposed)
    if isinstance(picture, NotMeasurable):
        return picture
    inverted = radiograph(
        still, settings, rectification, exposed, bone_bright=not picture.bone_bright
    )
    if isinstance(inverted, NotMeasurable):
        return picture
    scores = [search.find_heads(each, side, most=1)[0].score for each in (picture, inverted)]
    return picture if scores[0] >= scores[1] else inverted


def radiograph(
    still: Still,
    settings: Settings,
    rectification: Rectification | None = None,
    exposed: ExposedField | None = None,
    *,
    bone_bright: bool | None = None,
) -> Radiograph | NotMeasurable:
    """The undistorted picture's attenuation; ``exposed`` is that of the still as recorded."""
    if rectification is not None:
        still, exposed = distortion.rectify(still, rectification), None
    known = field.expose(still, settings) if exposed is None else exposed
    if isinstance(known, NotMeasurable):
        return known
    return field.radiograph(still, known, settings, bone_bright=bone_bright)


def _prepared(
    still: Still,
    setup: CaseSetup,
    settings: Settings,
    plate_stills: tuple[Still, ...],
    object_still: Still | None,
) -> Measurable | NotMeasurable:
    """Everything that later pictures need, the scale carried over from an object elsewhere."""
    found = plates.read(plate_stills, settings)
    if isinstance(found, NotMeasurable):
        return found
    if object_still is None or setup.scale.object_px is None:
        return _measurable(still, setup, settings, found, None)
    bent = plates.for_picture(found, object_still)
    if isinstance(bent, NotMeasurable):
        return bent
    rectification = bent.rectification if bent else None
    elsewhere = ObjectPicture(object_still, rectification)
    known = _measurable(still, setup, settings, found, elsewhere)
    if isinstance(known, NotMeasurable) or known.scale_from != "object_diameter_mm":
        return known
    zoom = _object_zoom(known, still, object_still, rectification, settings)
    if isinstance(zoom, NotMeasurable):
        return zoom
    if abs(zoom[0] - 1) > scaling.SAME_ZOOM:
        elsewhere = ObjectPicture(object_still, rectification, *zoom)
        return _measurable(still, setup, settings, found, elsewhere)
    return known


def _object_zoom(
    known: Measurable,
    first: Still,
    other: Still,
    rectification: Rectification | None,
    settings: Settings,
) -> tuple[float, float] | NotMeasurable:
    """How large another picture shows what the first one shows, in either polarity."""
    fields = [field.expose(still, settings) for still in (first, other)]
    found: Registration | NotMeasurable = NotMeasurable(Reason.SCALE_UNUSABLE)
    polarity: bool | None = None
    for _ in range(2):
        picture = radiograph(other, settings, rectification, bone_bright=polarity)
        if isinstance(picture, NotMeasurable):
            break
        found = register.register(known.template, picture, settings)
        if isinstance(found, Registration):
            reasons = verdict.judge_registration(found, settings)
            if not reasons:
                break
            found = reasons[0]
        polarity = not picture.bone_bright
    own = fields[0]
    return own if isinstance(own, NotMeasurable) else scaling.zoom_between(found, own, fields[1])


def _measurable(
    still: Still,
    setup: CaseSetup,
    settings: Settings,
    all_plates: tuple[Plate, ...],
    elsewhere: ObjectPicture | None,
) -> Measurable | NotMeasurable:
    """Everything that later pictures need, or the reason why it can't be had."""
    plate = plates.for_picture(all_plates, still)
    if isinstance(plate, NotMeasurable):
        return plate
    rectification = plate.rectification if plate else None
    exposed = field.expose(still, settings)
    if isinstance(exposed, NotMeasurable):
        return exposed
    picture = _reference_radiograph(still, setup.side, settings, rectification, exposed)
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
    x, y = socket.head.centre_px
    height, width = still.grey.shape
    if not (0 <= x < width and 0 <= y < height and socket.head.radius_px < min(height, width) / 2):
        return NotMeasurable(
            Reason.MARKS_UNUSABLE, "The head's circle does not lie within the picture."
        )
    socket = replace(socket, head=marks.refine_head(picture, socket))
    scale = scaling.scale_of(setup, socket, rectification, elsewhere, settings)
    if isinstance(scale, NotMeasurable):
        return scale
    mm_per_px, u_relative, scale_from = scale
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
    if abs(path.edge_arc_mm) > settings.outline.farthest_mark_mm:
        away = f"{abs(path.edge_arc_mm):.0f} mm"
        return NotMeasurable(
            Reason.MARKS_UNUSABLE, f"The mark of the roof's edge lies {away} from the bone's edge."
        )
    across = np.array([offset[1], -offset[0]]) / np.hypot(*offset)
    u_centre_px = math.sqrt(max(float(across @ socket.head.covariance_px2[:2, :2] @ across), 1e-6))
    lcea, budget = measure.reference_lcea(
        edge_deg,
        radius_mm,
        reading(path),
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
        rimpatch.lay_ground(
            picture,
            landmark,
            projection,
            head_radius_mm=socket.head.radius_px * mm_per_px,
            radius_mm=radius_mm,
            name=still.name,
            settings=settings,
        ),
        scale_from,
        all_plates,
        plate,
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


def _marks_from(setup: CaseSetup) -> MarksSource:
    return "proposed" if setup.marks is None else setup.marks.source


def _reference_result(still: Still, known: Measurable) -> ReferenceResult:
    lcea = uncertainty.quantity(known.lcea_deg, known.lcea_budget)
    points = outline_points(known, known.path.arc_mm)
    edge = arc_point(known, known.path.edge_arc_mm + known.path.foot_mm)
    radius_mm = known.frame.radius_mm
    planned = plan.check_plan(known.setup.plan, lcea, radius_mm, carried=known.setup.carried)
    landmarks = recorded(known, np.array([known.socket.head.centre_px, edge]))
    up = recorded(
        known,
        np.array(known.socket.head.centre_px) + np.outer([0.0, 40.0], np.array(known.socket.up_px)),
    )
    direction = up[1] - up[0]
    direction = direction / np.hypot(*direction)
    return ReferenceResult(
        still.name,
        _marks_from(known.setup),
        (),
        point(landmarks[0]),
        known.socket.head.radius_px,
        point(landmarks[1]),
        point(direction),
        known.mm_per_px,
        known.scale_from,
        lcea,
        known.lcea_budget,
        Overlay(
            recorded(known, points),
            recorded(known, points),
            point(landmarks[1]),
            target_point(known, known.setup.plan.target_lcea_deg, None),
            target_point(known, known.setup.plan.floor_lcea_deg, None),
            known.path.hidden[np.isfinite(known.path.arc_mm)],
        ),
        (
            *(note.text for note in planned),
            *squaring.remark(still),
            *plates.remark(known.plates, known.plate, still),
        ),
        known.u_relative_scale,
    )
