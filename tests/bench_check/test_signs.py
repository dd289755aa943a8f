"""A run's own quiet sweeps give a reason to check the bench, or give none: a fault of the unit shows at one box."""

import pytest
from checked import kit_of, known_load

from rig.bench.simulated import SimulatedBench
from rig.bench_check.signs import advice, signs
from rig.kit import Kit
from rig.readings import Capture


def run_captures(*faults: str, kit: Kit | None = None) -> list[Capture]:
    """The quiet sweeps with which a run begins each stage."""
    kit = kit or kit_of()
    bench = SimulatedBench(kit, kit.serial_example, faults)
    bench.known_load = known_load()
    place = kit.positions[0].name
    found: list[Capture] = []
    with bench.stage("leads") as player:
        found += player.play([kit.sweep("leads", channel.name, quiet=True) for channel in kit.channels])
    with bench.stage("playing") as player:
        names = [channel.name for channel in kit.channels]
        found += player.play([kit.sweep("playing", name, name, place, quiet=True) for name in names])
    return found


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        ("exchanged-inputs", "drive and sense are exchanged"),
        ("wrong-sense-resistor=22", "at all frequencies alike"),
        ("turned-knob=-6", "every box is -6"),
        ("turned-output=-6", "the card's output is -6.0 dB off"),
        ("resistor-left-in", "every box is softer where its impedance is low"),
        ("far-microphone=100", "the microphone is 0.60 m"),
        ("inverted-microphone", "every box comes back upside down"),
        ("clips-off", "no current flows"),
    ],
)
def test_what_all_boxes_show_is_the_bench_s(fault: str, words: str) -> None:
    said = advice(kit_of(), run_captures(fault))
    assert said.startswith("run kitproof check-bench: ")
    assert words in said


@pytest.mark.parametrize(
    "fault",
    [
        *("reversed:left", "quiet:left=6", "silent:left", "dead:left:tweeter", "dead:left:woofer", "open:left:C1"),
        *("wrong-impedance:left:woofer", "short:left:woofer", "tenth:left:L1", "leak:left=2", "swapped:left:right"),
    ],
)
def test_what_one_box_shows_is_the_unit_s(fault: str) -> None:
    assert advice(kit_of(), run_captures(fault)) == ""


def test_a_good_unit_and_a_run_that_was_stopped_give_no_advice() -> None:
    whole = run_captures()
    assert advice(kit_of(), whole) == ""
    # Without the sweeps of every box nothing is the bench's for certain.
    clips_off = run_captures("clips-off")
    assert signs(kit_of(), clips_off[:1]) == []
    assert signs(kit_of(), []) == []
