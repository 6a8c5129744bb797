"""Photographs of a screen: a still shown on a monitor and taken with a camera, no lens data."""

import cv2
import numpy as np
from numpy.typing import NDArray

from tracker.values import Picture

_CELL = 3
"""Side of one screen pixel in the drawing, so that its gaps can be drawn."""


def photograph(
    grey: Picture,
    *,
    seed: int,
    yaw_deg: float,
    pitch_deg: float = 0.0,
    turn_deg: float = 0.0,
    wall: bool = True,
    camera_px: int = 1100,
) -> NDArray[np.uint8]:
    """A grey photograph of a screen that shows the picture.

    Parameters
    ----------
    grey : ndarray of shape (M, N), float32
    seed : int
    yaw_deg, pitch_deg, turn_deg : float
        How the camera stands before the screen.
    wall : bool
        Whether the monitor's frame and the wall behind are in the picture.
    camera_px : int
        Side of the photograph.
    """
    chance = np.random.default_rng(seed)
    side = 640
    shown = cv2.resize(grey, (side, side), interpolation=cv2.INTER_AREA)
    cell = np.full((_CELL, _CELL), 1.0, np.float32)
    cell[-1, :] = 0.35
    cell[:, -1] = 0.35
    screen = np.kron(shown, np.ones((_CELL, _CELL), np.float32)) * np.tile(cell, (side, side))
    edge = 60 * _CELL // 2
    framed = np.pad(screen, edge, constant_values=0.08).astype(np.float32)
    size = framed.shape[0]
    margin = 0.12 if wall else -0.1
    focal = 2.2 * size
    yaw, pitch, turn = np.radians([yaw_deg, pitch_deg, turn_deg])
    about_y = np.array([[np.cos(yaw), 0, np.sin(yaw)], [0, 1, 0], [-np.sin(yaw), 0, np.cos(yaw)]])
    about_x = np.array(
        [[1, 0, 0], [0, np.cos(pitch), -np.sin(pitch)], [0, np.sin(pitch), np.cos(pitch)]]
    )
    about_z = np.array(
        [[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]]
    )
    rotation = about_z @ about_x @ about_y
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * size / 2
    seen = np.column_stack([corners, np.zeros(4)]) @ rotation.T + (0, 0, focal)
    image = seen[:, :2] / seen[:, 2:] * focal
    scale = camera_px / (size * (1 + 2 * margin))
    target = image * scale + camera_px / 2
    warp = cv2.getPerspectiveTransform(
        (corners + size / 2).astype(np.float32), target.astype(np.float32)
    )
    # The lens blurs by about half a pixel of the camera before the camera samples.
    soft = cv2.GaussianBlur(framed, (0, 0), 0.5 / scale)
    y, x = np.mgrid[:camera_px, :camera_px] / camera_px
    behind = (0.5 + 0.2 * x + 0.1 * y + chance.normal(0, 0.01, x.shape)).astype(np.float32)
    inside = cv2.warpPerspective(np.ones_like(soft), warp, (camera_px, camera_px))
    taken = cv2.warpPerspective(soft, warp, (camera_px, camera_px), flags=cv2.INTER_LINEAR)
    taken = taken * inside + behind * (1 - inside)
    taken = 0.05 + 0.85 * taken * (1 - 0.2 * ((x - 0.5) ** 2 + (y - 0.5) ** 2))
    taken += chance.normal(0, 0.008, taken.shape)
    return np.asarray(np.clip(np.rint(taken * 255), 0, 255), np.uint8)
