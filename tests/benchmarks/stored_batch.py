"""A batch of units in a store, made from one record: another lot of woofers on the way, and a bench that drifts.

    .venv/bin/python tests/benchmarks/stored_batch.py FOLDER --units 300 --lot-from 180 --drift-from 230
    .venv/bin/kitproof batch booth-two --workspace FOLDER

Without --template one unit is verified on the simulated bench first. Each run then has readings and curves of its own,
drawn around that unit's: woofers' resonances, levels, resistances; nothing else was measured. Daily checks of the bench
stand beside. The verdicts are those of the template's limits on the drawn numbers.
"""

import argparse
import hashlib
import json
import os
import shutil
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from rig.calibration.storage import DailyDetails, Stored, save
from rig.store.homes import hint, make_home
from rig.store.records import read_columns

BEGAN = datetime(2026, 3, 2, 8, tzinfo=UTC)
#: Standard deviations of units: of resonance, resistance and Q relative, of levels in dB.
FS, RE, Q, LEVEL_DB = 0.02, 0.012, 0.02, 0.25
#: The same, of what a daily check reads; and of one person setting up a unit.
DAILY_DB, DAILY_OHM, RIG = 0.03, 0.0004, 0.3


#: What a faulty unit's first box is off by, one of these.
FAULTS = {"re": -0.13, "level": -3.5, "fs": 0.2, "top": -5.0}


@dataclass(frozen=True)
class Plan:
    """What happens to a batch."""

    units: int = 300
    #: The first unit with other woofers, and how much lower their resonance is; 0 units: none.
    lot_from: int = 180
    lot_fs: float = -0.045
    #: The first unit measured while the bench drifts, and how far it goes within four days; 0: none.
    drift_from: int = 240
    drift_db: float = -0.6
    #: Shares of units that fail at first and are mended, and of runs that are void.
    faulty: float = 0.04
    void: float = 0.02
    per_day: int = 20
    benches: tuple[str, ...] = ("bench one",)


def stored_batch(workspace: Path, template: Path, plan: Plan, seed: int = 1) -> Iterator[Path]:
    """Write the runs of a batch into the store of a workspace, and say where each is."""
    made = json.loads((template / "run.json").read_bytes())
    dice = np.random.default_rng(seed)
    prefix = made["serial"].split("-")[0]
    bench_db = _daily(workspace, made, plan, dice)
    for unit in range(plan.units):
        day, turn = divmod(unit, plan.per_day)
        begins = BEGAN + timedelta(days=day, minutes=20 * turn)
        home = workspace / "results" / made["kit"]["name"] / f"{prefix}-{unit + 1:04d}"
        drawn = _drawn(made, plan, unit, dice)
        kinds = ["void"] * (dice.random() < plan.void) + ["faulty"] * (dice.random() < plan.faulty) + ["good"]
        for number, kind in enumerate(kinds, 1):
            at = begins + timedelta(minutes=5 * (number - 1))
            bench = plan.benches[unit % len(plan.benches)]
            offset = bench_db(day) if bench == plan.benches[0] else 0.0
            yield _write(home, made, template, drawn, (number, at, kind, bench, offset), dice)


