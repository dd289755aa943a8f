"""Calibrations of the bench: made from captures, kept beside the records, never changed."""

import json
from datetime import datetime
from pathlib import Path

import numpy as np

from rig.bench.base import BenchError
from rig.readings import Capture, KnownLoad
from rig.signals import stimulus
from rig.signals.deconvolution import transfer_function
from rig.signals.smoothing import log_frequency_grid

SCHEMA = "kitproof known load 1"
#: Two inputs of one card that differ by more than this are not mismatched but wrongly wired.
WIDEST_MISMATCH = 1.5
#: Length of the sweep: the noise of this calibration goes into every later measurement.
SWEEP_S = 8.0


def calibrate_known_load(capture: Capture, load_ohm: float, made_at: str) -> KnownLoad:
    """Find the mismatch of the two electrical inputs from a sweep through a known resistor.

    With sense resistor R and load Z, the second input must read R / (Z + R) of the first with R in the return
    lead, Z / (Z + R) with R in the source lead (voltage divider). What it reads instead is the mismatch.

    Raises
    ------
    BenchError
        If the sense resistor's value is not known, or the result cannot be a mismatch of two inputs.
    """
    sense_ohm = capture.calibration.sense_ohm
    if sense_ohm is None:
        raise BenchError("the sense resistor's value is not known: set sense_ohm in bench.toml")
    request = capture.request
    grid = np.append(log_frequency_grid(request.start_hz, request.stop_hz / 1.1, 6), request.stop_hz)
    drive, sense = capture.volts("drive"), capture.volts("sense")
    if not (np.any(drive) and np.any(sense)):
        raise BenchError("one of the two inputs carries nothing at all: check its cable")
    found = transfer_function(sense, drive, capture.sample_rate_hz, grid, request.start_hz, request.stop_hz, 0.1, 0.25)
    own = sense_ohm if capture.calibration.sense_in == "return" else load_ohm
    ratio = found / (own / (load_ohm + sense_ohm))
    middle = float(np.median(np.abs(ratio)))
    if not 1 / WIDEST_MISMATCH < middle < WIDEST_MISMATCH:
        layout = stimulus.layout(request.start_hz, request.stop_hz, request.seconds, capture.sample_rate_hz)
        signal = float(np.std(sense[layout.sweep]))
        raise BenchError(
            f"the two inputs differ by a factor of {middle:.3g} on the known load ({signal:.2g} V at the second); "
            f"is it really {load_ohm:g} ohm, is the sense resistor {sense_ohm:g} ohm, are the inputs exchanged?"
        )
    return KnownLoad(grid, ratio, load_ohm, made_at)


def calibration_folder(workspace: Path) -> Path:
    """Where a workspace keeps its bench's calibrations."""
    return workspace / "results" / ".bench"


def save_known_load(workspace: Path, load: KnownLoad, bench_name: str) -> Path:
    """Write a calibration of its own name beside the earlier ones."""
    folder = calibration_folder(workspace)
    folder.mkdir(parents=True, exist_ok=True)
    stamp = datetime.fromisoformat(load.made_at).strftime("%Y-%m-%dT%H%M%S")
    path = folder / f"known-load-{stamp}.json"
    document = {
        "schema": SCHEMA,
        "bench": bench_name,
        "load_ohm": load.load_ohm,
        "made_at": load.made_at,
        "frequency_hz": load.frequency_hz.tolist(),
        "ratio_real": load.ratio.real.tolist(),
        "ratio_imag": load.ratio.imag.tolist(),
    }
    with path.open("x", encoding="utf-8") as file:
        json.dump(document, file, indent=1)
    return path


def newest_known_load(workspace: Path, bench_name: str) -> KnownLoad | None:
    """The newest known-load calibration of a bench; None when there is none.

    Raises
    ------
    BenchError
        If a calibration file cannot be read.
    """
    for path in sorted(calibration_folder(workspace).glob("known-load-*.json"), reverse=True):
        try:
            document = json.loads(path.read_text(encoding="utf-8"))
            if document["bench"] != bench_name:
                continue
            ratio = np.array(document["ratio_real"]) + 1j * np.array(document["ratio_imag"])
            return KnownLoad(
                np.array(document["frequency_hz"]), ratio, float(document["load_ohm"]), str(document["made_at"])
            )
        except (json.JSONDecodeError, KeyError, TypeError, ValueError) as error:
            raise BenchError(
                f"{path}: not a known-load calibration ({error}); move it away or calibrate anew"
            ) from None
    return None
