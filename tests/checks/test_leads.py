"""Short, open lead and ordinary boxes, at the quiet level that goes before all else."""

from dataclasses import replace
from functools import lru_cache

import pytest
from captures import BENCH, at_leads, captured, delayed, demo_kit, flat, one_driver_kit, spoiled
from test_impedance import closed_box_driver

from checks import leads
from rig.calibration.known_load import calibrate_known_load
from rig.verdict.judge import judge

SETTINGS = leads.Settings()
KIT = one_driver_kit()
LIMITS = demo_kit("booth-two").limits["leads"]
NOISE_V = 5e-6


@lru_cache(maxsize=4)
def bench(sense_in):
    raw = replace(BENCH, sense_in=sense_in)
    known = captured(KIT.sweep("leads", "only"), at_leads(flat(10.0), sense_in), raw, noise_v=NOISE_V, seed=99)
    return replace(raw, known_load=calibrate_known_load(known, 10.0, "2026-01-01T12:00:00+00:00"))


def outcome(load, sense_in="return", noise_v=NOISE_V, how="", role=""):
    request = leads.requests(KIT, SETTINGS)[0]
    capture = captured(request, at_leads(load, sense_in), bench(sense_in), noise_v=noise_v)
    if how:
        capture = spoiled(capture, how, role)
    verdicts = judge(leads.read([capture], SETTINGS, KIT), LIMITS, KIT.folder, "leads")
    assert len(verdicts) == 1
    return verdicts[0]


@pytest.mark.parametrize("sense_in", ["return", "source"])
@pytest.mark.parametrize(
    ("ohm", "expected"), [(0.2, "fail"), (2.0, "fail"), (3.7, "fail"), (4.3, "pass"), (8.0, "pass"), (28.0, "pass")]
)
def test_resistors(ohm, expected, sense_in):
    verdict = outcome(flat(ohm), sense_in)
    assert verdict.outcome == expected
    assert verdict.value == pytest.approx(ohm, rel=0.02, abs=0.02)


@pytest.mark.parametrize("sense_in", ["return", "source"])
def test_an_open_lead_is_void_since_clips_may_be_off(sense_in):
    verdict = outcome(flat(1e8), sense_in)
    assert verdict.outcome == "void"
    assert "no current flows: put the clips on" in verdict.reason


def test_a_driver_passes_by_its_lowest_value():
    verdict = outcome(closed_box_driver(5.6, 55.0, 5.0, 0.4, 0.3e-3))
    assert verdict.outcome == "pass"
    assert verdict.value == pytest.approx(5.6, rel=0.03)


@pytest.mark.parametrize("ohm", [0.2, 8.0, 1e8])
def test_in_strong_noise_nothing_is_told(ohm):
    assert outcome(flat(ohm), noise_v=0.1).outcome == "void"


@pytest.mark.parametrize(
    ("how", "role"),
    [("zero", "sense"), ("zero", "drive"), ("zero", ""), ("silent", "drive"), ("silent", ""), ("noise", ""),
     ("nan", "sense"), ("short", ""), ("empty", "")],
)  # fmt: skip
def test_bad_captures_give_void(how, role):
    assert outcome(flat(8.0), how=how, role=role).outcome == "void"


def test_an_uncalibrated_bench_gives_void():
    request = leads.requests(KIT, SETTINGS)[0]
    for change in ({"sense_ohm": None}, {"known_load": None}):
        capture = captured(request, at_leads(flat(8.0)), replace(bench("return"), **change), noise_v=NOISE_V)
        verdicts = judge(leads.read([capture], SETTINGS, KIT), LIMITS, KIT.folder, "leads")
        assert [verdict.outcome for verdict in verdicts] == ["void"]


def test_it_asks_quietly_and_once_a_channel():
    for name in ("booth-two", "rehearsal-three"):
        kit = demo_kit(name)
        asked = leads.requests(kit, SETTINGS)
        assert [request.channel for request in asked] == [channel.name for channel in kit.channels]
        assert all(request.level_v == kit.levels.leads_quiet_v for request in asked)
        assert all(request.stage == "leads" for request in asked)


def test_a_delay_between_drive_and_sense_is_not_taken_for_an_impedance_of_no_channel():
    """One reading a channel, under the channel's name, whatever the captures' order."""
    kit = demo_kit("rehearsal-three")
    asked = leads.requests(kit, SETTINGS)
    values = {"left": 4.0, "right": 5.0, "bass": 6.0}
    both = [
        captured(request, at_leads(flat(values[request.channel]), mismatch=delayed(0.0)), bench("return"))
        for request in reversed(asked)
    ]
    read = leads.read(both, SETTINGS, kit)
    assert {r.subject: round(r.value, 1) for r in read.readings} == values
