"""Calibration of the bare leads' stage on known loads: from captures to what impedance is corrected by."""

from collections.abc import Sequence
from typing import cast

import numpy as np

from rig.calibration.storage import Cause, SenseDetails, Stored
from rig.files.errors import BenchError
from rig.signals.arrays import Complex, Floats
from rig.signals.deconvolution import transfer_function
from rig.signals.divider import (
    Divider,
    Standard,
    Wiring,
    divider_impedance,
    fit_divider,
    load_errors,
    load_uncertainty,
    one_load_errors,
)
from rig.signals.noise import response_noise_power
from rig.signals.smoothing import log_frequency_grid
from rig.values.captures import Capture, KnownLoad

#: Two inputs of one card that differ by more than this are not mismatched but wrongly wired (our choice;
#: tests/benchmarks/calibration_accuracy.py).
WIDEST_MISMATCH = 1.5
#: Two inputs of one card differ alike at all frequencies between these; what differs more is no resistor; our choice.
ALIKE, ALIKE_HZ = 1.2, (20.0, 10000.0)
#: Length of the sweep: the noise of this calibration goes into every later measurement (our choice;
#: tests/benchmarks/calibration_accuracy.py).
SWEEP_S = 8.0
#: Window of the ratio's impulse response, before and after time zero (our choice;
#: tests/benchmarks/calibration_accuracy.py).
WINDOW_S = (0.1, 0.25)
#: Where a load is reported as one number (our choice; tests/benchmarks/calibration_accuracy.py).
MIDDLE_HZ = (100.0, 1000.0)
#: Leads, and errors of the sense resistor that look like leads, beyond this are a mistake of the wiring (our choice;
#: tests/benchmarks/calibration_accuracy.py).
MOST_LEAD_OHM, MOST_SENSE_ERROR = 0.5, 0.1
#: Contact of the clips on each other, standard uncertainty (common practice, no source).
SHORT_U_OHM = 0.005
#: Conductance that is stray at open clips, standard uncertainty: 200 kilohm (common practice, no source).
OPEN_U_SIEMENS = 5e-6
#: Of a marked value, where nothing else is said, in percent: half-width of an even distribution; common practice, no
#: source.
MARKED_PERCENT = 1.0
#: Leads that nobody measured: half-width of an even distribution (common practice, no source).
LEAD_WITHIN_OHM = 0.1
#: Root of three: from the half-width of an even distribution to its standard deviation (GUM, 4.3.7).
EVEN = 3**0.5
#: A load at which the uncertainty is reported as one number (our choice; tests/benchmarks/calibration_accuracy.py).
TOLD_AT_OHM = 8.0
#: Two loads that disagree by more than so many standard uncertainties are not what is written on them (our choice;
#: tests/benchmarks/calibration_accuracy.py).
DISAGREE = 3.0

OPEN = Standard("open clips", float("inf"), OPEN_U_SIEMENS)
SHORT = Standard("clips on each other", 0.0, SHORT_U_OHM)


def resistor(ohm: float, percent: float = MARKED_PERCENT) -> Standard:
    """A resistor as a known load; its value lies within so many percent, evenly."""
    return Standard(f"{ohm:g} ohm", ohm, ohm * percent / 100 / EVEN)


