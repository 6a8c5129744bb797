"""Nothing that was acknowledged is lost, whenever the service is killed (short form)."""

from pathlib import Path

from tests.faults.kills import killed


def test_killed_at_random_moments(place: Path) -> None:
    found = killed(place, rounds=8, seed=1)
    assert found.kills == 8
    assert found.acknowledged > 0
    assert found.from_folder > 0
    assert (found.lost, found.unmeasured, found.twice, found.broken) == (0, 0, 0, [])
