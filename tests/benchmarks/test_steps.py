"""Each step and the whole at three sizes; grouped by step, so that the growth can be read off.

pytest tests/benchmarks --benchmark-enable --benchmark-group-by=param:step
"""

from typing import Any

import pytest

from tests.validation.steps import PREPARE, SIZES, WHOLE, steps

NAMES = (
    "exposed field",
    "seen before?",
    "attenuation, metal",
    "registration",
    "outline",
    "numbers and budgets",
    WHOLE,
    PREPARE,
)


@pytest.mark.slow
@pytest.mark.parametrize("size_px", SIZES)
@pytest.mark.parametrize("step", NAMES)
def test_step(benchmark: Any, step: str, size_px: int) -> None:
    benchmark.group = step
    benchmark.extra_info["size_px"] = size_px
    assert tuple(steps(size_px)) == NAMES
    benchmark.pedantic(steps(size_px)[step], rounds=7, warmup_rounds=1)
