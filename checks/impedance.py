"""Impedance: magnitude and phase at the bare leads, and the driver and box parameters that the curve holds.

A sweep goes through a sense resistor; two inputs record the voltage before it and the voltage at its other side. Their
ratio gives the impedance by the voltage divider, after what known loads told of the bench has been taken out: the
mismatch of the two inputs, and clips and cables where open, short and load were measured. Wrong parts show here far
better than in the response.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import cast

import numpy as np

from rig.circuit.channel import Channel, find_driver, impedance_ohm
from rig.circuit.fit import Fit, default_parameters, driver_quantities, fit_impedance
from rig.circuit.unfitted_parts import held_uncertainty, moves_of_fit
from rig.design.kit import Kit
from rig.design.sheet_range import with_design
from rig.design.trust import RestsOn
from rig.design.uncertainty_budget import with_parts
from rig.files.tables import Table
from rig.signals.arrays import Bools, Complex
from rig.signals.deconvolution import gated_ratio, ratio_at
from rig.signals.divider import Divider, Wiring, divider_impedance, divider_slope, load_uncertainties
from rig.signals.gating import Gated
from rig.signals.noise import noise_through, power_spectral_density, reference_power
from rig.values.captures import Calibration, Capture, KnownLoad, UnfitBench, Untrusted, once_per_capture
from rig.values.readings import CheckReadings, Curve, Floats, Reading
from rig.values.requests import Sweep
from rig.verdict.responses import heard_silence, judged_grid, sweep_layout

NAME = "impedance"
TITLE = "Impedance at the leads"
GATE = False

IMPEDANCE = "impedance"
PHASE = "phase"
RE = "Re"
LE = "Le"
FS = "fs"
QMS = "Qms"
QES = "Qes"
QTS = "Qts"
BOX_TUNING = "box tuning"
BOX_LOSSES = "box losses QL"
BOX_RESONANCE = "box resonance"
QTC = "Qtc"
LOWEST_IMPEDANCE = "lowest impedance"
#: Impedance needs the two inputs compared on known loads.
RESTS_ON = RestsOn(("sense",), {"leads": ()})
TERMS = {
    IMPEDANCE: "How much the box resists the amplifier's current at each frequency, in ohms.",
    PHASE: "How far the current lags (positive) or leads (negative) the voltage, in degrees.",
    RE: "Resistance of the voice coil for direct current.",
    LE: "Inductance of the voice coil: what makes its impedance rise at high frequencies.",
    FS: "The frequency at which the driver's cone resonates.",
    QMS: "How lightly the cone's resonance is damped by its own suspension.",
    QES: "How lightly the cone's resonance is damped by magnet and coil.",
    QTS: "How lightly the cone's resonance is damped in all.",
    BOX_TUNING: "The frequency that the air in box and port resonates at.",
    BOX_LOSSES: "How airtight the box is: a low figure means a leak.",
    BOX_RESONANCE: "The frequency at which driver and closed box resonate together.",
    QTC: "How lightly that resonance of a closed box is damped.",
    LOWEST_IMPEDANCE: "The smallest impedance over frequency: too low strains the amplifier, almost nothing is a "
    "short.",
}


#: The window that `transfer_function` lets the ratio's impulse response live in, before and after time zero; our
#: choice.
WINDOW_S = (0.1, 0.6)
#: The drive must be so many times what the silence before it is; our choice.
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
    """Impedance over frequency, shape (n,), and its standard uncertainties."""

    ohm: Complex
    #: From the noise of the capture: what differs from capture to capture.
    uncertainty_ohm: Floats
    #: From the calibration, the same for all captures: of the magnitude, and across it, of the phase. None where the
    #: calibration tells nothing of its own.
    calibration_ohm: Floats | None
    calibration_across_ohm: Floats | None

    def parts(self) -> dict[str, Floats]:
        """Of the magnitude, by name, the calibration's as far as it is known."""
        return self._with_noise(self.calibration_ohm)

    def phase_parts(self) -> dict[str, Floats]:
        """Of the phase in degrees, by name."""
        across = self._with_noise(self.calibration_across_ohm)
        return {name: np.degrees(part / np.abs(self.ohm)) for name, part in across.items()}

    def _with_noise(self, calibration: Floats | None) -> dict[str, Floats]:
        # Of noise at any phase, half of the power lies along the impedance and half across it.
        noise = {"noise": self.uncertainty_ohm / np.sqrt(2)}
        return noise if calibration is None else {**noise, "calibration": calibration}


