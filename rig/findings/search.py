"""Findings: why a unit failed, in the kit's own part names, with a probability; silence rather than a guess."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import combinations

import numpy as np

from checks.impedance import LOWEST_IMPEDANCE
from checks.leads import OPEN_OHM
from checks.ping import PING_LEVEL
from rig.circuit.population import Parameter
from rig.circuit.spread import OF_SUSPENSION, SUSPENSION
from rig.design.kit import Kit
from rig.findings.audible import audible_faults, is_audible
from rig.findings.dictionary import LOUD_NEIGHBOUR, Cause
from rig.findings.leading import LARGEST_GROUP, NAMED_FROM, UNKNOWN, Group, groups_of, in_order
from rig.findings.likelihood import noise_root
from rig.findings.observed import Observed, observed
from rig.findings.other_places import around_findings, is_around
from rig.findings.pairs import FURTHEST, MISFIT, explains, pair_of
from rig.findings.prediction import Scene, scene_of
from rig.findings.ranking import Ranked, Ranking, alike_with, leading_nowhere, log_priors, ranking, with_level
from rig.findings.sentences import brief, describe
from rig.findings.signature import level_alone, signature
from rig.findings.since_soak import changed, changes_of, is_of_soak, of_soak
from rig.values.findings import Finding
from rig.values.names import AGAINST, CHANNEL_POLARITY, DRIVER_POLARITY, SENSITIVITY, WRONG_PART
from rig.values.verdicts import CheckResult

#: Where nothing failed that the curves bear on, a cause must be this probable to be named (our choice;
#: tests/benchmarks/naming_faults.py).
BEYOND_DOUBT = 0.95
#: Of each channel so many causes are looked at, none less probable than this; numerical.
LOOKED_AT, NEGLIGIBLE = 6, 1e-6
NO_FAULT = "no fault that is known here would look like this"
SEVERAL = "several faults would look like this, and none of them stands out"
EDGE = "nothing looks broken: good parts would do this if they lay at the edge of their tolerances"
WAITING = "why is not known yet: findings wait for a first good build, since the kit says too little of {}"
LEARN_FIRST = "verify a build that you vouch for, then run kitproof learn with its serial"
CLIPS = "the clips are off"
ONE_OF_TWO = "it is one of two faults at once"
#: What a bench can do to all channels at once.
OF_THE_MICROPHONE = {
    "reversed": "the sign of the microphone is not that of its calibration",
    "gain": "the microphone's gain is not that of its calibration, or it stands elsewhere",
}
LENT_GAIN = "the bench's amplifier has another gain than the kit says (amplifier.gain_db): its volume was moved"
#: What would show it in a channel that has it.
SHOWN_BY = {"reversed": (DRIVER_POLARITY, CHANNEL_POLARITY), "gain": (SENSITIVITY, PING_LEVEL)}
#: What comes wrong from the shop, or stands wrongly in the plan, for all channels alike.
BOUGHT = ("value", "thin wire", "impedance", "weak", "resonance", "tuning", "damping", "exchanged", "pad")
SAME_IN = "the same is found in {}: look at the delivery, the parts list and the plan"
#: What is spread, as the fault that it is outside its tolerance, whose amount is a power of its factor.
AS_FAULT = {
    "value": ("value", 1.0),
    "tuning_hz": ("tuning", 1.0),
    "fs_hz": ("resonance", 1.0),
    "qes": ("weak", 1.0),
    SUSPENSION: ("resonance", OF_SUSPENSION["fs_hz"]),
}
#: What is spread, as a builder calls it.
NAMES = {
    "value": "the value",
    "series_ohm": "the resistance",
    "re_ohm": "Re",
    "fs_hz": "fs",
    SUSPENSION: "Cms",
    "qms": "Qms",
    "qes": "Qes",
    "le_h": "Le",
    "tuning_hz": "the tuning",
    "leakage_q": "QL",
    "vas_m3": "Vas",
    "le_exponent": "the exponent of Le",
    "rolloff_hz": "the roll-off",
    "volume_m3": "the volume",
}


def findings(kit: Kit, results: Sequence[CheckResult]) -> tuple[Finding, ...]:
    """What is probably wrong with a unit, most probable first; nothing when nothing failed.

    All curves of the run are held against the kit's model under each single fault of each channel that failed, over
    the spread of good parts. What one check alone hears is told by that check, what long loud playing has changed by
    what was measured after it.

    Parameters
    ----------
    kit : Kit
    results : sequence of CheckResult
        Of one run, whatever of it was done.

    Returns
    -------
    tuple of Finding
        At most three for a channel, what the soak did to it and what is heard of it; of the three one may lead, and
        only if it is probable enough (`rig.findings.leading`). One of the kind "unknown" leads for a channel in which
        no fault does.
    """
    verdicts = [verdict for result in results for verdict in result.verdicts]
    failed = [v for v in verdicts if v.outcome == "fail"]
    by_curves = [v.subject for v in failed if not (is_audible(v) or is_of_soak(v) or is_around(v))]
    wrong = channels_of(kit, (subject for subject in by_curves if AGAINST not in subject))
    # Where the curves may be good something may be wrong all the same: then only what is beyond doubt is reported.
    unproved = [v.subject for v in verdicts if v.outcome == "void" and AGAINST not in v.subject and not is_around(v)]
    doubtful = channels_of(kit, [*unproved, *(v.subject for v in failed if is_audible(v))])
    found = [_open_lead(scene_of(kit, channel)) for channel in open_leads(kit, results)]
    found += [_waiting(kit, results, c.name) for c in kit.channels if c.name in wrong and kit.undescribed(c.name)]
    done = {finding.channel for finding in found} | {c.name for c in kit.channels if kit.undescribed(c.name)}
    audible = list(_audible_findings(results))
    found += _of_curves(kit, results, wrong - done, doubtful - done - wrong, audible)
    if not found and not wrong:
        # They differ, and neither leaves its own limits.
        compared = channels_of(kit, (subject for subject in by_curves if AGAINST in subject)) - done
        found += _of_curves(kit, results, compared, set(), audible)
    found = _of_one_delivery(kit, _of_all_alike(kit, results, found))
    bent_besides = {finding.channel for finding in found if finding.kind != UNKNOWN}
    found += [f for f in audible if not (f.kind == "bent" and f.channel in bent_besides)]
    besides = [f for f in around_findings(kit, results) if f.kind != UNKNOWN or f.channel not in bent_besides]
    return in_order([*found, *besides, *_of_soak(kit, results)])


def _of_soak(kit: Kit, results: Sequence[CheckResult]) -> Iterator[Finding]:
    """What long loud playing did to each channel."""
    if changed(results):
        for channel in kit.channels:
            yield from of_soak(scene_of(kit, channel.name), changes_of(kit, results, channel.name))


def _of_curves(
    kit: Kit, results: Sequence[CheckResult], wrong: set[str], doubtful: set[str], audible: Sequence[Finding]
) -> Iterator[Finding]:
    """What the curves of some channels tell, in the kit's order."""
    rankings = {}
    for channel in (c.name for c in kit.channels if c.name in wrong | doubtful):
        seen, scene = observed(kit, results, channel), scene_of(kit, channel)
        if seen.vector.size:
            ranked = ranking(scene, seen, _against_good(results, channel))
            rankings[channel] = (scene, seen, with_level(scene, ranked) if level_alone(results, channel) else ranked)
    swapped = list(_swapped(rankings))
    yield from swapped
    done = {name for finding in swapped for name in (finding.channel, *finding.what)}
    for channel, (scene, seen, ranked) in rankings.items():
        if channel in done:
            continue
        named = _causes(scene, seen, ranked, is_wrong=channel in wrong)
        leads = any(not finding.also_possible for finding in named)
        if leads or channel in wrong:
            yield from named
        if not leads and channel in wrong and not any(finding.channel == channel for finding in audible):
            yield _unexplained(scene, ranked, signature(results, channel), bool(named))


