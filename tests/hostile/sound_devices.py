"""Commands on a sound card that misbehaves somewhere: no false pass, an end in time, whole records, no sound left."""

import math
import shutil
from collections.abc import Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, ExitStack, contextmanager
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from random import Random
from types import TracebackType
from typing import Any
from unittest import mock

import numpy as np
from strangers.sound_path import DELAY_FRAMES, FRAMES, impulse_response

from hostile import card_tricks
from hostile.ground import KIT, Ground
from hostile.promise import Done, kitproof, refuse_false_pass
from hostile.sound_cards import HOST_API, NAME, RATE_HZ, Card, Wired, plugged_in
from hostile.virtual_time import Clock
from rig.bench import instrument_threads
from rig.bench.answers import Answer
from rig.calibration.storage import SenseDetails, read_store
from rig.design.fault_names import parse_fault
from rig.design.kit import load_kit
from rig.simulated.changes import unit_with
from rig.simulated.unit import box_pressure_pa, lead_gain, lead_impedance_ohm, unit_of
from rig.store.records import damages, unfinished, unit_records

#: Units that pass on a good card, and one with a fault, that fails.
GOOD, BAD, FAULT = ("SO-0201", "SO-0203"), "SO-0202", "reversed:box:tweeter"
#: Impulse responses are cut after so many frames: a box has rung out.
TAPS = 2**14
OUTPUT_V, ELECTRICAL_V, MICROPHONE_V, V_PER_PA, SENSE_OHM, LOAD_OHM = 2.0, 0.5, 0.05, 0.01, 10.0, 8.2
BENCH_NAME = "bench of the tests"
BENCH = f"""
kind = "soundcard"
name = "{BENCH_NAME}"
air_celsius = 20.0
device = {{ host_api = "{HOST_API}", name = "{NAME}", inputs = 4, outputs = 4 }}
[leads]
outputs = {{ "*" = 4 }}
inputs = {{ drive = 3, sense = 4 }}
output_volts = {OUTPUT_V}
input_volts = {{ drive = {ELECTRICAL_V}, sense = {ELECTRICAL_V} }}
sense_ohm = {SENSE_OHM}
[playing]
outputs = {{ box = 1 }}
inputs = {{ microphone = 1, loopback = 2 }}
loopback_output = 3
output_volts = {OUTPUT_V}
input_volts = {{ microphone = {MICROPHONE_V}, loopback = {OUTPUT_V} }}
microphone_mv_per_pa = {1000 * V_PER_PA}
microphone_inverted = false
[[instruments]]
name = "logger"
address = "TCPIP::127.0.0.1::1::SOCKET"
[[instruments.values]]
role = "heat sink"
unit = "celsius"
query = "1?"
[[instruments.values]]
role = "ambient"
unit = "celsius"
query = "2?"
[[instruments.values]]
role = "supply current"
unit = "ampere"
query = "3?"
"""
#: Command -> its words, and what is typed at it.
COMMANDS: Mapping[str, tuple[tuple[str, ...], str]] = {
    "verify": (("verify", KIT, "{unit}", "--plan", "quick", "--json", "--yes"), ""),
    "verify at leads": (("verify", KIT, "{unit}", "--plan", "bare", "--json", "--yes"), ""),
    "heat": (("verify", KIT, "{unit}", "--plan", "heat", "--json", "--yes"), ""),
    "check-bench": (("check-bench", KIT, "--yes"), ""),
    "calibrate load": (("calibrate-load", str(LOAD_OHM), "--yes"), ""),
    "calibrate loopback": (("calibrate", "loopback", "--yes"), ""),
    "calibrate output": (("calibrate", "output", "--yes"), "0.05\n0.7071\n"),
    "calibrate input": (("calibrate", "input", "loopback", "--metered", "--yes"), "0.05\n0.7071\n"),
    "daily": (("daily", KIT, "--yes"), ""),
    "devices": (("devices",), ""),
}
#: Among which verify is tried as often as all others together.
OTHERS = [name for name in COMMANDS if not name.startswith("verify")]
#: A reading or a calibration is what it is on a card that behaves to such a part: noise, and no more.
WITHIN = 0.02
#: What is said of a bench that could not do it: nobody is left with an empty line.
SHORTEST_WORDS = 10


