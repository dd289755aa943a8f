"""Whether stated uncertainties keep their word, and whether decision rules keep theirs.

    python tests/benchmarks/uncertainty_coverage.py [--runs 1000] [--units 2000] [--ambient 38] [--jobs 1]

Runs: one simulated unit is measured again and again, with new noise each time, on a bench whose calibration is off by
errors drawn from its stated uncertainties, microphone and unit put back a little off, drawn from the repeatability
that the kit states. Told is how often value plus or minus 1.96 standard uncertainties holds the true value. That is
known in closed form (`simulated_truth`), or, where there is none, from the same unit in perfect silence on a bench that
is not off. Of 1,000 runs the share is within 93.6 and 96.4 % in 95 cases of 100 if it is 95 % in truth. For what has no
true value (evidence, what noise makes) the standard deviation over the runs stands beside the stated one.

Units: units drawn from their parts' tolerances, their channels' gains spread evenly about the limits, each measured
once, each on a bench with errors of its own. Told is how often the parameters fitted to the impedance hold the true
ones, and for each decision rule how many of the accepted units do not conform, against what the verdicts'
probabilities of conformity foretold; the same for those whose reading lies next to where the rule begins to accept,
against the greatest that it allows for any one unit.
"""

import argparse
import sys
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from copy import copy
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import chain
from multiprocessing import Pool
from pathlib import Path

import numpy as np
from scipy import special

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

import simulated_truth as truth

from checks import distortion, hum_and_noise, impedance, ping, polarity, response, rub_and_buzz
from rig.design.decision import Decision
from rig.design.kit import Kit, load_kit
from rig.design.limits import Limit
from rig.design.uncertainty_budget import Repeatability, with_repeatability
from rig.signals.bands import mid_bands_hz
from rig.signals.divider import one_load_errors
from rig.signals.levels import align_level_db
from rig.signals.quiet import mains_hum
from rig.simulated.bench import SimulatedBench
from rig.simulated.equipment import INPUT_VOLTS
from rig.simulated.unit import lead_impedance_ohm
from rig.statistics.conformity import probability_of_conformity
from rig.values.captures import Capture, KnownLoad
from rig.values.readings import CheckReadings
from rig.values.requests import Sweep
from rig.verdict.judge import judge_number
from rig.verdict.responses import judged_grid

KIT, SERIAL, AT, PAIR = "booth-two", "BT-0001", "left", "left against right"
LATENCY = 731.3
K95 = 1.96
#: Relative standard uncertainties of the bench: microphone, loopback's input, known load.
MICROPHONE_U, VOLTS_U, LOAD_U = 0.02, 0.01, 0.005
LOAD_OHM, SENSE_OHM = 8.2, 10.0
#: Standard uncertainty of putting the microphone back before a box, as a level; two boxes are two placings.
PLACE_DB = 0.1
PLACED, PLACED_TWICE = Repeatability(value=PLACE_DB), Repeatability(value=PLACE_DB * np.sqrt(2))
REPEATABILITY = {
    "response": {
        **dict.fromkeys(("level", "free-field level", "sensitivity"), PLACED),
        **dict.fromkeys(("match", "mean match"), PLACED_TWICE),
    },
    "polarity": {"band level": PLACED},
}
#: Of the humming unit, at its leads.
HUM_V = 0.05
#: Where curves are looked at.
AT_HZ = {
    "level": (63.0, 250.0, 1000.0, 4000.0, 12000.0),
    "free-field level": (450.0, 1000.0, 4000.0, 12000.0),
    "match": (450.0, 1000.0, 4000.0, 12000.0),
    "harmonic 2": (100.0, 250.0, 1000.0),
    "harmonic 3": (100.0, 250.0, 1000.0),
    "total distortion": (100.0, 250.0),
    "distortion noise floor": (250.0, 1000.0),
    "impedance": (30.0, 100.0, 1000.0, 10000.0),
    "phase": (30.0, 100.0, 1000.0, 10000.0),
    "noise bands": (63.0, 1000.0, 8000.0),
}
FITTED = ("Re", "fs", "Qms", "Qes", "Qts", "Le", "box tuning", "box losses QL")
WITHOUT_TRUTH = (
    "evidence of impulses",
    "impulsive distortion",
    "impulsive distortion level",
    "crest factor",
    "phase coherence",
    "detectable impulsive distortion",
    "distortion noise floor",
    "confidence",
    "ping over noise",
)
#: Quantity, subject, frequency; in place of a frequency for numbers:
NUMBER = 0.0
Key = tuple[str, str, float]


