"""What quiet sweeps through the amplifier tell, with a loopback and without one."""

from dataclasses import replace

import numpy as np
import pytest
from checked import captures, kit_of, replaced_row, with_calibration, with_row, without_row, wrong

from rig.bench_check import any_input
from rig.bench_check.assessment import assess, requests
from rig.bench_check.boxes import Playing
from rig.bench_check.measured import foreign_part, mark_step_db
from rig.simulated.bench import SimulatedBench


def playing(found):
    return Playing(kit_of(), found[0], tuple(found[1:-1]), found[-1])


def test_nothing_is_wrong_with_a_good_bench():
    told = assess(kit_of(), captures("playing"))
    assert all(one.is_right for one in told)
    assert {"output level", "outputs exchanged", "microphone place", "ambient"} <= {one.what for one in told}


def test_without_a_loopback_a_good_bench_is_good_and_says_what_it_cannot_prove():
    told = assess(kit_of(), without_row(captures("playing"), "loopback"))
    assert not [one for one in told if one.is_right is False]
    assert [one.what for one in told if one.is_right is None] == ["loopback"]


def test_without_calibration_of_the_microphone_nothing_absolute_is_told():
    found = with_calibration(captures("playing"), microphone_v_per_pa=None, microphone_sign=None)
    told = assess(kit_of(), found)
    assert not [one for one in told if one.is_right is False]
    assert {one.what for one in told if one.is_right is None} == {"microphone polarity", "microphone calibration"}


def test_nothing_is_louder_than_the_kit_s_quiet_level():
    assert all(request.level_v <= kit_of().levels.playing_quiet_v for request in requests(kit_of(), "playing", 48000.0))


@pytest.mark.parametrize("further_mm", [-60, 45, 200])
def test_the_microphone_s_distance_by_time_of_flight(further_mm):
    told = wrong(captures("playing", f"far-microphone={further_mm}"))
    assert set(told) == {"microphone place"}
    said_m = float(told["microphone place"].words.split("is ")[1].split(" m ")[0])
    assert said_m == pytest.approx(0.5 + further_mm / 1000, abs=0.012)


def test_a_loopback_of_its_own_gain_is_not_the_output_s_level():
    assert set(wrong(captures("playing", "turned-loopback=-6"))) == {"loopback gain"}
    assert set(wrong(captures("playing", "turned-output=-6"))) == {"output level"}
    assert set(wrong(captures("playing", "turned-knob=-6"))) == {"microphone level"}


def test_a_loopback_calibration_is_where_the_level_is_held_against():
    found = with_calibration(captures("playing", "turned-output=-3"), loopback_db=-3.0)
    assert "output level" not in wrong(found)
    # Calibrated, half a decibel tells; by bench.toml alone it does not.
    half_db = captures("playing", "turned-output=-0.5")
    assert wrong(half_db) == {}
    assert set(wrong(with_calibration(half_db, loopback_db=0.0))) == {"output level"}


def test_level_off_without_a_loopback_blames_no_knob_alone():
    told = wrong(without_row(captures("playing", "turned-output=-6"), "loopback"))
    assert set(told) == {"microphone level"}
    assert "card's volume" in told["microphone level"].what_to_do


def test_exchanged_outputs_name_the_unit_s_leads_too():
    for fault in ("exchanged-outputs", "swapped:left:right"):
        told = wrong(captures("playing", fault))
        assert set(told) == {"outputs exchanged"}
        assert told["outputs exchanged"].certainty == "bench or unit"


def test_a_box_that_is_silent_is_no_dead_microphone():
    told = wrong(captures("playing", "silent:left"))
    assert set(told) == {"channel quiet"}
    assert told["channel quiet"].certainty == "bench or unit"


def test_a_quiet_room_is_no_dead_microphone_and_an_amplifier_that_is_off_no_dead_one():
    off = wrong(captures("playing", "silent:left", "silent:right"))
    assert set(off) == {"amplifier silent"}
    assert set(wrong(captures("playing", "dead-microphone"))) == {"microphone silent"}


def test_a_recording_of_zeros_is_a_dead_microphone():
    told = wrong(with_row(captures("playing"), "microphone", np.zeros_like))
    assert set(told) == {"microphone silent"}


