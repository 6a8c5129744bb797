"""The command line: arguments in, one use case called, text and JSON out, exit status.

Imports that take time stand inside the sub-commands, so that ``--help`` is quick.
"""

import argparse
import contextlib
import json
import os
import sys
import tempfile
import traceback
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any, Final, NoReturn

from tracker import __version__, cli_access, cli_cohort, cli_pictures, cli_record, cli_report
from tracker.errors import EXIT_STATUS, InputError, InternalError, TrackerError, Unwritable

_DEMO: Final = Path(__file__).resolve().parents[1] / "demo_frames"
_PORT: Final = 8321
_TITLE: Final = "RIMTRACKER"


class _Parser(argparse.ArgumentParser):
    """A parser whose errors are one line, as all others are."""

    def error(self, message: str) -> NoReturn:
        raise InputError(message, hint=f"see {self.prog} --help")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line.

    Parameters
    ----------
    arguments : sequence of str, optional
        Without the program's name; ``sys.argv`` when absent.

    Returns
    -------
    int
        Exit status: 0 done (pictures may not be measured), 2 the caller can mend it,
        3 the machinery failed.
    """
    options: argparse.Namespace | None = None
    try:
        options = build_parser().parse_args(arguments)
        command: Callable[[argparse.Namespace], None] = options.command
        command(options)
        sys.stdout.flush()
    except TrackerError as error:
        hint = f" ({error.hint})" if error.hint else ""
        _say(f"tracker: {' '.join(error.message.split())}{hint}")
        return EXIT_STATUS[type(error)]
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        # The reader of the output went away, as `head` does; nothing is lost but text.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except Exception as error:  # noqa: BLE001  the last line of defence: no traceback for users
        if options is not None and options.traceback:
            traceback.print_exc()
        _say(f"tracker: internal error, {type(error).__name__} (run again with --traceback)")
        return 3
    return 0


def build_parser() -> argparse.ArgumentParser:
    """Return the parser of every command; the reference is written from it."""
    parser = _Parser(
        prog="tracker",
        description="How much of the acetabular rim has been taken away, from C-arm pictures.",
        epilog="Decision support for study and review; not a cleared medical device.",
    )
    parser.add_argument("--version", action="version", version=f"tracker {__version__}")
    parser.add_argument(
        "--traceback", action="store_true", help="show where an internal error came from"
    )
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")

    replay = commands.add_parser("replay", help="measure the pictures of a case folder again")
    replay.add_argument("folder", type=Path, metavar="FOLDER", help="holds case.toml and pictures")
    replay.add_argument("--json", type=Path, metavar="OUT.json", help="write the result here")
    replay.set_defaults(command=_replay)

    demo = commands.add_parser("demo", help="measure the demo case, then serve its pages")
    demo.add_argument("--no-serve", action="store_true", help="end after the table")
    _port_option(demo)
    demo.set_defaults(command=_demo)

    serve = commands.add_parser("serve", help="serve the pages on this machine")
    _port_option(serve)
    cli_access.serving_options(serve)
    cli_record.record_options(serve)
    _source_options(serve)
    serve.set_defaults(command=_serve)
    cli_access.add_commands(commands)
    cli_record.add_commands(commands)
    cli_cohort.add_commands(commands)
    cli_pictures.add_command(commands)
    cli_report.add_command(commands)
    return parser


def _source_options(parser: argparse.ArgumentParser) -> None:
    ways = parser.add_argument_group("ways in that run by themselves")
    ways.add_argument("--case", metavar="ID", help="the case that gets their pictures")
    ways.add_argument("--watch", type=Path, metavar="DIR", help="take pictures from this folder")
    ways.add_argument(
        "--video",
        metavar="SOURCE",
        help="take exposures from a video: a file, a stream's address or a device's number",
    )
    ways.add_argument(
        "--dicom",
        type=_port,
        metavar="PORT",
        help="take what is sent by DICOM to this port on 127.0.0.1 (0 takes a free one)",
    )
    ways.add_argument(
        "--title", default=_TITLE, help=f"by which a sender must call (default: {_TITLE})"
    )


def _port_option(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--port",
        type=_port,
        default=_PORT,
        help=f"port on 127.0.0.1 (default: {_PORT}; 0 takes a free one)",
    )


def _port(text: str) -> int:
    if not text.isdecimal() or not 0 <= int(text) <= 65535:
        raise argparse.ArgumentTypeError(f"{text} is not a port, 0 to 65535")
    return int(text)


# --- commands ----------------------------------------------------------------------------


def _replay(options: argparse.Namespace) -> None:
    out: Path | None = options.json
    if out is not None and (not out.parent.is_dir() or out.is_dir()):
        raise InputError(f"{out} can't be written", hint="give a file in a folder that exists")
    from tracker.casefolder import replay_json
    from tracker.table import result_lines

    done = _replayed(options.folder)
    if out is not None:
        _write(out, replay_json(done.reference, done.results, done.case.setup, __version__))
    print("\n".join(map(_printable, result_lines(done.reference, done.results))))


def _replayed(folder: Path) -> Any:
    """Replay a folder with a line on standard error for each picture."""
    from tracker import table
    from tracker.replay import replay

    return replay(
        folder,
        lambda result, index, total: _say(table.progress_line(result, index, total)),
        on_reference=lambda reference, total: _say(table.reference_line(reference, total)),
    )


def _demo(options: argparse.Namespace) -> None:
    folder = _DEMO / "case"
    if not folder.is_dir():
        raise InputError(
            "demo_frames/case/ is not beside the package",
            hint="run the demo from a checkout, installed with pip install -e .",
        )
    run_pages = None if options.no_serve else _pages()
    from tracker.casefolder import read_case
    from tracker.service import Service
    from tracker.table import progress_line, reference_line, result_lines

    truth_mm = _truth(_DEMO / "truth.json")
    found = read_case(folder)
    total = len(found.pictures)
    with (
        tempfile.TemporaryDirectory(prefix="tracker-demo-") as data,
        Service(Path(data)) as service,
    ):
        for index, added in enumerate(service.import_folder(folder, "demo")):
            if added.result is not None:
                _say(progress_line(added.result, index, total))
            elif (first := service.case(found.setup.id).reference) is not None:
                _say(reference_line(first, total))
        case = service.case(found.setup.id)
        if case.reference is None:
            raise InternalError("the demo's first picture has no result")
        results = [picture.result for picture in case.stills if picture.result is not None]
        print("\n".join(result_lines(case.reference, results, truth_mm)), flush=True)
        if run_pages is not None:
            with contextlib.suppress(KeyboardInterrupt):
                run_pages(service, port=options.port)


def _truth(path: Path) -> dict[str, float | None]:
    """Return each demo picture's true recession, mm; None where it must not be measured."""
    plain = json.loads(path.read_text(encoding="utf-8"))
    true_mm = [state["recession_mm"] for state in plain["states"]]
    return {
        picture["file"]: true_mm[picture["state"]] if picture["kind"] == "measure" else None
        for picture in plain["pictures"]
    }


