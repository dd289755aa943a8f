"""Near fields of strangers: baffles with edges, pipes with a length, drivers off their sheets; the truth is theirs."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from captures import BENCH, captured, playing

from checks import near_field
from rig.design.kit import Kit, load_kit
from rig.values.captures import Capture
from rig.values.readings import Curve
from strangers import population
from strangers.air import Baffle, transfer
from strangers.designs import DESIGNS, Design
from strangers.kits import kit_toml
from strangers.population import Unit, unit

SETTINGS = near_field.Settings(join_within_db=6.0)
#: By the baffle's edges alone, for which the rig has a rule of thumb. Below the tuning cone and port cancel, and the
#: uncertainty says so.
WITHIN_DB = 2.8


def kit_of(design: Design, folder: Path) -> Kit:
    """The stranger's kit with places close by."""
    text = kit_toml(design)
    names = [design.drivers[0].name, *(["port"] if design.kind == "vented" else [])]
    places = "".join(
        f'[[positions]]\nname = "at the {name}"\nnear = "{name}"\ndistance_m = {0.0 if name == "port" else 0.005}\n'
        for name in names
    )
    text = text.replace("\n[stages]", f"\n{places}\n[stages]")
    if design.kind == "vented":
        area = np.pi * (design.port_radius_mm / 10) ** 2
        text = text.replace("leakage_q = 10.0 }", f"port_cm2 = {area:.2f}, port_up_mm = {design.port_up_mm} }}", 1)
    (folder / "limits" / design.name).mkdir(parents=True)
    (folder / "limits" / design.name / "kit.toml").write_text(text, encoding="utf-8")
    return load_kit(folder, design.name)


def captures_of(kit: Kit, stranger: Unit) -> Iterator[Capture]:
    for request in near_field.requests(kit, SETTINGS):
        place = kit.microphone_m("box", "box", kit.position(request.position))
        # The piston's own place is a singular one.
        place = (place[0], place[1], max(place[2], 1e-4))

        def path(f: np.ndarray, place: tuple[float, float, float] = place) -> np.ndarray:
            # Nothing is read above 2 kHz: the rest is faded out to save its working out.
            low = f < 6000.0
            fade = np.cos(0.5 * np.pi * np.clip(f[low] / 2000.0 - 2.0, 0.0, 1.0))
            found = np.zeros(f.size, np.complex128)
            found[low] = fade * stranger.pressure_pa("box", place, np.maximum(f[low], 1.0))
            return found

        yield captured(request, playing(request, path), BENCH, noise_v=1e-6)


def truth_db(curve: Curve, stranger: Unit, level_v: float) -> np.ndarray:
    """Level of all that sounds at half a metre in free air."""
    design, f = stranger.design, curve.frequency_hz
    baffle = Baffle(design.baffle_m[0] / 2, *design.baffle_m[1:])
    total = np.zeros(f.size, np.complex128)
    for place, velocity in zip(stranger.places, stranger._solved[1], strict=True):
        total += 2j * np.pi * f * stranger._on(velocity, f) * transfer(place, baffle, (0.0, 0.0, 0.5), None, 343.0, f)
    filtered = population._lowpass(stranger.lowpass_hz, f)
    return np.asarray(20 * np.log10(np.abs(total * filtered) * level_v / 20e-6))


@pytest.mark.parametrize("name", ["vented-two", "bass-box"])
def test_a_stranger_s_bass_is_told_from_close_by(name: str, tmp_path: Path) -> None:
    design = DESIGNS[name]
    kit = kit_of(design, tmp_path)
    stranger = replace(unit(design, 1, "ST-0001"), gain=1.0)
    read = near_field.read(list(captures_of(kit, stranger)), SETTINGS, kit)
    joined = next(c for c in read.curves if c.quantity == "joined level")
    off_db = joined.value - truth_db(joined, stranger, kit.levels.playing_v)
    low = (joined.frequency_hz >= 1.1 * design.tuning_hz) & (joined.frequency_hz <= 150.0)
    assert joined.valid[low].all()
    assert np.max(np.abs(off_db[low])) < WITHIN_DB
    # What the reading itself says of that holds, expanded, as far down as it is read.
    known = joined.valid & (joined.frequency_hz < 400.0)
    assert np.mean((np.abs(off_db) < 2 * joined.parts["method"])[known]) > 0.95
    for step in read.readings:
        assert -3.6 < step.value < 0.5
