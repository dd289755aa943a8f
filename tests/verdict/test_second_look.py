"""The second look: agreement within noise, the odd one out, and contacts that come and go."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from simulated_runs import ROOT

from rig.design.kit import load_kit
from rig.signals import stimulus
from rig.values.captures import Calibration, Capture
from rig.values.readings import CheckReadings
from rig.values.verdicts import CheckResult, Verdict
from rig.verdict import examine
from rig.verdict.examine import UNCONFIRMED, judge_looks
from rig.verdict.second_look import INTERMITTENT, RESTLESS, agree, choose, is_doubtful, quietest_noises
from rig.verdict.spacing import spaced

KIT = load_kit(ROOT, "booth-two")
REQUEST = KIT.sweep("playing", "left", "left", "on axis")
LAYOUT = REQUEST.layout(48000.0)
SOUND = 0.2 * stimulus.compose(LAYOUT)
CALIBRATION = Calibration({"microphone": 1.0}, 1.0)


def look(seed: int, extra: np.ndarray | float = 0.0, gain: np.ndarray | float = 1.0, noise: float = 1e-3) -> Capture:
    heard = gain * SOUND + extra + noise * np.random.default_rng(seed).standard_normal(SOUND.size)
    return Capture(REQUEST, np.float32(heard)[np.newaxis], ("microphone",), 48000.0, CALIBRATION)


def agreed(one: Capture, other: Capture) -> bool:
    return agree(one, other, quietest_noises((one, other) if one.samples.shape == other.samples.shape else (one,)))


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
        assert choose([first, second]) == ((first, second), "")


def test_what_still_sounds_of_the_stimulus_before_is_no_difference() -> None:
    """On a card that is later than the rest behind a stimulus, the end of the one before stands in a capture."""
    spaced_request = spaced(REQUEST, is_gate=False)
    layout = spaced_request.layout(48000.0)
    late, sound = 8000, 0.2 * stimulus.compose(layout)
    before = np.zeros(layout.frames + late)
    before[:late] = sound[-late:]

    def heard(seed: int, first: np.ndarray | float) -> Capture:
        noise = 1e-4 * np.random.default_rng(seed).standard_normal(layout.frames + late)
        rows = np.float32(np.pad(sound, (late, 0)) + first + noise)
        return Capture(spaced_request, rows[np.newaxis], ("microphone",), 48000.0, CALIBRATION)

    assert np.max(np.abs(before)) > 0.01
    first, second = heard(1, before), heard(2, 0.0)
    noises = quietest_noises((first,)), quietest_noises((second,))
    assert agree(first, second, noises[1])
    assert next(iter(noises[0].values())) == pytest.approx(next(iter(noises[1].values())), rel=0.2)


def test_a_slow_drift_of_a_thousandth_is_no_difference() -> None:
    assert agreed(look(1), look(2, gain=1.001))


@pytest.mark.parametrize("odd", [0, 1, 2])
def test_the_look_that_a_noise_disturbed_is_found_and_another_one_stands(odd: int) -> None:
    for seed in range(20):
        looks = [look(10 * seed + n, slam(seed) if n == odd else 0.0) for n in range(3)]
        chosen, trouble = choose(looks)
        assert trouble == ""
        assert looks[odd] not in chosen


def test_two_looks_that_differ_settle_nothing() -> None:
    assert choose([look(1), look(2, slam(3))])[1] == RESTLESS


def test_three_looks_that_all_differ_prove_nothing() -> None:
    assert choose([look(1, slam(1)), look(2, slam(2)), look(3, slam(3))])[1] == RESTLESS


def test_a_noise_that_began_in_the_silence_excuses_nothing() -> None:
    """Somebody speaks from before the sweep until its end: that look's own noise must not be the measure of it."""
    voice = np.zeros(SOUND.size)
    voice[LAYOUT.silence.start : LAYOUT.sweep_stop] = 0.02 * np.random.default_rng(5).standard_normal(
        LAYOUT.sweep_stop - LAYOUT.silence.start
    )
    spoken, *quiet = look(1, voice), look(2), look(3)
    assert not agreed(spoken, quiet[0])
    assert spoken not in choose([spoken, *quiet])[0]


def test_two_looks_at_the_same_loud_noise_do_not_outweigh_quiet_ones() -> None:
    """A lorry that goes by through two looks, and is gone."""
    looks = [look(1, noise=2e-2), look(2, noise=2e-2), look(3), look(4)]
    assert choose(looks[:2])[1] == ""
    assert choose(looks) == ((looks[2], looks[3]), "")
    # It may have been quiet before.
    assert choose(looks[:2], [look(5)])[1] == RESTLESS


def test_it_is_looked_again_until_two_agree() -> None:
    looks = [look(n, slam(n)) for n in range(3)] + [look(4), look(5)]
    assert choose(looks[:4])[1] == RESTLESS
    assert choose(looks) == ((looks[3], looks[4]), "")


def test_of_three_that_agree_the_quietest_stands() -> None:
    """A rumble too faint to count in any one of them."""
    rumble = 0.0008 * np.sin(2 * np.pi * 40 * np.arange(SOUND.size) / 48000)
    looks = [look(1, rumble, noise=1.5e-3), look(2, noise=1.4e-3), look(3, noise=1e-3)]
    assert choose(looks) == ((looks[2], looks[1], looks[0]), "")


