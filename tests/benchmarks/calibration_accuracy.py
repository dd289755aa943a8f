"""How far off an impedance is read with each way of calibrating the bare leads, and what is stated of it.

    python tests/benchmarks/calibration_accuracy.py

The bench: 10 ohm nominal that are 10.07, clips and cables of 0.13 ohm and 1 uH, 100 kilohm stray, inputs 2 % and 1 us
apart; known resistors exact but believed to 1 %. Loads are read from 10 Hz to 20 kHz.
"""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.append(str(Path(__file__).parents[2]))
sys.path.append(str(Path(__file__).parents[1] / "checks"))
from captures import BENCH, at_leads, captured, one_driver_kit

from checks import impedance
from rig.calibration.known_load import OPEN, SHORT, calibrate_known_load, calibrate_sense, resistor

LOADS_OHM = (1.0, 4.0, 8.0, 30.0, 100.0)
MADE_AT = "2026-01-01T12:00:00+00:00"


def on_clips(load_ohm: float, sense_in: str, seconds: float, seed: int):
    """A sweep with a load at the clips."""

    def behind(f):
        stray = 1e-5
        load = np.full(f.shape, 1 / stray if np.isinf(load_ohm) else load_ohm / (1 + stray * load_ohm), np.complex128)
        return 0.13 + 2j * np.pi * f * 1e-6 + load

    request = replace(one_driver_kit().sweep("leads", "only"), seconds=seconds)
    paths = at_leads(behind, sense_in, lambda f: 1.02 * np.exp(-2j * np.pi * f * 1e-6), 10.07)
    return captured(request, paths, replace(BENCH, sense_in=sense_in), noise_v=5e-6, seed=seed)


def main() -> None:
    """Print the table."""
    print(f"{'':32s}" + "".join(f"{load:>24g} ohm" for load in LOADS_OHM))
    for sense_in in ("return", "source"):
        loads = (OPEN, SHORT, resistor(8.2), resistor(47.0))
        measured = [(one, on_clips(one.ohm, sense_in, 8.0, n)) for n, one in enumerate(loads)]
        ways = {
            "one load": calibrate_known_load(measured[2][1], 8.2, MADE_AT),
            "open, short, one load": calibrate_sense(measured[:3], MADE_AT),
            "open, short, two loads": calibrate_sense(measured, MADE_AT),
        }
        for name, known in ways.items():
            cells = []
            for load_ohm in LOADS_OHM:
                capture = on_clips(load_ohm, sense_in, 2.0, 9)
                capture = replace(capture, calibration=replace(capture.calibration, known_load=known))
                found = impedance.load_impedance(capture, impedance.judged_grid(capture.request, 24))
                off = 100 * np.max(np.abs(found.ohm / load_ohm - 1))
                stated = 100 * np.median(found.calibration_ohm) / load_ohm
                cells.append(f"{off:8.3f} %  (u {stated:6.2f} %)")
            print(f"{sense_in:8s}{name:24s}" + "".join(f"{cell:>28s}" for cell in cells))


if __name__ == "__main__":
    main()