def _causes(scene: Scene, seen: Observed, ranked: Ranking, *, is_wrong: bool) -> list[Finding]:
    """What the curves of one channel name; of one that may be good only what is beyond doubt."""
    named = _two_faults(scene, seen, ranked) if is_wrong else []
    if not named and ranked.causes and explains(ranked.causes[0].best):
        named = _of_channel(scene, seen, ranked, NAMED_FROM if is_wrong else BEYOND_DOUBT)
    if is_wrong and all(finding.also_possible for finding in named):
        named = [*_outside(scene, ranked), *named]
    return named


def _against_good(results: Sequence[CheckResult], channel: str) -> float:
    """What a part that fits too badly says against a good unit: the logarithm of a ratio of likelihoods."""
    verdicts = (v for result in results for v in result.verdicts if (v.quantity, v.subject) == (WRONG_PART, channel))
    return max((v.value**2 / 2 for v in verdicts if v.outcome == "fail"), default=0.0)


def _of_all_alike(kit: Kit, results: Sequence[CheckResult], found: Sequence[Finding]) -> list[Finding]:
    """The findings; where all channels that were heard have the same one, the microphone may have it instead."""
    named = []
    for one in found:
        is_ours = one.kind in OF_THE_MICROPHONE and not one.what and not one.since_soak
        same = {f.channel for f in found if (f.kind, f.what) == (one.kind, ()) and not f.value * one.value < 0}
        if is_ours and _read_of(kit, results, SHOWN_BY[one.kind]) <= same:
            lent = (LENT_GAIN,) if one.kind == "gain" and not kit.amplifier.own else ()
            one = replace(one, alike=(*one.alike, *lent, OF_THE_MICROPHONE[one.kind]))
        named.append(one)
    return named