def requests(kit: Kit, settings: Settings) -> list[Sweep]:
    """One sweep on each channel's leads."""
    return [kit.sweep("leads", channel.name) for channel in kit.channels]


def read(captures: Sequence[Capture], settings: Settings, kit: Kit) -> CheckReadings:
    """Magnitude, phase, lowest impedance, and for the lowest driver of each channel its parameters."""
    readings: list[Reading] = []
    curves: list[Curve] = []
    for capture in captures:
        magnitude, phase, lowest = of_channel(capture, settings, kit)
        curves += [magnitude, phase]
        readings += [lowest, *fitted(capture, kit, settings)]
    return CheckReadings(tuple(readings), tuple(curves))


def of_channel(capture: Capture, settings: Settings, kit: Kit) -> tuple[Curve, Curve, Reading]:
    """Magnitude and phase of one channel, and its lowest impedance."""
    channel = capture.request.channel
    grid = judged_grid(capture.request, settings.points_per_octave)
    load = load_impedance(capture, grid)
    ohm, valid, parts = np.abs(load.ohm), trusted(load, settings.uncertainty_percent), load.parts()
    magnitude = Curve(IMPEDANCE, channel, grid, ohm, "ohm", valid)
    magnitude = with_design(magnitude, kit, channel, lambda model: np.abs(impedance_ohm(model, grid)))
    phase = Curve(PHASE, channel, grid, np.degrees(np.angle(load.ohm)), "degrees", valid)
    phase = with_design(phase, kit, channel, lambda model: np.degrees(np.angle(impedance_ohm(model, grid))))
    at = int(np.argmin(ohm))
    lowest = Reading(LOWEST_IMPEDANCE, channel, float(ohm[at]), "ohm", trouble="" if valid.all() else NOISY)
    lowest = with_design(lowest, kit, channel, lambda model: np.min(np.abs(impedance_ohm(model, grid)), axis=-1))
    return (
        with_parts(magnitude, parts),
        with_parts(phase, load.phase_parts()),
        with_parts(lowest, {name: part[at] for name, part in parts.items()}),
    )


def load_impedance(capture: Capture, frequency_hz: Floats) -> Load:
    """Impedance of what hangs at the clips.

    With the sense resistor R in the return lead the second input sees R / (Z + R) of the first; in the source lead it
    sees Z / (Z + R) (voltage divider): see `rig.signals.divider`.

    Raises
    ------
    UnfitBench
        If the sense resistor or the known-load correction is missing.
    Untrusted
        If an input carries nothing, or the capture is not whole.
    """
    calibration = capture.calibration
    if calibration.sense_ohm is None:
        raise UnfitBench("the sense resistor's value is not known: set sense_ohm in bench.toml")
    if calibration.known_load is None:
        raise UnfitBench("the two inputs were never compared on a known load: run kitproof calibrate sense")
    gated, of_silence, of_drive = _divided(capture)
    ratio = ratio_at(gated, capture.layout, frequency_hz)
    divider = divider_of(calibration, calibration.known_load, frequency_hz)
    window = np.ones(round(sum(WINDOW_S) * capture.sample_rate_hz))
    noise = np.sqrt(noise_through(of_silence, of_drive, window, capture.sample_rate_hz, frequency_hz))
    ohm = divider_impedance(divider, ratio)
    errors = calibration.known_load.errors
    of_bench = load_uncertainties(errors, ohm) if errors else (None, None)
    return Load(ohm, noise * np.abs(divider_slope(divider, ratio)), *of_bench)


