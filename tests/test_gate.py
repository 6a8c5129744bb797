"""The gate: who is let in, what a restart and another process leave of it."""

import json
import os
import subprocess
import sys
import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from argon2 import PasswordHasher

from tracker import pairing
from tracker.errors import InputError, NotPaired, PairingClosed, StoreError, Unwritable
from tracker.gate import Gate, NewCode


class Clock:
    """A clock that is set by hand."""

    def __init__(self) -> None:
        self.now = datetime(2026, 11, 25, 8, 0, tzinfo=UTC)

    def __call__(self) -> datetime:
        return self.now

    def pass_(self, **time: float) -> None:
        self.now += timedelta(**time)


@pytest.fixture(autouse=True)
def _quick_hashes(monkeypatch: pytest.MonkeyPatch) -> None:
    """One round over 64 kB: what the hash costs is looked at in test_pairing."""
    quick = PasswordHasher(time_cost=1, memory_cost=64, parallelism=1)
    monkeypatch.setattr(pairing, "_HASHER", quick)


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def gate(tmp_path: Path, clock: Clock) -> Gate:
    return Gate(tmp_path, clock)


def wrong_for(*codes: NewCode) -> str:
    """Digits that are none of these codes."""
    taken = {code.digits for code in codes}
    return next(digits for digits in ("00000000", "11111111", "22222222") if digits not in taken)


def guess(gate: Gate, times: int, digits: str) -> None:
    for _ in range(times):
        with pytest.raises((NotPaired, PairingClosed)):
            gate.pair(digits, "guesser")


# --- codes -------------------------------------------------------------------------------


def test_the_code_decides_the_role_and_works_once(gate: Gate) -> None:
    codes = gate.codes_at_start()
    assert [code.role for code in codes] == ["theatre", "look"]
    look = codes[1]
    admitted = gate.pair(pairing.shown(look.digits), "Wall screen")
    assert (admitted.session.role, admitted.session.device) == ("look", "Wall screen")
    assert gate.session_of(admitted.token) == admitted.session
    with pytest.raises(NotPaired):
        gate.pair(look.digits, "Somebody else")
    assert set(gate.usable()) == {"theatre"}


def test_a_code_is_worth_nothing_after_its_time_or_once_another_is_made(
    gate: Gate, clock: Clock
) -> None:
    first = gate.new_code("theatre")
    second = gate.new_code("theatre")
    if first.digits != second.digits:
        guess(gate, 1, first.digits)
    clock.pass_(minutes=10)
    with pytest.raises(NotPaired, match="No code"):
        gate.pair(second.digits, "Late")


def test_what_is_no_code_is_not_counted(gate: Gate) -> None:
    code = gate.new_code("look")
    for _ in range(20):
        with pytest.raises(InputError):
            gate.pair("12", "x")
    assert gate.pair(code.digits, "x").session.role == "look"


def test_five_wrong_codes_close_pairing_for_everybody(gate: Gate, clock: Clock) -> None:
    code = gate.new_code("theatre")
    guess(gate, 5, wrong_for(code))
    with pytest.raises(PairingClosed, match="15 min"):
        gate.pair(code.digits, "Right, too late")
    clock.pass_(minutes=14)
    with pytest.raises(PairingClosed, match="1 min"):
        gate.pair(code.digits, "Still too late")
    clock.pass_(minutes=1)
    with pytest.raises(NotPaired, match="No code"):
        gate.pair(code.digits, "The code was withdrawn")


def test_a_restart_neither_opens_pairing_nor_forgets_wrong_tries(
    gate: Gate, tmp_path: Path, clock: Clock
) -> None:
    wrong = wrong_for(*gate.codes_at_start())
    guess(gate, 3, wrong)
    again = Gate(tmp_path, clock)
    codes = again.codes_at_start()
    guess(again, 2, wrong_for(*codes))
    assert again.closed_until() == clock.now + timedelta(minutes=15)
    third = Gate(tmp_path, clock)
    assert third.codes_at_start() == ()
    with pytest.raises(PairingClosed):
        third.pair(wrong, "guesser")
    clock.pass_(minutes=15)
    assert len(third.codes_at_start()) == 2


