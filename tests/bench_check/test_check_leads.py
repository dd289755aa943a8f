"""What the bare leads tell: of captures whose truth is known, and of a bench that believes something else of itself."""

from dataclasses import replace

import numpy as np
import pytest
from checked import captures, kit_of, known_load, with_calibration, with_row, wrong

from rig.bench_check.assessment import assess, requests, speaks_against_playing
from rig.bench_check.leads import known_load as told_of_known_load
from rig.bench_check.leads import load_ohm, ratio_of
from rig.simulated.bench import SimulatedBench


@pytest.mark.parametrize("sense_in", ["return", "source"])
def test_nothing_is_wrong_with_a_good_bench(sense_in):
    found = captures("leads", sense_in=sense_in)
    told = assess(kit_of(), found)
    assert all(one.is_right for one in told)
    assert {"output level", "sense resistor", "known load", "clock", "hum"} <= {one.what for one in told}
    assert not speaks_against_playing(told)


@pytest.mark.parametrize("sense_in", ["return", "source"])
def test_the_ratio_is_the_divider_s(sense_in):
    """A resistor of 8.2 ohm and 0.03 ohm of leads, read back through 10 ohm."""
    bench = SimulatedBench(kit_of(), "BT-0001", sense_in=sense_in)
    bench.known_load = known_load(sense_in)
    capture = bench.known_load_capture(8.2)
    _, ratio = ratio_of(capture)
    # The comparison on the known load has taken the leads' own 0.03 ohm for a part of the inputs' mismatch.
    assert np.abs(load_ohm(ratio, 10.0, sense_in == "return")) == pytest.approx(np.full(ratio.size, 8.2), rel=0.005)


@pytest.mark.parametrize("sense_in", ["return", "source"])
@pytest.mark.parametrize("ohm", [4.7, 22.0])
def test_another_sense_resistor_is_named_with_its_value(sense_in, ohm):
    found = with_calibration(captures("leads", f"wrong-sense-resistor={ohm:g}", sense_in=sense_in))
    told = wrong(found)["sense resistor"]
    said = float(told.words.split("had ")[1].split(" ohm")[0])
    assert said == pytest.approx(ohm, rel=0.06)
    assert told.certainty == "bench or unit"
    assert "meter" in told.what_to_do


@pytest.mark.parametrize("turned_db", [-6.0, 6.0])
def test_a_turned_input_is_no_sense_resistor(turned_db):
    found = captures("leads", f"turned-sense={turned_db:g}")
    told = wrong(found)
    assert set(told) == {"input gains"}
    words = "louder" if turned_db > 0 else "softer"
    found_db, said = told["input gains"].words.split("taken to be ")[1].split(" dB ")
    assert said.startswith(words)
    assert float(found_db) == pytest.approx(abs(turned_db), abs=0.5)


def test_a_known_resistor_leaves_no_doubt():
    bench = SimulatedBench(kit_of(), "BT-0001", ["wrong-sense-resistor=22"])
    bench.known_load = known_load()
    silence, _ = captures("leads")
    request = requests(kit_of(), "leads", 48000.0)[1]
    known = bench.known_load_capture(8.2)
    told = wrong([silence, known], load_ohm=8.2)["sense resistor"]
    assert told.certainty == "sure"
    # 10 / 22 of 8.2 ohm and the leads.
    assert float(told.words.split("reads ")[1].split(" ohm")[0]) == pytest.approx(8.2 * 10 / 22, rel=0.02)
    assert request.level_v <= kit_of().levels.leads_quiet_v


def test_the_source_s_own_resistance_is_no_wrong_level():
    """Behind the sim's 0.5 ohm and even behind 20 ohm more the open voltage is found."""
    bench = SimulatedBench(kit_of(), "BT-0001")
    bench._sound = replace(bench._sound, source_ohm=20.5)
    bench.known_load = known_load()
    with bench.stage("leads") as player:
        found = list(player.play(requests(kit_of(), "leads", 48000.0)))
    assert wrong(found) == {}


def test_a_source_far_too_loud_plays_nothing_into_an_amplifier():
    told = assess(kit_of(), captures("leads", "turned-output=12"))
    assert "output too loud" in {one.what for one in told if one.is_right is False}
    assert "12.0 dB louder" in speaks_against_playing(told)


def test_short_clips_play_nothing_into_an_amplifier():
    bench = SimulatedBench(kit_of(), "BT-0001")
    bench.known_load = known_load()
    told = assess(kit_of(), [captures("leads")[0], bench.known_load_capture(0.1)])
    assert "short" in speaks_against_playing(told)


def test_both_cables_off_and_one():
    assert set(wrong(captures("leads", "muted"))) == {"output silent"}
    assert set(wrong(captures("leads", "dead-drive"))) == {"drive input silent"}
    for fault in ("clips-off", "dead-sense"):
        told = wrong(captures("leads", fault))
        assert set(told) == {"no current"}
        assert told["no current"].certainty == "bench or unit"


def test_sixty_hertz_and_its_harmonics_are_hum_at_that_input_alone():
    rate_hz = 48000.0

    def add(row):
        turns = 2 * np.pi * 60.0 * np.arange(row.size) / rate_hz
        return row + (1e-3 * np.sin(turns) + 5e-4 * np.sin(3 * turns)).astype(np.float32)

    told = wrong(with_row(captures("leads"), "sense", add))
    assert set(told) == {"hum"}
    assert told["hum"].words.startswith("mains hum (multiples of 60.0 Hz) at the sense input")


def test_hum_that_harms_nothing_is_not_told():
    assert wrong(captures("leads", "hum=90")) == {}


def test_a_comparison_that_is_missing_or_odd():
    assert set(wrong(with_calibration(captures("leads"), known_load=None))) == {"known load"}
    odd = told_of_known_load(replace(known_load(), ratio=known_load().ratio * 1.3))
    assert odd.is_right is None
    assert "differ by 2.2 dB" in odd.words


@pytest.mark.parametrize("stage", ["leads", "playing"])
def test_a_calibration_that_is_asked_for_and_too_old(stage):
    found = captures(stage)
    doubts = {"output": "the calibration 'output playing' is 400.0 days old: run kitproof calibrate output"}
    (told,) = wrong(with_calibration(found, doubts=doubts)).values()
    assert (told.what, told.words) == ("calibration", doubts["output"])
    dated = with_calibration(
        found, made_at={"output": "2026-01-14T12:00:00+00:00", "sense": "2025-12-24T12:00:00+00:00"}
    )
    said = [one.words for one in assess(kit_of(), dated) if one.what == "calibration"]
    assert said == ["every calibration is in date; the oldest is 'sense' of 2025-12-24"]


def test_a_capture_that_is_cut_short_is_told_and_nothing_else():
    silence, sweep = captures("leads")
    told = assess(kit_of(), [silence, replace(sweep, samples=sweep.samples[:, :9000])])
    assert [one.what for one in told] == ["captures"]
    assert told[0].is_right is False
