"""What `results/README.md` promises has tests, and they are there."""

import ast
import re
from pathlib import Path

ROOT = Path(__file__).parents[2]
HEADING = "## What is promised"


def lines() -> list[list[str]]:
    """The lines of the promise: what it says, and its test."""
    page = (ROOT / "results" / "README.md").read_text(encoding="utf-8")
    section = page.partition(HEADING)[2].partition("\n## ")[0]
    rows = [[cell.strip() for cell in line.strip("|").split(" | ")] for line in section.splitlines() if line[:1] == "|"]
    return [row for row in rows if row[-1] != "test" and not set(row[0]) <= {"-", " "} and not row[0].startswith("---")]


def test_every_line_of_the_promise_has_a_test_that_is_there() -> None:
    promised = lines()
    assert len(promised) > 15
    for words, test in promised:
        assert words.endswith("."), words
        named = re.fullmatch(r"`(tests/[\w/]+\.py)::(test_\w+)`", test)
        assert named, f"{words}: {test}"
        defined = ast.walk(ast.parse((ROOT / named[1]).read_text(encoding="utf-8")))
        assert named[2] in {node.name for node in defined if isinstance(node, ast.FunctionDef)}, test
