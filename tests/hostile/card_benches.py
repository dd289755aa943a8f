"""Benches of the card that misbehaves: their bench.toml, and what is wired to the card for each command."""

import math
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from types import TracebackType
from typing import Any
from unittest import mock

import numpy as np
from strangers.sound_path import DELAY_FRAMES, FRAMES, impulse_response

from hostile.ground import KIT
from hostile.sound_cards import HOST_API, NAME, OWN_NAME, RATE_HZ, Card, Wired, plugged_in
from hostile.virtual_time import Clock
from rig.bench import instrument_threads, probing
from rig.bench.answers import Answer
from rig.calibration.desk import Guide
from rig.design.fault_names import parse_fault
from rig.design.kit import load_kit
from rig.simulated.changes import unit_with
from rig.simulated.unit import box_pressure_pa, lead_gain, lead_impedance_ohm, unit_of

#: A fault that fails.
FAULT = "reversed:box:tweeter"
#: Impulse responses are cut after so many frames: a box has rung out.
TAPS = 2**14
OUTPUT_V, ELECTRICAL_V, MICROPHONE_V, V_PER_PA, SENSE_OHM, LOAD_OHM = 2.0, 0.5, 0.05, 0.01, 10.0, 8.2
#: Clips on nothing, clips on each other, and a sound calibrator's pascal.
OPEN_OHM, SHORT_OHM, CALIBRATOR_PA = 1e9, 1e-3, 1.0
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
#: The same, with the microphone as a device of its own, and with no cable from output to input.
OWN = f"""
[microphone_device]
host_api = "{HOST_API}"
name = "{OWN_NAME}"
inputs = 1
outputs = 0
"""
BENCHES: Mapping[str, str] = {
    "card": BENCH,
    "own": BENCH.replace("[leads]", f"{OWN}[leads]", 1),
    "alone": BENCH.replace("microphone = 1, loopback = 2", "microphone = 1").replace("loopback_output = 3\n", "")
    .replace(f", loopback = {OUTPUT_V}", ""),
}  # fmt: skip


@dataclass(frozen=True)
class Hung:
    """What hangs at the clips, in ohm, 0: the unit; and what the microphone hears."""

    ohm: float = 0.0
    has_clips: bool = True
    is_on: bool = True
    calibrator_pa: float = 0.0


@lru_cache(maxsize=8)
def filters(workspace: Path, serial: str, fault: str, hung: Hung) -> Mapping[str, np.ndarray[Any, Any]]:
    """Impulse responses of a unit on the bench, in full scales of the card's inputs for one of its outputs."""
    kit, at_hz = load_kit(workspace, KIT), np.fft.rfftfreq(FRAMES, 1 / RATE_HZ)
    unit = unit_with([parse_fault(kit, fault)] if fault else [], unit_of(kit, serial))
    ohm = np.full(at_hz.size, hung.ohm) if hung.ohm else lead_impedance_ohm(unit, "box", at_hz)
    place = kit.microphone_m("box", "box", kit.positions[0])
    pascal = hung.is_on * lead_gain(unit.output("box"), at_hz) * box_pressure_pa(unit, "box", place, at_hz, 343.2)
    drive = hung.has_clips * OUTPUT_V / ELECTRICAL_V
    return {
        "microphone": impulse_response(OUTPUT_V * pascal * V_PER_PA / MICROPHONE_V)[:TAPS],
        "drive": impulse_response(np.full(at_hz.size, drive))[:TAPS],
        "sense": impulse_response(drive * SENSE_OHM / (SENSE_OHM + ohm))[:TAPS],
    }


#: In the words that ask the person at the bench -> what hangs there then.
ASKED: Mapping[str, Hung] = {
    "clips open": Hung(OPEN_OHM),
    "two clips on each other": Hung(SHORT_OHM),
    "known resistor": Hung(LOAD_OHM),
    "calibrator on the microphone": Hung(calibrator_pa=CALIBRATOR_PA),
}
#: As `kitproof bench` asks for it.
ARRANGED: Mapping[str, Hung] = {
    "clips open": Hung(OPEN_OHM),
    "clips closed": Hung(SHORT_OHM),
    "amplifier off": Hung(is_on=False, has_clips=False),
    "amplifier on": Hung(has_clips=False),
}


@contextmanager
def card_with(
    workspace: Path, serial: str, fault: str = "", has_own: bool = False, warm_s: float = 0.0
) -> Iterator[Card]:
    """Within it a unit is on a card, with thermometers that read what a good one's do that is warm since `warm_s`.

    Whoever asks the person at the bench to hang something else there gets it.
    """

    def wire(hung: Hung) -> None:
        amplitude = math.sqrt(2) * hung.calibrator_pa * V_PER_PA / MICROPHONE_V
        wired.wire(filters(workspace, serial, fault, hung), DELAY_FRAMES, amplitude)

    wired = Wired()
    wire(Hung())
    usual = Guide.ready

    def ready(guide: Guide, words: str) -> None:
        for part, hung in ASKED.items():
            if part in words:
                wire(hung)
        usual(guide, words)

    with ExitStack() as stack:
        card = stack.enter_context(plugged_in(wired, has_own))
        stack.enter_context(mock.patch.object(Guide, "ready", ready))
        stack.enter_context(
            mock.patch.object(
                probing.CardProbe, "arrange", lambda probe, situation, before="": wire(ARRANGED[situation])
            )
        )
        stack.enter_context(
            mock.patch.object(instrument_threads, "Instruments", return_value=Thermometers(card.clock, warm_s))
        )
        yield card


class Thermometers:
    """In the place of the instruments: a sink that warms up, by the card's own time."""

    def __init__(self, clock: Clock, warm_s: float) -> None:
        self._clock, self._began_s = clock, clock.now_s - warm_s

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