@once_per_capture
def _divided(capture: Capture) -> tuple[tuple[Gated, Gated], tuple[Floats, Floats], tuple[Floats, Floats]]:
    """Sense over drive as impulse responses, the density of the silence at sense, and the power of the drive.

    All that no frequency asked for changes; several checks ask for different ones.

    Raises
    ------
    Untrusted
        If an input carries nothing, or the capture is not whole.
    """
    layout = sweep_layout(capture)
    both = capture.volts("drive"), capture.volts("sense")
    silence = heard_silence(capture, "drive")
    # A converter's constant offset would look like low frequencies.
    drive, sense = (volts - np.mean(volts[silence]) for volts in both)
    if np.std(sense) == 0 or np.std(drive[layout.sweep]) <= OVER_SILENCE * np.std(drive[silence]):
        raise Untrusted("one of the two inputs carries nothing at all: check its cable")
    of_silence = power_spectral_density(sense[silence], capture.sample_rate_hz)
    return gated_ratio(sense, drive, layout, *WINDOW_S), of_silence, reference_power(drive, layout)


def divider_of(calibration: Calibration, known: KnownLoad, frequency_hz: Floats) -> Divider:
    """The bench's divider as the known loads told it, at some frequencies."""
    log, at = np.log(frequency_hz), np.log(known.frequency_hz)

    def between(values: Complex | None) -> Complex:
        return np.asarray(np.interp(log, at, np.zeros(at.size) + 0j if values is None else values))

    assert calibration.sense_ohm is not None
    sense_in, gain = cast(Wiring, calibration.sense_in), mismatch(known, frequency_hz)
    return Divider(calibration.sense_ohm, sense_in, gain, between(known.lead_ohm), between(known.stray_siemens))


def mismatch(known: KnownLoad, frequency_hz: Floats) -> Complex:
    """Ratio of the two inputs' gains, between and beyond its points: gain and delay change slowly."""
    log, at = np.log(frequency_hz), np.log(known.frequency_hz)
    gain = np.interp(log, at, np.abs(known.ratio))
    turn = frequency_hz * np.interp(log, at, np.unwrap(np.angle(known.ratio)) / known.frequency_hz)
    return np.asarray(gain * np.exp(1j * turn))


def fitted(capture: Capture, kit: Kit, settings: Settings) -> list[Reading]:
    """Parameters of the channel's lowest driver and its box, fitted through the kit's network."""
    channel = kit.channel(capture.request.channel)
    driver = min(channel.drivers, key=lambda spec: spec.band_hz[0])
    model = kit.model(channel.name)
    up_to_hz = settings.fit_up_to_fs * float(find_driver(model, driver.name).fs_hz)
    fit, noise, quiet = fit_of(capture, model, driver.name, up_to_hz, settings)
    fits = fit.converged and fit.residual_rms_relative < settings.fit_within_percent / 100
    trouble = "" if fits else "no driver behind this network and in this box fits the curve"
    trouble = trouble if quiet else NOISY
    subject = f"{channel.name} {driver.name}"
    grid, names = fit_grid(capture, up_to_hz, settings), fit_names(model, driver.name)
    held, left = held_uncertainty(model, driver.name, grid, names)
    of_bench = calibration_parts(capture.calibration, fit, driver.name, grid, names)
    # What tolerances of held parts leave over is in their own part already.
    own_share = unexplained_share(fit, noise, left)
    readings = []
    for key, (quantity, unit, scale) in PARAMETERS.items():
        if key in fit.values:
            value = fit.values[key] * scale
            parts = {"fit": own_share * fit.standard_uncertainty[key] * scale, "method": abs(value) * held[key]}
            if of_bench:
                parts["calibration"] = abs(value) * of_bench[key]
            reading = Reading(quantity, subject, value, unit, trouble=trouble)
            reading = with_design(reading, kit, channel.name, _quantity_of(driver.name, key, scale))
            readings.append(with_parts(reading, parts))
    return readings


