"""How good units spread around a learnt design: their resonances lie elsewhere in each."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from strangers import population
from strangers.designs import DESIGNS
from strangers.kits import write_kit
from strangers.population import unit

from rig.study.builds import learn_design
from rig.study.learning import learn, share_rejects
from rig.study.spreads import IMPEDANCE, LEVEL, spreads_of_units
from rig.values.readings import Curve

DESIGN, SEED = DESIGNS["full-range"], 4711
Z_HZ, LEVEL_HZ = np.geomspace(20, 19000, 240), np.geomspace(300, 12000, 130)
UNITS = {"ohm": Z_HZ, "dB SPL": LEVEL_HZ}


def curves(serial: str) -> tuple[np.ndarray, np.ndarray]:
    """Impedance, and level at half a metre."""
    made = unit(DESIGN, SEED, serial)
    heard = np.abs(made.pressure_pa("box", (0.0, 0.0, 0.5), LEVEL_HZ))
    return made.impedance_ohm("box", Z_HZ), 20 * np.log10(1.4 * heard / 20e-6)


def read(serial: str) -> list[Curve]:
    ohm, level = curves(serial)

    def curve(quantity: str, hertz: np.ndarray, value: np.ndarray, unit: str, u: float) -> Curve:
        return Curve(quantity, "box", hertz, value, unit, np.ones(hertz.size, bool), np.full(hertz.size, u))

    return [
        curve("impedance", Z_HZ, np.abs(ohm), "ohm", 0.005),
        curve("phase", Z_HZ, np.degrees(np.angle(ohm)), "degrees", 0.05),
        curve("free-field level", LEVEL_HZ, level, "dB SPL", 0.03),
    ]


def test_masks_of_three_builds_hold_good_units_whose_cone_breaks_up_elsewhere(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No tolerance of the kit moves a resonance of surround or cone; in each unit it lies elsewhere."""
    rooms = population.surroundings
    monkeypatch.setattr(population, "surroundings", lambda *of: replace(rooms(*of), reflects=0.0))
    kit = write_kit(DESIGN, tmp_path)
    builds = {serial: read(serial) for serial in ("ST-9000", "ST-9001", "ST-9002")}
    taught = kit.with_learnt(learn_design(kit, builds, dict.fromkeys(builds, "a run"), ""))
    spreads, masks = spreads_of_units(taught, 2000, 1), []
    for kind, unit_name, at in ((IMPEDANCE, "ohm", 0), (LEVEL, "dB SPL", 2)):
        key, own = (*kind, "box"), {serial: found[at].value for serial, found in builds.items()}
        masks.append(learn(key, unit_name, UNITS[unit_name], own, spreads[key], rejects=0.005, confidence=0.95))
    masks = share_rejects(masks, 0.005)
    outside = 0
    for n in range(60):
        ohm, level = curves(f"ST-{n:04d}")
        for mask, value in zip(masks, (np.abs(ohm), level), strict=True):
            outside += bool(np.any((value < mask.lower) | (value > mask.upper)))
    assert outside == 0
    # Where the cone breaks up units lie several times as far apart as beside it.
    level_sigma = spreads[(*LEVEL, "box")].sigma
    hertz = spreads[(*LEVEL, "box")].frequency_hz
    of_bands = ((8e3, 1e4), (3e3, 5e3))
    breaking, beside = (np.median(level_sigma[(hertz > low) & (hertz < high)]) for low, high in of_bands)
    assert breaking > 1.2 * beside
