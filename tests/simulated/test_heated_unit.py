"""The simulated unit as it warms up: plausible heat, the log's rows, and each fault's own signature."""

from dataclasses import replace
from itertools import islice
from pathlib import Path

import numpy as np
import pytest
from heat_truth import steady_celsius, steady_state

from checks import heat
from rig.design.fault_names import board_box, parse_fault
from rig.design.kit import load_kit
from rig.signals.programme import music_like
from rig.simulated.bench import SimulatedBench
from rig.simulated.heat_drive import drive_of
from rig.simulated.heat_log import rows_of
from rig.simulated.heat_network import COLD_CELSIUS, copper_ratio, step, thermal_unit
from rig.simulated.heat_unit import HeatedUnit
from rig.values.requests import Guard, Programme, RoleGuard
from rig.verdict.guard import watched
from rig.verdict.judge import judge

ROOT = Path(__file__).parents[2]
BOOTH = load_kit(ROOT, "booth-two")
REHEARSAL = load_kit(ROOT, "rehearsal-three")
KITS = pytest.mark.parametrize("kit", [BOOTH, REHEARSAL], ids=lambda kit: kit.name)
ROLES = ("heat sink", "magnet left", "box left", "case", "coil left")


def programme(kit=BOOTH, seconds=1800.0, level_v=3.5, every_s=5.0, roles=ROLES, moment=""):
    guard = Guard(tuple(RoleGuard(role, "celsius", rise_k=60.0) for role in roles), 30.0, 5.0, 3.0, (0.7, 1.6))
    gain = 10 ** (kit.amplifier.gain_db / 20)
    channels = tuple(channel.name for channel in kit.channels)
    place = kit.positions[0].name
    noise = music_like()
    return Programme(
        "soak", channels, channels[0], place, level_v, gain, noise, seconds, 30.0, every_s, guard, moment=moment
    )


def rest(seconds):
    return programme(seconds=seconds, level_v=0.0, moment="rest")


def rows(*faults, kit=BOOTH, serial=None, seed=1, **asked):
    named = [parse_fault(kit, fault) for fault in faults]
    return list(rows_of(HeatedUnit(kit, serial or kit.serial_example, named, seed), programme(kit, **asked)))


def column(log, name):
    return np.array([row.values.get(name, np.nan) for row in log])


def steady(heated, kit, level_v=3.5):
    asked = programme(kit)
    drive = drive_of(heated.unit, asked.noise, asked.channels, asked.path_gain)
    return {place: c - 20 for place, c in steady_celsius(heated, drive, level_v, 20.0).items()}


@KITS
def test_heat_is_what_a_builder_would_find_plausible(kit):
    rises = [steady(HeatedUnit(kit, kit.serial_example[:-4] + f"{n:04d}"), kit) for n in range(1, 21)]
    assert all(20 < rise["heat sink"] < 45 for rise in rises)
    assert all(12 < rise[f"coil left {kit.channels[0].drivers[0].name}"] < 60 for rise in rises)
    assert all(rise["box left"] < rise[f"magnet left {kit.channels[0].drivers[0].name}"] for rise in rises)
    assert np.std([rise["heat sink"] for rise in rises]) > 0.5


@KITS
def test_time_constants_are_seconds_for_coils_and_a_quarter_to_three_quarters_of_an_hour_for_the_rest(kit):
    tau_s = 1 / thermal_unit(kit, kit.serial_example).modes[0]
    coils = sum(len(channel.drivers) for channel in kit.channels)
    # Beside the coils only the chip and the air round the board are as quick.
    assert np.sum(tau_s < 15) == coils + 2
    assert np.all((tau_s < 15) | ((tau_s > 300) & (tau_s < 3600)))


