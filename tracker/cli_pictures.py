"""The command that gives pictures to a case."""

import argparse
from pathlib import Path
from typing import Any

from tracker import cli_record
from tracker.errors import InputError, NotFound, UnreadableImage


def add_command(commands: Any) -> None:
    """Add the command to the parser's."""
    add = commands.add_parser("add", help="give pictures to a case, while no service runs")
    add.add_argument("case", metavar="CASE", help="the case's name")
    add.add_argument("files", nargs="+", type=Path, metavar="FILE", help="in the order taken")
    add.add_argument(
        "--frame", type=_frame, metavar="N", help="which frame of a run, from 1 (default: the last)"
    )
    cli_record.record_options(add)
    add.set_defaults(command=_add)


def _frame(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= 1_000_000:
        raise argparse.ArgumentTypeError(f"{text} is no frame's number, 1 or more")
    return int(text)


def _add(options: argparse.Namespace) -> None:
    """Give pictures to a case, with a line for each."""
    from tracker.casefolder import read_picture
    from tracker.service import Service

    if options.frame is not None and len(options.files) > 1:
        raise InputError("--frame is for one file", hint="give the run alone")
    if not options.data.is_dir():
        raise NotFound(
            f"There is no record in {options.data}.", hint="Name its folder with --data."
        )
    with Service(options.data, database=cli_record.database(options)) as service:
        service.case(options.case)
        most = service.settings.images.max_bytes
        refused = 0
        for path in options.files:
            try:
                data = read_picture(path, most)
                frame = None if options.frame is None else options.frame - 1
                added = service.add_picture(options.case, data, path.name, frame=frame)
            except UnreadableImage as error:
                refused += 1
                _say(f"{path.name}: refused: {error.message}")
                continue
            _say(f"{path.name}: {_became(service, options.case, added)}")
    if refused == len(options.files):
        raise InputError("no picture was taken in", hint="the lines above say why")


def _became(service: Any, case_id: str, added: Any) -> str:
    """Say what became of a picture, without a number."""
    if added.rehearsed:
        return "the rehearsal's picture"
    if added.held:
        return f"picture {added.number}, held (another {' and '.join(added.held)}): see Pictures"
    case = service.case(case_id)
    picture = next(one for one in case.pictures if one.number == added.number)
    again = "" if added.is_new else ", in the case already"
    standing = case.standing_of(picture)
    reasons = picture.result.reasons if picture.result else ()
    why = f": {reasons[0].sentence}" if standing == "not measured" and reasons else ""
    return f"picture {added.number}, {standing}{again}{why}"


def _say(line: str) -> None:
    print("".join(one if one.isprintable() else "?" for one in line))
