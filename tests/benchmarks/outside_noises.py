"""What noises from outside do to verdicts: knocks, claps, doors, voices and passing lorries at random moments of a run.

    python tests/benchmarks/outside_noises.py [--seeds 300] [--first 1000] [--jobs 1] [--kinds knock,clap] [--faults 0]

Each seed is one noise in one run of one of a few good units of both demo kits; with `--faults N`, N more runs are of
units with a fault. The noise begins at any moment of the stage `playing`, goes on for as long as it does, over as many
captures as it meets, repeats too; its peak is 0 to 40 dB below that of the loud sweep at the microphone. The captures
that it is added to are shared by all runs of a unit, so that a run costs what judging it costs.

Noises have physics of their own, none of the simulated bench's: hits on wood as a few decaying modes behind a contact
of a millisecond or so; claps as bursts of a band of noise; a door as a thump of its leaf and the rattle of its lock; a
voice as glottal pulses of a gliding pitch through formants, in syllables; a lorry as firing pulses and rumble that
swell and fade over seconds. All are heard with the room behind them.

good     should pass; a fail is a wrong verdict, a void costs the builder a run
faulty   should fail; a pass is a wrong verdict
"""

import argparse
import sys
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass, replace
from functools import lru_cache
from multiprocessing import Pool
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy import signal as filters

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from simulated_runs import simulated

from rig.run import sequencer
from rig.run.verify import Job, job
from rig.values.captures import Capture
from rig.values.requests import Request, Sweep
from rig.values.run import Finished

Floats = NDArray[np.float64]
Chance = np.random.Generator

RATE_HZ = 48000.0
KITS = ("booth-two", "rehearsal-three")
SERIALS = {"booth-two": "BT-{:04d}", "rehearsal-three": "RT-{:04d}"}
GOOD_UNITS = 3
#: Faults whose units fail in quiet, of each kit.
FAULTS = {
    "booth-two": ("reversed:left:tweeter", "off:right:C3=30", "rub:left=-30", "quiet:right=2.5", "humming:left=20"),
    "rehearsal-three": ("reversed:left", "buzz:left=-30", "quiet:right=2.5", "particle:left=-25"),
}
LEVEL_DB = (-40.0, 0.0)


def hits(random: Chance, at_s: Sequence[float], modes_hz: tuple[float, float], decay_s: tuple[float, float]) -> Floats:
    """A few hits on one thing: modes behind a contact whose length leaves the high ones out."""
    contact_s = random.uniform(0.0005, 0.003)
    modes = np.exp(random.uniform(*np.log(modes_hz), 6))
    decays = np.exp(random.uniform(*np.log(decay_s), 6)) * (modes_hz[0] / modes) ** 0.3
    gains = random.uniform(0.3, 1.0, 6)
    time_s = np.arange(round((max(at_s) + 8 * decay_s[1]) * RATE_HZ)) / RATE_HZ
    ring = np.sum(gains[:, None] * np.exp(-time_s / decays[:, None]) * np.sin(2 * np.pi * modes[:, None] * time_s), 0)
    force = np.zeros(time_s.size)
    contact = np.sin(np.pi * np.arange(1, round(contact_s * RATE_HZ)) / (contact_s * RATE_HZ))
    for start_s in at_s:
        first = round(start_s * RATE_HZ)
        force[first : first + contact.size] += random.uniform(0.5, 1.0) * contact[: force.size - first]
    return np.asarray(filters.fftconvolve(force, ring)[: time_s.size])


def knock(random: Chance) -> Floats:
    """One to three knocks on jig or table."""
    return hits(random, np.cumsum(random.uniform(0.1, 0.3, random.integers(1, 4))) - 0.1, (80, 2500), (0.008, 0.06))


def clap(random: Chance) -> Floats:
    """One or two claps: a burst of noise of 3 to 10 ms."""
    at_s = np.cumsum(random.uniform(0.2, 0.5, random.integers(1, 3))) - 0.2
    time_s = np.arange(round((at_s[-1] + 0.1) * RATE_HZ)) / RATE_HZ
    low_hz = random.uniform(400, 900)
    band = filters.butter(2, (low_hz, random.uniform(3, 8) * low_hz), "band", fs=RATE_HZ, output="sos")
    noise = filters.sosfilt(band, random.standard_normal(time_s.size))
    decay_s = random.uniform(0.003, 0.010)
    after_s = time_s - at_s[:, None]
    return np.asarray(noise * np.sum(np.where(after_s > 0, np.exp(-np.maximum(after_s, 0) / decay_s), 0.0), 0))


def door(random: Chance) -> Floats:
    """A door falls shut: its leaf thumps, then lock and frame rattle."""
    thump = hits(random, [0.0], (30, 160), (0.05, 0.25))
    rattle = hits(random, np.sort(random.uniform(0.005, 0.12, 6)), (400, 5000), (0.003, 0.02))
    size = max(thump.size, rattle.size)
    both = [np.pad(each / np.max(np.abs(each)), (0, size - each.size)) for each in (thump, rattle)]
    return both[0] + random.uniform(0.1, 0.6) * both[1]


