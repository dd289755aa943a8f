"""A second look: what to make of several captures of one request, when the first gave a doubtful verdict.

Nothing is ever averaged. What stands agrees with another capture within their noise. When two differ a third one tells
which is the odd one; a sound from outside disturbed that one, and the others stand. Where no two agree, or all that do
are too noisy to judge, somebody talks or a lorry passes: it is looked again until it is quiet, `MOST_LOOKS` times at
most. A difference that follows the signal itself is a contact that comes and goes: then nothing is proved. Looks that
agree by their energy may still differ in what a check finds in them: it reads all of them (`examine.examine_looks`).
"""

from collections.abc import Iterable, Mapping, Sequence
from itertools import combinations
from typing import TypeVar

import numpy as np

from rig.design.uncertainty_budget import of_the_capture
from rig.signals import recording_difference, two_clocks
from rig.signals.arrays import Singles
from rig.values.captures import Capture, once_per_capture
from rig.values.requests import Request
from rig.values.verdicts import Verdict
from rig.verdict.clocks import on_playing_clock
from rig.verdict.responses import heard_silence, quiet_part

T = TypeVar("T")
#: A capture with what its own samples say against it.
CheckedCapture = tuple[Capture, tuple[str, ...]]
#: Stage, place and input -> mean square.
QuietNoises = dict[tuple[str, str, str], float]

INTERMITTENT = "looks that differ by a part of the signal itself: a contact comes and goes"
RESTLESS = "no two looks agree: a noise from outside, or something is loose; wait for quiet, then measure again"
#: A reading nearer to its limit than so many standard uncertainties is doubtful; our choice.
NEAR = 2.0
#: Captures of one request, the first included: with sweeps of 1.5 s enough for a lorry of 10 s to pass; our choice.
MOST_LOOKS = 6


def is_doubtful(verdicts: Sequence[Verdict]) -> bool:
    """Whether a second look is worth its time.

    Something fails, lies nearer to its limit than can be told, or could not be told for noise. Only what differs from
    capture to capture counts: another look is no better calibrated.
    """
    return any(
        v.outcome == "fail" or v.may_pass or v.margin < NEAR * of_the_capture(v.parts, v.uncertainty) for v in verdicts
    )


def quietest_noises(captures: Iterable[Capture]) -> QuietNoises:
    """Mean square of the noise at each place and input, at the quietest moment of some captures.

    Two looks at a lorry agree with each other as two looks at silence do; what was heard there before or after tells.
    """
    least: QuietNoises = {}
    for capture in captures:
        for role, noise in zip(capture.inputs, _noises_of(capture), strict=True):
            place = (capture.request.stage, capture.request.at, role)
            least[place] = min(noise, least.get(place, noise))
    return least


@once_per_capture
def _noises_of(capture: Capture) -> tuple[float, ...]:
    is_silence = capture.request.is_silence
    silences = [quiet_part(capture) if is_silence else heard_silence(capture, role) for role in capture.inputs]
    return tuple(
        recording_difference.steady_noise(row[silence], capture.sample_rate_hz)
        for row, silence in zip(capture.samples, silences, strict=True)
    )


def agree(one: Capture, other: Capture, quiet: QuietNoises) -> bool:
    """Whether two captures of one request are the same on every input, within the noise of the quietest moment there.

    A noise that they caught in their own silence already must not excuse what it did to the sweep.
    """
    if one.samples.shape != other.samples.shape:
        return False
    place = (one.request.stage, one.request.at)
    return not any(
        recording_difference.pieces_that_differ(found, quiet[*place, role]).any()
        for found, role in zip(_differences(one, other), one.inputs, strict=True)
    )


