"""Each fault of the unit changes what it should, and nothing else; faults are read, listed and refused."""

from functools import cache
from pathlib import Path

import numpy as np
import pytest
from scipy.special import j1
from simulated_truth import sheet_of

from rig.design.fault_kinds import BENCH_FAULTS, FAULT_KINDS, UNIT_FAULTS
from rig.design.fault_names import Fault, fault_names, parse_fault
from rig.design.kit import Kit, load_kit
from rig.files.errors import FaultError
from rig.simulated.changes import unit_with
from rig.simulated.unit import Unit, box_pressure_pa, lead_gain, lead_impedance_ohm, nominal_unit

ROOT = Path(__file__).parents[2]
BOOTH = load_kit(ROOT, "booth-two")
REHEARSAL = load_kit(ROOT, "rehearsal-three")
GRID_HZ = np.geomspace(10, 20000, 60)
#: What is wrong between the amplifier's input and the leads: bare leads cannot show it.
OF_THE_AMPLIFIER = {"swapped", "quiet", "silent", "corner", "no-filter"}


def broken(kit: Kit, name: str) -> Unit:
    return unit_with([parse_fault(kit, name)], nominal_unit(kit))


def ohm(unit: Unit, channel: str = "left", f: np.ndarray = GRID_HZ) -> np.ndarray:
    return lead_impedance_ohm(unit, channel, f)


def at(unit: Unit, channel: str, hz: float) -> float:
    return float(abs(ohm(unit, channel, np.array([hz]))[0]))


def sound(unit: Unit, channel: str = "left", f: np.ndarray = GRID_HZ) -> np.ndarray:
    """Sound at half a metre in front of the channel's own box."""
    output = unit.output(channel)
    direct = box_pressure_pa(unit, channel, (0.0, 0.0, 0.5), f, 343.0)
    return direct * lead_gain(output, f) * (output.box == channel)


@cache
def good(kit_name: str, channel: str) -> tuple[np.ndarray, np.ndarray]:
    """Sound and impedance of a channel without a fault."""
    whole = nominal_unit(BOOTH if kit_name == BOOTH.name else REHEARSAL)
    return sound(whole, channel), ohm(whole, channel)


#: What is heard with nothing playing, and what a unit does besides its linear response: no transfer function shows it.
AT_REST = {"humming", "hissing"}
BESIDES = {"rub", "buzz", "particle", "blowing", "bent"}


def change_db(kit: Kit, name: str, low_hz: float, high_hz: float, channel: str = "left") -> np.ndarray:
    f = np.geomspace(low_hz, high_hz, 30)
    return np.asarray(
        20 * np.log10(np.abs(sound(broken(kit, name), channel, f) / sound(nominal_unit(kit), channel, f)))
    )


@pytest.mark.parametrize("kind", sorted(UNIT_FAULTS))
def test_a_fault_of_the_unit_changes_its_own_channel_and_no_other(kind: str) -> None:
    listed = [(kit, parse_fault(kit, name)) for kit in (BOOTH, REHEARSAL) for name, _ in fault_names(kit)]
    of_kind = [(kit, fault) for kit, fault in listed if fault.kind == kind]
    assert of_kind
    for kit, fault in of_kind:
        unit, whole = unit_with([fault], nominal_unit(kit)), nominal_unit(kit)
        touched = {fault.channel, *fault.what} if kind == "swapped" else {fault.channel}
        electrical = kind not in OF_THE_AMPLIFIER | AT_REST | BESIDES | {"reversed"}
        for channel in (spec.name for spec in kit.channels):
            of_whole, of_whole_ohm = good(kit.name, channel)
            is_touched, place = channel in touched, (kit.name, str(fault), channel)
            same_sound = np.array_equal(sound(unit, channel), of_whole)
            assert same_sound == (not is_touched or kind in AT_REST | BESIDES), place
            if kind in AT_REST:
                assert (unit.output(channel) == whole.output(channel)) == (not is_touched), place
            assert np.array_equal(ohm(unit, channel), of_whole_ohm) == (not is_touched or not electrical), place
            made_noise = any(noise.box == channel for noise in unit.noises)
            assert made_noise == (is_touched and kind in BESIDES), place


