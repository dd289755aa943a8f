"""Whether a run's sweeps, with shorter silences and shared marks, tell as much as with those of before.

    python tests/benchmarks/shorter_silences.py --units 20 [--rub -46] [--first 0]

The same simulated units, good and with a coil that rubs, in the same rooms, are swept once loudly with each: evidence
of impulses, uncertainty of levels and harmonics of the good ones, and how many rubs stand beyond the kit's limit; and
how well a microphone's own marks tell what was lost (standard uncertainty in samples).
"""

import argparse
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT)]

import checks
from rig.design.kit import Kit, load_kit
from rig.run.opening import simulated
from rig.signals import marks
from rig.signals.silences import Spacing
from rig.values.captures import Capture
from rig.verdict.check import ListedCheck, listed_checks
from rig.verdict.spacing import PING, PLAYING, SILENCE, in_a_row

#: Of the demo kits' evidence.
LIMIT = 4.0
#: Curves whose uncertainty is told.
TOLD = ("level", "free-field level", "harmonic 2", "harmonic 3", "total distortion")
#: Before marks were shared.
BEFORE = Spacing(silence_s=0.25, pause_s=0.1, tail_s=0.3, rest_s=0.05)


def loud(kit: Kit, serial: str, faults: list[str], spacing: Spacing) -> Capture:
    """The loud sweep of a unit's left box, in an open stream."""
    request = replace(kit.sweep("playing", "left", position=kit.positions[0].name), spacing=spacing)
    with simulated(None, kit, serial, faults).stage("playing") as player:
        (capture,) = player.play([request])
    return capture


def shared(kit: Kit) -> Spacing:
    """A loud sweep's silences and marks where it shares those of a silence."""
    place = kit.positions[0].name
    ping = replace(kit.sweep("playing", "left", position=place, quiet=True), spacing=PING)
    sweep = replace(kit.sweep("playing", "left", position=place), spacing=PLAYING)
    silence = replace(kit.silence("left", place, 2.0), spacing=SILENCE)
    spacing = in_a_row([ping], [silence, sweep])[1][1].spacing
    assert spacing
    return spacing


def named(kit: Kit, name: str) -> ListedCheck:
    """A check of the kit."""
    return next(one for one in listed_checks(kit, checks.ALL) if one.name == name)


def evidence(kit: Kit, capture: Capture) -> float:
    """Of impulses."""
    return named(kit, "rub_and_buzz").read([capture], kit).readings[0].value


def main() -> None:
    """Print both beside each other."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--kit", default="booth-two")
    parser.add_argument("--units", type=int, default=20)
    parser.add_argument("--rub", type=float, default=-46.0)
    parser.add_argument("--first", type=int, default=0)
    asked = parser.parse_args()
    kit = load_kit(ROOT, asked.kit)
    serials = [f"{kit.serial_example[:3]}{5000 + asked.first + n:04d}" for n in range(asked.units)]
    for name, spacing in (("before", BEFORE), ("shared", shared(kit))):
        good = [loud(kit, serial, [], spacing) for serial in serials]
        rubs = [evidence(kit, loud(kit, serial, [f"rub:left={asked.rub:g}"], spacing)) for serial in serials]
        known = []
        for capture in good:
            row = capture.samples[capture.inputs.index("microphone")].astype(np.float64)
            late, _ = marks.arrival(row.astype(np.float32), capture.layout, 0.2)
            timing = marks.timing_of(row, capture.layout, late)
            known.append(timing.uncertainty if timing else np.inf)
        curves = {}
        for check in ("response", "distortion"):
            for capture in good:
                for curve in named(kit, check).read([capture], kit).curves:
                    if curve.quantity in TOLD and curve.valid.any():
                        known_db = float(np.median(np.asarray(curve.uncertainty)[curve.valid]))
                        curves.setdefault(curve.quantity, []).append(known_db)
        of_good = np.array([evidence(kit, capture) for capture in good])
        found, middle = sum(np.array(rubs) > LIMIT), np.median(rubs)
        print(f"{name}: good units' evidence {of_good.mean():.2f} on the mean, {of_good.max():.2f} at most")
        print(f"  rubs of {asked.rub:g} dB beyond {LIMIT:g}: {found} of {len(rubs)}; {middle:.1f} in the middle")
        print(f"  marks at the microphone: {np.median(known):.2g} samples, {np.max(known):.2g} at most")
        print("  uncertainty: " + ", ".join(f"{of} {np.mean(u):.3f} dB" for of, u in curves.items()))


if __name__ == "__main__":
    main()
