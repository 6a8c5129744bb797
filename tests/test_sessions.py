"""Sessions: how long they last, how they end, what is kept of them."""

from datetime import UTC, datetime, timedelta

import pytest

from tracker import sessions
from tracker.sessions import DeviceRole, Session

NOW = datetime(2026, 11, 25, 8, 0, tzinfo=UTC)


def session(key: int = 1, role: DeviceRole = "theatre", **more: object) -> Session:
    parts = {"paired_at": NOW, "seen_at": NOW} | more
    return Session(key, f"{key:064x}", role, f"device {key}", "browser", **parts)  # type: ignore[arg-type]


def test_a_token_is_32_random_bytes_and_only_its_hash_is_kept() -> None:
    token = sessions.new_token()
    assert len(token) == 43
    assert token != sessions.new_token()
    # FIPS 180-2, appendix B.1: the SHA-256 of "abc".
    assert sessions.digest_of("abc").startswith("ba7816bf8f01cfea414140de5dae2223")


@pytest.mark.parametrize(("role", "hours"), [("theatre", 16), ("look", 14 * 24)])
def test_a_device_that_stays_away_has_to_be_paired_again(role: DeviceRole, hours: float) -> None:
    found = session(role=role)
    assert found.is_live(NOW + timedelta(hours=hours - 0.01))
    assert not found.is_live(NOW + timedelta(hours=hours))


def test_no_device_stays_for_ever() -> None:
    later = NOW + timedelta(days=90)
    assert session(seen_at=later - timedelta(seconds=2)).is_live(later - timedelta(seconds=1))
    assert not session(seen_at=later - timedelta(seconds=2)).is_live(later)


def test_one_or_all_are_ended_and_an_end_stays_as_it_was() -> None:
    three = (session(1), session(2), session(3))
    one = sessions.ended(three, [2], "taken away", NOW)
    assert [found.end for found in one] == [None, "taken away", None]
    all_ = sessions.ended(one, None, "left", NOW + timedelta(minutes=1))
    assert [found.end for found in all_] == ["left", "taken away", "left"]
    assert not any(found.is_live(NOW) for found in all_)


def test_names_are_one_line_that_prints() -> None:
    assert sessions.named("  Wall\x1b[31m\nscreen  2 ") == "Wall [31m screen 2"
    assert len(sessions.named("x" * 500)) == 60
    assert sessions.named("\n\t") == ""


def test_all_that_live_are_kept_and_the_last_of_the_others() -> None:
    ended = [session(key, ended_at=NOW, end="left") for key in range(1, 101)]
    alive = session(0)
    kept = sessions.kept([alive, *ended], NOW)
    assert kept[0] == alive
    assert [one.key for one in kept[1:]] == list(range(37, 101))
