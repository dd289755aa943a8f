"""How faint a buzz the check `rub_and_buzz` hears, how often it is wrong, and how far it is from what physics allows.

    python tests/benchmarks/rub_and_buzz_detection.py [--units 200] [--good 1000] [--jobs 2] [--out FOLDER]

Writes detection.csv, others.csv and detection.svg. Each unit is drawn anew: noise, phase, bursts, jitter. Caught means
that the judge fails the unit under a limit of 3 on the evidence: one good unit in a thousand.

The ideal is an energy detector that is told everything but the waveform: it hears the noise and the bursts alone, with
no sweep and no harmonics to be taken out; it knows both spectra, and weights by them; it knows each burst's time but
for its jitter, and weights by the mean envelope about it (Van Trees, Detection, Estimation, and Modulation Theory III,
1971, 4.1: the weak-signal optimum for a Gaussian process). Its threshold lets one good unit in a thousand through,
by a gamma distribution with the mean and variance of the good units of this run.

Nobody tells the check band, phase and drift. What that costs any detector is seen from the same ideal where it must
search: its threshold lets one good unit in a thousand through anywhere among `CELLS` independent ones.
"""

import argparse
import csv
import sys
import tempfile
from collections import Counter
from collections.abc import Iterable
from functools import lru_cache
from multiprocessing import Pool
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy import fft, optimize, stats
from scipy import signal as filters

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "checks")]

import buzzing
from captures import one_driver_kit

from checks import rub_and_buzz
from rig.design.limits import Limit
from rig.drawing.axes import linear_axis
from rig.drawing.panels import Line, Panel, figure
from rig.drawing.svg import FAINT, SERIES, write_svg
from rig.signals.impulse_kinds import SIGNIFICANT
from rig.verdict.judge import judge

Floats = NDArray[np.float64]

#: Ambient noise in dB SPL -> the level that must be caught in 99 %, the level that a good unit must be proved to.
AMBIENT = {35: (-50, -40.0), 45: (-42, -35.0), 55: (-32, -25.0)}
#: Levels of the buzz, relative to the one that must be caught.
STEPS_DB = (4, 2, 0, -1, -2, -3, -4, -5, -6, -8, -10)
CARRIERS = ("noise", "click")
KIT = one_driver_kit()
LIMITS = {"evidence of impulses": Limit(upper=SIGNIFICANT)}
FALSE_ALARM = 1e-3
WANTED = 0.99
#: Independent bands, phases and drifts that a search for bursts in this sweep goes through: among so many independent
#: normal values the greatest is what it is in noise (400 good units, `trains.find_train`: median 3.6, one in 50 above
#: 4.5, which are those among 4,600 and 6,800). Kinds of trains share the false alarms besides.
CELLS = 7000.0
KINDS_OF_TRAINS = 6.0


def random_of(*numbers: int) -> np.random.Generator:
    """Chance of one unit."""
    return np.random.default_rng([abs(number) for number in numbers])


def judged(pressure_pa: Floats, ambient_db: int) -> tuple[str, str, float]:
    """Verdict, kind and evidence."""
    settings = rub_and_buzz.Settings(prove_db=AMBIENT[ambient_db][1])
    read = rub_and_buzz.read([buzzing.captured(pressure_pa)], settings, KIT)
    verdict = judge(read, LIMITS, ROOT, "rub_and_buzz")[0]
    reading = read.readings[0]
    return verdict.outcome, reading.said.split(" from ")[0], float(reading.value)


@lru_cache(maxsize=2)
def ideal_weights(carrier: str) -> tuple[Floats, Floats]:
    """Filter over frequency and weight over time, both known to the ideal: mean energies of many bursts."""
    random = random_of(7)
    waves = np.array([buzzing.burst(random, carrier) for _ in range(2000)])
    reach = round(0.001 * buzzing.RATE_HZ)
    envelope = np.pad(np.mean(waves**2, axis=0), (reach, 0))
    offset_s = np.arange(-reach, reach + 1) / buzzing.RATE_HZ
    jitter = np.exp(-0.5 * (offset_s / buzzing.BURST_JITTER_S) ** 2)
    envelope = np.convolve(envelope, jitter / np.sum(jitter), "same")
    frequency_hz = fft.rfftfreq(buzzing.FRAMES, 1 / buzzing.RATE_HZ)
    power = np.mean(np.abs(fft.rfft(waves, 4096)) ** 2, axis=0)
    burst_power = np.interp(frequency_hz, fft.rfftfreq(4096, 1 / buzzing.RATE_HZ), power)
    inside = (frequency_hz >= 20) & (frequency_hz <= 20000)
    # Noise of density 1 / f: signal over noise squared weights the energy.
    return np.where(inside, np.sqrt(burst_power) * frequency_hz, 0.0), envelope


