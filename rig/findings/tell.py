"""Findings: why a unit failed, in the kit's own part names, with a probability; silence rather than a guess."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations

import numpy as np

from rig.findings.by_ear import heard
from rig.findings.dictionary import LOUD_NEIGHBOUR, Cause
from rig.findings.evidence import noise_root
from rig.findings.observed import Observed, observed
from rig.findings.pairs import FURTHEST, MISFIT, explains, pair_of
from rig.findings.prediction import Scene, scene_of
from rig.findings.ranking import Ranked, Ranking, alike_with, leading_nowhere, log_priors, ranking
from rig.findings.signature import signature
from rig.findings.words import brief, told
from rig.kit import Kit
from rig.verdicts import CheckResult

#: A cause, together with those that cannot be told from it, must be this probable to be named ...
NAMED_FROM = 0.5
#: ... and one that is named beside it, this.
BESIDE_FROM = 0.05
#: ... and where nothing failed but something could not be told, this.
BEYOND_DOUBT = 0.95
NEGLIGIBLE = 1e-6
#: No more than so many for one channel: a hint is to be followed.
MOST = 3
#: Bare leads with more than this lead nowhere, as the check of the leads has it: an open lead is void, not failed.
OPEN_OHM = 200.0
#: Names of two channels stand on either side of this where they were compared.
BETWEEN = " against "
NO_FAULT = "no single fault of the dictionary explains this"
EDGE = "the curves are those of a good unit with its parts at the edge of their tolerances"
CLIPS = "the clips are off"
ONE_OF_TWO = "it is one of two faults at once"
#: What a bench can do to all channels at once.
OF_THE_MICROPHONE = {
    "reversed": "the sign of the microphone is not that of its calibration",
    "gain": "the microphone's gain is not that of its calibration, or it stands elsewhere",
}
#: What comes wrong from the shop, or stands wrongly in the plan, for all channels alike.
BOUGHT = ("value", "thin wire", "impedance", "weak", "resonance", "tuning", "damping", "exchanged", "pad")
SAME_IN = "the same is found in {}: look at the delivery, the parts list and the plan"
#: What is spread, as a builder calls it.
NAMES = {
    "value": "the value",
    "series_ohm": "the resistance",
    "re_ohm": "Re",
    "fs_hz": "fs",
    "qms": "Qms",
    "qes": "Qes",
    "le_h": "Le",
    "tuning_hz": "the tuning",
    "leakage_q": "QL",
}


@dataclass(frozen=True)
class Finding:
    """A probable cause of a failure."""

    #: What is wrong, in a sentence.
    words: str
    #: The kit's own name of what is wrong ("left L1").
    part: str
    #: As the dictionary calls it; "unknown" when nothing explains the failure.
    kind: str
    probability: float
    #: What was found of the part, its standard uncertainty, and what it should be; NaN where there is no number.
    value: float = float("nan")
    value_uncertainty: float = float("nan")
    should_be: float = float("nan")
    unit: str = ""
    where_to_look: str = ""
    what_to_measure: str = ""
    #: Other causes that no measurement of this run tells from it.
    alike: tuple[str, ...] = ()
    #: Channel, and parts, drivers or the other channel: what a program asks for.
    channel: str = ""
    what: tuple[str, ...] = ()
    #: The same others, as (kind, parts or drivers).
    alike_causes: tuple[tuple[str, tuple[str, ...]], ...] = field(default=())
    #: The channel has a second fault besides, which is another of the findings.
    one_of_two: bool = False


def findings(kit: Kit, results: Sequence[CheckResult]) -> tuple[Finding, ...]:
    """What is probably wrong with a unit, most probable first; nothing when nothing failed.

    All curves of the run are held against the kit's model under each single fault of each channel that failed, over
    the spread of good parts. What one check alone hears is told by that check.

    Parameters
    ----------
    kit : Kit
    results : sequence of CheckResult
        Of one run, whatever of it was done.

    Returns
    -------
    tuple of Finding
        At most three for a channel and what is heard of it. A single one of the kind "unknown" for a channel
        in which no single fault explains what was measured.
    """
    verdicts = [verdict for result in results for verdict in result.verdicts]
    failed = [v.subject for v in verdicts if v.outcome == "fail"]
    wrong = channels_of(kit, (subject for subject in failed if BETWEEN not in subject))
    # Where nothing is proved something may be wrong all the same: then only what is beyond doubt is told.
    doubtful = channels_of(kit, (v.subject for v in verdicts if v.outcome == "void" and BETWEEN not in v.subject))
    found = [_open_lead(scene_of(kit, channel)) for channel in open_leads(kit, results)]
    done = {finding.channel for finding in found}
    by_ear = list(_by_ear(results))
    found += _of_curves(kit, results, wrong - done, doubtful - done - wrong, by_ear)
    compared = channels_of(kit, (subject for subject in failed if BETWEEN in subject))
    if not found and not wrong:
        # They differ, and neither leaves its own limits.
        found += _of_curves(kit, results, compared, set(), by_ear)
    found = _of_one_delivery(kit, _of_all_alike(kit, found))
    bent_besides = {finding.channel for finding in found if finding.kind != "unknown"}
    found += [f for f in by_ear if not (f.kind == "bent" and f.channel in bent_besides)]
    return tuple(sorted(found, key=lambda finding: (finding.kind == "unknown", -finding.probability)))


def _of_curves(
    kit: Kit, results: Sequence[CheckResult], wrong: set[str], doubtful: set[str], by_ear: Sequence[Finding]
) -> Iterator[Finding]:
    """What the curves of some channels tell, in the kit's order."""
    rankings = {}
    for channel in (c.name for c in kit.channels if c.name in wrong | doubtful):
        seen, scene = observed(kit, results, channel), scene_of(kit, channel)
        if seen.vector.size:
            rankings[channel] = (scene, seen, ranking(scene, seen))
    swapped = list(_swapped(rankings))
    yield from swapped
    done = {name for finding in swapped for name in (finding.channel, *finding.what)}
    for channel, (scene, seen, ranked) in rankings.items():
        if channel in done:
            continue
        named = _of_two(scene, seen, ranked) if channel in wrong else []
        if not named and explains(ranked.causes[0].best):
            named = list(_of_channel(scene, seen, ranked, NAMED_FROM if channel in wrong else BEYOND_DOUBT))
        yield from named
        if not named and channel in wrong and not any(finding.channel == channel for finding in by_ear):
            yield _unexplained(scene, ranked, signature(results, channel))


