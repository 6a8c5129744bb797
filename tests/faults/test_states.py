"""Each fault: a clear state on the page and at /healthz, nothing acknowledged lost, and recovery.

The pages are asked as a browser asks, over the stand-in pipeline.
"""

import errno
import os
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from tests import standins
from tests.asking import Client
from tests.faults.served import SIDE_PX, Here, begun, opened, picture, quick
from tests.postgres import Server
from tracker.errors import Busy
from tracker.service import Service
from tracker.verifying import verify
from web.app import create_app

PAGE = {"accept": "text/html"}


class Theatre:
    """A served record, and what its sender was told of each picture."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.acknowledged: list[str] = []
        self._k = 0

    @contextmanager
    def serving(self, clock: Callable[[], datetime] | None = None) -> Iterator[Client]:
        """Serve; the client is left in ``client``."""
        more: dict[str, Any] = {} if clock is None else {"clock": clock}
        with (
            quick(),
            Service(self.folder, decoder=Here(), **more) as self.service,
            Client(create_app(self.service)) as self.client,
        ):
            yield self.client

    def bring(self, again: int | None = None) -> int:
        """Bring the next picture, or one again; returns the status."""
        if again is None:
            self._k += 1
        data = picture(self._k if again is None else again)
        status = int(
            self.client.post(
                "/api/cases/p1/pictures",
                content=data,
                headers={"content-type": "application/octet-stream"},
            ).status_code
        )
        if status in (200, 201):
            self.acknowledged.append(sha256(data).hexdigest())
        return status

    def state(self) -> tuple[int, str]:
        """What /healthz says: its status, and the first thing that is wrong."""
        self.service.health.look_again()
        answer = self.client.get("/healthz")
        troubles = answer.json()["troubles"]
        return answer.status_code, troubles[0]["what"] if troubles else ""

    def shown(self) -> str:
        """What the working page says is wrong."""
        self.service.health.look_again()
        text = self.client.get("/cases/p1", headers=PAGE).text
        if 'class="trouble"' not in text:
            return ""
        return text.split('class="trouble"')[1].split("</div>")[0]

    def nothing_is_lost(self) -> None:
        """Look from outside, as after a restart: all there, all measured, the chain whole."""
        with quick(), opened(self.folder) as service:
            case = service.case("p1")
            held = [one.row.sha256 for one in case.pictures]
            assert len(set(held)) == len(held)
            assert set(self.acknowledged) <= set(held)
            assert case.waiting == ()
            verify(service._store)


@pytest.fixture
def theatre(place: Path, monkeypatch: pytest.MonkeyPatch) -> Theatre:
    monkeypatch.setattr("tracker.health._EVERY_S", 0.0)
    begun(place / "record", "p1")
    return Theatre(place / "record")


@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EROFS])
def test_a_disk_that_takes_no_pictures(
    theatre: Theatre, monkeypatch: pytest.MonkeyPatch, code: int
) -> None:
    def refuse(_: int) -> None:
        raise OSError(code, os.strerror(code))

    with theatre.serving():
        assert theatre.bring() == 201
        monkeypatch.setattr(os, "fsync", refuse)
        assert theatre.bring() == 507
        what = "full" if code == errno.ENOSPC else "Read-only file system"
        status, said = theatre.state()
        assert status == 503
        assert what in said
        assert what in theatre.shown()
        # What was measured before is still shown.
        assert theatre.client.get("/cases/p1/glance", headers=PAGE).status_code == 200
        monkeypatch.undo()
        monkeypatch.setattr("tracker.health._EVERY_S", 0.0)
        assert theatre.state() == (200, "")
        assert theatre.bring(again=2) == 201
    theatre.nothing_is_lost()


def test_a_database_that_is_full(theatre: Theatre) -> None:
    """The picture's file fits and its row does not: it is not acknowledged, and comes again."""
    with theatre.serving():
        assert theatre.bring() == 201
        engine = theatre.service._store.engine

        def small(link: Any, *_: object) -> None:
            pages = link.execute("PRAGMA page_count").fetchone()[0]
            link.execute(f"PRAGMA max_page_count={pages}")

        sa.event.listen(engine, "checkout", small)
        statuses = {theatre.bring() for _ in range(12)}
        assert 507 in statuses
        assert statuses <= {201, 507}
        sa.event.remove(engine, "checkout", small)
        engine.dispose()
        assert theatre.state() == (200, "")
        assert {theatre.bring(again=k) for k in range(2, 14)} <= {200, 201}
    theatre.nothing_is_lost()


def test_a_database_that_can_only_be_read(theatre: Theatre) -> None:
    with theatre.serving():
        engine = theatre.service._store.engine

        def only_read(link: Any, *_: object) -> None:
            link.execute("PRAGMA query_only=ON")

        def write_again(link: Any, *_: object) -> None:
            link.execute("PRAGMA query_only=OFF")

        sa.event.listen(engine, "checkout", only_read)
        assert theatre.bring() == 507
        sa.event.remove(engine, "checkout", only_read)
        sa.event.listen(engine, "checkout", write_again)
        assert theatre.bring(again=1) == 201
    theatre.nothing_is_lost()


