"""A microphone's response from a text file: columns of frequency, decibel and, where there is one, phase."""

import math
import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from rig.files.errors import BenchSetupError
from rig.values.captures import MicrophoneResponse

COMMENTS = ("#", "*")
SEPARATORS = re.compile(r"[\s;,]+")
#: Between these a value is more likely meant than slipped.
FREQUENCY_HZ, MOST_DB, MOST_DEGREES = (1.0, 200e3), 40.0, 3600.0
#: A response that does not reach over this says too little of a microphone.
COVERED_HZ = (200.0, 8000.0)


def read_response(path: Path, at_hz: float) -> MicrophoneResponse:
    """Read what a microphone reads too much, in dB over what it reads at the calibrator's frequency.

    Lines that begin with # or * are comments. Every other line holds two or three numbers, separated by spaces, tabs,
    commas or semicolons, with a decimal point: frequency in Hz, ascending; decibel; phase in degrees.

    Parameters
    ----------
    path : Path
    at_hz : float
        Where the sensitivity is found: there the response is 0 dB and the phase as it is.

    Raises
    ------
    BenchSetupError
        Naming file and line, what was found and what is allowed.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise BenchSetupError(f"{path}: cannot be read as text: {error}") from None
    rows = list(_rows(path, text))
    if len(rows) < 2:
        raise BenchSetupError(f"{path}: found {len(rows)} lines with numbers; allowed: 2 or more")
    frequency_hz, decibel = np.array([row[0] for row in rows]), np.array([row[1] for row in rows])
    low_hz, high_hz = COVERED_HZ
    if frequency_hz[0] > low_hz or frequency_hz[-1] < high_hz:
        raise BenchSetupError(
            f"{path}: found {frequency_hz[0]:g} Hz to {frequency_hz[-1]:g} Hz; allowed: what reaches from {low_hz:g} "
            f"Hz or below to {high_hz:g} Hz or above"
        )
    at_calibrator = float(np.interp(np.log(at_hz), np.log(frequency_hz), decibel))
    degrees = np.array([row[2] for row in rows]) if len(rows[0]) == 3 else None
    return MicrophoneResponse(frequency_hz, decibel - at_calibrator, degrees, path.name)


def _rows(path: Path, text: str) -> Iterator[list[float]]:
    before: list[float] = []
    for number, line in enumerate(text.splitlines(), 1):
        if not line.strip() or line.lstrip().startswith(COMMENTS):
            continue
        row = _row(path, number, line)
        wrong = _wrong(row, before)
        if wrong:
            raise _mistake(path, number, *wrong)
        before = row
        yield row


def _row(path: Path, number: int, line: str) -> list[float]:
    cells = SEPARATORS.split(line.strip().strip(",;"))
    allowed = "two or three numbers with decimal points (Hz, dB, degrees), or a comment that begins with # or *"
    try:
        row = [float(cell) for cell in cells]
    except ValueError:
        raise _mistake(path, number, repr(line.strip()[:60]), allowed) from None
    if len(row) not in (2, 3) or not all(math.isfinite(value) for value in row):
        raise _mistake(path, number, repr(line.strip()[:60]), allowed)
    return row


def _wrong(row: list[float], before: list[float]) -> tuple[str, str] | None:
    """What was found and what is allowed, where a row does not fit."""
    low, high = FREQUENCY_HZ
    if not low <= row[0] <= high:
        return f"{row[0]:g} Hz", f"{low:g} Hz to {high:g} Hz in the first column"
    if abs(row[1]) > MOST_DB:
        return f"{row[1]:g} dB", f"-{MOST_DB:g} dB to {MOST_DB:g} dB in the second column"
    if len(row) == 3 and abs(row[2]) > MOST_DEGREES:
        return f"{row[2]:g} degrees", f"-{MOST_DEGREES:g} to {MOST_DEGREES:g} in the third column"
    if before and len(row) != len(before):
        return f"{len(row)} columns", f"{len(before)}, as in the lines before"
    if before and row[0] <= before[0]:
        return f"{row[0]:g} Hz after {before[0]:g} Hz", "ascending frequencies, each once"
    return None


def _mistake(path: Path, number: int, found: str, allowed: str) -> BenchSetupError:
    return BenchSetupError(f"{path}: line {number}: found {found}; allowed: {allowed}")
