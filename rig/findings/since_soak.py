"""What long loud playing has done to a unit: what was alive before and is dead after names itself.

The unit is its own reference. Levels, the impedance and the coil's resistance after are held against those before, so
that good parts anywhere inside their tolerances change nothing, and the design may stand for the unit.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from checks.heat import AMBIENT_DRIFT, BY_BAND, COMPRESSION, END_TEMPERATURE, RISE
from checks.lasting_change import FS_CHANGE, HOT_CHANGE, IMPEDANCE_CHANGE, LEVEL_CHANGE, RE_CHANGE
from rig.circuit.channel import impedance_ohm
from rig.circuit.notation import hertz
from rig.circuit.radiation import driver_pressure_pa
from rig.circuit.units import Floats
from rig.design.kit import Kit
from rig.findings.dictionary import Cause, Hypothesis
from rig.findings.leading import UNKNOWN, groups_of
from rig.findings.prediction import Scene, band_grid
from rig.findings.ranking import INDISTINGUISHABLE, dictionary
from rig.findings.sentences import brief, describe
from rig.signals.coil import COPPER_K
from rig.signals.levels import db
from rig.values.findings import Finding
from rig.values.names import GUARD
from rig.values.readings import Curve
from rig.values.verdicts import CheckResult, Verdict
from rig.verdict.guard import STEADY_RISE

#: How often long loud playing does it, against the others, for one place: common practice, no source. A coil burns
#: long before a joint or a part lets go.
OFTEN = {
    "dead": 10.0,
    "driver short": 1.0,
    "open": 0.5,
    "short": 0.2,
    "shorted turns": 1.0,
    "resonance": 1.0,
    "silent": 0.5,
    "leak": 0.3,
    "weak": 0.2,
}
#: A change that is none of these: how often, against all of them together, and so many standard deviations off (our
#: choice; tests/benchmarks/naming_faults.py).
UNKNOWN_PRIOR, UNKNOWN_SIGMA = 0.05, 2.0
#: A fault must explain the changes this much better than none does (logarithm of the ratio of the evidences) (our
#: choice; tests/benchmarks/naming_faults.py).
MORE_THAN_NONE = 5.0
#: A level and an impedance are followed so far; a change is predicted within so much, and within that part of itself
#: (our choice; tests/benchmarks/naming_faults.py).
REACH_DB, SIGMA_DB, SIGMA_PART = 30.0, 1.0, 0.25
#: How far the resistance of a coil is followed: beyond, it is broken or short, and networks say how much (our choice;
#: tests/benchmarks/naming_faults.py).
COIL_REACH_DB = 10.0
#: A point says no more than this against a fault (squared standard deviations); so many of an octave are independent;
#: numerical.
MOST_AGAINST, PER_OCTAVE = 16.0, 2.0
#: The last minute may hold the break itself: any share of it may have been after it; numerical.
SHARES = np.linspace(0.05, 1.0, 20)
#: The coil's resistance is reported where the impedance is least within this band; its temperature counts from here
#: (our choice; tests/benchmarks/naming_faults.py).
COIL_HZ, ROOM_CELSIUS = (100.0, 1000.0), 20.0
#: What shows a change by its name alone.
QUANTITIES = (GUARD, COMPRESSION, LEVEL_CHANGE, IMPEDANCE_CHANGE, FS_CHANGE, RE_CHANGE)
ELSEWHERE = (RISE, STEADY_RISE, END_TEMPERATURE, AMBIENT_DRIFT)
#: Changes smaller than this are not worth a word where nothing explains them (our choice;
#: tests/benchmarks/naming_faults.py).
SHOWN_DB = 2.0
DIED = "{it} died during the long loud playing: its coil has burnt open, or a lead of it came off"
SINCE = "since the long loud playing {words}"
CHANGED = "{channel} changed during the long loud playing, and no fault that is known here explains how: {shown}"


@dataclass(frozen=True, eq=False)
class Change:
    """What was after over what was before, in dB, with its standard uncertainty. Arrays have shape (points,)."""

    of: Literal["level", "bands", "impedance", "coil"]
    frequency_hz: Floats
    db: Floats
    u_db: Floats

    @property
    def size(self) -> float:
        """Number of points that are independent."""
        return max(1.0, PER_OCTAVE * float(np.log2(self.frequency_hz[-1] / self.frequency_hz[0])))


def is_of_soak(verdict: Verdict) -> bool:
    """Whether a verdict is of what a programme did, and not of the unit as it was before."""
    return verdict.quantity in (*QUANTITIES, *ELSEWHERE)


def changed(results: Sequence[CheckResult]) -> bool:
    """Whether some verdict failed that a change of a channel may have brought down."""
    return any(v.outcome == "fail" and v.quantity in QUANTITIES for result in results for v in result.verdicts)


def changes_of(kit: Kit, results: Sequence[CheckResult], channel: str) -> list[Change]:
    """Everything that a programme and the measurements after it tell of a channel's changes."""
    curves = {c.quantity: c for result in results for c in result.read.curves if c.subject == channel}
    found = []
    after = curves.get(LEVEL_CHANGE) or curves.get(HOT_CHANGE)
    if after is not None:
        found.append(_of_curve("level", after, after.value))
    elif (lost := curves.get(COMPRESSION + BY_BAND)) is not None:
        found.append(_of_curve("bands", lost, -lost.value))
    if (load := curves.get(IMPEDANCE_CHANGE)) is not None:
        found.append(_of_curve("impedance", load, db(np.maximum(1 + load.value / 100, 1e-3))))
    else:
        found += _of_coil(kit, results, channel)
    return [change for change in found if change.db.size]


