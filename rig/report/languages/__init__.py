"""The words of what goes to a customer, a table a language; English is what stands in the code."""

import tomllib
from collections.abc import Callable
from functools import cache
from pathlib import Path

HERE = Path(__file__).parent
ENGLISH = "en"
Translate = Callable[[str], str]


def languages() -> list[str]:
    """The languages that there is a table for, and English."""
    return sorted([ENGLISH, *(path.stem for path in HERE.glob("*.toml"))])


@cache
def table_of(language: str) -> dict[str, str]:
    """English words -> those of a language; nothing for English.

    Raises
    ------
    KeyError
        If there is no table for the language.
    """
    if language == ENGLISH:
        return {}
    if language not in languages():
        raise KeyError(language)
    found = tomllib.loads((HERE / f"{language}.toml").read_text(encoding="utf-8"))
    return {key: str(value) for key, value in found.items()}


def translating(language: str) -> Translate:
    """What says English words in a language; words that its table lacks, such as a kit's own, stay as they are."""
    table = table_of(language)
    return lambda words: table.get(words, words)
