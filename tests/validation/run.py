"""Measure what the blocks of docs/validation.md need, and write them."""

import dataclasses
import functools
import math
import os
import platform
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

import cv2

from tests.validation import (
    breaking,
    document,
    folders,
    latency,
    libraries,
    memory,
    phantoms,
    steps,
    sweeps,
)
from tests.validation.damaged import block as damaged_files
from tests.validation.document import Block
from tests.validation.outcomes import Outcome
from tracker import __version__
from tracker.settings import DEFAULTS

ROOT = Path(__file__).resolve().parents[2]


@dataclass(frozen=True)
class Extent:
    """How much is measured.

    Attributes
    ----------
    cases : int
        Phantom cases of each regime whose part is 1.
    values : slice
        Which values of each sweep.
    patients : int
        Phantoms at each value of a sweep.
    pairs : int
        Pairs of each set for the comparison with the libraries.
    rounds : int
        Of each step's timing.
    """

    cases: int
    values: slice
    patients: int
    pairs: int
    sizes: tuple[int, ...]
    rounds: int
    pictures: int
    memory_px: int
    demo: bool = True


FULL = Extent(155, slice(None), 2, 6, steps.SIZES, 5, 200, 1024)
SHORT = Extent(1, slice(0, 1), 1, 1, (256, 512, 1024), 1, 2, 512, demo=False)


class Bench:
    """Measures each thing once, however many blocks ask for it."""

    def __init__(self, extent: Extent, cases: Path | None, jobs: int) -> None:
        self.extent, self.jobs = extent, jobs
        self.cases = [folders.demo_case()] if extent.demo else []
        self.cases += folders.named_cases(cases) if cases is not None else []

    @functools.cached_property
    def outcomes(self) -> list[Outcome]:
        """Every phantom picture and every picture of the case folders beside its truth."""
        wanted = [
            (seed, regime)
            for regime in phantoms.REGIMES
            for seed in range(math.ceil(regime.part * self.extent.cases))
        ]
        found: list[Outcome] = []
        if self.jobs > 1 and len(wanted) > 10:
            with ProcessPoolExecutor(self.jobs, get_context("spawn"), _one_thread) as pool:
                seeds, regimes = zip(*wanted, strict=True)
                for some in pool.map(phantoms.outcomes_of_case, seeds, regimes, chunksize=5):
                    found += some
        else:
            for seed, regime in wanted:
                found += phantoms.outcomes_of_case(seed, regime)
        for case in self.cases:
            found += folders.outcomes(case)
        return found

    @functools.cached_property
    def curves(self) -> list[tuple[sweeps.Sweep, list[sweeps.Point]]]:
        seeds = range(self.extent.patients)
        return [(s, sweeps.curve(s, seeds, s.values[self.extent.values])) for s in sweeps.SWEEPS]

    @functools.cached_property
    def trials(self) -> list[libraries.Trial]:
        return list(self._trials())

    def _trials(self) -> Iterator[libraries.Trial]:
        for regime in phantoms.REGIMES:
            for seed in range(self.extent.pairs):
                first, later, scene, truth, setup = phantoms.pair(seed, regime)
                pair = libraries.pair(first, later, setup)
                if pair is not None:
                    edge, mm = phantoms.first_edge(scene), pair.known.mm_per_px
                    true = truth.to_reference
                    yield from libraries.trials(
                        regime.name,
                        pair,
                        functools.partial(
                            phantoms.edge_error_mm, true=true, edge=edge, mm_per_px=mm
                        ),
                    )
        for case in self.cases:
            for first, later, picture, setup in folders.pairs(case):
                pair = libraries.pair(first, later, setup)
                if pair is not None:
                    yield from libraries.trials(
                        case.group, pair, functools.partial(folders.rim_error_mm, case, picture)
                    )


def _one_thread() -> None:
    """One thread a process, so that as many processes as cores don't fight."""
    cv2.setNumThreads(1)


def _speed(bench: Bench) -> Block:
    found = [t for size in bench.extent.sizes for t in steps.timed(size, bench.extent.rounds)]
    return document.speed(found, machine())


def _memory(bench: Bench) -> Block:
    return document.memory(memory.measured(bench.extent.pictures, bench.extent.memory_px))


BLOCKS: dict[str, Callable[[Bench], Block]] = {
    "accuracy": lambda bench: document.accuracy(bench.outcomes),
    "agreement": lambda bench: document.agreement(bench.outcomes),
    "coverage": lambda bench: document.coverage(bench.outcomes),
    "curves": lambda bench: document.curves(bench.curves),
    "libraries": lambda bench: document.libraries(bench.trials),
    "observers": lambda bench: document.observer_error(bench.outcomes),
    "published": lambda _bench: document.published_checks(),
    "speed": _speed,
    "memory": _memory,
    "latency": lambda _bench: document.latency(latency.read()),
    "damaged files": lambda _bench: damaged_files(),
    "faults": lambda _bench: breaking.block(),
}


def identity() -> str:
    """Which software with which settings was measured."""
    return f"Measured with version {__version__}, settings {DEFAULTS.digest()}."


def machine() -> str:
    """Processor, cores, Python and OpenCV."""
    name = platform.processor() or platform.machine()
    info = Path("/proc/cpuinfo")
    if info.exists():
        for line in info.read_text(encoding="utf-8").splitlines():
            if line.startswith("model name"):
                name = line.split(":", 1)[1].strip()
                break
    cores = len(os.sched_getaffinity(0))
    python = platform.python_version()
    return f"{name}, {cores} cores, Python {python}, OpenCV {cv2.__version__}"


def write(
    into: Path,
    names: tuple[str, ...],
    extent: Extent,
    *,
    cases: Path | None,
    jobs: int,
    say: Callable[[str], object],
) -> None:
    """Measure the named blocks and put them into ``validation.md`` and ``figures``."""
    source = ROOT / "docs" / "validation.md"
    target = into / "validation.md"
    bench = Bench(extent, cases, jobs)
    (into / "figures").mkdir(parents=True, exist_ok=True)
    for name in names:
        say(f"{name}\n")
        block = BLOCKS[name](bench)
        # Read now, not before: another run may have renewed other blocks meanwhile.
        text = (target if target.exists() else source).read_text(encoding="utf-8")
        if name not in ("published", "latency", "damaged files", "faults"):
            block = dataclasses.replace(block, text=f"{block.text}\n{identity()}\n")
        target.write_text(document.renewed(text, {name: block}), encoding="utf-8")
        for file, figure in block.figures.items():
            (into / "figures" / file).write_text(figure, encoding="utf-8")
    # Figures that no block names any more, of sets that are gone.
    for path in (into / "figures").glob("*.svg"):
        if f"(figures/{path.name})" not in target.read_text(encoding="utf-8"):
            path.unlink()
