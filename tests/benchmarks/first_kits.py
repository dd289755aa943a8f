"""First verdicts of kits that `kitproof new` makes of five builders' answers: good, faulty, and off their data sheets.

    .venv/bin/python tests/benchmarks/first_kits.py --units 3 --kits two-way gaps

Simulated units of the kit's own model prove little; so others are measured whose drivers are off their sheets (fs, Q,
Vas, Re as the priors have it, drawn anew for each) behind the same parts: none of them may fail.
"""

import argparse
import sys
import tempfile
import tomllib
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from builders import BUILDERS

from rig.calibration.known_load import calibrate_known_load
from rig.design.kit import Kit, load_kit
from rig.run.verify import job, verify
from rig.simulated.bench import SimulatedBench
from rig.study.kit_questions import next_question
from rig.study.new_kit import make_kit

#: Kit -> faults that each must fail.
FAULTS = {
    "two-way": ["tenth:main:L1", "reversed:main:tweeter", "tenfold:main:C2", "leak:main"],
    "full-range": ["tenth:left:L1", "reversed:right:full-range", "leak:right"],
    "gaps": ["tenth:left:L1", "reversed:right:tweeter", "open:left:C2", "leak:right"],
    "three-way": ["tenth:main:L1", "reversed:main:midrange", "tenfold:main:C3", "leak:main"],
    "bass-box": ["reversed:left:full-range", "reversed:bass:bass", "leak:bass"],
}


def complete(given):
    """A builder's answers and, where he knows nothing, none."""
    answers = {}
    while question := next_question(answers):
        answers[question.key] = given.get(question.key, "")
    return answers


def off_sheet(kit, seed):
    """The same kit of drivers that are off their sheets by what sheets are, one batch: all boxes of them alike."""
    random, values = np.random.default_rng(seed), tomllib.loads((kit.folder / "kit.toml").read_text(encoding="utf-8"))
    moved = {}
    for channel in values["channels"]:
        for driver in channel.get("drivers", []):
            spec = next(
                d for c in kit.channels for d in c.drivers if c.name == channel["name"] and d.name == driver["name"]
            )
            for field, key, scale in (
                ("re_ohm", "re_ohm", 1.0),
                ("fs_hz", "fs_hz", 1.0),
                ("qms", "qms", 1.0),
                ("qes", "qes", 1.0),
                ("vas_m3", "vas_l", 1e3),
            ):
                prior = spec.priors()[field]
                moved[key] = (
                    scale * prior.value * np.exp(min(prior.sigma, 0.2) * np.clip(random.standard_normal(), -1.6, 1.6))
                )
            for key in ("qts", "sensitivity_db"):
                driver.pop(key, None)
            driver |= {key: round(float(value), 5) for key, value in moved.items()}
    return Kit.model_validate(values)


def run(workspace, name, unit_kit, serial, faults=()):
    """Outcome of a run, and what did not pass."""
    bench = SimulatedBench(unit_kit, serial, faults)
    clean = SimulatedBench(unit_kit, serial).known_load_capture(8.2)
    bench.known_load = calibrate_known_load(clean, 8.2, "2026-01-01T12:00:00+00:00")
    done, _ = verify(workspace, job(workspace, name), serial, bench, confirm=lambda w: True, view=lambda e: None)
    against = [
        f"{v.outcome} {v.quantity} {v.subject}: {v.reason}"
        for r in done.results
        for v in r.verdicts
        if v.outcome != "pass"
    ]
    against += [f"{r.outcome} {r.name}: {r.reason}" for r in done.results if r.outcome != "pass" and not r.verdicts]
    return done.outcome, against


def main():
    """Walk the kits."""
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("--units", type=int, default=2)
    words.add_argument("--first", type=int, default=1)
    words.add_argument("--kits", nargs="*", default=list(BUILDERS))
    words.add_argument("--show", action="store_true", help="what did not pass of good and off-sheet units")
    asked = words.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        workspace = Path(folder)
        for name in asked.kits:
            answers = complete(BUILDERS[name])
            made = make_kit(name, answers, Path("answers.csv"))
            (workspace / "limits" / name).mkdir(parents=True)
            for file, text in made.files.items():
                (workspace / "limits" / name / file).write_text(text, encoding="utf-8")
            kit = load_kit(workspace, name)
            typed = sum(bool(text) for text in answers.values())
            print(f"{name}: {typed} typed of {len(answers)} asked; {'; '.join(made.odd) or 'nothing odd'}")
            prefix = kit.serial_example.rstrip("0123456789")
            digits = len(kit.serial_example) - len(prefix)
            numbers = range(asked.first, asked.first + asked.units)
            serials = [f"{prefix}{n:0{digits}d}" for n in numbers]
            cases = [("good", kit, s, ()) for s in serials]
            cases += [("off sheet", off_sheet(kit, n), s, ()) for n, s in zip(numbers, serials, strict=True)]
            cases += [(fault, kit, serials[0], (fault,)) for fault in FAULTS[name]]
            for what, unit_kit, serial, faults in cases:
                outcome, against = run(workspace, name, unit_kit, serial, faults)
                print(f"  {what} {serial}: {outcome}", flush=True)
                if asked.show and not faults:
                    print("".join(f"      {line}\n" for line in against), end="", flush=True)


if __name__ == "__main__":
    main()