def ideal_energy(sound_pa: Floats, buzz: buzzing.Buzz) -> float:
    """What the ideal detector adds up."""
    weight, envelope = ideal_weights(buzz.carrier)
    heard = fft.irfft(fft.rfft(sound_pa) * weight, sound_pa.size) ** 2
    lined = filters.fftconvolve(heard, envelope[::-1], "full")[envelope.size - 1 :]
    reach = round(0.001 * buzzing.RATE_HZ)
    at = np.round(buzzing.buzz_times_s(buzz) * buzzing.RATE_HZ).astype(int) - reach
    return float(np.sum(lined[at]))


def good_unit(task: tuple[int, int]) -> tuple[int, str, str, float, list[float]]:
    """A good unit: verdict, kind, evidence, and what the ideal adds up at a phase drawn for it."""
    ambient_db, number = task
    random = random_of(1, ambient_db, number)
    noise = buzzing.pink_pa(random, ambient_db)
    phase = float(random.random())
    ideal = [ideal_energy(noise, buzzing.Buzz(0.0, phase, carrier=carrier)) for carrier in CARRIERS]
    return ambient_db, *judged(buzzing.unit_pa() + noise, ambient_db), ideal


def buzzing_unit(task: tuple[int, str, int, int]) -> tuple[int, str, int, str, str, float]:
    """A unit that buzzes: verdict, kind, and what the ideal adds up."""
    ambient_db, carrier, level_db, number = task
    random = random_of(2, ambient_db, CARRIERS.index(carrier), level_db, number)
    buzz = buzzing.Buzz(level_db, float(random.random()), carrier=carrier)
    sound = buzzing.pink_pa(random, ambient_db) + buzzing.buzz_pa(random, buzz)
    outcome, kind, _ = judged(buzzing.unit_pa() + sound, ambient_db)
    return ambient_db, carrier, level_db, outcome, kind, ideal_energy(sound, buzz)


def other_unit(task: tuple[str, int]) -> tuple[str, str, str]:
    """Something else than a buzz: verdict and kind."""
    what, number = task
    random = random_of(3, *what.encode(), number)
    at_s = random.uniform(buzzing.PASSES_S, buzzing.ENDS_S)
    unit, noise = buzzing.unit_pa(), buzzing.pink_pa(random, 35)
    if what == "3 % second and third harmonic":
        unit = buzzing.unit_pa(0.03, 0.03)
    elif what == "click":
        noise = noise + buzzing.click_pa(random, at_s)
    elif what == "click before 20 Hz":
        noise = noise + buzzing.click_pa(random, buzzing.PASSES_S - random.uniform(0.0, 0.25))
    elif what == "click, 1.2 to 4.5 kHz":
        at_hz = random.uniform(1200.0, 4500.0)
        noise = noise + buzzing.click_pa(random, buzzing.PASSES_S + buzzing.RATE_S * np.log(at_hz / 20.0))
    elif what == "door":
        noise = noise + buzzing.door_pa(random, at_s)
    elif what == "speech":
        noise = noise + buzzing.speech_pa(random, at_s, random.uniform(55, 70))
    elif what == "loose particle, -40 dB":
        noise = noise + buzzing.particle_pa(random, -40)
    elif what == "blowing air, -46 dB":
        noise = noise + buzzing.air_pa(random, -46)
    elif what == "blowing air both ways, -20 dB":
        noise = noise + buzzing.air_pa(random, -20, both_ways=True)
    elif what == "good, in a room":
        unit = buzzing.in_a_room(random, unit)
    elif what == "buzz, -46 dB, in a room":
        unit = buzzing.in_a_room(random, unit + buzzing.buzz_pa(random, buzzing.Buzz(-46, float(random.random()))))
    elif what.endswith("that breaks up"):
        unit = buzzing.unit_pa(0.01, 0.005, 4000.0)
        if "harmonics" in what:
            unit = unit + buzzing.harmonics_pa(random, random.uniform(-80, -60), random.uniform(1.5, 5.0))
        if "buzz" in what:
            unit = unit + buzzing.buzz_pa(random, buzzing.Buzz(-46, float(random.random())))
        unit = buzzing.breaking_up(random, unit)
    outcome, kind, _ = judged(unit + noise, 35)
    return what, outcome, kind


