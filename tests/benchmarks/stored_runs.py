"""Stores of many runs, made from one record: what listings, indexes and studies are measured with.

    .venv/bin/python tests/benchmarks/stored_runs.py FOLDER --runs 1000 --template RUN_FOLDER

Each run is the template's run.json with readings, outcome, names and dates of its own; nothing was measured. Only with
--files does it have the template's other files as well.
"""

import argparse
import json
import os
import random
import shutil
import sys
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from rig.files.plain import table
from rig.store.bench_chain import next_link, slug
from rig.store.homes import hint, make_home

TEMPLATE = next((ROOT / "tests" / "archive" / "results" / "shelf-one" / "SO-0001").glob("2*"))
BENCHES, PEOPLE = ("bench one", "bench two", "bench three"), ("Ada", "Ben", "", "jig")
BEGAN = datetime(2024, 1, 1, 8, tzinfo=UTC)


def stored_runs(
    workspace: Path,
    count: int,
    template: Path = TEMPLATE,
    seed: int = 1,
    *,
    files: bool = False,
    retests: float = 0.05,
    prefix: str = "",
    bench: str = "",
) -> Iterator[Path]:
    """Write so many runs into the store of a workspace, and say where each is.

    One of twenty is a unit's second run; serials count up from PREFIX-000001. With a bench its chain goes through them.
    """
    made = json.loads((template / "run.json").read_bytes())
    # As today's version writes them: a calibration once, whatever many captures rest on it.
    distinct = {json.dumps(one, sort_keys=True): one for one in made["calibrations"]}
    if len(distinct) == 1:
        made["calibrations"] = list(distinct.values())
        made["captures"] = [{**one, "calibration": 0} for one in made["captures"]]
    prefix, dice, unit, number = prefix or made["serial"].split("-")[0], random.Random(seed), 0, 1
    for turn in range(count):
        is_retest = unit and number == 1 and dice.random() < retests
        unit, number = (unit, 2) if is_retest else (unit + 1, 1)
        home = workspace / "results" / made["kit"]["name"] / f"{prefix}-{unit:06d}"
        begins = BEGAN + timedelta(minutes=7 * turn)
        of_bench = f"-{slug(bench)}" if bench else ""
        run = f"{begins:%Y-%m-%dT%H%M%SZ}-{number:03d}{of_bench}-{dice.getrandbits(16):04x}"
        known = make_home(home)
        new = home / f".{run}.new"
        if files:
            shutil.copytree(template, new, copy_function=os.link, ignore=shutil.ignore_patterns("run.json"))
        else:
            new.mkdir()
        found = _varied(made, dice) | {
            "run": run,
            "run_number": number,
            "serial": home.name,
            "started_at": begins.isoformat(),
            "finished_at": (begins + timedelta(minutes=2)).isoformat(),
            "by": dice.choice(PEOPLE),
            "batch": f"lot {turn // 1000 + 1}",
        }
        if bench:
            found |= {"bench_name": bench}
        with next_link(workspace / "results", bench) as (link, put_down):
            content = json.dumps(found | ({"link": table(link)} if link else {}), indent=1).encode()
            (new / "run.json").write_bytes(content)
            put_down(f"{home.parent.name}/{home.name}/{run}/run.json", content)
            new.rename(home / run)
        hint(home, known)
        yield home / run


def _varied(made: dict[str, Any], dice: random.Random) -> dict[str, Any]:
    """A record whose numbers are spread by a part in a hundred; one of ten fails in a check, one of thirty is void."""
    results = [dict(one) for one in made["results"]]
    outcome = dice.choices(("pass", "fail", "void"), (86, 10, 4))[0]
    bad = dice.randrange(len(results)) if outcome != "pass" else -1
    for place, one in enumerate(results):
        factor = 1 + dice.gauss(0, 0.01)
        one["outcome"], one["reason"] = (outcome, "of the generator") if place == bad else ("pass", "")
        one["readings"] = [{**read, "value": _times(read["value"], factor)} for read in one["readings"]]
        one["verdicts"] = [{**said, "value": _times(said["value"], factor)} for said in one["verdicts"]]
    finding = {"words": "a coil of the wrong value", "part": "L1", "kind": "tenth", "probability": 0.9}
    bench = dice.choice(BENCHES)
    return made | {
        "results": results,
        "outcome": outcome,
        "stopped": "",
        "findings": [finding] if outcome == "fail" else [],
        "calibrations": [{**one, "bench": bench} for one in made["calibrations"]],
    }


def _times(value: Any, factor: float) -> Any:
    return value * factor if isinstance(value, float) else value


def main() -> None:
    """Make a store."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("workspace", type=Path)
    parser.add_argument("--runs", type=int, default=1000)
    parser.add_argument("--template", type=Path, default=TEMPLATE)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--files", action="store_true")
    asked = parser.parse_args()
    made = stored_runs(asked.workspace, asked.runs, asked.template, asked.seed, files=asked.files)
    print(sum(1 for _ in made), "runs")


if __name__ == "__main__":
    main()
