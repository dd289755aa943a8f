"""`design.toml`: read back as it was written, counted with the kit, refused where the kit has changed since."""

import shutil
from pathlib import Path

import pytest
from circuit.test_population_fit import AXIS, SHEET, Z_HZ, units
from simulated_runs import ROOT

from rig.circuit.population_fit import learn_population
from rig.design.kit import kit_sha256, load_kit
from rig.design.learnt_design import FILE, LearntDesign, design_toml, learnt_channel, read_design
from rig.files.errors import TableError
from rig.simulated.unit import nominal_unit
from rig.study.design_view import design_views


@pytest.fixture(scope="module")
def written() -> LearntDesign:
    learnt = learn_population(SHEET, Z_HZ, [AXIS], units(SHEET, 3, 2))
    channel = learnt_channel(["left", "right"], SHEET, learnt, ["on axis"])
    return LearntDesign(made_at="2026-01-01T12:00:00+00:00", builds={"BT-0001": "a"}, channels=[channel])


@pytest.fixture
def workspace(tmp_path: Path) -> Path:
    shutil.copytree(ROOT / "limits" / "booth-two", tmp_path / "limits" / "booth-two")
    return tmp_path


def test_it_reads_back_as_it_was_written(written: LearntDesign, tmp_path: Path) -> None:
    back = read_design(tmp_path / FILE, design_toml(written).encode())
    assert design_toml(back) == design_toml(written)
    assert [value.what for value in back.channels[0].made_of[:4]] == ["mms_kg", "cms_m_n", "rms_n_s_m", "bl_t_m"]
    woofer = {value.what: value for value in back.channels[0].values if value.of == "woofer"}
    assert woofer["fs_hz"].kit == 47.0
    assert woofer["fs_hz"].value == pytest.approx(47.0 * (1 + woofer["fs_hz"].off_percent / 100), rel=1e-4)


def test_the_kit_takes_it_up_and_simulated_units_do_not(written: LearntDesign, workspace: Path) -> None:
    before = load_kit(workspace, "booth-two")
    (workspace / "limits" / "booth-two" / FILE).write_text(design_toml(written), encoding="utf-8")
    kit = load_kit(workspace, "booth-two")
    assert kit_sha256(kit) != kit_sha256(before)
    for name in ("left", "right"):
        assert kit.model(name).population is not None
        assert kit.model(name).drivers[0].pressure_factor is not None
        assert kit.model(name, "30 degrees").drivers[0].pressure_factor is None
    assert nominal_unit(kit) == nominal_unit(before)
    # What is drawn of a kit's design is what builds taught.
    (drawn,), (sheet,) = design_views(kit), design_views(before)
    assert drawn.drivers[0].fs_hz == kit.model("left").drivers[0].fs_hz != sheet.drivers[0].fs_hz
    assert load_kit(workspace, "booth-two", with_learnt=False).model("left") == before.model("left")


def test_what_a_part_stands_is_no_other_network(written: LearntDesign, workspace: Path) -> None:
    folder = workspace / "limits" / "booth-two"
    (folder / FILE).write_text(design_toml(written), encoding="utf-8")
    text = (folder / "kit.toml").read_text(encoding="utf-8")
    rated = text.replace("shunt C1 6.8 uF", "shunt C1 6.8 uF 100 V", 1)
    assert rated != text
    (folder / "kit.toml").write_text(rated, encoding="utf-8")
    assert load_kit(workspace, "booth-two").learnt is not None


@pytest.mark.parametrize(("was", "now"), [("fs_hz = 47.0", "fs_hz = 48.0"), ("shunt C1", "series C1")])
def test_what_was_learnt_of_another_kit_is_refused(written: LearntDesign, workspace: Path, was: str, now: str) -> None:
    folder = workspace / "limits" / "booth-two"
    (folder / FILE).write_text(design_toml(written), encoding="utf-8")
    text = (folder / "kit.toml").read_text(encoding="utf-8")
    assert was in text
    (folder / "kit.toml").write_text(text.replace(was, now, 1), encoding="utf-8")
    with pytest.raises(TableError, match=r"design\.toml: left: was learnt where kit\.toml had .*kitproof learn"):
        load_kit(workspace, "booth-two")
    load_kit(workspace, "booth-two", with_learnt=False)


def test_a_damaged_file_is_told_by_key(workspace: Path) -> None:
    (workspace / "limits" / "booth-two" / FILE).write_text('made_at = "now"\nbuilds = {}\nchannels = 3\n')
    with pytest.raises(TableError, match=r"design\.toml: channels: found 3"):
        load_kit(workspace, "booth-two")