OTHERS = (
    "3 % second and third harmonic",
    "click",
    "click before 20 Hz",
    "click, 1.2 to 4.5 kHz",
    "door",
    "speech",
    "loose particle, -40 dB",
    "blowing air, -46 dB",
    "blowing air both ways, -20 dB",
    "good, in a room",
    "buzz, -46 dB, in a room",
    "good, that breaks up",
    "good, high harmonics, that breaks up",
    "buzz, -46 dB, that breaks up",
    "buzz and high harmonics, that breaks up",
)


def ideal_threshold(energies: Iterable[float], cells: float = 1.0) -> float:
    """Exceeded by one good unit in a thousand; in a search, in any of so many independent cells."""
    values = np.array(list(energies))
    shape, scale = values.mean() ** 2 / values.var(), values.var() / values.mean()
    return float(stats.gamma.isf(FALSE_ALARM / cells, shape, scale=scale))


def level_of(rates: dict[int, float], units: int) -> tuple[float, float]:
    """Level at which 99 % are caught, and its standard uncertainty.

    A normal distribution function over the level, the most likely one (probit analysis: Finney, Probit Analysis, 1947):
    where so many units at each level leave the share at any one of them unsure, all tell of it together.
    """
    level, caught = np.array(list(rates), float), np.array(list(rates.values()))

    def of(middle_spread: Floats) -> Floats:
        middle, spread = middle_spread
        return np.clip(stats.norm.cdf((level - middle) / np.exp(spread)), 1e-9, 1 - 1e-9)

    def unlikely(middle_spread: Floats) -> float:
        share = of(middle_spread)
        return float(-units * np.sum(caught * np.log(share) + (1 - caught) * np.log(1 - share)))

    start = np.array([np.interp(0.5, caught[np.argsort(caught)], level[np.argsort(caught)]), 0.0])
    found = optimize.minimize(unlikely, start, method="Nelder-Mead").x
    slopes = np.array([(of(found + step) - of(found - step)) / 2e-4 for step in 1e-4 * np.eye(2)])
    share = of(found)
    inverse = np.linalg.pinv(units * (slopes / (share * (1 - share))) @ slopes.T)
    at = np.array([1.0, stats.norm.ppf(WANTED) * np.exp(found[1])])
    return float(found[0] + at[1]), float(np.sqrt(at @ inverse @ at))


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--units", type=int, default=200, help="units at each level, and of each other kind")
    parser.add_argument("--good", type=int, default=1000, help="good units in each ambient noise")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--out", type=Path, default=None)
    options = parser.parse_args()
    out = options.out or Path(tempfile.mkdtemp(prefix="rub-and-buzz-"))
    out.mkdir(parents=True, exist_ok=True)
    with Pool(options.jobs) as pool:
        good = pool.map(good_unit, [(a, n) for a in AMBIENT for n in range(options.good)], chunksize=8)
        tasks = [
            (a, c, wanted + step, n)
            for a, (wanted, _) in AMBIENT.items()
            for c in CARRIERS
            for step in STEPS_DB
            for n in range(options.units)
        ]
        buzzes = pool.map(buzzing_unit, tasks, chunksize=8)
        others = pool.map(other_unit, [(what, n) for what in OTHERS for n in range(options.units)], chunksize=8)
    rows = detection_rows(good, buzzes)
    write_csv(out / "detection.csv", rows)
    print_good(good)
    print_detection(rows)
    print_others(others, out / "others.csv")
    draw(rows, out / "detection.svg")
    print(f"written to {out}")


