"""Hum, hiss and noise at rest: the unit's are told, the room's are never held against it."""

from dataclasses import replace

import numpy as np
import pytest
from simulated_runs import ROOT

from checks import hum_and_noise
from rig.design.kit import load_kit
from rig.design.limits import Limit
from rig.signals import stimulus
from rig.values.captures import Calibration, Capture, Untrusted
from rig.values.readings import CheckReadings
from rig.verdict.judge import judge

KIT = load_kit(ROOT, "booth-two")
SETTINGS = hum_and_noise.Settings()
LIMITS = {"noise": Limit(upper=42.0), "hum": Limit(upper=34.0), "hiss": Limit(upper=38.0)}
RATE = 48000.0


def white(level_db: float, seed: int) -> np.ndarray:
    """White noise of this level from 0 to 24 kHz."""
    return 20e-6 * 10 ** (level_db / 20) * np.random.default_rng(seed).standard_normal(int(2 * RATE))


def tone(level_db: float, hz: float) -> np.ndarray:
    return 20e-6 * 10 ** (level_db / 20) * np.sqrt(2) * np.sin(2 * np.pi * hz * np.arange(int(2 * RATE)) / RATE)


def read(left_pa: np.ndarray, right_pa: np.ndarray, v_per_pa: float | None = 0.01) -> CheckReadings:
    calibration = Calibration({"microphone": 1.0}, 1.0, microphone_v_per_pa=v_per_pa, microphone_sign=1)
    asked = hum_and_noise.requests(KIT, SETTINGS)
    asked = [replace(request, marks=None) for request in asked]
    captures = [
        Capture(request, np.float32(pressure * 0.01)[np.newaxis], ("microphone",), RATE, calibration)
        for request, pressure in zip(asked, (left_pa, right_pa, sweep(), sweep()), strict=True)
    ]
    return hum_and_noise.read(captures, SETTINGS, KIT)


def sweep() -> np.ndarray:
    """A sweep as a perfect unit gives it."""
    spec = KIT.sweeps.playing
    return 0.3 * stimulus.compose(stimulus.layout(spec.start_hz, spec.stop_hz, spec.seconds, RATE))


def verdicts(left_pa: np.ndarray, right_pa: np.ndarray, v_per_pa: float | None = 0.01) -> dict[str, str]:
    found = judge(read(left_pa, right_pa, v_per_pa), LIMITS, ROOT, "hum_and_noise")
    return {f"{verdict.quantity} {verdict.subject}": verdict.outcome for verdict in found}


def test_a_quiet_unit_passes() -> None:
    assert set(verdicts(white(30, 1), white(30, 2)).values()) == {"pass"}


def test_hum_of_one_box_fails_that_box_and_says_its_frequency() -> None:
    hum = sum(tone(40 - 3 * n, 60.02 * n) for n in (1, 2, 3))
    told = verdicts(white(30, 1) + hum, white(30, 2))
    assert told.pop("hum left") == "fail"
    assert set(told.values()) == {"pass"}
    reading = next(r for r in read(white(30, 1) + hum, white(30, 2)).readings if r.quantity == "hum")
    assert "multiples of 60.0 Hz" in reading.said


def test_hiss_at_one_box_fails_it_and_the_same_hiss_at_both_may_be_the_room() -> None:
    assert verdicts(white(43.5, 1), white(30, 2))["hiss left"] == "fail"
    told = verdicts(white(43.5, 1), white(43.5, 2))
    assert told["hiss left"] == told["hiss right"] == "void"


def test_a_room_that_is_too_loud_proves_nothing_and_says_by_how_much_and_where() -> None:
    loud = [white(30, seed) + tone(60, 250.0) for seed in (1, 2)]
    found = read(*loud)
    noise = next(r for r in found.readings if r.quantity == "noise")
    assert "6.3 dB too loud" in noise.trouble
    assert "the band at 250 Hz" in noise.trouble
    told = verdicts(*loud)
    assert "fail" not in told.values()
    assert told["noise left"] == "void"


def test_loud_noise_without_lines_never_fails_for_hum() -> None:
    told = verdicts(white(70, 1), white(70, 2))
    assert told["hum left"] == told["hum right"] == "void"


def test_without_a_calibrated_microphone_no_level_is_proved() -> None:
    assert set(verdicts(white(30, 1), white(30, 2), None).values()) == {"void"}


def test_the_silence_of_a_dead_microphone_proves_nothing() -> None:
    calibration = Calibration({"microphone": 1.0}, 1.0, microphone_v_per_pa=0.01, microphone_sign=1)
    captures = [
        Capture(
            replace(request, marks=None),
            np.float32(np.append(white(0, 1), white(0, 2)))[np.newaxis],
            ("microphone",),
            RATE,
            calibration,
        )
        for request in hum_and_noise.requests(KIT, SETTINGS)
    ]
    with pytest.raises(Untrusted, match="heard no sweep"):
        hum_and_noise.read(captures, SETTINGS, KIT)


@pytest.mark.parametrize("box", ["left", "right"])
def test_silence_asks_for_no_sound(box: str) -> None:
    request = next(r for r in hum_and_noise.requests(KIT, SETTINGS) if r.at == box)
    assert request.is_silence
    assert str(request) == f"silence at {box}, on axis, 2 s"
