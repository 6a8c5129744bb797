"""The commands for many cases: cohort (what they say together), remeasure (an archive again)."""

import argparse
import os
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from tracker import __version__
from tracker.cli_record import database, record_options
from tracker.errors import InputError, StoreError, Unwritable

if TYPE_CHECKING:
    from tracker.farm import Farm
    from tracker.remeasure import Outcome, Progress
    from tracker.store import Store

_ROLE: Final = "command line"
_MOST_LINES: Final = 60


def add_commands(commands: Any) -> None:
    """Add the commands to the parser's."""
    cohort = commands.add_parser("cohort", help="say what the cases of a record say together")
    _record(cohort)
    _choice(cohort)
    cohort.add_argument("--csv", type=Path, metavar="FILE", help="write one line a case here")
    cohort.add_argument("--passes", type=Path, metavar="FILE", help="write one line a pass here")
    cohort.set_defaults(command=_cohort)

    again = commands.add_parser(
        "remeasure",
        help="measure a record again with this software and say what moved; compares only, "
        "unless --add",
    )
    _record(again)
    again.add_argument(
        "--only",
        action="append",
        default=[],
        metavar="CASE",
        help="only this case; may be repeated",
    )
    again.add_argument(
        "--add",
        action="store_true",
        help="add the results to closed cases as new entries; earlier ones stay",
    )
    again.add_argument(
        "--open-too",
        action="store_true",
        help="with --add, to cases that are not closed as well: what the wall shows may change",
    )
    again.add_argument(
        "--workers",
        type=_workers,
        metavar="N",
        help="processes at a time (default: as many as cores; 0 works in this one)",
    )
    again.add_argument(
        "--scheduler",
        metavar="ADDRESS",
        help="let a Dask cluster do it: its scheduler's address, tcp://host:8786 or tls://",
    )
    again.add_argument(
        "--csv", type=Path, metavar="FILE", help="write every picture that was compared here"
    )
    again.add_argument(
        "--progress",
        type=Path,
        metavar="FILE",
        help="where finished cases are noted (default: derived/remeasured.jsonl in the record)",
    )
    again.add_argument(
        "--afresh", action="store_true", help="do again what an earlier run had finished"
    )
    again.set_defaults(command=_remeasure)


def _record(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "record", nargs="?", type=Path, metavar="RECORD", help="its folder, instead of --data"
    )
    record_options(parser)


def _choice(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--since", type=_day, metavar="DATE", help="opened on this day or later, YYYY-MM-DD"
    )
    parser.add_argument(
        "--until", type=_day, metavar="DATE", help="opened on this day or earlier, YYYY-MM-DD"
    )
    parser.add_argument("--side", choices=("left", "right"), help="only this side")
    parser.add_argument("--plan", choices=("angle", "depth", "both"), help="what the plan gives")
    parser.add_argument(
        "--view",
        choices=("AP", "false-profile", "oblique", "all"),
        default="AP",
        help="views of one hip are cases of their own (default: AP)",
    )
    parser.add_argument(
        "--cases",
        choices=("live", "folder", "demo", "all"),
        default="live",
        help="live ones, read from folders, of the demo, or all (default: live)",
    )


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text} is no date, YYYY-MM-DD") from None


def _workers(text: str) -> int:
    if not text.isdecimal() or not 0 <= int(text) <= 256:
        raise argparse.ArgumentTypeError(f"{text} is no number of processes, 0 to 256")
    return int(text)


@contextmanager
def _store(options: argparse.Namespace, *, reads_only: bool) -> "Iterator[Store]":
    from tracker.acting import acting_as
    from tracker.record import Stamp
    from tracker.settings import DEFAULTS
    from tracker.store import Store

    if options.record is not None:
        options.data = options.record
    stamp = Stamp(__version__, DEFAULTS.digest())
    where = database(options)
    with (
        acting_as(_ROLE),
        Store(options.data, stamp, database=where, reads_only=reads_only) as store,
    ):
        yield store


# --- cohort ------------------------------------------------------------------------------


def _cohort(options: argparse.Namespace) -> None:
    from tracker.cohort import Wanted, cohort
    from tracker.cohort_table import cases_csv, passes_csv, text_lines
    from tracker.roll import Roll

    if options.since and options.until and options.since > options.until:
        raise InputError("--since is after --until", hint="exchange them")
    view = None if options.view == "all" else options.view
    wanted = Wanted(options.since, options.until, options.side, options.plan, options.cases, view)
    with _store(options, reads_only=True) as store:
        _, rows, unread = Roll(store).rows()
    found = cohort(rows, wanted, unread)
    if options.csv is not None:
        _write(options.csv, cases_csv(found.rows))
    if options.passes is not None:
        _write(options.passes, passes_csv(found.rows))
    print("\n".join(map(_printable, text_lines(found))))


# --- remeasure ---------------------------------------------------------------------------


