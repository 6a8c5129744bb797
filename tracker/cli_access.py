"""The commands for other devices: a code that lets one in, and who is in."""

import argparse
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from tracker.cli_record import DATA_DIR
from tracker.errors import InputError

if TYPE_CHECKING:
    from tracker.gate import Gate

_MAY: Final = {"theatre": "bring pictures and agree the plan", "look": "look at Glance and Review"}


def add_commands(commands: Any) -> None:
    """Add the commands to the parser's; they work while the pages are served."""
    pair = commands.add_parser("pair", help="make a code that lets one other device in")
    pair.add_argument(
        "--role",
        choices=tuple(_MAY),
        required=True,
        help="what the device may do: bring pictures and agree the plan, or look",
    )
    pair.set_defaults(command=_pair)

    sessions = commands.add_parser("sessions", help="list the paired devices, or send them away")
    sessions.add_argument(
        "--revoke", metavar="NUMBER", help="send the device of this number away; all for every one"
    )
    sessions.set_defaults(command=_sessions)
    for command in (pair, sessions):
        command.add_argument(
            "--data",
            type=Path,
            default=DATA_DIR,
            metavar="DIR",
            help=f"where cases are kept (default: {DATA_DIR}/ in the current folder)",
        )


def serving_options(parser: argparse.ArgumentParser) -> None:
    """Add the options that say how other machines reach the pages."""
    others = parser.add_argument_group("for other machines")
    others.add_argument(
        "--host",
        default="127.0.0.1",
        metavar="ADDRESS",
        help="this machine's address for others, or 0.0.0.0 for all it has; every other device "
        "then needs a code (default: 127.0.0.1, this machine only)",
    )
    others.add_argument(
        "--name",
        action="append",
        default=[],
        metavar="NAME",
        help="a name under which others know this machine; may be given again",
    )
    others.add_argument(
        "--certificate", type=Path, metavar="FILE", help="PEM file, to encrypt connections"
    )
    others.add_argument("--key", type=Path, metavar="FILE", help="the certificate's key, PEM file")


def serving(options: argparse.Namespace) -> dict[str, Any]:
    """Return how the pages are to be served, as the pages take it."""
    return {
        "host": options.host,
        "names": tuple(options.name),
        "certificate": options.certificate,
        "key": options.key,
    }


def _pair(options: argparse.Namespace) -> None:
    code = _gate(options.data).new_code(options.role)
    print(f"{code.shown}   lets one device in to {_MAY[code.role]}, until {_minute(code.until)}")


def _sessions(options: argparse.Namespace) -> None:
    gate, which = _gate(options.data), options.revoke
    if which is not None:
        if which != "all" and not (which.isascii() and which.isdecimal() and len(which) < 16):
            raise InputError(f"{which} is no device's number", hint="tracker sessions lists them")
        count = gate.end(None if which == "all" else (int(which),))
        if not count and which != "all":
            raise InputError(f"no device {which} is paired", hint="tracker sessions lists them")
        print(f"{count} sent away")
        return
    found = gate.live_sessions()
    if not found:
        print("no device is paired")
        return
    wide = max(len("device"), *(len(one.device) for one in found))
    print(f"{'number':>6}  {'device':{wide}}  {'role':7}  {'kind':7}  {'paired':16}  seen")
    for one in found:
        times = f"{_when(one.paired_at)}  {_when(one.seen_at)}"
        print(f"{one.key:6}  {one.device:{wide}}  {one.role:7}  {one.kind:7}  {times}")


def _gate(folder: Path) -> "Gate":
    from tracker.gate import Gate

    if not folder.is_dir():
        raise InputError(
            f"{folder} is not a record's folder", hint="name it with --data DIR, as for serve"
        )
    return Gate(folder)


def _minute(at: datetime) -> str:
    return at.astimezone().strftime("%H:%M")


def _when(at: datetime) -> str:
    return at.astimezone().strftime("%Y-%m-%d %H:%M")
