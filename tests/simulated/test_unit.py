"""The simulated unit: drawn from its serial, within its tolerances, and geometry of the jig."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from simulated_truth import sheet_of

from rig.design.kit import load_kit
from rig.simulated.chance import generator
from rig.simulated.unit import box_pressure_pa, lead_gain, lead_impedance_ohm, nominal_unit, unit_of

ROOT = Path(__file__).parents[2]
BOOTH = load_kit(ROOT, "booth-two")
REHEARSAL = load_kit(ROOT, "rehearsal-three")


def test_the_same_serial_is_the_same_unit_and_another_serial_another() -> None:
    assert unit_of(BOOTH, "BT-0007") == unit_of(BOOTH, "BT-0007")
    assert unit_of(BOOTH, "BT-0007") != unit_of(BOOTH, "BT-0008")


def test_the_two_channels_of_a_pair_are_drawn_apart() -> None:
    left, right = unit_of(BOOTH, "BT-0007").boxes
    assert [part.name for part in left.parts.values()] == [part.name for part in right.parts.values()]
    assert all(a.value != b.value for a, b in zip(left.parts.values(), right.parts.values(), strict=True))


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 9999))
def test_every_part_and_driver_lies_within_its_tolerance(number: int) -> None:
    nominal = nominal_unit(REHEARSAL)
    unit = unit_of(REHEARSAL, f"RT-{number:04d}")
    for designed, box in zip(nominal.boxes, unit.boxes, strict=True):
        for part, drawn in zip(designed.parts.values(), box.parts.values(), strict=True):
            assert abs(drawn.value / part.value - 1) <= part.tolerance * 1.0001
        for coil, other in zip(map(sheet_of, designed.coils), map(sheet_of, box.coils), strict=True):
            assert abs(other.re_ohm / coil.re_ohm - 1) <= 0.041
            assert abs(other.fs_hz / coil.fs_hz - 1) <= 0.081
        assert [np.sign(coil.force_factor) for coil in box.coils] == [np.sign(c.force_factor) for c in designed.coils]


def test_units_spread_around_the_design() -> None:
    drawn = [unit_of(BOOTH, f"BT-{n:04d}").box("left").coils[0].re_ohm for n in range(200)]
    # 200 units with a spread of 2 % before the cut: their mean is known to 0.14 %.
    assert np.mean(drawn) == pytest.approx(5.6, rel=0.005)
    assert np.std(drawn) / 5.6 == pytest.approx(0.018, abs=0.003)


def test_the_resistance_at_the_leads_is_coil_plus_voice_coil() -> None:
    # At direct current the tweeter is behind its capacitor: 0.3 ohm of L1 and 5.6 ohm of the woofer are left,
    # and the motion of the cone, which vanishes well below the box's tuning.
    z = lead_impedance_ohm(nominal_unit(BOOTH), "left", np.array([0.2]))
    assert abs(z[0]) == pytest.approx(5.9, abs=0.02)


def test_the_filter_of_the_bass_box_belongs_to_its_output_not_to_its_leads() -> None:
    unit = nominal_unit(REHEARSAL)
    corner = np.array([120.0])
    # A Linkwitz-Riley filter is 6 dB down at its corner; 26 dB are a factor of 19.95.
    assert abs(lead_gain(unit.output("bass"), corner)[0]) == pytest.approx(19.953 / 2, rel=1e-3)
    assert abs(lead_gain(unit.output("left"), corner)[0]) == pytest.approx(19.953, rel=1e-3)
    bare = lead_impedance_ohm(unit, "bass", corner)
    unfiltered = lead_impedance_ohm(
        unit.with_output("bass", lambda output: replace(output, filter=None)), "bass", corner
    )
    assert bare == unfiltered


def test_sound_falls_with_distance_and_lags_by_the_way() -> None:
    unit = nominal_unit(REHEARSAL)
    f = np.array([100.0])
    near, far = (box_pressure_pa(unit, "left", (0.0, 0.0, d), f, 340.0)[0] for d in (1.0, 2.0))
    assert abs(near / far) == pytest.approx(2.0, rel=2e-3)
    assert np.angle(far / near) == pytest.approx(-2 * np.pi * 100 * 1.0 / 340.0, abs=1e-6)


def test_a_microphone_behind_the_baffle_is_refused() -> None:
    with pytest.raises(ValueError, match="front of the baffle"):
        box_pressure_pa(nominal_unit(BOOTH), "left", (0.0, 0.0, -0.1), np.array([100.0]), 343.0)


def test_the_microphone_stands_in_front_of_the_box_it_is_set_up_at() -> None:
    # left at -0.4 m, right at +0.4 m, bass 0.2 m further back.
    axis = REHEARSAL.position("on axis")
    assert REHEARSAL.microphone_m("left", "left", axis) == pytest.approx((0.0, 0.0, 0.5))
    assert REHEARSAL.microphone_m("right", "left", axis) == pytest.approx((-0.8, 0.0, 0.5))
    assert REHEARSAL.microphone_m("left", "bass", axis) == pytest.approx((0.4, 0.0, 0.3))
    aside = REHEARSAL.microphone_m("left", "left", REHEARSAL.position("30 degrees"))
    assert aside == pytest.approx((0.25, 0.0, 0.5 * np.sqrt(0.75)))


def test_a_change_touches_the_named_box_and_output_only() -> None:
    unit = nominal_unit(BOOTH)
    changed = unit.with_box("right", lambda box: replace(box, baffle_width_m=1.0))
    assert changed.box("left") == unit.box("left")
    assert changed.box("right").baffle_width_m == 1.0
    louder = unit.with_output("left", lambda output: replace(output, gain=1.0))
    assert (louder.output("left").gain, louder.output("right")) == (1.0, unit.output("right"))


def test_a_generator_follows_its_key() -> None:
    assert generator("a", 1).standard_normal() == generator("a", 1).standard_normal()
    # Keys are not run together: ("a", "b1") is not ("ab", "1").
    assert len({generator(*key).standard_normal() for key in [("a", "b1"), ("ab", "1"), ("ab1",), ("a", 1)]}) == 4
