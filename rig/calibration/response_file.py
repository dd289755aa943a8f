"""A microphone's response from a text file: columns of frequency, decibel and, where there is one, phase."""

from pathlib import Path

import numpy as np

from rig.files.columns import Columns, read_curve_columns
from rig.files.errors import BenchSetupError, TableError
from rig.values.captures import MicrophoneResponse

#: Between these a value is more likely meant than slipped; our choice.
FREQUENCY_HZ, MOST_DB, MOST_DEGREES = (1.0, 200e3), 40.0, 3600.0
#: A response that does not reach over this says too little of a microphone; our choice.
COVERED_HZ = (200.0, 8000.0)


def read_response(path: Path, at_hz: float) -> MicrophoneResponse:
    """Read what a microphone reads too much, in dB over what it reads at the calibrator's frequency.

    The file holds columns as `rig.files.columns` reads them: Hz, dB and, where there is one, degrees.

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
        found = read_curve_columns(path, "dB")
        _refuse_far_out(found)
    except TableError as error:
        raise BenchSetupError(str(error)) from None
    frequency_hz, (low_hz, high_hz) = found.frequency_hz, COVERED_HZ
    if frequency_hz[0] > low_hz or frequency_hz[-1] < high_hz:
        raise BenchSetupError(
            f"{path}: found {frequency_hz[0]:g} Hz to {frequency_hz[-1]:g} Hz; allowed: what reaches from {low_hz:g} "
            f"Hz or below to {high_hz:g} Hz or above"
        )
    at_calibrator = float(np.interp(np.log(at_hz), np.log(frequency_hz), found.magnitude))
    return MicrophoneResponse(frequency_hz, found.magnitude - at_calibrator, found.degrees, path.name)


def _refuse_far_out(found: Columns) -> None:
    """TableError at the first value that no microphone has."""
    for row, hz in enumerate(found.frequency_hz):
        if not FREQUENCY_HZ[0] <= hz <= FREQUENCY_HZ[1]:
            found.refuse(row, f"{hz:g} Hz", f"{FREQUENCY_HZ[0]:g} Hz to {FREQUENCY_HZ[1]:g} Hz in the first column")
        if abs(found.magnitude[row]) > MOST_DB:
            found.refuse(row, f"{found.magnitude[row]:g} dB", f"-{MOST_DB:g} dB to {MOST_DB:g} dB in the second column")
        if found.degrees is not None and abs(found.degrees[row]) > MOST_DEGREES:
            allowed = f"-{MOST_DEGREES:g} to {MOST_DEGREES:g} in the third column"
            found.refuse(row, f"{found.degrees[row]:g} degrees", allowed)
