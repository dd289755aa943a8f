"""Which calibration is in force, what it gives, and what is doubted: by age, by wiring, by the daily check."""

from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from rig.bench.settings import BenchSettings
from rig.calibration.calibrated import OUTPUT_IN_FORCE, Held, asked_ages, calibrated, made_with, standings
from rig.calibration.storage import (
    DailyDetails,
    Damaged,
    LoopDetails,
    LoopHarmonics,
    LoopResponse,
    MicrophoneDetails,
    SenseDetails,
    Stored,
)
from rig.design.trust import AGES_DAYS, KINDS, RestsOn, doubt
from rig.files.errors import TableError
from rig.files.tables import checked
from rig.values.captures import MicrophoneResponse

NOW = datetime.fromisoformat("2026-06-01T12:00:00+02:00")
TABLES = {
    "kind": "soundcard",
    "name": "test bench",
    "device": {"host_api": "ALSA", "name": "card", "inputs": 4, "outputs": 4},
    "leads": {
        "inputs": {"drive": 3, "sense": 4},
        "outputs": {"*": 4},
        "input_volts": {"drive": 1.0, "sense": 1.0},
        "output_volts": 1.5,
        "sense_ohm": 10.0,
    },
    "playing": {
        "inputs": {"microphone": 1, "loopback": 2},
        "outputs": {"left": 1, "right": 2},
        "loopback_output": 3,
        "input_volts": {"microphone": 0.5, "loopback": 2.0},
        "output_volts": 2.0,
        "microphone_mv_per_pa": 12.0,
    },
}
SETTINGS = BenchSettings(**TABLES)
STAGE_OF = {"sense": "leads", "drive": "leads", "leads": "leads"}
VALUES = {
    "sense": (8.2, "ohm"),
    "microphone": (12.5, "mV/Pa"),
    "output": (2.02, "V"),
    "input": (1.96, "V"),
    "loopback": (0.03, "dB"),
}
GRID = np.array([10.0, 20000.0])
DETAILS = {
    "sense": SenseDetails(GRID, np.array([1.0, 1.01 + 0j]), errors=((0.1, 0.0, 0.0),)),
    "microphone": MicrophoneDetails(response=MicrophoneResponse(GRID, np.array([0.0, 3.0]), None, "microphone.txt")),
    "loopback": LoopDetails(
        LoopResponse(GRID, 0 * GRID, 0 * GRID),
        (512.0,),
        48000.0,
        1e-6,
        -110.0,
        LoopHarmonics(0.5, GRID, np.array([[-90.0, np.nan], [-100.0, -99.0]])),
        1e-5,
    ),
}


def made(kind, of="", days_ago=1.0, settings=SETTINGS, values=None, **changes):
    stage = STAGE_OF.get(of or kind, "playing")
    with_ = made_with(settings, settings.wiring(stage), kind, of, values or settings.calibration(stage))
    value, unit = VALUES[kind]
    made_at = (NOW - timedelta(days=days_ago)).isoformat()
    one = Stored(kind, of, settings.name, made_at, kind, value, unit, 0.01, with_, (), DETAILS.get(kind, {}))
    return replace(one, **changes)


def daily(state, quantity="level", days_ago=0.5):
    made_at = (NOW - timedelta(days=days_ago)).isoformat()
    details = DailyDetails(state, "above the upper limit 1")
    return Stored("daily", "booth-two left", "test bench", made_at, quantity, 1.2, "dB", None, details=details)


def found(stage, *ones, ages=None, settings=SETTINGS):
    in_order = tuple(sorted(ones, key=lambda one: one.moment))
    return calibrated(settings, stage, settings.calibration(stage), Held(in_order, ages or {}, NOW))


