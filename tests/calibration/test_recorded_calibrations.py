"""The calibration of a capture in its record: all of it comes back, and records of before are still read."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np

from rig.files.plain import json_bytes, restored
from rig.store.recordings import read_captures, write_captures
from rig.store.run_json import up_to_date
from rig.values.captures import Calibration, Capture, KnownLoad, MicrophoneResponse, OwnHarmonics
from rig.values.requests import Sweep

SWEEP = Sweep("playing", "left", "left", 1.0, 1.0, 20.0, 20000.0, 1.0)
GRID = np.array([10.0, 1000.0, 20000.0])
FULL = Calibration(
    input_volts={"microphone": 0.5},
    output_volts=2.0,
    microphone_v_per_pa=0.0125,
    known_load=KnownLoad(
        GRID,
        np.exp(1j * GRID * 1e-5),
        8.2,
        "2026-01-01T12:00:00+00:00",
        lead_ohm=0.03 + 1j * GRID * 1e-6,
        stray_siemens=1j * GRID * 1e-9,
        errors=((0.1, 0.2, 0.3), (0.0, 1e-3, 0.0), (0.0, 0.0, 1e-6)),
    ),
    input_uncertainty={"microphone": 0.01},
    output_uncertainty=0.006,
    microphone_uncertainty=0.02,
    microphone_response=MicrophoneResponse(GRID, np.array([0.5, 0.0, 3.0]), np.array([1.0, 0.0, -20.0]), "mic.txt"),
    loopback_db=0.02,
    own_harmonics=OwnHarmonics(0.5, GRID, np.array([[-90.0, -95.0, np.nan], [-100.0, -99.0, -98.0]])),
    made_at={"microphone": "2026-01-01T12:00:00+00:00"},
    doubts={"loopback": "too old"},
)


def through_a_record(folder: Path, calibration: Calibration) -> tuple[dict, Calibration]:
    capture = Capture(SWEEP, np.zeros((1, 8), np.float32), ("microphone",), 48000.0, calibration)
    calibrations, captures = write_captures([(capture, ())], folder)
    document = json.loads(json_bytes({"calibrations": calibrations}))
    (found,) = read_captures(folder, captures, read_back(document))
    return document, found.calibration


def read_back(document: dict) -> tuple[Calibration, ...]:
    return tuple(restored(Calibration, entry) for entry in up_to_date(document)["calibrations"])


def same(one: object, other: object) -> bool:
    """Equal in all parts, arrays point by point, NaN like NaN."""
    if hasattr(one, "__dataclass_fields__"):
        return type(one) is type(other) and all(same(vars(one)[key], vars(other)[key]) for key in vars(one))
    if isinstance(one, np.ndarray):
        return isinstance(other, np.ndarray) and one.dtype == other.dtype and np.array_equal(one, other, equal_nan=True)
    return one == other


def test_all_of_a_calibration_comes_back(tmp_path: Path) -> None:
    _, found = through_a_record(tmp_path, FULL)
    assert same(found, FULL)
    assert not same(found, replace(FULL, microphone_response=replace(FULL.microphone_response, source="another")))


def test_a_bare_calibration_comes_back(tmp_path: Path) -> None:
    bare = Calibration({"microphone": 0.5}, 2.0)
    assert same(through_a_record(tmp_path, bare)[1], bare)


def test_a_record_of_before_is_read(tmp_path: Path) -> None:
    """As records were written when a calibration was its numbers and the known load's ratio."""
    document, _ = through_a_record(tmp_path, FULL)
    known = ("input_volts", "output_volts", "microphone_v_per_pa", "microphone_sign", "sense_ohm", "sense_in")
    entry = {key: document["calibrations"][0][key] for key in (*known, "bench", "air_celsius")}
    entry["known_load"] = {
        "frequency_hz": [10.0, 20000.0],
        "ratio_real": [1.0, 1.1],
        "ratio_imag": [0.0, 0.2],
        "load_ohm": 8.2,
        "made_at": "2026-01-01T12:00:00+00:00",
    }
    (calibration,) = read_back({"calibrations": [entry]})
    load = calibration.known_load
    assert load is not None
    np.testing.assert_array_equal(load.ratio, [1.0, 1.1 + 0.2j])
    assert load.lead_ohm is None
    assert load.errors == ()
    assert calibration.microphone_uncertainty is None


def test_a_microphone_s_own_response_is_taken_out() -> None:
    t = np.arange(4800) / 48000
    wave = np.float32(0.1 * np.sin(2 * np.pi * 10000 * t) * np.hanning(t.size))
    response = MicrophoneResponse(np.array([100.0, 9000.0, 11000.0]), np.array([0.0, 6.0, 6.0]))
    even = Calibration({"microphone": 2.0}, 1.0, microphone_v_per_pa=0.5, microphone_sign=-1)
    one = Capture(SWEEP, wave[np.newaxis], ("microphone",), 48000.0, even)
    other = replace(one, calibration=replace(even, microphone_response=response))
    # 0.2 V at 0.5 V/Pa and of the other sign; then 6 dB less at 10 kHz.
    np.testing.assert_allclose(one.pascal(), -4 * wave.astype(np.float64), rtol=1e-12)
    np.testing.assert_allclose(other.pascal(), one.pascal() / 10 ** (6 / 20), atol=1e-3)
    assert other.pascal() is not other.pascal()
