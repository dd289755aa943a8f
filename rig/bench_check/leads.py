"""What a quiet sweep into the bare leads tells of the source, the sense resistor and the two electrical inputs."""

from dataclasses import dataclass

import numpy as np

from rig.bench_check import any_input
from rig.bench_check.bench_finding import BenchFinding, louder, right, unknown, within
from rig.bench_check.measured import brought_forward, has_signal, late_frames, path_gain
from rig.circuit.channel import impedance_ohm
from rig.design.kit import Kit
from rig.signals.arrays import Complex
from rig.signals.deconvolution import transfer_function
from rig.values.captures import Capture, KnownLoad, once_per_capture
from rig.values.readings import Floats
from rig.verdict.responses import sweep_layout

#: An output may be so far off what bench.toml says (our choice; tests/benchmarks/bench_faults.py).
LEVEL_WITHIN_DB = 1.0
#: A source so much too loud plays nothing into an amplifier (our choice; tests/benchmarks/bench_faults.py).
TOO_LOUD_DB = 9.0
#: Above this nothing hangs at the clips; below this they touch each other (our choice;
#: tests/benchmarks/bench_faults.py).
OPEN_OHM, SHORT_OHM = 200.0, 0.5
#: The sense resistor and the inputs' gains are called wrong beyond this ... (our choice;
#: tests/benchmarks/bench_faults.py)
SCALE_BEYOND, GAIN_BEYOND_DB = 1.15, 1.0
#: ... if the curve is then the design's within so much, and was so many times further away before (our choice;
#: tests/benchmarks/bench_faults.py).
LIKE_DESIGN, CLOSER = 0.07, 2.5
#: Curves are alike if they are so over so many percent of the frequencies (our choice;
#: tests/benchmarks/bench_faults.py).
MOST_PERCENT = 70
CALIBRATE = "Run kitproof calibrate sense with a known resistor of about 8 ohm."
#: Two inputs of one card differ by less than this (our choice; tests/benchmarks/bench_faults.py).
MISMATCH_DB = 1.0


@dataclass(frozen=True, eq=False)
class Leads:
    """The captures of the stage, and what they were taken of."""

    kit: Kit
    silence: Capture
    sweep: Capture
    #: Value of a known resistor at the clips; None: the leads of a box are.
    load_ohm: float | None = None

    @property
    def is_in_return(self) -> bool:
        """Whether the sense resistor sits between load and ground."""
        return self.sweep.calibration.sense_in == "return"


def assess_leads(bench: Leads) -> list[BenchFinding]:
    """All that the stage tells, causes before what follows from them."""
    sweep = bench.sweep
    findings: list[BenchFinding | None] = [*any_input.overdriven([sweep]), silent(bench)]
    findings += any_input.clock([sweep], "drive" if has_signal(sweep, "drive") else "sense")
    both = has_signal(sweep, "drive") and has_signal(sweep, "sense")
    if both:
        findings += any_input.levelled([sweep])
        findings += [exchanged(bench), output_level(bench), load(bench)]
    elif has_signal(sweep, "drive"):
        findings += [output_level(bench)]
    if has_signal(sweep, "drive"):
        findings += [any_input.resampled(sweep, "drive")]
    findings += noises(bench)
    findings += [known_load(sweep.calibration.known_load), *any_input.calibrations(sweep.calibration)]
    return [one for one in findings if one]


def noises(bench: Leads) -> list[BenchFinding]:
    """Hum and other sounds at the two inputs."""
    roles = [role for role in ("drive", "sense") if has_signal(bench.sweep, role)]
    others = [any_input.other_sound(bench.silence, bench.sweep, role) for role in roles[:1]]
    found = [one for one in (any_input.hum(bench.silence, bench.sweep, dict.fromkeys(roles)), *others) if one]
    return found or ([right("hum", "no hum and no other sound at the two inputs")] if roles else [])


def silent(bench: Leads) -> BenchFinding:
    """Nothing arrives where it should."""
    drive, sense = has_signal(bench.sweep, "drive"), has_signal(bench.sweep, "sense")
    if not drive and not sense:
        words = "nothing of the sweep arrives at the drive input or the sense input"
        to_do = (
            "Is the card's output muted or its volume at zero, the cable from the output plugged in, and outputs in "
            "bench.toml the socket that it is in? Then check the plugs of the two inputs."
        )
        return BenchFinding("output silent", False, words, to_do)
    if not drive:
        words = "the sweep arrives at the sense input, but not at the drive input"
        to_do = "Check the cable of the drive input: it belongs to the source's end, before the sense resistor."
        return BenchFinding("drive input silent", False, words, to_do)
    if not sense:
        words = "no current flows: the sweep is at the drive input, and nothing at the sense input"
        return BenchFinding("no current", False, words, NO_CURRENT, "bench or unit")
    return right("output silent", "the sweep arrives at both inputs")


NO_CURRENT = (
    "Touch the two clips together and check again. If the sense input hears the sweep then, the clips were off or the "
    "lead is open inside the box; if not, the sense input's cable or the sense resistor is open."
)


