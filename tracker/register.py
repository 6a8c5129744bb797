"""Reference, moving -> registration of the pelvis (never the femur), with its uncertainty.

From coarse to fine: an exhaustive search for turn, zoom and shift (:mod:`tracker.coarse`), a
robust fit that also finds the beam's direction (:mod:`tracker.fit`) at ever finer scales, and a
last shift on the bone beside the rim.  Reflection is forbidden; the mirrored picture is fitted as
well where the direct fit is not sure, and said to be mirrored where it fits clearly better.
"""

import math
from dataclasses import replace
from itertools import product

import numpy as np

from tracker.coarse import search
from tracker.fit import (
    ALL,
    SHIFT,
    SIMILARITY,
    Fit,
    State,
    agreement,
    contrast_ratio,
    fit,
    start_state,
)
from tracker.settings import DEFAULTS, RegisterSettings, Settings
from tracker.template import Normalised, Reduced, Template, normalise, reduce, steady_on
from tracker.values import (
    Floats,
    Landmark,
    NotMeasurable,
    Picture,
    Radiograph,
    Reason,
    Registration,
)


def register(
    template: Template,
    moving: Radiograph,
    settings: Settings = DEFAULTS,
    *,
    earlier: Registration | None = None,
) -> Registration | NotMeasurable:
    """Find the reference's pelvis on a moving picture.

    Parameters
    ----------
    template : Template
        The prepared reference.
    moving : Radiograph
        In its own pixels; any turn, shift and zoom, not mirrored.
    settings : Settings
    earlier : Registration, optional
        Of an earlier picture of the case: a first guess that may save the wide search.

    Returns
    -------
    Registration
        In pixels of both pictures.  Whether it is good enough is the verdict's business.
    NotMeasurable
        ``other-anatomy`` when nothing of the reference can be found, ``mirrored`` when the
        mirrored picture fits clearly better.
    """
    own = settings.register
    direct = _best(template, moving, own, earlier, wide=True)
    if direct is not None and direct.score < own.sure_score:
        direct = _turned(template, moving, direct, own)
    if direct is None or direct.score < own.sure_score:
        mirrored = _best(template, _mirrored(moving), own, None, wide=False)
        clearer = own.least_score if direct is None else direct.score + own.mirror_margin
        if mirrored is not None and mirrored.score > max(own.least_score, clearer):
            return NotMeasurable(Reason.MIRRORED)
    if direct is None:
        return NotMeasurable(Reason.OTHER_ANATOMY)
    shift, shift_covariance = _local_shift(template, direct, own)
    gain = contrast_ratio(template.levels[-1], template.landmark, direct.moving, direct.state)
    return Registration(
        direct.state.matrix,
        math.degrees(float(direct.state.angles[0])),
        math.degrees(float(direct.state.angles[1])),
        direct.covariance[:6, :6].copy(),
        direct.state.modes,
        direct.covariance[6:, 6:].copy(),
        direct.score,
        gain,
        direct.overlap,
        shift,
        shift_covariance,
        template.landmark,
    )


def polarity_agrees(template: Template, moving: Radiograph, settings: Settings = DEFAULTS) -> bool:
    """Tell whether the picture agrees with the reference better as it is than inverted.

    Parameters
    ----------
    template : Template
    moving : Radiograph
    settings : Settings
    """
    own = settings.register
    turns = np.radians(np.arange(0, 360, own.wide_turn_step_deg))
    coarse, ratio = _coarse(template, moving, own)
    found = search(template, coarse, product([ratio * z for z in own.near_zooms], turns))
    return max(start.score for start in found) >= max(start.opposite for start in found)


def _coarse(
    template: Template, moving: Radiograph, own: RegisterSettings
) -> tuple[Normalised, float]:
    """The moving picture at the search's scale, and its pixels per reference pixel by field."""
    ratio = moving.field.radius_px / template.field_radius_px
    mm_per_px = template.landmark.mm_per_px / ratio
    finest = _finest(template, moving, ratio, own)
    reduced = _at(finest, min(finest.factor, template.coarse.factor / ratio))
    return normalise(reduced, None, mm_per_px, own), ratio


def _mirrored(picture: Radiograph) -> Radiograph:
    """The picture seen from behind."""

    def flipped(array: Picture) -> Picture:
        return np.ascontiguousarray(array[:, ::-1])

    return Radiograph(
        flipped(picture.attenuation),
        np.ascontiguousarray(picture.valid[:, ::-1]),
        np.ascontiguousarray(picture.metal[:, ::-1]),
        picture.field,
        picture.bone_bright,
        picture.noise_std,
    )


def _finest(template: Template, moving: Radiograph, zoom: float, own: RegisterSettings) -> Reduced:
    """The moving picture at the finest scale used; coarser ones are made from it."""
    factor = min(1.0, template.landmark.mm_per_px / zoom / own.levels_mm[-1])
    inside = moving.valid.astype(np.float32)
    return reduce(moving.attenuation, inside, factor, moving.noise_std)


def _at(finest: Reduced, factor: float) -> Reduced:
    """A coarser picture from the finest one; ``factor`` is against the full picture."""
    small = reduce(finest.attenuation, finest.inside, factor / finest.factor, finest.noise_std)
    # Two exact reductions compose to an exact one.
    return Reduced(small.attenuation, small.inside, small.factor * finest.factor, small.noise_std)


