"""How well a microphone's own clock is told and undone, and how often altered recordings and good ones are told so.

    python tests/benchmarks/two_clocks.py [--seeds 3] [--only accuracy|lost|verify|altered|good]

accuracy   clock, response, phase and harmonics at -40 dB of a box in a room, recorded on another clock by an
           interpolation that is not the rig's, against the closed form
lost       samples cut out of the microphone's recording alone, which could be a clock's doing: refused at once, or for
           the clock of the other captures; and good captures, none of which may be
verify     whole runs on the simulated bench, good units and faulty ones, clocks from -300 to 300 ppm
altered    simulated captures behind automatic gain, noise suppression and a converted rate
good       simulated captures of good units in rooms from 25 to 60 dB SPL, and of faulty ones: alarms must be none
"""

import argparse
import itertools
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests"), str(ROOT / "tests" / "signals")]

from own_clock import on_own_clock
from simulated_runs import verified
from test_two_clocks import FRAMES, PLAN, arrival, brought_back, heard, reflections

from rig.design.fault_kinds import UNIT_FAULTS
from rig.design.fault_names import fault_names
from rig.design.kit import Kit, load_kit
from rig.signals import deconvolution, stimulus
from rig.signals.smoothing import log_frequency_grid, smooth_power
from rig.simulated.bench import SimulatedBench
from rig.values.captures import Capture
from rig.verdict import clocks
from rig.verdict.examine import capture_alterations, capture_integrity, capture_troubles

KITS = ("booth-two", "rehearsal-three")
PPM = (-300.0, -120.0, -20.0, 20.0, 120.0, 300.0)
ALTERED = {
    "automatic-gain": (6, 12, 20),
    "noise-suppression": (10, 20, 40),
    "resampled": (4000, 8000, 16000, 22050),
}
FAULTY = ("reversed:left:tweeter", "dead:right:tweeter", "rub:left", "quiet:right=3")


def accuracy(seeds: int) -> None:
    """Figures of one clock, too, where noise is all that is wrong: as much of it, but not the same."""
    box, cable = heard(), heard(lambda f: np.full(f.shape, 0.3 + 0j), bent=0.01)
    for snr_db in (100, 80, 60, 40):
        errors: dict[bool, list[tuple[float, ...]]] = {True: [], False: []}
        for seed, ppm, other in itertools.product(range(seeds), PPM, (True, False)):
            random = np.random.default_rng([seed, round(ppm) + 1000, 1 + other])
            found = []
            for row in (box, cable):
                row = on_own_clock(row, ppm, -431.3) if other else row
                row = row + np.std(row) * 10 ** (-snr_db / 20) * random.standard_normal(FRAMES)
                found.append(brought_back(row.astype(np.float32)) if other else (None, row))
            clocks, back = found[0]
            off_ppm = abs(clocks.ppm - ppm) if clocks else 0.0
            errors[other].append((off_ppm, *response_errors(back), harmonic_error_db(found[1][1])))
        for other, rows in errors.items():
            ppm_off, level_db, _, worst_db, phase_rad, harmonic_db = np.max(rows, axis=0)
            rms_db = np.sqrt(np.mean(np.array(rows)[:, 2] ** 2))
            print(
                f"noise {snr_db} dB below the sweep, {'own clock' if other else 'one clock'}: clock within "
                f"{ppm_off:.3f} ppm, response to 16 kHz {level_db:.4f} dB at 1/24 octave (single lines: RMS "
                f"{rms_db:.4f} dB, largest {worst_db:.4f} dB), phase {phase_rad:.4f} rad, harmonics at -40 dB "
                f"{harmonic_db:.4f} dB",
                flush=True,
            )


def response_errors(row: np.ndarray) -> tuple[float, float, float, float]:
    """Errors in dB: largest at 1/24 octave, RMS and largest of single lines; and of phase, largest, in rad.

    One delay and no sign are taken out. A single line hears all the noise of its hertz, most where the walls cancel
    the sound: its largest error grows with the number of lines and recordings that are looked at.
    """
    frequency_hz = np.arange(25.0, 17000.0, 1.0)
    sent = np.pad(stimulus.compose(PLAN), (0, FRAMES - PLAN.frames))
    found = deconvolution.transfer_function(row, sent, PLAN, frequency_hz)
    true, grid_hz = reflections(frequency_hz), log_frequency_grid(30.0, 16000.0, 24)
    powers = [smooth_power(np.abs(response) ** 2, frequency_hz, grid_hz, 24) for response in (found, true)]
    judged = (frequency_hz >= 30.0) & (frequency_hz <= 16000.0)
    ratio = (found / true)[judged]
    level_db = 20 * np.log10(np.abs(ratio))
    turned, at_hz = np.unwrap(np.angle(ratio)), frequency_hz[judged]
    line = np.sum(turned * at_hz) / np.sum(at_hz**2) * at_hz
    return (
        float(np.max(np.abs(10 * np.log10(powers[0] / powers[1])))),
        float(np.sqrt(np.mean(level_db**2))),
        float(np.max(np.abs(level_db))),
        float(np.max(np.abs(turned - line))),
    )