def test_another_microphone_of_its_own_is_not_the_one_that_was_calibrated():
    def with_microphone(name):
        own = {"host_api": "ALSA", "name": name, "inputs": 1}
        return BenchSettings(**(TABLES | {"microphone_device": own}))

    first, second = with_microphone("one"), with_microphone("two")
    calibration = made("microphone", settings=first)
    assert found("playing", calibration, settings=first).microphone_v_per_pa == pytest.approx(12.5e-3)
    for other in (second, SETTINGS):
        assert found("playing", calibration, settings=other).microphone_v_per_pa == pytest.approx(12e-3)
    # The card's own calibrations stay.
    assert found("playing", made("output", "playing", settings=first), settings=second).output_volts == 2.02


def test_without_calibrations_bench_toml_counts_and_nothing_is_doubted():
    for stage in ("leads", "playing", "soak", "after"):
        assert found(stage) == replace(SETTINGS.calibration(stage), known_load=None)


def test_each_kind_takes_the_place_of_its_number():
    values = found("playing", made("output", "playing"))
    assert (values.output_volts, values.output_uncertainty) == (2.02, 0.01)
    assert values.input_volts == {"microphone": 0.5, "loopback": 2.0}
    values = found("playing", made("input", "loopback"))
    assert values.input_volts == {"microphone": 0.5, "loopback": 1.96}
    assert values.input_uncertainty == {"loopback": 0.01}
    values = found("playing", made("microphone"))
    assert (values.microphone_v_per_pa, values.microphone_uncertainty) == (0.0125, 0.01)
    np.testing.assert_array_equal(values.microphone_response.decibel, [0, 3])
    assert values.microphone_response.degrees is None
    values = found("playing", made("loopback", "playing"))
    assert values.loopback_db == 0.03
    np.testing.assert_array_equal(values.own_harmonics.decibel, [[-90, np.nan], [-100, -99]])
    values = found("leads", made("sense"))
    assert values.known_load.errors == ((0.1, 0.0, 0.0),)
    assert values.made_at == {"sense": made("sense").made_at}


def test_a_stage_takes_only_what_is_of_it():
    values = found("leads", made("output", "playing"), made("microphone"), made("input", "loopback"))
    assert values == replace(SETTINGS.calibration("leads"), known_load=None)
    assert found("soak", made("output", "playing")).output_volts == 2.02


def test_the_newest_counts():
    values = found("playing", made("output", "playing", 3, value=2.5), made("output", "playing", 2, value=2.1))
    assert values.output_volts == 2.1


@pytest.mark.parametrize(
    ("kind", "of", "table", "change"),
    [
        ("output", "playing", "playing", {"output_volts": 2.1}),
        ("output", "playing", "playing", {"outputs": {"left": 2, "right": 1}}),
        ("output", "playing", "device", {"name": "another card"}),
        ("output", "playing", "device", {"sample_rate_hz": 44100.0}),
        ("input", "loopback", "playing", {"input_volts": {"microphone": 0.5, "loopback": 1.0}}),
        ("microphone", "", "playing", {"microphone_mv_per_pa": 12.1}),
        ("microphone", "", "playing", {"input_volts": {"microphone": 0.6, "loopback": 2.0}}),
        ("loopback", "playing", "playing", {"output_volts": 2.1}),
        ("sense", "", "leads", {"sense_ohm": 10.1}),
        ("sense", "", "leads", {"sense_in": "source"}),
    ],
)
def test_what_was_made_with_other_numbers_or_wiring_does_not_count(kind, of, table, change):
    other = BenchSettings(**{**TABLES, table: {**TABLES[table], **change}})
    stage = STAGE_OF.get(kind, "playing")
    one = made(kind, of)
    assert found(stage, one) != found(stage)
    assert found(stage, one, settings=other) == replace(other.calibration(stage), known_load=None)
    told = found(stage, one, settings=other, ages={kind: 365.0}).doubts[kind]
    assert "another wiring or other numbers in bench.toml" in told