@dataclass(frozen=True)
class Seen:
    """One value with its standard uncertainty, and the true one (NaN: there is none)."""

    value: float
    uncertainty: float
    true: float = float("nan")


class CountingFrom(Counter[Sweep]):
    """How often each request was played, as if it had been played so often before: chance of its own for each run."""

    def __init__(self, before: int) -> None:
        super().__init__()
        self.before = before

    def __missing__(self, request: Sweep) -> int:
        return self.before


def bench_of(kit: Kit, serial: str, ambient_db: float, silent: bool = False) -> SimulatedBench:
    """A bench whose clips have no resistance; a silent one has no noise at all."""
    bench = SimulatedBench(kit, serial, ambient_db=-200.0 if silent else ambient_db)
    noise = 1e-12 if silent else bench._sound.converter_noise
    bench._sound = replace(bench._sound, lead_ohm=0.0, converter_noise=noise)
    return bench


@dataclass(frozen=True)
class Errors:
    """What the bench's calibration is off by, as parts."""

    microphone: float = 0.0
    volts: float = 0.0
    load: float = 0.0


def drawn(random: np.random.Generator) -> Errors:
    """Errors of one bench, from the stated uncertainties."""
    return Errors(*(float(random.normal(0.0, u)) for u in (MICROPHONE_U, VOLTS_U, LOAD_U)))


def believed(bench: SimulatedBench, request: Sweep, errors: Errors, placed_db: float = 0.0) -> Capture:
    """A capture of a bench that is off by these errors, and says how far it may be off."""
    capture, sound = bench.play_one(request, LATENCY), bench._sound
    hz = np.geomspace(5.0, 22000.0, 100)
    ratio = sound.sense_gain * np.exp(-2j * np.pi * hz * sound.sense_delay_s)
    # The known load is not what it is said to be: the divider's ratio is wrong by as much.
    wrong = (LOAD_OHM * (1 - errors.load) + SENSE_OHM) / (LOAD_OHM + SENSE_OHM)
    known_errors = one_load_errors(LOAD_OHM, LOAD_OHM * LOAD_U, SENSE_OHM, 0.0, 0.0, "return")
    known = KnownLoad(hz, ratio * wrong, LOAD_OHM, "2026-01-01T12:00:00+00:00", errors=known_errors)
    volts = {**INPUT_VOLTS, "loopback": INPUT_VOLTS["loopback"] / sound.loopback_gain * (1 + errors.volts)}
    calibration = replace(
        capture.calibration,
        known_load=known,
        input_volts=volts,
        input_uncertainty={"loopback": VOLTS_U},
        microphone_v_per_pa=sound.microphone_v_per_pa / (1 + errors.microphone),
        microphone_uncertainty=MICROPHONE_U,
    )
    samples = capture.samples.copy()
    if capture.has("microphone"):
        samples[capture.inputs.index("microphone")] *= np.float32(10 ** (placed_db / 20))
    return replace(capture, samples=samples, calibration=calibration)


def settings_of(check, kit: Kit):
    """The kit's settings for a check."""
    return check.Settings.model_validate(kit.checks[check.NAME])


def picked(check, captures: Sequence[Capture], kit: Kit) -> Iterator[tuple[Key, Seen]]:
    """What a check reads of one box, or of both together; curves where they are looked at."""
    read: CheckReadings = check.read(captures, settings_of(check, kit), kit)
    read = with_repeatability(read, REPEATABILITY.get(check.NAME, {}))
    for reading in read.readings:
        if not reading.subject.startswith("right") and not reading.trouble:
            yield (reading.quantity, reading.subject, NUMBER), Seen(reading.value, reading.uncertainty)
    for curve in read.curves:
        for at_hz in AT_HZ.get(curve.quantity, ()) if not curve.subject.startswith("right") else ():
            n = int(np.argmin(np.abs(np.log(curve.frequency_hz / at_hz))))
            # A curve that is an upper bound, where noise hides it, says so by having no uncertainty.
            if curve.valid[n] and curve.uncertainty is not None and curve.uncertainty[n] > 0:
                key = (curve.quantity, curve.subject, float(curve.frequency_hz[n]))
                yield key, Seen(float(curve.value[n]), float(curve.uncertainty[n]))