def _of_curve(of: Literal["level", "bands", "impedance"], curve: Curve, change_db: Floats) -> Change:
    u_db = curve.uncertainty if curve.uncertainty is not None else np.zeros(curve.value.size)
    use = np.isfinite(change_db) & np.isfinite(u_db)
    return Change(of, curve.frequency_hz[use], np.clip(change_db[use], -REACH_DB, REACH_DB), u_db[use])


def _of_coil(kit: Kit, results: Sequence[CheckResult], channel: str) -> Iterator[Change]:
    """Of the resistance at the end, from the coil's temperature: of a break that is no temperature any more."""
    courses = [c for result in results for c in result.read.courses if c.subject == f"coil {channel}"]
    rises_k = [float(known[-1]) for c in courses if (known := c.value[np.isfinite(c.value)]).size]
    if rises_k:
        ratio = max(1 + rises_k[-1] / (COPPER_K + ROOM_CELSIUS), 1e-3)
        grid = band_grid(COIL_HZ)
        at_hz = grid[np.argmin(np.abs(impedance_ohm(kit.model(channel), grid)).reshape(-1))]
        yield Change(
            "coil", np.array([at_hz]), np.clip(db(np.array([ratio])), -COIL_REACH_DB, COIL_REACH_DB), np.zeros(1)
        )


def expected_db(scene: Scene, hypothesis: Hypothesis, change: Change) -> Floats:
    """What a fault makes of a change's points, in dB."""
    faulty = hypothesis.change(scene.model, hypothesis.amount)
    gain = hypothesis.amount if hypothesis.is_gain else 1.0
    hz = change.frequency_hz
    if change.of in ("impedance", "coil"):
        ohm = [np.abs(impedance_ohm(channel, hz)).reshape(-1) for channel in (faulty, scene.model)]
        ratio = ohm[0] / ohm[1]
    else:
        near = band_grid((1 / np.sqrt(2), np.sqrt(2))) if change.of == "bands" else np.ones(1)
        every = np.outer(hz, near).reshape(-1)
        pressure = [
            driver_pressure_pa(channel, every, 1.0, scene.microphone_m).sum(axis=0).reshape(hz.size, -1)
            for channel in (faulty, scene.model)
        ]
        power = [np.mean(np.abs(one) ** 2, axis=1) for one in pressure]
        ratio = gain * np.sqrt(power[0] / power[1])
    reach_db = COIL_REACH_DB if change.of == "coil" else REACH_DB
    return np.clip(db(np.maximum(ratio, 1e-6)), -reach_db, reach_db)


