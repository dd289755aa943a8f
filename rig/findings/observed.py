"""What a run measured of each channel, brought to one form that model and measurement share."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from checks.impedance import IMPEDANCE, PHASE
from checks.ping import LOUDER, OVER_NOISE, PING_LEVEL
from checks.polarity import BAND_LEVEL
from checks.response import FREE_FIELD_LEVEL, LEVEL
from rig.circuit.units import Complex
from rig.design.kit import Kit
from rig.values.names import DRIVER_POLARITY
from rig.values.readings import Curve, Floats, Reading
from rig.values.verdicts import CheckResult

#: Every second point of a curve: a twelfth of an octave; numerical.
EVERY = 2
#: An impedance above this, or resistance below, is told from none no more: opens and shorts are that far away (our
#: choice; tests/benchmarks/naming_faults.py).
OPEN_OHM, SHORT_OHM = 1000.0, 0.02
#: A level so far (as a ratio) below the design is as good as silence, and a notch no deeper: reflections fill it (our
#: choice; tests/benchmarks/naming_faults.py).
SILENT = 0.15
#: A ping this far above the noise is not changed by it (our choice; tests/benchmarks/naming_faults.py).
NOISE_SEEN_DB = 15.0
#: Where the design itself is so far below its loudest, behind a filter or below a box, other sounds are louder (our
#: choice; tests/benchmarks/naming_faults.py).
AUDIBLE_DB = 24.0
#: A level whose noise is above this says nothing (our choice; tests/benchmarks/naming_faults.py).
NOISE_DB = 6.0


@dataclass(frozen=True)
class Asked:
    """Which values there are of a channel: what a prediction must hold."""

    z_hz: tuple[float, ...]
    level_hz: tuple[float, ...]
    low_hz: tuple[float, ...]
    #: Drivers whose band levels were read.
    bands: tuple[str, ...]
    has_ping: bool
    has_others: bool
    #: What noise adds to the ping, as a ratio to the design, in coarse steps; 0 where it is negligible.
    ping_noise: float


@dataclass(frozen=True, eq=False)
class Observed:
    """What is known of one channel. Arrays may be empty: then it was not measured."""

    channel: str
    #: Impedance at the leads, compressed by `compressed_ohm`, and the standard uncertainty of it (each part).
    z_hz: Floats
    z: Complex
    z_u: Floats
    #: Free-field level over the design's, compressed by `compressed_db`, in dB.
    level_hz: Floats
    level_db: Floats
    level_u_db: Floats
    #: The same below it, from the difference to the reference build at the same jig.
    low_hz: Floats
    low_db: Floats
    low_u_db: Floats
    #: Levels of bands over the design's, compressed: driver -> dB; empty when not measured.
    bands_db: dict[str, float]
    #: Level of the quiet ping over the design's, and that of the loudest other box with it; NaN: not measured.
    ping_db: float
    others_db: float
    ping_noise: float
    #: Driver -> +1, -1, or 0 when no sign could be determined.
    signs: dict[str, int]

    @property
    def asked(self) -> Asked:
        """Which values there are."""
        z_hz, level_hz, low_hz = (tuple(map(float, hertz)) for hertz in (self.z_hz, self.level_hz, self.low_hz))
        has_ping, has_others = (bool(np.isfinite(value)) for value in (self.ping_db, self.others_db))
        return Asked(z_hz, level_hz, low_hz, tuple(self.bands_db), has_ping, has_others, self.ping_noise)

    @property
    def vector(self) -> Floats:
        """All values, in the order in which they are predicted."""
        numbers = [*self.bands_db.values(), self.ping_db, self.others_db]
        rest = [number for number in numbers if np.isfinite(number)]
        return np.concatenate([self.z.real, self.z.imag, self.level_db, self.low_db, rest])


def compressed_ohm(ohm: Complex) -> Complex:
    """Logarithm of an impedance with 1000 ohm across and 20 milliohm in series, so that opens and shorts are finite."""
    return np.asarray(np.log(1 / (1 / ohm + 1 / OPEN_OHM) + SHORT_OHM))


def compressed_db(ratio: Floats) -> Floats:
    """Level of a ratio to the design's, in dB, that cannot fall below that of `SILENT`."""
    return np.asarray(20 * np.log10((np.abs(ratio) + SILENT) / (1 + SILENT)))


def observed(kit: Kit, results: Sequence[CheckResult], channel: str) -> Observed:
    """Everything that the checks of a run read of a channel."""
    # The first of a name: what is measured once more after a soak is another matter.
    curves = {c.quantity: c for result in reversed(results) for c in result.read.curves if c.subject == channel}
    readings = [r for result in results for r in result.read.readings]
    z_hz, z, z_u = _impedance(curves.get(IMPEDANCE), curves.get(PHASE))
    level_hz, level_db, level_u = _free(curves.get(FREE_FIELD_LEVEL))
    low_hz, low_db, low_u = _low(results, curves.get(LEVEL), channel, level_hz)
    ping_db, others_db, ping_noise = _ping(readings, channel)
    bands, signs = {}, {}
    for driver in kit.channel(channel).drivers:
        for reading in _of(readings, BAND_LEVEL, f"{channel} {driver.name}"):
            if not reading.trouble:
                bands[driver.name] = _squeezed(reading.value)
        for reading in _of(readings, DRIVER_POLARITY, f"{channel} {driver.name}"):
            signs[driver.name] = 0 if reading.trouble else round(reading.value)
    levels = (level_hz, level_db, level_u, low_hz, low_db, low_u)
    return Observed(channel, z_hz, z, z_u, *levels, bands, ping_db, others_db, ping_noise, signs)


