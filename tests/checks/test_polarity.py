"""Signs of drivers, channels and pairs, through drivers and delays of the tests' own."""

from dataclasses import replace

import numpy as np
import pytest
from captures import BENCH, captured, playing, spoiled
from drawn_units import NOMINAL, drawn_pressures, heard, short_kit

from checks import polarity, response
from rig.design.kit import Kit
from rig.values.captures import Untrusted
from rig.verdict.judge import judge, outcome_of

KITS = {name: short_kit(name) for name in ("booth-two", "rehearsal-three")}
#: One unit of each kit, drawn from its tolerances.
PRESSURES = {name: drawn_pressures(kit, 1, np.random.default_rng(12)) for name, kit in KITS.items()}
NOISE_V = 1e-4


def settings_of(kit: Kit):
    return polarity.Settings.model_validate(kit.checks["polarity"])


def played(kit, signs, *, calibration=BENCH, loopback=True, gains=None, noise_v=NOISE_V, levels=1.0):
    """Captures of one unit: `signs` by channel, one sign (or 0: dead) for each driver."""
    captures = []
    for n, request in enumerate(polarity.requests(kit, settings_of(kit))):
        channel = kit.channel(request.channel)
        own = PRESSURES[kit.name][request.channel][:, 0] * levels
        place = replace(NOMINAL, closer_m=3e-3 * n, up_m=-2e-3 * n, air_m_s=343.5, echo_s=4e-3, echo_gain=0.3)
        direct = heard(channel, own, signs[request.channel], place, kit.positions[0].distance_m)
        chain = calibration.microphone_sign or 1
        if gains:
            chain *= gains.get(request.channel, 1)
        paths = playing(request, lambda f, direct=direct, chain=chain: chain * direct(f), loopback=loopback)
        noise = {"microphone": noise_v, "loopback": 1e-6}
        captures.append(captured(request, paths, calibration, latency=400.3 + 911.7 * n, noise_v=noise, seed=n))
    return captures


def signs(kit, **changed):
    return {c.name: [1] * len(c.drivers) for c in kit.channels} | changed


def told(kit, captures):
    read = polarity.read(captures, settings_of(kit), kit)
    return {(r.quantity, r.subject): r for r in read.readings}


def values(found, quantity):
    return {subject: r.value for (q, subject), r in found.items() if q == quantity and not r.trouble}


def outcomes(kit, captures):
    verdicts = judge(polarity.read(captures, settings_of(kit), kit), kit.limits["polarity"], kit.folder, "polarity")
    return verdicts, outcome_of([verdict.outcome for verdict in verdicts])


STATES = {
    "right": ("booth-two", {}),
    "woofer reversed": ("booth-two", {"left": [-1, 1]}),
    "tweeter reversed": ("booth-two", {"left": [1, -1]}),
    "channel reversed": ("booth-two", {"left": [-1, -1]}),
    "both channels reversed": ("booth-two", {"left": [-1, -1], "right": [-1, -1]}),
    "both tweeters reversed": ("booth-two", {"left": [1, -1], "right": [1, -1]}),
    "three right": ("rehearsal-three", {}),
    "satellite reversed": ("rehearsal-three", {"right": [-1]}),
    "bass reversed": ("rehearsal-three", {"bass": [-1]}),
    "satellites reversed": ("rehearsal-three", {"left": [-1], "right": [-1]}),
}


@pytest.mark.parametrize("loopback", [True, False])
@pytest.mark.parametrize("state", STATES)
def test_every_state_is_told(state, loopback):
    name, changed = STATES[state]
    kit, true = KITS[name], signs(KITS[name], **changed)
    found = told(kit, played(kit, true, loopback=loopback))
    drivers = {f"{c.name} {d.name}": s for c in kit.channels for d, s in zip(c.drivers, true[c.name], strict=True)}
    whole = {c: own[0] if len(set(own)) == 1 else 0 for c, own in true.items()}
    between = {"left against right": {x * y for x, y in zip(true["left"], true["right"], strict=True)}}
    if "bass" in true:
        between |= {f"bass against {side}": {true["bass"][0] * true[side][0]} for side in ("left", "right")}
    pairs = {key: own.pop() if len(own) == 1 else 0 for key, own in between.items()}
    expected = {"driver polarity": drivers, "channel polarity": whole, "polarity between": pairs}
    for quantity, truth in expected.items():
        given = values(found, quantity)
        # Without a loopback the bass box's delay is not known, and its own sign may be void; never wrong. Against a box
        # that tells its delay it is always told.
        may_miss = set() if loopback or quantity == "polarity between" else {key for key in truth if "bass" in key}
        assert set(truth) - may_miss <= set(given)
        assert given == {key: truth[key] for key in given}


@pytest.mark.parametrize("state", STATES)
def test_the_kits_limits_pass_the_right_states_alone(state):
    name, changed = STATES[state]
    _, outcome = outcomes(KITS[name], played(KITS[name], signs(KITS[name], **changed)))
    assert outcome == ("fail" if changed else "pass")