def _quantity_of(driver: str, key: str, scale: float) -> Callable[[Channel], Floats]:
    return lambda model: scale * np.asarray(driver_quantities(model, driver)[key])


def calibration_errors(calibration: Calibration, ohm: Complex) -> list[Complex]:
    """What each error of the calibration changes of an impedance Z, relative: ``(p0 + p1 Z + p2 Z**2) / Z``.

    Empty where the errors are not known.
    """
    errors = calibration.known_load.errors if calibration.known_load else ()
    return [(p0 + p1 * ohm + p2 * ohm**2) / ohm for p0, p1, p2 in errors]


def calibration_parts(
    calibration: Calibration, fit: Fit, driver: str, frequency_hz: Floats, names: Sequence[str]
) -> dict[str, float]:
    """Relative uncertainty of each parameter from the calibration; empty where that tells nothing of its own.

    The fit takes what an error changes of the impedance for a change of what it fits.
    """
    changes = calibration_errors(calibration, impedance_ohm(fit.channel, frequency_hz))
    if not changes:
        return {}
    moves, _ = moves_of_fit(fit.channel, driver, frequency_hz, names, changes)
    return {name: float(np.sqrt(np.sum(move**2))) for name, move in moves.items()}


@once_per_capture
def fit_of(
    capture: Capture, model: Channel, driver: str, up_to_hz: float, settings: Settings
) -> tuple[Fit, float, bool]:
    """Fit of a driver to a capture, relative noise, and whether every point stands out of that; found once."""
    grid = fit_grid(capture, up_to_hz, settings)
    load = load_impedance(capture, grid)
    quiet = bool(trusted(load, settings.uncertainty_percent).all())
    noise = float(np.sqrt(np.mean((load.uncertainty_ohm / np.abs(load.ohm)) ** 2)))
    return fit_impedance(model, grid, load.ohm, driver, fit_names(model, driver)), noise, quiet


def unexplained_share(fit: Fit, noise: float, of_held: float) -> float:
    """Part of what a fit leaves over that noise makes, or nothing that is known does; relative root mean squares.

    `of_held` is the most that tolerances of held parts leave: what varies below that from unit to unit is theirs.
    """
    unexplained = max(noise**2, fit.residual_rms_relative**2 - of_held**2)
    return min(1.0, float(np.sqrt(unexplained)) / max(fit.residual_rms_relative, 1e-300))


def fit_grid(capture: Capture, up_to_hz: float, settings: Settings) -> Floats:
    """Frequencies that parameters are fitted to."""
    grid = judged_grid(capture.request, settings.points_per_octave)
    return np.asarray(grid[grid <= up_to_hz])


def fit_names(model: Channel, driver: str) -> list[str]:
    """What is fitted: so far below the treble a free exponent of the inductance would pass for resistance."""
    return [name for name in default_parameters(model, driver) if name != "le_exponent"]


def trusted(load: Load, within_percent: float) -> Bools:
    """Where noise leaves the impedance known well enough."""
    return np.asarray(load.uncertainty_ohm < within_percent / 100 * np.abs(load.ohm))


#: What the fit calls it -> what the reading is called, its unit and scale.
PARAMETERS = {
    "re_ohm": (RE, "ohm", 1.0),
    "fs_hz": (FS, "Hz", 1.0),
    "qms": (QMS, "", 1.0),
    "qes": (QES, "", 1.0),
    "qts": (QTS, "", 1.0),
    "le_h": (LE, "mH", 1e3),
    "fc_hz": (BOX_RESONANCE, "Hz", 1.0),
    "qtc": (QTC, "", 1.0),
    "tuning_hz": (BOX_TUNING, "Hz", 1.0),
    "leakage_q": (BOX_LOSSES, "", 1.0),
}
