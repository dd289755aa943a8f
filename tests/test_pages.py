"""The pages for people: links lead somewhere, and every key that a file may hold is explained."""

import re
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any, get_args

import pytest
from pydantic import BaseModel

from rig.bench.settings import BenchSettings
from rig.design.kit import Kit

ROOT = Path(__file__).parent.parent
PAGES = [
    ROOT / name
    for name in subprocess.run(
        ["git", "ls-files", "*.md"], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout.split()
]


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.relative_to(ROOT).as_posix())
def test_links_lead_to_what_is_there(page: Path) -> None:
    for target in re.findall(r"\]\(([^)\s]+)\)", page.read_text(encoding="utf-8")):
        path, _, heading = target.partition("#")
        there = (page.parent / path).resolve() if path else page
        assert there.exists(), f"{page.name}: {target}"
        if heading:
            headings = re.findall(r"^#+ (.*)$", there.read_text(encoding="utf-8"), re.MULTILINE)
            slugs = [re.sub(r"[^\w\- ]", "", text).strip().lower().replace(" ", "-") for text in headings]
            assert heading in slugs, f"{page.name}: {target}"


def keys(table: Any) -> Iterator[str]:
    """Every key of a table and of the tables in it."""
    if isinstance(table, type) and issubclass(table, BaseModel):
        for name, field in table.model_fields.items():
            yield name
            yield from keys(field.annotation)
    for inner in get_args(table):
        yield from keys(inner)


@pytest.mark.parametrize(
    ("table", "page"), [(Kit, "limits/README.md"), (BenchSettings, "rig/bench/README.md")], ids=["kit", "bench"]
)
def test_every_key_is_explained(table: type[BaseModel], page: str) -> None:
    text = (ROOT / page).read_text(encoding="utf-8")
    words = set(re.findall(r"[a-z][a-z0-9_]*", text))
    assert sorted(set(keys(table)) - words) == []


def test_the_first_page_is_short() -> None:
    assert len((ROOT / "README.md").read_bytes()) < 6500