def calibrate_known_load(
    capture: Capture,
    load_ohm: float,
    made_at: str,
    percent: float = MARKED_PERCENT,
    sense_percent: float = MARKED_PERCENT,
) -> KnownLoad:
    """Find the mismatch of the two electrical inputs from a sweep through one known resistor.

    With sense resistor R and load Z, the second input must read R / (Z + R) of the first with R in the return
    lead, Z / (Z + R) with R in the source lead (voltage divider). What it reads instead is the mismatch. Clips and
    cables are taken for nothing; `calibrate_sense` measures them.

    Raises
    ------
    BenchError
        If the sense resistor's value is not known, or the result cannot be a mismatch of two inputs.
    """
    sense_ohm = _sense_ohm(capture)
    grid, found, _ = measured_ratio(capture)
    own = sense_ohm if capture.calibration.sense_in == "return" else load_ohm
    ratio = found / (own / (load_ohm + sense_ohm))
    middle = float(np.median(np.abs(ratio)))
    if not 1 / WIDEST_MISMATCH < middle < WIDEST_MISMATCH:
        raise BenchError(
            f"the two inputs differ by a factor of {middle:.3g} on the known load ({_signal_v(capture):.2g} V at the "
            f"second); is it really {load_ohm:g} ohm, is the sense resistor {sense_ohm:g} ohm, are the inputs "
            "exchanged?"
        )
    _require_alike(grid, np.abs(ratio), load_ohm)
    u_load, u_sense = (ohm * part / 100 / EVEN for ohm, part in ((load_ohm, percent), (sense_ohm, sense_percent)))
    wiring = cast(Wiring, capture.calibration.sense_in)
    errors = one_load_errors(load_ohm, u_load, sense_ohm, u_sense, LEAD_WITHIN_OHM / EVEN, wiring)
    return KnownLoad(grid, ratio, load_ohm, made_at, errors=errors)


def calibrate_sense(measured: Sequence[tuple[Standard, Capture]], made_at: str) -> KnownLoad:
    """Find all of the divider from sweeps on three or more known loads: open, short, one or two resistors.

    Raises
    ------
    BenchError
        If the sense resistor's value is not known, or what was measured cannot be these loads.
    """
    standards = [standard for standard, _ in measured]
    calibration = measured[0][1].calibration
    sense_ohm, wiring = _sense_ohm(measured[0][1]), cast(Wiring, calibration.sense_in)
    ratios = [measured_ratio(capture) for _, capture in measured]
    grid, noise = ratios[0][0], np.array([u for _, _, u in ratios])
    divider = fit_divider(np.array([ratio for _, ratio, _ in ratios]), standards, sense_ohm, wiring, noise)
    _require_plausible(divider, grid)
    at = int(np.argmin(np.abs(grid - MIDDLE_HZ[1])))
    middle = Divider(sense_ohm, wiring, divider.gain[[at]], divider.lead_ohm[[at]], divider.stray_siemens[[at]])
    errors = load_errors(middle, standards)
    for (standard, _), (_, ratio, _) in zip(measured, ratios, strict=True):
        _require_agreement(standard, _resistance_ohm(divider_impedance(divider, ratio), grid), errors, standard.ohm)
    load_ohm = next(one.ohm for one in standards if 0 < one.ohm < np.inf)
    return KnownLoad(grid, divider.gain, load_ohm, made_at, divider.lead_ohm, divider.stray_siemens, errors)


def measured_ratio(capture: Capture) -> tuple[Floats, Complex, Floats]:
    """Frequencies, the second input over the first, and the standard uncertainty of that from noise.

    Raises
    ------
    BenchError
        If an input carries nothing.
    """
    layout = capture.layout
    grid = np.append(log_frequency_grid(layout.start_hz, layout.stop_hz / 1.1, 6), layout.stop_hz)
    drive, sense = (row - np.mean(row[layout.silence]) for row in (capture.volts("drive"), capture.volts("sense")))
    if not (np.any(drive) and np.any(sense)):
        raise BenchError("one of the two inputs carries nothing at all: check its cable")
    ratio = transfer_function(sense, drive, layout, grid, *WINDOW_S)
    window = np.ones(round(sum(WINDOW_S) * layout.sample_rate_hz))
    power = response_noise_power(sense[layout.silence], drive, window, layout, grid)
    return grid, np.asarray(ratio), np.sqrt(power)


def _sense_ohm(capture: Capture) -> float:
    if capture.calibration.sense_ohm is None:
        raise BenchError("the sense resistor's value is not known: set sense_ohm in bench.toml")
    return capture.calibration.sense_ohm


def _signal_v(capture: Capture) -> float:
    return float(np.std(capture.volts("sense")[capture.layout.sweep]))


