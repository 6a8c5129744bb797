"""Memory of the process over a long case: ``python -m tests.validation.memory PICTURES``.

Run in a process of its own, so that nothing else counts.  The pictures come one after another
as in an operation: one is decoded, measured and let go; the state of the case stays.
"""

import argparse
import dataclasses
import json
import subprocess
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from tests.strategies import setup
from tests.validation.steps import FIRST, at_size
from tracker import images, phantom, pipeline
from tracker.phantom import Scene
from tracker.values import Marks, Still

ROOT = Path(__file__).resolve().parents[2]


@dataclass(frozen=True)
class Sample:
    """After so many pictures: peak and present memory of the process, MB (10^6 bytes)."""

    pictures: int
    peak_mb: float
    now_mb: float


def drawn(size_px: int) -> tuple[Still, Marks, Still, Scene]:
    """The first picture with its marks, and a later one nearly without grain."""
    first = at_size(FIRST, size_px)
    still, truth = phantom.render(first, 1)
    later = dataclasses.replace(first, noise=0.003, traction_mm=9.0, recession_mm=1.5)
    return still, phantom.marks(truth), phantom.render(later, 2)[0], first


def followed(pictures: int, size_px: int) -> list[Sample]:
    """Measure a long case in this process; the drawing is done in another one."""
    with ProcessPoolExecutor(1, get_context("spawn")) as other:
        still, marks, later, scene = other.submit(drawn, size_px).result()
    state = pipeline.open_case(pipeline.prepare_reference(still, setup(scene, marks)))
    levels = np.round(255 * later.grey)
    samples = [Sample(0, _memory_mb("VmHWM"), _memory_mb("VmRSS"))]
    for k in range(1, pictures + 1):
        # Grain of its own each time: another exposure of the same view.
        grain = np.random.default_rng(k).normal(0, 3.0, levels.shape)
        png = images.encode_png(np.clip(np.round(levels + grain), 0, 255).astype(np.uint8))
        result, state = pipeline.measure_still(images.decode(png, f"{k:03d}.png"), state)
        assert result.removal is not None, result.reasons
        if k % 20 == 0 or k == pictures:
            samples.append(Sample(k, _memory_mb("VmHWM"), _memory_mb("VmRSS")))
    return samples


def _memory_mb(key: str) -> float:
    """Of this process: VmHWM is the peak, VmRSS the present; both in units of 1024 bytes."""
    status = Path("/proc/self/status").read_text(encoding="ascii")
    (line,) = (line for line in status.splitlines() if line.startswith(f"{key}:"))
    return int(line.split()[1]) * 1024 / 1e6


def measured(pictures: int = 200, size_px: int = 1024) -> list[Sample]:
    """Measure a long case in a fresh process."""
    command = [sys.executable, "-m", "tests.validation.memory", str(pictures), str(size_px)]
    done = subprocess.run(command, cwd=ROOT, check=True, capture_output=True, text=True)
    return [Sample(**one) for one in json.loads(done.stdout)]


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("pictures", type=int, nargs="?", default=200)
    parser.add_argument("size", type=int, nargs="?", default=1024)
    asked = parser.parse_args()
    found = followed(asked.pictures, asked.size)
    sys.stdout.write(json.dumps([asdict(sample) for sample in found]))