def test_two_pairs_that_agree_with_each_other_only_prove_nothing() -> None:
    looks = [look(n, gain=1.0 if n < 2 else 0.8) for n in range(4)]
    assert choose(looks)[1] == RESTLESS


@pytest.mark.parametrize("odd", [0, 1])
def test_a_contact_that_comes_and_goes_is_never_explained_away(odd: int) -> None:
    looks = [look(n, gain=dropout() if n == odd else 1.0) for n in range(3)]
    assert choose(looks)[1] == INTERMITTENT


@pytest.mark.parametrize(("gain", "trouble"), [(1.0, ""), (dropout(), INTERMITTENT)])
def test_an_odd_look_of_another_length_is_compared_as_far_as_both_go(gain: np.ndarray | float, trouble: str) -> None:
    """The first capture of a stream was once kept longer than the others."""
    odd = look(1, gain=gain)
    odd = replace(odd, samples=np.pad(odd.samples, ((0, 0), (0, 480))))
    assert choose([odd, *(looks := (look(2), look(3)))]) == (looks, trouble)


def test_looks_of_different_length_do_not_agree() -> None:
    whole = look(1)
    assert not agreed(whole, replace(whole, samples=whole.samples[:, :-1]))


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


def result_of(said: str, quantity: str = "level") -> CheckResult:
    """What a check says of one look."""
    verdict = Verdict(quantity, "left", said, 1.0, "dB", 1.0, 100.0, "", said, may_pass=said == "void")
    return CheckResult("response", "Response", said, "", CheckReadings(), (verdict,))


@pytest.mark.parametrize(
    ("said", "outcome"),
    [
        ("fail", "fail"),
        ("fail fail", "fail"),
        ("pass fail fail", "fail"),
        ("fail pass fail", "fail"),
        ("fail void fail", "fail"),
        ("fail pass", "void"),
        ("pass fail", "void"),
        ("fail void", "void"),
        ("fail pass void", "void"),
        ("fail pass fail pass", "void"),
        ("fail pass pass", "pass"),
        ("pass pass fail", "pass"),
        ("pass void", "pass"),
        ("void pass", "void"),
    ],
)
def test_what_fails_in_one_look_must_fail_in_most_of_those_that_agree(said: str, outcome: str) -> None:
    judged = judge_looks([result_of(one) for one in said.split()])
    assert judged.outcome == judged.verdicts[0].outcome == outcome
    if outcome == "void" and "fail" in said:
        assert judged.verdicts[0].reason == UNCONFIRMED
        assert is_doubtful(judged.verdicts)


def test_a_look_of_which_nothing_can_be_read_confirms_no_fail() -> None:
    unread = CheckResult("response", "Response", "void", "a noise", CheckReadings(), ())
    assert judge_looks([result_of("fail"), unread]).outcome == "void"
    assert judge_looks([unread, result_of("fail"), result_of("fail")]).outcome == "fail"


def test_what_has_fewer_looks_than_another_box_has_no_vote_for_each_of_them() -> None:
    """Rounds lay the first look of one box beside all looks of another: that is no look of its own."""
    for own, outcome in (("pass fail fail", "fail"), ("pass fail", "void"), ("fail pass", "void"), ("fail", "fail")):
        outcomes = own.split()
        alone = judge_looks([result_of(one) for one in outcomes])
        assert alone.outcome == outcome
        padded = [*outcomes, *[outcomes[0]] * (6 - len(outcomes))]
        stale = [{("level", "left")} if n >= len(outcomes) else set() for n in range(6)]
        assert judge_looks([result_of(one) for one in padded], stale).outcome == outcome


def test_looks_at_one_box_are_no_looks_at_the_other(monkeypatch: pytest.MonkeyPatch) -> None:
    """Through the reading of a check that reads all boxes at once."""
    requests = {channel: replace(REQUEST, channel=channel, at=channel) for channel in "ab"}
    said = {"a": ["pass"] * 6, "b": ["pass", "fail", "fail"]}
    looks = {requests[channel]: tuple((channel, n) for n in range(len(said[channel]))) for channel in "ab"}

    def examined(listed: object, needed: Any, captures: Any, *rest: object, **named: object) -> CheckResult:
        read = [captures[request] for request in needed]
        verdicts = tuple(replace(result_of(said[c][n]).verdicts[0], subject=c) for c, n in read)
        return CheckResult("response", "Response", "pass", "", CheckReadings(), verdicts)

    monkeypatch.setattr(examine, "examine", examined)
    judged = examine.examine_looks(None, list(requests.values()), looks, {}, None)  # type: ignore[arg-type]
    assert {v.subject: v.outcome for v in judged.verdicts} == {"a": "pass", "b": "fail"}


def test_a_fail_that_the_look_that_stands_does_not_hold_is_not_lost() -> None:
    looks = [
        replace(
            result_of("pass"), verdicts=tuple(result_of(outcome, quantity).verdicts[0] for quantity, outcome in held)
        )
        for held in (
            (("b", "pass"), ("c", "pass")),
            (("b", "fail"), ("c", "pass"), ("y", "fail")),
            (("b", "pass"), ("c", "fail"), ("y", "fail")),
        )
    ]
    assert judge_looks(looks).outcome == "fail"
