"""A case folder of phantom pictures: every way in can be driven with it, and its truth is exact."""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from tracker import phantom
from tracker.images import encode_png
from tracker.phantom import Rod, Scene, SceneTruth
from tracker.values import Still

SCENE = Scene(noise=0.008)
PULLED = replace(SCENE, traction_mm=9.0)

# File name, scene and seed of each picture; the last of two with one seed is a copy.
PICTURES: dict[str, tuple[Scene, int]] = {
    "000.png": (SCENE, 0),
    "001.png": (PULLED, 1),
    "002.png": (replace(PULLED, recession_mm=1.0, turn_deg=7.0, shift_px=(9.0, -5.0)), 2),
    "003.png": (replace(PULLED, recession_mm=2.0, bone_bright=False, gamma=0.8), 3),
    "004.png": (replace(PULLED, recession_mm=2.0, bone_bright=False, gamma=0.8), 3),
    "005.png": (replace(PULLED, recession_mm=2.0, mirrored=True), 5),
    "006.png": (replace(PULLED, recession_mm=3.0, zoom=1.06), 6),
    "007.png": (
        replace(PULLED, recession_mm=3.0, rods=(Rod((8.0, 22.0), (80.0, 60.0), 9.0),)),
        7,
    ),
    "008.png": (replace(PULLED, recession_mm=3.0, bones=4), 8),
}


@dataclass(frozen=True)
class PhantomCase:
    """Where the folder lies, and what is true of each picture."""

    folder: Path
    truth: dict[str, SceneTruth]


def write(folder: Path, *, marks: bool = True) -> PhantomCase:
    """Write the case folder; without marks the tool has to propose them."""
    folder.mkdir(parents=True, exist_ok=True)
    truth: dict[str, SceneTruth] = {}
    for name, (scene, seed) in PICTURES.items():
        still, truth[name] = phantom.render(scene, seed)
        (folder / name).write_bytes(encode_png(levels(still)))
    first = truth["000.png"]
    lines = [
        'id = "phantom"',
        f'side = "{SCENE.side}"',
        'view = "AP"',
        "[scale]",
        f"head_diameter_mm = {2 * SCENE.head_radius_mm}",
        "[plan]",
        f"target_lcea_deg = {SCENE.lcea_deg - 6.5}",
        "floor_lcea_deg = 25.0",
    ]
    if marks:
        lines += [
            "[marks]",
            f"head = {np.round(first.head_px, 2).tolist()}",
            f"rim_edge = {np.round(first.edge_px, 2).tolist()}",
            f"horizontal = {np.round(first.horizontal_px, 2).tolist()}",
        ]
    (folder / "case.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return PhantomCase(folder, truth)


def levels(still: Still) -> np.ndarray[tuple[int, ...], np.dtype[np.uint8]]:
    """The still's grey levels as they were recorded."""
    return np.asarray(np.round(still.grey * 255), np.uint8)