def test_a_person_at_the_machine_opens_it_again(gate: Gate) -> None:
    guess(gate, 5, wrong_for(gate.new_code("theatre")))
    assert gate.closed_until() is not None
    code = gate.new_code("theatre")
    assert gate.closed_until() is None
    assert gate.pair(code.digits, "Laptop").session.role == "theatre"


def test_a_try_that_was_cut_off_is_counted(
    gate: Gate, tmp_path: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    code = gate.new_code("theatre")
    with monkeypatch.context() as patch:

        def killed(*_: object) -> None:
            raise KeyboardInterrupt

        patch.setattr(pairing, "which", killed)
        for _ in range(5):
            with pytest.raises(KeyboardInterrupt):
                gate.pair(code.digits, "cut off")
    again = Gate(tmp_path, clock)
    with pytest.raises(PairingClosed):
        again.pair(code.digits, "Right, but the sixth")
    clock.pass_(minutes=15)
    with pytest.raises(NotPaired):
        again.pair(code.digits, "withdrawn")


def test_tries_at_the_same_moment_are_all_counted(gate: Gate) -> None:
    wrong = wrong_for(gate.new_code("theatre"))
    said: list[type[Exception]] = []

    def try_() -> None:
        try:
            gate.pair(wrong, "one of many")
        except (NotPaired, PairingClosed) as error:
            said.append(type(error))

    threads = [threading.Thread(target=try_) for _ in range(12)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert said.count(NotPaired) <= 4
    assert len(said) == 12
    assert gate.closed_until() is not None


def test_one_code_never_lets_two_devices_in(gate: Gate) -> None:
    code = gate.new_code("look")
    let_in: list[str] = []

    def try_(name: str) -> None:
        try:
            let_in.append(gate.pair(code.digits, name).session.device)
        except (NotPaired, PairingClosed):
            return

    threads = [threading.Thread(target=try_, args=(f"device {k}",)) for k in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(let_in) == 1


# --- sessions ----------------------------------------------------------------------------


def test_nothing_that_is_kept_lets_anyone_in(gate: Gate, tmp_path: Path) -> None:
    code = gate.new_code("theatre")
    admitted = gate.pair(code.digits, "Laptop")
    text = (tmp_path / "gate.json").read_text(encoding="utf-8")
    assert admitted.token not in text
    assert code.digits not in text
    assert gate.session_of(admitted.session.digest) is None
    assert (tmp_path / "gate.json").stat().st_mode & 0o077 == 0


def test_sessions_survive_a_restart_and_end_in_both(
    gate: Gate, tmp_path: Path, clock: Clock
) -> None:
    wall = gate.pair(gate.new_code("look").digits, "Wall")
    laptop = gate.pair(gate.new_code("theatre").digits, "Laptop")
    again = Gate(tmp_path, clock)
    assert again.session_of(wall.token) is not None
    assert again.form_token(laptop.session) == gate.form_token(laptop.session)
    assert again.end((wall.session.key,)) == 1
    assert gate.session_of(wall.token) is None
    assert not gate.stays(wall.session)
    assert gate.stays(laptop.session)
    assert gate.session_of(laptop.token) is not None
    assert [one.device for one in gate.live_sessions()] == ["Laptop"]
    assert gate.end(None) == 1
    assert again.session_of(laptop.token) is None
    assert gate.end(None) == 0


def test_another_process_can_end_a_session(tmp_path: Path) -> None:
    gate = Gate(tmp_path)
    wall = gate.pair(gate.new_code("look").digits, "Wall")
    assert gate.session_of(wall.token) is not None
    act = "import sys; from pathlib import Path; from tracker.gate import Gate; "
    act += "print(Gate(Path(sys.argv[1])).end(None))"
    done = subprocess.run(
        [sys.executable, "-c", act, str(tmp_path)], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "1"
    assert gate.session_of(wall.token) is None


def test_a_device_that_is_paired_again_leaves_its_old_session(gate: Gate) -> None:
    old = gate.pair(gate.new_code("look").digits, "Screen")
    new = gate.pair(gate.new_code("theatre").digits, "Screen", old=old.session.key)
    assert gate.session_of(old.token) is None
    assert gate.session_of(new.token) == new.session
    assert gate.sessions()[1].end == "paired again"


def test_when_a_device_was_here_is_written_down_once_a_minute(
    gate: Gate, tmp_path: Path, clock: Clock
) -> None:
    admitted = gate.pair(gate.new_code("look").digits, "Wall")
    before = (tmp_path / "gate.json").stat().st_ino
    clock.pass_(seconds=59)
    gate.see(admitted.session)
    assert (tmp_path / "gate.json").stat().st_ino == before
    assert gate.sessions()[0].seen_at == clock.now
    clock.pass_(seconds=2)
    gate.see(admitted.session)
    assert Gate(tmp_path, clock).sessions()[0].seen_at == clock.now


def test_a_screen_that_stays_on_stays_paired_and_one_put_away_does_not(
    gate: Gate, clock: Clock
) -> None:
    wall = gate.pair(gate.new_code("look").digits, "Wall")
    laptop = gate.pair(gate.new_code("theatre").digits, "Laptop")
    for _ in range(20):
        clock.pass_(days=3)
        gate.see(wall.session)
    assert gate.session_of(wall.token) is not None
    assert gate.session_of(laptop.token) is None
    clock.pass_(days=31)
    gate.see(wall.session)
    assert gate.session_of(wall.token) is None


def test_not_everybody_can_be_paired(gate: Gate, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tracker.sessions.MOST", 2)
    for name in ("a", "b"):
        gate.pair(gate.new_code("look").digits, name)
    with pytest.raises(InputError, match="2 devices"):
        gate.pair(gate.new_code("look").digits, "c")


def test_form_tokens_differ_by_device_and_record(gate: Gate, tmp_path: Path) -> None:
    one = gate.pair(gate.new_code("look").digits, "a").session
    two = gate.pair(gate.new_code("look").digits, "b").session
    (tmp_path / "other").mkdir()
    other = Gate(tmp_path / "other")
    tokens = {gate.form_token(one), gate.form_token(two), gate.form_token(None)}
    tokens.add(other.form_token(None))
    assert len(tokens) == 4


# --- what can go wrong -------------------------------------------------------------------


@pytest.mark.parametrize(
    "text", ["", "{}", "[]", '{"form": 2}', '{"form": 1, "key": "00"}', '{"form": 1, "key": "zz"}']
)
def test_a_damaged_file_lets_nobody_in(gate: Gate, tmp_path: Path, text: str) -> None:
    token = gate.pair(gate.new_code("look").digits, "Wall").token
    (tmp_path / "gate.json").write_text(text, encoding="utf-8")
    again = Gate(tmp_path)
    for ask in (lambda: gate.session_of(token), lambda: gate.new_code("look"), again.sessions):
        with pytest.raises(StoreError, match="damaged"):
            ask()


def test_a_removed_file_ends_every_session(gate: Gate, tmp_path: Path) -> None:
    token = gate.pair(gate.new_code("look").digits, "Wall").token
    (tmp_path / "gate.json").unlink()
    assert gate.session_of(token) is None


def test_nobody_is_let_in_that_could_not_be_written_down(
    gate: Gate, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    code = gate.new_code("theatre")

    def full(_handle: int) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", full)
        with pytest.raises(Unwritable):
            gate.pair(code.digits, "Laptop")
    assert gate.sessions() == ()
    assert not list(tmp_path.glob(".coming-*"))
    assert json.loads((tmp_path / "gate.json").read_text("utf-8"))["sessions"] == []
    assert gate.pair(code.digits, "Laptop").session.key == 1


def test_a_full_disk_takes_no_screen_away(
    gate: Gate, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    wall = gate.pair(gate.new_code("look").digits, "Wall")

    def full(_handle: int) -> None:
        raise OSError(28, "No space left on device")

    clock.pass_(minutes=2)
    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", full)
        assert gate.stays(wall.session)
        assert gate.session_of(wall.token) is not None
    gate.see(wall.session)
    assert gate.stays(wall.session)