@once_per_capture
def ratio_of(sweep: Capture) -> tuple[Floats, Complex]:
    """The second input's voltage over the first's, frequencies and ratio, the inputs' known mismatch taken out."""
    request = sweep.request
    grid = np.geomspace(max(30.0, request.start_hz), min(16000.0, request.stop_hz), 90)
    late, silence = late_frames(sweep, "drive"), sweep_layout(sweep).silence
    drive, sense = (
        brought_forward(volts - np.mean(volts[silence]), late) for volts in (sweep.volts("drive"), sweep.volts("sense"))
    )
    ratio = transfer_function(sense, drive, sweep.layout, grid, 0.05, 0.3)
    known = sweep.calibration.known_load
    if known is not None:
        gain = np.interp(grid, known.frequency_hz, np.abs(known.ratio))
        turn = np.interp(grid, known.frequency_hz, np.unwrap(np.angle(known.ratio)))
        ratio = ratio / (gain * np.exp(1j * turn))
    return grid, ratio


def exchanged(bench: Leads) -> BenchFinding | None:
    """Behind a divider there is less than before it, never more, unless a gain is off."""
    grid, ratio = ratio_of(bench.sweep)
    over = float(np.median(np.abs(ratio)))
    if over < 1.1 or float(np.percentile(np.abs(ratio), 10)) < 1.0 or _is_a_gain(bench, grid, ratio):
        return None
    words = f"drive and sense are exchanged: the sense input has {20 * np.log10(over):.1f} dB more than the drive"
    to_do = "Exchange the two input cables: drive belongs to the source's end, sense to the sense resistor's other end."
    return BenchFinding("inputs exchanged", False, words, to_do, "sure" if over > 1.3 else "likely")


def _is_a_gain(bench: Leads, grid: Floats, ratio: Complex) -> bool:
    """Whether one factor between the inputs makes the curve the design's, and exchanging them does it less well."""
    sense_ohm = bench.sweep.calibration.sense_ohm
    if sense_ohm is None:
        return False
    design = _design_ohm(bench, grid)
    turned = _best_gain(ratio, design, sense_ohm, bench.is_in_return)[1]
    other_way = misfit(np.log(np.abs(load_ohm(1 / ratio, sense_ohm, bench.is_in_return)) / design))
    return turned < LIKE_DESIGN and turned < other_way


def _design_ohm(bench: Leads, grid: Floats) -> Floats:
    channel = bench.sweep.request.channel
    return np.abs(np.asarray(impedance_ohm(bench.kit.model(channel), grid)).reshape(-1))


def output_level(bench: Leads) -> BenchFinding | None:
    """The source's own voltage, the drop over its inner resistance taken out.

    The first input sees the source's voltage less the current's drop over the inner resistance; the current shows at
    the sense resistor. A straight line through both tells the two apart.
    """
    sweep = bench.sweep
    _, drive = path_gain(sweep, "drive")
    level = abs(complex(np.median(drive.real), np.median(drive.imag)))
    if has_signal(sweep, "sense"):
        _, sense = path_gain(sweep, "sense")
        current = np.abs(sense) if bench.is_in_return else np.abs(drive) - np.abs(sense)
        if np.ptp(current) > 0.1 * np.mean(current):
            slope, level = np.polyfit(current, np.abs(drive), 1)
            # An inner resistance lowers the voltage; what raises it is something else.
            level = level if slope < 0 else float(np.median(np.abs(drive)))
    off_db = float(20 * np.log10(max(level, 1e-6))) - (sweep.calibration.loopback_db or 0.0)
    if abs(off_db) <= LEVEL_WITHIN_DB:
        return right("output level", f"the source is as loud as bench.toml says, {within(off_db)}")
    what = "output too loud" if off_db > TOO_LOUD_DB else "output level"
    words = f"the source is {louder(off_db)} than bench.toml says, as the drive input sees it"
    to_do = (
        "Set the card's volume (its knob and the operating system's) back to where output_volts was measured, and the "
        "drive input's gain to where input_volts was; or measure both again."
    )
    return BenchFinding(what, False, words, to_do, "likely")


def load(bench: Leads) -> BenchFinding | None:
    """What hangs at the clips, held against the design: clips open or short, sense resistor, gains of the inputs."""
    sense_ohm = bench.sweep.calibration.sense_ohm
    if sense_ohm is None:
        return unknown("sense resistor", "the sense resistor's value is not known", "Set sense_ohm in bench.toml.")
    grid, ratio = ratio_of(bench.sweep)
    ohm = load_ohm(ratio, sense_ohm, bench.is_in_return)
    if float(np.median(np.abs(ohm))) > OPEN_OHM:
        words = f"no current flows: more than {OPEN_OHM:g} ohm hang at the clips"
        return BenchFinding("no current", False, words, NO_CURRENT, "bench or unit")
    if float(np.percentile(np.abs(ohm), 90)) < SHORT_OHM:
        words = f"the clips are short: {float(np.median(np.abs(ohm))):.2f} ohm at all frequencies"
        to_do = (
            "Do the clips touch each other? If not, the leads are short inside the box: do not connect the amplifier."
        )
        return BenchFinding("clips short", False, words, to_do, "bench or unit")
    if bench.load_ohm is not None:
        return _known_resistor(bench.load_ohm, ohm)
    return _against_design(ratio, _design_ohm(bench, grid), sense_ohm, bench.is_in_return)