@lru_cache(maxsize=2)
def measured_bench(ambient_db: float) -> SimulatedBench:
    """The bench that measures one unit again and again."""
    return bench_of(load_kit(ROOT, KIT), SERIAL, ambient_db)


def humming(bench: SimulatedBench) -> SimulatedBench:
    """The same bench with a unit that hums."""
    other = copy(bench)
    other.unit = bench.unit.with_output(AT, lambda output: replace(output, hum_v=HUM_V))
    return other


def one_run(task: tuple[int, float]) -> dict[Key, Seen]:
    """All that one run of the unit reads."""
    number, ambient_db = task
    bench, random = measured_bench(ambient_db), np.random.default_rng([1, number])
    bench._attempts = CountingFrom(number)
    kit, errors = bench.kit, drawn(random)

    def play(requests: Iterable[Sweep], place_db: float = 0.0) -> list[Capture]:
        return [believed(bench, request, errors, float(random.normal(0.0, place_db))) for request in requests]

    sweeps = play((r for r in response.requests(kit, settings_of(response, kit))), PLACE_DB)
    one = [capture for capture in sweeps if capture.request.channel == AT]
    silence = hum_and_noise.requests(kit, settings_of(hum_and_noise, kit))[:1]
    read = (
        (hum_and_noise, [*play(silence), *one]),
        (response, sweeps),
        (polarity, one),
        (distortion, one),
        (rub_and_buzz, one),
        (ping, play(ping.requests(kit, settings_of(ping, kit)))),
        (impedance, play(impedance.requests(kit, settings_of(impedance, kit))[:1])),
    )
    found = dict(chain.from_iterable(picked(check, captures, kit) for check, captures in read))
    hum = believed(humming(bench), silence[0], errors)
    found["hum", AT, NUMBER] = dict(picked(hum_and_noise, [hum, *one], kit))["hum", AT, NUMBER]
    return {key: seen for key, seen in found.items() if key[0] not in FITTED}


def true_values(ambient_db: float) -> dict[Key, tuple[float, str]]:
    """True values of everything that has one, and where they are from."""
    bench = measured_bench(ambient_db)
    kit = bench.kit
    closed = {**acoustic(bench, kit), **electrical(bench, kit), **of_noise(bench)}
    known = {key: (value, "closed form") for key, value in closed.items()}
    still = bench_of(kit, SERIAL, ambient_db, silent=True)
    for check in (ping, polarity):
        captures = [believed(still, request, Errors()) for request in check.requests(kit, settings_of(check, kit))]
        for key, seen in picked(check, captures, kit):
            if key[0] in ("ping level", "louder than the other boxes", "band level"):
                known[key] = seen.value, "in silence"
    silence = hum_and_noise.requests(kit, settings_of(hum_and_noise, kit))[0]
    capture = believed(humming(still), silence, Errors())
    known["hum", AT, NUMBER] = mains_hum(capture.pascal(), capture.sample_rate_hz).level_db, "in silence"
    return known


def acoustic(bench: SimulatedBench, kit: Kit) -> dict[Key, float]:
    """Levels and harmonics of the unit on a bench, by its lumped model."""
    settings = settings_of(response, kit)
    left, right = (r for r in response.requests(kit, settings) if r.position == kit.positions[0].name)
    grid, coarse = judged_grid(left, settings.points_per_octave), judged_grid(left, 12)
    own, other = (truth.level_db(bench, r, grid, settings.smoothing, False) for r in (left, right))
    harmonic = {order: truth.harmonic_db(bench, left, coarse, order) for order in (2, 3)}
    band, match = settings.sensitivity_hz, settings.match_hz
    referred_db = 20 * np.log10(2.83 / left.level_v * kit.positions[0].distance_m)
    mean_db = float(align_level_db(own, np.zeros(grid.size), grid, (band[0], band[1])))
    found = {
        ("sensitivity", AT, NUMBER): mean_db + referred_db,
        ("mean match", PAIR, NUMBER): float(align_level_db(own, other, grid, (match[0], match[1]))),
    }
    total = 10 * np.log10(sum(10 ** (level / 10) for level in harmonic.values()))
    curves = {
        ("level", AT): (grid, truth.level_db(bench, left, grid, settings.smoothing, True)),
        ("free-field level", AT): (grid, own),
        ("match", PAIR): (grid, own - other),
        ("total distortion", AT): (coarse, total),
        **{(f"harmonic {order}", AT): (coarse, level) for order, level in harmonic.items()},
    }
    return found | at_points(curves)


