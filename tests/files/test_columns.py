"""Columns of numbers in whatever form a builder has them."""

import contextlib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.files.columns import Columns, read_any_columns, read_curve_columns
from rig.files.errors import TableError

HERE = Path("curve.txt")


def read(text: str, encoding: str = "utf-8") -> Columns:
    return read_any_columns(HERE, text.encode(encoding))


#: What separates cells, for each way of writing a decimal.
SEPARATORS = {".": [" ", "\t", ";", ",", ", ", "   ", " ; "], ",": [" ", "\t", ";", ", ", "  "]}


@st.composite
def written(draw: st.DrawFn) -> tuple[str, np.ndarray]:
    """A text, and the numbers that were written into it."""
    columns = draw(st.integers(2, 3))
    number = st.floats(-1e6, 1e6, allow_nan=False).map(lambda value: float(f"{value:.5g}"))
    rows = draw(st.lists(st.lists(number, min_size=columns, max_size=columns), min_size=2, max_size=8))
    table = np.array(rows)
    table[:, 0] = np.cumsum(np.abs(table[:, 0]) + 1.0)
    decimal = draw(st.sampled_from([".", ","]))
    separator = draw(st.sampled_from(SEPARATORS[decimal]))
    form = draw(st.sampled_from(["%.9g", "%.9e", "%+.10f"]))
    lines = [separator.join((form % value).replace(".", decimal) for value in row) for row in table]
    sign = draw(st.sampled_from(["#", "*", "!", "//"]))
    for _ in range(draw(st.integers(0, 3))):
        lines.insert(
            draw(st.integers(0, len(lines))), draw(st.sampled_from(["", f"{sign} made by hand, 2 of 3", sign]))
        )
    end = draw(st.sampled_from(["\n", "\r\n", separator.strip(" ") + "\n" if separator in (";", ",") else "\n"]))
    return end.join(lines) + end, table


@settings(max_examples=60)
@given(written())
def test_what_was_written_is_read(case: tuple[str, np.ndarray]) -> None:
    text, table = case
    found = read(text)
    np.testing.assert_allclose(found.frequency_hz, table[:, 0], rtol=1e-8)
    np.testing.assert_allclose(found.magnitude, table[:, 1], rtol=1e-8, atol=1e-9)
    assert (found.degrees is None) == (table.shape[1] == 2)
    if found.degrees is not None:
        np.testing.assert_allclose(found.degrees, table[:, 2], rtol=1e-8, atol=1e-9)


@given(st.text(max_size=200) | st.binary(max_size=100))
def test_whatever_stands_in_a_file_is_read_or_told(content: str | bytes) -> None:
    raw = content if isinstance(content, bytes) else content.encode("utf-8", "replace")
    with contextlib.suppress(TableError):
        found = read_any_columns(HERE, raw)
        assert np.all(np.isfinite(found.magnitude))
        assert np.all(np.diff(found.frequency_hz) > 0)


@pytest.mark.parametrize(
    ("text", "unit", "third"),
    [
        ("Freq(Hz) SPL(dB) Phase(degrees)\n20 80 1\n30 81 2\n", "dB", [1, 2]),
        ("Frequency,Impedance [ohm],Phase [°]\n20,6,1\n30,7,2\n", "ohm", [1, 2]),
        ("phase;Z (Ohm);f\n1;6;20\n2;7;30\n", "ohm", [1, 2]),
        ("* Hz  Ohm  deg\n20 6 1\n30 7 2", "ohm", [1, 2]),
        ("# level in dB\n20 80\n30 81\n", "dB", None),
        ("20 80\n30 81\n", None, None),
        ("f/kHz\tdB\n0.02\t80\n0.03\t81\n", "dB", None),
        ("Hz\tdB\trad\n20\t80\t0\n30\t81\t3.14159265\n", "dB", [0, 180]),
        ("30 81 2\n20 80 1\n", None, [1, 2]),
        ("0 -200 0\n20 80 1\n30 81 2\n", None, [1, 2]),
        ("Hz;dB;noise;°\n20;80;9;1\n30;81;9;2\n", "dB", [1, 2]),
        ("\ufeffHz;dB\n20,0;80,5\n30,0;81,5\n", "dB", None),
    ],
)
def test_names_and_units(text: str, unit: str | None, third: list[float] | None) -> None:
    found = read(text)
    np.testing.assert_allclose(found.frequency_hz, [20, 30])
    assert found.unit == unit
    assert (found.degrees is None) == (third is None)
    if third:
        np.testing.assert_allclose(found.degrees, third, atol=1e-6)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_encodings(encoding: str) -> None:
    assert read("Hz;dB;°\n20;80;1\n30;81;2\n", encoding).degrees is not None


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("20 80\n30 abc\n", "line 2: found '30 abc'; allowed: two or three numbers"),
        ("20 80\n30 81 4\n", "line 2: found 3 columns; allowed: 2, as in the lines before"),
        ("# a\n20 80 1 2\n30 81 1 2\n", "line 2: found 4 columns; allowed: two or three numbers"),
        ("20 80\n\n30 81\n25 82\n", "line 4: found 25 Hz after 30 Hz; allowed: ascending frequencies, each once"),
        ("20 80\n20 81\n", "line 2: found 20 Hz after 20 Hz"),
        ("-20 80\n20 81\n", "line 1: found -20 Hz; allowed: frequencies above 0"),
        ("20,5 80\n30.5 81\n", "line 1: found '20,5 80'; allowed: decimal points or decimal commas throughout"),
        ("20,5,80,1\n30,5,81,2\n", "line 1: found 4 columns"),
        ("words\n", "found 0 lines with numbers; allowed: 2 or more"),
        ("20 1e999\n30 4\n", "line 1: found '20 1e999'"),
    ],
)
def test_mistakes_name_the_line(text: str, words: str) -> None:
    with pytest.raises(TableError) as refused:
        read(text)
    assert f"{HERE}: {words}" in str(refused.value)


def test_the_unit_that_is_asked_for() -> None:
    assert read_curve_columns(HERE, "ohm", b"20 6\n30 7\n").unit == "ohm"
    with pytest.raises(TableError, match="found a magnitude in dB; allowed here: ohm"):
        read_curve_columns(HERE, "ohm", b"Hz dB\n20 6\n30 7\n")
    with pytest.raises(TableError, match=r"line 2: found -7 ohm; allowed: 0.001 to 1e[+]06 ohm"):
        read_curve_columns(HERE, "ohm", b"20 6\n30 -7\n")


def test_a_file_that_is_not_there_or_no_text(tmp_path: Path) -> None:
    with pytest.raises(TableError, match="cannot be read"):
        read_any_columns(tmp_path / "nothing.txt")
    with pytest.raises(TableError, match="cannot be read as text"):
        read_any_columns(HERE, b"\x00\x01\x02\x00\xff")
