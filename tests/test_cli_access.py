"""The commands for other devices, beside a service that runs."""

import socket
import subprocess
import sys
import time
from pathlib import Path

import httpx
import pytest
from argon2 import PasswordHasher

from tracker import pairing
from tracker.cli import build_parser, main
from tracker.cli_access import serving
from tracker.gate import Gate


@pytest.fixture(autouse=True)
def _quick_hashes(monkeypatch: pytest.MonkeyPatch) -> None:
    quick = PasswordHasher(time_cost=1, memory_cost=64, parallelism=1)
    monkeypatch.setattr(pairing, "_HASHER", quick)


def test_a_code_from_the_command_line_lets_a_device_in(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["pair", "--role", "look", "--data", str(tmp_path)]) == 0
    said = capsys.readouterr().out
    admitted = Gate(tmp_path).pair(said[:9], "Wall screen")
    assert admitted.session.role == "look"
    assert "until" in said


def test_devices_are_listed_and_sent_away(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    gate = Gate(tmp_path)
    data = ["--data", str(tmp_path)]
    assert main(["sessions", *data]) == 0
    assert capsys.readouterr().out == "no device is paired\n"
    for name, role in (("Wall screen", "look"), ("Laptop", "theatre")):
        gate.pair(gate.new_code(role).digits, name)  # type: ignore[arg-type]
    main(["sessions", *data])
    lines = capsys.readouterr().out.splitlines()
    assert lines[1].split()[:2] == ["2", "Laptop"]
    assert lines[2].split()[:4] == ["1", "Wall", "screen", "look"]
    assert main(["sessions", "--revoke", "1", *data]) == 0
    assert [one.device for one in gate.live_sessions()] == ["Laptop"]
    assert main(["sessions", "--revoke", "1", *data]) == 2
    assert main(["sessions", "--revoke", "all", *data]) == 0
    assert gate.live_sessions() == ()
    assert capsys.readouterr().out == "1 sent away\n1 sent away\n"


@pytest.mark.parametrize(
    "arguments",
    [
        ["pair"],
        ["pair", "--role", "surgeon"],
        ["pair", "--role", "look", "--data", "nowhere"],
        ["sessions", "--data", "nowhere"],
        ["sessions", "--revoke", "-1"],
        ["sessions", "--revoke", "first"],
    ],
)
def test_what_can_not_be_used_is_one_line(
    arguments: list[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(arguments) == 2
    assert capsys.readouterr().err.count("\n") == 1


def test_serve_hands_over_how_it_is_reached() -> None:
    options = build_parser().parse_args(
        ["serve", "--host", "0.0.0.0", "--name", "a.example", "--name", "b.example",
         "--certificate", "c.pem", "--key", "k.pem"]
    )  # fmt: skip
    assert serving(options) == {
        "host": "0.0.0.0",
        "names": ("a.example", "b.example"),
        "certificate": Path("c.pem"),
        "key": Path("k.pem"),
    }
    alone = serving(build_parser().parse_args(["serve"]))
    assert alone["host"] == "127.0.0.1"


@pytest.mark.slow
def test_serving_others_shows_codes_and_the_commands_work_beside_it(tmp_path: Path) -> None:
    """The whole way: serve to all addresses, read the code off the terminal, pair, send away."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    command = [sys.executable, "-m", "tracker"]
    data = ["--data", str(tmp_path / "record")]
    served = subprocess.Popen(
        [*command, "serve", "--host", "0.0.0.0", "--port", str(port), *data],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        assert served.stdout is not None
        said = [served.stdout.readline() for _ in range(6)]
        look = next(line for line in said if line.startswith("    look"))
        here = f"http://127.0.0.1:{port}"
        # Passed on by a proxy, it comes from somewhere else.
        elsewhere = {"Via": "1.1 proxy"}
        with httpx.Client(base_url=here, headers=elsewhere, timeout=20) as client:
            until = time.monotonic() + 20
            while True:
                try:
                    assert client.get("/healthz").status_code == 401
                    break
                except httpx.ConnectError:
                    assert time.monotonic() < until
                    time.sleep(0.1)
            code = look.split()[1] + look.split()[2]
            assert client.post("/pair", data={"code": code}).status_code == 303
            assert client.get("/devices").status_code == 200
            ended = subprocess.run(
                [*command, "sessions", "--revoke", "all", *data],
                capture_output=True,
                text=True,
                check=True,
            )
            assert ended.stdout == "1 sent away\n"
            assert client.get("/devices").status_code == 401
    finally:
        served.terminate()
        served.communicate(timeout=20)