@lru_cache(maxsize=8)
def filters(workspace: Path, serial: str, fault: str = "", load_ohm: float = 0.0) -> Mapping[str, np.ndarray[Any, Any]]:
    """Impulse responses of a unit on the bench, in full scales of the card's inputs for one of its outputs."""
    kit, at_hz = load_kit(workspace, KIT), np.fft.rfftfreq(FRAMES, 1 / RATE_HZ)
    unit = unit_with([parse_fault(kit, fault)] if fault else [], unit_of(kit, serial))
    ohm = np.full(at_hz.size, load_ohm) if load_ohm else lead_impedance_ohm(unit, "box", at_hz)
    place = kit.microphone_m("box", "box", kit.positions[0])
    pascal = lead_gain(unit.output("box"), at_hz) * box_pressure_pa(unit, "box", place, at_hz, 343.2)
    drive = OUTPUT_V / ELECTRICAL_V
    return {
        "microphone": impulse_response(OUTPUT_V * pascal * V_PER_PA / MICROPHONE_V)[:TAPS],
        "drive": impulse_response(np.full(at_hz.size, drive))[:TAPS],
        "sense": impulse_response(drive * SENSE_OHM / (SENSE_OHM + ohm))[:TAPS],
    }


@contextmanager
def card_with(workspace: Path, serial: str, fault: str = "", load_ohm: float = 0.0) -> Iterator[Card]:
    """Within it a unit is on a card, with thermometers that read what a good one's do."""
    with ExitStack() as stack:
        card = stack.enter_context(plugged_in(Wired(filters(workspace, serial, fault, load_ohm), DELAY_FRAMES)))
        stack.enter_context(mock.patch.object(instrument_threads, "Instruments", return_value=Thermometers(card.clock)))
        yield card


class Thermometers:
    """In the place of the instruments: a sink that warms up, by the card's own time."""

    def __init__(self, clock: Clock) -> None:
        self._clock, self._began_s = clock, clock.now_s

    def __enter__(self) -> "Thermometers":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        pass

    def latest(self) -> dict[str, Answer]:
        """What each reads now."""
        now_s = self._clock.now_s
        sink = 21.5 + 14 * (1 - math.exp(-(now_s - self._began_s) / 120))
        values = {"heat sink": (sink, "celsius"), "ambient": (21.5, "celsius"), "supply current": (0.5, "ampere")}
        return {role: Answer(value, unit, f"{value:.2f}", now_s, "", 0.01) for role, (value, unit) in values.items()}

    def identities(self) -> dict[str, str]:
        """Who they say they are."""
        return {}


@dataclass(frozen=True)
class Undisturbed:
    """A command on a card that behaves: what it printed, what it calibrated, and how many blocks it took."""

    document: Mapping[str, Any]
    calibrated: Mapping[str, Any]
    blocks: int


@dataclass(frozen=True)
class Bench:
    """A workspace whose bench is a sound card, calibrated; and what is known of each command and unit on it."""

    workspace: Path
    known: dict[tuple[str, str], Undisturbed]

    def mend(self) -> None:
        """As it was before a try."""
        results = self.workspace / "results"
        shutil.rmtree(results)
        shutil.copytree(self.workspace / "calibrated", results)


@lru_cache(maxsize=1)
def bench_in(ground: Ground) -> Bench:
    """The bench of all tries."""
    workspace = ground.workspace.parent / "with a card"
    shutil.copytree(ground.workspace / "limits", workspace / "limits")
    (workspace / "bench.toml").write_text(BENCH, encoding="utf-8")
    with unit_on(workspace, "calibrate load", GOOD[0]):
        assert _run(workspace, "calibrate load", "").status == 0
    shutil.copytree(workspace / "results", workspace / "calibrated")
    return Bench(workspace, {})


def undisturbed(bench: Bench, name: str, unit: str) -> Undisturbed:
    """What a command does on a card that behaves.

    Raises
    ------
    AssertionError
        If a good unit does not pass there, or one with a fault does.
    """
    if (name, unit) not in bench.known:
        with unit_on(bench.workspace, name, unit) as card:
            done = _run(bench.workspace, name, unit)
        document = done.document() if "--json" in done.words else {}
        if name == "verify":
            assert document["outcome"] == ("fail" if unit == BAD else "pass"), done
        bench.known[name, unit] = Undisturbed(document, _calibrated(bench.workspace), card.blocks)
        bench.mend()
    return bench.known[name, unit]


def unit_on(workspace: Path, name: str, unit: str) -> AbstractContextManager[Card]:
    """A card with what a command is to measure on it."""
    if name == "calibrate load":
        return card_with(workspace, unit, load_ohm=LOAD_OHM)
    return card_with(workspace, unit, FAULT if unit == BAD else "")


def _run(workspace: Path, name: str, unit: str) -> Done:
    words, typed = COMMANDS[name]
    return kitproof(*(word.format(unit=unit) for word in words), "--workspace", str(workspace), typed=typed)