def _serve(options: argparse.Namespace) -> None:
    given = (options.watch, options.video, options.dicom)
    if any(way is not None for way in given) and not options.case:
        raise InputError(
            "--watch, --video and --dicom need --case", hint="name the case: --case ID"
        )
    if options.case and all(way is None for way in given):
        raise InputError(
            "--case needs a way in that runs by itself",
            hint="add --watch, --video or --dicom; the pages show every case",
        )
    run_pages = _pages()
    from tracker.decoding import SHARED
    from tracker.service import Service

    with contextlib.ExitStack() as opened:
        service = opened.enter_context(Service(options.data, database=cli_record.database(options)))
        SHARED.warm()
        for source in _sources(service, options):
            service.attach(source)
            opened.enter_context(source)
        # Ctrl-C is how serving ends; the ways in are closed after the pages, the record last.
        with contextlib.suppress(KeyboardInterrupt):
            run_pages(service, port=options.port, **cli_access.serving(options))


def _sources(service: Any, options: argparse.Namespace) -> Iterator[Any]:
    """Make the ways in that were asked for; each only loads what it needs."""
    if options.watch is not None:
        from tracker.inbox import Inbox

        yield Inbox(service, options.watch, options.case)
    if options.video is not None:
        from tracker.video import Video

        yield Video(service, options.video, options.case)
    if options.dicom is not None:
        try:
            from tracker.receiver import Receiver
        except ModuleNotFoundError:
            raise InputError(
                "--dicom needs pynetdicom", hint="install with the extra: pip install -e '.[dicom]'"
            ) from None
        yield Receiver(service, options.case, port=options.dicom, title=options.title)


def _pages() -> Callable[..., None]:
    """Return the function that serves the pages; this package knows no web framework."""
    from importlib.metadata import entry_points

    found = entry_points(group="tracker.pages")
    if not found:
        raise InputError(
            "no pages are installed", hint="install the whole checkout: pip install -e ."
        )
    run: Callable[..., None] = next(iter(found)).load()
    return run


# --- text and files ----------------------------------------------------------------------


def _say(line: str) -> None:
    print(_printable(line), file=sys.stderr, flush=True)


def _printable(text: str) -> str:
    """Return text in which a file's name can neither steer the terminal nor stop the output."""
    return "".join(one if one.isprintable() else "?" for one in text)


def _write(path: Path, plain: dict[str, Any]) -> None:
    """Write JSON whole or not at all: beside its place first, then moved there."""
    text = json.dumps(plain, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", text=False)
        temporary = Path(name)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(text.encode(errors="backslashreplace"))
                file.flush()
                os.fsync(file.fileno())
            temporary.chmod(0o644)
            temporary.replace(path)
        finally:
            temporary.unlink(missing_ok=True)
    except OSError as error:
        raise Unwritable(
            f"{path} can't be written: {os.strerror(error.errno or 0)}",
            hint="check disk and rights",
        ) from None
