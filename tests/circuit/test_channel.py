import pickle
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from one_of_many import one_unit

from rig.circuit.box import Box, driver_impedance
from rig.circuit.channel import (
    Branch,
    Channel,
    ElectronicFilter,
    box_of,
    channel_parts,
    driver_voltage,
    filter_response,
    impedance_ohm,
    with_driver,
    with_part,
)
from rig.circuit.driver import Driver
from rig.circuit.notation import parse_element
from rig.circuit.radiation import microphone_at, pressure_pa
from rig.circuit.tolerance import draw

FREQUENCY_HZ = np.geomspace(20, 20000, 91)


@given(st.integers(0, 2**32 - 1))
@settings(max_examples=15, deadline=None)
def test_units_together_equal_units_one_by_one(seed: int) -> None:
    woofer = Driver("woofer", 5.6, 45.0, 4.0, 0.45, 0.02, 0.0136, 0.6e-3, 0.7)
    tweeter = Driver("tweeter", 5.4, 900.0, 2.0, 1.2, 2e-5, 7e-4, 0.05e-3, 0.8, in_box=False)
    design = Channel(
        "c",
        (
            Branch(woofer, (parse_element("series L1 0.82 mH (0.35 ohm)"), parse_element("shunt C1 20 uF"))),
            Branch(tweeter, (parse_element("series C2 10 uF"),)),
        ),
        Box("vented", 0.014, 50.0, 7.0),
        0.2,
    )
    units = draw(design, np.random.default_rng(seed), 4)
    microphone = microphone_at(0.8, 20.0, 0.05)
    together = impedance_ohm(units, FREQUENCY_HZ), pressure_pa(units, FREQUENCY_HZ, 2.0, microphone)
    for i in range(4):
        unit = one_unit(units, i)
        np.testing.assert_allclose(together[0][i], impedance_ohm(unit, FREQUENCY_HZ), rtol=1e-12)
        np.testing.assert_allclose(together[1][i], pressure_pa(unit, FREQUENCY_HZ, 2.0, microphone), rtol=1e-9)


def test_shapes_with_and_without_units(two_way: Channel) -> None:
    units = with_driver(two_way, "woofer", re_ohm=np.full((5, 1), 5.6))
    assert impedance_ohm(two_way, FREQUENCY_HZ).shape == (91,)
    assert impedance_ohm(units, FREQUENCY_HZ).shape == (5, 91)
    assert driver_voltage(two_way, FREQUENCY_HZ).shape == (2, 91)
    assert driver_voltage(units, FREQUENCY_HZ).shape == (2, 5, 91)


def test_branches_are_parallel_at_the_leads(two_way: Channel) -> None:
    alone = [impedance_ohm(replace(two_way, branches=(branch,)), FREQUENCY_HZ) for branch in two_way.branches]
    np.testing.assert_allclose(impedance_ohm(two_way, FREQUENCY_HZ), 1 / (1 / alone[0] + 1 / alone[1]), rtol=1e-12)


def test_a_driver_without_a_network_has_the_leads_voltage_and_impedance(woofer: Driver) -> None:
    channel = Channel("c", (Branch(woofer),), Box("closed", 0.014))
    np.testing.assert_allclose(
        impedance_ohm(channel, FREQUENCY_HZ), driver_impedance(woofer, channel.box, FREQUENCY_HZ), rtol=1e-12
    )
    np.testing.assert_array_equal(driver_voltage(channel, FREQUENCY_HZ, 2.0), np.full((1, 91), 2.0 + 0j))


@pytest.mark.parametrize(
    ("part", "state"), [(name, s) for name in ("L1w", "C1w", "C1t", "L1t", "Rs", "Rp") for s in ("open", "short")]
)
def test_every_part_fault_keeps_the_channel_passive_and_changes_its_impedance(
    two_way: Channel, part: str, state: str
) -> None:
    healthy = impedance_ohm(two_way, FREQUENCY_HZ)
    faulty = impedance_ohm(with_part(two_way, part, state=state), FREQUENCY_HZ)
    assert np.all(faulty.real >= 0)
    assert np.max(np.abs(np.abs(faulty / healthy) - 1)) > 0.15


