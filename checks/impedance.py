"""Impedance: magnitude and phase at the bare leads, and the driver and box parameters that the curve holds.

A sweep goes through a sense resistor; two inputs record the voltage before it and the voltage at its other side. Their
ratio gives the impedance by the voltage divider, after the mismatch of the two inputs, found with a known load, has
been divided out. Wrong parts show here far better than in the response.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from rig.circuit.channel import Channel, impedance_ohm
from rig.circuit.fit import Fit, default_parameters, fit_impedance
from rig.kit import Kit
from rig.readings import Capture, CheckReadings, Curve, Floats, KnownLoad, Reading, Untrusted
from rig.requests import Sweep
from rig.responses import judged_grid, sweep_layout
from rig.signals.deconvolution import transfer_function
from rig.signals.noise import response_noise_power
from rig.tables import Table

NAME = "impedance"
TITLE = "Impedance at the leads"
GATE = False

#: The window that `transfer_function` lets the ratio's impulse response live in, before and after time zero.
WINDOW_S = (0.1, 0.6)
#: The drive must be so many times what the silence before it is.
OVER_SILENCE = 3.0


NOISY = "part of the curve drowns in noise"


class Settings(Table):
    """Settings of the check."""

    points_per_octave: int = 24
    #: Points whose standard uncertainty from noise is above this are not judged.
    uncertainty_percent: float = 2.0
    #: Parameters are fitted from the lowest frequency up to so many times the driver's resonance.
    fit_up_to_fs: float = 8.0
    #: A fit that leaves more than this (root mean square of the relative difference) tells nothing of the driver.
    fit_within_percent: float = 10.0


@dataclass(frozen=True)
class Load:
    """Impedance over frequency, shape (n,), and its standard uncertainty from the noise of the capture."""

    ohm: NDArray[np.complex128]
    uncertainty_ohm: Floats


def requests(kit: Kit, settings: Settings) -> list[Sweep]:
    """One sweep on each channel's leads."""
    return [kit.sweep("leads", channel.name) for channel in kit.channels]


def read(captures: Sequence[Capture], settings: Settings, kit: Kit) -> CheckReadings:
    """Magnitude, phase, lowest impedance, and for the lowest driver of each channel its parameters."""
    readings: list[Reading] = []
    curves: list[Curve] = []
    for capture in captures:
        channel = kit.channel(capture.request.channel)
        grid = judged_grid(capture.request, settings.points_per_octave)
        load = load_impedance(capture, grid)
        magnitude = np.abs(load.ohm)
        valid = trusted(load, settings)
        design = impedance_ohm(kit.model(channel.name), grid)
        curves.append(
            Curve("impedance", channel.name, grid, magnitude, "ohm", valid, load.uncertainty_ohm, design=np.abs(design))
        )
        phase, design_phase = np.degrees(np.angle(load.ohm)), np.degrees(np.angle(design))
        u_phase = np.degrees(load.uncertainty_ohm / magnitude)
        curves.append(Curve("phase", channel.name, grid, phase, "degrees", valid, u_phase, design=design_phase))
        lowest = int(np.argmin(magnitude))
        u_lowest = float(load.uncertainty_ohm[lowest])
        trouble = "" if valid.all() else NOISY
        readings.append(Reading("lowest impedance", channel.name, float(magnitude[lowest]), "ohm", u_lowest, trouble))
        readings += fitted(capture, kit, settings)
    return CheckReadings(tuple(readings), tuple(curves))


