"""How much silence is left about sweeps: as much as their readings and the room ask for, and no more."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace
from itertools import pairwise

from rig.signals.decay import decayed_s
from rig.signals.silences import MARK_PEAK, Spacing
from rig.signals.stimulus import mark_band_hz
from rig.values.captures import Capture, Untrusted
from rig.values.requests import AT_LEADS, Sweep
from rig.verdict.responses import acoustic_response

# The rest must be longer than a card's latency, or the last mark arrives in the silence of what comes next.

#: No room answers at the leads; mains hum is told there from half a second (`rig.signals.quiet`); our choice.
LEADS = Spacing(silence_s=0.5, pause_s=0.03, tail_s=0.1, rest_s=0.05)
#: In a room that nothing is known of. What half the pause leaves of the mark's room raises the evidence of impulses in
#: good units (our choice; tests/benchmarks/shorter_silences.py).
PLAYING = Spacing(silence_s=0.25, pause_s=0.1, tail_s=0.3, rest_s=0.05)
#: Quiet sweeps are read behind a gate, and what they are held against is far louder than their noise (our choice;
#: tests/benchmarks/bench_faults.py).
PING = Spacing(silence_s=0.15, pause_s=0.05, tail_s=0.2, rest_s=0.05)
#: Nothing is measured against what lies before the marks about a silence; our choice.
SILENCE = Spacing(silence_s=0.15, pause_s=0.0, tail_s=0.3, rest_s=0.05, marks=0.0)

#: Marks that are still weaker, to be no louder than a quiet sweep, drown in what the sweep leaves in the room; our
#: choice.
LEAST_MARK_PEAK = 0.05

#: What comes later than a sweep's tail may be so much weaker than all that comes: 0.004 dB of a level; our choice.
TAIL_DB = 30.0
#: However dead the room is; and the longest that a quiet sweep can tell, whose own tail is little longer; our choice.
SHORTEST_TAIL_S, LONGEST_SEEN_S = 0.15, 0.15


def spaced(request: Sweep, is_gate: bool) -> Sweep:
    """A sweep of a run with its silences, before anything is known of the room; a gate at a microphone is a ping."""
    if request.stage in AT_LEADS:
        return replace(request, spacing=LEADS)
    if request.marks:
        return replace(request, spacing=SILENCE)
    return replace(request, spacing=PING if is_gate else PLAYING)


def in_a_row(quiet: Sequence[Sweep], others: Sequence[Sweep]) -> tuple[tuple[Sweep, ...], tuple[Sweep, ...]]:
    """The quiet sweeps of a run at one place and what comes after them, so that what can share a mark does.

    The marks about a silence are as loud as a quiet sweep at most, and so may all be that it can share them with.
    """
    silence = next((request for request in others if request.is_silence), None)
    if silence is None or not quiet:
        return tuple(quiet), tuple(others)
    *first, last = (_with_marks_of(silence, request) for request in quiet)
    rest = [joined(last, silence) if request is silence else _with_marks_of(silence, request) for request in others]
    return (*first, last), tuple(rest)


def _with_marks_of(silence: Sweep, request: Sweep) -> Sweep:
    """A sweep with marks as those about a silence, where it may have such."""
    if request.spacing is None or request.is_silence or not silence.marks or request.channel != silence.channel:
        return request
    peak = MARK_PEAK * silence.marks.level_v / request.level_v
    is_alike = mark_band_hz(request.start_hz, request.stop_hz) == (silence.marks.low_hz, silence.marks.high_hz)
    if not is_alike or not LEAST_MARK_PEAK <= peak <= 1 + 1e-9:
        return request
    return replace(request, spacing=replace(request.spacing, mark_peak=min(peak, 1.0)))


def joined(before: Sweep, request: Sweep) -> Sweep:
    """What comes right behind a sweep or silence of the same outputs, sharing its mark if they have the same.

    No sweep is joined to a sweep: its silence would be what the room still answers to the other.
    """
    if before.spacing is None or request.spacing is None or before.channel != request.channel:
        return request
    if not (before.is_silence or request.is_silence):
        return request
    is_same = mark_band_hz(*request.limits_hz) == mark_band_hz(*before.limits_hz)
    peak_v, its_peak_v = request.peak_v * request.spacing.mark_peak, before.peak_v * before.spacing.mark_peak
    is_same = is_same and math.isclose(peak_v, its_peak_v, rel_tol=1e-6)
    return replace(request, spacing=replace(request.spacing, joined=is_same))


def tail_s(pings: Iterable[Capture]) -> float:
    """The tail that a sweep needs in a room, by quiet sweeps in it; as long as in any room where these do not tell."""
    longest = 0.0
    for ping in pings:
        try:
            found = acoustic_response(ping)
        except Untrusted:
            return PLAYING.tail_s
        decayed = decayed_s(found.impulse, found.sample_rate_hz, found.arrival_s, TAIL_DB)
        if not decayed <= LONGEST_SEEN_S:
            return PLAYING.tail_s
        longest = max(longest, decayed)
    return SHORTEST_TAIL_S if longest else PLAYING.tail_s


def in_room(request: Sweep, tail: float) -> Sweep:
    """A sweep of a run with a tail as long as the room asks for."""
    if request.spacing is None or request.stage in AT_LEADS or request.is_silence:
        return request
    return replace(request, spacing=replace(request.spacing, tail_s=tail))


def sounded_s(captures: Sequence[Capture]) -> float:
    """What the captures of a run take, of those that share a mark and the silence about it once."""
    total_s = sum(capture.layout.total_s for capture in captures)
    for before, capture in pairwise(captures):
        if capture.request.spacing and capture.request.spacing.joined:
            plan = capture.layout
            total_s -= (before.layout.rest + plan.mark_frames + plan.mark_before) / capture.sample_rate_hz
    return total_s
