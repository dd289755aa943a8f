"""The page in other languages: every word of its templates stands in each table."""

from pathlib import Path

import pytest

from rig.page import drawing
from rig.page.drawing import bench_fragment, templates
from rig.page.view import View
from rig.report.languages import ENGLISH, languages, table_of
from rig.report.words import VERDICT_WORDS

TEMPLATES = sorted((Path(drawing.__file__).parent / "templates").glob("*.html"))


def words_of(path: Path) -> set[str]:
    """What a template says that is to be translated."""
    found = templates(ENGLISH).extract_translations(path.read_text(encoding="utf-8"))  # type: ignore[attr-defined]
    return {words if isinstance(words, str) else words[0] for _, _, words in found}


@pytest.mark.parametrize("language", sorted(set(languages()) - {ENGLISH}))
@pytest.mark.parametrize("path", TEMPLATES, ids=lambda path: path.stem)
def test_a_language_has_every_word_of_a_page(language: str, path: Path) -> None:
    assert words_of(path) - set(table_of(language)) == set()


def test_templates_have_words() -> None:
    assert sum(len(words_of(path)) for path in TEMPLATES) > 100
    assert set(VERDICT_WORDS.values()) <= set(table_of("de"))


def test_the_bench_asks_for_a_serial_in_its_language() -> None:
    shown = bench_fragment(View(), "de", "one", None)
    assert "Seriennummer des nächsten Geräts scannen" in shown
    assert "Scan the serial" not in shown


def test_what_is_put_into_words_is_escaped() -> None:
    env = templates("de").from_string("{% trans serial=it %}Begin with {{ serial }}?{% endtrans %}")
    assert env.render(it="<b>") == "Mit &lt;b&gt; beginnen?"