def test_a_long_step_is_as_good_as_many_short_ones_and_ends_in_the_steady_state():
    thermal = thermal_unit(BOOTH, "BT-0001")
    # Without coils' heat the network is linear, and its steps are exact.
    watt = np.zeros(len(thermal.places))
    watt[thermal.places.index("chip")] = 4.0
    cold = np.full(len(thermal.places), COLD_CELSIUS)
    short = cold
    for _ in range(100):
        short = step(thermal, short, watt, 9.0)
    assert step(thermal, cold, watt, 900.0) == pytest.approx(short, abs=1e-9)
    assert step(thermal, cold, watt, 1e6) == pytest.approx(steady_state(thermal, watt), abs=1e-6)


def test_no_heat_is_lost_on_the_way_to_the_room():
    thermal = thermal_unit(REHEARSAL, "RT-0001")
    watt = np.zeros(len(thermal.places))
    watt[thermal.places.index("chip")], watt[thermal.coils[0].node] = 4.0, 0.0
    rise = steady_state(thermal, watt, 20.0) - 20.0
    assert thermal.to_ambient @ rise == pytest.approx(4.0)


def test_the_same_serial_is_the_same_unit_and_another_another():
    one, again, other = (rows(serial=serial, seconds=60.0) for serial in ("BT-0001", "BT-0001", "BT-0002"))
    assert one == again
    assert [row.values for row in one] != [row.values for row in other]


def test_rows_have_their_states_clock_and_columns():
    log = rows(seconds=62.0)
    assert [row.state for row in log] == ["cold"] * 4 + ["ramp"] * 6 + ["playing"] * 3
    assert log[-1].seconds == 62.0
    assert log[-1].clock > log[0].clock
    assert log[0].clock.endswith("+00:00")
    for name in ("drive_v.left", "coil_ohm.right", "coil_ohm_u.left", "level_db.63", "gain_db.left.8000"):
        assert np.all(np.isfinite(column(log, name)))
    for role in (*ROLES, "ambient"):
        celsius = column(log, f"celsius.{role}")
        assert celsius * 10 == pytest.approx(np.round(celsius * 10), abs=1e-6)
        assert log[-1].answers[role]
    assert column(log, "volt.supply")[-1] == pytest.approx(24, abs=0.2)
    assert column(log, "ampere.supply")[-1] > 2 * column(log, "ampere.supply")[0]
    assert column(log, "drive_v.left")[-1] == pytest.approx(3.5, rel=0.05)
    assert column(log, "drive_v.left")[0] == pytest.approx(0.35, rel=0.05)


def test_a_channel_behind_a_filter_says_nothing_of_bands_it_does_not_play():
    log = rows(kit=REHEARSAL, seconds=60.0, roles=("heat sink",))
    assert np.isfinite(column(log, "gain_db.bass.63")).all()
    assert "gain_db.bass.4000" not in log[-1].values
    assert column(log, "drive_v.bass")[-1] < 0.7 * column(log, "drive_v.left")[-1]


def test_coils_warm_with_their_resistance_and_their_gain_falls():
    log = rows(kit=REHEARSAL, seconds=1800.0, every_s=10.0)
    ohm, gain_db = column(log, "coil_ohm.left"), column(log, "gain_db.left.1000")
    warm = column(log, "celsius.coil left")[-20:].mean()
    ratio = ohm[-20:].mean() / ohm[0]
    assert ratio == pytest.approx(copper_ratio(warm) / copper_ratio(21.0), rel=0.02)
    lost_db = gain_db[5:10].mean() - gain_db[-20:].mean()
    assert 0 < lost_db < 20 * np.log10(ratio) + 0.1
    scatter = np.diff(ohm[-100:]).std() / np.sqrt(2)
    assert scatter == pytest.approx(column(log, "coil_ohm_u.left")[-1], rel=0.35)