def _of_all_alike(kit: Kit, found: Sequence[Finding]) -> list[Finding]:
    """The findings; where every channel has the same one, the microphone may have it as well as the unit."""
    several = [f for f in found if f.kind in OF_THE_MICROPHONE and not f.what]
    if len({f.channel for f in several}) < max(len(kit.channels), 2) or len({f.kind for f in several}) > 1:
        return list(found)
    words = OF_THE_MICROPHONE[several[0].kind]
    return [replace(f, alike=(*f.alike, words)) if f in several else f for f in found]


def _of_one_delivery(kit: Kit, found: Sequence[Finding]) -> list[Finding]:
    """The findings; the same part wrong in channels built alike was bought wrong, or is wrong in the parts list."""
    alike = {frozenset((a.name, b.name)) for a, b in kit.alike()}
    told = []
    for one in found:
        same = [
            other.channel
            for other in found
            if (other.kind, other.what) == (one.kind, one.what) and frozenset((one.channel, other.channel)) in alike
        ]
        look = f"{one.where_to_look}; {SAME_IN.format(', '.join(same))}"
        told.append(replace(one, where_to_look=look) if same and one.kind in BOUGHT else one)
    return told


def channels_of(kit: Kit, subjects: Iterable[str]) -> set[str]:
    """Channels that subjects of readings speak of."""
    words = {word for subject in subjects for word in subject.split()[: None if BETWEEN in subject else 1]}
    return {channel.name for channel in kit.channels if channel.name in words}


def open_leads(kit: Kit, results: Sequence[CheckResult]) -> list[str]:
    """Channels at whose bare leads no current flows, in the kit's order."""
    nowhere = {
        reading.subject
        for result in results
        for reading in result.read.readings
        if reading.quantity == "lowest impedance" and reading.trouble and reading.value > OPEN_OHM
    }
    return [channel.name for channel in kit.channels if channel.name in nowhere]


def _open_lead(scene: Scene) -> Finding:
    """No current flows: one fault of those that do it, the others beside it, and the clips."""
    channel = scene.model.name
    causes = leading_nowhere(scene, OPEN_OHM)
    weights = log_priors(scene)
    total = sum(np.exp(weights[cause]) for cause in causes)
    if not causes:
        return Finding(f"the lead of {channel} is off inside the box", channel, "unknown", NAMED_FROM, channel=channel)
    first, rest = causes[0], causes[1:]
    said = told(first, scene.model, 1.0, float("nan"))
    return Finding(
        words=said.words,
        part=said.part,
        kind=first.kind,
        probability=float(np.exp(weights[first]) / total),
        where_to_look=said.where_to_look,
        what_to_measure=said.what_to_measure,
        alike=(*(brief(cause, scene.model) for cause in rest), f"a lead of {channel} is off inside the box", CLIPS),
        channel=channel,
        what=first.what,
        alike_causes=tuple((cause.kind, cause.what) for cause in rest),
    )