def log_evidence(change: Change, expected: Floats) -> float:
    """How well a fault explains a change (logarithm, up to a constant)."""
    sigma = np.hypot(np.hypot(change.u_db, SIGMA_DB), SIGMA_PART * np.abs(change.db))
    shares = SHARES if change.of == "bands" else np.ones(1)
    off = (change.db - shares[:, np.newaxis] * expected) / sigma
    return -0.5 * change.size * float(np.min(np.mean(np.minimum(off**2, MOST_AGAINST), axis=1)))


def of_soak(scene: Scene, changes: Sequence[Change]) -> list[Finding]:
    """What long loud playing did to a channel; nothing where nothing about it has changed.

    Parameters
    ----------
    scene : Scene
        Of the channel.
    changes : sequence of Change
        From `changes_of`.
    """
    unchanged = sum(log_evidence(change, np.zeros(change.db.size)) for change in changes)
    logs: dict[Cause, float] = {}
    priors: dict[Cause, float] = {}
    best: dict[Cause, Hypothesis] = {}
    for h in dictionary(scene):
        if h.cause.kind in OFTEN:
            log = sum(log_evidence(change, expected_db(scene, h, change)) for change in changes)
            if log > logs.get(h.cause, -np.inf):
                logs[h.cause], best[h.cause], priors[h.cause] = log, h, OFTEN[h.cause.kind]
    if not logs or not changes or max(logs.values()) < unchanged + MORE_THAN_NONE:
        return _unexplained(scene, changes)
    unknown = -0.5 * sum(change.size for change in changes) * UNKNOWN_SIGMA**2
    weights = {cause: log + np.log(priors[cause] / sum(priors.values())) for cause, log in logs.items()}
    total = np.logaddexp.reduce([*weights.values(), unknown + np.log(UNKNOWN_PRIOR)])
    likely = {cause: float(np.exp(weight - total)) for cause, weight in weights.items()}
    groups = groups_of(likely, lambda one: [c for c in logs if c != one and logs[one] - logs[c] < INDISTINGUISHABLE])
    found = [
        _finding(scene, best[group.first], group.alike, group.probability, group.also_possible) for group in groups
    ]
    return [*(_unexplained(scene, changes) if groups[0].also_possible else []), *found]


def _finding(scene: Scene, h: Hypothesis, alike: Sequence[Cause], probability: float, also_possible: bool) -> Finding:
    description = describe(h.cause, scene.model, h.amount, float("nan"))
    words = DIED.format(it=description.part) if h.cause.kind == "dead" else SINCE.format(words=description.words)
    return Finding(
        words=words,
        part=description.part,
        kind=h.cause.kind,
        probability=probability,
        where_to_look=description.where_to_look,
        what_to_measure=description.what_to_measure,
        alike=tuple(brief(other) for other in alike),
        channel=h.cause.channel,
        what=h.cause.what,
        alike_causes=tuple((other.kind, other.what) for other in alike),
        also_possible=also_possible,
        since_soak=True,
    )


def _unexplained(scene: Scene, changes: Sequence[Change]) -> list[Finding]:
    """That a channel has changed, and where most; nothing where it has not."""
    shown = []
    for change in changes:
        at = int(np.argmax(np.abs(change.db)))
        by_db = float(change.db[at])
        if abs(by_db) > SHOWN_DB + 2 * change.u_db[at]:
            by, what = f"{by_db:+.1f} dB", "level"
            if change.of in ("impedance", "coil"):
                by, what = f"{100 * (10 ** (by_db / 20) - 1):+.0f} %", "impedance"
            shown.append(f"its {what} at {hertz(change.frequency_hz[at])} changed by {by}")
    name = scene.model.name
    words = CHANGED.format(channel=name, shown="; ".join(shown))
    return [Finding(words, name, UNKNOWN, 1.0, channel=name, since_soak=True)] if shown else []
