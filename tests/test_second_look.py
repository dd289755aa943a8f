"""The second look: agreement within noise, the odd one out, and contacts that come and go."""

from dataclasses import replace

import numpy as np
import pytest
from simulated_runs import ROOT

from rig.judge import Verdict
from rig.kit import load_kit
from rig.readings import Calibration, Capture
from rig.second_look import INTERMITTENT, RESTLESS, agree, choose, is_doubtful
from rig.signals import stimulus

KIT = load_kit(ROOT, "booth-two")
REQUEST = KIT.sweep("playing", "left", "left", "on axis")
LAYOUT = stimulus.layout(REQUEST.start_hz, REQUEST.stop_hz, REQUEST.seconds, 48000.0)
SOUND = 0.2 * stimulus.compose(LAYOUT)
CALIBRATION = Calibration({"microphone": 1.0}, 1.0)


def look(seed: int, extra: np.ndarray | float = 0.0, gain: np.ndarray | float = 1.0, noise: float = 1e-3) -> Capture:
    heard = gain * SOUND + extra + noise * np.random.default_rng(seed).standard_normal(SOUND.size)
    return Capture(REQUEST, np.float32(heard)[np.newaxis], ("microphone",), 48000.0, CALIBRATION)


def slam(seed: int, level: float = 0.05) -> np.ndarray:
    """A noise of 0.2 s in the middle of the sweep."""
    burst = np.zeros(SOUND.size)
    middle = (LAYOUT.sweep_start + LAYOUT.sweep_stop) // 2
    time_s = np.arange(9600) / 48000
    burst[middle : middle + 9600] = level * np.exp(-time_s / 0.05) * np.random.default_rng(seed).standard_normal(9600)
    return burst


def dropout() -> np.ndarray:
    """A contact that lets go for a tenth of a second."""
    gain = np.ones(SOUND.size)
    gain[LAYOUT.sweep_start + 30000 : LAYOUT.sweep_start + 34800] = 0.3
    return gain


def test_two_looks_in_the_same_noise_agree_and_the_first_stands() -> None:
    for seed in range(100):
        first, second = look(2 * seed), look(2 * seed + 1)
        assert choose([first, second]) == (first, "")


def test_a_slow_drift_of_a_thousandth_is_no_difference() -> None:
    assert agree(look(1), look(2, gain=1.001))


@pytest.mark.parametrize("odd", [0, 1, 2])
def test_the_look_that_a_noise_disturbed_is_found_and_another_one_stands(odd: int) -> None:
    for seed in range(20):
        looks = [look(10 * seed + n, slam(seed) if n == odd else 0.0) for n in range(3)]
        chosen, trouble = choose(looks)
        assert trouble == ""
        assert chosen is not looks[odd]


def test_two_looks_that_differ_settle_nothing() -> None:
    assert choose([look(1), look(2, slam(3))])[1] == RESTLESS


def test_three_looks_that_all_differ_prove_nothing() -> None:
    assert choose([look(1, slam(1)), look(2, slam(2)), look(3, slam(3))])[1] == RESTLESS


@pytest.mark.parametrize("odd", [0, 1])
def test_a_contact_that_comes_and_goes_is_never_explained_away(odd: int) -> None:
    looks = [look(n, gain=dropout() if n == odd else 1.0) for n in range(3)]
    assert choose(looks)[1] == INTERMITTENT


def test_looks_of_different_length_do_not_agree() -> None:
    whole = look(1)
    assert not agree(whole, replace(whole, samples=whole.samples[:, :-1]))


@pytest.mark.parametrize(
    ("outcome", "margin", "uncertainty", "doubtful"),
    [
        ("fail", -1.0, 0.1, True),
        ("pass", 1.0, 0.1, False),
        ("pass", 0.1, 0.1, True),
        ("pass", 0.1, float("nan"), False),
    ],
)
def test_what_fails_or_lies_at_its_limit_is_doubtful(
    outcome: str, margin: float, uncertainty: float, doubtful: bool
) -> None:
    verdict = Verdict("level", "left", outcome, 1.0, "dB", margin, 100.0, "", "", uncertainty)
    assert is_doubtful([verdict]) == doubtful
