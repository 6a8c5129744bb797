"""Records with cases in them, made through the service over a pipeline that measures at once."""

from pathlib import Path
from typing import Any
from unittest import mock

from tests import standins
from tracker.service import Service
from tracker.store import Store
from tracker.table import result_lines


def fill(
    folder: Path, *case_ids: str, database: str = "", pictures: tuple[int, ...] = (5, 9)
) -> None:
    """Open cases with the same few pictures, results and notes in each."""
    with (
        mock.patch("tracker.ledger.pipeline", standins),
        Service(folder, database=database) as service,
    ):
        for case_id in case_ids:
            service.open_case(standins.setup(case_id))
            service.add_picture(case_id, standins.png(0), "first.png")
            service.accept_proposed(case_id)
            for tenths in pictures:
                service.add_picture(case_id, standins.png(tenths), f"{tenths:03}.png")
            service.take_note(case_id, "as planned")


def rows(store: Store) -> dict[str, object]:
    """Everything that a record says of its cases, but for the keys."""
    found: dict[str, object] = {}
    for case in store.cases():
        whole = store.whole(case)
        members: list[Any] = [case, *whole.pictures, *whole.results, *whole.events]
        found[case.id] = [
            [(name, getattr(row, name)) for name in row.__slots__ if not name.endswith("key")]
            for row in members
        ]
    return found


def table(folder: Path, case_id: str, database: str = "") -> list[str]:
    """The table of a case's results, as the command line prints it."""
    with (
        mock.patch("tracker.ledger.pipeline", standins),
        Service(folder, database=database) as service,
    ):
        case = service.case(case_id)
        assert case.reference is not None
        return result_lines(case.reference, [one.result for one in case.stills if one.result])
