"""How well the steady rise is known at a quarter of a programme, and whether the stated uncertainty keeps its word.

    python tests/benchmarks/heat_prediction.py [--seeds 100] [--first 0] [--hours 2] [--jobs 2] [--no-ambient]

Each seed is another unit of the kit on another bench: thermal network, sensors, room. Truth is the simulated network
solved for an endless programme in a room that stays as it is, read by the same sensors. Printed for each kit and
role: share of errors within 1.5 K, share of truths inside the stated 95 %, share of intervals that lie below and above
it, share of infinite uncertainties (the samples speak for a constant too long to be seen).
"""

import argparse
import sys
import time
from multiprocessing import Pool
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from heat_truth import steady_celsius

from rig.design.kit import load_kit
from rig.signals.heat_response import power_of_rows
from rig.signals.heating import fit_rise
from rig.signals.programme import music_like
from rig.simulated.heat_drive import drive_of
from rig.simulated.heat_log import rows_of, sensor_offset_k
from rig.simulated.heat_unit import HeatedUnit
from rig.values.requests import Guard, Programme, RoleGuard

KITS = ("booth-two", "rehearsal-three")
LEVEL_V, EVERY_S, RAMP_S = 3.5, 5.0, 30.0
WITHIN_K = 1.5
COPPER_PER_K = 0.00393


def programme_of(kit, seconds, roles):
    guard = Guard(tuple(RoleGuard(role, "celsius", rise_k=60.0) for role in roles), 30.0, 5.0, 3.0, (0.7, 1.6))
    channels = tuple(channel.name for channel in kit.channels)
    gain = 10 ** (kit.amplifier.gain_db / 20)
    noise = music_like()
    return Programme(
        "soak", channels, channels[0], kit.positions[0].name, LEVEL_V, gain, noise, seconds, RAMP_S, EVERY_S, guard
    )


def one_unit(task):
    """For each role and each channel's coil: kit, role, error, uncertainty, bounds minus truth, seconds for the fit."""
    name, seed, hours, with_ambient = task
    kit = load_kit(ROOT, name)
    serial = kit.serial_example[:-4] + f"{seed + 1:04d}"
    channels = [channel.name for channel in kit.channels]
    roles = ["heat sink", "case", *(f"{what} {channel}" for channel in channels for what in ("magnet", "box"))]
    programme = programme_of(kit, hours * 3600, roles)
    heated = HeatedUnit(kit, serial, seed=seed)
    drive = drive_of(heated.unit, programme.noise, programme.channels, programme.path_gain)
    rows = []
    for row in rows_of(heated, programme):
        rows.append(row)
        if row.seconds >= programme.seconds / 4:
            break
    t = np.array([row.seconds for row in rows])
    columns = {name: np.array([row.values.get(name, np.nan) for row in rows]) for name in rows[-1].values}
    ambient = columns["celsius.ambient"]
    room = ambient[-60:].mean() - sensor_offset_k(heated, programme)["ambient"]
    steady = steady_celsius(heated, drive, LEVEL_V, room)
    squares = sum(columns[f"drive_v.{channel}"] ** 2 for channel in channels)
    playing = np.array([row.state == "playing" for row in rows])
    power = power_of_rows(t, squares / np.median(squares[playing]), EVERY_S)
    results = []
    cold = np.array([row.state == "cold" for row in rows])
    for role in [*roles, *(f"coil {channel}" for channel in channels)]:
        place = heated.thermal.places[heated.thermal.place(role)]
        truth = steady[place] - room
        if role.startswith("coil"):
            ohm = columns[f"coil_ohm.{role[5:]}"]
            at_cold = ohm[cold].mean()
            # The cold resistance's own error is no matter of the fit: truth is what the coil's resistance will show.
            cold_celsius = ambient[cold].mean()
            celsius = (ohm / at_cold - 1) * (1 / COPPER_PER_K - 20 + cold_celsius) + cold_celsius
            exact = heated.cold_ohm(role[5:]) * (1 + COPPER_PER_K * (steady[place] - 20))
            truth = (exact / at_cold - 1) * (1 / COPPER_PER_K - 20 + cold_celsius) + cold_celsius - ambient[-60:].mean()
        else:
            celsius = columns[f"celsius.{role}"]
            offsets = sensor_offset_k(heated, programme)
            truth += offsets[role] - offsets["ambient"]
        began = time.process_time()
        fit = fit_rise(t, celsius - ambient, power, ambient if with_ambient else None)
        took = time.process_time() - began
        low, high = fit.between(0.95)
        results.append((name, role, fit.steady_k - truth, fit.steady_u_k, low - truth, high - truth, took, truth))
    return results


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=100)
    parser.add_argument("--hours", type=float, default=2.0)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--first", type=int, default=0, help="the first seed")
    parser.add_argument("--no-ambient", action="store_true", help="do not let the fit know the ambient's course")
    asked = parser.parse_args()
    seeds = range(asked.first, asked.first + asked.seeds)
    tasks = [(kit, seed, asked.hours, not asked.no_ambient) for kit in KITS for seed in seeds]
    with Pool(asked.jobs) as pool:
        results = [r for unit in pool.imap_unordered(one_unit, tasks, chunksize=4) for r in unit]
    report(results)


def report(results):
    print(
        f"{'kit':16s} {'role':14s} {'n':>5s} {'rise K':>7s} {'rms K':>6s} {'bias K':>6s} {'u K':>6s} "
        f"{'<1.5 K':>7s} {'95 %':>6s} {'below':>6s} {'above':>6s} {'inf':>5s}"
    )
    groups = sorted({r[:2] for r in results}) + [("all", "all")]
    for kit, role in groups:
        own = np.array([r[2:] for r in results if r[:2] == (kit, role) or kit == "all"])
        error, u, low, high, truth = own[:, 0], own[:, 1], own[:, 2], own[:, 3], own[:, 5]
        print(
            f"{kit:16s} {role:14s} {len(own):5d} {truth.mean():7.2f} {np.sqrt(np.mean(error**2)):6.2f} "
            f"{error.mean():6.2f} {np.median(u):6.2f} {np.mean(np.abs(error) < WITHIN_K):7.3f} "
            f"{np.mean((low <= 0) & (high >= 0)):6.3f} {np.mean(high < 0):6.3f} {np.mean(low > 0):6.3f} "
            f"{np.mean(~np.isfinite(u)):5.2f}"
        )
    finite = [r for r in results if np.isfinite(r[3])]
    inside = np.mean([r[4] <= 0 <= r[5] for r in finite])
    print(f"of those with a finite uncertainty ({len(finite)}) {inside:.3f} are inside the stated 95 %")
    took = np.array([r[6] for r in results])
    print(f"one fit: median {1000 * np.median(took):.1f} ms, 95th percentile {1000 * np.quantile(took, 0.95):.1f} ms")


if __name__ == "__main__":
    main()
