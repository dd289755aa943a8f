"""The daily check: one known part or one known unit, measured each day and held against what it always was."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from checks import impedance, ping
from rig.calibration.calibrated import IN_CONTROL, OUT_OF_CONTROL, SPEAKS_FOR, is_out
from rig.calibration.storage import ChartLimits, DailyDetails, Stored
from rig.design.kit import Kit
from rig.files.errors import BenchError
from rig.signals.smoothing import log_frequency_grid
from rig.statistics.chart import Chart, beyond_limits, individuals_chart, run_rules
from rig.values.captures import Capture, Untrusted
from rig.values.requests import Sweep

LEARNING = "learning"
#: So many points before limits are drawn, and so many that they are drawn from (common practice, no source).
FEWEST, BASELINE = 8, 20
#: A change that matters to nobody: limits are never narrower than this. Of a resistor relative to it; of a level in dB.
LEAST = {"resistor": 0.001, "level": 0.05}
#: While there are no limits, a value this far off the mean of those before is out of control all the same.
WHILE_LEARNING = {"resistor": 0.02, "level": 1.0}
#: Where a resistor is read; our choice.
BAND_HZ = (100.0, 1000.0)


@dataclass(frozen=True)
class Point:
    """What was measured today."""

    #: "resistor" or "level".
    quantity: str
    #: "8.2 ohm", "booth-two left".
    of: str
    value: float
    unit: str


@dataclass(frozen=True)
class Judged:
    """A point against those before it."""

    point: Point
    state: str
    #: What puts it out of control, or what is worth knowing; empty: nothing.
    words: str
    #: None while there are too few points.
    chart: Chart | None
    #: Values of the points before, in their order.
    before: tuple[float, ...]

    def stored(self, bench: str, made_at: str) -> Stored:
        """As it is put down."""
        chart = self.chart
        limits = ChartLimits(chart.lower, chart.centre, chart.upper) if chart else None
        details = DailyDetails(self.state, self.words, limits)
        point = self.point
        return Stored("daily", point.of, bench, made_at, point.quantity, point.value, point.unit, None, details=details)


def resistor_point(capture: Capture, ohm: float) -> Point:
    """A known resistor at the clips.

    Raises
    ------
    BenchError
        If nothing can be read.
    """
    low_hz, high_hz = BAND_HZ
    try:
        load = impedance.load_impedance(capture, log_frequency_grid(low_hz, high_hz, 12))
    except Untrusted as error:
        raise BenchError(str(error)) from None
    found = float(np.median(np.abs(load.ohm)))
    if not 0.5 < found / ohm < 2:
        raise BenchError(f"the resistor of {ohm:g} ohm reads {found:.4g} ohm: is it between the clips?")
    return Point("resistor", f"{ohm:g} ohm", found, "ohm")


def unit_requests(kit: Kit) -> list[Sweep]:
    """One quiet ping of each channel, the microphone in front of its box."""
    place = kit.positions[0].name
    return [kit.sweep("playing", channel.name, channel.name, place, quiet=True) for channel in kit.channels]


def unit_point(capture: Capture, kit: Kit) -> Point:
    """Level of a ping of the reference build against the design.

    Raises
    ------
    BenchError
        If it does not stand out of the noise, or the microphone is not calibrated.
    """
    if not capture.calibration.microphone_v_per_pa:
        raise BenchError("the microphone is not calibrated: run kitproof calibrate microphone")
    try:
        off_db, over_noise_db = ping.band_levels_db(capture, kit)
    except Untrusted as error:
        raise BenchError(str(error)) from None
    if over_noise_db < ping.Settings().over_noise_db:
        raise BenchError(f"{capture.request.channel}: the ping drowns in the noise of the room")
    return Point("level", f"{kit.name} {capture.request.channel}", off_db, "dB")


def judge(point: Point, all_before: Sequence[Stored]) -> Judged:
    """Hold a point against those before it: the chart's limits come from the first that were in control.

    A calibration of what the point speaks for begins the chart anew: values may step then.

    Parameters
    ----------
    all_before : sequence of Stored
        All calibrations of the bench, the oldest first.
    """
    kinds = SPEAKS_FOR[point.quantity]
    began = max((one.moment for one in all_before if one.kind in kinds), default=None)
    points = [one for one in all_before if (one.kind, one.of, one.quantity) == ("daily", point.of, point.quantity)]
    points = [one for one in points if began is None or one.moment > began]
    before = tuple(one.value for one in points)
    steady = [one.value for one in points if not is_out(one)]
    if len(steady) < FEWEST:
        return _learning(point, steady, before)
    chart = individuals_chart(steady[:BASELINE])
    chart = _no_narrower(chart, LEAST[point.quantity] * (chart.centre if point.quantity == "resistor" else 1.0))
    words = beyond_limits(chart, [steady[-1], point.value])[1]
    if words:
        return Judged(point, OUT_OF_CONTROL, words, chart, before)
    rules = run_rules((np.array([*before, point.value]) - chart.centre) / chart.sigma)
    drifts = "drifting: too many in a row on one side of the centre" if rules[-1].any() else ""
    return Judged(point, IN_CONTROL, drifts, chart, before)


def _learning(point: Point, steady: Sequence[float], before: tuple[float, ...]) -> Judged:
    if steady:
        middle = float(np.mean(steady))
        most = WHILE_LEARNING[point.quantity] * (abs(middle) if point.quantity == "resistor" else 1.0)
        if abs(point.value - middle) > most:
            words = f"{point.value - middle:+.3g} {point.unit} off the mean of the days before"
            return Judged(point, OUT_OF_CONTROL, words, None, before)
    left = FEWEST - len(steady) - 1
    words = f"limits are drawn after {left} more" if left > 0 else "limits are drawn from the next on"
    return Judged(point, LEARNING, words, None, before)


def _no_narrower(chart: Chart, least: float) -> Chart:
    """A chart whose limits leave room for what matters to nobody."""
    reach = max(chart.upper - chart.centre, least)
    return replace(
        chart,
        lower=chart.centre - reach,
        upper=chart.centre + reach,
        upper_range=max(chart.upper_range, least),
    )
