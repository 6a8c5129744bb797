"""General-purpose registrations on the same pair, mask and start as ours.

All get the attenuation pictures (polarity and logarithm already taken care of), the mask of the
reference's pelvis without the femur and without bone that is burred, and start where the
pictures lie on each other.  The finest level of each is about that of ours (0.35 mm).
"""

import math
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import SimpleITK as sitk  # noqa: N813 - the library's own short name

from tracker import prepare, register
from tracker.measurable import Measurable, rim_depth
from tracker.settings import DEFAULTS
from tracker.values import CaseSetup, Floats, Mask, NotMeasurable, Picture, Radiograph, Still


@dataclass(frozen=True, eq=False)
class Pair:
    """Two pictures ready to be registered.

    Attributes
    ----------
    known : Measurable
        Our prepared reference.
    first, later : Radiograph
    mask : ndarray of shape (M, N), bool
        Steady pelvis on the first picture.
    """

    known: Measurable
    first: Radiograph
    later: Radiograph
    mask: Mask


def pair(first: Still, later: Still, setup: CaseSetup) -> Pair | None:
    """Prepare a pair; None where the reference can't be used or a picture shows no field."""
    known = prepare.prepare_reference(first, setup).measurable
    if known is None:
        return None
    pictures = [prepare.radiograph(s, DEFAULTS, known.rectification) for s in (first, later)]
    if isinstance(pictures[0], NotMeasurable) or isinstance(pictures[1], NotMeasurable):
        return None
    weight = known.template.landmark.weight
    mask = np.asarray((weight > 0.05) & known.template.landmark.steady & pictures[0].valid)
    return Pair(known, pictures[0], pictures[1], mask)


Method = Callable[[Pair], Floats | None]
"""Later -> first picture, (2, 3), or None where it finds nothing."""


def ours(pair: Pair) -> Floats | None:
    found = register.register(pair.known.template, pair.later)
    if isinstance(found, NotMeasurable):
        return None
    return found.rim_to_reference(rim_depth(DEFAULTS))


def _shrink(pair: Pair) -> list[int]:
    """Three levels, the finest near 0.35 mm."""
    finest = max(1, round(0.35 / pair.known.mm_per_px))
    return [4 * finest, 2 * finest, finest]


def simpleitk_similarity(pair: Pair) -> Floats | None:
    itk: Any = sitk  # the library is untyped
    height, width = pair.first.attenuation.shape
    shrink = _shrink(pair)
    start = itk.Similarity2DTransform()
    start.SetCenter([(width - 1) / 2, (height - 1) / 2])
    method = itk.ImageRegistrationMethod()
    method.SetMetricAsCorrelation()
    method.SetMetricFixedMask(itk.GetImageFromArray(pair.mask.astype(np.uint8)))
    method.SetMetricMovingMask(itk.GetImageFromArray(pair.later.valid.astype(np.uint8)))
    method.SetInterpolator(itk.sitkLinear)
    method.SetOptimizerAsRegularStepGradientDescent(2.0, 1e-4, 200, 0.6)
    method.SetOptimizerScalesFromPhysicalShift()
    method.SetShrinkFactorsPerLevel(shrink)
    method.SetSmoothingSigmasPerLevel([s / 2 for s in shrink])
    method.SetInitialTransform(start, False)
    try:
        found = method.Execute(*(itk.GetImageFromArray(picture) for picture in _pictures(pair)))
    except RuntimeError:  # "all samples map outside the moving image"
        return None
    corners = [(0.0, 0.0), (1.0, 0.0), (0.0, 1.0)]
    moved = np.array([found.TransformPoint(corner) for corner in corners])
    forward = np.column_stack([moved[1] - moved[0], moved[2] - moved[0], moved[0]])
    return np.asarray(np.linalg.inv(np.vstack([forward, [0, 0, 1]]))[:2])


def _pictures(pair: Pair) -> tuple[Picture, Picture]:
    return pair.first.attenuation, pair.later.attenuation


