"""What is worked out of a capture: once, and kept no longer than the capture."""

import gc
import sys
import weakref
from dataclasses import replace
from pathlib import Path

from checks import rub_and_buzz
from rig.bench_check import measured
from rig.values.captures import Capture, once_per_capture
from rig.verdict.examine import capture_troubles
from rig.verdict.responses import acoustic_response, harmonics, judged_grid
from rig.verdict.second_look import quietest_noises

sys.path.append(str(Path(__file__).parents[1] / "checks"))
from captures import captured, demo_kit, flat, playing

REQUEST = demo_kit().sweep("playing", "left", position="on axis", quiet=True)


def heard() -> Capture:
    return captured(REQUEST, playing(REQUEST, flat(0.01)), noise_v={"microphone": 1e-5, "loopback": 1e-6})


def test_a_function_of_a_capture_is_worked_out_once_for_each() -> None:
    calls = []

    @once_per_capture
    def peak(capture: Capture, role: str, more: float = 0.0) -> float:
        calls.append((role, more))
        return float(abs(capture.volts(role)).max()) + more

    one = heard()
    other = replace(one)
    assert peak(one, "microphone") == peak(one, "microphone") == peak(other, "microphone")
    assert peak(one, "loopback") != peak(one, "microphone", more=1.0) == peak(one, "microphone", more=1.0)
    assert calls == [("microphone", 0.0)] * 2 + [("loopback", 0.0), ("microphone", 1.0)]


def test_what_was_derived_goes_with_its_capture() -> None:
    capture = heard()
    assert capture_troubles(capture) == ()
    response = acoustic_response(capture)
    assert acoustic_response(capture) is response
    harmonics(capture, 3, judged_grid(REQUEST, 3), 0.05)
    assert response.noise[0].size
    rub_and_buzz.searched(capture)
    measured.sweep_response(capture, "microphone")
    quietest_noises([capture])
    gone = weakref.ref(capture)
    gc.disable()
    try:
        del capture
        assert gone() is None
    finally:
        gc.enable()
    assert response.noise[1].size