def harmonic_error_db(row: np.ndarray) -> float:
    """Largest error of a second and third harmonic of -40 dB."""
    grid_hz = np.geomspace(200, 5000, 60)
    orders = deconvolution.harmonic_responses(row, PLAN, (1, 2, 3), grid_hz, *arrival(row))
    return float(np.max(np.abs(20 * np.log10(np.abs(orders[1:] / orders[0])) + 40)))


def lost(seeds: int) -> None:
    for name in KITS:
        kit = load_kit(ROOT, name)
        found: Counter[str] = Counter()
        requests = [kit.sweep("playing", channel.name, channel.name, "on axis") for channel in kit.channels]
        for seed in range(2 * seeds):
            ambient_db, ppm = (25.0, 38.0, 50.0)[seed % 3], PPM[seed % len(PPM)] * 0.9
            bench = SimulatedBench(kit, kit.serial_example, seed=seed, ambient_db=ambient_db, microphone_ppm=ppm)
            with bench.stage("playing") as player:
                made = list(player.play(requests + requests))
            found["good"] += len(made)
            found["good refused"] += sum(
                bool(clocks.clock_disagreement(made, [one]) or capture_troubles(one)) for one in made
            )
            random = np.random.default_rng(seed)
            for count, one in itertools.product((1, 2, 4, 8, 16, 48), made[:2]):
                samples, at = one.samples.copy(), int(one.samples.shape[1] * random.uniform(0.3, 0.6))
                end = np.std(samples[0, :2000]) * random.standard_normal(count)
                samples[0] = np.concatenate((samples[0, :at], samples[0, at + count :], end))
                cut = replace(one, samples=samples)
                others = [cut, *(other for other in made if other is not one)]
                found[f"{count} lost"] += 1
                found[f"{count} told"] += bool(capture_troubles(cut) or clocks.clock_disagreement(others, [cut]))
        print(f"{name}: {dict(found)}", flush=True)


def verify(seeds: int) -> None:
    for name in KITS:
        kit = load_kit(ROOT, name)
        for fault in ("", *FAULTY):
            if name == "rehearsal-three":
                fault = fault.replace(":tweeter", ":cone")
            outcomes: Counter[str] = Counter()
            for n in range(seeds):
                ppm = PPM[n % len(PPM)]
                with tempfile.TemporaryDirectory() as folder:
                    workspace = Path(folder)
                    (workspace / "limits").symlink_to(ROOT / "limits")
                    serial = kit.serial_example[:-2] + f"{n + 11:02d}"
                    run, _ = verified(workspace, name, serial, [fault] if fault else [], microphone_ppm=ppm)
                outcomes[run.outcome] += 1
            print(f"{name}, {fault or 'good'}: {dict(outcomes)}", flush=True)


def captures(kit: Kit, faults: list[str], seed: int, ambient_db: float = 38.0) -> Iterator[Capture]:
    bench = SimulatedBench(kit, kit.serial_example, faults, seed=seed, ambient_db=ambient_db)
    named = next((part for fault in faults for part in fault.split("=")[0].split(":")[1:2]), "")
    channels = [channel.name for channel in kit.channels]
    for channel in [named] if named in channels else channels:
        requests = [
            kit.sweep("playing", channel, channel, kit.positions[0].name, quiet=quiet) for quiet in (True, False)
        ]
        with bench.stage("playing") as player:
            yield from player.play(requests)


def told(capture: Capture) -> list[str]:
    return [words.split(":")[1].strip() for words in capture_alterations(capture, capture_integrity(capture))]


def altered(seeds: int) -> None:
    for kind, amounts in ALTERED.items():
        for amount in amounts:
            found: Counter[str] = Counter()
            for name in KITS:
                for seed in range(seeds):
                    for capture in captures(load_kit(ROOT, name), [f"{kind}={amount}"], seed):
                        found["captures"] += 1
                        found["refused"] += bool(told(capture))
                        found.update(set(told(capture)))
            print(f"{kind}={amount}: {dict(found)}", flush=True)


def good(seeds: int) -> None:
    total, alarms = 0, []
    for name in KITS:
        kit = load_kit(ROOT, name)
        faulty = [one for one, _ in fault_names(kit) if one.split(":")[0] in UNIT_FAULTS]
        jobs = [([], seed, (25.0, 38.0, 50.0, 60.0)[seed % 4]) for seed in range(4 * seeds)]
        for faults, seed, ambient_db in [*jobs, *(([one], 1, 38.0) for one in faulty[:: max(1, 12 // seeds)])]:
            for capture in captures(kit, faults, seed, ambient_db):
                total += 1
                alarms += [(name, faults, seed, words) for words in told(capture)]
    print(f"{total} captures left as they were: {len(alarms)} alarms {alarms}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--only", choices=["accuracy", "lost", "altered", "good", "verify"])
    options = parser.parse_args()
    for part in (accuracy, lost, altered, good, verify):
        if options.only in (None, part.__name__):
            part(options.seeds)


if __name__ == "__main__":
    main()
