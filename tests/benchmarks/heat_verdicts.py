"""What the heat test says of simulated units, good and faulty: its log alone, without the rest of a run.

    .venv/bin/python tests/benchmarks/heat_verdicts.py --units 20
    .venv/bin/python tests/benchmarks/heat_verdicts.py --units 5 --kit booth-two --fault covered:left=25

Without --fault: good units, and the vent covered and the sink unbonded by several amounts. Each unit stands on a bench
of its own (its room, its thermometers).
"""

import argparse
from collections import Counter
from multiprocessing import Pool
from pathlib import Path

from checks import heat
from rig.design.fault_names import board_box, parse_fault
from rig.design.kit import Kit, load_kit
from rig.design.soak import soak_of
from rig.run.judging import steady_limits_k
from rig.simulated.heat_log import rows_of
from rig.simulated.heat_unit import HeatedUnit
from rig.verdict.check import ListedCheck
from rig.verdict.guard import watched
from rig.verdict.judge import judge, outcome_of

ROOT = Path(__file__).parents[2]
KITS = ("booth-two", "rehearsal-three")
AMOUNTS = ("", "covered=50", "covered=25", "covered=5", "unbonded=1", "unbonded=3", "unbonded=10")
RISES = ("rise", "steady rise")


def placed(kit: Kit, fault: str) -> str:
    """A fault with the box that the board is in."""
    return fault.replace("covered=", f"covered:{board_box(kit)}=")


def one_unit(task: tuple[str, str, int]) -> tuple[str, str, int, str, list[str], dict[str, float], float]:
    """Outcome, what failed and is void, rises and the length of one unit's heat test."""
    name, fault, number = task
    kit = load_kit(ROOT, name)
    serial = f"{kit.serial_example[:-4]}{number:04d}"
    table = heat.Settings.model_validate(soak_of(kit, "heat").model_dump())
    (programme,) = heat.requests(kit, table)
    limits = steady_limits_k(kit, [ListedCheck("heat", heat, table)], programme)
    faults = [parse_fault(kit, fault)] if fault else []
    log = watched(programme, rows_of(HeatedUnit(kit, serial, faults, number), programme), limits)
    read = heat.read([log], table, kit)
    verdicts = judge(read, kit.limits["heat"], kit.folder, "heat")
    bad = [f"{v.quantity} {v.subject} {v.outcome}" for v in verdicts if v.outcome != "pass"]
    rises = {f"{r.quantity} {r.subject}": r.value for r in read.readings if r.quantity in RISES}
    return name, fault, number, outcome_of([v.outcome for v in verdicts]), bad, rises, float(log.seconds[-1])


def main() -> None:
    """Units by fault."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--units", type=int, default=5)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--kit", choices=KITS)
    parser.add_argument("--fault")
    parser.add_argument("--jobs", type=int, default=2)
    asked = parser.parse_args()
    kits = [asked.kit] if asked.kit else list(KITS)
    faults = AMOUNTS if asked.fault is None else (asked.fault,)
    for kit in kits:
        for fault in (placed(load_kit(ROOT, kit), fault) for fault in faults):
            tasks = [(kit, fault, asked.first + n) for n in range(asked.units)]
            with Pool(asked.jobs) as pool:
                units = pool.map(one_unit, tasks, chunksize=1)
            print(kit, fault or "good", dict(Counter(unit[3] for unit in units)))
            print("  ", dict(Counter(words for unit in units for words in unit[4])))
            for name in units[0][5]:
                values = [unit[5][name] for unit in units]
                print(f"   {name}: {min(values):.2f} to {max(values):.2f} K")
            print(f"   after {min(u[6] for u in units):.0f} to {max(u[6] for u in units):.0f} s", flush=True)


if __name__ == "__main__":
    main()
