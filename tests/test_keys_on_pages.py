"""Every key of every file that a builder writes stands on its page: the pages are held against the schemas."""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any, get_args

import pytest
from pydantic import BaseModel

from checks import ALL
from rig.bench.settings import BenchSettings
from rig.design.kit import Kit

ROOT = Path(__file__).parent.parent


def keys(model: type[BaseModel], within: str = "") -> Iterator[tuple[str, str]]:
    """Each key of a table and of the tables in it, with where it stands."""
    for name, field in model.model_fields.items():
        yield name, f"{within}{name}"
        for inner in tables_in(field.annotation):
            yield from keys(inner, f"{within}{name}.")


def tables_in(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for inner in get_args(annotation):
        yield from tables_in(inner)


def named(*pages: str) -> set[str]:
    """Every word on some pages that stands in backquotes, in an example or as a heading."""
    found: set[str] = set()
    for page in pages:
        text = (ROOT / page).read_text(encoding="utf-8")
        code = [*re.findall(r"`([^`\n]+)`", text), *re.findall(r"^    (.*)$", text, re.MULTILINE)]
        for piece in code:
            found |= set(re.findall(r"[a-z][a-z0-9_]*", piece))
    return found


CASES = [
    (Kit, ("limits/README.md",)),
    (BenchSettings, ("rig/bench/README.md",)),
    *((check.Settings, ("limits/README.md", "checks/README.md", "checks/heat.md")) for check in ALL),
]


@pytest.mark.parametrize(("model", "pages"), CASES, ids=lambda one: getattr(one, "__module__", ""))
def test_every_key_stands_on_its_page(model: type[BaseModel], pages: tuple[str, ...]) -> None:
    there = named(*pages)
    assert sorted({where for key, where in keys(model) if key not in there}) == []
