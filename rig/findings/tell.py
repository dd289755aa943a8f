"""Findings: why a unit failed, in the kit's own part names, with a probability; silence rather than a guess."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from rig.findings.by_ear import heard
from rig.findings.dictionary import Cause
from rig.findings.evidence import noise_root
from rig.findings.observed import Observed, observed
from rig.findings.prediction import Scene, scene_of
from rig.findings.ranking import Ranked, Ranking, ranking, with_alike
from rig.findings.words import brief, told
from rig.kit import Kit
from rig.verdicts import CheckResult

#: A cause, together with those that cannot be told from it, must be this probable to be named ...
NAMED_FROM = 0.5
#: ... and one that is named beside it, this.
BESIDE_FROM = 0.05
#: No more than so many for one channel: a hint is to be followed.
MOST = 3
#: Bare leads with more than this lead nowhere, as the check of the leads has it: an open lead is void, not failed.
OPEN_OHM = 200.0
NO_FAULT = "no single fault of the dictionary explains this"
EDGE = "the curves are those of a good unit with its parts at the edge of their tolerances"
CLIPS = "the clips are off"


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
    troubled = failing(kit, results)
    if not troubled:
        return ()
    rankings = {}
    for channel in troubled:
        seen, scene = observed(kit, results, channel), scene_of(kit, channel)
        if seen.vector.size:
            rankings[channel] = (scene, seen, ranking(scene, seen))
    by_ear = list(_by_ear(results))
    found = list(_swapped(rankings))
    done = {name for finding in found for name in (finding.channel, *finding.what)}
    for channel, (scene, seen, ranked) in rankings.items():
        if channel not in done:
            heard_here = any(finding.channel == channel for finding in by_ear)
            found += _of_channel(scene, seen, ranked, heard_here)
    found += [f for f in by_ear if not (f.kind == "bent" and any(g.channel == f.channel for g in found))]
    return tuple(sorted(found, key=lambda finding: (finding.kind == "unknown", -finding.probability)))


def failing(kit: Kit, results: Sequence[CheckResult]) -> list[str]:
    """Channels of which something fails, or whose bare leads lead nowhere, in the kit's order."""
    subjects = {v.subject for result in results for v in result.verdicts if v.outcome == "fail"}
    subjects |= open_leads(results)
    words = {word for subject in subjects for word in subject.split()[: 1 if " against " not in subject else None]}
    return [channel.name for channel in kit.channels if channel.name in words]


def open_leads(results: Sequence[CheckResult]) -> set[str]:
    """Channels at whose bare leads no current flows."""
    return {
        reading.subject
        for result in results
        for reading in result.read.readings
        if reading.quantity == "lowest impedance" and reading.trouble and reading.value > OPEN_OHM
    }


def _of_channel(scene: Scene, seen: Observed, ranked: Ranking, is_heard: bool) -> Iterator[Finding]:
    channel = scene.model.name
    named = list(_named(scene, seen, ranked))
    if named:
        yield from named
    elif ranked.good >= NAMED_FROM:
        # A rattle leaves the curves as they are, and then there is nothing more to say of them.
        if not is_heard:
            yield Finding(EDGE, channel, "unknown", ranked.good, channel=channel)
    else:
        yield Finding(NO_FAULT, channel, "unknown", ranked.unknown, channel=channel)


def _named(scene: Scene, seen: Observed, ranked: Ranking) -> Iterator[Finding]:
    likely = [one for one in ranked.causes if one.probability >= 1e-6][: 2 * MOST]
    causes = with_alike(scene, seen, likely, noise_root(scene, seen))
    probability = {one.cause: one.probability for one in ranked.causes}
    told_of: set[Cause] = set()
    for n, one in enumerate(causes):
        group = one.probability + sum(probability[other] for other in one.alike)
        if n == 0 and group < NAMED_FROM:
            return
        if n and (one.probability < BESIDE_FROM or len(told_of) >= MOST) or one.cause in told_of:
            continue
        told_of |= {one.cause, *one.alike}
        yield finding_of(scene, one)


def finding_of(scene: Scene, one: Ranked) -> Finding:
    """A ranked cause in words."""
    said = told(one.cause, scene.model, one.best.amount, one.best.amount_u_relative)
    alike = tuple(brief(other, scene.model) for other in one.alike)
    return Finding(
        words=said.words,
        part=said.part,
        kind=one.cause.kind,
        probability=one.probability,
        value=said.value,
        value_uncertainty=said.value_uncertainty,
        should_be=said.should_be,
        unit=said.unit,
        where_to_look=said.where_to_look,
        what_to_measure=said.what_to_measure,
        alike=alike,
        channel=one.cause.channel,
        what=one.cause.what,
        alike_causes=tuple((other.kind, other.what) for other in one.alike),
    )


def _swapped(rankings: dict[str, tuple[Scene, Observed, Ranking]]) -> Iterator[Finding]:
    """Two channels on each other's leads: one fault explains both, where each alone would need one of its own."""
    names = list(rankings)
    for n, one in enumerate(names):
        for other in names[n + 1 :]:
            pair = [(rankings[one], Cause("swapped", one, (other,))), (rankings[other], Cause("swapped", other, (one,)))]
            if any(cause not in ranked.log_evidence for (_, _, ranked), cause in pair):
                continue
            # The prior of a mistake that is one stands in the evidence of both.
            both = sum(ranked.log_evidence[cause] for (_, _, ranked), cause in pair) - pair[0][0][2].log_prior[pair[0][1]]
            apart = sum(ranked.log_total for (_, _, ranked), _ in pair)
            probability = float(1 / (1 + np.exp(np.clip(apart - both, -700, 700))))
            if probability >= NAMED_FROM:
                scene, _, ranked = pair[0][0]
                best = next(item for item in ranked.causes if item.cause == pair[0][1])
                yield finding_of(scene, Ranked(best.cause, probability, best.best))


def _by_ear(results: Sequence[CheckResult]) -> Iterator[Finding]:
    for subject, _, probability, (kind, words, look, measure) in heard(results):
        yield Finding(
            words, subject, kind, probability, where_to_look=look, what_to_measure=measure, channel=subject
        )