@pytest.mark.parametrize("kit", [BOOTH, REHEARSAL], ids=lambda kit: kit.name)
def test_every_fault_is_read_as_it_is_written_and_described(kit: Kit) -> None:
    listed = fault_names(kit)
    assert len({name for name, _ in listed}) == len(listed)
    assert {parse_fault(kit, name).kind for name, _ in listed} >= set(BENCH_FAULTS)
    for name, words in listed:
        assert str(parse_fault(kit, name)) == name
        assert words
        assert "{" not in words


def test_together_the_two_kits_can_have_every_kind_of_fault() -> None:
    kinds = {parse_fault(kit, name).kind for kit in (BOOTH, REHEARSAL) for name, _ in fault_names(kit)}
    assert kinds == set(FAULT_KINDS)


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("reversed:right:tweeter", Fault("reversed", "right", ("tweeter",))),
        ("reversed:tweeter", Fault("reversed", "left", ("tweeter",))),
        ("reversed", Fault("reversed", "left")),
        (" open:C1 ", Fault("open", "left", ("C1",))),
        ("exchanged:left:C3:C1", Fault("exchanged", "left", ("C1", "C3"))),
        ("swapped:right:left", Fault("swapped", "left", ("right",))),
        ("swapped:right", Fault("swapped", "left", ("right",))),
        ("swapped", Fault("swapped", "left", ("right",))),
        ("driver-leads-swapped:right", Fault("driver-leads-swapped", "right", ("woofer", "tweeter"))),
        ("tuning:right=-5", Fault("tuning", "right", (), -5.0)),
        ("leak", Fault("leak", "left", (), 2.0)),
        ("rub:left=-45", Fault("rub", "left", (), -45.0)),
        ("bent", Fault("bent", "left", (), 3.0)),
        ("door-once=1", Fault("door", amount=1.0, once=True)),
        ("speech=50", Fault("speech", amount=50.0)),
        ("dropped-samples=32", Fault("dropped-samples", amount=32.0)),
        ("dropped-samples-once", Fault("dropped-samples", amount=64.0, once=True)),
        ("unbonded", Fault("unbonded", amount=1.0)),
        ("covered:left=50", Fault("covered", "left", (), 50.0)),
        ("fails-open:right:woofer=0.25", Fault("fails-open", "right", ("woofer",), 0.25)),
        ("silent-sensor", Fault("silent-sensor", what=("heat-sink",), amount=0.5)),
        ("garbage:supply=0", Fault("garbage", what=("supply",), amount=0.0)),
        ("warming=8", Fault("warming", amount=8.0)),
        ("dropped-samples-once=8", Fault("dropped-samples", amount=8.0, once=True)),
    ],
)
def test_faults_are_read(text: str, fault: Fault) -> None:
    assert parse_fault(BOOTH, text) == fault


def test_a_fault_that_can_sit_in_one_place_only_sits_there() -> None:
    assert parse_fault(REHEARSAL, "covered=5") == Fault("covered", "bass", (), 5.0)
    assert ("covered:bass=25", "the cooling vent of the bass box") in [
        (name, words.split(",")[0]) for name, words in fault_names(REHEARSAL) if name.startswith("covered")
    ]


