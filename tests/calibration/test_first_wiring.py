"""A bench that nobody has described: asked, heard, proposed; nothing loud, nothing overwritten."""

import functools
import itertools
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from simulated_runs import ROOT

from rig.bench.devices import Device
from rig.bench.probing import find_listeners
from rig.bench.settings import load_bench_file
from rig.bench.shuttle import Block
from rig.bench_check.wiring_found import leads_found, loopback_found
from rig.calibration.desk import Guide
from rig.calibration.first_wiring import Answers, asked_answers, listening_words
from rig.commands import calibrate
from rig.commands.bench import SIMULATED, bench_command, described, go_on_to_calibrate, write_bench_file
from rig.design.kit import Kit, load_kit
from rig.files.errors import BenchError, BenchSetupError, Stopped
from rig.signals.probing_noise import ProbedPath
from rig.simulated.card import SimulatedCard

#: Name, ohms of the sense resistor, volts of the output, mV/Pa, temperature.
ANSWERS = ("the bench", "10.02", "2,0", "12.5", "")


@functools.cache
def demo_kit(name: str = "booth-two") -> Kit:
    return load_kit(ROOT, name)


def guide_with(answers: tuple[str, ...] = ANSWERS, stops_at: int | None = None) -> tuple[Guide, list[str]]:
    typed, told, asked = iter(answers), [], itertools.count(1)

    def confirm(words: str) -> bool:
        told.append(words)
        return next(asked) != stops_at

    return Guide(lambda words: next(typed), told.append, confirm), told


def card_of(name: str, seed: int, sense_in: str = "return") -> SimulatedCard:
    card = SimulatedCard(tuple(channel.name for channel in demo_kit(name).channels), seed, sense_in)
    # Quicker to compute, and as good.
    card.sample_rate_hz = 16000.0
    return card


@functools.cache
def found_once(
    name: str, seed: int, sense_in: str = "return", volts: str = "2,0"
) -> tuple[str, SimulatedCard, list[str]]:
    """The bench.toml of a card that was found out, the card, and what was said."""
    card = card_of(name, seed, sense_in)
    guide, told = guide_with(("the bench", "10.02", volts, *ANSWERS[3:]))
    return described(demo_kit(name), guide, [SIMULATED], lambda answers: nullcontext(card)), card, told


@pytest.mark.parametrize(
    ("name", "seed", "sense_in"),
    [("booth-two", 0, "return"), ("booth-two", 1, "source"), ("rehearsal-three", 2, "return")],
)
def test_the_wiring_is_found_whatever_it_is(name: str, seed: int, sense_in: str, tmp_path: Path) -> None:
    text, card, _ = found_once(name, seed, sense_in, "2,0")
    write_bench_file(tmp_path / "bench.toml", text)
    found = load_bench_file(tmp_path / "bench.toml")
    assert found.playing.outputs == card.boxes
    assert found.playing.inputs == {"microphone": card.microphone, "loopback": card.loopback}
    assert found.playing.loopback_output == card.loopback_output
    assert found.leads.inputs == {"drive": card.drive, "sense": card.sense}
    assert (found.leads.outputs, found.leads.sense_in) == ({"*": card.clips_output}, sense_in)
    assert (found.leads.sense_ohm, found.playing.microphone_mv_per_pa, found.air_celsius) == (10.02, 12.5, None)
    # Volts of the inputs follow from those of the output, by what was heard.
    gains = (0.9, 1.1, 0.7, 1.0)
    assert found.playing.input_volts["loopback"] == pytest.approx(2.0 / gains[card.loopback - 1], rel=0.02)
    assert found.leads.input_volts["drive"] == pytest.approx(2.0 / gains[card.drive - 1], rel=0.02)


def test_a_microphone_of_its_own_is_found_at_its_own_device_though_the_card_hears_the_room_as_well(
    tmp_path: Path,
) -> None:
    card = card_of("booth-two", 0)
    record = card.record

    def with_own(output: int | None, samples: Block) -> Block:
        heard = record(output, samples)
        return np.vstack((heard, 0.5 * heard[card.microphone - 1 : card.microphone]))

    card.record = with_own
    usb = Device("simulated", "usb", 1, 0, 48000.0)
    guide, _ = guide_with(("the bench", "y", *ANSWERS[1:]))
    text = described(demo_kit(), guide, [SIMULATED, usb], lambda answers: nullcontext(card))
    write_bench_file(tmp_path / "bench.toml", text)
    found = load_bench_file(tmp_path / "bench.toml")
    assert found.playing.inputs == {"microphone": 1, "loopback": card.loopback}


@pytest.mark.parametrize("volts", ["2,0", ""])
def test_nothing_is_louder_than_the_quiet_sweeps_not_even_with_the_amplifier_left_on(volts: str) -> None:
    kit, (_, card, _) = demo_kit(), found_once("booth-two", 0, "return", volts)
    # Where nobody knows what the card gives, it is taken for the loudest there is.
    gives = 2.0 if volts else 12.0
    assert gives * max(card.loudest[each] for each in ("amplifier off", "amplifier on")) * kit.amplifier.gain <= (
        4.1 * kit.levels.playing_quiet_v
    )
    assert gives * max(card.loudest["clips open"], card.loudest["clips closed"]) <= 4.1 * kit.levels.leads_quiet_v


