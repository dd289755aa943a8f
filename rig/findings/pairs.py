"""Two faults in one channel at once, for curves that no single fault explains.

A single fault explains little where it needs good parts outside their tolerances besides. The likeliest is then tried
with every other fault, and what was found best beside it once more with every other one in its place. The search is
short and knows its limits: a pair is named where hardly anything else is left, and not otherwise.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from rig.circuit.tolerance import CUT_OFF_SIGMA
from rig.circuit.units import Floats
from rig.findings import polarity_evidence
from rig.findings.dictionary import LOUD_NEIGHBOUR, Cause, Hypothesis, both
from rig.findings.leading import LARGEST_GROUP
from rig.findings.likelihood import Explained, explain, noise_root, under
from rig.findings.observed import Observed
from rig.findings.prediction import Scene, deviations_of, predicted
from rig.findings.ranking import (
    COARSE,
    INDISTINGUISHABLE,
    MOST_AGAINST,
    Ranked,
    Ranking,
    dictionary,
    explain_slopes,
    log_share,
)

#: Of units that fail, so many have a second fault in the same channel: common practice, no source.
SECOND = 0.05
#: Swapped leads and a loud neighbour show in two channels.
OF_TWO_CHANNELS = ("swapped", LOUD_NEIGHBOUR)
#: Of each search so many pairs are fitted, in so many steps; numerical.
FITTED, ROUNDS = 4, 2
#: A fault's amount is sought so far about the entry's (standard deviation of its logarithm) (our choice;
#: tests/benchmarks/naming_faults.py).
WIDE = 0.25
#: Where a good part would lie further from its nominal value than the edge of its tolerance (in standard deviations),
#: or the curves are this far from those of the fault (of what model and noise allow), a second fault is looked for ...
#: (our choice; tests/benchmarks/naming_faults.py)
FURTHEST, MISFIT = CUT_OFF_SIGMA + 0.5, 0.1
#: ... and with these a single fault explains nothing (our choice; tests/benchmarks/naming_faults.py).
TOO_FAR, NO_FIT = 2 * CUT_OFF_SIGMA, 1.0


@dataclass(frozen=True, eq=False)
class Pair:
    """Two faults that together explain a channel."""

    one: Ranked
    other: Ranked


def explains(fit: Explained, furthest: float = TOO_FAR, misfit: float = NO_FIT) -> bool:
    """Whether all good parts lie within their tolerances, and all curves near enough to those of the fault."""
    faults = 1 if fit.hypothesis.second is None else 2
    off = float(np.max(np.abs(fit.deviations[:-faults])))
    return off <= furthest and fit.misfit <= misfit * fit.there.size


def pair_of(scene: Scene, observed: Observed, single: Ranking, from_: float) -> Pair | None:
    """The two faults that explain what no single one does; None unless they are as probable as that.

    Parameters
    ----------
    scene, observed
    single : Ranking
        Of the single faults.
    from_ : float
        Each of the two, with those that cannot be told from it, must be this probable.
    """
    fine = noise_root(scene, observed)
    fitted = _fitted(scene, observed, fine, single.causes[0].best)
    best = max(fitted, key=lambda fit: fit.log_evidence)
    assert best.second is not None
    fitted += _fitted(scene, observed, fine, best.second, [_key(fit.hypothesis) for fit in fitted])
    logs = np.array([fit.log_evidence + _log_prior(scene, observed, fit) for fit in fitted])
    probabilities = np.exp(logs - np.logaddexp.reduce([*logs, single.log_total]))
    best = fitted[int(np.argmax(logs))]
    if not explains(best, FURTHEST, MISFIT):
        return None
    pair = _named(best, fitted, logs, probabilities)
    return pair if min(pair.one.probability, pair.other.probability) >= from_ else None


def _log_prior(scene: Scene, observed: Observed, fit: Explained) -> float:
    """Logarithm of how often a pair is made, and of how probable the signs are that were read."""
    often = float(np.log(fit.hypothesis.weight * SECOND)) + 2 * log_share(scene)
    return often + polarity_evidence.log_odds(scene, fit.hypothesis, fit.deviations, observed)


def _named(best: Explained, fitted: Sequence[Explained], logs: Floats, probabilities: Floats) -> Pair:
    assert best.second is not None
    sides = []
    for own, partner in ((best, best.second), (best.second, best)):
        cause, beside = own.hypothesis.cause, partner.hypothesis.cause
        alike = {
            next(iter(_key(fit.hypothesis) - {beside})): log
            for fit, log in sorted(zip(fitted, logs, strict=True), key=lambda one: one[1])
            if beside in _key(fit.hypothesis) and fit is not best and np.max(logs) - log < INDISTINGUISHABLE
        }
        same = tuple(sorted(alike, key=lambda one: -alike[one])[: LARGEST_GROUP - 1])
        probability = _of_any(probabilities, fitted, (cause, *same))
        sides.append(Ranked(cause, probability, own, own.amount, own.amount_u_relative, same))
    return Pair(*sides)


def _of_any(probabilities: Floats, fitted: Sequence[Explained], causes: Sequence[Cause]) -> float:
    return float(sum(p for p, fit in zip(probabilities, fitted, strict=True) if _key(fit.hypothesis) & {*causes}))


def _fitted(
    scene: Scene,
    observed: Observed,
    fine: Floats,
    first: Explained,
    known: Sequence[frozenset[Cause]] = (),
) -> list[Explained]:
    """The best pairs with a single fault, fitted; those that are known are left out."""
    near = _near(scene, observed, first, known)
    like = observed.asked
    return [
        explain(scene, h, like, observed.vector, under(scene, h, like, fine), start, rounds=ROUNDS) for h, start in near
    ]


def _near(
    scene: Scene, observed: Observed, first: Explained, known: Sequence[frozenset[Cause]]
) -> list[tuple[Hypothesis, Floats]]:
    """The pairs that leave the least of what was seen, with the best amount of each two causes."""
    # Coarse, as no point is to say much: of each value over good units, noise and model.
    root = under(scene, first.hypothesis, observed.asked, noise_root(scene, observed, COARSE))
    slopes = explain_slopes(scene, observed.asked)
    variance = np.sum(root**2, axis=1) + np.sum(slopes**2, axis=1)
    one = _wide(first.hypothesis)
    amount_at = np.log(first.amount / one.amount) / (one.amount_sigma or 1.0)
    found: list[tuple[float, Hypothesis, Floats]] = []
    for same in _by_cause(scene, first.hypothesis.cause):
        pair = both(one, same[0])
        if _key(pair) in known:
            continue
        # About good parts: what the one fault alone made of them is beside the point.
        deviations = np.zeros((len(same), deviations_of(scene, pair)))
        deviations[:, -2] = amount_at
        deviations[:, -1] = np.log([h.amount / same[0].amount for h in same]) / (same[0].amount_sigma or 1.0)
        residual = observed.vector - predicted(scene, pair, deviations, observed.asked)
        against = np.sum(np.minimum(residual**2 / variance, MOST_AGAINST), axis=1)
        n = int(np.argmin(against))
        found.append((float(against[n]), both(one, _wide(same[n])), np.append(deviations[n, :-1], 0.0)))
    return [(pair, start) for _, pair, start in sorted(found, key=lambda one: one[0])[:FITTED]]


def _wide(hypothesis: Hypothesis) -> Hypothesis:
    """An entry that reaches as far as its neighbours: of a pair one stands for all amounts about it."""
    return replace(hypothesis, amount_sigma=hypothesis.amount_sigma and max(hypothesis.amount_sigma, WIDE))


def _by_cause(scene: Scene, but: Cause) -> list[list[Hypothesis]]:
    """The dictionary's entries of each cause but one."""
    found: dict[Cause, list[Hypothesis]] = {}
    for hypothesis in dictionary(scene):
        if hypothesis.cause.kind not in OF_TWO_CHANNELS and hypothesis.cause != but:
            found.setdefault(hypothesis.cause, []).append(hypothesis)
    return list(found.values())


def _key(pair: Hypothesis) -> frozenset[Cause]:
    assert pair.second is not None
    return frozenset((pair.cause, pair.second.cause))
