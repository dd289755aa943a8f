"""A run's own quiet sweeps give a reason to check the bench, or give none: a fault of the unit shows at one box."""

from collections.abc import Sequence
from functools import lru_cache

import pytest
from checked import ROOT, kit_of, known_load

from rig.bench_check import symptoms
from rig.bench_check.bench_finding import BenchFinding
from rig.bench_check.symptoms import NOISES, STAGES, advice, bench_doubts, symptoms_of, unnoticed
from rig.design.kit import Kit, load_kit
from rig.run import sequencer
from rig.run.verify import job_of
from rig.simulated.bench import SimulatedBench
from rig.values.captures import Capture
from rig.values.run import Finished, Run


@lru_cache(maxsize=64)
def run_captures(*faults: str) -> tuple[Capture, ...]:
    """The quiet sweeps with which a run of booth-two begins each stage."""
    return played(kit_of(), *faults)


def played(kit: Kit, *faults: str) -> tuple[Capture, ...]:
    """The same of another kit."""
    bench = SimulatedBench(kit, kit.serial_example, faults)
    bench.known_load = known_load()
    place = kit.positions[0].name
    found: list[Capture] = []
    with bench.stage("leads") as player:
        found += player.play([kit.sweep("leads", channel.name, quiet=True) for channel in kit.channels])
    with bench.stage("playing") as player:
        names = [(channel.name, channel.name) for channel in kit.channels]
        names += [(one.name, other.name) for pair in kit.equal_channels() for one, other in (pair, pair[::-1])]
        found += player.play([kit.sweep("playing", *both, place, quiet=True) for both in names])
    return tuple(found)


def signs(kit: Kit, captures: Sequence[Capture]) -> list[BenchFinding]:
    return [one for stage in STAGES for one in symptoms_of(kit, captures, stage)]


def said(*faults: str) -> str:
    """What is told of a run that has come to the end of its quiet sweeps."""
    return advice(signs(kit_of(), run_captures(*faults)))


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        ("exchanged-inputs", "drive and sense are exchanged"),
        ("wrong-sense-resistor=22", "at all frequencies alike"),
        ("turned-knob=-6", "dB softer than kit and calibration say"),
        ("turned-output=-6", "the card's output is 6.0 dB softer"),
        ("resistor-left-in", "every box is softer where its impedance is low"),
        ("far-microphone=100", "the microphone is 0.60 m"),
        # As far as the other box is.
        ("far-microphone=281", "the microphone is 0.78 m"),
        ("inverted-microphone", "every box comes back upside down"),
        ("clips-off", "no current flows"),
    ],
)
def test_what_all_boxes_show_is_the_bench_s(fault: str, words: str) -> None:
    told = said(fault)
    assert told.startswith("The bench looks wrong")
    assert "Run kitproof check-bench" in told
    assert words in told


@pytest.mark.parametrize(
    "fault",
    [
        *("reversed:left", "quiet:left=6", "silent:left", "dead:left:tweeter", "dead:left:woofer", "open:left:C1"),
        *("wrong-impedance:left:woofer", "short:left:woofer", "tenth:left:L1", "leak:left=2", "swapped:left:right"),
        "exchanged-outputs",
    ],
)
def test_what_one_box_shows_is_the_unit_s(fault: str) -> None:
    assert said(fault) == ""


def test_a_good_unit_and_a_run_that_was_stopped_give_no_advice() -> None:
    assert said() == ""
    # Without the sweeps of every box nothing is the bench's for certain.
    clips_off = run_captures("clips-off")
    assert signs(kit_of(), clips_off[:1]) == []
    assert signs(kit_of(), []) == []


def run(*faults: str) -> tuple[Run, list[str]]:
    """A run on the simulated bench of the checks that stop it and one that they stop, and what the person was asked."""
    kit = load_kit(ROOT, "booth-two").model_copy(update={"plans": {"some": ["leads", "ping", "response"]}})
    work = job_of(ROOT, kit)
    bench = SimulatedBench(work.kit, "BT-0001", faults)
    bench.known_load = known_load()
    asked: list[str] = []

    def confirm(words: str) -> bool:
        asked.append(words)
        return sequencer.GO_ON not in words

    events = list(sequencer.run(work.schedule, work.checks, work.kit, bench, confirm))
    assert isinstance(events[-1], Finished)
    return events[-1].run, asked


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        ("inverted-microphone", "every box comes back upside down"),
        pytest.param("far-microphone=100", "Put the microphone at its stop", marks=pytest.mark.thorough),
        ("resistor-left-in", "Take the sense resistor out of the speaker lead"),
        pytest.param("turned-knob=5", "Turn the microphone's gain back", marks=pytest.mark.thorough),
        pytest.param("turned-sense=-6", "Set both inputs' gains back", marks=pytest.mark.thorough),
    ],
)
def test_what_the_gates_let_pass_is_asked_about_before_anything_loud(fault: str, words: str) -> None:
    found, asked = run(fault)
    assert words in asked[-1]
    assert found.outcome != "pass"
    assert found.stopped == "stopped by the person at the bench"
    assert words in found.bench_advice
    quiet_v = kit_of().levels.playing_quiet_v
    assert all(c.request.level_v <= quiet_v for c, _ in found.captures if c.request.stage == "playing")


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        pytest.param("dead-microphone", "Switch its phantom power on", marks=pytest.mark.thorough),
        ("dead-loopback", "Check the cable from the card's loopback output"),
        ("exchanged-inputs", "Exchange the two input cables"),
        ("wrong-rate=44100", "Set the card and the operating system to one rate"),
        ("muted", "Is the card's output muted"),
        ("dead-drive", "Check the cable of the drive input"),
        ("hum=40", "mains hum (multiples of 50.0 Hz) at the drive input"),
    ],
)
def test_what_stops_a_run_at_its_gates_is_told_in_a_builder_s_words(fault: str, words: str) -> None:
    found, asked = run(fault)
    assert found.stopped.startswith("stopped before full level")
    assert words in found.bench_advice
    assert not any(sequencer.GO_ON in one for one in asked)


