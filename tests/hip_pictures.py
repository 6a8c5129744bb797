"""Hips for the tests of search, corner and proposal: analytic phantoms as radiographs."""

import functools

import cv2
import numpy as np

from tracker.phantom import Scene, SceneTruth, render
from tracker.values import ExposedField, Radiograph, Still


def as_radiograph(still: Still, *, bone_bright: bool) -> Radiograph:
    """A radiograph of known polarity and field, so that other rooms' errors stay theirs."""
    grey = still.grey
    size = grey.shape[0]
    rows, columns = np.mgrid[:size, :size] - (size - 1) / 2
    valid = np.hypot(rows, columns) < 0.48 * size
    intensity = 1 - grey if bone_bright else grey
    attenuation = -np.log(np.maximum(intensity, np.float32(0.01))).astype(np.float32)
    field = ExposedField(valid.copy(), "disc", ((size - 1) / 2, (size - 1) / 2), 0.49 * size)
    metal = np.zeros(valid.shape, dtype=bool)
    return Radiograph(attenuation, valid, metal, field, bone_bright, 0.01)


@functools.cache
def hip(scene: Scene, seed: int = 0) -> tuple[Radiograph, SceneTruth]:
    """A phantom's picture and truth, drawn once."""
    still, truth = render(scene, seed)
    return as_radiograph(still, bone_bright=scene.bone_bright), truth


def cloud(seed: int, grain_px: float, size: int = 512) -> Radiograph:
    """A picture without anatomy: smooth random clouds in a round field."""
    noise = np.random.default_rng(seed).normal(0, 1, (size, size)).astype(np.float32)
    soft = cv2.GaussianBlur(noise, (0, 0), grain_px) if grain_px > 0 else noise
    grey = np.clip(0.5 + 0.2 * soft / soft.std(), 0.02, 0.98).astype(np.float32)
    return as_radiograph(Still("cloud.png", grey, "0"), bone_bright=True)