def electrical(bench: SimulatedBench, kit: Kit) -> dict[Key, float]:
    """Impedance of the box, and the parameters of its woofer."""
    box = bench.unit.box(AT)
    grid = judged_grid(kit.sweep("leads", AT), settings_of(impedance, kit).points_per_octave)
    ohm = lead_impedance_ohm(bench.unit, AT, grid)
    woofer = truth.sheet_of(box.coil("woofer"))
    q = woofer.qms * woofer.qes / (woofer.qms + woofer.qes)
    own = (woofer.re_ohm, woofer.fs_hz, woofer.qms, woofer.qes, q, 1e3 * woofer.le_h)
    assert box.air
    assert box.air.port_mass
    tuning_rad_s = 1 / np.sqrt(box.air.port_mass * box.air.compliance)
    values = (*own, tuning_rad_s / (2 * np.pi), tuning_rad_s * box.air.compliance / box.air.leak)
    found = {(name, f"{AT} woofer", NUMBER): float(value) for name, value in zip(FITTED, values, strict=True)}
    found["lowest impedance", AT, NUMBER] = float(np.abs(ohm).min())
    phase = np.degrees(np.angle(ohm))
    return found | at_points({("impedance", AT): (grid, np.abs(ohm)), ("phase", AT): (grid, phase)})


def of_noise(bench: SimulatedBench) -> dict[Key, float]:
    """Levels of the noise of room and converter."""
    sound = bench._sound
    floor_pa = sound.converter_noise * INPUT_VOLTS["microphone"] / sound.microphone_v_per_pa
    bands_hz = mid_bands_hz(31.5 * 0.97 / 10**0.05, 16000.0 * 1.03 * 10**0.05, 3)
    levels = truth.band_db(sound.room.ambient_db, floor_pa, bands_hz)
    low, high = hum_and_noise.Settings().hiss_hz
    hiss = levels[(bands_hz > 0.97 * low) & (bands_hz < 1.03 * high)]
    found = {
        ("noise", AT, NUMBER): truth.noise_dba(sound.room.ambient_db, floor_pa),
        ("hiss", AT, NUMBER): float(10 * np.log10(np.sum(10 ** (hiss / 10)))),
    }
    return found | at_points({("noise bands", AT): (bands_hz, levels)})


def at_points(curves: Mapping[tuple[str, str], tuple[np.ndarray, np.ndarray]]) -> dict[Key, float]:
    """Curves where they are looked at."""
    found = {}
    for (quantity, subject), (grid, values) in curves.items():
        for at_hz in AT_HZ[quantity]:
            n = int(np.argmin(np.abs(np.log(grid / at_hz))))
            found[quantity, subject, float(grid[n])] = float(values[n])
    return found


@dataclass(frozen=True)
class Coverage:
    """How one quantity's uncertainty keeps its word."""

    key: Key
    source: str
    count: int
    #: Mean stated standard uncertainty; standard deviation of the errors, and their mean.
    stated: float
    scatter: float
    off: float
    #: Part of the intervals that hold the true value; NaN where there is none.
    covered: float


def coverage(key: Key, source: str, seen: Sequence[Seen]) -> Coverage:
    """Of one quantity; without a true value the errors are values."""
    value, u, true = (np.array([getattr(one, name) for one in seen]) for name in ("value", "uncertainty", "true"))
    errors = value - np.nan_to_num(true)
    covered = float(np.mean(np.abs(errors) <= K95 * u)) if source else float("nan")
    off = float(np.mean(errors)) if source else float("nan")
    return Coverage(key, source, len(seen), float(np.mean(u)), float(np.std(errors)), off, covered)


