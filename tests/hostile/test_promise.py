"""What `results/README.md` promises has tests, and they are there: of the tries by name those of that name."""

import ast
import re
from pathlib import Path

from hostile.trials import TRIALS

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
    for words, tests in promised:
        assert words.endswith("."), words
        for test in tests.split(", "):
            named = re.fullmatch(r"`(tests/[\w/]+\.py)::(test_\w+)(?:\[([\w ]+)\])?`", test)
            assert named, f"{words}: {test}"
            defined = ast.walk(ast.parse((ROOT / named[1]).read_text(encoding="utf-8")))
            assert named[2] in {node.name for node in defined if isinstance(node, ast.FunctionDef)}, test
            assert named[3] in (TRIALS if named[1].endswith("test_hostile.py") else (None,)), test