def test_rest_cools_what_the_programme_warmed():
    heated = HeatedUnit(BOOTH, "BT-0001", seed=1)
    hot = list(rows_of(heated, programme(seconds=3600.0)))[-1]
    cooling = list(rows_of(heated, rest(1800.0)))
    assert all(row.state == "rest" for row in cooling)
    assert not any(name.startswith(("drive_v", "coil_ohm", "gain_db")) for name in cooling[0].values)
    first, last = (row.values["celsius.heat sink"] for row in (cooling[0], cooling[-1]))
    assert first == pytest.approx(hot.values["celsius.heat sink"], abs=0.5)
    assert last < first - 8
    assert cooling[0].clock > hot.clock


@pytest.mark.parametrize("fresh", [False, True], ids=["same unit", "rig started anew"])
def test_after_an_interruption_the_unit_has_cooled_and_ramps_up_again(fresh):
    heated = HeatedUnit(BOOTH, "BT-0001", seed=1)
    before = list(islice(rows_of(heated, programme(seconds=3600.0)), 360))[-1]
    assert before.seconds == 1800.0
    if fresh:
        heated = HeatedUnit(BOOTH, "BT-0001", seed=1)
    after = list(rows_of(heated, programme(seconds=3600.0), from_s=2400.0, gap_s=600.0))
    assert [row.state for row in after[:8]] == ["gap"] + ["ramp"] * 5 + ["playing"] * 2
    assert (after[0].seconds, after[-1].seconds) == (2405.0, 3600.0)
    cooled = before.values["celsius.heat sink"] - after[0].values["celsius.heat sink"]
    assert 5 < cooled < before.values["celsius.heat sink"] - 20
    assert after[0].values["drive_v.left"] < 1.0 < 3.0 < after[8].values["drive_v.left"]


def test_a_heat_sink_that_is_not_bonded_stays_cool_over_a_hot_chip():
    good, bad = (rows(*f, seconds=1800.0, roles=("heat sink", "chip")) for f in ((), ("unbonded",)))
    assert column(bad, "celsius.heat sink")[-1] < column(good, "celsius.heat sink")[-1] - 5
    assert column(bad, "celsius.chip")[-1] > column(good, "celsius.chip")[-1] + 15


@KITS
def test_a_covered_vent_warms_the_air_round_the_amplifier_and_the_sink_and_leaves_the_speaker_as_it_is(kit):
    box = board_box(kit)
    assert box == {"booth-two": "left", "rehearsal-three": "bass"}[kit.name]
    whole, half, covered, closed = (
        steady(HeatedUnit(kit, kit.serial_example, [parse_fault(kit, f"covered:{box}={amount}")]), kit)
        for amount in (100, 50, 25, 0)
    )
    assert whole == steady(HeatedUnit(kit, kit.serial_example), kit)
    assert whole["amplifier air"] < half["amplifier air"] < covered["amplifier air"] < closed["amplifier air"]
    # The walls still lead some of the heat away.
    assert closed["amplifier air"] < 5 * whole["amplifier air"]
    assert covered["heat sink"] - whole["heat sink"] == pytest.approx(
        covered["amplifier air"] - whole["amplifier air"], rel=0.3
    )
    magnet = f"magnet left {kit.channels[0].drivers[0].name}"
    assert covered[magnet] == pytest.approx(whole[magnet], abs=0.01)


@KITS
def test_limits_of_the_steady_state_leave_room_for_good_units_and_none_for_a_covered_vent_or_an_unbonded_sink(kit):
    level_v = kit.checks["heat"]["level_v"]

    def rises(fault, place):
        faults = [parse_fault(kit, fault)] if fault else []
        serials = [f"{kit.serial_example[:-4]}{n:04d}" for n in range(1, 41 if not fault else 9)]
        return np.array([steady(HeatedUnit(kit, serial, faults), kit, level_v)[place] for serial in serials])

    for place in ("heat sink", "amplifier air"):
        limit, good = kit.limits["heat"][f"steady rise {place}"], rises("", place)
        room_k = min(good.mean() - limit.lower, limit.upper - good.mean())
        assert 4 * good.std(ddof=1) < room_k < 6 * good.std(ddof=1)
    upper_k = kit.limits["heat"]["steady rise amplifier air"].upper
    for amount in (25, 5):
        assert np.all(rises(f"covered:{board_box(kit)}={amount}", "amplifier air") > upper_k + 0.3)
    lower_k = kit.limits["heat"]["steady rise heat sink"].lower
    for amount in (1, 2):
        assert np.all(rises(f"unbonded={amount}", "heat sink") < lower_k - 0.3)