def _calibrated(workspace: Path) -> dict[str, Any]:
    """What the newest calibration of each kind says, as numbers."""
    found: dict[str, Any] = {}
    for one in sorted(read_store(workspace, BENCH_NAME)[0], key=lambda stored: stored.path.name if stored.path else ""):
        found[f"{one.kind} {one.of}"] = one.details.gain if isinstance(one.details, SenseDetails) else one.value
    return found


def try_sound_devices(random: Random, ground: Ground) -> None:
    """One command on a card that plays one trick or two at a random moment."""
    bench = bench_in(ground)
    name = random.choice(("verify", "verify", "verify at leads", random.choice(OTHERS), random.choice(OTHERS)))
    unit = random.choice((*GOOD, BAD))
    whole, told = undisturbed(bench, name, unit), ""
    try:
        with unit_on(bench.workspace, name, unit) as card:
            played = _conjure(random, card, whole.blocks)
            told = f"{name} of {unit}, {played}"
            done = _run(bench.workspace, name, unit)
        told += f"\n{done.status} {done.out[-1500:]}\n{done.err[-1500:]}"
        _hold(bench.workspace, done, whole, unit, played)
    except AssertionError as error:
        raise AssertionError(f"{told}\n{error}") from None
    finally:
        bench.mend()


def _conjure(random: Random, card: Card, blocks: int) -> str:
    """Let a card play a trick; which."""
    kind = random.random()
    if kind < 0.1:
        name = random.choice(list(card_tricks.WHEN_ASKED))
        card_tricks.WHEN_ASKED[name](random, card)
        return name
    if kind < 0.3:
        call, name = random.choice(card_tricks.CALLS), random.choice(list(card_tricks.IN_A_CALL))
        card.calls[call] = card_tricks.IN_A_CALL[name](card)
        return f"{call}: {name}"
    names = random.sample(list(card_tricks.TRICKS), random.choice((1, 1, 1, 2)))

    def strike(stream: Any) -> None:
        for name in names:
            card_tricks.TRICKS[name](random, stream)

    card.strikes_at, card.strike = random.randint(1, max(blocks, 1)), strike
    return " and ".join(names) + f" at block {card.strikes_at} of {blocks}"


def _hold(workspace: Path, done: Done, whole: Undisturbed, unit: str, played: str) -> None:
    assert done.status < 3 or len(done.err.splitlines()[-1]) > SHORTEST_WORDS, "nobody knows what to do"
    is_like_a_unit = any(name in played for name in card_tricks.LIKE_A_UNIT)
    if not is_like_a_unit:
        for what, value in _calibrated(workspace).items():
            apart = np.max(np.abs(value - whole.calibrated.get(what, value)))
            assert apart <= WITHIN * max(1.0, np.max(np.abs(value))), f"{what} is off by {apart:g}"
    if done.words[0] == "verify" and done.status <= 2:
        document = done.document()
        refuse_false_pass(document)
        assert {"pass": 0, "fail": 1, "void": 2}[document["outcome"]] == done.status
        assert unit != BAD or document["outcome"] != "pass" or whole.document["outcome"] == "pass", "a bad unit passed"
        if not is_like_a_unit:
            assert unit == BAD or document["outcome"] != "fail", f"a bad bench failed a unit: {_failing(document)}"
            _hold_readings(document, whole.document)
    for record in unit_records(workspace, unit):
        assert damages(record) == [], f"{record.folder}: {damages(record)}"
    assert not unfinished(workspace), "a half record"


def _failing(document: Mapping[str, Any]) -> Sequence[Any]:
    return [one for result in document["results"] for one in result["verdicts"] if one["outcome"] == "fail"]


def _verdicts(document: Mapping[str, Any]) -> dict[tuple[str, str, str], Mapping[str, Any]]:
    return {
        (result["check"], one["quantity"], one["subject"]): one
        for result in document["results"]
        for one in result["verdicts"]
    }


def _hold_readings(document: Mapping[str, Any], whole: Mapping[str, Any]) -> None:
    """What passes says what is so: on another look it may move by noise, and no more."""
    truth = _verdicts(whole)
    for key, one in _verdicts(document).items():
        if one["outcome"] != "pass" or key not in truth or truth[key]["outcome"] != "pass":
            continue
        apart = abs(one["margin"] - truth[key]["margin"])
        allowed = 6 * (one["uncertainty"] or 0.0) + WITHIN * max(1.0, abs(truth[key]["margin"]))
        assert apart <= allowed, f"{key}: margin {one['margin']:g}, undisturbed {truth[key]['margin']:g}"
