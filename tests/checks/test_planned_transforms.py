"""What one sweep is read by takes few lengths of transforms: the library keeps 16 plans, and makes all others anew."""

from dataclasses import replace

import numpy as np
import pytest
import scipy
from captures import captured, demo_kit, playing

from checks import distortion, polarity, response, rub_and_buzz
from rig.verdict.responses import design_response

#: How many plans of each precision the library keeps (its source: `POCKETFFT_CACHE_SIZE`).
KEPT_PLANS = 16


def test_no_plan_of_a_sweep_is_made_anew_for_the_next_one(monkeypatch: pytest.MonkeyPatch) -> None:
    kit = demo_kit("booth-two")
    request = kit.sweep("playing", "left", position="on axis")
    sound = playing(request, lambda hz: design_response(kit, request, np.maximum(hz, 1.0), 343.2))
    capture = captured(request, sound, noise_v={"microphone": 1e-5, "loopback": 1e-6})
    lengths: dict[bool, set[int]] = {True: set(), False: set()}

    def watched(transform):
        def call(x, n=None, **named):
            found = transform(x, n, **named)
            whole = found.shape[-1] if np.isrealobj(found) else n or np.shape(x)[-1]
            lengths[found.real.dtype == np.float32].add(whole)
            return found

        return call

    for name in ("rfft", "irfft"):
        monkeypatch.setattr(scipy.fft, name, watched(getattr(scipy.fft, name)))
    for heard in (capture, replace(capture)):
        # The first one also works out what holds for all.
        lengths = {True: set(), False: set()}
        for check in (response, polarity, distortion, rub_and_buzz):
            check.read([heard], check.Settings(), kit)
    assert 0 < len(lengths[True]) <= KEPT_PLANS
    assert 0 < len(lengths[False]) <= KEPT_PLANS
