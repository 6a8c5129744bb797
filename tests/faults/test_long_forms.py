"""The long forms run: a few pictures and cases of each, so that they can't rot."""

from pathlib import Path

import pytest

from tests.faults import many, soak
from tests.validation import breaking


@pytest.mark.slow
def test_a_short_soak(tmp_path: Path) -> None:
    found = soak.soaked(tmp_path, cases=2, every_s=0.5, minutes=0.05)
    assert found["sent"] > 0
    assert found["lost"] == 0


@pytest.mark.slow
def test_a_short_long_case(tmp_path: Path) -> None:
    found = soak.long_case(tmp_path, pictures=2)
    assert (found["kept"], found["measured"]) == (2, 2)


def test_a_few_of_many_cases(place: Path) -> None:
    found = many.measured(place, cases=120, rounds=1)
    assert found["cases"] == 120
    assert found["list and open, ms, median"] > 0


def test_the_figures_are_put_into_words() -> None:
    text = breaking.block().text
    for title in ("Killed at random moments", "Many cases"):
        assert title in text
    assert "| lost | 0 |" in text
