"""The commands for the record as a whole: verify, export, import, backup, restore, delete."""

import argparse
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from tracker import __version__
from tracker.errors import InputError

if TYPE_CHECKING:
    from tracker.record import CaseRow
    from tracker.store import Store

DATA_DIR: Final = Path("tracker-data")
_ROLE: Final = "command line"
_LONGEST_REASON: Final = 400


def add_commands(commands: Any) -> None:
    """Add the record's commands to the parser's."""
    verify = commands.add_parser("verify", help="walk the record and name the first wrong thing")
    verify.add_argument(
        "record", nargs="?", type=Path, metavar="RECORD", help="its folder, instead of --data"
    )
    verify.set_defaults(command=_verify)

    export = commands.add_parser("export", help="write a case into one file")
    export.add_argument("case", metavar="CASE", help="the case's name")
    export.add_argument("--out", type=Path, required=True, metavar="FILE", help="a new file")
    export.set_defaults(command=_export)

    take = commands.add_parser("import", help="take a case in from a file of export")
    take.add_argument("file", type=Path, metavar="FILE", help="what export wrote")
    take.set_defaults(command=_import)

    backup = commands.add_parser("backup", help="copy the record, also while it is served")
    backup.add_argument("file", type=Path, metavar="FILE", help="a new file")
    backup.set_defaults(command=_backup)

    restore = commands.add_parser("restore", help="make a record from a backup")
    restore.add_argument("file", type=Path, metavar="FILE", help="what backup wrote")
    restore.set_defaults(command=_restore)

    delete = commands.add_parser("delete", help="delete cases; the audit keeps a line of each")
    delete.add_argument("cases", nargs="*", metavar="CASE", help="the cases' names")
    delete.add_argument(
        "--older-than",
        type=_days,
        metavar="DAYS",
        help="all closed cases whose last entry is older",
    )
    delete.add_argument("--reason", default="", metavar="TEXT", help="why; stays in the audit")
    delete.add_argument("--yes", action="store_true", help="without it they are only listed")
    delete.set_defaults(command=_delete)

    for command in (verify, export, take, backup, restore, delete):
        record_options(command)


def record_options(parser: argparse.ArgumentParser) -> None:
    """Add the options that say where the record is."""
    parser.add_argument(
        "--data",
        type=Path,
        default=DATA_DIR,
        metavar="DIR",
        help=f"where cases are kept (default: {DATA_DIR}/ in the current folder)",
    )
    parser.add_argument(
        "--database",
        # Not the variable itself: help must not print a password.
        default="",
        metavar="ADDRESS",
        help="a PostgreSQL database for the tables (default: TRACKER_DATABASE, else the folder)",
    )


def database(options: argparse.Namespace) -> str:
    """Return the database's address; empty where the folder holds the tables."""
    given: str = options.database
    return given or os.environ.get("TRACKER_DATABASE", "")


def _days(text: str) -> int:
    if not text.isdecimal() or not 0 < int(text) <= 100_000:
        raise argparse.ArgumentTypeError(f"{text} is no number of days, 1 to 100000")
    return int(text)


@contextmanager
def _store(options: argparse.Namespace, *, reads_only: bool) -> Iterator["Store"]:
    from tracker.acting import acting_as
    from tracker.record import Stamp
    from tracker.settings import DEFAULTS
    from tracker.store import Store
    from tracker.wholecase import finish_deletions

    stamp = Stamp(__version__, DEFAULTS.digest())
    folder: Path = options.data
    with (
        acting_as(_ROLE),
        Store(folder, stamp, database=database(options), reads_only=reads_only) as store,
    ):
        if not reads_only:
            finish_deletions(store)
        yield store


def _verify(options: argparse.Namespace) -> None:
    from tracker.verifying import Walked, verify

    if options.record is not None:
        options.data = options.record

    def tell(walked: Walked) -> None:
        if walked.cases % 100 == 0:
            _say(f"{walked.cases} cases looked at")

    with _store(options, reads_only=True) as store:
        walked = verify(store, tell)
    print(_counted(walked))


def _counted(walked: Any) -> str:
    return (
        f"The record is as it was written: {walked.cases} cases, {walked.entries} entries, "
        f"{walked.pictures} pictures, {walked.results} results."
    )


def _export(options: argparse.Namespace) -> None:
    from tracker.moving import export_case

    with _store(options, reads_only=True) as store:
        digest = export_case(store, options.case, options.out)
        head = store.head(store.case(options.case))
    print(f"{options.out}  sha256 {digest}\nlast entry  {head}")


def _import(options: argparse.Namespace) -> None:
    from tracker.moving import import_case

    with _store(options, reads_only=False) as store:
        case = import_case(store, options.file)
        head = store.head(case)
    print(f"case {case.id} taken in\nlast entry  {head}")


def _backup(options: argparse.Namespace) -> None:
    from tracker.backup import backup

    with _store(options, reads_only=True) as store:
        digest = backup(store, options.file)
    print(f"{options.file}  sha256 {digest}")


def _restore(options: argparse.Namespace) -> None:
    from tracker.acting import acting_as
    from tracker.backup import restore
    from tracker.record import Stamp
    from tracker.settings import DEFAULTS

    stamp = Stamp(__version__, DEFAULTS.digest())
    with acting_as(_ROLE):
        walked = restore(options.file, options.data, stamp, database=database(options))
    print(_counted(walked))


def _delete(options: argparse.Namespace) -> None:
    from tracker.wholecase import delete

    reason = options.reason.strip()
    if bool(options.cases) == (options.older_than is not None):
        raise InputError("name cases or give --older-than", hint="see tracker delete --help")
    if options.yes and not 1 <= len(reason) <= _LONGEST_REASON:
        raise InputError("--reason is missing or too long", hint=f"up to {_LONGEST_REASON} letters")
    with _store(options, reads_only=not options.yes) as store:
        chosen = _chosen(store, options)
        for case in chosen:
            if options.yes:
                delete(store, case, reason)
            print(f"{case.id}  opened {case.opened_at:%Y-%m-%d}{'  deleted' * options.yes}")
        if not options.yes:
            _say(f"{len(chosen)} cases; nothing was deleted (--yes deletes them)")


def _chosen(store: "Store", options: argparse.Namespace) -> "list[CaseRow]":
    if options.cases:
        return [store.case(case_id) for case_id in dict.fromkeys(options.cases)]
    before = store.now() - timedelta(days=options.older_than)
    old = []
    for case in store.cases():
        events = store.events(case)
        said = [event.kind for event in events if event.kind in ("closed", "reopened")]
        if said and said[-1] == "closed" and events[-1].at < before:
            old.append(case)
    return old


def _say(line: str) -> None:
    print(line, file=sys.stderr, flush=True)