def _remeasure(options: argparse.Namespace) -> None:
    from tracker.derived import FOLDER, Lines
    from tracker.moved import moves_csv
    from tracker.remeasure import Remeasuring, Wish
    from tracker.settings import DEFAULTS

    if options.open_too and not options.add:
        raise InputError("--open-too needs --add", hint="see tracker remeasure --help")
    if options.scheduler and options.workers is not None:
        raise InputError("--workers and --scheduler exclude each other", hint="give one of them")
    wish = Wish(options.add, options.open_too, tuple(dict.fromkeys(options.only)))
    with _store(options, reads_only=not options.add) as store:
        progress = Lines(options.progress or store.folder / FOLDER / "remeasured.jsonl")
        work = Remeasuring(store, DEFAULTS, progress, wish)
        if options.afresh:
            work.forget()
        with _farm(options) as farm:
            _say(
                f"measuring again with {farm.workers} at a time; Ctrl-C stops, and nothing is lost"
            )
            try:
                outcome = work.run(farm, _tell)
            except KeyboardInterrupt:
                _say("stopped; the same command goes on where it was")
                raise
    if options.csv is not None:
        _write(options.csv, moves_csv(outcome.moves))
    print("\n".join(map(_printable, _lines(outcome, options))))
    if outcome.failed:
        raise StoreError(
            f"{len(outcome.failed)} of {outcome.total} cases could not be measured again.",
            hint="They are named above; the same command tries only them again.",
        )


@contextmanager
def _farm(options: argparse.Namespace) -> "Iterator[Farm]":
    from tracker.farm import Alone, Processes

    if options.scheduler:
        from tracker.cluster import Cluster

        cluster = Cluster(options.scheduler)
        try:
            yield cluster
        finally:
            cluster.close()
    elif options.workers == 0:
        yield Alone()
    else:
        yield Processes(options.workers)


def _tell(done: "Progress") -> None:
    place = f"{done.finished:>{len(str(done.total))}}/{done.total} {done.case_id}"
    if done.failed:
        _say(f"{place}: not measured again: {done.failed}")
    elif not done.again:
        _say(f"{place}: finished by an earlier run")
    else:
        _say(f"{place}: {done.pictures} pictures, {done.moved} changed")


def _lines(outcome: "Outcome", options: argparse.Namespace) -> list[str]:
    """Return the table of what moved and the sums."""
    from tracker.moved import HEADINGS, move_line, tally

    changed = [pair for pair in outcome.moves if pair[1].is_seen]
    # The largest first: a reader who stops early has seen what matters.
    weight = {"verdict": 2, "new": 1}
    changed.sort(key=lambda pair: (-weight.get(pair[1].change, 0), -(pair[1].in_expanded or 0.0)))
    shown = changed[:_MOST_LINES]
    lines = []
    if shown:
        rows = [HEADINGS, *(move_line(case_id, move) for case_id, move in shown)]
        widths = [max(len(row[k]) for row in rows) for k in range(len(HEADINGS))]
        lines = [
            "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
            for row in rows
        ]
        if len(changed) > len(shown):
            lines.append(f"and {len(changed) - len(shown)} more; --csv writes all")
        lines.append("")
    sums = tally(move for _, move in outcome.moves)
    lines += [
        f"{outcome.total} cases: {outcome.done} measured again, {outcome.earlier} by an earlier "
        f"run, {len(outcome.nothing)} without agreed marks, {len(outcome.failed)} failed",
        f"{sums.pictures} pictures compared: {sums.same} the same to the last bit, "
        f"{sums.within} moved within U, {sums.beyond} beyond U, {sums.verdicts} with another "
        f"verdict, {sums.other} with other details only (uncertainty, area, lines, remarks), "
        f"{sums.new} without a result before",
        f"{sums.messages} would say another message or limit; largest move "
        f"{sums.largest:.2f} U (U = 2u of the number before)",
    ]
    lines += [f"failed: {case_id}: {why}" for case_id, why in outcome.failed]
    if not options.add:
        lines.append("Nothing was written into the record; --add adds the results.")
    else:
        lines.append(f"{outcome.added} results added; earlier ones stay in the record.")
        if outcome.not_added:
            lines.append(
                f"Nothing was added to {len(outcome.not_added)} cases that are not closed; "
                "close them, or give --open-too."
            )
    return lines


# --- text and files ----------------------------------------------------------------------


def _write(path: Path, text: str) -> None:
    """Write a file whole or not at all."""
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
        temporary = Path(name)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(text.encode())
            temporary.chmod(0o644)
            temporary.replace(path)
        finally:
            temporary.unlink(missing_ok=True)
    except OSError as error:
        raise Unwritable(
            f"{path} can't be written: {os.strerror(error.errno or 0)}",
            hint="check folder, disk and rights",
        ) from None


def _printable(text: str) -> str:
    return "".join(one if one.isprintable() else "?" for one in text)


def _say(line: str) -> None:
    print(_printable(line), file=sys.stderr, flush=True)
