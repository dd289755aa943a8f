"""The room before a run: what its noise will hide of the first box, from what the microphone hears of it now."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rig.bench_check.loudness import RoomNoise, room_noise
from rig.run.verify import Job
from rig.values.captures import Calibration, Capture
from rig.values.requests import Sweep
from rig.verdict.check import foretold

#: The silence whose capture is made of what was heard takes so long; our choice.
SILENCE_S = 1.0


@dataclass(frozen=True, eq=False)
class RoomBefore:
    """A room's noise beside what the kit bears, and what the checks say of it, in words."""

    noise: RoomNoise
    foretold: tuple[str, ...]


def room_before(
    work: Job, microphone: NDArray[np.float32], sample_rate_hz: float, calibration: Calibration
) -> RoomBefore | None:
    """What the noise at the first box means for a run; None: the plan plays nothing, or the microphone tells no level.

    Parameters
    ----------
    microphone : shape (frames,), two seconds or more of nothing but the room
    """
    first, place = work.kit.channels[0].name, work.kit.positions[0].name
    silence = replace(work.kit.silence(first, place, SILENCE_S), marks=None)
    asked = [one for one in work.schedule.requests if isinstance(one, Sweep) and one.stage == "playing"]
    asked = [one for one in asked if one.at == first == one.channel and one.position == place and not one.is_silence]
    if not asked or not calibration.microphone_v_per_pa:
        return None
    capture = Capture(silence, microphone[np.newaxis], ("microphone",), sample_rate_hz, calibration)
    noise = room_noise(work.kit, capture, max(asked, key=lambda one: one.level_v))
    return RoomBefore(noise, tuple(foretold(work.checks, asked, [capture], work.kit)))