def _resistance_ohm(load: Complex, grid: Floats) -> float:
    """A measured resistor as one number; infinite where nothing flows."""
    inside = (grid >= MIDDLE_HZ[0]) & (grid <= MIDDLE_HZ[1])
    return float(np.median(np.abs(load[inside])))


def _require_alike(grid: Floats, mismatch: Floats, load_ohm: float) -> None:
    """Refuse what varies over frequency as a loudspeaker does: it would hide in all that is measured later."""
    inside = (grid >= ALIKE_HZ[0]) & (grid <= ALIKE_HZ[1])
    hz, found = grid[inside], mismatch[inside]
    low, high = int(np.argmin(found)), int(np.argmax(found))
    if not found[high] < ALIKE * found[low]:
        raise BenchError(
            f"the two inputs would differ by a factor of {found[low]:.2f} at {hz[low]:.0f} Hz and of {found[high]:.2f} "
            f"at {hz[high]:.0f} Hz; does the resistor of {load_ohm:g} ohm hang at the clips, and not a loudspeaker?"
        )


def _require_plausible(divider: Divider, grid: Floats) -> None:
    inside = (grid >= MIDDLE_HZ[0]) & (grid <= MIDDLE_HZ[1])
    gain = float(np.median(np.abs(divider.gain[inside])))
    lead = complex(np.median(divider.lead_ohm[inside].real), np.median(divider.lead_ohm[inside].imag))
    stray = complex(np.median(divider.stray_siemens[inside].real), np.median(divider.stray_siemens[inside].imag))
    asked = "were open, short and load measured in this order, and is each load what is written on it?"
    if not 1 / WIDEST_MISMATCH < gain < WIDEST_MISMATCH:
        raise BenchError(f"the two inputs differ by a factor of {gain:.3g}; {asked}")
    most_ohm = MOST_LEAD_OHM + MOST_SENSE_ERROR * divider.sense_ohm
    if not abs(lead) < most_ohm:
        raise BenchError(f"clips and cables would be {abs(lead):.3g} ohm, more than {most_ohm:.3g}; {asked}")
    most_siemens = (MOST_SENSE_ERROR + 0.01) / divider.sense_ohm
    if not abs(stray) < most_siemens:
        raise BenchError(f"the open clips would conduct {abs(1 / stray):.3g} ohm; {asked}")


def _require_agreement(
    standard: Standard, found_ohm: float, errors: tuple[tuple[float, float, float], ...], stated_ohm: float
) -> None:
    """With two resistors there is one more than needed: each must be found as it is stated."""
    if not 0 < stated_ohm < np.inf:
        return
    allowed = DISAGREE * float(np.hypot(load_uncertainty(errors, stated_ohm), standard.uncertainty))
    if not abs(found_ohm - stated_ohm) <= allowed:
        raise BenchError(
            f"the loads do not agree: the one of {stated_ohm:g} ohm is found to be {found_ohm:.4g} ohm, further off "
            f"than {allowed:.2g} ohm; is each load what is written on it, and do the clips hold?"
        )


def budget_of(known: KnownLoad, causes: Sequence[str]) -> tuple[Cause, ...]:
    """The uncertainty of a load of 8 ohm, cause by cause, in percent."""
    each = [float(load_uncertainty([polynomial], TOLD_AT_OHM)) for polynomial in known.errors]
    return tuple(Cause(what, 100 * u / TOLD_AT_OHM) for what, u in zip(causes, each, strict=True))


def details_of(known: KnownLoad) -> SenseDetails:
    """A known load as it is put down; `known_load_of` reads it."""
    return SenseDetails(known.frequency_hz, known.ratio, known.lead_ohm, known.stray_siemens, known.errors)


def known_load_of(one: Stored, found: SenseDetails) -> KnownLoad:
    """The known load that a calibration of the kind "sense" holds."""
    return KnownLoad(
        found.frequency_hz, found.gain, one.value, one.made_at, found.lead_ohm, found.stray_siemens, found.errors
    )