@pytest.mark.parametrize(("dead", "other"), [(0, 1), (1, 0)])
def test_a_dead_driver_is_void_and_not_reversed(dead, other):
    kit = KITS["booth-two"]
    own = [1, 1]
    own[dead] = 0
    found = told(kit, played(kit, signs(kit, left=own), noise_v=1e-5))
    driver = kit.channels[0].drivers
    gone = found["driver polarity", f"left {driver[dead].name}"]
    assert "silent rather than reversed" in gone.trouble
    assert values(found, "driver polarity")[f"left {driver[other].name}"] == 1
    assert found["band level", f"left {driver[dead].name}"].value < -10
    verdicts, outcome = outcomes(kit, played(kit, signs(kit, left=own), noise_v=1e-5))
    assert outcome == "fail"
    assert [v.outcome for v in verdicts if v.subject == f"left {driver[dead].name}"] == ["fail", "void"]


def test_a_dead_channel_is_void():
    kit = KITS["rehearsal-three"]
    for noise_v in (1e-6, NOISE_V, 1e-2):
        found = told(kit, played(kit, signs(kit, left=[0]), noise_v=noise_v))
        assert found["driver polarity", "left cone"].trouble
        assert found["channel polarity", "left"].trouble
        assert found["polarity between", "left against right"].trouble


def test_without_the_microphones_sign_nothing_absolute_is_told_but_channels_are_compared():
    kit = KITS["booth-two"]
    unknown = replace(BENCH, microphone_sign=None)
    for state, between in (({}, 1), ({"left": [-1, -1]}, -1), ({"right": [1, -1]}, 0)):
        found = told(kit, played(kit, signs(kit, **state), calibration=unknown))
        assert values(found, "driver polarity") == {}
        assert values(found, "channel polarity") == {}
        assert values(found, "polarity between") == {"left against right": between}
        assert "microphone_inverted" in found["driver polarity", "left woofer"].trouble


def test_a_microphone_that_inverts_is_taken_out_when_the_calibration_says_so():
    kit = KITS["booth-two"]
    inverting = replace(BENCH, microphone_sign=-1)
    found = told(kit, played(kit, signs(kit, left=[1, -1]), calibration=inverting))
    assert values(found, "driver polarity") == {
        "left woofer": 1, "left tweeter": -1, "right woofer": 1, "right tweeter": 1,
    }  # fmt: skip
    wrong = [replace(c, calibration=BENCH) for c in played(kit, signs(kit), calibration=inverting)]
    assert set(values(told(kit, wrong), "driver polarity").values()) == {-1}


def test_a_driver_that_the_kit_reverses_is_right_when_reversed():
    kit = KITS["booth-two"]
    channels = []
    for channel in kit.channels:
        woofer, tweeter = channel.drivers
        channels.append(
            channel.model_copy(update={"drivers": [woofer, tweeter.model_copy(update={"polarity": "reversed"})]})
        )
    designed = kit.model_copy(update={"channels": channels})
    captures = played(kit, signs(kit, left=[1, -1], right=[1, -1]))
    assert set(values(told(designed, captures), "driver polarity").values()) == {1}


def test_an_uncalibrated_microphone_proves_no_level_of_a_single_driver():
    kit = KITS["rehearsal-three"]
    relative = replace(BENCH, microphone_v_per_pa=None)
    found = told(kit, played(kit, signs(kit), calibration=relative))
    assert "not calibrated" in found["band level", "left cone"].trouble
    assert set(values(found, "driver polarity").values()) == {1}


def test_noise_as_loud_as_the_unit_gives_void():
    kit = KITS["booth-two"]
    verdicts, outcome = outcomes(kit, played(kit, signs(kit), noise_v=0.5))
    assert outcome == "void"
    assert all(verdict.outcome == "void" for verdict in verdicts)


@pytest.mark.parametrize(
    ("how", "role"),
    [("zero", "microphone"), ("zero", ""), ("silent", "microphone"), ("silent", ""), ("noise", "microphone"),
     ("noise", ""), ("nan", "microphone"), ("nan", "loopback"), ("short", ""), ("empty", "")],
)  # fmt: skip
@pytest.mark.parametrize("loopback", [True, False])
def test_bad_captures_never_pass(how, role, loopback):
    role = role if loopback or role != "loopback" else "microphone"
    kit = KITS["booth-two"]
    captures = [spoiled(capture, how, role) for capture in played(kit, signs(kit), loopback=loopback)]
    try:
        verdicts, _ = outcomes(kit, captures)
    except Untrusted:
        return
    assert all(v.outcome == "void" for v in verdicts if "polarity" in v.quantity)


def test_of_a_part_of_the_captures_the_pairs_are_left_out():
    kit = KITS["booth-two"]
    read = polarity.read(played(kit, signs(kit))[:1], settings_of(kit), kit)
    assert {r.subject for r in read.readings} == {"left", "left woofer", "left tweeter"}


def test_it_shares_the_sweeps_of_the_response_check():
    for kit in KITS.values():
        asked = polarity.requests(kit, settings_of(kit))
        shared = response.requests(kit, response.Settings(positions=[p.name for p in kit.positions]))
        assert set(asked) <= set(shared)
        assert len(set(shared)) == len(kit.channels) * len(kit.positions)