@KITS
def test_a_covered_vent_fails_the_heat_test_by_the_air_beside_the_board(kit):
    table = heat.Settings.model_validate(kit.checks["heat"] | {"every_s": 20.0})
    (asked,) = heat.requests(kit, table)
    faults = [parse_fault(kit, f"covered:{board_box(kit)}=25")]
    log = watched(
        replace(asked, early_end_after_s=None), rows_of(HeatedUnit(kit, kit.serial_example, faults, 1), asked), {}
    )
    verdicts = judge(heat.read([log], table, kit), kit.limits["heat"], kit.folder, "heat")
    failed = {(v.quantity, v.subject) for v in verdicts if v.outcome == "fail"}
    assert ("steady rise", "amplifier air") in failed
    assert {subject for _, subject in failed} == {"amplifier air"}


def test_a_driver_that_burns_out_stays_open_and_shows_in_coil_gain_and_heat():
    heated = HeatedUnit(BOOTH, "BT-0001", [parse_fault(BOOTH, "fails-open:left:woofer=0.5")], 1)
    log = list(rows_of(heated, programme(seconds=1200.0)))
    half = column(log, "coil_ohm.left")
    assert np.all(half[:110] < 10)
    assert np.all(half[121:] > 50)
    assert column(log, "gain_db.left.125")[-1] < column(log, "gain_db.left.125")[100] - 20
    assert column(log, "gain_db.left.8000")[-1] == pytest.approx(column(log, "gain_db.left.8000")[100], abs=0.5)
    assert column(log, "gain_db.right.125")[-1] == pytest.approx(column(log, "gain_db.right.125")[100], abs=1.0)
    assert column(log, "celsius.magnet left")[-1] < column(log, "celsius.magnet left")[118]
    assert heated.opened == (("left", "woofer"),)
    assert heated.unit.box("left").coils[0].state == "open"
    list(rows_of(heated, rest(60.0)))
    assert heated.opened == (("left", "woofer"),)


@pytest.mark.parametrize(("fault", "answer"), [("silent-sensor", None), ("garbage", "+9.9E+37?")])
def test_a_failing_sensor_leaves_nothing_stale(fault, answer):
    log = rows(f"{fault}:heat-sink=0.25", seconds=240.0)
    sink = column(log, "celsius.heat sink")
    assert np.isfinite(sink[:11]).all()
    assert np.isnan(sink[12:]).all()
    assert log[-1].answers.get("heat sink") == answer
    assert np.isfinite(column(log, "celsius.case")).all()


def test_a_warming_room_is_in_its_own_thermometer():
    still, warming = (rows(*f, seconds=3600.0, every_s=30.0) for f in ((), ("warming=8",)))
    drift = column(warming, "celsius.ambient") - column(still, "celsius.ambient")
    assert drift[-1] - drift[0] == pytest.approx(8, abs=0.5)


def test_a_temperature_that_the_unit_does_not_have_is_refused_with_what_there_is():
    with pytest.raises(ValueError, match=r"no temperature of 'lid' .* heat sink"):
        rows(roles=("lid",), seconds=60.0)


def test_a_bench_s_doubts_go_with_every_row():
    bench = SimulatedBench(BOOTH, "BT-0001")
    bench.doubts = {"output": "the calibration 'output' is missing"}
    with bench.stage("soak") as player:
        for row in islice(player.soak(programme(seconds=60.0)), 3):
            assert row.doubts == bench.doubts