def test_marks_come_back_as_the_sweep_tells_where_nothing_levels():
    for capture in captures("playing")[1:]:
        for role in ("loopback", "microphone"):
            assert mark_step_db(capture, role) is None
    for by_db in (10, 20):
        quick = captures("playing", f"noise-suppression={by_db}")[1]
        assert mark_step_db(quick, "microphone") == pytest.approx(-by_db, abs=1.0)


def test_a_noise_gate_on_the_loopback_alone_shows_in_the_noise_under_the_sweep():
    gated, good = captures("playing", "noise-suppression=20"), captures("playing")
    at_loop = [replaced_row(one, other, "loopback") for one, other in zip(good, gated, strict=True)]
    assert set(wrong(at_loop)) == {"noise suppression"}
    assert "noise suppression at the loopback input" in wrong(at_loop)["noise suppression"].words


def test_a_door_is_no_automatic_gain():
    found = captures("playing", "door")
    assert foreign_part(found[1], "microphone") > 0.1 > foreign_part(captures("playing")[1], "microphone")
    told = wrong(found)
    assert not {"automatic gain", "noise suppression"} & set(told)


def test_a_softer_sweep_that_is_too_loud_is_levelled():
    found = captures("playing")
    louder = with_row(found[-1:], "microphone", lambda row: row * np.float32(2.0))
    told = wrong([*found[:-1], *louder])
    assert set(told) == {"automatic gain"}
    softer = with_row(found[-1:], "microphone", lambda row: row * np.float32(0.5))
    assert set(wrong([*found[:-1], *softer])) == {"noise suppression"}


def test_a_narrow_band_without_a_loopback():
    told = wrong(without_row(captures("playing", "resampled=8000"), "loopback"))
    assert "8 kHz" in told["resampling"].words
    assert told["resampling"].certainty == "likely"


def test_a_cable_that_falls_gently_is_no_converted_rate():
    found = captures("playing")
    falling = []
    for one in found:
        samples = one.samples.copy()
        spectrum = np.fft.rfft(samples[1].astype(float))
        low_pass = 1 / (1 + 1j * np.fft.rfftfreq(samples.shape[1], 1 / 48000) / 6000)
        samples[1] = np.fft.irfft(spectrum * low_pass, samples.shape[1])
        falling.append(replace(one, samples=samples))
    assert "resampling" not in wrong(falling)


def test_a_loud_room_says_where():
    told = wrong(captures("playing", "loud-room=75"))
    assert set(told) == {"ambient"}
    assert "most of all at" in told["ambient"].words


def test_hum_in_the_air_may_be_the_amplifier_s():
    unit = wrong(captures("playing", "humming:left=100"))
    cable = wrong(captures("playing", "microphone-hum=40"))
    for told in (unit, cable):
        assert set(told) == {"hum"}
        assert told["hum"].certainty == "bench or unit"
        assert "Switch the amplifier off" in told["hum"].what_to_do
    both = wrong(captures("playing", "hum=40"))["hum"]
    assert both.certainty == "sure"
    assert "at the loopback input" in both.words
    assert "and at the microphone input" in both.words


def test_the_rate_that_the_card_really_runs_at():
    told = wrong(captures("playing", "wrong-rate=44100"))
    assert set(told) == {"sample rate"}
    assert "44100 Hz where 48000 Hz" in told["sample rate"].words
    assert any_input.other_rate(captures("playing")[1], "loopback") is None


def test_boxes_seen_from_where_the_microphone_stands():
    left, right = playing(captures("playing")).box_levels
    assert abs(left.best[0]) < 2e-5
    assert abs(right.best[0]) < 5e-5
    assert left.timed
    assert min(left.best[1], right.best[1]) > 0.9


@pytest.mark.parametrize("ppm", [-90.0, 150.0])
def test_a_microphone_with_a_clock_of_its_own_is_no_fault(ppm):
    bench = SimulatedBench(kit_of(), "BT-0001", microphone_ppm=ppm)
    with bench.stage("playing") as player:
        found = list(player.play(requests(kit_of(), "playing", 48000.0)))
    assert wrong(found) == {}
    unknown = [one for one in assess(kit_of(), found) if one.is_right is None]
    assert [one.what for one in unknown] == ["microphone place"]
    # The same clocks in what is one device are a fault.
    assert set(wrong(captures("playing", f"second-clock={ppm:g}"))) == {"clock"}