def test_what_was_made_at_other_volts_than_those_in_force_does_not_count():
    """An input calibrated anew makes the microphone's calibration through it void, and the loopback's too."""
    microphone, loopback = made("microphone", days_ago=3), made("loopback", "playing", 3)
    anew = (made("input", "microphone", 1, value=0.6), made("input", "loopback", 1))
    assert found("playing", microphone, loopback).microphone_v_per_pa == 0.0125
    values = found("playing", microphone, loopback, *anew)
    assert values.microphone_v_per_pa == 0.012
    assert values.loopback_db is None
    in_force = found("playing", *anew)
    later = made("microphone", days_ago=0.5, values=in_force)
    assert found("playing", microphone, *anew, later).microphone_v_per_pa == 0.0125


def test_an_input_through_an_output_that_was_calibrated_anew_is_doubted():
    first, anew = made("output", "playing", 3), made("output", "playing", 1, value=2.2)
    through = made("input", "loopback", 2, values=found("playing", first))
    ages = {"input": 365.0}
    whole = found("playing", first, through, ages=ages)
    assert (whole.input_volts["loopback"], whole.doubts) == (1.96, {})
    values = found("playing", first, through, anew, ages=ages)
    assert values.input_volts["loopback"] == 2.0
    assert "made anew since: run kitproof calibrate input loopback" in values.doubts["input"]
    # One by a meter, and one of before, tell nothing of an output and stay.
    free = replace(through, made_with={k: v for k, v in through.made_with.items() if k != OUTPUT_IN_FORCE})
    assert found("playing", first, free, anew, ages=ages).doubts == {}


def test_the_comparison_on_a_known_load_of_before_counts_whatever_bench_toml_says():
    assert found("leads", made("sense", made_with={})).known_load is not None


@pytest.mark.parametrize("kind", ["sense", "microphone", "output", "input", "loopback"])
def test_age_makes_a_doubt_with_the_command_to_run(kind):
    of = {"output": "playing", "input": "loopback", "loopback": "playing"}.get(kind, "")
    stage = STAGE_OF.get(kind, "playing")
    ages = {kind: 30.0}
    assert found(stage, made(kind, of, 29.9), ages=ages).doubts == {}
    old = found(stage, made(kind, of, 30.1), ages=ages)
    assert f"30.1 days old, at most 30 are allowed: run kitproof calibrate {kind}" in old.doubts[kind]
    # It is still the best that is known.
    assert list(old.made_at.values()) == [made(kind, of, 30.1).made_at]
    assert f"is missing: run kitproof calibrate {kind}" in found(stage, ages=ages).doubts[kind]
    assert "dated in the future" in found(stage, made(kind, of, -1), ages=ages).doubts[kind]


def test_only_the_stage_that_rests_on_it_doubts():
    ages = dict(AGES_DAYS)
    assert set(found("leads", ages=ages).doubts) == {"sense", "output", "loopback", "daily"}
    assert set(found("playing", ages=ages).doubts) == {"microphone", "output", "input", "loopback", "daily"}
    unlooped = {**TABLES["playing"], "inputs": {"microphone": 1}, "input_volts": {"microphone": 0.5}}
    del unlooped["loopback_output"]
    bare = BenchSettings(**{**TABLES, "playing": unlooped})
    assert set(found("playing", ages=ages, settings=bare).doubts) == {"microphone", "output", "daily"}


def test_a_daily_check_out_of_control_speaks_against_what_it_was_measured_with():
    ones = (made("microphone", days_ago=3), made("sense", days_ago=3))
    level, resistor = daily("out of control"), daily("out of control", "resistor")
    assert set(found("playing", *ones, level).doubts) == {"microphone", "output", "input", "loopback"}
    assert set(found("leads", *ones, level).doubts) == {"output", "loopback"}
    assert set(found("leads", *ones, resistor).doubts) == {"sense"}
    assert "above the upper limit 1" in found("leads", *ones, resistor).doubts["sense"]
    # Until it is in control again, or what it speaks against is made anew.
    assert found("leads", *ones, resistor, daily("in control", "resistor", 0.1)).doubts == {}
    assert found("leads", *ones, resistor, made("sense", days_ago=0.1)).doubts == {}
    assert found("leads", *ones, daily("learning", "resistor")).doubts == {}