def load_impedance(capture: Capture, frequency_hz: Floats) -> Load:
    """Impedance of what hangs at the clips.

    With the sense resistor R in the return lead the second input sees R / (Z + R) of the first; in the source lead it
    sees Z / (Z + R) (voltage divider).

    Raises
    ------
    Untrusted
        If the sense resistor or the known-load correction is missing, or an input carries nothing, or the capture
        is not whole.
    """
    calibration, request = capture.calibration, capture.request
    if calibration.sense_ohm is None:
        raise Untrusted("the sense resistor's value is not known: set sense_ohm in bench.toml")
    if calibration.known_load is None:
        raise Untrusted("the two inputs were never compared on a known load: run kitproof calibrate-load")
    layout = sweep_layout(capture)
    # A converter's constant offset would look like low frequencies.
    drive, sense = (
        volts - np.mean(volts[layout.silence]) for volts in (capture.volts("drive"), capture.volts("sense"))
    )
    if np.std(sense) == 0 or np.std(drive[layout.sweep]) <= OVER_SILENCE * np.std(drive[layout.silence]):
        raise Untrusted("one of the two inputs carries nothing at all: check its cable")
    band = (request.start_hz, request.stop_hz)
    rate = capture.sample_rate_hz
    ratio = transfer_function(sense, drive, rate, frequency_hz, *band, *WINDOW_S)
    ratio = ratio / mismatch(calibration.known_load, frequency_hz)
    window = np.ones(round(sum(WINDOW_S) * rate))
    noise = np.sqrt(response_noise_power(sense[layout.silence], drive, window, rate, frequency_hz, *band))
    sense_ohm = calibration.sense_ohm
    if calibration.sense_in == "return":
        return Load(sense_ohm * (1 / ratio - 1), sense_ohm * noise / np.abs(ratio) ** 2)
    return Load(sense_ohm * ratio / (1 - ratio), sense_ohm * noise / np.abs(1 - ratio) ** 2)


def mismatch(known: KnownLoad, frequency_hz: Floats) -> NDArray[np.complex128]:
    """Ratio of the two inputs' gains, between and beyond its points: gain and delay change slowly."""
    log, at = np.log(frequency_hz), np.log(known.frequency_hz)
    gain = np.interp(log, at, np.abs(known.ratio))
    turn = frequency_hz * np.interp(log, at, np.unwrap(np.angle(known.ratio)) / known.frequency_hz)
    return np.asarray(gain * np.exp(1j * turn))


def fitted(capture: Capture, kit: Kit, settings: Settings) -> list[Reading]:
    """Parameters of the channel's lowest driver and its box, fitted through the kit's network."""
    channel = kit.channel(capture.request.channel)
    driver = min(channel.drivers, key=lambda spec: spec.band_hz[0])
    up_to_hz = settings.fit_up_to_fs * driver.fs_hz
    fit, quiet = fit_of(capture, kit.model(channel.name), driver.name, up_to_hz, settings)
    fits = fit.converged and fit.residual_rms_relative < settings.fit_within_percent / 100
    trouble = "" if fits else "no driver behind this network and in this box fits the curve"
    trouble = trouble if quiet else NOISY
    subject = f"{channel.name} {driver.name}"
    return [
        Reading(quantity, subject, fit.values[key] * scale, unit, fit.standard_uncertainty[key] * scale, trouble)
        for key, (quantity, unit, scale) in PARAMETERS.items()
        if key in fit.values
    ]


@lru_cache(maxsize=16)
def fit_of(capture: Capture, model: Channel, driver: str, up_to_hz: float, settings: Settings) -> tuple[Fit, bool]:
    """Fit of a driver to a capture, and whether every point it rests on stands out of the noise; found once."""
    grid = judged_grid(capture.request, settings.points_per_octave)
    grid = grid[grid <= up_to_hz]
    load = load_impedance(capture, grid)
    # So far below the treble a free exponent of the inductance would pass for resistance.
    names = [name for name in default_parameters(model, driver) if name != "le_exponent"]
    return fit_impedance(model, grid, load.ohm, driver, names), bool(trusted(load, settings).all())


def trusted(load: Load, settings: Settings) -> NDArray[np.bool_]:
    """Where noise leaves the impedance known well enough."""
    return np.asarray(load.uncertainty_ohm < settings.uncertainty_percent / 100 * np.abs(load.ohm))


#: What the fit calls it -> what the reading is called, its unit and scale.
PARAMETERS = {
    "re_ohm": ("Re", "ohm", 1.0),
    "fs_hz": ("fs", "Hz", 1.0),
    "qms": ("Qms", "", 1.0),
    "qes": ("Qes", "", 1.0),
    "qts": ("Qts", "", 1.0),
    "le_h": ("Le", "mH", 1e3),
    "fc_hz": ("box resonance", "Hz", 1.0),
    "qtc": ("Qtc", "", 1.0),
    "tuning_hz": ("box tuning", "Hz", 1.0),
    "leakage_q": ("box losses QL", "", 1.0),
}
