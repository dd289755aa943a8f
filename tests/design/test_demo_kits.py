"""The demonstration kits are sound designs, and say what is safe."""

import re
from pathlib import Path

import numpy as np
import pytest

from rig.circuit.channel import impedance_ohm, with_driver
from rig.circuit.radiation import driver_pressure_pa, microphone_at, pressure_pa
from rig.design.kit import Kit, kit_names, load_kit
from rig.simulated.unit import box_pressure_pa, lead_gain, unit_of
from rig.values.requests import Stage

ROOT = Path(__file__).parents[2]
BOOTH = load_kit(ROOT, "booth-two")
REHEARSAL = load_kit(ROOT, "rehearsal-three")
KITS = [BOOTH, REHEARSAL]
EACH = pytest.mark.parametrize("kit", KITS, ids=lambda kit: kit.name)
EACH_CHANNEL = pytest.mark.parametrize(
    ("kit", "channel"), [(kit, c.name) for kit in KITS for c in kit.channels], ids=lambda x: getattr(x, "name", x)
)
GRID_HZ = np.geomspace(10, 20000, 2000)
ON_AXIS = microphone_at(0.5)


def level_db(kit: Kit, channel: str, low_hz: float, high_hz: float) -> np.ndarray:
    """Sound pressure level at 1 V in a band, on axis at half a metre, without a room."""
    f = np.geomspace(low_hz, high_hz, 400)
    return 20 * np.log10(np.abs(pressure_pa(kit.model(channel), f, 1.0, ON_AXIS)) / 20e-6)


def test_there_are_two() -> None:
    assert {kit.name for kit in KITS} <= set(kit_names(ROOT))


def test_the_booth_is_voiced_flat() -> None:
    level = level_db(BOOTH, "left", 150, 15000)
    # Asked for is +-2 dB; the model keeps to half a decibel.
    assert np.max(np.abs(level - np.mean(level))) < 0.6
    # About 82 dB at 2.83 V and 1 m: 79.5 dB at 1 V and half a metre.
    assert np.mean(level) == pytest.approx(79.5, abs=0.5)


def test_the_satellites_are_flat_from_their_lower_end_up() -> None:
    level = level_db(REHEARSAL, "left", 150, 10000)
    assert np.ptp(level) < 2.5


@EACH_CHANNEL
def test_no_lead_goes_below_80_percent_of_its_nominal_impedance(kit: Kit, channel: str) -> None:
    nominal_ohm = min(driver.nominal_ohm for driver in kit.channel(channel).drivers)
    lowest = np.min(np.abs(impedance_ohm(kit.model(channel), GRID_HZ)))
    assert lowest >= 0.8 * nominal_ohm
    assert lowest >= kit.amplifier.load_ohm


@EACH
def test_units_drawn_within_tolerance_stay_near_the_design(kit: Kit) -> None:
    for channel in (c.name for c in kit.channels):
        low, high = kit.channel(channel).band
        f = np.geomspace(2 * low, high, 200)
        design = pressure_pa(kit.model(channel), f, 1.0, ON_AXIS)
        for number in range(15):
            unit = unit_of(kit, f"{kit.serial_example[:3]}{number:04d}")
            gain = lead_gain(unit.output(channel), f) / kit.amplifier.gain
            drawn = gain * box_pressure_pa(unit, channel, ON_AXIS, f, 343.0)
            assert np.max(np.abs(20 * np.log10(np.abs(drawn / design)))) < 2.0


def test_the_tweeter_fits_the_woofer_the_way_round_it_is_designed() -> None:
    f = np.geomspace(1300, 2800, 300)
    woofer, tweeter = driver_pressure_pa(BOOTH.model("left"), f, 1.0, ON_AXIS)
    handover = np.argmin(np.abs(np.log(np.abs(woofer / tweeter))))
    assert f[handover] == pytest.approx(1870, rel=0.1)
    right, wrong = woofer[handover] + tweeter[handover], woofer[handover] - tweeter[handover]
    assert 20 * np.log10(abs(right / wrong)) > 20


def test_the_bass_box_is_reversed_on_purpose_and_rightly_so() -> None:
    assert REHEARSAL.channel("bass").drivers[0].polarity == "reversed"
    f = np.geomspace(75, 110, 50)
    bass = REHEARSAL.model("bass")
    satellites = 2 * pressure_pa(REHEARSAL.model("left"), f, 1.0, ON_AXIS)
    as_designed = np.abs(satellites + pressure_pa(bass, f, 1.0, ON_AXIS))
    otherwise = np.abs(satellites + pressure_pa(with_driver(bass, "bass", polarity=1), f, 1.0, ON_AXIS))
    assert np.all(20 * np.log10(as_designed / otherwise) > 4)


@EACH
def test_no_sweep_exceeds_what_the_card_and_the_ear_allow(kit: Kit) -> None:
    for channel in (c.name for c in kit.channels):
        # A pure tone at the sweep's level, at its loudest frequency, half a metre away.
        loudest = np.max(level_db(kit, channel, 20, 20000)) + 20 * np.log10(kit.levels.playing_v)
        assert loudest < 85
        for stage in ("leads", "playing"):
            request = kit.sweep(stage, channel, position="on axis")  # type: ignore[arg-type]
            assert request.level_v / request.path_gain < 0.2


@EACH
@pytest.mark.parametrize(
    ("stage", "needed"),
    [
        ("leads", ["amplifier off", "unplug", "off the amplifier board", "clips"]),
        ("playing", ["sense resistor away", "to the amplifier", "bridged", "no ground", "arm's length", "loud"]),
    ],
)
def test_the_words_of_a_stage_say_what_is_safe(kit: Kit, stage: Stage, needed: list[str]) -> None:
    words = kit.stages[stage].words
    assert "\n" not in words.strip()
    for phrase in needed:
        assert phrase in words


@EACH
def test_the_words_for_a_place_can_be_filled_in(kit: Kit) -> None:
    for stage in kit.stages.values():
        filled = stage.each.format(channel="left", position="on axis", distance="0.5 m")
        assert "left" in filled
        assert not re.search(r"[{}]", filled)
    assert "{distance}" in kit.stages["playing"].each


@EACH
def test_serials_and_checks(kit: Kit) -> None:
    assert re.fullmatch(kit.serial_pattern, kit.serial_example)
    assert not re.fullmatch(kit.serial_pattern, kit.serial_example + "0")
    assert {"leads", "impedance", "ping", "response", "polarity"} <= set(kit.checks)