def _read_of(kit: Kit, results: Sequence[CheckResult], quantities: Sequence[str]) -> set[str]:
    """Channels of which some of these were read and could be judged."""
    verdicts = [v for result in results for v in result.verdicts if v.quantity in quantities and v.outcome != "void"]
    return channels_of(kit, (verdict.subject for verdict in verdicts if AGAINST not in verdict.subject))


def _of_one_delivery(kit: Kit, found: Sequence[Finding]) -> list[Finding]:
    """The findings; the same part wrong in channels built alike was bought wrong, or is wrong in the parts list."""
    alike = {frozenset((a.name, b.name)) for a, b in kit.equal_channels()}
    named = []
    for one in found:
        same = [
            other.channel
            for other in found
            if (other.kind, other.what) == (one.kind, one.what) and frozenset((one.channel, other.channel)) in alike
        ]
        look = f"{one.where_to_look}; {SAME_IN.format(', '.join(same))}"
        named.append(replace(one, where_to_look=look) if same and one.kind in BOUGHT else one)
    return named


def channels_of(kit: Kit, subjects: Iterable[str]) -> set[str]:
    """Channels that subjects of readings speak of."""
    words = {word for subject in subjects for word in subject.split()[: None if AGAINST in subject else 1]}
    return {channel.name for channel in kit.channels if channel.name in words}


def open_leads(kit: Kit, results: Sequence[CheckResult]) -> list[str]:
    """Channels at whose bare leads no current flows, in the kit's order."""
    nowhere = {
        reading.subject
        for result in results
        for reading in result.read.readings
        if reading.quantity == LOWEST_IMPEDANCE and reading.trouble and reading.value > OPEN_OHM
    }
    return [channel.name for channel in kit.channels if channel.name in nowhere]


def _waiting(kit: Kit, results: Sequence[CheckResult], channel: str) -> Finding:
    """That causes cannot be determined yet, and what a failure shows."""
    words = WAITING.format(" and ".join(kit.undescribed(channel)))
    shown = signature(results, channel)
    words = f"{words}; what it shows: {'; '.join(shown)}" if shown else words
    return Finding(words, channel, UNKNOWN, 1.0, where_to_look=LEARN_FIRST, channel=channel)


def _open_lead(scene: Scene) -> Finding:
    """No current flows: the likeliest faults that do it, a lead that is off, and the clips."""
    channel = scene.model.name
    off = f"a lead of {channel} is off inside the box"
    causes = leading_nowhere(scene, OPEN_OHM)
    if not causes:
        return Finding(f"{off}, or {CLIPS}", channel, UNKNOWN, 1.0, channel=channel)
    first, *rest = causes[: LARGEST_GROUP - 1]
    weights = {cause: float(np.exp(log)) for cause, log in log_priors(scene).items() if cause in causes}
    # A lead that is off is as likely as the likeliest joint.
    total = sum(weights.values()) + weights[first]
    description = describe(first, scene.model, 1.0, float("nan"))
    return Finding(
        words=description.words,
        part=description.part,
        kind=first.kind,
        probability=(sum(weights[cause] for cause in (first, *rest)) + weights[first]) / total,
        where_to_look=description.where_to_look,
        what_to_measure=description.what_to_measure,
        alike=(*(brief(cause) for cause in rest), f"{off}, or {CLIPS}"),
        channel=channel,
        what=first.what,
        alike_causes=tuple((cause.kind, cause.what) for cause in rest),
    )


