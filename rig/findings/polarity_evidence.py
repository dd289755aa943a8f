"""Signs of drivers as evidence: what the polarity check would say of a channel with a fault."""

import numpy as np

from rig.circuit.spread import moved_good
from rig.circuit.units import Floats
from rig.findings.dictionary import Hypothesis
from rig.findings.observed import Observed
from rig.findings.prediction import Scene, design, driver_pressures, with_fault
from rig.signals.phase import mean_cosine, signs_of
from rig.signals.smoothing import log_frequency_grid
from rig.verdict.responses import mean_db

#: The sign of a clear case is reported wrongly, or not at all, so often: common practice, no source.
WRONG, NOT_READ = 0.002, 0.04
#: As the polarity check has them unless the kit sets them: a sign is reported above these, and within this delay (our
#: choice; tests/benchmarks/naming_faults.py).
CONFIDENCE, AGREEMENT, DEAD_DB, DELAY_S = 0.2, 0.5, -10.0, 0.3e-3
#: So near to a threshold either side of it may be read (our choice; tests/benchmarks/naming_faults.py).
NEAR, NEAR_DB = 0.1, 3.0
POINTS_PER_OCTAVE = 24


def log_odds(scene: Scene, hypothesis: Hypothesis, deviations: Floats, observed: Observed) -> float:
    """Logarithm of the probability of the signs that were read, under a hypothesis."""
    if not observed.signs or not any(observed.signs.values()):
        return 0.0
    size = scene.good_size
    channel = moved_good(scene.model, deviations[np.newaxis, :size])
    faulty = with_fault(hypothesis, channel, deviations[np.newaxis, size + 2 :])[0]
    names = [driver.name for driver in scene.model.drivers]
    bands = [(name, log_frequency_grid(*band_hz, POINTS_PER_OCTAVE)) for name, band_hz in scene.bands_hz]
    highest_hz = max(grid[-1] for _, grid in bands)
    delays = np.linspace(-DELAY_S, DELAY_S, 2 * int(np.ceil(DELAY_S * 12 * highest_hz)) + 1)
    every = np.concatenate([grid for _, grid in bands])
    heard = driver_pressures(scene, hypothesis, faulty, every).sum(axis=0).reshape(-1) * hypothesis.sign
    cosines, levels = [], []
    for (name, grid), pressure in zip(bands, np.split(heard, np.cumsum([g.size for _, g in bands])[:-1]), strict=True):
        own = design(scene, grid)[names.index(name)]
        cosines.append(mean_cosine(pressure, own, grid, delays))
        levels.append(mean_db(pressure) - mean_db(own))
    total = 0.0
    for (name, _), sign in zip(bands, signs_of(np.array(cosines), levels), strict=True):
        if name in observed.signs:
            clear = _clear(sign.confidence, CONFIDENCE, NEAR) * _clear(sign.agreement, AGREEMENT, NEAR)
            clear *= _clear(sign.level_db, DEAD_DB, NEAR_DB)
            read = observed.signs[name]
            total += np.log(clear * _if_clear(read, sign.value) + (1 - clear) * _doubtful(read))
    return float(total)


def _clear(value: float, threshold: float, near: float) -> float:
    return float(1 / (1 + np.exp(np.clip(-3 * (value - threshold) / near, -50, 50))))


def _if_clear(read: int, expected: int) -> float:
    if read == 0:
        return NOT_READ
    return 1 - NOT_READ - WRONG if read == expected else WRONG


def _doubtful(read: int) -> float:
    return 0.9 if read == 0 else 0.05