def test_a_driver_may_bear_the_name_of_its_channel() -> None:
    assert parse_fault(REHEARSAL, "reversed:bass") == Fault("reversed", "bass")
    assert parse_fault(REHEARSAL, "reversed:bass:bass") == Fault("reversed", "bass", ("bass",))
    assert parse_fault(REHEARSAL, "dead:bass:bass") == Fault("dead", "bass", ("bass",))
    assert parse_fault(REHEARSAL, "dead:bass") == Fault("dead", "bass", ("bass",))
    assert parse_fault(REHEARSAL, "dead:cone") == Fault("dead", "left", ("cone",))


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("haunted:left", "no such kind; there are reversed, swapped"),
        ("", "no such kind"),
        ("open:left:C9", "allowed are open:left:L1, "),
        ("open:middle:C1", "allowed are open:left:L1, "),
        ("exchanged:left:C1:L1", "allowed are exchanged:left:"),
        ("corner:left", "allowed are none in this kit"),
        ("tuning:left=high", "found the amount 'high'; allowed is a number"),
        ("open:left:C1=3", "this kind takes none"),
        ("clipping:left", "this fault has no channel"),
        ("blowing:left:woofer", "allowed are blowing:left, blowing:right"),
        ("speech:left", "this fault has no channel"),
        ("rub:left=loud", "found the amount 'loud'; allowed is a number"),
        ("rub-once:left", "only faults of the bench strike once"),
        ("unbonded:left", "this fault has no channel"),
        ("garbage:heat-sink:case", "allowed are garbage:heat-sink, garbage:ambient"),
        ("fails-open:left:bass", "allowed are fails-open:left:woofer, "),
        ("leak-once:left", "only faults of the bench strike once"),
        ("covered:right", "allowed are covered:left: only the box with the amplifier board in it has a cooling vent"),
    ],
)
def test_what_cannot_be_is_refused_with_what_can(text: str, message: str) -> None:
    with pytest.raises(FaultError) as caught:
        parse_fault(BOOTH, text)
    assert message in str(caught.value)


def test_several_faults_add_up() -> None:
    faults = [parse_fault(BOOTH, text) for text in ("quiet:left=3", "quiet:left=3", "reversed:left")]
    unit = unit_with(faults, nominal_unit(BOOTH))
    assert unit.output("left").gain == pytest.approx(-(10 ** (20 / 20)))


def test_reversing_a_reversed_driver_sets_it_right_on_the_air_only() -> None:
    assert nominal_unit(REHEARSAL).box("bass").coils[0].force_factor < 0
    unit = broken(REHEARSAL, "reversed:bass:bass")
    assert sound(unit, "bass") == pytest.approx(-sound(nominal_unit(REHEARSAL), "bass"))


def test_a_driver_of_another_width_is_the_same_on_its_axis_and_beams_more_aside() -> None:
    unit, good = broken(BOOTH, "beaming:left:tweeter=1.5"), nominal_unit(BOOTH)
    f = np.array([8000.0, 12000.0])
    on_axis, aside = (0.0, 0.0, 0.5), (0.25, 0.0, 0.433)
    assert np.array_equal(*(box_pressure_pa(one, "left", on_axis, f, 343.0) for one in (unit, good)))
    # The piston of 6.6 cm2: 2 J1(x) / x, its woofer being 30 dB down here.
    x = 2 * np.pi * f / 343.0 * np.sqrt(6.6e-4 / np.pi) * 0.5
    expected_db = 20 * np.log10(j1(1.5 * x) / 1.5 / j1(x))
    heard, designed = (np.abs(box_pressure_pa(one, "left", aside, f, 343.0)) for one in (unit, good))
    assert 20 * np.log10(heard / designed) == pytest.approx(expected_db, abs=0.3)


def test_a_late_channel_is_delayed_and_nothing_else() -> None:
    ratio = lead_gain(broken(REHEARSAL, "late:bass=2").output("bass"), GRID_HZ)
    ratio = ratio / lead_gain(nominal_unit(REHEARSAL).output("bass"), GRID_HZ)
    assert ratio == pytest.approx(np.exp(-2j * np.pi * GRID_HZ * 2e-3))


def test_a_reversed_lead_turns_all_of_the_channel() -> None:
    assert np.array_equal(sound(broken(BOOTH, "reversed:left")), -sound(nominal_unit(BOOTH)))


