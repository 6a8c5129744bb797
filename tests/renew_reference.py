"""Write the tables of docs/reference.md anew from the code.

    python tests/renew_reference.py

Everything between a line ``<!-- NAME: from the code -->`` and ``<!-- end -->`` is replaced.
tests/test_docs.py fails while the file differs from what this would write.
"""

import argparse
import ast
import re
from collections.abc import Callable, Iterable
from dataclasses import fields
from functools import partial
from pathlib import Path

from tracker import casetoml, cohort_table, settings
from tracker.cli import build_parser
from tracker.errors import EXIT_STATUS, HTTP_STATUS
from tracker.values import REMEDIES, SENTENCES, Reason

REFERENCE = Path(__file__).resolve().parents[1] / "docs" / "reference.md"
_BLOCK = re.compile(r"(<!-- ([a-z ]+): from the code -->\n)(.*?)(<!-- end -->)", re.DOTALL)


def renewed(text: str) -> str:
    """Return the document with each marked block as the code has it now."""
    return _BLOCK.sub(lambda block: block[1] + BLOCKS[block[2]]() + block[4], text)


def table(headings: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> str:
    lines = [headings, tuple("---" for _ in headings), *rows]
    return "".join(f"| {' | '.join(cells)} |\n" for cells in lines)


def sub_commands() -> dict[str, argparse.ArgumentParser]:
    (commands,) = (a for a in build_parser()._actions if isinstance(a, argparse._SubParsersAction))
    return dict(commands.choices)


def commands() -> str:
    helps: dict[str, str] = {}
    for action in build_parser()._actions:
        if isinstance(action, argparse._SubParsersAction):
            helps = {choice.dest: choice.help or "" for choice in action._choices_actions}
    rows = [("`tracker`", "", ""), *_options(build_parser())]
    for name, parser in sub_commands().items():
        rows += [(f"`tracker {name}`", "", helps[name]), *_options(parser)]
    return table(("command", "argument", "what it does"), rows)


def _options(parser: argparse.ArgumentParser) -> list[tuple[str, str, str]]:
    rows = []
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction | argparse._HelpAction):
            continue
        name = " ".join([*action.option_strings[-1:], *([str(action.metavar or "")])]).strip()
        text = (action.help or "").replace("%(prog)s", "tracker")
        rows.append(("", f"`{name}`", text))
    return rows


def errors() -> str:
    rows = [
        (f"`{kind.__name__}`", str(EXIT_STATUS[kind]), str(HTTP_STATUS[kind]), _first_line(kind))
        for kind in EXIT_STATUS
    ]
    return table(("error", "exit", "HTTP", "when"), rows)


def _first_line(kind: type) -> str:
    return (kind.__doc__ or "").strip().splitlines()[0]


def reasons() -> str:
    rows = [(f"`{reason}`", SENTENCES[reason], REMEDIES[reason]) for reason in Reason]
    return table(("word", "what was seen", "what to do"), rows)


def case_keys() -> str:
    rows = [
        (f"`[{name}]`" if name else "(top)", ", ".join(f"`{key}`" for key in keys))
        for name, keys in casetoml.KEYS.items()
    ]
    return table(("table", "keys"), rows)


def all_settings() -> str:
    notes = _field_notes()
    rows = []
    for group in fields(settings.Settings):
        values = getattr(settings.DEFAULTS, group.name)
        for one in fields(values):
            note = notes.get((type(values).__name__, one.name), "")
            rows.append((f"`{group.name}.{one.name}`", f"`{getattr(values, one.name)}`", note))
    return table(("setting", "default", "meaning"), rows)


def _field_notes() -> dict[tuple[str, str], str]:
    """Return the string that stands under each setting in the source."""
    notes: dict[tuple[str, str], str] = {}
    tree = ast.parse(Path(settings.__file__).read_text(encoding="utf-8"))
    for kind in (node for node in tree.body if isinstance(node, ast.ClassDef)):
        for line, below in zip(kind.body, kind.body[1:], strict=False):
            match line, below:
                case (
                    ast.AnnAssign(target=ast.Name(id=name)),
                    ast.Expr(value=ast.Constant(value=str(text))),
                ):
                    notes[kind.name, name] = " ".join(text.split())
    return notes


def columns(found: Iterable[cohort_table.Column | cohort_table.PassColumn]) -> str:
    rows = [(f"`{one.name}`", one.unit, one.meaning) for one in found]
    return table(("column", "unit", "meaning"), rows)


BLOCKS: dict[str, Callable[[], str]] = {
    "commands": commands,
    "errors": errors,
    "reasons": reasons,
    "case keys": case_keys,
    "settings": all_settings,
    "cohort columns": partial(columns, cohort_table.COLUMNS),
    "pass columns": partial(columns, cohort_table.PASS_COLUMNS),
}


if __name__ == "__main__":
    REFERENCE.write_text(renewed(REFERENCE.read_text(encoding="utf-8")), encoding="utf-8")
