"""The hypotheses of one channel, ranked by their probability after a run."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from rig.circuit.channel import impedance_ohm
from rig.circuit.units import Floats
from rig.findings import polarity_evidence
from rig.findings.dictionary import Cause, Hypothesis, hypotheses_of, unchanged
from rig.findings.likelihood import Explained, explain, gaussian, linear_at_start, noise_root, under
from rig.findings.observed import Asked, Observed
from rig.findings.prediction import Scene, predicted
from rig.signals.smoothing import log_frequency_grid

#: Of units that fail: so many are good ones at the edge of their tolerances, so many have what no entry describes (our
#: choice; tests/benchmarks/naming_faults.py).
GOOD_PRIOR, UNKNOWN_PRIOR = 0.05, 0.10
#: Hypotheses that get a linearisation of their own, and those that are then fitted; numerical.
LOOKED_AT, FITTED = 30, 12
#: ... unless they lie behind the best by so much already (logarithm of the odds), in the coarse look or the sharp one;
#: numerical.
BEHIND, BEHIND_SHARP = 30.0, 100.0
#: A point of a curve says no more than this against a hypothesis that has not been fitted yet (squared sigmas) ...
#: (numerical)
MOST_AGAINST = 9.0
#: ... and model and noise are taken to be so many times worse, point by point; numerical.
COARSE = 4.0
ROUNDS = 2
#: A test between two causes that would be wrong more often than once in twenty does not tell them apart: two
#: Gaussians that lie d standard deviations apart are mistaken with Phi(-d / 2), and their evidences differ by d**2 / 2
#: (our choice; tests/benchmarks/naming_faults.py).
INDISTINGUISHABLE = 0.5 * (2 * 1.645) ** 2
#: A fault under which the measurements are hardly more probable than of a good unit (logarithm of the ratio) is none
#: that they show: it cannot be why they failed (our choice; tests/benchmarks/naming_faults.py).
MORE_THAN_GOOD = 1.0
#: ... and neither can one that explains less than this share of what the best one does (of that logarithm) (our
#: choice; tests/benchmarks/naming_faults.py).
SHARE_OF_BEST = 0.5
#: A level that is off by more than this (standard deviations over benches) is why a level failed (our choice;
#: tests/benchmarks/naming_faults.py).
LEVEL_SIGMAS = 0.5


@dataclass(frozen=True, eq=False)
class Ranked:
    """A cause with its probability, and its best fit."""

    cause: Cause
    probability: float
    best: Explained
    #: The fault's amount over all entries of this cause, weighted by their probability, and its relative standard
    #: uncertainty: large where very different amounts look alike.
    amount: float
    amount_u_relative: float
    #: Causes that what was measured cannot tell from this one.
    alike: tuple[Cause, ...] = ()


@dataclass(frozen=True, eq=False)
class Ranking:
    """What may be wrong with a channel; the probabilities and the two others sum to 1."""

    causes: tuple[Ranked, ...]
    #: Of a good unit at the edge of its tolerances, and of a fault that the dictionary does not hold.
    good: float
    unknown: float
    #: The fit of a good unit, whatever it is worth.
    as_good: Explained
    #: Logarithm of the density of what was observed under all hypotheses together, and under each cause alone.
    log_total: float
    log_evidence: dict[Cause, float]
    #: Logarithm of the probability of each cause before anything is measured.
    log_prior: dict[Cause, float]


@lru_cache(maxsize=16)
def dictionary(scene: Scene) -> tuple[Hypothesis, ...]:
    """All hypotheses of a channel, their weights summing to what good and unknown leave."""
    others = [name for name, *_ in scene.others]
    return tuple(hypotheses_of(scene.model, others, [name for name, *_, alike in scene.others if alike]))


@lru_cache(maxsize=16)
def good(channel: str) -> Hypothesis:
    """Nothing is wrong."""
    return Hypothesis(Cause("good", channel), unchanged)


@lru_cache(maxsize=32)
def expected(scene: Scene, like: Asked) -> Floats:
    """What each hypothesis of the dictionary expects of a nominal unit, shape (hypotheses, values)."""
    rows = []
    hypotheses = dictionary(scene)
    at = 0
    while at < len(hypotheses):
        # Entries of one cause differ in their amount alone: one evaluation serves them all.
        same = [h for h in hypotheses[at:] if h.cause == hypotheses[at].cause]
        deviations = np.zeros((len(same), scene.size))
        if same[0].amount_sigma:
            steps = np.log([h.amount / same[0].amount for h in same])
            deviations[:, -1] = steps / same[0].amount_sigma
        rows.append(predicted(scene, same[0], deviations, like))
        at += len(same)
    return np.vstack(rows)


def ranking(scene: Scene, observed: Observed, against_good: float = 0.0) -> Ranking:
    """Rank everything that can be wrong with a channel by what a run observed of it.

    `against_good` is what else speaks against a good unit: logarithm of a ratio of likelihoods.
    """
    like, vector = observed.asked, observed.vector
    coarse, fine = noise_root(scene, observed, COARSE), noise_root(scene, observed)
    healthy = good(scene.model.name)
    # In a coarse look what is left open of a good unit does for all.
    coarse = under(scene, healthy, like, coarse)
    near = [explain(scene, h, like, vector, coarse) for h in shortlist(scene, observed, coarse)]
    fitted = [
        explain(scene, h, like, vector, under(scene, h, like, fine), start, rounds=ROUNDS)
        for h, start in worth_fitting(scene, near, observed, fine)
    ]
    as_good = explain(scene, healthy, like, vector, under(scene, healthy, like, fine), rounds=ROUNDS + 1)
    wide = under(scene, healthy, like, noise_root(scene, observed, is_unknown=True))
    as_unknown = explain(scene, healthy, like, vector, wide).log_evidence
    as_good_log = as_good.log_evidence + polarity_evidence.log_odds(scene, healthy, as_good.deviations, observed)
    as_good_log -= against_good
    share = log_share(scene)
    logs: dict[Cause, float] = {}
    entries: dict[Cause, list[tuple[float, Explained]]] = {}
    for found, own in possible(scene, observed, fitted, as_good_log):
        own += np.log(found.hypothesis.weight) + share
        cause = found.hypothesis.cause
        logs[cause] = float(np.logaddexp(logs.get(cause, -np.inf), own))
        entries.setdefault(cause, []).append((own, found))
    others = (as_good_log + np.log(GOOD_PRIOR), as_unknown + np.log(UNKNOWN_PRIOR) + unknown_signs(observed))
    log_total = float(np.logaddexp.reduce([*logs.values(), *others]))
    ranked = [ranked_of(cause, float(np.exp(log - log_total)), entries[cause]) for cause, log in logs.items()]
    ranked.sort(key=lambda one: one.probability, reverse=True)
    return Ranking(
        tuple(ranked),
        float(np.exp(others[0] - log_total)),
        float(np.exp(others[1] - log_total)),
        as_good,
        log_total,
        logs,
        log_priors(scene),
    )


def possible(
    scene: Scene, observed: Observed, fitted: Sequence[Explained], as_good_log: float
) -> list[tuple[Explained, float]]:
    """The hypotheses that can be why a measurement failed, each with its evidence, the signs counted."""
    logs = [
        fit.log_evidence + polarity_evidence.log_odds(scene, fit.hypothesis, fit.deviations, observed) for fit in fitted
    ]
    least = as_good_log + max(MORE_THAN_GOOD, SHARE_OF_BEST * (max(logs) - as_good_log))
    return [(fit, log) for fit, log in zip(fitted, logs, strict=True) if log >= least]


def with_level(scene: Scene, ranked: Ranking) -> Ranking:
    """The ranking of a channel of which only the level failed.

    What bench and parts leave of a level is in the spread of every hypothesis. Where one has to stretch it, a good unit
    or a fault that hardly shows, it is the level that explains the failure: the channel is too quiet or too loud.
    """
    gain_sigma_db = scene.gain_sigma_db
    level_db, u_db = (gain_sigma_db * float(of[-2]) for of in (ranked.as_good.deviations, ranked.as_good.deviations_u))
    if abs(level_db) < LEVEL_SIGMAS * gain_sigma_db:
        return ranked
    cause = Cause("gain", ranked.as_good.hypothesis.cause.channel)
    by_level = [one for one in ranked.causes if one.cause == cause or abs(one.best.deviations[-2]) > LEVEL_SIGMAS]
    # Without the bench's spread as a prior, which would draw it towards nothing.
    shrinkage = max(1 - (u_db / gain_sigma_db) ** 2, 1e-3)
    amount, u_relative = float(10 ** (level_db / shrinkage / 20)), u_db / shrinkage**0.5 * float(np.log(10)) / 20
    own = Ranked(cause, ranked.good, ranked.as_good, amount, u_relative)
    best = max([own, *(one for one in by_level if one.cause == cause)], key=lambda one: one.probability)
    gain = replace(best, probability=ranked.good + sum(one.probability for one in by_level))
    causes = sorted([gain, *(one for one in ranked.causes if one not in by_level)], key=lambda one: -one.probability)
    return replace(ranked, causes=tuple(causes), good=0.0)


def worth_fitting(
    scene: Scene, near: Sequence[Explained], observed: Observed, fine: Floats
) -> list[tuple[Hypothesis, Floats]]:
    """The best of the coarse look, and of a sharp one at the same linearisations.

    Where a fault is large the linearisation is far off, and only the coarse look is fair. Where it is small the
    linearisation is good, and in the coarse look all that is small is alike.
    """
    sharp = [_again(scene, observed, found, observed.vector, fine) for found in near]
    picked: list[int] = []
    for looks, behind in ((near, BEHIND), (sharp, BEHIND_SHARP)):
        logs = np.array([look.log_evidence + np.log(look.hypothesis.weight) for look in looks])
        order = [int(i) for i in np.argsort(-logs) if logs[i] > np.max(logs) - behind]
        picked += order[: FITTED // 2]
    return [(near[i].hypothesis, near[i].deviations) for i in dict.fromkeys(picked)]


def ranked_of(cause: Cause, probability: float, entries: Sequence[tuple[float, Explained]]) -> Ranked:
    """A cause out of its entries in the dictionary, each with the logarithm of its probability (up to a constant)."""
    best = max(entries, key=lambda entry: entry[0])
    share = np.exp([log - best[0] for log, _ in entries])
    share /= share.sum()
    logs = np.log([entry.amount for _, entry in entries])
    own = np.array([entry.amount_u_relative for _, entry in entries])
    mean = share @ logs
    # Mean and variance of a mixture of normal distributions.
    spread = np.sqrt(share @ (own**2 + (logs - mean) ** 2))
    return Ranked(cause, probability, best[1], float(np.exp(mean)), float(spread))


@lru_cache(maxsize=16)
def log_share(scene: Scene) -> float:
    """Logarithm of the prior probability that one unit of weight in the dictionary stands for."""
    return float(np.log((1 - GOOD_PRIOR - UNKNOWN_PRIOR) / sum(h.weight for h in dictionary(scene))))


@lru_cache(maxsize=16)
def log_priors(scene: Scene) -> dict[Cause, float]:
    """Logarithm of the prior probability of each cause; not to be changed."""
    weights: dict[Cause, float] = {}
    for h in dictionary(scene):
        weights[h.cause] = weights.get(h.cause, 0.0) + h.weight
    return {cause: float(np.log(weight)) + log_share(scene) for cause, weight in weights.items()}


def unknown_signs(observed: Observed) -> float:
    """Logarithm of the probability of the signs when nothing is known: each of three answers alike."""
    return -len(observed.signs) * float(np.log(3)) if any(observed.signs.values()) else 0.0


def shortlist(scene: Scene, observed: Observed, coarse: Floats) -> list[Hypothesis]:
    """The hypotheses that are worth a linearisation of their own.

    By two measures: one with the covariance of good units, which is right for small faults, and one that lets no point
    of a curve say much, which is right where a fault makes the spread another one.
    """
    like = observed.asked
    hypotheses = dictionary(scene)
    residual = observed.vector - expected(scene, like)
    slopes = explain_slopes(scene, like)
    noise = coarse @ coarse.T
    whole = noise + slopes @ slopes.T
    linear = np.linalg.solve(np.linalg.cholesky(whole), residual.T)
    strict = np.sum(linear**2, axis=0)
    lenient = np.sum(np.minimum(residual**2 / np.diag(whole), MOST_AGAINST), axis=1)
    half = LOOKED_AT // 2
    picked = [*np.argsort(strict)[:half], *np.argsort(lenient)]
    return [hypotheses[i] for i in dict.fromkeys(int(i) for i in picked)][:LOOKED_AT]


def explain_slopes(scene: Scene, like: Asked) -> Floats:
    """Slopes of a good unit's values, shape (values, deviations)."""
    return linear_at_start(scene, good(scene.model.name), like)[1]


