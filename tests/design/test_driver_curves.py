"""A driver's own curves from files: the model then has them, in its box and behind its network."""

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from rig.circuit.box import Box, driver_impedance
from rig.circuit.channel import Branch, Channel, impedance_ohm
from rig.circuit.driver import Driver
from rig.circuit.radiation import driver_pressure_pa
from rig.design.kit import Kit, load_kit
from rig.files.errors import TableError
from rig.simulated.physics import pressure_pa
from rig.simulated.unit import lead_impedance_ohm, nominal_unit

ROOT = Path(__file__).parents[2]
HZ = np.geomspace(10.0, 20000.0, 300)
#: Not as the sheet of booth-two's woofer has it, and with a resonance of its cone that no lumped model knows.
REAL = Driver("woofer", 5.5, 53.0, 3.5, 0.47, 9.5e-3, 86e-4, 0.5e-3, 0.7, rolloff_hz=6500.0)
BUMP = 1 + 0.3 * 1j * (HZ / 4000) / (1 - (HZ / 4000) ** 2 + 0.3j * HZ / 4000)
FREE_AIR = driver_impedance(REAL, Box(), HZ) * BUMP
ON_BAFFLE = driver_pressure_pa(Channel("c", (Branch(REAL),)), HZ, 2.83, (0.0, 0.0, 1.0))[0] * BUMP


def kit_with(folder: Path, impedance: np.ndarray | None, level: np.ndarray | None, columns: int = 3) -> Kit:
    """Booth-two, with files of these curves for its woofers, and nothing from their sheet that a file tells."""
    shutil.copytree(ROOT / "limits" / "booth-two", folder / "limits" / "booth-two")
    own = folder / "limits" / "booth-two"
    text, lines = (own / "kit.toml").read_text(encoding="utf-8"), []
    if impedance is not None:
        write(own / "z.txt", np.abs(impedance), np.degrees(np.angle(impedance)), columns)
        lines.append('impedance_curve = { file = "z.txt" }')
        for key in ("re_ohm = 5.6", "le_mh = 0.55", "le_exponent = 0.72", "fs_hz = 47.0", "qms = 4.2", "qes = 0.40"):
            text = text.replace(key + "\n", "", 1)
    if level is not None:
        write(own / "level.csv", 20 * np.log10(np.abs(level) / 20e-6), np.degrees(np.angle(level)), columns)
        lines.append('level_curve = { file = "level.csv" }')
        text = text.replace("vas_l = 11.0\n", "vas_l = 9.5\n", 1)
    text = text.replace("band_hz = [60.0, 1300.0]\n", "band_hz = [60.0, 1300.0]\n" + "\n".join(lines) + "\n", 1)
    (own / "kit.toml").write_text(text, encoding="utf-8")
    return load_kit(folder, "booth-two")


def write(path: Path, magnitude: np.ndarray, degrees: np.ndarray, columns: int) -> None:
    table = np.column_stack([HZ, magnitude, degrees])[:, :columns]
    path.write_text("\n".join(";".join(f"{cell:.6g}" for cell in row) for row in table), encoding="utf-8")


def woofer(kit: Kit) -> Driver:
    return kit.channel("left").model().branches[0].driver


@pytest.mark.parametrize("columns", [3, 2], ids=["with phase", "without"])
def test_an_impedance_in_free_air_is_the_driver_s_own(tmp_path: Path, columns: int) -> None:
    kit = kit_with(tmp_path, FREE_AIR, None, columns)
    found = driver_impedance(woofer(kit), Box(), HZ)
    # Without a phase it follows from the magnitude, which is less well known at the ends.
    np.testing.assert_allclose(np.abs(found), np.abs(FREE_AIR), rtol=0.01)
    inside = (HZ > 30) & (HZ < 8000)
    assert np.max(np.abs(np.angle(found / FREE_AIR))[inside]) < np.radians(1.0 if columns == 3 else 6.0)
    assert woofer(kit).fs_hz == pytest.approx(53.0, rel=0.03)
    assert kit.channel("left").drivers[0].is_described
    # Boxes built alike stay so.
    assert len(kit.equal_channels()) == 1


def test_a_level_on_a_large_baffle_is_heard_in_the_box_with_its_step(tmp_path: Path) -> None:
    kit = kit_with(tmp_path, FREE_AIR, ON_BAFFLE)
    driver = woofer(kit)
    alone = replace(driver, position_m=(0.0, 0.0), offset_m=0.0)
    found = driver_pressure_pa(Channel("c", (Branch(alone),)), HZ, 2.83, (0.0, 0.0, 1.0))[0]
    inside = (HZ > 20) & (HZ < 10000)
    np.testing.assert_allclose(np.abs(found)[inside], np.abs(ON_BAFFLE)[inside], rtol=0.02)
    assert np.max(np.abs(np.angle(found / ON_BAFFLE))[inside]) < np.radians(5)


