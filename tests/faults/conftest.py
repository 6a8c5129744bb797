"""A quick place for records: a kill spares what is in memory, so a disk adds nothing but time."""

import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.faults.served import quick_place


@pytest.fixture
def place() -> Iterator[Path]:
    with tempfile.TemporaryDirectory(dir=quick_place()) as folder:
        yield Path(folder)
