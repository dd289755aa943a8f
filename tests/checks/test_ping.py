"""Quiet pings: right channel, swapped channels, silent, too loud, and what proves nothing."""

from dataclasses import replace

import numpy as np
import pytest
from captures import BENCH, captured, demo_kit, playing, spoiled

from checks import ping
from rig.values.captures import Untrusted
from rig.verdict.judge import judge, outcome_of
from rig.verdict.responses import design_response

SETTINGS = ping.Settings()
NOISE_V = 3e-5


def heard(kit, gains=None, swapped=False, calibration=BENCH, noise_v=NOISE_V, how=""):
    """Pings of a unit as designed; `gains` by channel, in dB; a box to the side is 6 dB down and 1 ms later."""
    captures = []
    for n, request in enumerate(ping.requests(kit, SETTINGS)):
        plays = {"left": "right", "right": "left"}.get(request.channel, request.channel) if swapped else request.channel
        design = replace(request, channel=plays)

        def direct(f, design=design, plays=plays, at=request.at):
            f = np.clip(f, 5.0, None)
            aside = 1.0 if plays == at else 0.5 * np.exp(-2j * np.pi * f * 1e-3)
            gain = 10 ** ((gains or {}).get(plays, 0.0) / 20)
            return gain * aside * design_response(kit, design, f, 343.2)

        paths = playing(request, direct)
        capture = captured(request, paths, calibration, noise_v={"microphone": noise_v, "loopback": 1e-6}, seed=n)
        captures.append(spoiled(capture, how, "microphone") if how else capture)
    return captures


def verdicts(kit, captures):
    return judge(ping.read(captures, SETTINGS, kit), kit.limits["ping"], kit.folder, "ping")


def outcome(kit, captures):
    return outcome_of([verdict.outcome for verdict in verdicts(kit, captures)])


KITS = [demo_kit("booth-two"), demo_kit("rehearsal-three")]


@pytest.mark.parametrize("kit", KITS, ids=lambda kit: kit.name)
def test_a_unit_as_designed_passes(kit):
    found = verdicts(kit, heard(kit))
    assert {verdict.outcome for verdict in found} == {"pass"}
    for verdict in found:
        expected = 0.0 if verdict.quantity == "ping level" else 6.0
        assert verdict.value == pytest.approx(expected, abs=0.5)


@pytest.mark.parametrize("kit", KITS, ids=lambda kit: kit.name)
def test_swapped_channels_fail(kit):
    found = verdicts(kit, heard(kit, swapped=True))
    louder = [verdict for verdict in found if verdict.quantity == "louder than the other boxes"]
    assert len(louder) == 2
    assert {verdict.outcome for verdict in louder} == {"fail"}


@pytest.mark.parametrize(("gain_db", "expected"), [(-3.0, "pass"), (-14.0, "fail"), (4.0, "pass"), (9.0, "fail")])
def test_a_level_far_from_the_design_fails(gain_db, expected):
    kit = KITS[1]
    found = [v for v in verdicts(kit, heard(kit, {"bass": gain_db})) if v.subject == "bass"]
    assert [v.outcome for v in found] == [expected]
    assert found[0].value == pytest.approx(gain_db, abs=0.5)


def test_one_silent_channel_among_others_fails():
    kit = KITS[0]
    found = [v for v in verdicts(kit, heard(kit, {"left": -200.0})) if v.quantity == "ping level"]
    assert [(v.subject, v.outcome) for v in found] == [("left", "fail"), ("right", "pass")]


def test_one_ping_that_drowns_in_a_passing_noise_is_void_and_no_fail():
    kit = KITS[0]
    quiet, loud = heard(kit), heard(kit, noise_v=0.05)
    captures = [b if b.request.at == "left" else a for a, b in zip(quiet, loud, strict=True)]
    assert [(v.subject, v.outcome) for v in verdicts(kit, captures)] == [
        ("left", "void"), ("left", "void"), ("right", "pass"), ("right", "pass"),
    ]  # fmt: skip


@pytest.mark.parametrize("kit", KITS, ids=lambda kit: kit.name)
def test_when_nothing_is_heard_at_all_the_bench_is_asked_and_not_the_unit(kit):
    with pytest.raises(Untrusted, match="amplifier is off"):
        ping.read(heard(kit, {channel.name: -200.0 for channel in kit.channels}), SETTINGS, kit)
    with pytest.raises(Untrusted, match="too loud"):
        ping.read(heard(kit, noise_v=0.5), SETTINGS, kit)


def test_an_uncalibrated_microphone_proves_no_level():
    kit = KITS[0]
    found = verdicts(kit, heard(kit, calibration=replace(BENCH, microphone_v_per_pa=None)))
    assert {(v.quantity, v.outcome) for v in found} == {("ping level", "void"), ("louder than the other boxes", "pass")}


@pytest.mark.parametrize("how", ["zero", "silent", "noise", "nan", "short", "empty"])
def test_bad_captures_never_pass(how):
    with pytest.raises(Untrusted):
        ping.read(heard(KITS[0], how=how), SETTINGS, KITS[0])


def test_it_asks_quietly_and_pings_each_box_built_alike_at_the_other():
    asked = ping.requests(KITS[1], SETTINGS)
    assert [(r.at, r.channel) for r in asked] == [
        ("bass", "bass"), ("left", "left"), ("left", "right"), ("right", "left"), ("right", "right"),
    ]  # fmt: skip
    assert {r.level_v for r in asked} == {KITS[1].levels.playing_quiet_v}