def test_a_daily_check_of_a_quantity_that_is_not_known_speaks_against_all():
    ones = (made("microphone", days_ago=3), made("sense", days_ago=3))
    assert set(found("leads", *ones, daily("out of control", "humidity")).doubts) >= {"sense", "output", "loopback"}


def test_a_daily_check_is_asked_for_by_its_own_age():
    ages = {"daily": 1.0}
    assert "missing" in found("leads", ages=ages).doubts["daily"]
    assert found("leads", daily("in control"), ages=ages).doubts == {}
    assert "1.5 days old" in found("leads", daily("in control", days_ago=1.5), ages=ages).doubts["daily"]


def test_standings_tell_of_every_wiring():
    held = Held((made("microphone"), made("sense", days_ago=200)), dict(AGES_DAYS), NOW)
    known = standings(SETTINGS, held)
    assert known["microphone", ""].counts
    assert known["microphone", ""].doubt == ""
    assert "200.0 days old" in known["sense", ""].doubt
    assert known["output", "leads"].newest is None


def test_what_is_asked_for():
    assert asked_ages(SETTINGS, ()) == {}
    assert asked_ages(SETTINGS, ["microphone", "daily"]) == {"microphone": 365.0, "daily": 1.0}
    with_table = BenchSettings(**TABLES, calibrations={"sense": 30, "without": ["input"]})
    assert asked_ages(with_table, ()) == {"sense": 30, "microphone": 365, "output": 365, "loopback": 30}
    assert asked_ages(with_table, ["input", "daily"])["input"] == 365
    assert asked_ages(BenchSettings(**TABLES, calibrations={"daily": 2}), ())["daily"] == 2


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ({"sense": 0}, r"calibrations.sense: found 0; allowed: 0.01 to 3650"),
        ({"mike": 3}, r"calibrations.mike: unknown key"),
        ({"without": ["mike"]}, r"calibrations.without"),
        ({"daily": "always"}, r"calibrations.daily"),
    ],
)
def test_mistakes_in_the_table_are_told(tmp_path, table, words):
    with pytest.raises(TableError, match=words):
        checked(BenchSettings, {**TABLES, "calibrations": table}, tmp_path / "bench.toml")


def test_a_check_is_doubted_for_what_it_needs_and_nothing_else():
    doubts = {kind: f"{kind}!" for kind in KINDS}
    assert doubt(RestsOn(("sense",)), doubts) == "sense!; daily!"
    assert doubt(RestsOn(()), doubts) == "daily!"
    assert doubt(RestsOn(("sense",)), {"microphone": "microphone!"}) == ""
    # A check that states nothing rests on everything.
    assert doubt(None, {"microphone": "microphone!"}) == "microphone!"


def damaged(kind, days_ago, is_empty=False):
    path = Path(f"{NOW - timedelta(days=days_ago):%Y-%m-%dT%H%M%S}.json")
    return Damaged(kind, path, f"{path}: not a calibration (Expecting value)", is_empty)


def held_with(*broken, kind="microphone"):
    return Held((made(kind),), {}, NOW, broken)


def test_what_rests_on_a_damaged_calibration_is_doubtful_until_it_is_made_anew():
    def doubts(*broken):
        return calibrated(SETTINGS, "playing", SETTINGS.calibration("playing"), held_with(*broken)).doubts

    assert doubts(damaged("microphone", 2.0)) == {}
    assert doubts(damaged("microphone", 0.5, is_empty=True)) == {}
    assert doubts(damaged("sense", 0.5)) == {}
    (words,) = doubts(damaged("microphone", 0.5)).values()
    assert "not a calibration (Expecting value): run kitproof calibrate microphone" in words
    assert "run kitproof daily" in doubts(damaged("daily", 0.5))["daily"]
