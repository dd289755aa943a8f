"""Groups within groups: model, simulated unit and findings against nodal equations that share no code with them."""

import numpy as np
import pytest
from strangers import nodal
from strangers.nodal import GROUND, Series

from rig.circuit.box import Box
from rig.circuit.channel import Branch, Channel, impedance_ohm, with_part
from rig.circuit.driver import Driver
from rig.circuit.ladder import ladder
from rig.circuit.nearest import nearest_good_unit
from rig.circuit.notation import parse_element
from rig.circuit.spread import moved, parameters
from rig.findings.branches import branches_of, channel_impedance_ohm
from rig.simulated.elements import designed, speaker_of
from rig.simulated.physics import driven

HZ = np.geomspace(20.0, 20000.0, 80)
LOAD_OHM = 6.0
#: Each with the same network as a net of two-terminal elements from "lead" over "out" to ground.
NETWORKS = {
    "series R1 10 ohm | C1 8.2 uF + (L1 0.5 mH | R2 4.7 ohm)": [
        Series("lead", "out", resistance=10.0),
        Series("lead", "x", capacitance=8.2e-6),
        Series("x", "out", inductance=0.5e-3),
        Series("x", "out", resistance=4.7),
    ],
    "shunt (R1 3.3 ohm | C1 10 uF) + (L1 0.2 mH | R2 15 ohm) + R3 1 ohm": [
        Series("lead", "out", resistance=1e-9),
        Series("out", "x", resistance=3.3),
        Series("out", "x", capacitance=10e-6),
        Series("x", "y", inductance=0.2e-3),
        Series("x", "y", resistance=15.0),
        Series("y", GROUND, resistance=1.0),
    ],
    "series L1 0.6 mH | (R1 8 ohm + (C1 4.7 uF | R2 22 ohm)) + L2 0.1 mH": [
        Series("lead", "out", inductance=0.6e-3),
        Series("lead", "x", resistance=8.0),
        Series("x", "y", capacitance=4.7e-6),
        Series("x", "y", resistance=22.0),
        Series("y", "out", inductance=0.1e-3),
    ],
}
DRIVER = Driver("cone", 5.6, 70.0, 4.0, 0.5, 5e-3, 50e-4, 0.3e-3, 0.7)


@pytest.mark.parametrize("text", NETWORKS)
def test_the_ladder_is_the_net(text: str) -> None:
    net = [*NETWORKS[text], Series("out", GROUND, resistance=LOAD_OHM)]
    current, potentials = nodal.solve(net, "lead", HZ)
    impedance, transfer = ladder([parse_element(text)], HZ, np.full(HZ.shape, LOAD_OHM + 0j))
    np.testing.assert_allclose(impedance, 1 / current, rtol=1e-6)
    np.testing.assert_allclose(transfer, potentials["out"], rtol=1e-6)


def channel_of(text: str) -> Channel:
    return Channel("left", (Branch(DRIVER, (parse_element("series L9 0.1 mH"), parse_element(text))),), Box("none"))


@pytest.mark.parametrize("text", NETWORKS)
def test_the_simulated_unit_lays_the_same_parts(text: str) -> None:
    channel = channel_of(text)
    unit = speaker_of(channel, designed)
    np.testing.assert_allclose(driven(unit, HZ).lead_ohm, impedance_ohm(channel, HZ), rtol=1e-4)
    assert sorted(unit.parts) == sorted(
        part.name for element in channel.branches[0].elements for part in element.parts()
    )


@pytest.mark.parametrize("text", NETWORKS)
def test_many_units_are_predicted_as_the_model_has_each(text: str) -> None:
    channel = channel_of(text)
    among = parameters(channel)
    deviations = np.random.default_rng(1).standard_normal((5, len(among)))
    units = moved(channel, among, deviations)
    np.testing.assert_allclose(channel_impedance_ohm(branches_of(units, 5), HZ), impedance_ohm(units, HZ), rtol=1e-9)


def test_a_wrong_part_deep_inside_leaves_something_over_and_a_good_unit_nothing() -> None:
    channel = channel_of(next(iter(NETWORKS)))
    good = moved(channel, parameters(channel), 0.5 * np.ones((1, len(parameters(channel)))))
    wrong = with_part(channel, "R2", value=22.0)
    left = [
        np.sqrt(np.mean(np.abs(nearest_good_unit(channel, HZ, impedance_ohm(unit, HZ).reshape(-1)).left_over) ** 2))
        for unit in (good, wrong)
    ]
    assert left[0] < 1e-3
    assert left[1] > 0.02
