"""What a scanner's line means."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from simulated_runs import ROOT

from rig.design.kit import load_kit
from rig.page.scans import CODES, read_scan, refuse_codes_as_serials

KITS = [load_kit(ROOT, "booth-two"), load_kit(ROOT, "rehearsal-three")]


def test_a_serial_names_its_kit_and_a_code_what_to_do() -> None:
    found = read_scan(" BT-0042\r", KITS)
    assert found.kit is KITS[0]
    assert found.serial == "BT-0042"
    assert [read_scan(code, KITS).action for code in CODES] == list(CODES.values())


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("bt-0042", "in capitals is known"),
        ("kpgoon", "in capitals is known"),
        ("BTß0042", "different keyboards"),
        ("KPGO", "half a code"),
        ("GOON", "half a code"),
        ("BT-004", "no serial of a kit here"),
        ("x" * 200, "too long"),
        ("", "empty line"),
        ("BT-0001\nKPGOON", "no serial of a kit here"),
    ],
)
def test_what_is_neither_is_told_and_not_acted_on(text: str, words: str) -> None:
    found = read_scan(text, KITS)
    assert words in found.words
    assert (found.action, found.kit) == (None, None)


def test_a_serial_of_two_kits_is_not_guessed() -> None:
    found = read_scan("BT-0001", [KITS[0], KITS[0]])
    assert found.kit is None
    assert "several kits" in found.words


@given(st.text(max_size=300))
def test_no_line_but_a_whole_code_does_anything(text: str) -> None:
    assert (read_scan(text, KITS).action is not None) == (text.strip() in CODES)


def test_a_kit_whose_serials_could_be_codes_is_refused() -> None:
    loose = KITS[0].model_copy(update={"serial_pattern": "[A-Z]{6}"})
    loose._folder = Path("limits/loose")
    assert refuse_codes_as_serials(KITS) == []
    assert len(refuse_codes_as_serials([loose])) == len(CODES)