def test_a_reversed_tweeter_leaves_a_hole_at_the_crossover_only() -> None:
    assert np.min(change_db(BOOTH, "reversed:left:tweeter", 1500, 2300)) < -15
    assert np.max(np.abs(change_db(BOOTH, "reversed:left:tweeter", 50, 500))) < 0.5
    assert np.max(np.abs(change_db(BOOTH, "reversed:left:tweeter", 8000, 15000))) < 0.5


def test_swapped_channels_play_each_others_box() -> None:
    unit = broken(REHEARSAL, "swapped:left:bass")
    assert (unit.output("left").box, unit.output("bass").box) == ("bass", "left")
    # The filter stays with the amplifier's output.
    assert unit.output("left").filter is None
    assert unit.output("bass").filter is not None


def test_a_dead_tweeter_is_silent_and_its_branch_the_network_alone() -> None:
    assert np.max(change_db(BOOTH, "dead:left:tweeter", 6000, 15000)) < -10
    # C3, then L2 across, then C4 with R2 and R3 in series.
    s = 2j * np.pi * 20000
    pad = 6.2 + 12.0
    behind = 1 / (1 / (s * 0.68e-3 + 0.25) + 1 / (1 / (s * 22e-6) + pad))
    tweeter = 1 / (s * 3.9e-6) + behind
    zobel = 6.8 + 1 / (s * 12e-6)
    # Behind L1 (126 ohm) the woofer's branch is all but C1 in parallel with the correction.
    woofer = 0.3 + s * 1.0e-3 + 1 / (s * 6.8e-6 + 1 / zobel)
    expected = abs(1 / (1 / tweeter + 1 / woofer))
    assert at(broken(BOOTH, "dead:left:tweeter"), "left", 20000.0) == pytest.approx(expected, rel=0.02)


def test_a_shorted_first_capacitor_of_the_tweeter_shorts_the_amplifier_at_low_frequencies() -> None:
    # L2 alone is left: its 0.25 ohm.
    assert at(broken(BOOTH, "short:left:C3"), "left", 10.0) == pytest.approx(0.25, abs=0.03)


def test_an_open_coil_leaves_the_capacitor() -> None:
    s = 2j * np.pi * 20.0
    assert at(broken(BOOTH, "open:left:L1"), "left", 20.0) == pytest.approx(abs(1 / (s * 3.9e-6)), rel=0.01)


@pytest.mark.parametrize(("name", "factor"), [("tenth:left:C1", 0.1), ("tenfold:left:C1", 10), ("off:left:C1", 1.2)])
def test_a_wrong_capacitor_alone_in_its_lead(name: str, factor: float) -> None:
    # Far below the cone's resonance the satellite's leads show little but its capacitor of 470 uF.
    reactance = {
        key: -ohm(unit, "left", np.array([1.0]))[0].imag
        for key, unit in (("good", nominal_unit(REHEARSAL)), ("bad", broken(REHEARSAL, name)))
    }
    assert reactance["bad"] / reactance["good"] == pytest.approx(1 / factor, rel=0.005)


def test_a_coil_of_thin_wire_adds_to_the_resistance() -> None:
    added = at(broken(BOOTH, "thin-wire:left:L1"), "left", 0.2) - at(nominal_unit(BOOTH), "left", 0.2)
    assert added == pytest.approx(0.5, abs=1e-3)


def test_exchanged_capacitors_are_each_others_value() -> None:
    # With the woofer off at L1, the leads show C3 at low frequencies, or what stands in its place: C4 of 22 uF.
    faults = [parse_fault(BOOTH, text) for text in ("exchanged:left:C3:C4", "open:left:L1")]
    z = ohm(unit_with(faults, nominal_unit(BOOTH)), "left", np.array([20.0]))
    assert abs(z[0]) == pytest.approx(1 / (2 * np.pi * 20 * 22e-6), rel=0.01)


