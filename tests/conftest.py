"""Fixtures that several test rooms share."""

import os
from datetime import timedelta

import cv2
import pytest
from hypothesis import settings

from tests.postgres import server as server

settings.register_profile("tracker", deadline=timedelta(seconds=5), derandomize=True)
settings.load_profile("tracker")

# One thread gives the same sums on every machine.
cv2.setNumThreads(1)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Browser tests go last: the browser's driver keeps an event loop running in this thread,
    in which no test client of the pages can run its own."""
    items.sort(key=lambda item: "tests/browser/" in item.path.as_posix())


def pytest_sessionfinish(session: pytest.Session) -> None:
    """Where everything is installed, a test that was skipped is a test that was lost."""
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    if os.environ.get("CI") == "true" and reporter and reporter.stats.get("skipped"):
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


@pytest.fixture(autouse=True)
def clean_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    """No test depends on the developer's shell."""
    for name in [name for name in os.environ if name.startswith("TRACKER_")]:
        monkeypatch.delenv(name)
