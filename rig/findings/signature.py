"""What failed curves and readings tell of themselves, without a model: for faults that no cause explains.

Nothing here knows parts. What is said is what anyone would see who lays a curve over its limits, and no probability is
attached to it.
"""

from collections.abc import Iterator, Sequence

import numpy as np

from checks.impedance import BOX_LOSSES, BOX_TUNING, FS, IMPEDANCE, LE, RE
from checks.ping import LOUDER, PING_LEVEL
from checks.polarity import BAND_LEVEL
from checks.response import FREE_FIELD_LEVEL, LEVEL, MATCH, MEAN_MATCH
from rig.values.names import DRIVER_POLARITY, SENSITIVITY, SHIFT
from rig.values.readings import Curve, Floats
from rig.values.verdicts import CheckResult, Verdict

#: A level or impedance that differs by the same everywhere differs by at least this, and half its points by no more
#: than this from that (our choice; tests/benchmarks/naming_faults.py).
OFFSET_DB, FLAT_DB = 1.5, 0.7
OFFSET_PERCENT, FLAT_PERCENT = 6.0, 2.0
#: So far below over so wide a band is silence, and an impedance that many times too high or low is open or short (our
#: choice; tests/benchmarks/naming_faults.py).
SILENT_DB, SILENT_OCTAVES = 12.0, 1.0
TIMES = 4.0
LEVELS = (FREE_FIELD_LEVEL, LEVEL)
#: Readings that stand for themselves when they fail; layout.
NUMBERS = (FS, BOX_TUNING, BOX_LOSSES, RE, LE)
MOST = 3
#: Readings of how loud a channel is.
OF_LEVEL = (*LEVELS, *(name + SHIFT for name in LEVELS), SENSITIVITY, BAND_LEVEL, PING_LEVEL, MATCH, MEAN_MATCH, LOUDER)


def level_alone(results: Sequence[CheckResult], channel: str) -> bool:
    """Whether all that failed of a channel is how loud it is."""
    failed = [v for r in results for v in r.verdicts if v.outcome == "fail" and channel in v.subject.split()]
    return bool(failed) and all(verdict.quantity in OF_LEVEL for verdict in failed)


def signature(results: Sequence[CheckResult], channel: str) -> tuple[str, ...]:
    """What the failed verdicts of a channel show, at most three phrases, the plainest first.

    Parameters
    ----------
    results : sequence of CheckResult
        Of one run.
    channel : str

    Returns
    -------
    tuple of str
        Empty where the failure has no plain shape.
    """
    failed = [v for r in results for v in r.verdicts if v.outcome == "fail" and v.subject.split()[:1] == [channel]]
    curves = {(c.quantity, c.subject): c for r in reversed(results) for c in r.read.curves}
    remarks: list[str] = []
    for verdict in failed:
        over = _over(curves.get((verdict.quantity, verdict.subject)), verdict)
        if over is not None and verdict.quantity in LEVELS:
            remarks += _of_level(*over)
        elif over is not None and verdict.quantity == IMPEDANCE:
            remarks += _of_impedance(*over)
    remarks += [
        f"{verdict.subject.removeprefix(channel).strip()} plays the wrong way round"
        for verdict in failed
        if verdict.quantity == DRIVER_POLARITY and verdict.value < 0
    ]
    for verdict in failed:
        if verdict.quantity in NUMBERS and np.isfinite(verdict.value):
            remarks.append(
                f"{verdict.quantity} is {f'{verdict.value:.3g} {verdict.unit}'.strip()}, allowed {verdict.limit}"
            )
    return tuple(dict.fromkeys(remarks))[:MOST]


def _over(curve: Curve | None, verdict: Verdict) -> tuple[Floats, Floats] | None:
    """Frequencies, and the curve over the middle of its limits: in dB, or of an impedance as a ratio."""
    mask = verdict.mask
    if curve is None or mask is None:
        return None
    closed = np.isfinite(mask.lower) & np.isfinite(mask.upper)
    middle = mask.centre if mask.centre is not None else np.where(closed, (mask.lower + mask.upper) / 2, np.nan)
    hertz = curve.frequency_hz
    inside = (hertz >= mask.frequency_hz[0]) & (hertz <= mask.frequency_hz[-1])
    design = np.interp(np.log(hertz), np.log(mask.frequency_hz), middle)
    over = curve.value / design if verdict.quantity == IMPEDANCE else curve.value - design
    use = inside & curve.valid & np.isfinite(over)
    return (hertz[use], over[use]) if np.any(use) else None


def _of_level(hertz: Floats, over_db: Floats) -> Iterator[str]:
    audible = np.flatnonzero(over_db > -SILENT_DB)
    if not audible.size:
        yield "silent at all frequencies"
        return
    offset_db = float(np.median(over_db))
    if abs(offset_db) >= OFFSET_DB and float(np.median(np.abs(over_db - offset_db))) <= FLAT_DB:
        side = "quiet" if offset_db < 0 else "loud"
        yield f"{abs(offset_db):.1f} dB too {side} at all frequencies: the amplifier, or the microphone's place"
        return
    lowest_hz, highest_hz = hertz[audible[0]], hertz[audible[-1]]
    if np.log2(lowest_hz / hertz[0]) >= SILENT_OCTAVES:
        yield f"silent below {_round(lowest_hz)} Hz: the driver that plays there, or what leads to it"
    if np.log2(hertz[-1] / highest_hz) >= SILENT_OCTAVES:
        yield f"silent above {_round(highest_hz)} Hz: the driver that plays there, or what leads to it"


def _of_impedance(hertz: Floats, ratio: Floats) -> Iterator[str]:
    percent = 100 * (ratio - 1)
    offset = float(np.median(percent))
    if np.all(ratio > TIMES):
        yield "no current flows at any frequency"
    elif np.all(ratio < 1 / TIMES):
        yield "the leads are all but short at all frequencies"
    elif abs(offset) >= OFFSET_PERCENT and float(np.median(np.abs(percent - offset))) <= FLAT_PERCENT:
        side = "high" if offset > 0 else "low"
        yield f"impedance is {abs(offset):.0f} % too {side} at all frequencies"
    else:
        for at, where in ((0, f"from {_round(hertz[0])} Hz on"), (-1, f"up to {_round(hertz[-1])} Hz")):
            if ratio[at] > TIMES:
                yield f"impedance is {ratio[at]:.0f} times too high {where}: something is open there"
            elif ratio[at] < 1 / TIMES:
                yield f"impedance is {1 / ratio[at]:.0f} times too low {where}: something is short there"


def _round(hertz: float) -> str:
    """To two figures, without an exponent."""
    return f"{float(f'{hertz:.2g}'):.0f}"