def voice(random: Chance) -> Floats:
    """Somebody speaks for one to four seconds."""
    parts = []
    pitch_hz = random.uniform(90, 230)
    for _ in range(random.integers(4, 16)):
        size = round(random.uniform(0.12, 0.3) * RATE_HZ)
        glide = pitch_hz * (1 + random.uniform(-0.15, 0.15) * np.linspace(-1, 1, size))
        turns = np.cumsum(glide) / RATE_HZ
        source = np.diff(np.floor(turns), prepend=0.0) - glide / RATE_HZ
        if random.random() < 0.25:
            source = 0.1 * random.standard_normal(size)
        source = filters.lfilter([1.0], [1.0, -0.96], source)
        for formant_hz in (random.uniform(300, 800), random.uniform(900, 2300), random.uniform(2400, 3200)):
            radius = np.exp(-np.pi * random.uniform(60, 120) / RATE_HZ)
            poles = [1.0, -2 * radius * np.cos(2 * np.pi * formant_hz / RATE_HZ), radius**2]
            source = filters.lfilter([sum(poles)], poles, source)
        syllable = np.diff(source, prepend=0.0) * np.sin(np.pi * np.arange(size) / size) ** 0.5
        parts += [syllable / np.max(np.abs(syllable)) * random.uniform(0.4, 1.0)]
        parts += [np.zeros(round(random.uniform(0.0, 0.15) * RATE_HZ))]
    return np.concatenate(parts)


def lorry(random: Chance) -> Floats:
    """A lorry goes by: rumble and its engine's firing, swelling and fading over 3 to 10 s."""
    size = round(random.uniform(3, 10) * RATE_HZ)
    firing_hz = random.uniform(18, 45) * (
        1 + 0.05 * np.sin(2 * np.pi * random.uniform(0.1, 0.4) * np.arange(size) / RATE_HZ)
    )
    turns = 2 * np.pi * np.cumsum(firing_hz) / RATE_HZ
    engine = np.sum([np.sin(n * turns + random.uniform(0, 6.28)) / n for n in range(1, 9)], 0)
    band = filters.butter(2, (25, random.uniform(100, 250)), "band", fs=RATE_HZ, output="sos")
    rumble = filters.sosfilt(band, random.standard_normal(size))
    tyres = filters.sosfilt(
        filters.butter(1, (300, 1200), "band", fs=RATE_HZ, output="sos"), random.standard_normal(size)
    )
    swell = np.sin(np.pi * np.arange(size) / size) ** 2
    return np.asarray(swell * (0.5 * engine / np.std(engine) + rumble / np.std(rumble) + 0.05 * tyres / np.std(tyres)))


KINDS: dict[str, Callable[[Chance], Floats]] = {
    "knock": knock,
    "clap": clap,
    "door": door,
    "voice": voice,
    "lorry": lorry,
}


def in_a_room(dry: Floats, random: Chance) -> Floats:
    """With the decay of a room behind it (0.3 to 0.5 s), at a peak of 1."""
    decay_s = random.uniform(0.3, 0.5)
    size = round(decay_s * RATE_HZ)
    tail = random.standard_normal(size) * 10 ** (-3 * np.arange(size) / size)
    tail *= random.uniform(0.2, 0.6) / np.sqrt(np.sum(tail**2))
    tail[0] = 1.0
    wet = filters.fftconvolve(dry, tail)
    return np.asarray(wet / np.max(np.abs(wet)))


@dataclass
class Unit:
    """A simulated unit whose captures are kept: the same request and attempt give the same capture."""

    work: Job
    kit: str
    serial: str
    faults: tuple[str, ...]

    def __post_init__(self) -> None:
        self.bench = simulated(ROOT, self.kit, self.serial, self.faults)
        self.taken: dict[Request, list[Capture]] = {}
        self.latency = 600.3
        loud = [r for r in self.work.schedule.requests if isinstance(r, Sweep) and r.stage == "playing"]
        rows = [self.capture(r, 1).samples[0] for r in loud if r.level_v == max(r.level_v for r in loud)]
        self.loudest = max(float(np.max(np.abs(row))) for row in rows)
        self.playing_s = sum(self.capture(r, 1).samples.shape[1] for r in loud) / RATE_HZ

    def capture(self, request: Sweep, attempt: int) -> Capture:
        taken = self.taken.setdefault(request, [])
        while len(taken) < attempt:
            taken.append(self.bench.play_one(request, self.latency))
        return taken[attempt - 1]


