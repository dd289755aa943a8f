"""What a bench with a sound card refuses before anything sounds."""

import copy
from dataclasses import replace
from types import SimpleNamespace

import pytest
from test_soaking import GUARD, PROGRAMME, REST
from test_soundcard import KIT, SETTINGS, sweep

from rig.bench import refusals
from rig.bench.settings import BenchSettings
from rig.bench.soundcard import SoundCardBench
from rig.circuit.box import Box
from rig.circuit.channel import Branch, Channel
from rig.circuit.driver import Driver
from rig.files.errors import BenchError, BenchSetupError
from rig.signals.noise_shape import Noise, NoiseFilter
from rig.values.requests import RoleGuard

INSTRUMENTS = [
    {
        "name": "logger",
        "address": "TCPIP::127.0.0.1::5025::SOCKET",
        "values": [
            {"role": "ambient", "unit": "celsius", "query": "MEAS? 1"},
            {"role": "heat sink", "unit": "celsius", "query": "MEAS? 2"},
            {"role": "supply", "unit": "ampere", "query": "MEAS? 3"},
        ],
    }
]
SENSED = {
    "inputs": {"microphone": 1, "drive": 2, "sense": 3},
    "outputs": {"left": 1, "right": 2},
    "input_volts": {"microphone": 1.0, "drive": 20.0, "sense": 1.0},
    "output_volts": 2.0,
    "sense_ohm": 0.1,
    "sense_channel": "left",
}
#: What the channels are.
MODEL = Channel(
    "left",
    (Branch(Driver("woofer", re_ohm=6.0, fs_hz=60.0, qms=4.0, qes=0.5, vas_m3=0.02, sd_m2=0.013, le_h=4e-4)),),
    Box("closed", 0.01),
    0.2,
)


@pytest.fixture(autouse=True)
def mains(monkeypatch):
    monkeypatch.setattr(refusals, "power_supply", lambda: "mains")


def bench(bridged=False, **changes):
    settings = copy.deepcopy(SETTINGS) | {"instruments": INSTRUMENTS} | changes
    kit = SimpleNamespace(channels=KIT.channels, amplifier=SimpleNamespace(bridged=bridged), model=lambda name: MODEL)
    return SoundCardBench(BenchSettings(**{key: value for key, value in settings.items() if value is not None}), kit)


def test_what_can_be_done_is_not_refused():
    requests = [sweep(), sweep(stage="leads", level_v=0.1, path_gain=1.0), PROGRAMME, REST]
    bench().refuse(requests)
    bench(soak=SENSED).refuse(requests)
    bench(soak=SENSED | {"isolated": True}, bridged=True).refuse(requests)


@pytest.mark.parametrize(
    ("changes", "request_", "words"),
    [
        ({"leads": None}, sweep(stage="after"), r"no table \[leads\]"),
        ({"playing": None}, PROGRAMME, r"no table \[playing\]"),
        ({}, sweep(level_v=100.0), "output_volts"),
        ({}, sweep(seconds=40.0), "too long"),
        ({}, replace(PROGRAMME, level_v=11.0), "crest factor 2.*output_volts"),
        ({}, replace(PROGRAMME, channels=("left", "centre")), "none plays 'centre'"),
        ({}, replace(PROGRAMME, every_s=1.0), "row every 1 s; allowed is 1.75 s to"),
        ({}, replace(PROGRAMME, every_s=40.0), "row every 40 s"),
        ({}, replace(PROGRAMME, noise=Noise((NoiseFilter("peak", 20.0, gain_db=40.0, q=10.0),))), "too steep"),
        ({"instruments": []}, PROGRAMME, "found the roles none; .*'ambient' in celsius"),
        ({}, replace(PROGRAMME, guard=replace(GUARD, roles=(RoleGuard("case", "celsius"),))), "'case' in celsius"),
        ({}, replace(PROGRAMME, guard=replace(GUARD, roles=(RoleGuard("supply", "volt"),))), "found 'ampere'.*'volt'"),
        ({"soak": SENSED, "bridged": True}, PROGRAMME, "soak.isolated: found false"),
    ],
)
def test_what_cannot_be_done_is_refused_with_its_key(changes, request_, words):
    with pytest.raises(BenchSetupError, match=words):
        bench(**changes).refuse([sweep(), request_])


def test_the_rest_needs_no_instruments_and_no_mains(monkeypatch):
    monkeypatch.setattr(refusals, "power_supply", lambda: "battery")
    bench(instruments=[]).refuse([REST])


def test_a_programme_on_battery_is_refused(monkeypatch):
    monkeypatch.setattr(refusals, "power_supply", lambda: "battery")
    bench().refuse([sweep()])
    with pytest.raises(BenchError, match="plug it in, and switch sleep"):
        bench().refuse([sweep(), PROGRAMME])
    monkeypatch.setattr(refusals, "power_supply", lambda: "unknown")
    bench().refuse([PROGRAMME])


def test_a_channel_to_be_sensed_that_the_kit_has_not():
    settings = SENSED | {"sense_channel": "centre", "outputs": {"left": 1, "right": 2, "centre": 3}}
    with pytest.raises(BenchSetupError, match="sense_channel: found 'centre'; allowed: left, right"):
        bench(soak=settings).refuse([PROGRAMME])
