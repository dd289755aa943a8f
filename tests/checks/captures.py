"""Captures made from transfer functions of the tests' own: nothing here knows the simulated bench.

A capture is the stimulus, filtered in the frequency domain by what stands between the card's output and each input,
late by a latency that need not be a whole number of samples, with noise.
"""

from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from rig.design.kit import Kit, load_kit
from rig.signals import stimulus
from rig.values.captures import Calibration, Capture
from rig.values.requests import Sweep

WORKSPACE = Path(__file__).parents[2]
RATE_HZ = 48000.0
V_PER_PA = 0.0125
#: Of the output that drives the sense resistor.
SOURCE_OHM = 1.0
#: Samples that the stimulus comes back late, unless a test says otherwise.
LATENCY = 731.37
#: Recorded beyond the stimulus, and given to filters to ring out before the transform comes around.
ALLOWANCE_S = 0.1
SETTLE_S = 0.6

Complex = NDArray[np.complex128]
#: From frequencies in Hz to the complex gain between the card's output and the volts at an input.
Path_ = Callable[[NDArray[np.float64]], Any]

BENCH = Calibration(
    input_volts={"microphone": 1.0, "loopback": 1.0, "drive": 0.5, "sense": 0.5},
    output_volts=2.0,
    microphone_v_per_pa=V_PER_PA,
    microphone_sign=1,
    sense_ohm=10.0,
    bench="test bench",
)


@lru_cache(maxsize=8)
def stimulus_spectrum(plan: stimulus.Layout, size: int) -> Complex:
    """Spectrum of the stimulus, padded to `size`."""
    return np.asarray(fft.rfft(stimulus.compose(plan), size))


def captured(
    request: Sweep,
    paths: Mapping[str, Path_],
    calibration: Calibration = BENCH,
    *,
    latency: float = LATENCY,
    noise_v: Mapping[str, float] | float = 0.0,
    noise: Mapping[str, NDArray[np.float64]] | None = None,
    seed: int = 1,
    rate_hz: float = RATE_HZ,
) -> Capture:
    """What the inputs of a card give when `request` is played.

    Parameters
    ----------
    request
        Its `peak_v / path_gain` is the peak voltage at the card's output.
    paths
        Role of each input, and its path.
    latency
        In samples.
    noise_v
        RMS volts of white noise at each input, or at all.
    noise
        Noise in volts of any other kind, by role, as long as the capture or longer.
    """
    plan = request.layout(rate_hz)
    frames = plan.frames + round(ALLOWANCE_S * rate_hz)
    size = int(fft.next_fast_len(frames + round(SETTLE_S * rate_hz), real=True))
    frequency_hz = fft.rfftfreq(size, 1 / rate_hz)
    source = stimulus_spectrum(plan, size) * (request.peak_v / request.path_gain)
    source = source * np.exp(-2j * np.pi * frequency_hz * latency / rate_hz)
    random = np.random.default_rng(seed)
    rows = []
    for role, path in paths.items():
        volts = fft.irfft(source * path(frequency_hz), size)[:frames]
        if noise is not None and role in noise:
            volts = volts + noise[role][:frames]
        rms = noise_v if isinstance(noise_v, (int, float)) else noise_v.get(role, 0.0)
        volts = volts + rms * random.standard_normal(frames)
        rows.append(volts / calibration.input_volts.get(role, 1.0))
    return Capture(request, np.array(rows, np.float32), tuple(paths), rate_hz, calibration)


def flat(gain: float) -> Path_:
    """The same gain at all frequencies."""
    return lambda frequency_hz: np.full(frequency_hz.shape, gain, np.complex128)


def delayed(seconds: float) -> Path_:
    """Nothing but a delay."""
    return lambda frequency_hz: np.exp(-2j * np.pi * frequency_hz * seconds)


MATCHED = flat(1.0)