NOTHING: tuple[Floats, Floats, Floats] = (np.empty(0), np.empty(0), np.empty(0))


def _of(readings: Iterable[Reading], quantity: str, subject: str) -> list[Reading]:
    return [r for r in readings if (r.quantity, r.subject) == (quantity, subject) and np.isfinite(r.value)]


def _squeezed(level_db: float) -> float:
    return float(compressed_db(np.asarray(10 ** (level_db / 20))))


def _impedance(magnitude: Curve | None, phase: Curve | None) -> tuple[Floats, Complex, Floats]:
    if magnitude is None or phase is None:
        return np.empty(0), np.empty(0, np.complex128), np.empty(0)
    keep = slice(None, None, EVERY)
    ohm = magnitude.value[keep] * np.exp(1j * np.radians(phase.value[keep]))
    u_ohm = magnitude.uncertainty[keep] if magnitude.uncertainty is not None else np.zeros(ohm.size)
    whole = np.isfinite(ohm) & (ohm != 0)
    ohm, u_ohm, hertz = ohm[whole], u_ohm[whole], magnitude.frequency_hz[keep][whole]
    # The slope of `compressed_ohm`.
    across = 1 / (1 / ohm + 1 / OPEN_OHM)
    slope = np.abs((across / ohm) ** 2 / (across + SHORT_OHM))
    return hertz, compressed_ohm(ohm), np.minimum(u_ohm * slope, 10.0)


def _free(curve: Curve | None) -> tuple[Floats, Floats, Floats]:
    if curve is None or curve.design is None or not curve.absolute or not curve.valid.any():
        return NOTHING
    u_db = curve.uncertainty if curve.uncertainty is not None else np.zeros(curve.value.size)
    # Where the gate is long enough; what noise covers there is known by its uncertainty.
    use = (curve.frequency_hz >= curve.frequency_hz[curve.valid][0]) & np.isfinite(curve.value) & (u_db < NOISE_DB)
    use = use & (curve.design > np.max(curve.design) - AUDIBLE_DB)
    ratio = 10 ** ((curve.value - curve.design) / 20)
    return _thinned(curve.frequency_hz, ratio, u_db, use)


def _low(
    results: Sequence[CheckResult], curve: Curve | None, channel: str, level_hz: Floats
) -> tuple[Floats, Floats, Floats]:
    masks = [
        v.mask
        for result in results
        for v in result.verdicts
        if (v.quantity, v.subject) == (LEVEL, channel) and v.mask is not None and v.mask.centre is not None
    ]
    if curve is None or not masks or masks[0].centre is None:
        return NOTHING
    mask, centre = masks[0], masks[0].centre
    u_db = curve.uncertainty if curve.uncertainty is not None else np.zeros(curve.value.size)
    below = level_hz[0] if level_hz.size else np.inf
    hertz = curve.frequency_hz
    use = (hertz >= mask.frequency_hz[0]) & (hertz <= mask.frequency_hz[-1]) & (hertz < below)
    use = use & np.isfinite(curve.value) & (u_db < NOISE_DB)
    reference = np.interp(np.log(hertz), np.log(mask.frequency_hz), centre)
    use = use & (reference > np.max(centre) - AUDIBLE_DB)
    return _thinned(hertz, 10 ** ((curve.value - reference) / 20), u_db, use)


def _thinned(hertz: Floats, ratio: Floats, u_db: Floats, use: Floats) -> tuple[Floats, Floats, Floats]:
    """Every second point of those to be used, compressed; a compressed level is that much less uncertain."""
    keep = slice(None, None, EVERY)
    slope = ratio / (ratio + SILENT)
    hertz, level, u_db = hertz[keep], compressed_db(ratio)[keep], (u_db * slope)[keep]
    use = use[keep]
    return hertz[use], level[use], u_db[use]


def _ping(readings: list[Reading], channel: str) -> tuple[float, float, float]:
    level, over = _of(readings, PING_LEVEL, channel), _of(readings, OVER_NOISE, channel)
    if not (level and over):
        return float("nan"), float("nan"), 0.0
    louder = [r for r in _of(readings, LOUDER, channel) if not r.trouble]
    others = _squeezed(level[0].value - louder[0].value) if louder else float("nan")
    # What is heard is the ping and the room's noise together, however little of it is the ping's.
    noise = 10 ** (round(level[0].value - max(over[0].value, 0.0)) / 20) if over[0].value < NOISE_SEEN_DB else 0.0
    return _squeezed(level[0].value), others, float(noise)