def test_each_output_begins_80_db_below_full_scale_and_stops_where_it_is_heard() -> None:
    card = card_of("booth-two", 0)
    sent = []
    inner = card.record
    card.record = lambda output, samples: sent.append(float(samples.std())) or inner(output, samples)
    found, level_db = find_listeners(card, card.loopback_output, -20.0)
    assert sent[0] == pytest.approx(1e-4, rel=1e-3)
    assert level_db == -70.0
    assert found[card.loopback - 1].is_clear
    # What nobody hears goes up by tens of decibels, to what is allowed and no further.
    sent.clear()
    assert find_listeners(card, card.boxes["left"], -43.0)[1] == -43.0
    assert len(sent) == 5


def test_an_interrupt_or_a_no_ends_it_and_nothing_is_written(tmp_path: Path) -> None:
    for stops_at in (1, 4):
        guide, _ = guide_with(stops_at=stops_at)
        with pytest.raises(Stopped):
            described(demo_kit(), guide, [SIMULATED], lambda answers: nullcontext(card_of("booth-two", 0)))


def test_a_bench_toml_that_is_there_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    path.write_text("mine", encoding="utf-8")
    with pytest.raises(BenchSetupError, match="is there already, and nothing is overwritten"):
        bench_command("booth-two", ROOT, path)
    with pytest.raises(BenchSetupError, match="nothing is overwritten"):
        write_bench_file(path, 'kind = "simulated"\n')
    assert path.read_text(encoding="utf-8") == "mine"


def test_the_person_is_warned_of_the_amplifier_before_anything_and_of_bridged_outputs_before_it_is_on() -> None:
    _, _, told = found_once("booth-two", 0, "return", "2,0")
    cautions = next(n for n, words in enumerate(told) if "switched off and unplugged" in words)
    first_sound = next(n for n, words in enumerate(told) if words.startswith("   output"))
    on = next(n for n, words in enumerate(told) if "This amplifier is bridged" in words)
    assert cautions < first_sound < on
    assert all("microphone" not in words for words in told[first_sound:on] if words.startswith("-> output"))


def heard_at(*inputs: int, gain: float = 1.0) -> list[ProbedPath]:
    return [
        ProbedPath(n, gain if n in inputs else 1e-5, False, 0.01, 100.0 if n in inputs else 3.0) for n in range(1, 5)
    ]


def test_what_is_no_wiring_is_told_with_what_was_heard() -> None:
    with pytest.raises(BenchError, match=r"clips open: nothing was heard; clips on each other: output 2 at input 1"):
        leads_found({1: heard_at(), 2: heard_at()}, {1: heard_at(), 2: heard_at(1)})
    with pytest.raises(BenchError, match="more than one way leads back into the card: output 1 at input 2, output 3"):
        loopback_found({1: heard_at(2), 3: heard_at(4)})
    assert loopback_found({1: heard_at()}) is None
    deaf = card_of("booth-two", 0)
    deaf.boxes = {}
    guide, _ = guide_with(("bench", "", "2", "", ""))
    with pytest.raises(BenchError, match="no output is heard at any input with the microphone before the left box"):
        described(demo_kit(), guide, [SIMULATED], lambda answers: nullcontext(deaf))


def test_wrong_answers_are_asked_again_with_what_is_allowed() -> None:
    kinds = (("ALSA", "one", 2), ("ALSA", "two", 4), ("MME", "no", 2))
    cards = [Device(api, name, count, count, 44100.0) for api, name, count in kinds]
    guide, told = guide_with(("", "mine", "7", "2", "n", "", "", "two volts", "1000", "2,5", "", "18"))
    answers = asked_answers(guide, cards)
    assert answers == Answers("mine", replace(cards[1], sample_rate_hz=48000.0), None, 2.5, None, None, 18.0)
    assert [words for words in told if "allowed" in words] == [
        "  found nothing; allowed: some words",
        "  found '7'; allowed: 1 to 2",
        "  found 'two volts'; allowed: a number from 0.01 to 100, or Enter",
        "  found '1000'; allowed: a number from 0.01 to 100, or Enter",
    ]
    with pytest.raises(BenchError, match="no sound device with an output is there"):
        asked_answers(guide, cards[2:])


def test_it_ends_in_calibrate(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    text, _, _ = found_once("booth-two", 0, "return", "2,0")
    path = tmp_path / "bench.toml"
    settings = write_bench_file(path, text)
    made: list[tuple] = []
    for name in ("output", "input_command", "loopback", "microphone", "sense"):
        monkeypatch.setattr(calibrate, name, lambda *args, name=name, **rest: made.append((name, *args, rest["bench"])))
    guide, told = guide_with(("8,2",))
    go_on_to_calibrate(guide, tmp_path, path, settings)
    assert made == [
        ("output", path),
        ("input_command", "loopback", path),
        ("loopback", path),
        ("microphone", path),
        ("sense", [8.2], path),
    ]
    # Without loopback and clips there is less to do; and it can wait.
    bare = settings.model_copy(update={"leads": None, "playing": None})
    guide, told = guide_with(stops_at=1)
    go_on_to_calibrate(guide, tmp_path, path, bare)
    assert len(made) == 5
    assert [words.split()[2] for words in told if words.startswith("  kitproof")] == ["output", "microphone"]
    assert told[-1] == "That can be done at any time."


def test_what_inputs_give_with_nothing_played() -> None:
    words = list(listening_words([(0.0, 0.0), (0.1, 1e-4), (0.0, 0.01), (0.0, 1e-4)]))
    assert [line.split(":")[0] for line in words] == ["input 1", "input 2", "input 3"]
    assert "-40 dB of full scale with nothing played" in words[2]
