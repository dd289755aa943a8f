"""How much silence is left about sweeps: as much as their readings and the room ask for, and no more."""

from collections.abc import Iterable
from dataclasses import replace

from rig.signals.decay import decayed_s
from rig.signals.silences import Spacing
from rig.values.captures import Capture, Untrusted
from rig.values.requests import AT_LEADS, Sweep
from rig.verdict.responses import acoustic_response

#: No room answers at the leads; the silence is five periods of the sweep's first frequency there; our choice.
LEADS = Spacing(silence_s=0.25, pause_s=0.03, tail_s=0.1, rest_s=0.05)
#: In a room that nothing is known of; our choice.
PLAYING = Spacing(silence_s=0.25, pause_s=0.1, tail_s=0.3, rest_s=0.05)
#: Quiet sweeps are read behind a gate, and what they are held against is far louder than their noise (our choice;
#: tests/benchmarks/bench_faults.py).
PING = Spacing(silence_s=0.15, pause_s=0.05, tail_s=0.2, rest_s=0.05)
#: The marks about a silence are all that is measured against what lies before them; our choice.
SILENCE = Spacing(silence_s=0.15, pause_s=0.02, tail_s=0.3, rest_s=0.05)

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
