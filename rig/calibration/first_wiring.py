"""A bench that nobody has described yet: what is asked of the person at it, what is heard, and the bench.toml of it."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from rig.bench.connection import connection_words
from rig.bench.devices import UNFIT_APIS, Device
from rig.bench.probing import Probe, find_listeners, full_scale_db, input_silence
from rig.bench_check.input_levels import input_fault
from rig.bench_check.wiring_found import LeadsFound, inputs_that_hear, leads_found, loopback_found, loudest_output
from rig.calibration.desk import Guide
from rig.design.kit import Kit
from rig.files.errors import BenchError
from rig.signals.levels import db
from rig.signals.probing_noise import ProbedPath

#: Peak volts of a usual card at full scale, where nobody knows; and what no card gives more of, for the limits until
#: an output was measured (common practice, no source).
USUAL_VOLTS, MOST_VOLTS = 2.0, 12.0
#: A card runs at this where nobody wants another rate; our choice.
USUAL_RATE_HZ = 48000.0
#: With nothing played: louder is a hum or a program that plays; in samples; our choice.
LOUD_SILENCE = 0.003
CARD_CAUTIONS = """
This finds out how your card is wired, by playing noise: from 80 dB below full scale upwards, on one output at a time,
and never louder than is needed to hear it. Ctrl-C stops it at any moment.
- The amplifier is switched off and unplugged until you are asked for it. Hold no headphones to your ears.
- Turn the volume of the amplifier and of the source for the clips down first.
"""


@dataclass(frozen=True)
class Answers:
    """What only the person at the bench knows."""

    name: str
    device: Device
    #: The microphone where it is a device of its own.
    microphone_device: Device | None = None
    #: None: not known.
    output_volts: float | None = None
    #: None: no sense resistor, so no bare leads.
    sense_ohm: float | None = None
    microphone_mv_per_pa: float | None = None
    air_celsius: float | None = None


@dataclass(frozen=True)
class PlayingFound:
    """The wiring of playing: outputs of the boxes, the microphone's input, and the loopback if there is one."""

    outputs: Mapping[str, int]
    microphone: int
    #: Output, input, sample at the input per sample at the output.
    loopback: tuple[int, int, float] | None


def asked_answers(guide: Guide, devices: Sequence[Device]) -> Answers:
    """Ask for what cannot be heard; each question with its unit and an example, and Enter where it is not known.

    Raises
    ------
    BenchError
        If there is no device that could be used.
    """
    usable = [device for device in devices if device.host_api not in UNFIT_APIS]
    cards = [device for device in usable if device.outputs]
    if not cards:
        raise BenchError("no sound device with an output is there: is the card plugged in, and may this user open it?")
    name = _text(guide, 'a name for this bench, such as "bench by the window": ')
    card = _chosen(guide, "the sound card", cards)
    others = [device for device in usable if device.inputs and device != card]
    own = None
    if others and (not card.inputs or _yes(guide, "is the microphone a device of its own, a USB microphone?")):
        own = _chosen(guide, "the microphone", others)
    rate_hz = USUAL_RATE_HZ
    if card.sample_rate_hz != USUAL_RATE_HZ:
        rate_hz = (
            asked_number(guide, f"samples per second ({card.sample_rate_hz:g}); Enter: 48000", 32e3, 384e3) or rate_hz
        )
    sense_ohm = None
    # Two inputs are needed at the clips.
    if card.inputs > 1:
        sense_ohm = asked_number(guide, "ohms of the sense resistor (10.02); Enter: none, no bare leads", 0.1, 1000)
    return Answers(
        name=name,
        device=replace(card, sample_rate_hz=rate_hz),
        microphone_device=own,
        output_volts=asked_number(
            guide, "peak volts at the card's output at full scale, from its sheet (2.0)", 0.01, 100
        ),
        sense_ohm=sense_ohm,
        microphone_mv_per_pa=asked_number(
            guide, "millivolts per pascal of the microphone and its preamp (12.5)", 1e-3, 1e5
        ),
        air_celsius=asked_number(guide, "degrees Celsius of the air at the bench (21)", -20, 60),
    )


def find_wiring(probe: Probe, kit: Kit, answers: Answers, guide: Guide) -> tuple[LeadsFound | None, PlayingFound]:
    """Play and listen, with the person at the bench doing what is asked, until it is known what is connected to what.

    Raises
    ------
    BenchError
        If what is heard is no wiring of a bench, or the card fails.
    Stopped
        If the person says no.
    """
    guide.say(CARD_CAUTIONS.strip())
    guide.ready("The amplifier is off and unplugged, and no other program plays or records?")
    probe.arrange("amplifier off")
    for words in listening_words(input_silence(probe)):
        guide.say(words)
    volts = answers.output_volts or MOST_VOLTS
    leads = _find_leads(probe, kit, guide, volts) if answers.sense_ohm is not None else None
    # The card's own inputs may hear the room as well, as that of a computer does.
    before = answers.device.inputs if answers.microphone_device else 0
    return leads, _find_playing(probe, kit, guide, volts, before)


