"""A unit behind a real sound server that dies, stands still or leaps while it is measured."""

import contextlib
import multiprocessing
import signal
import time

import pytest
from test_sound_path import UNIT, bench, sweep, troubles_of
from unit_client import running_unit

from rig.files.errors import BenchError

pytestmark = pytest.mark.sound_path

REQUESTS = [sweep("left", seconds=0.3) for _ in range(5)]
#: Far longer than all of them sound; only ends a hang.
LONGEST_S = 60.0


def troubles_after(number: signal.Signals) -> list[tuple[str, ...]]:
    """What speaks against each capture that still comes once the unit was sent a signal in the first one's time."""
    found, began_s = [], time.monotonic()
    with running_unit(UNIT) as unit, contextlib.suppress(BenchError), bench().stage("playing") as player:
        for n, capture in enumerate(player.play(REQUESTS)):
            if n == 0:
                unit.send_signal(number)
                continue
            found.append(troubles_of(capture))
    if number == signal.SIGSTOP:
        unit.kill()
    assert time.monotonic() - began_s < LONGEST_S
    assert not multiprocessing.active_children()
    return found


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGSTOP])
def test_of_a_unit_that_dies_or_stands_still_nothing_is_believed(server_name: str, number: signal.Signals) -> None:
    # The one that sounds when it happens may be whole.
    assert all(troubles_after(number)[1:])


def test_a_unit_that_leaps_spoils_what_sounds_and_no_later_capture(server_name: str) -> None:
    for _ in range(3):
        found = troubles_after(signal.SIGUSR1)
        assert len(found) == len(REQUESTS) - 1
        # A busy machine may disturb another one.
        if not any(found[2:]):
            return
    pytest.fail(f"what comes after the leap is disturbed: {found}")
