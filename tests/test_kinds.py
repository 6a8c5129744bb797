"""The table of kinds in the reference: every row names a test, and the test exists."""

import ast
import re
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
SECTION = (
    (ROOT / "docs" / "reference.md")
    .read_text(encoding="utf-8")
    .split("## Kinds of pictures\n")[1]
    .split("\n## ")[0]
)
TABLE = next(part for part in SECTION.split("\n\n") if part.startswith("| kind |"))
ROWS = TABLE.splitlines()[2:]


def test_every_row_names_a_test_that_exists() -> None:
    assert len(ROWS) >= 38
    for row in ROWS:
        found = re.fullmatch(r"\| [^|]+ \| [^|]+ \| `(tests/\w+\.py)::(\w+)` \|", row)
        assert found, row
        tree = ast.parse((ROOT / found[1]).read_text(encoding="utf-8"))
        names = {node.name for node in tree.body if isinstance(node, ast.FunctionDef)}
        assert found[2] in names, row


def test_no_test_is_named_twice() -> None:
    named = re.findall(r"`(tests/\w+\.py::\w+)` \|", TABLE)

    assert len(named) == len(set(named)) == len(ROWS)
