"""Our registration beside general-purpose ones: same pairs, masks and start, in the same run.

The error at the rim is kept with each timing; the bounds are wide, they catch a broken method.
"""

import functools
from typing import Any

import pytest

from tests.validation import folders, phantoms
from tests.validation.libraries import METHODS, Pair, pair

PARKED = next(r for r in phantoms.REGIMES if r.beam_deg < 0.5)
TURNED = phantoms.REGIMES[2]


@functools.cache
def phantom_pair(regime: phantoms.Regime) -> tuple[Pair, functools.partial[float]]:
    first, later, scene, truth, setup = phantoms.pair(1, regime)
    found = pair(first, later, setup)
    assert found is not None
    error = functools.partial(
        phantoms.edge_error_mm,
        true=truth.to_reference,
        edge=phantoms.first_edge(scene),
        mm_per_px=found.known.mm_per_px,
    )
    return found, error


@functools.cache
def demo_pair() -> tuple[Pair, functools.partial[float | None]]:
    case = folders.demo_case()
    first, later, picture, setup = folders.pairs(case)[2]
    found = pair(first, later, setup)
    assert found is not None
    return found, functools.partial(folders.rim_error_mm, case, picture)


@pytest.mark.slow
@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("regime", [PARKED, TURNED], ids=lambda regime: regime.name)
def test_phantom(benchmark: Any, method: str, regime: phantoms.Regime) -> None:
    both, error = phantom_pair(regime)
    benchmark.group = regime.name
    matrix = benchmark.pedantic(METHODS[method], (both,), rounds=5)
    if method == next(iter(METHODS)):
        assert matrix is not None
        assert error(matrix) < 0.5
    benchmark.extra_info["rim_mm"] = None if matrix is None else error(matrix)


@pytest.mark.slow
@pytest.mark.parametrize("method", METHODS)
def test_demo(benchmark: Any, method: str) -> None:
    both, error = demo_pair()
    benchmark.group = "demo case"
    matrix = benchmark.pedantic(METHODS[method], (both,), rounds=3)
    if method == next(iter(METHODS)):
        assert matrix is not None
        assert (error(matrix) or 0.0) < 0.1
    benchmark.extra_info["rim_mm"] = None if matrix is None else error(matrix)
