"""How often the stated intervals of learnt values hold the truth, over strangers that the lumped model describes.

    python tests/benchmarks/learnt_values.py [--designs closed-two,full-range] [--seeds 10] [--first 1] [--builds 3]

The drivers of these strangers (`tests/strangers`) have nothing that no sheet says: no creep, no resonance of surround
or cone, no chamber, no fluid; what is left is what a lumped model has, solved by other code. From the curves of some
good units the rig learns what the batch shares. For each value of the drivers: share of truths inside the stated 95 %
interval, and the root mean square of how far off it is, in stated standard uncertainties.
"""

import argparse
import os
import sys
import tempfile
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

for threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(threads, "1")

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from strangers import population
from strangers.designs import DESIGNS, Design
from strangers.driver import Hidden, MovingCoil, moving_coil
from strangers.kits import write_kit
from strangers.population import SHEET, Unit, chance, unit

from rig.study.builds import learn_design
from rig.values.readings import Curve

PLAIN = Hidden(creep=0.0, surround=(0.0, 0.0, 1.0, 1.0), rim=(0.0, 0.0, 1.0))
Z_HZ, LEVEL_HZ = np.geomspace(10.6, 19000, 262), np.geomspace(300, 15000, 136)
#: Of impedance, relative, and of level in decibels: what a measurement of each point is off.
U_Z, U_DB = 5e-4, 0.03
#: The gate behind the first arrival, and what of it is left in front; lines of a spectrum.
GATE_S, EARLIER_S, LINE_HZ, HIGHEST_HZ = 5e-3, 1e-3, 10.0, 24000.0
#: Standard uncertainties that a 95 % interval reaches to both sides.
REACH = 1.96
#: Those of a driver that do not depend on where an inductance is stated.
VALUES = ("re_ohm", "fs_hz", "vas_l", "qms", "qes", "mms_kg", "cms_m_n", "rms_n_s_m", "bl_t_m")
DESCRIBED = "closed-two,first-two,fourth-two,full-range,notch-one,open-two"


def plain(design: Design) -> Design:
    """The design with drivers that a lumped model describes."""
    return replace(design, drivers=tuple(replace(fitted, hidden=PLAIN) for fitted in design.drivers))


def in_the_free_field() -> None:
    """Leave out what rooms add, from now on: where the gate ends that, a level is that of a free field."""
    rooms = population.surroundings
    population.surroundings = lambda *of: replace(rooms(*of), reflects=0.0)


def curves(design: Design, seed: int, serial: str) -> list[Curve]:
    """What is measured of one unit."""
    made, random = unit(design, seed, serial), np.random.default_rng([seed, *serial.encode()])

    def noise(hertz: np.ndarray, sigma: float) -> np.ndarray:
        return sigma * random.standard_normal(hertz.size)

    ohm = made.impedance_ohm("box", Z_HZ) * (1 + noise(Z_HZ, U_Z) + 1j * noise(Z_HZ, U_Z))
    level = 20 * np.log10(1.4 * gated_pa(made) / 20e-6) + noise(LEVEL_HZ, U_DB)
    return [
        _curve("impedance", "ohm", Z_HZ, np.abs(ohm), U_Z * np.abs(ohm)),
        _curve("phase", "degrees", Z_HZ, np.degrees(np.angle(ohm)), np.full(Z_HZ.size, np.degrees(U_Z))),
        _curve("free-field level", "dB SPL", LEVEL_HZ, level, np.full(LEVEL_HZ.size, U_DB)),
    ]


def gated_pa(made: Unit) -> np.ndarray:
    """What is left of a unit's pressure for a volt behind the gate, on `LEVEL_HZ`."""
    hertz = np.arange(0.0, HIGHEST_HZ, LINE_HZ)
    pressure = made.pressure_pa("box", (0.0, 0.0, 0.5), np.maximum(hertz, LINE_HZ))
    response = np.fft.irfft(pressure)
    since_s = np.arange(response.size) / (LINE_HZ * response.size) - 0.5 / 343.2
    # The second half of a Hann window behind the first arrival.
    gate = np.where(since_s < -EARLIER_S, 0.0, np.cos(np.pi / 2 * np.clip(since_s / GATE_S, 0, 1)) ** 2)
    return np.asarray(np.interp(LEVEL_HZ, hertz, np.abs(np.fft.rfft(response * gate))))


