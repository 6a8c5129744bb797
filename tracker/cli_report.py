"""The command that writes a case's report."""

import argparse
import base64
import os
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

from tracker import __version__, cli_record
from tracker.errors import InputError, NotFound, Unwritable

FILES: Final = {
    "pdf": "report.pdf",
    "html": "report.html",
    "csv": "report.csv",
    "json": "report.json",
    "sr": "report.dcm",
    "capture": "capture.dcm",
    "note": "note.txt",
    "note-picture": "note.png",
}
"""What can be asked for, and the file's name."""


def add_command(commands: Any) -> None:
    """Add the command to the parser's."""
    report = commands.add_parser("report", help="write the report of a case")
    report.add_argument("case", metavar="CASE", help="the case's name")
    report.add_argument(
        "--out", type=Path, metavar="DIR", help="folder for the files (default: CASE-report)"
    )
    report.add_argument(
        "--only",
        nargs="+",
        choices=tuple(FILES),
        metavar="KIND",
        help=f"these alone: {', '.join(FILES)}",
    )
    cli_record.record_options(report)
    report.set_defaults(command=_report)


def _report(options: argparse.Namespace) -> None:
    """Write a report from the record as it is; a service may hold it meanwhile."""
    from tracker.around_films import hip_of
    from tracker.decoding import SHARED
    from tracker.ledger import Ledger
    from tracker.record import Stamp
    from tracker.reporting import Reporting
    from tracker.settings import DEFAULTS
    from tracker.store import Store

    case: str = options.case
    folder: Path = options.data
    if not folder.is_dir():
        raise NotFound(f"There is no record in {folder}.", hint="Name its folder with --data.")
    stamp = Stamp(__version__, DEFAULTS.digest())
    database = cli_record.database(options)
    with Store(folder, stamp, database=database, reads_only=True) as store:
        ledger = Ledger(store, DEFAULTS, lambda: 0.0, SHARED)
        # As the record has it: what waits to be measured is for the service to measure.
        for name in (case, hip_of(ledger, ledger.reread(case).row.id)):
            ledger.reread(name)
        reports = Reporting(ledger, (stamp.software, stamp.settings))
        makers: dict[str, Callable[[], bytes]] = {
            "pdf": lambda: reports.pdf(case),
            "html": lambda: _page(reports, case).encode(),
            "csv": lambda: reports.csv(case).encode(),
            "json": lambda: reports.json(case).encode(),
            "sr": lambda: reports.structured(case),
            "capture": lambda: reports.capture(case),
            "note": lambda: reports.note(case).encode(),
            "note-picture": lambda: reports.note_picture(case),
        }
        report = reports.report(case)
        missing = {"capture"} if report.start is None else set()
        missing |= {"note-picture"} if report.final is None else set()
        wanted: list[str] = options.only or [kind for kind in FILES if kind not in missing]
        # All of them are made before the first is written: without an extra nothing is.
        made = {FILES[kind]: makers[kind]() for kind in dict.fromkeys(wanted)}
    out: Path = options.out or Path(f"{case}-report")
    for name, data in made.items():
        _write(out, name, data)
        print(out / name)


def _page(reports: Any, case: str) -> str:
    """Return the report as one HTML file that holds its pictures."""

    def inside(number: int, form: str) -> str:
        text = base64.b64encode(reports.picture(case, number, form)).decode()
        return f"data:image/png;base64,{text}"

    text: str = reports.document(case, inside)
    return text


def _write(folder: Path, name: str, data: bytes) -> None:
    """Write a file whole or not at all: beside its place first, then moved there."""
    if folder.exists() and not folder.is_dir():
        raise InputError(f"{folder} is a file", hint="name a folder with --out")
    try:
        folder.mkdir(exist_ok=True)
        handle, beside = tempfile.mkstemp(dir=folder, prefix=f".{name}.", text=False)
        temporary = Path(beside)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            temporary.chmod(0o644)
            temporary.replace(folder / name)
        finally:
            temporary.unlink(missing_ok=True)
    except OSError as error:
        raise Unwritable(
            f"{folder / name} can't be written: {os.strerror(error.errno or 0)}",
            hint="check folder, disk and rights",
        ) from None