def test_an_attenuator_the_wrong_way_round_loads_the_network_with_its_shunt_first() -> None:
    right, wrong = nominal_unit(BOOTH), broken(BOOTH, "reversed-pad:left:R2:R3")
    tweeter = 5.3
    # Of the resistances behind C4: 6.2 + 12 || 5.3 as designed, 12 || (6.2 + 5.3) when turned; L2 and C4 at 20 kHz
    # take a few percent of that, and the woofer's branch more.
    designed, turned = 6.2 + 1 / (1 / 12 + 1 / tweeter), 1 / (1 / 12 + 1 / (6.2 + tweeter))
    change = at(wrong, "left", 18000.0) / at(right, "left", 18000.0)
    assert change < 1
    assert change == pytest.approx(turned / designed, rel=0.15)


def test_drivers_on_each_others_leads() -> None:
    unit = broken(BOOTH, "driver-leads-swapped:left")
    # L1's 0.3 ohm and the tweeter's 5.3 ohm; the woofer now sits behind the capacitors.
    assert at(unit, "left", 0.2) == pytest.approx(5.6, abs=0.02)


def test_a_driver_of_twice_the_impedance() -> None:
    unit, good = broken(BOOTH, "wrong-impedance:left:woofer"), nominal_unit(BOOTH)
    assert at(unit, "left", 0.2) - at(good, "left", 0.2) == pytest.approx(5.6, abs=0.02)


def test_a_weak_magnet_loses_its_decibels_where_mass_rules() -> None:
    drop = change_db(BOOTH, "weak:left:woofer", 300, 500)
    assert drop == pytest.approx(-3.0, abs=0.5)


def peaks_and_dips(*faults: str) -> tuple[list[float], list[float]]:
    """Of the woofer in a tight box, behind its coil alone: the network's capacitors would shift them a little."""
    stripped = [parse_fault(BOOTH, text) for text in ("open:C1", "open:C2", "open:C3", "leak=1000", *faults)]
    f = np.geomspace(15, 140, 3000)
    z = np.abs(ohm(unit_with(stripped, nominal_unit(BOOTH)), "left", f))
    rising = np.diff(z) > 0
    turns = np.flatnonzero(rising[1:] != rising[:-1]) + 1
    return [f[i] for i in turns if rising[i - 1]], [f[i] for i in turns if not rising[i - 1]]


def test_a_blocked_port_leaves_one_peak() -> None:
    peaks, dips = peaks_and_dips()
    assert (len(peaks), len(dips)) == (2, 1)
    peaks, dips = peaks_and_dips("blocked-port")
    assert (len(peaks), len(dips)) == (1, 0)
    # Closed box: fs * sqrt(1 + Vas / V), Small 1972.
    assert peaks[0] == pytest.approx(47 * np.sqrt(1 + 11 / 7.5), rel=0.01)


def test_a_mistuned_port_moves_the_dip() -> None:
    (_, (designed,)), (_, (moved,)) = peaks_and_dips(), peaks_and_dips("tuning=5")
    # The coils' inductance pulls the lowest |Z| some percent below the tuning.
    assert 0.96 * 54.0 < designed < 54.0
    assert moved / designed == pytest.approx(1.05, abs=0.004)


def test_a_leak_lowers_the_low_peaks_and_the_bass() -> None:
    lower, upper = peaks_and_dips()[0]
    assert at(broken(BOOTH, "leak:left"), "left", lower) < 0.8 * at(nominal_unit(BOOTH), "left", lower)
    assert at(broken(BOOTH, "leak:left"), "left", upper) < 0.9 * at(nominal_unit(BOOTH), "left", upper)
    assert np.max(change_db(BOOTH, "leak:left", 40, 60)) < -1.0


def test_a_leak_of_a_closed_box_counts_at_its_resonance() -> None:
    # 88 Hz * sqrt(1 + 1.9 / 2.2) is 120 Hz: the leak takes as much there as the air's stiffness over Q.
    f = np.array([120.1])
    unit = broken(REHEARSAL, "leak:left=2")
    air = unit.box("left").air
    assert air.leak == pytest.approx(2 * np.pi * 120.1 * air.compliance / 2, rel=1e-3)
    assert 0.5 < abs(ohm(unit, "left", f)[0] / ohm(nominal_unit(REHEARSAL), "left", f)[0]) < 0.8