def test_a_simulated_unit_has_the_drivers_curves_too(tmp_path: Path) -> None:
    kit = kit_with(tmp_path, FREE_AIR, ON_BAFFLE)
    unit, hz = nominal_unit(kit), np.geomspace(20, 15000, 60)
    found = lead_impedance_ohm(unit, "left", hz)
    np.testing.assert_allclose(found, impedance_ohm(kit.model("left"), hz), rtol=2e-3)
    level = pressure_pa(unit.box("left"), (0.0, 0.0, 0.5), hz, 343.0)
    expected = driver_pressure_pa(kit.model("left"), hz, 1.0, (0.0, 0.0, 0.5)).sum(axis=0)
    assert np.max(np.abs(20 * np.log10(np.abs(level / expected)))) < 0.3


def test_a_delay_in_a_file_is_the_microphone_s_and_taken_out(tmp_path: Path) -> None:
    late = ON_BAFFLE * np.exp(-2j * np.pi * HZ * 0.0004)
    one, other = kit_with(tmp_path / "one", None, ON_BAFFLE), kit_with(tmp_path / "other", None, late)
    phases = [np.angle(woofer(kit).pressure_factor.at(HZ)) for kit in (one, other)]
    inside = (HZ > 60) & (HZ < 1300)
    assert np.max(np.abs(phases[0] - phases[1])[inside]) < np.radians(4)


def test_a_level_alone_tells_how_loud_a_driver_is(tmp_path: Path) -> None:
    kit = kit_with(tmp_path, FREE_AIR, ON_BAFFLE)
    spec = kit.channel("left").drivers[0].model_copy(update={"vas_l": None})
    level = spec._curves.passband_db(53.0, (60.0, 1300.0))
    assert spec.priors()["vas_m3"].value == pytest.approx(9.5e-3, rel=0.3)
    assert 84 < level < 90


@pytest.mark.parametrize(
    ("impedance", "words"),
    [
        (np.full(HZ.size, 8.0 + 0j), "z.txt: found an impedance that no driver has in free air"),
        (np.full(HZ.size, -8.0 + 0j) * 0, "z.txt: line 1: found 0 ohm; allowed: 0.001 to 1e+06 ohm"),
    ],
)
def test_what_no_driver_shows_is_refused(tmp_path: Path, impedance: np.ndarray, words: str) -> None:
    with pytest.raises(TableError) as refused:
        kit_with(tmp_path, impedance, None)
    assert words in str(refused.value)


@pytest.mark.parametrize("name", ["../z.txt", "/z.txt", "", "a\\u0000b", "a\\\\b"])
@pytest.mark.parametrize("key", ["impedance_curve", "level_curve"])
def test_a_file_that_does_not_stand_beside_the_kit_is_refused(tmp_path: Path, key: str, name: str) -> None:
    shutil.copytree(ROOT / "limits" / "booth-two", tmp_path / "limits" / "booth-two")
    path = tmp_path / "limits" / "booth-two" / "kit.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("sd_cm2 = 86.0", f'sd_cm2 = 86.0\n{key} = {{ file = "{name}" }}', 1), encoding="utf-8")
    with pytest.raises(TableError, match=rf"{key}.file: .*allowed: the name of a file beside kit.toml"):
        load_kit(tmp_path, "booth-two")


@pytest.mark.parametrize(
    ("key", "content", "told"),
    [
        ("impedance_curve", "20 6\n21 7\n", "found 2 lines with numbers; allowed: 6 or more"),
        ("level_curve", "20 80\n21 99999\n", "line 2: found 99999 dB; allowed: -400 to 400 dB"),
        ("impedance_curve", "20 6\n21 1e300\n", "line 2: found 1e[+]300 ohm; allowed: 0.001 to 1e[+]06 ohm"),
    ],
)
def test_what_is_no_curve_of_a_driver_is_refused(tmp_path: Path, key: str, content: str, told: str) -> None:
    shutil.copytree(ROOT / "limits" / "booth-two", tmp_path / "limits" / "booth-two")
    own = tmp_path / "limits" / "booth-two"
    text = (own / "kit.toml").read_text(encoding="utf-8")
    (own / "x.txt").write_text(content, encoding="utf-8")
    line = f'sd_cm2 = 86.0\n{key} = {{ file = "x.txt" }}'
    (own / "kit.toml").write_text(text.replace("sd_cm2 = 86.0", line, 1), encoding="utf-8")
    with pytest.raises(TableError, match=told):
        load_kit(tmp_path, "booth-two")