def detection_rows(good: list, buzzes: list) -> list[dict[str, object]]:
    """Rates of the check and of the ideal at each level, and of the ideal where it must search as the check does."""
    thresholds, searching = (
        {
            (a, c): ideal_threshold((row[4][i] for row in good if row[0] == a), cells)
            for a in AMBIENT
            for i, c in enumerate(CARRIERS)
        }
        for cells in (1.0, CELLS * KINDS_OF_TRAINS)
    )
    groups: dict[tuple[int, str, int], list] = {}
    for row in buzzes:
        groups.setdefault(row[:3], []).append(row)
    return [
        {
            "ambient_db_spl": a,
            "carrier": c,
            "level_db": level,
            "units": len(rows),
            "caught": sum(row[3] == "fail" for row in rows) / len(rows),
            "called_a_rub": sum(row[4] == "rub or rattle" for row in rows) / len(rows),
            "ideal_caught": sum(row[5] > thresholds[a, c] for row in rows) / len(rows),
            "searching_ideal_caught": sum(row[5] > searching[a, c] for row in rows) / len(rows),
        }
        for (a, c, level), rows in sorted(groups.items())
    ]


def write_csv(path: Path, rows: list[dict[str, object]]) -> None:
    """Rows as a table with a header."""
    with path.open("w", newline="", encoding="utf-8") as file:
        table = csv.DictWriter(file, rows[0])
        table.writeheader()
        table.writerows(rows)


def print_good(good: list) -> None:
    """False alarms."""
    for ambient_db in AMBIENT:
        own = [row for row in good if row[0] == ambient_db]
        evidence = np.array([row[3] for row in own])
        counts = dict(Counter(row[1] for row in own))
        tail = ", ".join(f"{np.count_nonzero(evidence > level)} above {level}" for level in (1, 2, 3))
        print(f"{ambient_db} dB SPL: {len(own)} good units: {counts}; evidence: {tail}, most {evidence.max():.2f}")


def print_detection(rows: list[dict[str, object]]) -> None:
    """The table of the check against the ideal, and where both catch 99 %."""
    for ambient_db, (wanted_db, _) in AMBIENT.items():
        for carrier in CARRIERS:
            own = [row for row in rows if row["ambient_db_spl"] == ambient_db and row["carrier"] == carrier]
            print(f"\n{ambient_db} dB SPL, bursts of {carrier}; wanted 99 % at {wanted_db} dB")
            kinds = ("caught", "called_a_rub", "ideal_caught", "searching_ideal_caught")
            for row in reversed(own):
                print(f"  {row['level_db']:4d} dB  " + " ".join(f"{row[key]:7.3f}" for key in kinds))
            (check, check_u), (ideal, ideal_u), (searching, _) = (
                level_of({row["level_db"]: row[key] for row in own}, own[0]["units"]) for key in (kinds[0], *kinds[2:])
            )
            print(
                f"  99 % at {check:.1f} dB, the ideal at {ideal:.1f} dB: {check - ideal:.1f} +- "
                f"{np.hypot(check_u, ideal_u):.1f} dB above it; where it must search {searching - ideal:.1f} dB"
            )


def print_others(others: list, path: Path) -> None:
    """What became of everything that is no buzz."""
    counts = Counter(others)
    rows = [{"unit": w, "verdict": o, "kind": k, "units": n} for (w, o, k), n in sorted(counts.items())]
    write_csv(path, rows)
    print()
    for row in rows:
        print(f"  {row['unit']:32s} {row['verdict']:5s} {row['kind']:16s} {row['units']}")


def draw(rows: list[dict[str, object]], path: Path) -> None:
    """Detection rate against level: solid by the check, thin by an ideal detector, marked what is wanted."""
    levels = [row["level_db"] for row in rows]
    across = linear_axis("peak of the buzz relative to the fundamental in dB", min(levels), max(levels))
    up, panels = linear_axis("part of the units that fail", -0.03, 1.03), []
    for carrier in CARRIERS:
        lines = []
        for kind, (ambient_db, (wanted_db, _)) in enumerate(AMBIENT.items()):
            own = [row for row in rows if row["ambient_db_spl"] == ambient_db and row["carrier"] == carrier]
            level, caught, ideal = (
                np.array([row[key] for row in own], dtype=float) for key in ("level_db", "caught", "ideal_caught")
            )
            name = f"{ambient_db} dB SPL"
            lines += [Line(level, caught, name, SERIES[kind]), Line(level, ideal, "ideal", FAINT)]
            lines.append(Line(np.array([wanted_db]), np.array([WANTED]), f"wanted, {name}", FAINT, marks=kind))
        panels.append(Panel(f"bursts of {carrier}", across, up, tuple(lines)))
    write_svg(path, figure(panels, columns=len(CARRIERS)))


if __name__ == "__main__":
    main()
