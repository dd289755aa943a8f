import numpy as np
import pytest
from one_of_many import one_unit
from scipy import stats

from rig.circuit.channel import Channel, channel_parts, find_part, impedance_ohm
from rig.circuit.driver import mechanics
from rig.circuit.tolerance import DriverTolerance, draw

UNITS = 4000


@pytest.fixture(scope="module")
def units(two_way: Channel) -> Channel:
    return draw(two_way, np.random.default_rng(1), UNITS)


def test_parts_stay_within_their_tolerance_and_use_it(two_way: Channel, units: Channel) -> None:
    for part in channel_parts(units):
        nominal = find_part(two_way, part.name)
        deviation = (part.value / nominal.value - 1) / nominal.tolerance
        assert deviation.shape == (UNITS, 1)
        assert np.max(np.abs(deviation)) <= 1 + 1e-12
        assert np.max(np.abs(deviation)) > 0.98
    wire = find_part(units, "L1w").series_ohm / 0.35 - 1
    assert 0.98 * 0.05 < np.max(np.abs(wire)) <= 0.05 * (1 + 1e-9)


def test_the_spread_is_a_normal_distribution_cut_off_at_two_sigma(units: Channel) -> None:
    deviation = (find_part(units, "C1t").value[:, 0] / 10e-6 - 1) / 0.025
    assert stats.kstest(deviation, stats.truncnorm(-2, 2).cdf).pvalue > 0.01


def test_drivers_and_box_spread_as_asked(two_way: Channel, units: Channel) -> None:
    nominal, drawn = two_way.drivers[0], units.drivers[0]
    for name, tolerance in (("re_ohm", 0.04), ("fs_hz", 0.08), ("qms", 0.15), ("qes", 0.08), ("le_h", 0.1)):
        deviation = np.abs(getattr(drawn, name) / getattr(nominal, name) - 1)
        assert 0.95 * tolerance < np.max(deviation) <= tolerance * (1 + 1e-9), name
    assert 0.95 * 0.03 < np.max(np.abs(units.box.tuning_hz / 50.0 - 1)) <= 0.03 * (1 + 1e-9)


def test_a_resonance_moves_by_its_suspension_not_by_its_mass(two_way: Channel, units: Channel) -> None:
    nominal = mechanics(two_way.drivers[0]).mms_kg
    np.testing.assert_allclose(mechanics(units.drivers[0]).mms_kg, np.full((UNITS, 1), nominal), rtol=1e-12)


def test_parameters_are_drawn_independently(units: Channel) -> None:
    drawn = np.hstack([part.value for part in channel_parts(units)] + [units.drivers[0].fs_hz, units.box.tuning_hz])
    correlation = np.corrcoef(drawn, rowvar=False) - np.eye(drawn.shape[1])
    assert np.max(np.abs(correlation)) < 5 / np.sqrt(UNITS)


def test_the_same_seed_draws_the_same_units_and_another_does_not(two_way: Channel) -> None:
    first, again, other = (draw(two_way, np.random.default_rng(seed), 3) for seed in (7, 7, 8))
    frequency = np.geomspace(20, 20000, 20)
    np.testing.assert_array_equal(impedance_ohm(first, frequency), impedance_ohm(again, frequency))
    assert not np.allclose(impedance_ohm(first, frequency), impedance_ohm(other, frequency), rtol=1e-4)


def test_no_tolerance_is_the_design(two_way: Channel) -> None:
    exact = draw(two_way, np.random.default_rng(1), 1, DriverTolerance(0, 0, 0, 0, 0, 0))
    assert one_unit(exact, 0).drivers == two_way.drivers
    assert one_unit(exact, 0).box == two_way.box


def test_impossible_draws_are_refused(two_way: Channel) -> None:
    with pytest.raises(IndexError):
        one_unit(draw(two_way, np.random.default_rng(1), 2), 2)