def test_a_good_run_is_not_asked_and_a_noise_that_the_gates_can_bear_is_none_of_its_questions() -> None:
    found, asked = run()
    assert found.bench_advice == ""
    assert not any(sequencer.GO_ON in one for one in asked)
    hum = signs(kit_of(), run_captures("hum=20"))
    assert {one.what for one in hum} <= set(NOISES)
    assert unnoticed(hum) == []


def test_signs_that_cannot_be_looked_for_lose_no_run(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*captures: object) -> list[object]:
        raise ValueError("no such curve")

    monkeypatch.setattr("rig.bench_check.symptoms.Leads", broken)
    found, asked = run()
    assert "looking for signs of it failed: ValueError: no such curve" in found.bench_advice
    assert sequencer.GO_ON in asked[-1]


def doubts_in(kit: Kit, *looks: Sequence[Capture]) -> dict[str, str]:
    return bench_doubts(kit, [{capture.request: capture for capture in captures} for captures in looks])


@pytest.mark.parametrize(
    ("fault", "parts"),
    [
        ("wrong-sense-resistor=22", {"leads"}),
        ("turned-knob=3", {"microphone gain"}),
        ("resistor-left-in", {"speaker lead"}),
        ("far-microphone=50", {"microphone place"}),
        ("inverted-microphone", {"microphone sign"}),
    ],
)
def test_a_sign_leaves_a_part_of_the_bench_in_doubt(fault: str, parts: set[str]) -> None:
    doubts = doubts_in(kit_of(), run_captures(fault))
    assert set(doubts) == parts


def test_what_one_look_shows_and_another_does_not_leaves_nothing_in_doubt() -> None:
    kit = kit_of()
    bad, good = run_captures("turned-knob=3"), run_captures()
    assert set(doubts_in(kit, bad, bad)) == {"microphone gain"}
    assert doubts_in(kit, bad, good) == doubts_in(kit, good, bad) == {}


def one_box(name: str = "left", kit_name: str = "booth-two") -> Kit:
    """A design with one of its boxes alone."""
    kit = kit_of(kit_name)
    return kit.model_copy(update={"channels": [kit.channel(name)]})


def test_a_tweeter_connected_the_wrong_way_round_moves_no_microphone() -> None:
    kit = one_box()
    assert doubts_in(kit, played(kit, "reversed:left:tweeter")) == {}
    moved = doubts_in(kit, played(kit, "reversed:left:tweeter", "far-microphone=60"))
    assert "0.56 m" in moved["microphone place"]


def test_a_box_that_is_not_the_design_s_at_its_leads_tells_no_distance() -> None:
    """A filter with an open part turns phases as another distance would."""
    kit = kit_of()
    assert set(doubts_in(kit, run_captures("open:right:C1", "far-microphone=60"))) == {"microphone place"}
    assert doubts_in(kit, run_captures("tenth:left:L1", "far-microphone=60")) == {}


def test_where_one_box_and_bench_cannot_be_told_apart_both_are_said() -> None:
    kit = one_box()
    doubts = doubts_in(kit, played(kit, "turned-knob=-6"))
    assert doubts == doubts_in(kit, played(kit, "turned-knob=-6"))
    assert "or the unit is like that" in doubts["microphone gain"]
    # A short resistor before the driver makes it as much louder as a knob would, but the bare leads show it.
    padded = one_box("left", "rehearsal-three")
    assert doubts_in(padded, played(padded, "short:left:R1")) == {}
    # A box upside down is a fault that units have; nobody turns a microphone's sign with a knob.
    assert doubts_in(kit, played(kit, "reversed:left")) == {}


def test_a_search_for_signs_that_failed_in_one_look_proves_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    kit = load_kit(ROOT, "booth-two")
    failed = BenchFinding(symptoms.FAILED, False, "it failed")
    quiet = kit.sweep("playing", "left", quiet=True)
    rounds = [{quiet: object()}, {quiet: object()}]
    for order in ((True, False), (False, True)):
        answers = iter([[failed] if fails else [] for fails in order])
        monkeypatch.setattr(symptoms, "symptoms_of", lambda *_, answers=answers: next(answers))
        assert symptoms.symptoms_in_all(kit, rounds, "playing") == [failed]  # type: ignore[arg-type]