def test_an_open_tweeter_is_silent_and_seen_above_its_crossover(two_way: Channel) -> None:
    dead = with_driver(two_way, "tweeter", state="open")
    high = FREQUENCY_HZ > 8000
    microphone = microphone_at(1.0)
    lost = pressure_pa(dead, FREQUENCY_HZ, 1.0, microphone) / pressure_pa(two_way, FREQUENCY_HZ, 1.0, microphone)
    assert np.all(20 * np.log10(np.abs(lost[high])) < -20)
    ratio = np.abs(impedance_ohm(dead, FREQUENCY_HZ) / impedance_ohm(two_way, FREQUENCY_HZ))
    assert np.all(ratio[high] > 1.5)
    assert np.all(np.abs(ratio[FREQUENCY_HZ < 200] - 1) < 0.01)


def test_woofer_and_tweeter_inverted_give_one_magnitude(two_way: Channel) -> None:
    microphone = microphone_at(1.0)
    low, high = (
        pressure_pa(with_driver(two_way, name, polarity=-1), FREQUENCY_HZ, 1.0, microphone)
        for name in ("woofer", "tweeter")
    )
    np.testing.assert_allclose(np.abs(low), np.abs(high), rtol=1e-9)


def test_two_equal_drivers_share_a_box_as_one_driver_has_half_of_it(woofer: Driver) -> None:
    pair = Channel("c", (Branch(woofer), Branch(replace(woofer, name="second"))), Box("vented", 0.028, 50.0, 7.0))
    half = Channel("c", (Branch(woofer),), Box("vented", 0.014, 50.0, 7.0))
    np.testing.assert_allclose(impedance_ohm(pair, FREQUENCY_HZ), impedance_ohm(half, FREQUENCY_HZ) / 2, rtol=1e-12)
    assert box_of(pair, replace(woofer, in_box=False)).kind == "none"


@pytest.mark.parametrize("kind", ["lowpass", "highpass"])
def test_an_electronic_filter_acts_on_the_sound_and_not_on_the_impedance(two_way: Channel, kind: str) -> None:
    electronic = ElectronicFilter(kind, 120.0, 4, "linkwitz-riley")
    filtered, microphone = replace(two_way, filter=electronic), microphone_at(1.0)
    np.testing.assert_array_equal(impedance_ohm(filtered, FREQUENCY_HZ), impedance_ohm(two_way, FREQUENCY_HZ))
    np.testing.assert_allclose(
        pressure_pa(filtered, FREQUENCY_HZ, 1.0, microphone),
        pressure_pa(two_way, FREQUENCY_HZ, 1.0, microphone) * filter_response(electronic, FREQUENCY_HZ),
        rtol=1e-9,
    )


@pytest.mark.parametrize("changes", [{"order": 5}, {"hz": 0.0}])
def test_a_filter_refuses_what_is_not_one(changes: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=f"filter: {next(iter(changes))}"):
        replace(ElectronicFilter("lowpass", 100.0), **changes)


def test_linkwitz_riley_has_no_odd_order() -> None:
    with pytest.raises(ValueError, match=r"allowed for linkwitz-riley are \(2, 4\)"):
        ElectronicFilter("lowpass", 100.0, 3, "linkwitz-riley")


def test_names_are_unique_and_unknown_names_are_told(two_way: Channel) -> None:
    with pytest.raises(ValueError, match="driver name 'woofer' occurs twice"):
        replace(two_way, branches=(two_way.branches[0], two_way.branches[0]))
    doubled = replace(two_way.branches[0], driver=replace(two_way.branches[0].driver, name="other"))
    with pytest.raises(ValueError, match="part name 'L1w' occurs twice"):
        replace(two_way, branches=(two_way.branches[0], doubled))
    with pytest.raises(ValueError, match="has no branch"):
        replace(two_way, branches=())
    with pytest.raises(KeyError, match="no driver 'horn'; there are"):
        with_driver(two_way, "horn", re_ohm=1.0)
    with pytest.raises(KeyError, match="no part 'C9'; there are"):
        with_part(two_way, "C9", value=1.0)


def test_changing_a_part_changes_that_part_alone(two_way: Channel) -> None:
    before = {part.name: part for part in channel_parts(two_way)}
    after = {part.name: part for part in channel_parts(with_part(two_way, "C1t", value=1e-6))}
    assert after.pop("C1t").value == 1e-6
    before.pop("C1t")
    assert after == before


def test_the_hash_of_a_channel_is_found_once_and_stays_in_its_process(two_way: Channel) -> None:
    asked: list[Box] = []

    class Watched(Box):
        def __hash__(self) -> int:
            asked.append(self)
            return 1

    watched = replace(two_way, box=Watched())
    assert hash(watched) == hash(watched)
    assert len(asked) == 1
    assert hash(two_way) == hash(replace(two_way))
    assert "_hash" not in two_way.__getstate__()
    assert pickle.loads(pickle.dumps(two_way)) == two_way
