"""A run made by hand: two channels, all three outcomes, no bench."""

from pathlib import Path
from typing import Any

import numpy as np

from rig.design.kit import Kit, load_kit
from rig.design.limits import Limit
from rig.store.run_json import KitName, Previous, Record
from rig.values.captures import Calibration, Capture
from rig.values.readings import CheckReadings, Curve, Floats, Reading
from rig.values.run import Run, Timing
from rig.values.verdicts import CheckResult
from rig.verdict.judge import judge, outcome_of

WORKSPACE = Path(__file__).parents[2]
GRID_HZ = np.geomspace(20, 20000, 240)


def kit() -> Kit:
    """The demonstration kit with two channels."""
    return load_kit(WORKSPACE, "booth-two")


def record(**changes: Any) -> Record:
    """What run.json says beside the run itself."""
    made: dict[str, Any] = {
        "folder": Path(),
        "run": "2026-03-04T101500Z-ab12",
        "run_number": 3,
        "serial": "BT-0007",
        "kit": KitName("booth-two", "", "C", "0" * 64),
        "software": {"kitproof": "0.1.0", "numpy": "2.0.0"},
        "bench": {"kind": "sound card", "device": {"name": "card", "inputs": ["microphone", "loopback"]}},
        "started_at": "2026-03-04T11:14:10+01:00",
        "finished_at": "2026-03-04T11:15:00+01:00",
        "outcome": "void",
        "stopped": "",
        "timing": Timing(0.0, 0.0, 0.0),
        "previous": Previous("2026-03-03T150000Z-cd34", "1" * 64),
        "results": (),
        "calibrations": (),
        "captures": (),
        "files": {},
    }
    return Record(**(made | changes))


def level_curve(subject: str, notch_db: float = 0.0, quantity: str = "level", **changes: Any) -> Curve:
    """A level around 80 dB SPL with a dip at 3.2 kHz, trusted from 50 Hz up."""
    design = 80 - 10 * np.log10(1 + (55 / GRID_HZ) ** 4)
    dip = notch_db * np.exp(-((np.log2(GRID_HZ / 3200) / 0.15) ** 2))
    value = design + 0.6 * np.sin(3 * np.log(GRID_HZ)) - dip
    made: dict[str, Any] = {
        "valid": GRID_HZ >= 50,
        "uncertainty": np.full(GRID_HZ.shape, 0.12),
        "design": design,
        "method": "1 V at 0.5 m, 0 degrees, 1/12 octave, valid from 50 Hz",
    }
    return Curve(quantity, subject, GRID_HZ, value, "dB SPL", **(made | changes))


def impedance_curve(subject: str) -> Curve:
    """The two peaks of a vented box and the rise of a coil."""
    design: Floats = 6 + 30 / (1 + (9 * np.log2(GRID_HZ / 30)) ** 2) + 22 / (1 + (6 * np.log2(GRID_HZ / 85)) ** 2)
    design = design + GRID_HZ / 3000
    value = design * (1 + 0.02 * np.sin(5 * np.log(GRID_HZ)))
    return Curve("impedance", subject, GRID_HZ, value, "ohm", np.ones(GRID_HZ.shape, bool), design=design)


def result(name: str, title: str, read: CheckReadings, limits: dict[str, Limit]) -> CheckResult:
    """Readings judged, as the rig does it."""
    verdicts = tuple(judge(read, limits, Path(), name))
    return CheckResult(name, title, outcome_of([v.outcome for v in verdicts]), "", read, verdicts)


def response(notch_db: float = 0.0) -> CheckResult:
    """Levels of two boxes at three places, and their match; `notch_db` spoils the right one."""
    curves = [level_curve("left"), level_curve("right", notch_db)]
    curves += [level_curve(f"{side} {place} degrees") for place in (15, 30) for side in ("left", "right")]
    match = Curve("match", "left against right", GRID_HZ, curves[0].value - curves[1].value, "dB", GRID_HZ >= 50)
    readings = (
        Reading("sensitivity", "left", 86.31, "dB SPL", 0.14),
        Reading("sensitivity", "right", 86.02, "dB SPL", 0.14),
        Reading("mean match", "left against right", 0.29, "dB"),
    )
    limits = {
        "level": Limit(around="design", within=[[60, 200, 3, 3], [200, 16000, 2, 2]]),
        "match": Limit(around="design", within=[[100, 10000, 1, 1]]),
        "sensitivity": Limit(lower=85, upper=88),
        "mean match": Limit(lower=-0.5, upper=0.5),
    }
    match = Curve(**{**vars(match), "design": np.zeros(GRID_HZ.shape)})
    return result("response", "Frequency response", CheckReadings(readings, (*curves, match)), limits)


def impedance() -> CheckResult:
    """Impedances of two boxes, with readings that nothing judges."""
    readings = (
        Reading("Re", "left woofer", 5.612, "ohm", 0.011),
        Reading("Qts", "left woofer", 0.371, "", 0.004),
        Reading("fs", "left woofer", 47.3, "Hz", 0.2),
    )
    limits = {
        "impedance": Limit(around="design", within=[[25, 15000, 8, 8]], percent=True),
        "Re": Limit(lower=5.2, upper=6.0),
    }
    read = CheckReadings(
        readings, (impedance_curve("left"), impedance_curve("right")), remarks=("fitted up to 376 Hz",)
    )
    return result("impedance", "Impedance at the leads", read, limits)


def polarity() -> CheckResult:
    """One driver right, one reversed, one that could not be told."""
    readings = (
        Reading("driver polarity", "left woofer", 1, ""),
        Reading("driver polarity", "left tweeter", -1, ""),
        Reading("driver polarity", "right tweeter", -1, "", trouble="14 dB too quiet in its band"),
    )
    return result("polarity", "Polarity of every driver", CheckReadings(readings), {"driver polarity": Limit(lower=1)})


def capture(attempt: int = 1, **calibration: Any) -> Capture:
    """A capture of no sound at all."""
    request = kit().sweep("playing", "left", position="on axis")
    volts = {"microphone": 1.0, "loopback": 1.0}
    made = Calibration(volts, 1.0, **calibration)
    return Capture(request, np.zeros((2, 480), np.float32), ("microphone", "loopback"), 48000.0, made, attempt)


def run(*results: CheckResult, stopped: str = "", captures: tuple[Any, ...] = (), logs: tuple[Any, ...] = ()) -> Run:
    """A run of these results."""
    outcome = outcome_of([result.outcome for result in results])
    return Run(outcome, stopped, False, results, captures, logs, Timing(20.0, 23.4, 51.0))