def alike_with(scene: Scene, observed: Observed, one: Ranked, others: Sequence[Ranked], root: Floats) -> Ranked:
    """A ranked cause with those that the measurements made cannot tell from it.

    What a unit with the first fault would show without noise is explained by the other: the difference of the two
    evidences is what one run tells on the average. The signs that were read count as they were.
    """
    vector = predicted(scene, one.best.hypothesis, one.best.deviations[np.newaxis], observed.asked)[0]

    def evidence(fit: Explained) -> float:
        signs = polarity_evidence.log_odds(scene, fit.hypothesis, fit.deviations, observed)
        return _again(scene, observed, fit, vector, root).log_evidence + signs

    own = evidence(one.best)
    alike = [other.cause for other in others if other is not one and own - evidence(other.best) < INDISTINGUISHABLE]
    return replace(one, alike=tuple(alike))


def _again(scene: Scene, observed: Observed, fit: Explained, vector: Floats, root: Floats) -> Explained:
    """A hypothesis for other values or another noise, at the linearisation that it has."""
    root = under(scene, fit.hypothesis, observed.asked, root)
    return gaussian(fit.hypothesis, vector, fit.at, fit.there, fit.slopes, root)


def leading_nowhere(scene: Scene, lowest_ohm: float) -> list[Cause]:
    """Single faults with which the impedance at the leads stays above this at all frequencies, likeliest first."""
    hertz = log_frequency_grid(20.0, 20000.0, 12)
    found = []
    for hypothesis in dictionary(scene):
        if not hypothesis.amount_sigma:
            ohm = impedance_ohm(hypothesis.change(scene.model, hypothesis.amount), hertz)
            if float(np.min(np.abs(ohm))) > lowest_ohm:
                found.append(hypothesis)
    return [hypothesis.cause for hypothesis in sorted(found, key=lambda h: -h.weight)]
