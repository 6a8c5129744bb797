"""A PostgreSQL server of Debian's own package for a test run: quick, private, and gone afterwards.

It listens on a socket in a temporary folder only.  The server refuses to run for root, so root
lets the user that Debian's package makes run it.
"""

import os
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
import sqlalchemy as sa

_DEBIAN = Path("/usr/lib/postgresql")


def programs() -> Path | None:
    """Folder of the newest server's programs."""
    found = sorted(_DEBIAN.glob("*/bin/initdb"), key=lambda path: int(path.parts[-3]))
    return found[-1].parent if found else None


@dataclass
class Server:
    """A running server; ``database()`` gives the address of a fresh database on it."""

    folder: Path
    bin: Path
    as_user: list[str]
    process: "subprocess.Popen[bytes] | None" = None
    made: int = 0

    def start(self) -> None:
        # Without a sync to the disk: what is tested here is the program, not the disk.
        options = ["-c", "listen_addresses=", "-c", "fsync=off", "-c", "max_connections=60"]
        with (self.folder / "log").open("ab") as log:
            self.process = subprocess.Popen(
                [*self.as_user, str(self.bin / "postgres"), "-D", str(self.folder / "data"),
                 "-k", str(self.folder), *options],
                stdout=log,
                stderr=log,
                cwd=self.folder,
                start_new_session=True,
            )  # fmt: skip
        deadline = time.monotonic() + 30
        while True:
            try:
                with self._admin() as link:
                    link.exec_driver_sql("SELECT 1")
                return
            except sa.exc.OperationalError:
                if time.monotonic() > deadline or self.process.poll() is not None:
                    raise RuntimeError((self.folder / "log").read_text()) from None
                time.sleep(0.05)

    def stop(self) -> None:
        """Let go of everybody at once and end."""
        assert self.process is not None
        pid = int((self.folder / "data" / "postmaster.pid").read_text().split()[0])
        os.kill(pid, signal.SIGINT)
        self.process.wait(30)

    def database(self) -> str:
        self.made += 1
        name = f"record{self.made}"
        with self._admin() as link:
            link.exec_driver_sql(f"CREATE DATABASE {name}")
        return self.address(name)

    def address(self, name: str) -> str:
        return f"postgresql+psycopg://tracker@/{name}?host={self.folder}"

    def _admin(self) -> sa.Connection:
        engine = sa.create_engine(
            self.address("postgres"), poolclass=sa.NullPool, isolation_level="AUTOCOMMIT"
        )
        return engine.connect()


@pytest.fixture(scope="session")
def server() -> Iterator[Server]:
    found = programs()
    if found is None:
        if os.environ.get("CI") == "true":
            pytest.fail("PostgreSQL is not on this machine (Debian's package postgresql)")
        pytest.skip("needs Debian's package postgresql")
    # Not pytest's own folder: its parents are closed to other users, and a socket's path is short.
    folder = Path(tempfile.mkdtemp(prefix="pg-", dir="/tmp"))
    as_user: list[str] = []
    if os.geteuid() == 0:
        as_user = ["setpriv", "--reuid=postgres", "--regid=postgres", "--clear-groups"]
        shutil.chown(folder, "postgres", "postgres")
    try:
        subprocess.run(
            [*as_user, str(found / "initdb"), "-D", str(folder / "data"), "-U", "tracker",
             "--auth=trust", "--no-sync", "--encoding=UTF8", "--locale=C"],
            check=True,
            capture_output=True,
            cwd=folder,
        )  # fmt: skip
        running = Server(folder, found, as_user)
        running.start()
        yield running
        running.stop()
    finally:
        shutil.rmtree(folder, ignore_errors=True)