def choose(captures: Sequence[Capture], others: Iterable[Capture] = ()) -> tuple[tuple[Capture, ...], str]:
    """The captures that stand of several of one request, and what speaks against them (empty: nothing).

    `others` are captures of the same run, of which those at the same place tell how quiet it can be there.
    All that agree stand, the one with the least noise first, of two the first. Where two pairs agree, but not with each
    other, something changed for good: then nothing is proved either.
    """
    groups: list[set[int]] = []
    quiet = quietest_noises((*captures, *others))
    for a, b in combinations(range(len(captures)), 2):
        if agree(captures[a], captures[b], quiet):
            joined = {a, b}.union(*(group for group in groups if group & {a, b}))
            groups = [group for group in groups if not group & {a, b}] + [joined]
    if len(groups) != 1:
        return (captures[0],), RESTLESS
    alike = sorted(groups[0])
    noise = dict.fromkeys(alike, 0.0)
    for a, b in combinations(alike, 2):
        raised = sum(found.raised for found in _differences(captures[a], captures[b]))
        noise[a], noise[b] = noise[a] + raised, noise[b] + raised
    stands = tuple(captures[n] for n in sorted(alike, key=noise.__getitem__))
    # In silence there is no signal to follow.
    odd = [each for n, each in enumerate(captures) if n not in alike and not each.request.is_silence]
    return stands, INTERMITTENT if any(_follows(each, stands[0]) for each in odd) else ""


@once_per_capture
def _differences(one: Capture, other: Capture) -> tuple[recording_difference.Difference, ...]:
    """Input by input; found once for each two captures, however often it is chosen among more of them."""
    return tuple(recording_difference.difference(a, b, one.sample_rate_hz) for a, b in _rows_of(one, other))


def standing(
    attempts: Sequence[CheckedCapture], all_captures: Sequence[CheckedCapture] = ()
) -> tuple[tuple[Capture, ...], tuple[str, ...]]:
    """The captures of one request that stand after all its attempts, and what speaks against them.

    Each attempt comes with what its own samples say against it, and so do `all_captures` of the run. Of several
    attempts that nothing is said against, `choose` decides; where the last one was still disturbed, nothing stands.
    """
    last, troubles = attempts[-1]
    looks = sound_looks(attempts)
    if troubles or len(looks) < 2:
        return (last,), troubles
    captures, trouble = choose(looks, sound_looks(all_captures))
    return captures, (trouble,) if trouble else ()


def rounds(looks: Mapping[Request, Sequence[T]]) -> list[dict[Request, T]]:
    """One of the captures that stand of each request; as many times as the most looked-at of them has.

    In the first round are those that stand first, and of what has fewer looks the first stands in for the rest.
    """
    most = max(map(len, looks.values()), default=0)
    return [{of: found[n if n < len(found) else 0] for of, found in looks.items()} for n in range(most)]


def needs_another(attempts: Sequence[CheckedCapture], troubles: tuple[str, ...]) -> bool:
    """Whether a doubtful request must be looked at again, by its attempts and what speaks against what stands.

    No look more mends a contact that comes and goes.
    """
    return len(sound_looks(attempts)) < 2 or bool(troubles and troubles != (INTERMITTENT,))


def is_settled(troubles: tuple[str, ...]) -> bool:
    """Whether what stands of a request can be read at all: not where its looks contradict each other."""
    return not {RESTLESS, INTERMITTENT}.intersection(troubles)


def sound_looks(attempts: Sequence[CheckedCapture]) -> list[Capture]:
    """The attempts at one request that their own samples say nothing against."""
    return [capture for capture, troubles in attempts if not troubles]


def _follows(odd: Capture, clean: Capture) -> bool:
    loudest = max(_rows_of(odd, clean), key=lambda pair: float(np.sum((pair[0] - pair[1]).astype(np.float64) ** 2)))
    return recording_difference.follows_the_signal(loudest[0], loudest[1], odd.sample_rate_hz)


def _rows_of(one: Capture, other: Capture) -> list[tuple[Singles, Singles]]:
    """Rows of two captures, input by input, without what is still heard of what sounded before them.

    On a clock of its own the first is laid over the other.
    """
    if one.request.is_silence:
        silences = (each.samples[:, quiet_part(each)] for each in (one, other))
        return list(zip(*silences, strict=True))
    moves, pairs = one.other_clock, []
    for role, a, b in zip(one.inputs, on_playing_clock(one).samples, on_playing_clock(other).samples, strict=True):
        first = max(heard_silence(each, role).start for each in (one, other))
        laid = two_clocks.laid_over(a, b).astype(np.float32) if role in moves else a
        last = min(laid.size, b.size)
        pairs.append((laid[first:last], b[first:last]))
    return pairs