class Disturbed:
    """A bench with a unit on it, and a noise that begins somewhere in the stage `playing`; a player too."""

    def __init__(self, unit: Unit, noise: Floats, begins_s: float) -> None:
        self.unit, self.noise, self.begins = unit, noise, round(begins_s * RATE_HZ)
        self.clock, self.attempts = 0, Counter[Request]()

    def describe(self) -> dict[str, object]:
        return {}

    def refuse(self, requests: Sequence[Request]) -> None:
        pass

    def session(self) -> AbstractContextManager[None]:
        return nullcontext()

    @contextmanager
    def stage(self, name: str) -> Iterator["Disturbed"]:
        yield self

    def play(self, requests: Sequence[Sweep], then: object = None) -> Iterator[Capture]:
        for request in requests:
            self.attempts[request] += 1
            yield self.heard(self.unit.capture(request, self.attempts[request]))

    def heard(self, clean: Capture) -> Capture:
        """A capture with the part of the noise that sounds meanwhile."""
        if clean.request.stage != "playing":
            return clean
        first = self.clock - self.begins
        self.clock += (frames := clean.samples.shape[1])
        part = self.noise[max(first, 0) : max(first + frames, 0)]
        if not part.size:
            return clean
        samples = clean.samples.copy()
        at = max(-first, 0)
        samples[clean.inputs.index("microphone"), at : at + part.size] += part
        return replace(clean, samples=np.clip(samples, -1.0, 1.0))


@lru_cache(maxsize=2)
def work_of(kit: str) -> Job:
    """What of the kit's main job a noise can reach: the stage `playing` and the checks that read nothing else."""
    work = job(ROOT, kit)
    needs = work.schedule.needs
    heard = [listed for listed in work.checks if all(r.stage == "playing" for r in needs[listed.name])]
    stages = tuple(stage for stage in work.schedule.stages if stage.name == "playing")
    return replace(work, checks=heard, schedule=replace(work.schedule, stages=stages))


@lru_cache(maxsize=16)
def unit_of(kit: str, serial: str, faults: tuple[str, ...]) -> Unit:
    """A unit, simulated once."""
    return Unit(work_of(kit), kit, serial, faults)


@dataclass(frozen=True)
class Trial:
    """One noise in one run."""

    kind: str
    kit: str
    fault: str
    seed: int


def tried(trial: Trial) -> tuple[str, str, int]:
    """Outcome of a run with a noise, what is not a pass in words, and how many captures were taken again."""
    random = np.random.default_rng([trial.seed, *map(ord, trial.kind)])
    serial = SERIALS[trial.kit].format(1 + trial.seed // len(KITS) % GOOD_UNITS)
    unit = unit_of(trial.kit, serial, (trial.fault,) if trial.fault else ())
    level_db = random.uniform(*LEVEL_DB)
    begins_s = random.uniform(0, unit.playing_s)
    noise = in_a_room(KINDS[trial.kind](random), random) * unit.loudest * 10 ** (level_db / 20)
    bench = Disturbed(unit, noise.astype(np.float32), begins_s)
    *_, last = sequencer.run(unit.work.schedule, unit.work.checks, unit.work.kit, bench, lambda words: True)
    assert isinstance(last, Finished)
    run = last.run
    again = sum(1 for capture, _ in run.captures if capture.attempt > 1)
    bad = [
        f"{r.name} {v.outcome}: {v.quantity} {v.subject}: {v.reason}" if v else f"{r.name} {r.outcome}: {r.reason}"
        for r in run.results
        if r.outcome != "pass"
        for v in ([v for v in r.verdicts if v.outcome != "pass"] or [None])
    ]
    words = "; ".join([f"{serial} {level_db:.0f} dB at {begins_s:.2f} s", run.stopped, *bad])
    return run.outcome, words, again


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=300)
    parser.add_argument("--first", type=int, default=1000)
    parser.add_argument("--faults", type=int, default=0)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--kinds", default=",".join(KINDS))
    options = parser.parse_args()
    kinds = options.kinds.split(",")
    good, faulty = [], []
    for n in range(max(options.seeds, options.faults)):
        seed = options.first + n
        kit = KITS[seed % len(KITS)]
        of_kit = FAULTS[kit]
        kind = kinds[n // len(KITS) % len(kinds)]
        good += [Trial(kind, kit, "", seed)] if n < options.seeds else []
        faulty += [Trial(kind, kit, of_kit[n // 7 % len(of_kit)], seed)] if n < options.faults else []
    with Pool(options.jobs) as pool:
        table("good units", good, pool, "pass")
        table("faulty units", faulty, pool, "fail")


def table(title: str, trials: list[Trial], pool: "Pool", wanted: str) -> None:  # type: ignore[valid-type]
    """A row each kind of noise, and what did not come out as wanted."""
    rows: dict[str, Counter[str]] = defaultdict(Counter)
    others = []
    for trial, (outcome, words, again) in zip(trials, pool.imap(tried, trials, 4), strict=True):
        rows[trial.kind].update({outcome: 1, "again": again})
        if outcome != wanted:
            others.append(f"  {outcome}: {trial.kind} {trial.kit} {trial.fault or 'good'} seed {trial.seed}: {words}")
            print(others[-1][:400], file=sys.stderr, flush=True)
        so_far = Counter[str](sum(rows.values(), Counter()))
        print(f"{title}: {dict(so_far)}", file=sys.stderr, flush=True)
    columns = ("pass", "fail", "void", "again")
    print(f"{title + f': {len(trials)}':24}" + "".join(f"{name:>8}" for name in columns))
    for kind, counts in [*rows.items(), ("all", sum(rows.values(), Counter()))]:
        print(f"{kind:24}" + "".join(f"{counts[name]:8}" for name in columns))
    print("\n".join(others), flush=True)


if __name__ == "__main__":
    main()