def _of_channel(scene: Scene, seen: Observed, ranked: Ranking, from_: float) -> list[Finding]:
    """The causes that are worth naming; the first of them leads if it is, with those alike, as probable as that."""
    likely = {one.cause: one for one in ranked.causes[:LOOKED_AT] if one.probability >= NEGLIGIBLE}
    root, among = noise_root(scene, seen), list(likely.values())
    groups = groups_of(
        {cause: one.probability for cause, one in likely.items()},
        lambda cause: alike_with(scene, seen, likely[cause], among, root).alike,
        from_,
    )
    return [
        finding_of(scene, replace(likely[group.first], probability=group.probability, alike=group.alike), group)
        for group in groups
    ]


def _two_faults(scene: Scene, seen: Observed, ranked: Ranking) -> list[Finding]:
    """Two faults at once, where no single one explains all and they are beyond doubt."""
    if not ranked.causes or max(ranked.causes[0].probability, ranked.unknown) < ranked.good:
        return []
    if explains(ranked.causes[0].best, FURTHEST, MISFIT):
        return []
    pair = pair_of(scene, seen, ranked, BEYOND_DOUBT)
    found = [finding_of(scene, one) for one in ((pair.one, pair.other) if pair else ())]
    return [replace(one, words=f"{one.words}; {ONE_OF_TWO}", one_of_two=True) for one in found]


def _unexplained(scene: Scene, ranked: Ranking, shown: Sequence[str], several: bool) -> Finding:
    """That nothing leads, and what a failure shows; of a good unit, what lies furthest from its nominal value."""
    channel = scene.model.name
    if ranked.good < NAMED_FROM or not explains(ranked.as_good):
        words = SEVERAL if several else NO_FAULT
        words = f"{words}; what it shows: {'; '.join(shown)}" if shown else words
        return Finding(words, channel, UNKNOWN, 1 - ranked.good, channel=channel)
    furthest, sigmas = _furthest(scene, ranked)
    by = float(np.expm1(furthest.sigma * sigmas))
    it = " ".join(filter(None, [channel, furthest.name or "box"]))
    words = f"{EDGE}; furthest off is {NAMES[furthest.field]} of {it}, by {100 * by:+.0f} %"
    return Finding(words, channel, UNKNOWN, ranked.good, channel=channel)


def _furthest(scene: Scene, ranked: Ranking) -> tuple[Parameter, float]:
    """What of a unit that is taken for good lies furthest from its nominal value, and by how many sigmas."""
    off = ranked.as_good.deviations[: len(scene.spread)]
    at = int(np.argmax(np.abs(off)))
    return scene.spread[at], float(off[at])


def _outside(scene: Scene, ranked: Ranking) -> list[Finding]:
    """The one number that lies outside its tolerance where nothing else is wrong, as the fault that it is."""
    furthest, sigmas = _furthest(scene, ranked)
    if ranked.good < NAMED_FROM or abs(sigmas) < FURTHEST or furthest.field not in AS_FAULT:
        return []
    kind, power = AS_FAULT[furthest.field]
    cause = Cause(kind, scene.model.name, (furthest.name,) if furthest.name else ())
    u_relative = abs(power) * furthest.sigma * float(ranked.as_good.deviations_u[scene.spread.index(furthest)])
    amount = float(np.exp(power * furthest.sigma * sigmas))
    return [finding_of(scene, Ranked(cause, ranked.good, ranked.as_good, amount, u_relative))]


def finding_of(scene: Scene, one: Ranked, group: Group[Cause] | None = None) -> Finding:
    """A ranked cause in words. A neighbour that is too loud is reported as the gain of that one."""
    cause = Cause("gain", one.cause.what[0]) if one.cause.kind == LOUD_NEIGHBOUR else one.cause
    description = describe(cause, scene.model, one.amount, one.amount_u_relative)
    alike = tuple(brief(other) for other in one.alike)
    return Finding(
        words=description.words,
        part=description.part,
        kind=cause.kind,
        probability=one.probability,
        value=description.value,
        value_uncertainty=description.value_uncertainty,
        should_be=description.should_be,
        unit=description.unit,
        where_to_look=description.where_to_look,
        what_to_measure=description.what_to_measure,
        alike=alike,
        channel=cause.channel,
        what=cause.what,
        alike_causes=tuple((other.kind, other.what) for other in one.alike),
        also_possible=group is not None and group.also_possible,
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


def _audible_findings(results: Sequence[CheckResult]) -> Iterator[Finding]:
    for subject, _, probability, (kind, words, look, measure) in audible_faults(results):
        yield Finding(words, subject, kind, probability, where_to_look=look, what_to_measure=measure, channel=subject)
