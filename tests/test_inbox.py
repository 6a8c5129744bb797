"""A watched folder: what is complete is taken once, nothing in it is touched."""

import hashlib
import os
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests import standins
from tests.standins import png
from tracker.errors import UnreadableImage, Unwritable
from tracker.inbox import PATIENCE_S, STILL_S, Inbox
from tracker.service import Service


@pytest.fixture(autouse=True)
def _quick_pipeline(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tracker.ledger.pipeline", standins)


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    with Service(tmp_path / "record") as opened:
        opened.open_case(standins.setup(marks=standins.marks()))
        yield opened


@pytest.fixture
def share(tmp_path: Path) -> Path:
    folder = tmp_path / "share"
    folder.mkdir()
    return folder


class Watch:
    """An inbox without its thread, and a clock that is put forward by hand."""

    def __init__(self, service: Service, folder: Path, case_id: str = "p1") -> None:
        self.now = 0.0
        self.inbox = Inbox(service, folder, case_id, timer=lambda: self.now)
        self.inbox.look()

    def look(self, after_s: float = STILL_S) -> None:
        self.now += after_s
        self.inbox.look()

    def standing(self) -> str:
        return self.inbox.state.standing

    def settle(self) -> None:
        self.look()
        self.look()


def names(service: Service) -> list[str]:
    return [picture.row.name for picture in service.case("p1").pictures]


def test_pictures_are_taken_once_the_oldest_first(service: Service, share: Path) -> None:
    for age, (name, data) in enumerate(
        {"IM10": png(20), "b.PNG": png(18), "IM2.png": png(9), "a.png": png(0)}.items()
    ):
        (share / name).write_bytes(data)
        os.utime(share / name, (1e9 - age, 1e9 - age))
    (share / "IM10").rename(share / "IM10.png")
    watch = Watch(service, share)
    watch.settle()
    watch.settle()
    assert names(service) == ["a.png", "IM2.png", "b.PNG", "IM10.png"]
    state = watch.inbox.state
    assert (state.taken, state.last_file, state.last_error) == (4, "IM10.png", "")


def test_pictures_of_one_second_come_in_the_order_of_their_numbers(
    service: Service, share: Path
) -> None:
    for number in (10, 2, 1):
        (share / f"IM{number}.png").write_bytes(png(number))
        os.utime(share / f"IM{number}.png", (1e9, 1e9))
    Watch(service, share).settle()
    assert names(service) == ["IM1.png", "IM2.png", "IM10.png"]


def test_a_file_that_is_still_coming_is_waited_for(service: Service, share: Path) -> None:
    whole = png(0)
    watch = Watch(service, share)
    with (share / "slow.png").open("wb") as file:
        for start in range(0, len(whole), len(whole) // 5 + 1):
            file.write(whole[start : start + len(whole) // 5 + 1])
            file.flush()
            # A pause longer than the time of standing still: the structure says that more comes.
            watch.settle()
            watch.look(9.0)
    watch.settle()
    assert names(service) == ["slow.png"]
    assert service.case("p1").unreadable == ()


def test_what_never_becomes_a_picture_is_written_down_once(service: Service, share: Path) -> None:
    (share / "broken.png").write_bytes(png(0)[:-30])
    watch = Watch(service, share)
    watch.settle()
    assert service.case("p1").unreadable == ()
    for _ in range(5):
        watch.look(PATIENCE_S)
    assert [note.name for note in service.case("p1").unreadable] == ["broken.png"]
    assert "broken.png" in watch.inbox.state.last_error
    again = Watch(service, share)
    again.look(PATIENCE_S)
    again.look(PATIENCE_S)
    assert len(service.case("p1").unreadable) == 1
    # Copied again, whole this time.
    (share / "broken.png").write_bytes(png(0))
    watch.settle()
    assert names(service) == ["broken.png"]
    assert watch.inbox.state.last_error == ""


def test_nothing_in_the_folder_is_moved_or_altered(service: Service, share: Path) -> None:
    (share / "a.png").write_bytes(png(0))
    (share / "notes.txt").write_text("not a picture")
    (share / "a.png").chmod(0o444)

    def inside() -> list[tuple[str, int, int, str]]:
        return [
            (path.name, found.st_mtime_ns, found.st_mode, hashlib.sha256(data).hexdigest())
            for path in sorted(share.iterdir())
            for found, data in [(path.stat(), path.read_bytes())]
        ]

    before = inside()
    Watch(service, share).settle()
    assert names(service) == ["a.png"]
    assert inside() == before


def test_a_restart_takes_nothing_twice_and_what_came_meanwhile(tmp_path: Path, share: Path) -> None:
    (share / "a.png").write_bytes(png(0))
    (share / "b.png").write_bytes(png(9))
    with Service(tmp_path / "record") as service:
        service.open_case(standins.setup(marks=standins.marks()))
        Watch(service, share).settle()
    (share / "c.png").write_bytes(png(18))
    (share / "copy of b.png").write_bytes(png(9))
    with Service(tmp_path / "record") as service:
        watch = Watch(service, share)
        watch.settle()
        assert names(service) == ["a.png", "b.png", "c.png"]
        assert watch.inbox.state.taken == 1


def test_a_picture_that_was_set_aside_does_not_come_back(service: Service, share: Path) -> None:
    (share / "a.png").write_bytes(png(0))
    watch = Watch(service, share)
    watch.settle()
    service.replace_first("p1")
    (share / "a.png").touch()
    watch.settle()
    Watch(service, share).settle()
    assert service.case("p1").first is None


def test_a_stick_that_is_pulled_and_put_in_again(service: Service, share: Path) -> None:
    (share / "a.png").write_bytes(png(0))
    watch = Watch(service, share)
    watch.settle()
    away = share.rename(share.with_name("elsewhere"))
    watch.look()
    assert watch.standing() == "not reachable"
    assert "can't be read" in watch.inbox.state.last_error
    away.rename(share)
    (share / "b.png").write_bytes(png(9))
    watch.settle()
    watch.settle()
    assert names(service) == ["a.png", "b.png"]
    assert watch.standing() == "open"
    assert watch.inbox.state.last_error == ""


def test_folders_within_hidden_files_links_and_pipes(service: Service, share: Path) -> None:
    inner = share / "PAT1" / "ST1"
    inner.mkdir(parents=True)
    (inner / "a.png").write_bytes(png(0))
    (share / ".b.png").write_bytes(png(1))
    (share / ".trash").mkdir()
    (share / ".trash" / "c.png").write_bytes(png(2))
    (share / "README").write_text("no picture and no ending")
    outside = share.with_name("outside.png")
    outside.write_bytes(png(3))
    (share / "link.png").symlink_to(outside)
    (share / "loop").symlink_to(share)
    os.mkfifo(share / "pipe.png")
    Watch(service, share).settle()
    assert names(service) == ["a.png"]
    assert service.case("p1").unreadable == ()


def test_a_file_past_the_limit_is_named_and_left(service: Service, share: Path) -> None:
    with (share / "huge.png").open("wb") as file:
        file.truncate(service.settings.images.max_bytes + 1)
    watch = Watch(service, share)
    watch.look()
    assert watch.inbox.state.last_error == "huge.png: the file is longer than 64 MB."
    (share / "a.png").write_bytes(png(0))
    watch.settle()
    assert names(service) == ["a.png"]


def test_a_picture_that_took_too_long_is_tried_again(
    service: Service, share: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def slow(*_: object) -> None:
        raise UnreadableImage("a.png: the file takes longer than 5 s to read")

    (share / "a.png").write_bytes(png(0))
    watch = Watch(service, share)
    with monkeypatch.context() as patch:
        patch.setattr(service._ledger, "decode", slow)
        watch.settle()
    watch.look(10.0)
    assert names(service) == ["a.png"]


def test_a_full_disk_is_said_and_tried_again(
    service: Service, share: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise Unwritable("The record's disk is full.", hint="Free some space.")

    (share / "a.png").write_bytes(png(0))
    watch = Watch(service, share)
    with monkeypatch.context() as patch:
        patch.setattr(service, "add_picture", full)
        watch.settle()
        assert watch.inbox.state.last_error == "a.png: The record's disk is full. Free some space."
    watch.look(10.0)
    assert names(service) == ["a.png"]
    assert watch.inbox.state.last_error == ""


def test_a_case_that_is_opened_later_gets_what_waits(service: Service, share: Path) -> None:
    (share / "a.png").write_bytes(png(0))
    watch = Watch(service, share, "p2")
    watch.settle()
    assert "p2" in watch.inbox.state.last_error
    service.open_case(standins.setup("p2"))
    watch.look(10.0)
    assert len(service.case("p2").pictures) == 1


def test_in_its_own_thread_it_takes_what_comes_and_stops(service: Service, share: Path) -> None:
    inbox = Inbox(service, share, "p1")
    with inbox:
        (share / "a.png").write_bytes(png(0))
        deadline = time.monotonic() + 20
        while not inbox.state.taken and time.monotonic() < deadline:
            time.sleep(0.05)
    assert names(service) == ["a.png"]
    assert inbox.state.standing == "ended"
