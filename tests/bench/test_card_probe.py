"""Probing a card whose driver loses something: it is played again, and never believed."""

from typing import Any

import numpy as np
import pytest

from rig.bench.probing import TRIES, CardProbe
from rig.bench.settings import DeviceSettings
from rig.files.errors import BenchError


class LosingCard:
    """A card with one input that hears its one output; its driver reports a loss so often."""

    block_frames, done = 256, 0

    def __init__(self, losses: int) -> None:
        self.facts, self.losses, self.played = {"sample_rate_hz": 48000.0}, losses, 0

    def write(self, start: int, samples: Any, outputs: list[int]) -> None:
        self.played += 1

    def wait_for(self, frame: int, deadline_s: float) -> None:
        self.done = frame

    def read(self, start: int, frames: int) -> Any:
        return np.full((1, frames), 0.0 if self.played <= self.losses else 1.0)

    def flags_between(self, start: int, stop: int) -> tuple[str, ...]:
        return ("output underflow",) if self.played <= self.losses else ()


def probe_of(card: Any) -> CardProbe:
    device = DeviceSettings(host_api="none", name="losing", inputs=1, outputs=1)
    return CardProbe(card, device, None, 0)


def test_what_the_driver_lost_is_played_again() -> None:
    card = LosingCard(TRIES - 1)
    assert np.all(probe_of(card).record(1, np.ones(64, np.float32)) == 1.0)
    assert card.played == TRIES


def test_who_loses_something_each_time_is_not_believed() -> None:
    with pytest.raises(BenchError, match=r"output underflow each of 3 times"):
        probe_of(LosingCard(TRIES)).record(1, np.ones(64, np.float32))