def coverages(runs: Sequence[Mapping[Key, Seen]], known: Mapping[Key, tuple[float, str]]) -> list[Coverage]:
    """One row for each quantity of the runs that has a true value or a scatter to tell."""
    rows = []
    for key in dict.fromkeys(chain.from_iterable(runs)):
        if key in known or key[0] in WITHOUT_TRUTH:
            true, source = known.get(key, (float("nan"), ""))
            seen = [replace(run[key], true=true) for run in runs if key in run]
            rows.append(coverage(key, source, seen))
    return rows


#: Rules, and the greatest probability of false acceptance that each allows for any one unit, in percent.
RULES = (
    ("simple", Decision(), 50.0),
    ("guarded, U", Decision(rule="guarded"), 2.275),
    ("guarded, U / 2", Decision(rule="guarded", guard=0.5), 15.87),
    ("risk, 2.5 %", Decision(rule="risk", false_acceptance=0.025), 2.5),
    ("risk, 10 %", Decision(rule="risk", false_acceptance=0.1), 10.0),
)
#: Limits in the middle of where the units are; how far their gains are spread about them.
LIMITS = {"sensitivity": (82.4, np.inf), "mean match": (-np.inf, 0.5)}
SPREAD_DB = 1.0
#: What is next to where acceptance begins, in standard uncertainties.
NEXT_TO = 0.5


@dataclass(frozen=True)
class Judged:
    """One reading of one unit: what a rule made of it, how far inside it is, and what is true."""

    quantity: str
    rule: str
    outcome: str
    margin: float
    uncertainty: float
    conformity: float
    conforms: bool


def one_unit(task: tuple[int, float]) -> tuple[list[Judged], dict[Key, Seen]]:
    """Measure one unit once: what the rules make of its levels, and the parameters of its woofer."""
    number, ambient_db = task
    kit, random = load_kit(ROOT, KIT), np.random.default_rng([2, number])
    kit = kit.model_copy(
        update={"checks": kit.checks | {"response": {**kit.checks["response"], "positions": ["on axis"]}}}
    )
    bench, errors = bench_of(kit, f"unit {number}", ambient_db), drawn(random)
    for name in ("left", "right"):
        gain = 10 ** (random.uniform(-SPREAD_DB, SPREAD_DB) / 20)
        bench.unit = bench.unit.with_output(name, lambda output, gain=gain: replace(output, gain=output.gain * gain))
    sweeps = [
        believed(bench, request, errors, float(random.normal(0.0, PLACE_DB)))
        for request in response.requests(kit, settings_of(response, kit))
    ]
    bare = [believed(bench, impedance.requests(kit, settings_of(impedance, kit))[0], errors)]
    read = dict(picked(response, sweeps, kit))
    levels = acoustic(bench, kit)
    judged = []
    for quantity, subject in (("sensitivity", AT), ("mean match", PAIR)):
        key = (quantity, subject, NUMBER)
        judged += judged_by_all(quantity, replace(read[key], true=levels[key]))
    parameters = electrical(bench, kit)
    fitted = {k: replace(s, true=parameters[k]) for k, s in picked(impedance, bare, kit) if k[0] in FITTED}
    return judged, fitted


def judged_by_all(quantity: str, seen: Seen) -> list[Judged]:
    """One reading by every rule."""
    lower, upper = LIMITS[quantity]
    limit = Limit(lower=lower if np.isfinite(lower) else None, upper=upper if np.isfinite(upper) else None)
    reading = response.Reading(quantity, "", seen.value, "dB", seen.uncertainty)
    conformity = float(probability_of_conformity(seen.value, seen.uncertainty, lower, upper))
    margin = min(seen.value - lower, upper - seen.value)
    return [
        Judged(
            quantity,
            rule,
            judge_number(reading, limit, decision).outcome,
            margin,
            seen.uncertainty,
            conformity,
            lower <= seen.true <= upper,
        )
        for rule, decision, _ in RULES
    ]


