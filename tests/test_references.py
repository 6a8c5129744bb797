"""Our steps against general-purpose libraries that share no code with them."""

import dataclasses
import math
from typing import Any

import numpy as np
import pytest
import SimpleITK as sitk  # noqa: N813 - the library's own short name
from scipy.ndimage import binary_erosion, gaussian_gradient_magnitude
from shapely.geometry import Polygon
from skimage.measure import find_contours
from skimage.registration import phase_cross_correlation

from tests import strategies as draw
from tracker import field, measure, phantom
from tracker.phantom import Scene
from tracker.values import Floats, NotMeasurable, Radiograph, Removal, Still

STEADY = dataclasses.replace(draw.REFERENCE, noise=0.005)
"""No traction and nothing removed: a library may use the whole picture."""


def removal(still: Still) -> Removal:
    reference, _ = draw.prepared()
    found = draw.measured(still, reference).removal
    assert found is not None
    return found


def attenuation(still: Still) -> Radiograph:
    exposed = field.expose(still)
    assert not isinstance(exposed, NotMeasurable)
    picture = field.radiograph(still, exposed)
    assert not isinstance(picture, NotMeasurable)
    return picture


def at_edge(matrix: Floats, edge: Floats) -> Floats:
    return np.asarray(matrix[:, :2] @ edge + matrix[:, 2])


# --- registration ---------------------------------------------------------------------------


def itk_similarity(reference: Radiograph, moving: Radiograph) -> Floats:
    """Moving -> reference by SimpleITK: similarity, correlation of the exposed parts."""
    # The disc of exposure stays where it is while the hip moves: it must not be matched.
    inside = [
        sitk.GetImageFromArray(binary_erosion(p.valid, iterations=n).astype(np.uint8))
        for p, n in ((reference, 30), (moving, 4))
    ]
    fixed, other = (sitk.GetImageFromArray(p.attenuation) for p in (reference, moving))
    itk: Any = sitk  # the library is untyped
    start = itk.Similarity2DTransform()
    start.SetCenter([255.5, 255.5])
    method = itk.ImageRegistrationMethod()
    method.SetMetricAsCorrelation()
    method.SetMetricFixedMask(inside[0])
    method.SetMetricMovingMask(inside[1])
    method.SetInterpolator(sitk.sitkLinear)
    method.SetOptimizerAsRegularStepGradientDescent(2.0, 1e-4, 400, 0.6)
    method.SetOptimizerScalesFromPhysicalShift()
    method.SetShrinkFactorsPerLevel([8, 4, 2])
    method.SetSmoothingSigmasPerLevel([4, 2, 1])
    method.SetInitialTransform(start, False)
    method.SetGlobalDefaultNumberOfThreads(1)
    transform = method.Execute(fixed, other)
    corners = [(0.0, 0.0), (1.0, 0.0), (0.0, 1.0)]
    moved = np.array([transform.TransformPoint(corner) for corner in corners])
    forward = np.column_stack([moved[1] - moved[0], moved[2] - moved[0], moved[0]])
    return np.asarray(np.linalg.inv(np.vstack([forward, [0, 0, 1]]))[:2])


@pytest.mark.slow
@pytest.mark.parametrize(
    ("turn_deg", "shift_px", "zoom"), [(3.0, (6.0, -4.0), 1.02), (-4.0, (-5.0, 8.0), 0.97)]
)
def test_registration_agrees_with_simpleitk(
    turn_deg: float, shift_px: tuple[float, float], zoom: float
) -> None:
    """Where the whole picture moves as one, both find the same place of the edge: 0.15 mm."""
    scene = dataclasses.replace(STEADY, turn_deg=turn_deg, shift_px=shift_px, zoom=zoom)
    still, truth = phantom.render(scene, 3)
    first, _ = phantom.render(draw.REFERENCE, 0)
    edge = np.asarray(truth.edge_px)
    ours = at_edge(removal(still).to_reference, edge)
    theirs = at_edge(itk_similarity(attenuation(first), attenuation(still)), edge)
    true = at_edge(truth.to_reference, edge)
    mm = draw.REFERENCE.mm_per_px
    assert np.hypot(*(ours - theirs)) * mm < 0.15
    assert np.hypot(*(ours - true)) <= np.hypot(*(theirs - true)) + 0.1 / mm