def _curve(quantity: str, unit_name: str, hertz: np.ndarray, value: np.ndarray, u: np.ndarray) -> Curve:
    return Curve(quantity, "box", hertz, value, unit_name, np.ones(hertz.size, np.bool_), u)


def batch_of(design: Design, seed: int) -> dict[str, MovingCoil]:
    """The mean drivers of a seed, by the draws that `strangers.population.unit` begins with."""
    random, found = chance(design.name, seed), {}
    for fitted in design.drivers:
        coil = moving_coil(fitted.name, fitted.sheet, fitted.hidden)
        found[fitted.name] = population._drawn(coil, random, SHEET, 0.15)
    return found


def truths(coil: MovingCoil) -> dict[str, float]:
    """A driver's values as a kit has them (R. H. Small, JAES 20 (1972))."""
    omega, motor = coil.resonance_rad_s, coil.force_factor**2 / coil.re_ohm
    air = 1.204 * 343.2**2 * coil.area_m2**2
    return {
        "re_ohm": coil.re_ohm,
        "fs_hz": omega / 2 / np.pi,
        "vas_l": 1e3 * coil.compliance_m_n * air,
        "qms": omega * coil.mass_kg / coil.losses_n_s_m,
        "qes": omega * coil.mass_kg / motor,
        "mms_kg": coil.mass_kg,
        "cms_m_n": coil.compliance_m_n,
        "rms_n_s_m": coil.losses_n_s_m,
        "bl_t_m": coil.force_factor,
    }


def off_of(design: Design, seed: int, builds: int) -> list[tuple[str, float]]:
    """Of each value: how far what was learnt is off the truth, in stated standard uncertainties."""
    with tempfile.TemporaryDirectory() as folder:
        kit = write_kit(design, Path(folder))
        held = {f"ST-9{n:03d}": curves(design, seed, f"ST-9{n:03d}") for n in range(builds)}
        (channel,) = learn_design(kit, held, dict.fromkeys(held, "a run"), "").channels
    found, batch = [], batch_of(design, seed)
    for value in (*channel.values, *channel.made_of):
        if value.owner == "driver" and value.what in VALUES:
            truth = truths(batch[value.of])[value.what]
            found.append((value.what, float(np.log(value.value / truth) / (value.u_percent / 100))))
    return found


def report(off: Sequence[tuple[str, float]]) -> None:
    """The table by value."""
    rows = defaultdict(list)
    for what, sigmas in off:
        rows[what].append(sigmas)
        rows["all"].append(sigmas)
    print(f"{'':12}{'n':>6}{'inside, %':>12}{'rms':>8}{'mean':>8}")
    for what, values in rows.items():
        inside = 100 * np.mean(np.abs(values) < REACH)
        rms, mean = np.sqrt(np.mean(np.square(values))), np.mean(values)
        print(f"{what:12}{len(values):6}{inside:12.1f}{rms:8.2f}{mean:8.2f}")


def main() -> None:
    """Learn and report."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--designs", default=DESCRIBED)
    parser.add_argument("--seeds", type=int, default=10)
    parser.add_argument("--first", type=int, default=1, help="the first seed")
    parser.add_argument("--builds", type=int, default=3)
    options = parser.parse_args()
    in_the_free_field()
    off = []
    for name in options.designs.split(","):
        of_design = []
        for seed in range(options.first, options.first + options.seeds):
            of_design += off_of(plain(DESIGNS[name]), seed, options.builds)
        inside = 100 * np.mean([abs(sigmas) < REACH for _, sigmas in of_design])
        print(f"{name:14}{inside:6.1f} % of {len(of_design)} inside", flush=True)
        off += of_design
    report(off)


if __name__ == "__main__":
    main()
