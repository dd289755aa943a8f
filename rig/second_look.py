"""A second look: what to make of several captures of one request, when the first gave a doubtful verdict.

Nothing is ever averaged. Two captures that agree within their noise stand, and so does the verdict of the first. When
they differ a third one tells which is the odd one; a sound from outside disturbed that one, and the others stand. A
difference that follows the signal itself is a contact that comes and goes: then nothing is proved.
"""

from collections.abc import Sequence
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from rig.clocks import on_playing_clock
from rig.judge import Verdict
from rig.readings import Capture
from rig.responses import sweep_layout
from rig.signals import looks, two_clocks
from rig.uncertainty import of_the_capture

Samples = NDArray[np.float32]

INTERMITTENT = "looks that differ by a part of the signal itself: a contact comes and goes"
RESTLESS = "no two of three looks agree: the room is not quiet, or something is loose"
#: A reading nearer to its limit than so many standard uncertainties is doubtful.
NEAR = 2.0


def is_doubtful(verdicts: Sequence[Verdict]) -> bool:
    """Whether a second look is worth its time.

    Something fails, lies nearer to its limit than can be told, or could not be told for noise. Only what differs from
    capture to capture counts: another look is no better calibrated.
    """
    return any(
        v.outcome == "fail" or v.may_pass or v.margin < NEAR * of_the_capture(v.parts, v.uncertainty) for v in verdicts
    )


def agree(one: Capture, other: Capture) -> bool:
    """Whether two captures of one request are the same within their noise, on every input."""
    layout = sweep_layout(one)
    if one.samples.shape != other.samples.shape:
        return False
    return not any(
        looks.pieces_that_differ(a, b, layout.silence, one.sample_rate_hz).any() for a, b in _rows_of(one, other)
    )


def choose(captures: Sequence[Capture]) -> tuple[Capture, str]:
    """The capture that stands, and what speaks against it (empty: nothing)."""
    first, second = captures[0], captures[1]
    if agree(first, second):
        return first, ""
    if len(captures) < 3:
        return first, RESTLESS
    for a, b in combinations(range(3), 2):
        if agree(captures[a], captures[b]):
            odd = captures[3 - a - b]
            return captures[a], INTERMITTENT if _follows(odd, captures[a]) else ""
    return first, RESTLESS


def standing(attempts: Sequence[tuple[Capture, tuple[str, ...]]]) -> tuple[Capture, tuple[str, ...]]:
    """The capture of one request that stands after all its attempts, and what speaks against it.

    Each attempt comes with what its own samples say against it. Of several that nothing is said against, `choose`
    decides; where the last one was still disturbed, nothing stands.
    """
    last, troubles = attempts[-1]
    looks = sound_looks(attempts)
    if troubles or len(looks) < 2:
        return last, troubles
    capture, trouble = choose(looks)
    return capture, (trouble,) if trouble else ()


def sound_looks(attempts: Sequence[tuple[Capture, tuple[str, ...]]]) -> list[Capture]:
    """The attempts at one request that their own samples say nothing against."""
    return [capture for capture, troubles in attempts if not troubles]


def _follows(odd: Capture, clean: Capture) -> bool:
    loudest = max(_rows_of(odd, clean), key=lambda pair: float(np.sum((pair[0] - pair[1]).astype(np.float64) ** 2)))
    return looks.follows_the_signal(loudest[0], loudest[1], odd.sample_rate_hz)


def _rows_of(one: Capture, other: Capture) -> list[tuple[Samples, Samples]]:
    """Rows of two captures, input by input; on a clock of its own the first is laid over the other."""
    moves = () if one.request.is_silence else one.other_clock
    pairs = []
    for role, a, b in zip(one.inputs, on_playing_clock(one).samples, on_playing_clock(other).samples, strict=True):
        pairs.append((two_clocks.laid_over(a, b).astype(np.float32) if role in moves else a, b))
    return pairs