def opencv_ecc(pair: Pair) -> Floats | None:
    """Enhanced correlation, affine (it has no similarity), coarse to fine."""
    warp = np.eye(2, 3, dtype=np.float32)
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 60, 1e-5)
    for factor in _shrink(pair):
        small = [_reduced(picture, factor) for picture in _pictures(pair)]
        mask = np.asarray(_reduced(pair.mask.astype(np.float32), factor) > 0.5, np.uint8)
        try:
            _, found = cv2.findTransformECC(
                small[1], small[0], _to_small(warp, factor), cv2.MOTION_AFFINE, criteria, mask, 5
            )
        except cv2.error:  # it does not converge
            return None
        warp = _to_full(np.asarray(found, np.float32), factor)
    return np.asarray(warp, float)


def _reduced(picture: Picture, factor: int) -> Picture:
    if factor == 1:
        return picture
    size = (picture.shape[1] // factor, picture.shape[0] // factor)
    cut = picture[: size[1] * factor, : size[0] * factor]
    return np.asarray(cv2.resize(cut, size, interpolation=cv2.INTER_AREA), np.float32)


def _to_small(warp: Picture, factor: int) -> Picture:
    """A warp at a reduced scale: pixel i there lies at (i + 1/2) factor - 1/2."""
    middle = np.full(2, (factor - 1) / 2)
    shift = (warp[:, :2] @ middle + warp[:, 2] - middle) / factor
    return np.column_stack([warp[:, :2], shift]).astype(np.float32)


def _to_full(warp: Picture, factor: int) -> Picture:
    middle = np.full(2, (factor - 1) / 2)
    shift = factor * warp[:, 2] - warp[:, :2] @ middle + middle
    return np.column_stack([warp[:, :2], shift]).astype(np.float32)


def sift_ransac(pair: Pair) -> Floats | None:
    detector: Any = cv2.SIFT.create(4000)
    masks = (pair.mask, pair.later.valid)
    found: list[tuple[Any, Any]] = []  # None where a picture has no features
    for picture, mask in zip(_pictures(pair), masks, strict=True):
        inside = picture[mask]
        low, high = np.quantile(inside, [0.01, 0.99])
        grey = np.clip(255 * (picture - low) / (high - low), 0, 255).astype(np.uint8)
        found.append(detector.detectAndCompute(grey, mask.astype(np.uint8)))
    (points, words), (later_points, later_words) = found
    if words is None or later_words is None or len(words) < 4 or len(later_words) < 4:
        return None
    matches = cv2.BFMatcher().knnMatch(later_words, words, k=2)
    near = [m[0] for m in matches if len(m) == 2 and m[0].distance < 0.8 * m[1].distance]
    if len(near) < 4:
        return None
    source = np.array([later_points[m.queryIdx].pt for m in near])
    target = np.array([points[m.trainIdx].pt for m in near])
    reach = 1.0 / pair.known.mm_per_px
    estimate: Any = cv2.estimateAffinePartial2D  # its stub forgets that it may find nothing
    matrix, _ = estimate(source, target, method=cv2.RANSAC, ransacReprojThreshold=reach)
    return None if matrix is None else np.asarray(matrix, float)


METHODS: dict[str, Method] = {
    "this tool": ours,
    "SimpleITK, similarity and correlation": simpleitk_similarity,
    "OpenCV, ECC": opencv_ecc,
    "OpenCV, SIFT and RANSAC": sift_ransac,
}


@dataclass(frozen=True)
class Trial:
    """One method on one pair: error at the rim (infinite where it found nothing), and time."""

    group: str
    method: str
    error_mm: float
    ms: float


def trials(group: str, pair: Pair, error_mm: Callable[[Floats], float | None]) -> list[Trial]:
    """Each method once on a pair, one after the other."""
    found = []
    for name, method in METHODS.items():
        started = time.perf_counter()
        matrix = method(pair)
        ms = 1000 * (time.perf_counter() - started)
        error = None if matrix is None else error_mm(matrix)
        found.append(Trial(group, name, math.inf if error is None else error, ms))
    return found