def listening_words(silence: Sequence[tuple[float, float]]) -> Iterator[str]:
    """What is wrong with inputs while nothing plays: mean and RMS of each."""
    for number, (mean, rms) in enumerate(silence, 1):
        if fault := input_fault(mean, rms):
            yield f"input {number}: {fault}"
        elif rms > LOUD_SILENCE:
            loud = f"{db(rms):.0f} dB of full scale with nothing played"
            yield f"input {number}: {loud}: hum, an open cable, or a loud room"


def _find_leads(probe: Probe, kit: Kit, guide: Guide, output_volts: float) -> LeadsFound:
    highest_db = full_scale_db(kit.levels.leads_quiet_v, output_volts)
    every = range(1, probe.outputs + 1)
    guide.ready(
        "Bare leads: connect the source, the sense resistor and the two inputs as for measuring a box, and leave the "
        "clips open, touching nothing. The amplifier stays unplugged and its cables off."
    )
    probe.arrange("clips open")
    opened = {output: _listeners(probe, output, highest_db, guide) for output in every}
    guide.ready("Now clip the two clips on each other.")
    probe.arrange("clips closed")
    closed = {output: _listeners(probe, output, highest_db, guide) for output in every}
    found = leads_found(opened, closed)
    guide.say(
        f"-> the clips hang at output {found.output}; before the resistor at input {found.drive}, behind it at input "
        f"{found.sense}; the resistor is in the {found.sense_in} lead"
    )
    return found


def _find_playing(probe: Probe, kit: Kit, guide: Guide, output_volts: float, before: int) -> PlayingFound:
    """The wiring of playing; the microphone is at an input behind the first `before` ones."""
    # Not even an amplifier that was left on would be louder than the quiet sweeps.
    highest_db = full_scale_db(kit.levels.playing_quiet_v / kit.amplifier.gain, output_volts)
    guide.ready(
        "Playing: take the clips off. Connect the card's outputs to the inputs of the amplifier, a cable from a spare "
        "output to a spare input if you have them (the loopback), and the microphone. The amplifier stays OFF."
    )
    probe.arrange("amplifier off")
    silent = {output: _listeners(probe, output, highest_db, guide) for output in range(1, probe.outputs + 1)}
    loopback = loopback_found(silent)
    if loopback:
        guide.say(f"-> a loopback leads from output {loopback[0]} to input {loopback[1]}")
    else:
        guide.say("-> no loopback: polarity and levels will be told with less certainty")
    outputs, microphone = _find_boxes(probe, kit, guide, highest_db, loopback, before)
    return PlayingFound(outputs, microphone, loopback)


def _find_boxes(
    probe: Probe, kit: Kit, guide: Guide, highest_db: float, loopback: tuple[int, int, float] | None, before: int
) -> tuple[dict[str, int], int]:
    """Output of each box, and the microphone's input: before which box it stands says the person at the bench."""
    returned = loopback[1] if loopback else 0
    # The loopback's output plays no box, unless it is the only one there is.
    spare = loopback[0] if loopback and probe.outputs > 1 else 0
    left = [output for output in range(1, probe.outputs + 1) if output != spare]
    outputs: dict[str, int] = {}
    microphone = 0
    for channel in kit.channels:
        if outputs and len(left) == 1 and len(kit.channels) == len(outputs) + 1:
            outputs[channel.name] = left[0]
            guide.say(f"-> so output {left[0]} feeds the {channel.name} box")
            break
        guide.ready(_words_before(kit, channel.name, is_first=not outputs))
        probe.arrange("amplifier on", channel.name)
        every = {output: _listeners(probe, output, highest_db, guide) for output in left}
        heard = {output: [one for one in of if before < one.input != returned] for output, of in every.items()}
        found = loudest_output(heard)
        if found is None:
            raise BenchError(
                f"no output is heard at any input with the microphone before the {channel.name} box: is the amplifier "
                "on and turned up, its cable in the card's output, the microphone on (phantom power)?"
            )
        outputs[channel.name], microphone = found[0], found[1].input
        left = [output for output in left if output != found[0] and inputs_that_hear(heard[output])]
        guide.say(f"-> output {found[0]} feeds the {channel.name} box, and the microphone is at input {microphone}")
        if not left and channel != kit.channels[-1]:
            raise BenchError(f"only {', '.join(outputs)} can be heard, and the kit has more boxes: see to their cables")
    return outputs, microphone


def _words_before(kit: Kit, channel: str, is_first: bool) -> str:
    """What the person at the bench does before a box is played, with all cautions the first time."""
    place = (
        f"Put the microphone {kit.positions[0].distance_m:g} m in front of the {channel} box. Each box plays quietly."
    )
    if not is_first:
        return place
    words = kit.stages["playing"].words.strip() if "playing" in kit.stages else ""
    return "\n".join(filter(None, [words, connection_words(kit, None, "playing"), place]))


