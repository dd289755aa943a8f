"""The live levels where the card gives what is no sound, or listening fails in a way that nobody foresaw."""

import threading
from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from types import SimpleNamespace

import numpy as np
import pytest

from rig.bench.listening import Listener, LiveInput
from rig.page.levels_routes import Room, levels_fragment
from rig.page.live_levels import Heard, Levels

RATE_HZ = 8000.0


def listener(heard: Callable[[float], np.ndarray]) -> AbstractContextManager[Listener]:
    inputs = (LiveInput(1, is_own_device=False, roles=("microphone",)),)
    return nullcontext(SimpleNamespace(inputs=inputs, sample_rate_hz=RATE_HZ, calibration=None, heard=heard))


def shown(heard: Callable[[float], np.ndarray], is_wanted: Callable[[Heard], bool]) -> Heard:
    """What windows show of a listener, as soon as that is wanted."""
    levels, found, has_come = Levels(lambda: listener(heard)), [], threading.Event()

    def changed() -> None:
        if is_wanted(levels.heard):
            found.append(levels.heard)
            has_come.set()

    levels.listen(changed)
    assert has_come.wait(60.0), levels.heard
    levels.leave(changed)
    levels.hold()
    return found[0]


def test_values_that_are_no_numbers_are_told_and_the_levels_go_on() -> None:
    heard = shown(lambda seconds: np.full((1, round(seconds * RATE_HZ)), np.nan), lambda now: now.samples is not None)
    room = Room(SimpleNamespace())
    room.take(heard)
    html = levels_fragment(heard, room, "en")
    assert "gives values that are no numbers" in html
    assert "nan" not in html


def test_no_window_shows_the_last_levels_for_those_of_now(capsys: pytest.CaptureFixture[str]) -> None:
    def fails(seconds: float) -> np.ndarray:
        raise ZeroDivisionError("of a test")

    heard = shown(fails, lambda now: bool(now.why) and "opened" not in now.why)
    assert "of a test" in heard.why
    assert "Traceback" in capsys.readouterr().err
