"""Rules of the house that neither the linter nor the import contracts can see."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
ROOMS = sorted([*ROOT.glob("tracker/*.py"), *ROOT.glob("web/*.py")])

# Rooms that may touch files; everything else gets bytes and gives bytes.
MANY_CASES = {"derived.py", "build.py", "cli_cohort.py"}
FILE_ROOMS = {
    "cli.py", "cli_report.py", "casefolder.py", "inbox.py", "store.py", "shelf.py", "pelvis.py",
    "gate.py", "engines.py", "parcel.py", "backup.py", "health.py",
}  # fmt: skip
OPENERS = {
    "open", "fdopen", "mkstemp", "read_bytes", "read_text", "write_bytes", "write_text",
    "imread", "imwrite", "fromfile", "tofile", "loadtxt", "savetxt", "memmap",
}  # fmt: skip


def file_calls(source: str) -> list[int]:
    """Lines of a source that open a file, by builtin or by method."""
    lines = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Call):
            called = node.func
            name = called.id if isinstance(called, ast.Name) else getattr(called, "attr", "")
            if name in OPENERS:
                lines.append(node.lineno)
    return lines


def test_the_rule_sees_what_it_should() -> None:
    assert file_calls("open('a')\nPath('b').read_bytes()\nnp.fromfile('c')") == [1, 2, 3]
    assert file_calls("opened = still.grey") == []


@pytest.mark.parametrize("path", ROOMS, ids=lambda path: f"{path.parent.name}/{path.name}")
def test_only_file_rooms_open_files(path: Path) -> None:
    if path.name not in FILE_ROOMS | MANY_CASES:
        assert file_calls(path.read_text(encoding="utf-8")) == []


def code_lines(text: str, tree: ast.Module) -> int:
    """Lines that are neither blank, comment nor docstring."""
    prose: set[int] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            prose.update(range(node.lineno, (node.end_lineno or node.lineno) + 1))
    return sum(
        bool(line.strip()) and not line.lstrip().startswith("#") and number not in prose
        for number, line in enumerate(text.splitlines(), start=1)
    )


@pytest.mark.parametrize("path", ROOMS, ids=lambda path: f"{path.parent.name}/{path.name}")
def test_a_room_holds_one_idea_and_says_which(path: Path) -> None:
    text = path.read_text(encoding="utf-8")

    tree = ast.parse(text)
    assert ast.get_docstring(tree), "no docstring"
    assert code_lines(text, tree) <= 400
