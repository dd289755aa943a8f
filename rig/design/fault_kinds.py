"""The table of faults: what each is called, where it may sit, what is said of it, and how much of it there may be.

Names, places, words and amounts only. What a fault does is written twice, on purpose and with nothing in common: to a
simulated unit in `rig/simulated/changes.py`, to the design's model that findings are searched with in
`rig/findings/dictionary.py`.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

#: Of a unit: one or two of what a kit names. Of a programme: the unit as a whole, the box of the amplifier board, the
#: role of an instrument. The bench is one place.
Target = Literal[
    "channel", "two channels", "driver", "two drivers", "part", "two parts", "coil", "pad", "box", "port", "filter",
    "whole", "board", "role", "bench",
]  # fmt: skip

#: No amount of a fault, in whatever unit, is meant to be larger; numerical.
LARGEST_AMOUNT = 1e9
ANY = (-LARGEST_AMOUNT, LARGEST_AMOUNT)
#: Amounts that are factors, quantities and percent by which something falls or rises: none leaves it without size; our
#: choice.
FACTOR, QUANTITY, PERCENT, SHARE = (1e-3, 1e3), (0.0, LARGEST_AMOUNT), (-99.0, LARGEST_AMOUNT), (0.0, 1.0)


@dataclass(frozen=True)
class FaultKind:
    """One kind of fault."""

    #: With {channel}, {a}, {b}, {amount} and {it} (the channel and what follows it) to fill in; what stands before a
    #: colon is said where the amount is not known.
    words: str
    #: Where it may sit, and how a finding of it there is called; empty: no finding is.
    places: Mapping[Target, str]
    #: What it is without an amount of its own; None: it takes none.
    amount: float | None = None
    #: Lowest and highest amount.
    allowed: tuple[float, float] = ANY

    @property
    def brief(self) -> str:
        """Its words without an amount."""
        return self.words if self.amount is None else self.words.partition(":")[0]


UNIT_FAULTS: dict[str, FaultKind] = {
    "reversed": FaultKind("{it} is connected the wrong way round", {"channel": "reversed", "driver": "reversed"}),
    "swapped": FaultKind("the leads of {channel} and {a} are swapped at the amplifier", {"two channels": "swapped"}),
    "dead": FaultKind("{it} is open: burnt out, or its lead is off", {"driver": "dead"}),
    "open": FaultKind("{it} is open: missing, or a joint is cold", {"part": "open"}),
    "short": FaultKind("{it} is short, or bridged", {"part": "short", "driver": "driver short"}),
    "tenth": FaultKind("{it} has a tenth of its value", {"part": "value"}),
    "tenfold": FaultKind("{it} has ten times its value", {"part": "value"}),
    "off": FaultKind("{it} has another value: {amount} % off", {"part": "value"}, 20.0, PERCENT),
    "exchanged": FaultKind("{a} and {b} of {channel} have changed places", {"two parts": "exchanged"}),
    "reversed-pad": FaultKind("the attenuator {a}, {b} of {channel} is wired back to front", {"pad": "pad"}),
    "thin-wire": FaultKind("{it} has too much resistance: {amount} ohm more", {"coil": "thin wire"}, 0.5, QUANTITY),
    "driver-leads-swapped": FaultKind(
        "{a} and {b} of {channel} are on each other's leads", {"two drivers": "driver leads"}
    ),
    "wrong-impedance": FaultKind(
        "{it} is a version of another impedance: {amount} times as many ohms", {"driver": "impedance"}, 2.0, FACTOR
    ),
    "shorted-turns": FaultKind(
        "turns of the coil of {it} are short: {amount} % of its resistance are gone",
        {"driver": "shorted turns"},
        30.0,
        (0.0, 99.0),
    ),
    "weak": FaultKind(
        "the magnet of {it} is weak or damaged: {amount} dB less force for a current",
        {"driver": "weak"},
        3.0,
        (-60.0, 60.0),
    ),
    "stiff": FaultKind(
        "{it} has another resonance: {amount} % higher, its suspension is stiff", {"driver": "resonance"}, 20.0, PERCENT
    ),
    "leak": FaultKind(
        "the box of {channel} leaks: at its resonance its losses have a Q of {amount}", {"box": "leak"}, 2.0, FACTOR
    ),
    "undamped": FaultKind(
        "the damping of {channel} is missing: its box's losses have {amount} times their Q",
        {"box": "damping"},
        2.0,
        FACTOR,
    ),
    "blocked-port": FaultKind("the port of {channel} is blocked", {"port": "blocked port"}),
    "tuning": FaultKind(
        "the port of {channel} has another tuning: {amount} % higher", {"port": "tuning"}, 8.0, PERCENT
    ),
    "quiet": FaultKind(
        "{channel} is too quiet: the amplifier plays it {amount} dB lower", {"channel": "gain"}, 6.0, (-200.0, 200.0)
    ),
    "silent": FaultKind("the amplifier does not play {channel}", {"channel": "silent"}),
    "humming": FaultKind(
        "the amplifier hums at {channel}: {amount} mV of the mains", {"channel": "humming"}, 30.0, QUANTITY
    ),
    "hissing": FaultKind("the amplifier hisses at {channel}: {amount} mV", {"channel": "hissing"}, 20.0, QUANTITY),
    "corner": FaultKind(
        "the electronic filter of {channel} stands elsewhere: at {amount} times its frequency",
        {"filter": "corner"},
        1.5,
        FACTOR,
    ),
    "no-filter": FaultKind("the electronic filter of {channel} is bypassed", {"filter": "no filter"}),
    "rub": FaultKind(
        "a coil of {channel} rubs: a click a cycle, {amount} dB over the fundamental where the cone is in resonance",
        {"channel": "rub or rattle"},
        -40.0,
        (-200.0, 60.0),
    ),
    "buzz": FaultKind(
        "a wire or a panel of {channel} rattles near one frequency: clicks, {amount} dB over the fundamental",
        {"channel": "rub or rattle"},
        -40.0,
        (-200.0, 60.0),
    ),
    "particle": FaultKind(
        "a loose particle is thrown about in {channel}: clicks, up to {amount} dB over the fundamental",
        {"channel": "particle"},
        -35.0,
        (-200.0, 60.0),
    ),
    "blowing": FaultKind(
        "air blows through a gap of {channel}: noise, {amount} dB over the fundamental where it is loudest",
        {"box": "blowing"},
        -40.0,
        (-200.0, 60.0),
    ),
    "bent": FaultKind(
        "{channel} distorts: {amount} % of second and of third harmonic at all levels",
        {"channel": "bent"},
        3.0,
        (0.0, 100.0),
    ),
}


#: Faults of a unit that no curve of the usual place names: other places show them, or a knob makes them.
AROUND_FAULTS: dict[str, FaultKind] = {
    "beaming": FaultKind(
        "{it} is of another kind: it beams as if it were {amount} times as wide", {"driver": ""}, 1.4, FACTOR
    ),
    "toned": FaultKind(
        "a tone control before {channel} lifts the bass below 150 Hz by {amount} dB",
        {"channel": ""},
        6.0,
        (-24.0, 24.0),
    ),
    "late": FaultKind("{channel} comes {amount} ms later than the others", {"channel": ""}, 5.0, (-100.0, 100.0)),
}


def _of_bench(words: str, amount: float | None = None, allowed: tuple[float, float] = ANY) -> FaultKind:
    return FaultKind(words, {"bench": ""}, amount, allowed)


BENCH_FAULTS: dict[str, FaultKind] = {
    "dropped-samples": _of_bench("{amount} samples are lost in the middle of the sweep", 64.0),
    "inserted-samples": _of_bench("{amount} zeros are put in in the middle of the sweep", 64.0),
    "second-clock": _of_bench(
        "the inputs run on a clock {amount} millionths faster than the output", 100.0, (-1e5, 1e5)
    ),
    "clipping": _of_bench("an input is turned up until its peaks exceed full scale by {amount} dB", 6.0),
    "dead-microphone": _of_bench("the microphone gives nothing"),
    "turned-knob": _of_bench("the microphone's gain is {amount} dB off its calibration", 3.0),
    "inverted-microphone": _of_bench("the microphone's sign is not that of its calibration"),
    "far-microphone": _of_bench("the microphone stands {amount} mm further away than the jig's stop", 50.0),
    "turned-microphone": _of_bench(
        "aside of the axis the microphone stands at an angle {amount} degrees too large", 8.0, (-40.0, 40.0)
    ),
    "exchanged-places": _of_bench(
        "the places aside of the axis, and those close to the cones and the port, are taken in the wrong order"
    ),
    "loud-room": _of_bench("the room's noise is {amount} dB SPL", 75.0),
    "knock": _of_bench(
        "something knocks against the jig in the middle of the sweep, {amount} Pa at the microphone", 1.0
    ),
    "door": _of_bench("a door slams in the middle of the sweep, {amount} Pa at the microphone", 1.0),
    "speech": _of_bench("somebody speaks in the room at {amount} dB SPL", 50.0),
    "hum": _of_bench("mains hum at every input, {amount} dB below full scale", 50.0),
    "microphone-hum": _of_bench("mains hum at the microphone's input, {amount} dB below full scale", 50.0),
    "warm-room": _of_bench("the air is {amount} degrees warmer than the bench believes", 10.0, (-100.0, 100.0)),
    "clips-off": _of_bench("the clips touch no lead"),
    "dead-sense": _of_bench("the second electrical input gives nothing"),
    "dead-loopback": _of_bench("the loopback's cable is off"),
    "exchanged-inputs": _of_bench("the cables of the two inputs are exchanged"),
    "resistor-left-in": _of_bench("the sense resistor is still in the lead while the unit plays"),
    "muted": _of_bench("the sound card plays nothing"),
    "turned-output": _of_bench("the card's output is {amount} dB off its calibration", -6.0),
    "turned-loopback": _of_bench("the loopback's input is {amount} dB off its calibration", -6.0),
    "turned-sense": _of_bench("the second electrical input is {amount} dB off its calibration", 3.0),
    "dead-drive": _of_bench("the first electrical input gives nothing"),
    "wrong-sense-resistor": _of_bench("the sense resistor has {amount} ohm", 22.0, QUANTITY),
    "exchanged-outputs": _of_bench("the cables of the first two outputs are exchanged"),
    "other-sound": _of_bench("another program plays, {amount} mV at the card's output", 5.0),
    "automatic-gain": _of_bench("the operating system levels the recording within {amount} dB", 12.0),
    "noise-suppression": _of_bench("the operating system lowers what it takes for noise by {amount} dB", 20.0),
    "resampled": _of_bench("the recording holds nothing above {amount} Hz: its rate was converted", 16000.0, QUANTITY),
    "wrong-rate": _of_bench("the card records at {amount} Hz whatever it states", 44100.0, (1e3, 1e6)),
    "flagged": _of_bench("the driver reports an overflow"),
    "unplugged": _of_bench("the sound device disappears"),
}

#: Faults that show in the heat of a long loud programme.
HEAT_FAULTS: dict[str, FaultKind] = {
    "unbonded": FaultKind(
        "the heat sink is not bonded: it takes {amount} % of the heat that it should", {"whole": ""}, 1.0, QUANTITY
    ),
    "covered": FaultKind(
        "the cooling vent of the {it} box, where the amplifier board sits, is covered: {amount} % of its flow is left",
        {"board": ""},
        25.0,
        QUANTITY,
    ),
    "fails-open": FaultKind("{it} burns out when {amount} of the programme has passed", {"driver": ""}, 0.5, SHARE),
    "silent-sensor": FaultKind(
        "the instrument at the {it} answers no more when {amount} of the programme has passed", {"role": ""}, 0.5, SHARE
    ),
    "garbage": FaultKind(
        "the instrument at the {it} answers nonsense when {amount} of the programme has passed",
        {"role": ""},
        0.5,
        SHARE,
    ),
    "warming": FaultKind("the room warms by {amount} K an hour", {"whole": ""}, 4.0),
}

FAULT_KINDS = UNIT_FAULTS | AROUND_FAULTS | BENCH_FAULTS | HEAT_FAULTS

#: Finding -> its words without an amount. Of several faults that are one finding, the last ones' are said: the most
#: general.
FINDING_WORDS = {finding: kind.brief for kind in UNIT_FAULTS.values() for finding in kind.places.values()}
