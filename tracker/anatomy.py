"""What a generic pelvis, laid on the reference, says about its pixels.

Two maps: how far a pixel shows *pelvis and nothing that moves or is burred* (the weight of
registration), and at what *depth* the bone lies that makes its local contrast.

Depth.  A small turn of the beam by ``a`` about the socket moves bone by ``a z``.  The picture is
the thickness ``T = ∫ dz``, so it changes by ``-a d/dx ∫ z dz = -a dM/dx``: where contrast is made
by a line (wall, brim, obturator ring), ``dM/dx = z dT/dx`` with ``z`` the depth of that line.
So the gradient-weighted ratio of ``grad M`` to ``grad T`` is the depth that the local contrast
moves with; the mean depth ``M / T`` of the bone along the ray is not.
"""

import math

import cv2
import numpy as np

from tracker.pelvis import Projection
from tracker.settings import DEFAULTS, Settings
from tracker.values import Floats, Mask, Picture, Point, Radiograph


def depth_map(projection: Projection, mm_per_node: float, settings: Settings = DEFAULTS) -> Floats:
    """Depth of the bone that makes the local contrast.

    Parameters
    ----------
    projection : Projection
        Of the generic pelvis on the reference.
    mm_per_node : float
        Distance of the projection's nodes at the hip, mm.
    settings : Settings

    Returns
    -------
    ndarray of shape (H, W)
        mm towards the tube, on the projection's nodes; 0 far from bone.
    """
    own = settings.anatomy
    fine, wide = own.depth_fine_mm / mm_per_node, own.depth_smooth_mm / mm_per_node
    thickness = cv2.GaussianBlur(projection.thickness_mm.astype(np.float32), (0, 0), fine)
    moment = cv2.GaussianBlur(projection.moment_mm2.astype(np.float32), (0, 0), fine)
    tx, ty = np.gradient(thickness, axis=1), np.gradient(thickness, axis=0)
    mx, my = np.gradient(moment, axis=1), np.gradient(moment, axis=0)
    # A ratio of local sums, with a weak pull to the mean depth along the ray where nothing
    # changes: other people's lines lie a few mm beside the generic ones.
    strength = tx * tx + ty * ty
    pull = own.depth_pull * float(np.mean(strength[thickness > 1])) if (thickness > 1).any() else 1
    mean_depth = moment / np.maximum(thickness, 0.5)
    bone = np.clip(thickness, 0, 1)
    top = cv2.GaussianBlur(mx * tx + my * ty + pull * bone * mean_depth, (0, 0), wide)
    bottom = cv2.GaussianBlur(strength + pull * bone, (0, 0), wide)
    depth: Floats = np.where(bottom > 1e-9, top / np.maximum(bottom, 1e-9), 0.0).astype(float)
    # Other people's lines lie elsewhere: the likeliest depth, given the generic one, is nearer
    # to the centre (regression to the mean).  Without it the beam's turn comes out too small.
    depth = depth * own.depth_shrink
    limit = own.depth_limit_mm
    return np.clip(depth, -limit, limit)


def registration_maps(
    reference: Radiograph,
    projection: Projection,
    *,
    centre_px: Point,
    head_radius_px: float,
    rim_edge_px: Point,
    up: Floats,
    lateral: Floats,
    mm_per_px: float,
    settings: Settings = DEFAULTS,
) -> tuple[Picture, Picture, Mask]:
    """Weight and depth of every pixel of the reference, for registration.

    Parameters
    ----------
    reference : Radiograph
    projection : Projection
        Of the generic pelvis, placed by centre, scale and up direction on the reference.
    centre_px, head_radius_px, rim_edge_px
        Socket's centre, head's radius, lateral corner of the roof (reference pixels).
    up, lateral : ndarray of shape (2,)
        Unit vectors of the patient in the picture.
    mm_per_px : float
    settings : Settings

    Returns
    -------
    weight, depth_mm : ndarray of shape (M, N), float32
    steady : ndarray of shape (M, N), bool
        False where the femur may lie on any picture, and where bone is burred.
    """
    own = settings.anatomy
    shape = reference.valid.shape
    size = (shape[1], shape[0])
    node_mm = float(projection.x_px[1] - projection.x_px[0]) * mm_per_px
    depth = cv2.resize(
        depth_map(projection, node_mm, settings).astype(np.float32),
        size,
        None,
        0,
        0,
        cv2.INTER_LINEAR,
    )
    near = cv2.GaussianBlur(
        (projection.thickness_mm > 1).astype(np.float32), (0, 0), own.bone_margin_mm / node_mm
    )
    bone = np.clip(near * 4, own.off_bone_weight, 1)
    weight = cv2.resize(bone.astype(np.float32), size, None, 0, 0, cv2.INTER_LINEAR)
    weight = weight * reference.valid

    rows, columns = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    x, y = (columns - centre_px[0]) * mm_per_px, (rows - centre_px[1]) * mm_per_px
    across = x * np.float32(lateral[0]) + y * np.float32(lateral[1])
    along = x * np.float32(up[0]) + y * np.float32(up[1])
    head_mm = head_radius_px * mm_per_px

    # The femur moves: its head (also where traction takes it) and all that hangs on it.
    femur = np.hypot(across, along) < head_mm + own.head_margin_mm
    pulled = np.clip(-along, 0, own.traction_mm)
    femur |= np.hypot(across, along + pulled) < head_mm + own.head_margin_mm
    slope = math.tan(math.radians(own.femur_side_deg))
    femur |= (along < 0.35 * head_mm) & (across > -0.2 * head_mm + slope * np.minimum(along, 0))

    # The rim is what is being burred: never register on what is to be measured.
    reach = math.hypot(rim_edge_px[0] - centre_px[0], rim_edge_px[1] - centre_px[1]) * mm_per_px
    edge = math.atan2(
        (rim_edge_px[0] - centre_px[0]) * lateral[0] + (rim_edge_px[1] - centre_px[1]) * lateral[1],
        (rim_edge_px[0] - centre_px[0]) * up[0] + (rim_edge_px[1] - centre_px[1]) * up[1],
    )
    angle = np.arctan2(across, along)
    rho = np.hypot(across, along)
    burred = (
        (np.abs(rho - reach) < own.rim_depth_mm)
        & (angle > edge - math.radians(own.rim_medial_deg))
        & (angle < edge + math.radians(own.rim_lateral_deg))
    )
    steady: Mask = ~(femur | burred)
    weight = np.where(steady, weight, 0)
    return np.asarray(weight, np.float32), np.asarray(depth, np.float32), steady