def _best(
    template: Template,
    moving: Radiograph,
    own: RegisterSettings,
    earlier: Registration | None,
    *,
    wide: bool,
) -> Fit | None:
    """The best fit over the starts that the coarse search proposes, or None.

    The search widens only as far as it must: about the reference's turn and zoom, then any
    turn, then (``wide``) the zooms of other field modes.
    """
    coarse, ratio = _coarse(template, moving, own)
    finest = _finest(template, moving, ratio, own)
    near = product([ratio * z for z in own.near_zooms], np.radians(own.near_turns_deg))
    starts = [start_state(s.matrix) for s in search(template, coarse, near)[: own.starts]]
    best = _refined(template, finest, starts, own)
    if earlier is not None and (best is None or best.score < own.sure_score):
        again = [start_state(earlier.reference_to_moving)]
        best = _better(best, _refined(template, finest, again, own))
    turns = np.radians(np.arange(0, 360, own.wide_turn_step_deg))
    for zooms in (own.near_zooms, own.wide_zooms if wide else ()):
        if best is not None and best.score >= own.sure_score and _near(best, ratio, own):
            return best
        found = search(template, coarse, product([ratio * z for z in zooms], turns))
        starts = [start_state(s.matrix) for s in found[: own.wide_starts]]
        best = _better(best, _refined(template, finest, starts, own))
    return best


def _near(found: Fit, ratio: float, own: RegisterSettings) -> bool:
    """Tell whether the fit ended where the search looked: a wrong zoom can agree half-way."""
    zoom = found.state.zoom / ratio
    return own.near_zooms[0] * 0.95 < zoom < own.near_zooms[-1] * 1.05


def _turned(template: Template, moving: Radiograph, unsure: Fit, own: RegisterSettings) -> Fit:
    """Start again from a beam turned far to either side: a swung C-arm is told from other bone."""
    far = math.radians(own.far_turn_deg)
    finest = _finest(template, moving, unsure.state.zoom, own)
    starts = [
        replace(unsure.state, angles=np.array([tilt, oblique]), modes=np.zeros(5))
        for tilt in (-far, far)
        for oblique in (-far, far)
    ]
    return _better(unsure, _refined(template, finest, starts, own, angles=True)) or unsure


def _better(first: Fit | None, second: Fit | None) -> Fit | None:
    if first is None or second is None:
        return first or second
    return second if second.score > first.score else first


def _refined(
    template: Template,
    finest: Reduced,
    states: list[State],
    own: RegisterSettings,
    *,
    angles: bool = False,
) -> Fit | None:
    """Fit from several starts at the coarsest scale, go on with the best one.

    Where nothing agrees at that scale, finer ones are not asked: bone that is there agrees best
    where it is coarse.
    ``angles`` lets the beam's direction move from the first scale on.
    """
    mark = template.landmark
    best: Fit | None = None
    seen: list[Normalised] = []
    for index, level in enumerate(template.levels):
        fits = []
        for state in states:
            ready = _ready(finest, level.factor, mark, state, own)
            free = SIMILARITY if index == 0 and not angles else ALL
            found = fit(level, mark, ready, state, own, free=free, steps=own.steps[index])
            if found.overlap > own.least_overlap:
                fits.append(found)
        if not fits:
            return None
        best = max(fits, key=lambda found: found.score)
        states = [best.state]
        seen.append(best.moving)
        if index == 0 and best.score < own.hopeless_score:
            return best
    assert best is not None
    # How well the pictures agree is judged where noise has little say: not at the finest scale.
    judged = [
        agreement(level, mark, ready, best.state)
        for level, ready in zip(template.levels[:-1], seen[:-1], strict=True)
    ]
    return replace(best, score=float(np.mean(judged)))


def _ready(
    finest: Reduced, factor: float, mark: Landmark, state: State, own: RegisterSettings
) -> Normalised:
    """The moving picture normalised at a scale, seen from where the fit is now."""
    reduced = _at(finest, min(finest.factor, factor / state.zoom))
    steady = steady_on(mark, state.matrix, reduced.factor, reduced.attenuation.shape)
    return normalise(reduced, steady, mark.mm_per_px / state.zoom, own)


def _local_shift(template: Template, whole: Fit, own: RegisterSettings) -> tuple[Floats, Floats]:
    """What the bone beside the rim still disagrees by: a shift in mm, and its covariance.

    The depths of the generic pelvis are not this patient's; what they leave over at the rim is
    nearly a shift there.  It is held to nothing by how much they can leave, so that a rim with
    little bone in sight keeps the fit of the whole pelvis.
    """
    mark, level, state = template.landmark, template.local, whole.state
    turned = math.degrees(float(np.hypot(*state.angles)))
    hold = np.full(2, own.local_hold_mm + own.local_hold_mm_per_deg * turned)
    found = fit(level, mark, whole.moving, state, own, free=SHIFT, steps=5, hold=hold)
    covariance = found.covariance[2:4, 2:4].copy()
    if found.overlap < own.least_overlap or not np.isfinite(covariance).all():
        return np.zeros(2), np.diag(hold**2)
    # Where the local fit puts the edge, seen from where the whole fit puts it.
    edge = np.asarray(mark.edge_px)
    there = found.state.matrix[:, :2] @ edge + found.state.matrix[:, 2]
    back = np.linalg.inv(state.matrix[:, :2]) @ (there - state.matrix[:, 2])
    shift: Floats = (back - edge) * mark.mm_per_px
    return shift, covariance
