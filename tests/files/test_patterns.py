"""Patterns that a builder writes: what a serial needs works, and nothing can make the rig wait."""

import re

import pytest
from hostile.promise import bounded
from hypothesis import given
from hypothesis import strategies as st

from rig.bench.instrument_settings import ADDRESS
from rig.calibration.volts import typed_reading
from rig.files.errors import BenchSetupError
from rig.files.patterns import LONGEST, compiled
from rig.files.tables import Misfit


@pytest.mark.parametrize(
    ("pattern", "fits"),
    [
        (r"BT-\d{4}", "BT-0001"),
        (r"(BT|BQ)-\d{3,5}(-R\d)?", "BQ-00017-R2"),
        (r"^[A-Z]{2}\d\d/?[^0-9]+$", "AB12xyz"),
        (r"(\d\d)+", "123456"),
        (r"U=(.*?)V", "U=24.0V"),
        (r"TEMP:\s*([+-]?\d+\.\d+)", "TEMP: -21.5"),
    ],
)
def test_what_a_builder_needs_is_allowed(pattern: str, fits: str) -> None:
    assert compiled(pattern).fullmatch(fits)


@pytest.mark.parametrize(
    "pattern",
    [
        *(r"(a+)+$", r"(a|a)*b", r"(\d?){64}x", r"((a|b)*)*", r"\d*\d*\d*\d*\d*x", r"(-\d+)*", r"(a{1,9}){1,9}"),
        *("[[]", "[^a||b]", "[+--]", "[a&&]", "[]||a+"),
        *("(", ")", "[", "a{", "*", "a++", r"(a)\1", "(?=a)a", "a{5,2}", "(" * 3000, "a{9999999999}"),
    ],
)
def test_what_might_never_end_or_is_no_pattern_is_refused(pattern: str) -> None:
    with pytest.raises(Misfit, match=r"allowed: letters, digits"):
        compiled(pattern)


@given(st.text(alphabet=r"a\d()|?*+{},12[]^$.", max_size=14), st.text(alphabet="a1d", max_size=LONGEST))
def test_whatever_is_let_through_ends(pattern: str, text: str) -> None:
    try:
        found = compiled(pattern)
    except Misfit:
        return
    # It ends, or this test never does; and it means what it means elsewhere.
    assert bool(found.fullmatch(text + "!")) == bool(re.fullmatch(pattern, text + "!", re.ASCII))


def test_a_digit_is_0_to_9() -> None:
    assert not compiled(r"BT-\d{4}").fullmatch("BT-٠٠٠١")


#: So long that whoever goes back on his tracks from each of its characters needs minutes.
LONG = 300_000


def test_what_is_typed_is_read_in_one_pass_however_long_it_is() -> None:
    with bounded():
        assert not ADDRESS.fullmatch("A" * LONG)
        assert not ADDRESS.fullmatch("A" + "::" * LONG)
        with pytest.raises(BenchSetupError):
            typed_reading(" " * LONG + "x")
        with pytest.raises(BenchSetupError):
            typed_reading("1" + " " * LONG + "x")
