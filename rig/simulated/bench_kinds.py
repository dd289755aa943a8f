"""The kinds of faults of the bench: what each changes in the simulated equipment."""

from collections.abc import Callable
from dataclasses import dataclass, replace

from rig.signals.levels import amplitude_ratio
from rig.simulated.equipment import Equipment


@dataclass(frozen=True)
class BenchKind:
    """A kind of fault of the bench."""

    words: str
    change: Callable[[Equipment, float], Equipment]
    amount: float | None = None


def _ratio(level_db: float) -> float:
    return float(amplitude_ratio(level_db))


BENCH_KINDS: dict[str, BenchKind] = {
    "dropped-samples": BenchKind(
        "{amount} samples are lost in the middle of the sweep", lambda e, n: replace(e, lost_samples=int(n)), 64.0
    ),
    "inserted-samples": BenchKind(
        "{amount} zeros are put in in the middle of the sweep", lambda e, n: replace(e, lost_samples=-int(n)), 64.0
    ),
    "second-clock": BenchKind(
        "the inputs run on a clock {amount} millionths faster than the output",
        lambda e, ppm: replace(e, clock_ppm=ppm),
        100.0,
    ),
    "clipping": BenchKind(
        "an input is turned up until its peaks exceed full scale by {amount} dB",
        lambda e, db: replace(e, overload_db=db),
        6.0,
    ),
    "dead-microphone": BenchKind("the microphone gives nothing", lambda e, _: replace(e, microphone_gain=0.0)),
    "turned-knob": BenchKind(
        "the microphone's gain is {amount} dB off its calibration",
        lambda e, db: replace(e, microphone_gain=e.microphone_gain * _ratio(db)),
        3.0,
    ),
    "inverted-microphone": BenchKind(
        "the microphone's sign is not that of its calibration",
        lambda e, _: replace(e, microphone_gain=-e.microphone_gain),
    ),
    "far-microphone": BenchKind(
        "the microphone stands {amount} mm further away than the jig's stop",
        lambda e, mm: replace(e, microphone_shift_m=mm / 1000),
        50.0,
    ),
    "loud-room": BenchKind(
        "the room's noise is {amount} dB SPL",
        lambda e, db: replace(e, room=replace(e.room, ambient_db=db)),
        75.0,
    ),
    "knock": BenchKind(
        "something knocks against the jig in the middle of the sweep, {amount} Pa at the microphone",
        lambda e, pa: replace(e, knock_pa=pa),
        1.0,
    ),
    # Sounds beside the bench change nothing of the equipment: `noises.OUTSIDE` makes them.
    "door": BenchKind("a door slams in the middle of the sweep, {amount} Pa at the microphone", lambda e, _: e, 1.0),
    "speech": BenchKind("somebody speaks in the room at {amount} dB SPL", lambda e, _: e, 50.0),
    "hum": BenchKind(
        "mains hum at every input, {amount} dB below full scale",
        lambda e, db: replace(e, hum=_ratio(-db)),
        50.0,
    ),
    "microphone-hum": BenchKind(
        "mains hum at the microphone's input, {amount} dB below full scale",
        lambda e, db: replace(e, microphone_hum=_ratio(-db)),
        50.0,
    ),
    "warm-room": BenchKind(
        "the air is {amount} degrees warmer than the bench believes",
        lambda e, degrees: replace(e, air_celsius=e.air_celsius + degrees),
        10.0,
    ),
    "clips-off": BenchKind("the clips touch no lead", lambda e, _: replace(e, clips_off=True)),
    "dead-sense": BenchKind("the second electrical input gives nothing", lambda e, _: replace(e, sense_gain=0.0)),
    "dead-loopback": BenchKind("the loopback's cable is off", lambda e, _: replace(e, loopback_gain=0.0)),
    "exchanged-inputs": BenchKind(
        "the cables of the two inputs are exchanged", lambda e, _: replace(e, inputs_exchanged=True)
    ),
    "resistor-left-in": BenchKind(
        "the sense resistor is still in the lead while the unit plays", lambda e, _: replace(e, resistor_left_in=True)
    ),
    "muted": BenchKind("the sound card plays nothing", lambda e, _: replace(e, output_muted=True)),
    "turned-output": BenchKind(
        "the card's output is {amount} dB off its calibration",
        lambda e, db: replace(e, output_gain=e.output_gain * _ratio(db)),
        -6.0,
    ),
    "turned-loopback": BenchKind(
        "the loopback's input is {amount} dB off its calibration",
        lambda e, db: replace(e, loopback_gain=e.loopback_gain * _ratio(db)),
        -6.0,
    ),
    "turned-sense": BenchKind(
        "the second electrical input is {amount} dB off its calibration",
        lambda e, db: replace(e, sense_gain=e.sense_gain * _ratio(db)),
        3.0,
    ),
    "dead-drive": BenchKind("the first electrical input gives nothing", lambda e, _: replace(e, drive_gain=0.0)),
    "wrong-sense-resistor": BenchKind(
        "the sense resistor has {amount} ohm", lambda e, ohm: replace(e, sense_ohm=ohm), 22.0
    ),
    "exchanged-outputs": BenchKind(
        "the cables of the first two outputs are exchanged", lambda e, _: replace(e, outputs_exchanged=True)
    ),
    "other-sound": BenchKind(
        "another program plays, {amount} mV at the card's output",
        lambda e, mv: replace(e, other_sound_v=mv / 1000),
        5.0,
    ),
    "automatic-gain": BenchKind(
        "the operating system levels the recording within {amount} dB",
        lambda e, db: replace(e, automatic_gain_db=db),
        12.0,
    ),
    "noise-suppression": BenchKind(
        "the operating system lowers what it takes for noise by {amount} dB",
        lambda e, db: replace(e, suppressed_db=db),
        20.0,
    ),
    "resampled": BenchKind(
        "the recording holds nothing above {amount} Hz: its rate was converted",
        lambda e, hz: replace(e, band_hz=hz),
        16000.0,
    ),
    "wrong-rate": BenchKind(
        "the card records at {amount} Hz whatever it states", lambda e, hz: replace(e, actual_rate_hz=hz), 44100.0
    ),
    "flagged": BenchKind("the driver reports an overflow", lambda e, _: replace(e, flags=(*e.flags, "input overflow"))),
    "unplugged": BenchKind("the sound device disappears", lambda e, _: replace(e, unplugged=True)),
}
