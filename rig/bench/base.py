"""What every bench offers, and the errors that all benches share."""

from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import AbstractContextManager
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from rig.signals import marks
from rig.signals.stimulus import Layout
from rig.values.captures import Capture
from rig.values.logs import Row
from rig.values.requests import Programme, Request, Stage, Sweep

#: A capture goes on so long beyond the stimulus's last mark: the longest delay that the equipment may have; our choice.
LONGEST_DELAY_S = 0.2
#: Once a cable has shown the delay of an open stream, so much longer than that: the way through the air, and lost or
#: inserted samples, which must still show; our choice.
MORE_DELAY_S = 0.06
#: The delay is believed where the stimulus stands out so much; noise alone reaches five (`rig.signals.marks`); our
#: choice.
SURE_OF_DELAY = 30.0
#: Where the microphone is a device of its own, whose frames are matched by the time of day: so much more of it is kept
#: before the stimulus, and so much beyond its mark, which is still short of the next stimulus's mark with the longer
#: silences that no run has spaced (`rig.signals.silences`); our choice.
OWN_DEVICE_EARLY_S = 0.1
OWN_DEVICE_DELAY_S = 0.35


def capture_frames(plan: Layout, has_own_microphone: bool, delay_s: float = LONGEST_DELAY_S) -> int:
    """Frames of a capture of a stimulus, on a bench whose delay is no longer."""
    delay_s = OWN_DEVICE_DELAY_S if has_own_microphone else delay_s
    return max(plan.frames, plan.frames - plan.rest + round(delay_s * plan.sample_rate_hz))


def cable_role(roles: Sequence[str]) -> str | None:
    """The input whose cable tells how late a stream is, if there is one."""
    return next((role for role in ("loopback", "drive") if role in roles), None)


def delay_frames(row: NDArray[np.float32], plan: Layout, longest: int) -> float | None:
    """Samples by which a stimulus came late through a cable, where both its marks say so; None: not known."""
    late, strength = marks.arrival(row, plan, longest / plan.sample_rate_hz)
    timing = marks.timing_of(row.astype(np.float64), plan, late) if strength > SURE_OF_DELAY else None
    return timing.delay if timing and abs(timing.shift) < 1 else None


def allowed_delay_s(delay_s: float | None) -> float:
    """How long a delay captures must allow for once a cable has told that of their stream; the longest if none has."""
    return LONGEST_DELAY_S if delay_s is None else min(LONGEST_DELAY_S, delay_s + MORE_DELAY_S)


#: What is to sound behind what sounds; nothing, if that is not known by then.
Then = Callable[[], Sequence[Sweep]]


class BenchEnds(Exception):
    """The bench gives no more, as intended; the message says why. What is not measured by then is void."""


class Player(Protocol):
    """A stage of the bench with its stream open."""

    def play(self, requests: Sequence[Sweep], then: Then | None = None) -> Iterator[Capture]:
        """Play the requests in order without a gap; yield each capture as soon as it is complete.

        While the caller works on a capture the next one is already sounding. `then` may be asked once, shortly before
        the last of the requests ends, for what comes right behind it; or not at all, where that would come too late.
        """
        ...

    def soak(self, programme: Programme, from_s: float = 0.0) -> Generator[Row, None, None]:
        """Play a programme from some second of it on (after an interruption), yielding a row every `every_s`.

        Closing the iterator ramps the output to silence within a tenth of a second; so does its end, an error, and the
        end of the process by whatever cause. A caller that does not come back for the next row in time has the same
        effect.
        """
        ...


class Bench(Protocol):
    """The equipment: sound card, simulated unit, or archive."""

    def describe(self) -> dict[str, object]:
        """Equipment, identities and settings for the record (plain JSON values)."""
        ...

    def refuse(self, requests: Sequence[Request]) -> None:
        """Refuse, before anything sounds, what this bench could not do later.

        Raises
        ------
        BenchSetupError
            Naming what is missing in bench.toml.
        BenchError
            Naming what is missing on the bench.
        """
        ...

    def session(self) -> AbstractContextManager[object]:
        """Hold the equipment for a whole run, so that nothing has to be opened between its stages."""
        ...

    def stage(self, name: Stage) -> AbstractContextManager[Player]:
        """Open the bench for one stage; on leaving, the output is silent."""
        ...