def load_ohm(ratio: Complex, sense_ohm: float, in_return: bool) -> Complex:
    """Impedance at the clips by the voltage divider."""
    with np.errstate(divide="ignore", invalid="ignore"):
        found: Complex = sense_ohm * (1 / ratio - 1) if in_return else sense_ohm * ratio / (1 - ratio)
    return np.nan_to_num(found, nan=1e9, posinf=1e9, neginf=1e9)


def _known_resistor(known_ohm: float, ohm: Complex) -> BenchFinding:
    found = float(np.median(np.abs(ohm)))
    if 1 / 1.05 < found / known_ohm < 1.05:
        return right("sense resistor", f"the known resistor of {known_ohm:g} ohm reads {found:.2f} ohm")
    words = f"the known resistor of {known_ohm:g} ohm reads {found:.2f} ohm"
    to_do = (
        "Measure the sense resistor with a meter, out of its place, and write its value to sense_ohm. If it is right, "
        "a gain knob of the two inputs was turned: kitproof calibrate sense compares them again."
    )
    return BenchFinding("sense resistor", False, words, to_do)


def _against_design(ratio: Complex, design_ohm: Floats, sense_ohm: float, in_return: bool) -> BenchFinding | None:
    """Told only where one factor makes the whole curve the design's: a wrong part in the unit bends it."""
    shift = np.log(np.abs(load_ohm(ratio, sense_ohm, in_return)) / design_ohm)
    before = float(np.median(np.abs(shift)))
    scale = float(np.exp(np.median(shift)))
    scaled = misfit(shift - np.log(scale))
    turned_db, turned = _best_gain(ratio, design_ohm, sense_ohm, in_return)
    far = before > LIKE_DESIGN and before > CLOSER * min(scaled, turned) and min(scaled, turned) < LIKE_DESIGN
    if not far:
        words = "the impedance is near the design's" if before < LIKE_DESIGN else ""
        return right("sense resistor", words) if words else None
    is_scale = scaled < turned and max(scale, 1 / scale) > SCALE_BEYOND
    if is_scale:
        return _sense_resistor(sense_ohm, scale, in_return, alike=turned < 1.5 * scaled)
    return _gains(turned_db) if abs(turned_db) > GAIN_BEYOND_DB else None


def _best_gain(ratio: Complex, design_ohm: Floats, sense_ohm: float, in_return: bool) -> tuple[float, float]:
    """Gain of the second input in dB that brings the curve nearest to the design's, and the misfit left."""
    gains_db = np.linspace(-24.0, 24.0, 481)
    turned = load_ohm(ratio / 10 ** (gains_db[:, np.newaxis] / 20), sense_ohm, in_return)
    misfits = np.percentile(np.abs(np.log(np.abs(turned) / design_ohm)), MOST_PERCENT, axis=1)
    return float(gains_db[int(np.argmin(misfits))]), float(np.min(misfits))


def misfit(shift: Floats) -> float:
    """How far two curves are apart over most of their frequencies, natural logarithm."""
    return float(np.percentile(np.abs(shift), MOST_PERCENT))


def _sense_resistor(sense_ohm: float, scale: float, in_return: bool, alike: bool) -> BenchFinding:
    found = sense_ohm / scale
    words = (
        f"the whole impedance is {scale:.2f} times the design's, at all frequencies alike: as if the sense resistor "
        f"had {found:.3g} ohm and not {sense_ohm:g} ohm"
    )
    to_do = (
        "Measure the sense resistor with a meter, out of its place. If it is right, look at another box: when that one "
        "reads right, this box has drivers of another impedance."
    )
    words += "; or a gain of the two inputs is off" if alike else ""
    return BenchFinding("sense resistor", False, words, to_do, "bench or unit")


def _gains(turned_db: float) -> BenchFinding:
    words = (
        f"a gain knob was turned: the impedance is the design's if the sense input is taken to be {louder(turned_db)} "
        "than the drive input"
    )
    to_do = "Set both inputs' gains back and alike, then run kitproof calibrate sense with a known resistor."
    return BenchFinding("input gains", False, words, to_do, "likely")


def known_load(known: KnownLoad | None) -> BenchFinding:
    """Whether the two inputs were compared on a known load, and how it came out."""
    if known is None:
        words = "the two inputs were never compared on a known load: impedance stays void"
        return BenchFinding("known load", False, words, CALIBRATE)
    off_db = float(20 * np.log10(np.median(np.abs(known.ratio))))
    when = f"compared on a known resistor of {known.load_ohm:g} ohm on {known.made_at[:10]}"
    if abs(off_db) > MISMATCH_DB:
        words = f"the two inputs were {when} and differ by {abs(off_db):.1f} dB, more than two inputs of one card do"
        return unknown("known load", words, "Measure both resistors with a meter, and look at the inputs' knobs.")
    return right("known load", f"the two inputs were {when}: alike {within(off_db)}")