def _listeners(probe: Probe, output: int, highest_db: float, guide: Guide) -> list[ProbedPath]:
    found, level_db = find_listeners(probe, output, highest_db)
    heard = " and ".join(f"input {one.input}" for one in inputs_that_hear(found))
    guide.say(f"   output {output}, up to {level_db:.0f} dB of full scale: {heard or 'nobody hears it'}")
    return found


def bench_toml(answers: Answers, leads: LeadsFound | None, playing: PlayingFound) -> str:
    """What is written to bench.toml: what was asked, what was heard, and what only a calibration can tell."""
    volts = answers.output_volts or USUAL_VOLTS
    lines = [
        "# By kitproof bench, from what was asked and heard. Volts are a start: kitproof calibrate measures them.",
        'kind = "soundcard"',
        f"name = {_quoted(answers.name)}",
        *([] if answers.air_celsius is None else [f"air_celsius = {answers.air_celsius:g}"]),
        "",
        "[device]",
        *_device_lines(answers.device),
        f"sample_rate_hz = {answers.device.sample_rate_hz:g}",
    ]
    microphone = playing.microphone
    if answers.microphone_device is not None:
        lines += ["", "[microphone_device]", *_device_lines(answers.microphone_device)]
        microphone -= answers.device.inputs
    if leads is not None:
        lines += _leads_lines(leads, volts, answers.sense_ohm)
    lines += _playing_lines(playing, volts, microphone)
    if answers.microphone_mv_per_pa is not None:
        lines.append(f"microphone_mv_per_pa = {answers.microphone_mv_per_pa:g}")
    return "\n".join(lines) + "\n"


def _leads_lines(leads: LeadsFound, volts: float, sense_ohm: float | None) -> list[str]:
    of = {"drive": volts / leads.drive_gain, "sense": volts / leads.sense_gain}
    return [
        "",
        "[leads]",
        f'outputs = {{ "*" = {leads.output} }}',
        f"inputs = {{ drive = {leads.drive}, sense = {leads.sense} }}",
        f"output_volts = {volts:g}",
        f"input_volts = {_volts_table(of)}",
        f"sense_ohm = {sense_ohm:g}",
        f'sense_in = "{leads.sense_in}"',
    ]


def _playing_lines(playing: PlayingFound, volts: float, microphone: int) -> list[str]:
    inputs, of = {"microphone": microphone}, {"microphone": 1.0}
    if playing.loopback:
        inputs["loopback"], of["loopback"] = playing.loopback[1], volts / playing.loopback[2]
    return [
        "",
        "[playing]",
        f"outputs = {{ {', '.join(f'{name} = {number}' for name, number in playing.outputs.items())} }}",
        f"inputs = {{ {', '.join(f'{role} = {number}' for role, number in inputs.items())} }}",
        *([f"loopback_output = {playing.loopback[0]}"] if playing.loopback else []),
        f"output_volts = {volts:g}",
        f"input_volts = {_volts_table(of)}",
    ]


def _device_lines(device: Device) -> list[str]:
    return [
        f"host_api = {_quoted(device.host_api)}",
        f"name = {_quoted(device.name)}",
        f"inputs = {device.inputs}",
        f"outputs = {device.outputs}",
    ]


def _volts_table(of: Mapping[str, float]) -> str:
    return "{ " + ", ".join(f"{role} = {volts:.4g}" for role, volts in of.items()) + " }"


def _quoted(text: str) -> str:
    """A basic string of TOML."""
    plain = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c.isprintable() else f"\\u{ord(c):04X}" for c in plain) + '"'


def _text(guide: Guide, words: str) -> str:
    while not (text := guide.ask(words).strip()):
        guide.say("  found nothing; allowed: some words")
    return text


def _yes(guide: Guide, words: str) -> bool:
    while (text := guide.ask(f"{words} y or n: ").strip().lower()) not in ("y", "n", "yes", "no"):
        guide.say(f"  found {text!r}; allowed: y or n")
    return text.startswith("y")


def asked_number(guide: Guide, words: str, low: float, high: float) -> float | None:
    """A number within bounds, a decimal comma taken for a point; None where nothing is typed: not known."""
    while text := guide.ask(f"{words}; Enter: don't know: " if "Enter" not in words else f"{words}: ").strip():
        try:
            value = float(text.replace(",", "."))
        except ValueError:
            value = float("nan")
        if low <= value <= high:
            return value
        guide.say(f"  found {text!r}; allowed: a number from {low:g} to {high:g}, or Enter")
    return None


def _chosen(guide: Guide, what: str, devices: Sequence[Device]) -> Device:
    if len(devices) == 1:
        guide.say(f"{what}: {devices[0]}")
        return devices[0]
    for number, device in enumerate(devices, 1):
        guide.say(f"  {number}  {device}")
    while True:
        text = guide.ask(f"which of them is {what}? its number: ").strip()
        if text.isdecimal() and 1 <= int(text) <= len(devices):
            return devices[int(text) - 1]
        guide.say(f"  found {text!r}; allowed: 1 to {len(devices)}")