@pytest.mark.parametrize("what", ["", "tracker.sqlite", "pictures", "lock"])
def test_the_store_is_taken_away_under_the_service(theatre: Theatre, what: str) -> None:
    with theatre.serving():
        assert theatre.bring() == 201
        path = theatre.folder / what if what else theatre.folder
        away = theatre.folder.parent / "away"
        path.rename(away)
        assert theatre.bring() == 507
        status, said = theatre.state()
        assert status == 503
        assert any(part in said for part in ("moved or deleted", "can't be written"))
        assert "Pictures can't be kept" in theatre.shown()
        if what == "pictures":
            shutil.rmtree(path, ignore_errors=True)
        away.rename(path)
        assert theatre.state() == (200, "")
        assert theatre.bring(again=2) in (200, 201)
    theatre.nothing_is_lost()


def test_a_corrupt_row(theatre: Theatre) -> None:
    """One case can't be read; it says so, and the others go on."""
    with theatre.serving():
        theatre.bring()
        theatre.service.open_case(standins.setup("p2"))
    link = sqlite3.connect(theatre.folder / "tracker.sqlite")
    link.execute("DROP TRIGGER events_no_update")
    link.execute("UPDATE events SET at = 'soon' WHERE kind = 'marks' AND case_key = 1")
    link.commit()
    link.close()
    with theatre.serving() as client:
        answer = client.get("/cases/p1", headers=PAGE)
        assert answer.status_code == 500
        assert "The record is damaged" in answer.text
        assert theatre.bring() == 500
        _, said = theatre.state()
        assert "can't be read" in said
        listed = client.get("/", headers=PAGE)
        assert listed.status_code == 200
        assert "see tracker verify" in listed.text
        assert client.get("/cases/p2", headers=PAGE).status_code == 200


def _file_of(theatre: Theatre, k: int) -> Path:
    digest = sha256(picture(k)).hexdigest()
    path = theatre.folder / "pictures" / digest[:2] / digest
    path.chmod(0o640)
    return path


def test_a_corrupt_still_that_later_ones_build_on(theatre: Theatre) -> None:
    """After a restart the case goes on without it and says so; who brings it again mends it."""
    with theatre.serving():
        for _ in range(3):
            assert theatre.bring() == 201
    _file_of(theatre, 2).write_bytes(b"damaged")
    with theatre.serving():
        assert theatre.bring() == 201
        status, said = theatre.state()
        assert status == 200
        assert "is damaged" in said
        assert "is damaged" in theatre.shown()
        assert theatre.client.get("/cases/p1/review", headers=PAGE).status_code == 200
        assert theatre.bring(again=2) == 200
        assert theatre.state() == (200, "")
    theatre.nothing_is_lost()


def test_a_first_picture_that_is_lost(theatre: Theatre) -> None:
    """What comes is kept, not acknowledged, and measured once the first picture is back."""
    digest = sha256(standins.png(0, side_px=SIDE_PX)).hexdigest()
    path = theatre.folder / "pictures" / digest[:2] / digest
    data = path.read_bytes()
    path.unlink()
    with theatre.serving():
        assert theatre.bring() == 500
        _, said = theatre.state()
        assert "can't be read" in said
        path.write_bytes(data)
        assert theatre.state() == (200, "")
        assert theatre.bring(again=1) == 200
        assert theatre.client.get("/cases/p1", headers=PAGE).status_code == 200
    theatre.nothing_is_lost()


def test_a_clock_that_jumps_back(theatre: Theatre) -> None:
    """Order hangs on no clock: pictures stay in the order in which they came."""
    now = datetime.now(UTC) + timedelta(seconds=5)
    with theatre.serving(lambda: now):
        assert theatre.bring() == 201
        now -= timedelta(hours=7)
        assert theatre.bring() == 201
        status, said = theatre.state()
        assert status == 200
        assert "clock is 7 h behind" in said
        assert "clock is 7 h behind" in theatre.shown()
        for page in ("glance", "review"):
            text = theatre.client.get(f"/cases/p1/{page}", headers=PAGE)
            assert text.status_code == 200
            assert "-7" not in text.text
        case = theatre.service.case("p1")
        assert [one.row.number for one in case.stills] == [1, 2]
        assert case.latest is case.stills[-1]
        now += timedelta(hours=8)
        assert theatre.bring() == 201
        assert theatre.state() == (200, "")
    theatre.nothing_is_lost()


def test_two_services_on_one_store(theatre: Theatre) -> None:
    with theatre.serving():
        with pytest.raises(Busy, match="Another service"):
            opened(theatre.folder)
        assert theatre.bring() == 201
        assert theatre.state() == (200, "")
    theatre.nothing_is_lost()


def test_a_database_server_that_goes_away(place: Path, server: Server) -> None:
    database = server.database()
    with quick(), opened(place / "record", database) as service:
        service.open_case(standins.setup())
        service.add_picture("p1", standins.png(0, side_px=SIDE_PX), "first.png")
        service.accept_proposed("p1")
        with Client(create_app(service)) as client:
            server.stop()
            try:
                service.health.look_again()
                answer = client.get("/healthz")
                assert answer.status_code == 503
                assert "does not answer" in answer.json()["troubles"][0]["what"]
            finally:
                server.start()
            service.health.look_again()
            assert client.get("/healthz").status_code == 200
            assert service.add_picture("p1", picture(1), "1.png").is_new
            verify(service._store)