def test_missing_damping_raises_the_peaks_and_the_tuning() -> None:
    (lower, _), (designed,) = peaks_and_dips()
    assert at(broken(BOOTH, "undamped:left"), "left", lower) > 1.05 * at(nominal_unit(BOOTH), "left", lower)
    # A box that acts 7 % smaller is tuned by the root of that higher: Helmholtz.
    moved = peaks_and_dips("undamped=1")[1][0]
    assert moved / designed == pytest.approx(np.sqrt(1.07), abs=0.004)


def test_a_closed_box_without_damping_resonates_higher() -> None:
    f = np.geomspace(60, 240, 3000)
    damped, undamped = (
        np.abs(ohm(unit, "left", f)) for unit in (nominal_unit(REHEARSAL), broken(REHEARSAL, "undamped:left"))
    )
    assert np.max(undamped) > np.max(damped)
    # Small 1972: with the square root of 1 + Vas / V, V 7 % smaller.
    expected = np.sqrt((1 + 1.07 * 1.9 / 2.2) / (1 + 1.9 / 2.2))
    assert f[np.argmax(undamped)] / f[np.argmax(damped)] == pytest.approx(expected, abs=0.01)


def test_a_stiff_suspension_moves_the_resonance() -> None:
    unit = broken(REHEARSAL, "stiff:left:cone=10")
    driver = sheet_of(unit.box("left").coils[0])
    assert driver.fs_hz == pytest.approx(96.8)
    # The mass stays: fs**2 * Vas does too, for a given area.
    assert driver.fs_hz**2 * driver.vas_m3 == pytest.approx(88.0**2 * 1.9e-3)


def test_levels_of_the_amplifier() -> None:
    assert change_db(BOOTH, "quiet:left", 50, 15000) == pytest.approx(-6.0)
    assert not np.any(sound(broken(BOOTH, "silent:left")))
    # One octave above its corner a Linkwitz-Riley filter of order 4 is 24.6 dB down, and 0 dB without it.
    assert change_db(REHEARSAL, "no-filter:bass", 240, 240.1, "bass") == pytest.approx(24.6, abs=0.1)
    # 1 / (1 + x**4) with x = 2 and x = 4 / 3.
    moved = 20 * np.log10((1 + 2**4) / (1 + (4 / 3) ** 4))
    assert change_db(REHEARSAL, "corner:bass", 240, 240.1, "bass") == pytest.approx(moved, abs=0.02)


def test_shorted_turns_lower_the_resistance() -> None:
    change = at(broken(REHEARSAL, "shorted-turns:left:cone"), "left", 20000.0) / at(
        nominal_unit(REHEARSAL), "left", 20000.0
    )
    assert change < 0.9
    driver, good = (
        sheet_of(unit.box("left").coils[0]) for unit in (broken(REHEARSAL, "shorted-turns"), nominal_unit(REHEARSAL))
    )
    assert driver.re_ohm / good.re_ohm == pytest.approx(0.7)
    # The motor: Bl goes with the turns, so Re / Qes = Bl**2 / (w Mms) goes with their square.
    assert (driver.re_ohm / driver.qes) / (good.re_ohm / good.qes) == pytest.approx(0.49)


@pytest.mark.parametrize("amount", ["nan", "inf", "-inf", "1e308", "1e400", "much"])
def test_an_amount_that_is_no_quantity_is_refused(amount: str) -> None:
    with pytest.raises(FaultError, match=r"allowed is a number from -99 to 1e\+09"):
        parse_fault(BOOTH, f"off:left:C1={amount}")


@pytest.mark.parametrize(
    "text", ["leak=0", "off:C1=-100", "wrong-impedance:woofer=0", "tuning=-100", "fails-open:left:woofer=1.5"]
)
def test_an_amount_that_leaves_nothing_of_a_value_is_refused(text: str) -> None:
    with pytest.raises(FaultError, match="allowed is a number from"):
        parse_fault(BOOTH, text)