def edge(rule: str, u: float) -> float:
    """Margin at which a rule begins to accept, with one limit near."""
    decision, greatest = next((decision, greatest) for name, decision, greatest in RULES if name == rule)
    if decision.rule == "guarded":
        return 2 * decision.guard * u
    return -float(special.ndtri(greatest / 100)) * u


def percent_wrong(accepted: Sequence[Judged]) -> str:
    """How many accepted units do not conform, in percent, and what their probabilities of conformity foretold."""
    if not accepted:
        return f"{'-':>17}"
    wrong = 100 * np.mean([not one.conforms for one in accepted])
    return f"{wrong:>7.2f} /{100 * np.mean([1 - one.conformity for one in accepted]):>6.2f} %"


def false_acceptance_table(judged: Sequence[Judged]) -> list[str]:
    """One line for each quantity and rule."""
    head = ("accepted", "wrong / foretold", "at the edge", "wrong / foretold", "allowed", "void", "rejected", "wrongly")
    lines = [f"{'quantity':<13}{'rule':<15}" + "".join(f"{word:>{max(10, len(word) + 2)}}" for word in head)]
    for quantity in dict.fromkeys(one.quantity for one in judged):
        for rule, _, greatest in RULES:
            own = [one for one in judged if (one.quantity, one.rule) == (quantity, rule)]
            accepted = [one for one in own if one.outcome == "pass"]
            near = [one for one in accepted if one.margin < edge(rule, one.uncertainty) + NEXT_TO * one.uncertainty]
            rejected = [one for one in own if one.outcome == "fail"]
            lines.append(
                f"{quantity:<13}{rule:<15}{len(accepted):>10} {percent_wrong(accepted)}{len(near):>13} "
                f"{percent_wrong(near)}{greatest:>8.1f} %{len(own) - len(accepted) - len(rejected):>10}"
                f"{len(rejected):>10}{sum(one.conforms for one in rejected):>10}"
            )
    return lines


def coverage_table(rows: Sequence[Coverage]) -> list[str]:
    """One line for each quantity."""
    head = ("stated u", "scatter", "off")
    lines = [
        f"{'quantity':<34}{'at':>9}  {'true value':<12}{'n':>5}" + "".join(f"{w:>10}" for w in head) + "   in 95 %"
    ]
    for row in rows:
        quantity, subject, at_hz = row.key
        told = "-" if np.isnan(row.covered) else f"{100 * row.covered:.1f} %"
        at = "" if at_hz == NUMBER else f"{at_hz:.0f} Hz"
        numbers = "".join(f"{number:>10.4f}" for number in (row.stated, row.scatter, row.off))
        name = f"{quantity}, {subject}"
        lines.append(f"{name:<34.34}{at:>9}  {row.source or 'none':<12}{row.count:>5}{numbers}{told:>10}")
    return lines


def main() -> None:
    """Run both studies and print their tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=1000)
    parser.add_argument("--units", type=int, default=2000)
    parser.add_argument("--ambient", type=float, default=38.0, help="noise of the room in dB SPL, pink")
    parser.add_argument("--jobs", type=int, default=1)
    asked = parser.parse_args()
    with Pool(asked.jobs) as pool:
        if asked.runs:
            runs = pool.map(one_run, [(n, asked.ambient) for n in range(asked.runs)], chunksize=10)
            print(f"{asked.runs} runs of one unit, room {asked.ambient:g} dB SPL")
            print("\n".join(coverage_table(coverages(runs, true_values(asked.ambient)))), flush=True)
        if asked.units:
            units = pool.map(one_unit, [(n, asked.ambient) for n in range(asked.units)], chunksize=10)
            fits = [fitted for _, fitted in units]
            keys = dict.fromkeys(chain.from_iterable(fits))
            rows = [coverage(key, "closed form", [fit[key] for fit in fits if key in fit]) for key in keys]
            print(f"\n{asked.units} units, one run of each: fitted parameters")
            print("\n".join(coverage_table(rows)))
            print(f"\n{asked.units} units, gains within {SPREAD_DB:g} dB: decision rules")
            print("\n".join(false_acceptance_table([one for judged, _ in units for one in judged])))


if __name__ == "__main__":
    main()
