"""The documents say what the code does: nothing missing, nothing stale, no dead link."""

import ast
import re
from pathlib import Path

import pytest

from tests import renew_reference
from tracker import casetoml
from tracker.errors import EXIT_STATUS
from tracker.values import Reason

ROOT = Path(__file__).resolve().parents[1]
REFERENCE = (ROOT / "docs" / "reference.md").read_text(encoding="utf-8")
README = (ROOT / "README.md").read_text(encoding="utf-8")
DOCUMENTS = sorted([*ROOT.glob("*.md"), *ROOT.glob("docs/**/*.md")])


def test_the_tables_of_the_reference_are_those_of_the_code() -> None:
    """If this fails: python tests/renew_reference.py."""
    assert renew_reference.renewed(REFERENCE) == REFERENCE


def test_the_reference_has_every_table() -> None:
    named = re.findall(r"<!-- ([a-z ]+): from the code -->", REFERENCE)

    assert sorted(named) == sorted(renew_reference.BLOCKS)


@pytest.mark.parametrize("command", renew_reference.sub_commands())
def test_every_command_and_argument_is_documented(command: str) -> None:
    assert f"`tracker {command}`" in REFERENCE
    for action in renew_reference.sub_commands()[command]._actions:
        assert action.help, f"{command} {action.dest} has no help"


@pytest.mark.parametrize("reason", Reason)
def test_every_reason_is_documented(reason: Reason) -> None:
    assert f"`{reason}`" in REFERENCE


@pytest.mark.parametrize("kind", EXIT_STATUS)
def test_every_error_is_documented(kind: type) -> None:
    assert f"| `{kind.__name__}` |" in REFERENCE


@pytest.mark.parametrize("key", [key for keys in casetoml.KEYS.values() for key in keys])
def test_every_key_of_the_case_file_is_explained(key: str) -> None:
    tables = ("scale", "plan", "marks", "distortion")

    assert key in tables or f"| `{key}` |" in REFERENCE


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: path.name)
def test_links_lead_somewhere(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)#]+)", text):
        assert not target.startswith("http"), f"{target}: documents need nothing from outside"
        assert (path.parent / target).exists(), target


@pytest.mark.parametrize("document", ["hazards.md", "security.md"])
def test_tests_named_in_the_hazard_list_exist(document: str) -> None:
    """A control counts only when a test shows it."""
    text = (ROOT / "docs" / document).read_text(encoding="utf-8")
    named = set(re.findall(r"`(tests/[\w/]+\.py)::(\w+)`", text))

    assert len(named) >= 10
    for file, test in named:
        tree = ast.parse((ROOT / file).read_text(encoding="utf-8"))
        functions = {node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)}
        assert test in functions, f"{file}::{test}"


def test_ci_runs_the_very_test_command_of_the_readme() -> None:
    commands = re.findall(r"^    (python3 -m venv .+)$", README, re.MULTILINE)
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")

    demo, test = commands
    assert demo.endswith(".venv/bin/tracker demo")
    assert test.endswith(".venv/bin/python tests/check.py")
    assert script.splitlines()[-1] == test


def test_no_document_names_a_machine_or_a_registry() -> None:
    for path in DOCUMENTS:
        text = path.read_text(encoding="utf-8")
        assert not re.search(r"/work/|/root/|/opt/|\.\./shared|pythonhosted|pypi\.org", text), path


def test_every_room_is_on_the_map() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")

    missing = [
        path.stem
        for path in ROOT.glob("tracker/*.py")
        if path.stem != "__init__" and f"`{path.stem}`" not in text
    ]
    assert missing == []


def test_every_row_of_a_budget_is_explained() -> None:
    text = (ROOT / "docs" / "measurement.md").read_text(encoding="utf-8")
    named = set()
    for room in ("measure", "marks", "plan"):
        source = (ROOT / "tracker" / f"{room}.py").read_text(encoding="utf-8")
        for node in ast.walk(ast.parse(source)):
            match node:
                case ast.Call(
                    func=ast.Name(id="BudgetRow"), args=[ast.Constant(value=str(row)), *_]
                ):
                    named.add(row)

    assert len(named) >= 8
    assert {row for row in named if row not in text} == set()