def _of_channel(scene: Scene, seen: Observed, ranked: Ranking, from_: float) -> Iterator[Finding]:
    """The causes that are worth naming, if the first of them, with those alike, is as probable as that."""
    likely = [one for one in ranked.causes if one.probability >= NEGLIGIBLE][: 2 * MOST]
    if not likely or sum(one.probability for one in likely) < from_:
        return
    root = noise_root(scene, seen)
    told_of: set[Cause] = set()
    count = 0
    for n, one in enumerate(likely):
        if one.cause in told_of or (n and one.probability < BESIDE_FROM) or count == MOST:
            continue
        whole = alike_with(scene, seen, one, likely, root)
        group = one.probability + sum(other.probability for other in likely if other.cause in whole.alike)
        if n == 0 and group < from_:
            return
        told_of |= {one.cause, *whole.alike}
        count += 1
        yield finding_of(scene, whole)


def _of_two(scene: Scene, seen: Observed, ranked: Ranking) -> list[Finding]:
    """Two faults at once, where no single one explains all and they are beyond doubt."""
    if max(ranked.causes[0].probability, ranked.unknown) < ranked.good or explains(
        ranked.causes[0].best, FURTHEST, MISFIT
    ):
        return []
    pair = pair_of(scene, seen, ranked, BEYOND_DOUBT)
    found = [finding_of(scene, one) for one in ((pair.one, pair.other) if pair else ())]
    return [replace(one, words=f"{one.words}; {ONE_OF_TWO}", one_of_two=True) for one in found]


def _unexplained(scene: Scene, ranked: Ranking, shown: Sequence[str]) -> Finding:
    """That nothing explains a failure, and what it shows; of a good unit, what lies furthest from its nominal value."""
    channel = scene.model.name
    if ranked.good < NAMED_FROM or not explains(ranked.as_good):
        words = f"{NO_FAULT}; what it shows: {'; '.join(shown)}" if shown else NO_FAULT
        return Finding(words, channel, "unknown", 1 - ranked.good, channel=channel)
    spread = scene.spread
    off = ranked.as_good.deviations[: len(spread)]
    furthest = int(np.argmax(np.abs(off)))
    by = float(np.expm1(spread[furthest].sigma * off[furthest]))
    it = " ".join(filter(None, [channel, spread[furthest].name or "box"]))
    words = f"{EDGE}; furthest off is {NAMES[spread[furthest].field]} of {it}, by {100 * by:+.0f} %"
    return Finding(words, channel, "unknown", ranked.good, channel=channel)


def finding_of(scene: Scene, one: Ranked) -> Finding:
    """A ranked cause in words. A neighbour that is too loud is told as the gain of that one."""
    cause = Cause("gain", one.cause.what[0]) if one.cause.kind == LOUD_NEIGHBOUR else one.cause
    said = told(cause, scene.model, one.amount, one.amount_u_relative)
    alike = tuple(brief(other, scene.model) for other in one.alike)
    return Finding(
        words=said.words,
        part=said.part,
        kind=cause.kind,
        probability=one.probability,
        value=said.value,
        value_uncertainty=said.value_uncertainty,
        should_be=said.should_be,
        unit=said.unit,
        where_to_look=said.where_to_look,
        what_to_measure=said.what_to_measure,
        alike=alike,
        channel=cause.channel,
        what=cause.what,
        alike_causes=tuple((other.kind, other.what) for other in one.alike),
    )


def _swapped(rankings: dict[str, tuple[Scene, Observed, Ranking]]) -> Iterator[Finding]:
    """Two channels on each other's leads: one fault explains both, where each alone would need one of its own."""
    for one, other in combinations(rankings, 2):
        scene, _, here = rankings[one]
        there = rankings[other][2]
        own, theirs = Cause("swapped", one, (other,)), Cause("swapped", other, (one,))
        if own not in here.log_evidence or theirs not in there.log_evidence:
            continue
        # It is one mistake: its prior, which stands in the evidence of both, counts once.
        both = here.log_evidence[own] + there.log_evidence[theirs] - here.log_prior[own]
        apart = here.log_total + there.log_total
        probability = float(1 / (1 + np.exp(np.clip(apart - both, -700, 700))))
        if probability >= NAMED_FROM:
            best = next(item for item in here.causes if item.cause == own)
            yield finding_of(scene, replace(best, probability=probability))


def _by_ear(results: Sequence[CheckResult]) -> Iterator[Finding]:
    for subject, _, probability, (kind, words, look, measure) in heard(results):
        yield Finding(words, subject, kind, probability, where_to_look=look, what_to_measure=measure, channel=subject)