def at_leads(
    load_ohm: Path_, sense_in: str = "return", mismatch: Path_ = MATCHED, sense_ohm: float = 10.0
) -> dict[str, Path_]:
    """The two voltages around a sense resistor (voltage divider); the second input differs by `mismatch`."""

    def drive(frequency_hz: NDArray[np.float64]) -> Complex:
        load = load_ohm(frequency_hz)
        return np.asarray((sense_ohm + load) / (SOURCE_OHM + sense_ohm + load))

    def sense(frequency_hz: NDArray[np.float64]) -> Complex:
        load = load_ohm(frequency_hz)
        across = sense_ohm if sense_in == "return" else load
        return np.asarray(across / (SOURCE_OHM + sense_ohm + load) * mismatch(frequency_hz))

    return {"drive": drive, "sense": sense}


def playing(
    request: Sweep, pascal_per_volt: Path_, v_per_pa: float = V_PER_PA, loopback: bool = True
) -> dict[str, Path_]:
    """Microphone in front of a unit with this response, and the loopback where there is one."""

    def microphone(frequency_hz: NDArray[np.float64]) -> Complex:
        return np.asarray(request.path_gain * v_per_pa * pascal_per_volt(frequency_hz))

    return {"microphone": microphone, "loopback": flat(1.0)} if loopback else {"microphone": microphone}


def demo_kit(name: str = "booth-two") -> Kit:
    """One of the demonstration kits."""
    return load_kit(WORKSPACE, name)


def one_driver_kit(box: dict[str, Any] | None = None, **driver: Any) -> Kit:
    """A kit of one channel with one driver, no network."""
    table = {
        "name": "woofer",
        "nominal_ohm": 8.0,
        "re_ohm": 6.0,
        "fs_hz": 45.0,
        "qms": 5.0,
        "qes": 0.5,
        "vas_l": 20.0,
        "sd_cm2": 130.0,
        "band_hz": [60.0, 2000.0],
    } | driver
    return Kit.model_validate(
        {
            "name": "one-driver",
            "title": "One driver",
            "revision": "A",
            "serial_pattern": "X\\d",
            "serial_example": "X1",
            "amplifier": {"supply_v": 24.0, "gain_db": 26.0, "load_ohm": 4.0, "bridged": True, "limit_v": 6.0},
            "positions": [
                {"name": "on axis", "distance_m": 1.0},
                {"name": "30 degrees", "distance_m": 1.0, "angle_deg": 30.0},
            ],
            "stages": {
                "leads": {"words": "Leads.", "each": "{channel}"},
                "playing": {"words": "Playing.", "each": "{channel}"},
            },
            "channels": [
                {
                    "name": "only",
                    "baffle_width_m": 0.2,
                    "box": box or {"kind": "closed", "volume_l": 20.0},
                    "drivers": [table],
                }
            ],
            "checks": {"leads": {}},
            "limits": {},
        }
    )


def spoiled(capture: Capture, how: str, role: str = "") -> Capture:
    """A capture with something wrong: 'silent', 'zero', 'nan', 'clipped', 'short', 'empty', 'noise'."""
    samples = capture.samples.copy()
    rows = slice(None)
    if role in capture.inputs:
        rows = slice(capture.inputs.index(role), capture.inputs.index(role) + 1)
    if how == "zero":
        samples[rows] = 0.0
    elif how == "silent":
        samples[rows] = 1e-6 * np.random.default_rng(3).standard_normal(samples[rows].shape)
    elif how == "noise":
        samples[rows] = 0.1 * np.random.default_rng(3).standard_normal(samples[rows].shape)
    elif how == "nan":
        samples[rows, samples.shape[1] // 2] = np.nan
    elif how == "clipped":
        top = 0.5 * np.max(np.abs(samples[rows]), axis=1, keepdims=True)
        samples[rows] = np.clip(samples[rows], -top, top) / top
    elif how == "short":
        samples = samples[:, : samples.shape[1] // 3]
    elif how == "empty":
        samples = samples[:, :0]
    else:
        raise ValueError(f"how is {how!r}")
    return replace(capture, samples=samples)
