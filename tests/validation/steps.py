"""Each step and the whole, ready to be timed at a size; one hip on more or fewer pixels."""

import dataclasses
import functools
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tests.strategies import setup
from tracker import duplicate, field, phantom, pipeline, prepare, register, removal
from tracker.phantom import Scene
from tracker.settings import DEFAULTS
from tracker.values import NotMeasurable

SIZES = (512, 1024, 2048)
FIRST = Scene(size_px=512, lip_mm=1.8, noise=0.01)

PREPARE, WHOLE = "prepare the reference", "measure a picture"


@dataclass(frozen=True)
class Timed:
    """One step at one size: median time on the clock, and of the processor (all threads)."""

    step: str
    size_px: int
    ms: float
    processor_ms: float


def at_size(scene: Scene, size_px: int) -> Scene:
    """The same view on other pixels."""
    factor = size_px / scene.size_px
    shift = (scene.shift_px[0] * factor, scene.shift_px[1] * factor)
    return dataclasses.replace(
        scene, size_px=size_px, mm_per_px=scene.mm_per_px / factor, shift_px=shift
    )


@functools.cache
def steps(size_px: int) -> dict[str, Callable[[], object]]:
    """Name of a step -> a call that does it once, on what the step before it gave."""
    first = at_size(FIRST, size_px)
    later = at_size(
        dataclasses.replace(
            FIRST, recession_mm=1.6, traction_mm=9.0, turn_deg=2.0, shift_px=(6.0, -4.0), zoom=1.02
        ),
        size_px,
    )
    still, truth = phantom.render(first, 1)
    case = setup(first, phantom.marks(truth))
    reference = pipeline.prepare_reference(still, case)
    known = reference.measurable
    assert known is not None, reference.result.reasons
    state = pipeline.open_case(reference)
    moving, _ = phantom.render(later, 2)
    exposed = field.expose(moving)
    assert not isinstance(exposed, NotMeasurable)
    picture = prepare.radiograph(moving, DEFAULTS, None, exposed)
    assert not isinstance(picture, NotMeasurable)
    registration = register.register(known.template, picture)
    assert not isinstance(registration, NotMeasurable)
    path = removal.rim_path(picture, registration, known, DEFAULTS)
    assert not isinstance(path, NotMeasurable)
    result, _ = pipeline.measure_still(moving, state)
    assert result.removal is not None, result.reasons
    return {
        "exposed field": lambda: field.expose(moving),
        "seen before?": lambda: duplicate.fingerprint(moving, exposed),
        "attenuation, metal": lambda: prepare.radiograph(moving, DEFAULTS, None, exposed),
        "registration": lambda: register.register(known.template, picture),
        "outline": lambda: removal.rim_path(picture, registration, known, DEFAULTS),
        "numbers and budgets": lambda: removal.removal(registration, path, known, (), DEFAULTS),
        WHOLE: lambda: pipeline.measure_still(moving, state),
        PREPARE: lambda: pipeline.prepare_reference(still, case),
    }


def timed(size_px: int, rounds: int) -> list[Timed]:
    """Time every step at a size: the median of some rounds after one that is not counted."""
    found = []
    for name, call in steps(size_px).items():
        call()
        clock, processor = [], []
        for _ in range(rounds):
            started, used = time.perf_counter(), time.process_time()
            call()
            clock.append(1000 * (time.perf_counter() - started))
            processor.append(1000 * (time.process_time() - used))
        found.append(Timed(name, size_px, float(np.median(clock)), float(np.median(processor))))
    return found
