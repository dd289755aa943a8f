"""The microphone's response file: what is read, and mistakes told by line."""

from pathlib import Path

import numpy as np
import pytest

from rig.calibration.response_file import read_response
from rig.files.errors import BenchSetupError


def written(folder: Path, text: str) -> Path:
    path = folder / "microphone.txt"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize(
    "text",
    [
        "20 -3.0\n1000 1.0\n20000 5.0\n",
        "* a comment\n# another\n\n20\t-3.0\n1000\t1.0\n20000\t5.0",
        "20, -3.0\r\n1000, 1.0\r\n20000, 5.0\r\n",
        "  20;-3.0;\n 1000;1.0;\n 20000;+5.0e0;\n",
        "\ufeff20 -3\n1000 1\n20000 5\n",
    ],
)
def test_columns_of_frequency_and_decibel(tmp_path: Path, text: str) -> None:
    found = read_response(written(tmp_path, text), 1000.0)
    np.testing.assert_array_equal(found.frequency_hz, [20, 1000, 20000])
    # Over what it reads at the calibrator's frequency.
    np.testing.assert_allclose(found.decibel, [-4, 0, 4])
    assert found.degrees is None
    assert found.source == "microphone.txt"


def test_a_third_column_is_the_phase(tmp_path: Path) -> None:
    found = read_response(written(tmp_path, "20 -3 12\n100 0 4\n10000 4 -60\n"), 1000.0)
    np.testing.assert_array_equal(found.degrees, [12, 4, -60])
    assert found.decibel[1] == pytest.approx(-2.0)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("20 0\nsens -1 dB\n20000 0\n", r"line 2: found 'sens -1 dB'; allowed: two or three numbers"),
        ("20 0\n1000 abc\n20000 0\n", r"line 2: found '1000 abc'"),
        ("# a\n20 0\n\n1000\n", r"line 4: found '1000'"),
        ("20 0\n1000 0 1 2\n", r"line 2: found 4 columns; allowed: 2"),
        ("20 0\n1000 0 1\n", r"line 2: found 3 columns; allowed: 2"),
        ("20 0\n1000 nan\n", r"line 2: found '1000 nan'"),
        ("20 0\n1000 0\n500 0\n", r"line 3: found 500 Hz after 1000 Hz; allowed: ascending"),
        ("20 0\n1000 0\n1000 0\n", r"line 3: found 1000 Hz after 1000 Hz"),
        ("0 0\n1000 0\n", r"line 1: found 0 Hz; allowed: frequencies above 0"),
        ("20 0\n1000000 0\n", r"line 2: found 1e\+06 Hz; allowed: 1 Hz to 200000 Hz"),
        ("20 0\n1000 94\n", r"line 2: found 94 dB; allowed: -40 dB to 40 dB"),
        ("20 0 9999\n1000 0 0\n", r"line 1: found 9999 degrees"),
        ("", r"found 0 lines with numbers; allowed: 2 or more"),
        ("# 20 0\n", r"found 0 lines"),
        ("300 0\n20000 0\n", r"found 300 Hz to 20000 Hz; allowed: what reaches from 200 Hz"),
        ("20 0\n5000 0\n", r"found 20 Hz to 5000 Hz"),
        ("Hz ohm\n20 4\n20000 4\n", r"found a magnitude in ohm; allowed here: dB"),
        ("20 1,5 3\n1000 2.5 3\n", r"line 1: found '20 1,5 3'; allowed: decimal points or decimal commas"),
    ],
)
def test_mistakes_are_told_by_line(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(BenchSetupError, match=words):
        read_response(written(tmp_path, text), 1000.0)


def test_a_missing_or_binary_file_is_told(tmp_path: Path) -> None:
    with pytest.raises(BenchSetupError, match="cannot be read"):
        read_response(tmp_path / "nothing.txt", 1000.0)
    path = tmp_path / "binary"
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(BenchSetupError, match="cannot be read"):
        read_response(path, 1000.0)