def test_shift_agrees_with_scikit_image() -> None:
    """A pure shift, against phase correlation on the attenuation pictures: half a pixel."""
    scene = dataclasses.replace(STEADY, shift_px=(7.25, -4.5), field="disc")
    still, truth = phantom.render(scene, 5)
    first, _ = phantom.render(STEADY, 6)
    # Edges only, under a window: grey's own slope would tie the two pictures' borders together.
    taper = np.outer(np.hanning(301), np.hanning(301))
    edges = [
        gaussian_gradient_magnitude(attenuation(s).attenuation, 2.0)[105:406, 105:406] * taper
        for s in (first, still)
    ]
    correlate: Any = phase_cross_correlation
    shift = correlate(edges[0], edges[1], upsample_factor=50)[0]
    edge = np.asarray(truth.edge_px)
    ours = at_edge(removal(still).to_reference, edge) - edge
    assert ours == pytest.approx([-7.25, 4.5], abs=0.1)
    assert shift[::-1] == pytest.approx(ours, abs=0.5)


# --- outline ---------------------------------------------------------------------------------


def test_outline_agrees_with_a_contour_of_scikit_image() -> None:
    """Our path against the iso-line of the smoothed attenuation at our own level, about R."""
    scene = dataclasses.replace(draw.REFERENCE, noise=0.002)
    reference, truth = draw.prepared(scene)
    overlay = reference.result.overlay
    assert overlay is not None
    still, _ = phantom.render(scene, 0)
    picture = attenuation(still).attenuation
    centre = np.asarray(truth.centre_px)
    ours = overlay.outline_px
    radius = np.hypot(*(ours - centre).T) * truth.mm_per_px
    ours = ours[np.abs(radius - scene.radius_mm) < 2.0]
    assert len(ours) > 10
    # The level that our path follows, read from the picture along the path itself.
    rows, columns = np.rint(ours[:, 1]).astype(int), np.rint(ours[:, 0]).astype(int)
    level = float(np.median(picture[rows, columns]))
    contours: Any = find_contours
    near = np.concatenate([c[:, ::-1] for c in contours(picture, level)])
    gap = np.sqrt(((ours[:, None, :] - near[None]) ** 2).sum(axis=2)).min(axis=1)
    assert float(np.median(gap)) * truth.mm_per_px < 0.2
    assert float(np.max(gap)) * truth.mm_per_px < 0.6


# --- area ------------------------------------------------------------------------------------


@pytest.mark.parametrize("removed", [1.0, 3.0])
def test_area_agrees_with_shapely(removed: float) -> None:
    """Our sum over radii against shapely's polygon of the same two outlines."""
    scene = Scene(recession_mm=removed)
    rho = np.arange(24.0, 49.0, 0.05)
    before = np.radians(phantom.outline_deg(Scene(), rho))
    after = np.radians(phantom.outline_deg(scene, rho))
    value, _ = measure.outline_area(
        rho,
        26.0,
        before * 26.0,
        after * 26.0,
        from_rho_mm=24.0,
        to_rho_mm=49.0,
        u_edge_mm=0.1,
        u_along_mm=0.1,
        u_radial_mm=0.1,
        u_relative_scale=0.01,
    )

    def ring(theta: Floats, radius: Floats) -> Floats:
        return np.column_stack([radius * np.sin(theta), radius * np.cos(theta)])

    across = np.linspace(after[0], before[0], 50)
    closed = np.concatenate(
        [ring(before, rho), ring(after, rho)[::-1], ring(across, np.full(50, 24.0))]
    )
    assert value == pytest.approx(Polygon(closed).buffer(0).area, rel=5e-3, abs=0.04)


def test_area_of_a_picture_agrees_with_its_own_drawn_outlines() -> None:
    """What is drawn on the page and what is printed beside it are one area, within U."""
    scene = dataclasses.replace(draw.REFERENCE, recession_mm=3.0)
    still, truth = phantom.render(scene, 9)
    found = removal(still)
    assert isinstance(found.overlay.outline_px, np.ndarray)
    outer, inner = found.overlay.reference_outline_px, found.overlay.outline_px
    centre = np.asarray(truth.centre_px)
    least = scene.head_radius_mm + 1.5

    def beyond_head(points: Floats) -> Floats:
        radius = np.hypot(*(points - centre).T) * truth.mm_per_px
        return np.asarray(points[(radius >= least) & (radius <= scene.radius_mm + 8)])

    drawn = np.concatenate([beyond_head(outer), beyond_head(inner)[::-1]])
    area = Polygon(drawn).buffer(0).area * truth.mm_per_px**2
    tolerance = 2 * found.area_mm2.u + 0.1 * found.area_mm2.value
    assert math.isclose(area, found.area_mm2.value, abs_tol=tolerance)
