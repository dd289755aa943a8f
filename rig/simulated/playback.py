"""A stage of the simulated bench while it is open: what sounds, in the time that it takes or without waiting for it."""

import time
from collections import deque
from collections.abc import Callable, Generator, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np

from rig.bench.base import Then
from rig.files.errors import BenchError
from rig.simulated.heat_log import rows_of
from rig.simulated.heat_network import copper_ratio
from rig.simulated.heat_unit import HeatedUnit
from rig.simulated.unit import Unit
from rig.values.captures import Capture
from rig.values.logs import Row
from rig.values.requests import Programme, Stage, Sweep


class SimulatedPlayer:
    """The simulated bench with a stage open.

    Parameters
    ----------
    stage : the stage
    play_one : plays a sweep in this stage's stream
    heated : the unit that a programme warms up
    faster : how many times faster than the clock a sound passes; infinite: nobody waits
    doubts : of the bench's calibration; they go with every row
    """

    def __init__(
        self,
        stage: Stage,
        play_one: Callable[[Sweep], Capture],
        heated: Callable[[], HeatedUnit],
        faster: float,
        doubts: Mapping[str, str],
    ) -> None:
        self._stage = stage
        self._play_one = play_one
        self._heated = heated
        self._faster = faster
        self._doubts = doubts

    def play(self, requests: Sequence[Sweep], then: Then | None = None) -> Iterator[Capture]:
        """Play the requests in order, one sounding after the other whatever the caller does meanwhile.

        What `then` gives before the last one is there comes right behind it.

        Raises
        ------
        BenchError
            If a request is of another stage, is louder than the card can play, or the device is gone.
        """
        began_s, sound_s = time.monotonic(), 0.0
        waiting = deque(requests)
        while waiting:
            request = waiting.popleft()
            self._refuse_other_stage(request)
            capture = self._play_one(request)
            if then and not waiting:
                asked, then = then, None
                waiting.extend(asked())
            sound_s += capture.samples.shape[1] / capture.sample_rate_hz
            _wait_until(began_s + sound_s / self._faster)
            yield capture

    def soak(self, programme: Programme, from_s: float = 0.0) -> Generator[Row, None, None]:
        """Rows of a programme on the unit, which stays as warm as it gets.

        Raises
        ------
        BenchError
            If the programme is of another stage, or watches what the simulated unit has not.
        """
        self._refuse_other_stage(programme)
        began_s, began_at = time.monotonic(), datetime.now().astimezone()
        try:
            for row in rows_of(self._heated(), programme, from_s):
                passed_s = row.seconds - from_s
                _wait_until(began_s + passed_s / self._faster)
                clock = began_at + timedelta(seconds=passed_s)
                yield replace(row, clock=clock.isoformat(timespec="seconds"), doubts=self._doubts)
        except ValueError as error:
            raise BenchError(f"the simulated bench: {error}") from None

    def _refuse_other_stage(self, request: Sweep | Programme) -> None:
        if request.stage != self._stage:
            raise BenchError(f"{request}: asked for in the stage {self._stage!r}; its stage is {request.stage!r}")


def as_warm_as(heated: HeatedUnit) -> Unit:
    """The unit with its coils at the resistance that their heat gives them; the force factors stay."""
    unit, cold = heated.unit, float(copper_ratio(np.array(heated.ambient_celsius())))
    for (box, driver), ratio in heated.resistance_ratios().items():
        if (box, driver) in heated.opened:
            continue
        re_ohm = unit.box(box).coil(driver).re_ohm * ratio / cold
        unit = unit.with_box(box, lambda one, name=driver, ohm=re_ohm: one.with_coil(name, re_ohm=ohm))  # type: ignore[misc]
    return unit


def _wait_until(moment_s: float) -> None:
    left_s = moment_s - time.monotonic()
    if left_s > 0:
        time.sleep(left_s)
