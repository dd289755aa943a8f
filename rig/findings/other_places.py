"""What places aside of the axis, close by and between two boxes show alone: no curve of the usual place does.

Each is read off its own reading; a channel of which only levels there fail gets no cause, but where to look on.
"""

from collections.abc import Iterator, Sequence

import numpy as np

from checks.handover import DELAY, POLARITY, SUM
from checks.handover import LEVEL as HANDOVER_LEVEL
from checks.near_field import JOINED_LEVEL, NEAR_FIELD_LEVEL, STEP
from checks.off_axis import DIRECTIVITY, OFF_AXIS_LEVEL, PISTON
from rig.design.kit import Kit
from rig.design.speaker import PORT
from rig.findings.leading import UNKNOWN
from rig.values.findings import Finding
from rig.values.names import SHIFT
from rig.values.verdicts import CheckResult, Verdict

QUANTITIES = (OFF_AXIS_LEVEL, DIRECTIVITY, PISTON, NEAR_FIELD_LEVEL, JOINED_LEVEL, STEP)
QUANTITIES_BETWEEN = (HANDOVER_LEVEL, POLARITY, DELAY, SUM)
#: What one reading shows beyond doubt, and what it shows among others that look alike: common practice, no source.
P_ONE, P_ONE_OF_SOME = 0.9, 0.6
#: A port that is so far below its design gives nothing (our choice; tests/benchmarks/naming_faults.py).
SILENT_PORT_DB = 12.0
ALONE = "the level of {} is off, and nothing that was measured here says why"
USUAL_PLAN = "the usual plan: impedance at the bare leads, and the level on the axis, tell more"


def is_around(verdict: Verdict) -> bool:
    """Whether a verdict is of a place aside of the axis, close by, or of two boxes that hand over."""
    return verdict.quantity.removesuffix(SHIFT) in (*QUANTITIES, *QUANTITIES_BETWEEN)


def around_findings(kit: Kit, results: Sequence[CheckResult]) -> Iterator[Finding]:
    """What failed there, by channel."""
    failed = [v for r in results for v in r.verdicts if v.outcome == "fail" and is_around(v)]
    named = set()
    for verdict in failed:
        for finding in _cause(kit, results, verdict):
            named.add(finding.channel)
            yield finding
    for channel in (channel.name for channel in kit.channels):
        own = [v for v in failed if v.subject.split()[0] == channel and v.quantity not in QUANTITIES_BETWEEN]
        if own and channel not in named:
            shown = "; ".join(dict.fromkeys(f"{v.quantity}: {v.reason}" for v in own))
            words = f"{ALONE.format(channel)}; what it shows: {shown}"
            yield Finding(words, channel, UNKNOWN, 1.0, where_to_look=USUAL_PLAN, channel=channel)


def _cause(kit: Kit, results: Sequence[CheckResult], verdict: Verdict) -> Iterator[Finding]:
    channel, *rest = verdict.subject.split()
    if verdict.quantity == PISTON:
        yield _other_driver(kit, channel, rest[0], verdict)
    elif verdict.quantity == NEAR_FIELD_LEVEL and rest == [PORT]:
        off_db = _off_db(verdict)
        # Where the cone is as much off, it is no matter of the port.
        if abs(off_db) > 2 * abs(_cone_off_db(results, channel, verdict.at_hz)):
            yield _port(channel, off_db)
    elif verdict.quantity in QUANTITIES_BETWEEN and verdict.quantity != SUM:
        yield _between(channel, rest[-1], verdict)


def _other_driver(kit: Kit, channel: str, driver: str, verdict: Verdict) -> Finding:
    designed = 2e3 * kit.channel(channel).surfaces()[driver].radius_m
    return Finding(
        words=f"{channel} {driver} is not the designed one, or something stands around it: it beams as a piston of "
        f"{verdict.value:.0f} mm instead of {designed:.0f} mm",
        part=f"{channel} {driver}",
        kind="another driver",
        probability=P_ONE,
        value=verdict.value,
        value_uncertainty=verdict.uncertainty,
        should_be=designed,
        unit="mm",
        where_to_look=f"the label of {channel} {driver}, its dome or cone, its waveguide and grille",
        what_to_measure="the diameter of the cone or dome to the middle of its surround",
        channel=channel,
        what=(driver,),
    )


def _off_db(verdict: Verdict) -> float:
    """A level over the middle of its limits, where it is furthest outside."""
    mask = verdict.mask
    if mask is None or mask.centre is None:
        return float("nan")
    return float(verdict.value - np.interp(verdict.at_hz, mask.frequency_hz, mask.centre))


def _cone_off_db(results: Sequence[CheckResult], channel: str, port_hz: float) -> float:
    """What the cones of a box are off the design's level in the octaves above the port; NaN where nothing is known."""
    found = [
        float(np.mean((curve.value - curve.design)[inside]))
        for result in results
        for curve in result.read.curves
        if curve.quantity == NEAR_FIELD_LEVEL and curve.subject.split()[0] == channel and curve.design is not None
        if not curve.subject.endswith(f" {PORT}")
        if (inside := curve.valid & (curve.frequency_hz > 1.5 * port_hz) & (curve.frequency_hz < 3 * port_hz)).any()
    ]
    return max(found, key=abs, default=0.0)


def _port(channel: str, off_db: float) -> Finding:
    is_silent = off_db < -SILENT_PORT_DB
    return Finding(
        words=f"the port of {channel} is blocked"
        if is_silent
        else f"the port of {channel} gives {abs(off_db):.1f} dB {'less' if off_db < 0 else 'more'} than designed: the "
        "box leaks, or the port has another length or width",
        part=f"port of {channel}",
        kind="blocked port" if is_silent else "port",
        probability=P_ONE if is_silent else P_ONE_OF_SOME,
        where_to_look=f"the port of {channel} and what lies before it inside; seams and gaskets of the box",
        what_to_measure="impedance at the bare leads: the tuning and losses of the box",
        channel=channel,
    )


def _between(low: str, high: str, verdict: Verdict) -> Finding:
    words, look = {
        POLARITY: (
            f"{low} or {high} is connected the wrong way round: where they hand over they work against each other",
            f"leads of {low} and {high}, and a polarity switch in the way to one of them",
        ),
        DELAY: (
            f"{low} comes {abs(verdict.value):.1f} ms too {'late' if verdict.value > 0 else 'early'} against {high}",
            f"what stands before the amplifier of {low} alone: a processor, a wireless link, a filter set elsewhere",
        ),
        HANDOVER_LEVEL: (
            f"{low} is {abs(verdict.value):.1f} dB too {'loud' if verdict.value > 0 else 'quiet'} against {high}",
            f"gain and filter of the amplifier's outputs for {low} and {high}",
        ),
    }[verdict.quantity]
    return Finding(
        words=words,
        part=f"{low} and {high}",
        kind="handover",
        probability=P_ONE,
        where_to_look=look,
        what_to_measure=f"voltages at the leads of {low} and {high} against each other, with a sine where both play",
        channel=low,
        what=(high,),
    )