def _daily(workspace: Path, made: dict[str, Any], plan: Plan, dice: np.random.Generator) -> Any:
    """Write the daily checks of every bench; what the first bench's level is off by on a day."""
    days = -(-plan.units // plan.per_day)
    first = plan.drift_from // plan.per_day if plan.drift_from else days + 1

    def off_db(day: float) -> float:
        return plan.drift_db * float(np.clip((day - first + 1) / 2, 0, 1)) if plan.drift_from else 0.0

    channels = sorted(
        {one["subject"] for result in made["results"] for one in result["readings"] if one["quantity"] == "sensitivity"}
    )
    for bench in plan.benches:
        for day in range(days):
            at = (BEGAN + timedelta(days=day, minutes=-30)).isoformat()
            details = DailyDetails("in control")
            of_bench = off_db(day) if bench == plan.benches[0] else 0.0
            for channel in channels:
                level = 0.2 + of_bench + DAILY_DB * dice.standard_normal()
                name = f"{made['kit']['name']} {channel}"
                save(workspace, Stored("daily", name, bench, at, "level", level, "dB", None, details=details))
            ohm = 8.2 * (1 + DAILY_OHM * dice.standard_normal())
            save(workspace, Stored("daily", "8.2 ohm", bench, at, "resistor", ohm, "ohm", None, details=details))
    return off_db


def _drawn(made: dict[str, Any], plan: Plan, unit: int, dice: np.random.Generator) -> dict[str, dict[str, float]]:
    """What one unit's channels are off by."""
    lot = plan.lot_fs if plan.lot_from and unit >= plan.lot_from else 0.0
    channels = {one["subject"].split(" ")[0] for result in made["results"] for one in result["readings"]}
    return {
        channel: {
            "fs": lot + FS * dice.standard_normal(),
            "re": RE * dice.standard_normal(),
            "q": -0.5 * lot + Q * dice.standard_normal(),
            "tuning": 0.008 * dice.standard_normal(),
            "level": LEVEL_DB * dice.standard_normal(),
            "top": LEVEL_DB * dice.standard_normal(),
            "distortion": 1.0 * dice.standard_normal(),
        }
        for channel in sorted(channels)
    }


def _write(
    home: Path,
    made: dict[str, Any],
    template: Path,
    drawn: dict[str, dict[str, float]],
    run: tuple[int, datetime, str, str, float],
    dice: np.random.Generator,
) -> Path:
    number, at, kind, bench, offset_db = run
    name = f"{at:%Y-%m-%dT%H%M%SZ}-{number:03d}-{dice.integers(65536):04x}"
    known = make_home(home)
    new = home / f".{name}.new"
    (new / "curves").mkdir(parents=True)
    if (template / "masks").is_dir():
        shutil.copytree(template / "masks", new / "masks", copy_function=os.link)
    files = {name: found for name, found in made["files"].items() if name.startswith("masks/")}
    results = []
    # Set up anew, each time a little differently.
    of = {channel: dict(values) for channel, values in drawn.items()}
    for values in of.values():
        values["level"] += offset_db + RIG * LEVEL_DB * dice.standard_normal()
        values["fs"] += 0.1 * FS * dice.standard_normal()
    if kind == "faulty":
        fault, size = list(FAULTS.items())[int(dice.integers(len(FAULTS)))]
        of[next(iter(sorted(of)))][fault] += size
    for result in made["results"]:
        results.append(_result(result, of, kind, template, new, files, dice))
    outcomes = {one["outcome"] for one in results}
    outcome = "void" if kind == "void" else "fail" if "fail" in outcomes else "pass"
    finding = {"words": "left woofer is another driver", "part": "left woofer", "kind": "other-driver"}
    found = made | {
        "run": name,
        "run_number": number,
        "serial": home.name,
        "started_at": at.isoformat(),
        "finished_at": (at + timedelta(minutes=3)).isoformat(),
        "results": results,
        "outcome": outcome,
        "stopped": "the room was too loud: 51.3 dB(A)" if kind == "void" else "",
        "findings": [finding | {"probability": 0.9}] if outcome == "fail" else [],
        "by": "Ada",
        "batch": "spring",
        "bench_name": bench,
        "calibrations": [{**one, "bench": bench} for one in made["calibrations"]],
        "timing": {"sound_s": 20.0, "cycle_s": 24.0, "operator_s": float(80 + 30 * dice.random())},
        "rework": [{"at": at.isoformat(), "words": "woofer", "by": "", "after": ""}]
        if number > 1 and kind == "good"
        else [],
        "files": files,
    }
    (new / "run.json").write_text(json.dumps(found), encoding="utf-8")
    new.rename(home / name)
    hint(home, known)
    return home / name


def _result(
    result: dict[str, Any],
    of: dict[str, dict[str, float]],
    kind: str,
    template: Path,
    new: Path,
    files: dict[str, str],
    dice: np.random.Generator,
) -> dict[str, Any]:
    """A check's readings, curves and verdicts with the unit's own numbers."""
    one = {**result, "readings": [], "curves": [], "verdicts": [], "courses": [], "sounds": []}
    values = {}
    for read in result["readings"]:
        value = _reading(read, of.get(read["subject"].split(" ")[0], {}), dice)
        values[read["quantity"], read["subject"]] = value
        one["readings"].append({**read, "value": value})
    judged = {(said["quantity"], said["subject"]) for said in result["verdicts"]}
    for curve in result["curves"]:
        key = curve["quantity"], curve["subject"]
        if key in judged:
            columns = read_columns(template / curve["file"])
            sides = [of[side] for side in key[1].split(" against ") if side in of]
            own = {name: sides[0][name] - sum(side[name] for side in sides[1:]) for name in sides[0]}
            columns["value"] = _curve(curve, columns, own, dice)
            rows = zip(*columns.values(), strict=True)
            text = "\n".join([",".join(columns), *(",".join(f"{cell:.8g}" for cell in row) for row in rows)]) + "\n"
            (new / curve["file"]).write_text(text, encoding="utf-8")
            files[curve["file"]] = hashlib.sha256(text.encode()).hexdigest()
            one["curves"].append(curve)
    for said in result["verdicts"]:
        key = said["quantity"], said["subject"]
        value = values.get(key, said["value"])
        low, high = (float(said.get(side) if said.get(side) is not None else "nan") for side in ("lower", "upper"))
        is_out = key in values and (value < low or value > high)
        # Of a curve nothing is judged anew: what fails it is the one fault that no number shows.
        is_out |= key[0] == "free-field level" and of.get(key[1], {}).get("top", 0.0) < -3
        margin = (
            float(np.nanmin([value - low, high - value]))
            if key in values and np.isfinite(low + high)
            else said["margin"]
        )
        shift = (
            {"shift_db": said.get("shift_db", 0.0) + of.get(key[1], {}).get("level", 0.0)}
            if said.get("shift_db")
            else {}
        )
        one["verdicts"].append(
            {**said, **shift, "value": value, "margin": margin, "outcome": "fail" if is_out else "pass"}
        )
    is_bad = any(said["outcome"] == "fail" for said in one["verdicts"])
    one["outcome"] = "void" if kind == "void" else "fail" if is_bad else "pass"
    one["reason"] = f"the room was too loud: {50 + 3 * dice.random():.1f} dB(A)" if kind == "void" else ""
    return one


def _reading(read: dict[str, Any], of: dict[str, float], dice: np.random.Generator) -> Any:
    quantity, value = read["quantity"], read["value"]
    if not isinstance(value, float):
        return value
    relative = {"fs": "fs", "Re": "re", "lowest impedance": "re", "Qts": "q", "Qes": "q", "box tuning": "tuning"}
    if quantity in relative:
        return value * (1 + of.get(relative[quantity], 0.0))
    if quantity == "band level" and read["subject"].endswith("tweeter"):
        return value + of["level"] + of["top"]
    if quantity in ("sensitivity", "ping level", "band level"):
        return value + of.get("level", 0.0)
    return value * (1 + 0.02 * dice.standard_normal())


def _curve(curve: dict[str, Any], columns: dict[str, Any], of: dict[str, float], dice: np.random.Generator) -> Any:
    hz, value = columns["frequency_hz"], columns["value"]
    noise = dice.standard_normal(hz.size)
    if curve["unit"] == "ohm":
        # The woofer's resonances move below the crossover; the coil's resistance moves all of it.
        moved = hz / (1 + of["fs"] / (1 + (hz / 300.0) ** 4))
        return np.interp(np.log(moved), np.log(hz), value) * (1 + of["re"]) * (1 + 0.001 * noise)
    if curve["quantity"].startswith("harmonic"):
        return value + of["distortion"] + 0.5 * noise
    top = of.get("top", 0.0) / (1 + (2500.0 / hz) ** 4)
    low = -40 * np.log10(1 + of.get("fs", 0.0)) / (1 + (hz / 60.0) ** 4)
    return value + of.get("level", 0.0) + top + low + 0.05 * noise


def template_run(workspace: Path, kit: str) -> Path:
    """One unit verified on the simulated bench."""
    import subprocess

    shutil.copytree(ROOT / "limits", workspace / "limits", dirs_exist_ok=True)
    command = [sys.executable, "-m", "rig", "verify", kit, "BT-0001", "--yes", "--workspace", str(workspace)]
    subprocess.run(command, check=True, cwd=ROOT, capture_output=True)
    [run] = (workspace / "results" / kit / "BT-0001").glob("2*")
    return run


def main() -> None:
    """Make a batch."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("workspace", type=Path)
    parser.add_argument("--template", type=Path, help="the folder of a run of booth-two")
    parser.add_argument("--units", type=int, default=Plan.units)
    parser.add_argument("--lot-from", type=int, default=Plan.lot_from)
    parser.add_argument("--drift-from", type=int, default=Plan.drift_from)
    parser.add_argument("--benches", type=int, default=1)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    template = asked.template or template_run(asked.workspace / "template", "booth-two")
    shutil.copytree(ROOT / "limits", asked.workspace / "limits", dirs_exist_ok=True)
    benches = tuple(f"bench {name}" for name in ("one", "two", "three")[: asked.benches])
    plan = Plan(asked.units, asked.lot_from, drift_from=asked.drift_from, benches=benches)
    print(sum(1 for _ in stored_batch(asked.workspace, template, plan, asked.seed)), "runs")


if __name__ == "__main__":
    main()
