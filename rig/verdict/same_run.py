"""Whether the captures of one run fit each other: what was heard is what was asked for, as far as samples can tell.

Each capture proves by itself that it holds the sweep that was asked for (`verdicts.capture_integrity`). Only side by
side do they show that one stands in another's place.
"""

import hashlib
from collections.abc import Mapping, Sequence

import numpy as np

from rig.values.captures import Capture
from rig.values.requests import Request, Sweep

#: Of the electrical reference's level for a volt that was asked for, within a run; common practice, no source: half the
#: step of 6 dB below which a quiet sweep is hardly quiet.
SAME_LEVEL_DB = 3.0
#: Part of a capture's samples above which only peaks of its sweep lie: the shortest sweep is a fifth of its capture;
#: our choice.
PEAKS = 0.995


def misplaced(captures: Mapping[Request, Capture]) -> dict[Request, str]:
    """Captures that cannot be what their request says, and why.

    Parameters
    ----------
    captures
        Those of a run that stand, and that their own samples say nothing against.
    """
    return _repeated(captures) | _of_another_level(captures)


def _repeated(captures: Mapping[Request, Capture]) -> dict[Request, str]:
    """Noise never repeats itself: equal samples are one capture under two names."""
    same: dict[bytes, list[Request]] = {}
    for request, capture in captures.items():
        same.setdefault(hashlib.sha256(np.ascontiguousarray(capture.samples).tobytes()).digest(), []).append(request)
    doubles = [requests for requests in same.values() if len(requests) > 1]
    return {
        request: f"holds the very samples of another capture ({next(one for one in requests if one is not request)})"
        for requests in doubles
        for request in requests
    }


def _of_another_level(captures: Mapping[Request, Capture]) -> dict[Request, str]:
    """The electrical copy of a sweep stands to the level that was asked for as it does in the run's other captures."""
    groups: dict[tuple[str, ...], dict[Sweep, float]] = {}
    for capture in captures.values():
        role = next((r for r in ("loopback", "drive") if capture.has(r) and r not in capture.other_clock), "")
        if role and not capture.request.is_silence:
            # At the leads the drive hangs on what is connected, which a soak may change.
            of = (role, capture.request.stage, capture.request.at) if role == "drive" else (role,)
            groups.setdefault(of, {})[capture.request] = _gain_db(capture, role)
    found: dict[Request, str] = {}
    for (role, *_), gains in groups.items():
        usual = float(np.median(list(gains.values())))
        for request, gain_db in gains.items():
            if abs(gain_db - usual) > SAME_LEVEL_DB:
                found[request] = (
                    f"{role}: {gain_db - usual:+.1f} dB from the level that was asked for, by the run's other captures"
                )
    return found


def _gain_db(capture: Capture, role: str) -> float:
    """Peak of the sweep at an input over the level at the output that was asked for, in dB of any reference."""
    row = capture.samples[capture.inputs.index(role)]
    peak = float(np.quantile(np.abs(row - np.median(row)), PEAKS))
    asked_v = capture.request.level_v / capture.request.path_gain
    return float(20 * np.log10(max(peak, 1e-12) / asked_v))


def with_misplaced(
    stands: Sequence[Capture], troubles: Mapping[Request, tuple[str, ...]]
) -> dict[Request, tuple[str, ...]]:
    """What speaks against each request once the captures that stand were laid side by side."""
    sound: dict[Request, Capture] = {capture.request: capture for capture in stands if not troubles[capture.request]}
    return {**troubles, **{request: (words,) for request, words in misplaced(sound).items()}}
