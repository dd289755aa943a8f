"""Findings on units of foreign physics, whose drivers no lumped model has: named once builds taught."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from findings.test_findings import GRID_HZ, named, result, verdict
from strangers.designs import DESIGNS
from strangers.faults import Fault, faulty
from strangers.kits import write_kit

from rig.circuit.channel import impedance_ohm
from rig.design.kit import Kit, load_kit
from rig.design.learnt_design import FILE, design_toml
from rig.findings.curves import good_band
from rig.findings.prediction import scene_of
from rig.findings.search import NAMES, findings
from rig.study.builds import learn_design
from rig.values.readings import CheckReadings, Curve
from rig.values.verdicts import CheckResult

DESIGN, SEED = DESIGNS["closed-two"], 4711


def electrical(serial: str, *faults: Fault) -> CheckResult:
    """The impedance check's result of a stranger, without noise."""
    ohm = faulty(DESIGN, SEED, serial, faults).impedance_ohm("box", GRID_HZ)
    valid, u = np.ones(GRID_HZ.size, np.bool_), np.full(GRID_HZ.size, 1e-3)
    magnitude = Curve("impedance", "box", GRID_HZ, np.abs(ohm), "ohm", valid, u)
    phase = Curve("phase", "box", GRID_HZ, np.degrees(np.angle(ohm)), "degrees", valid, u)
    return result(CheckReadings(curves=(magnitude, phase)), verdict("impedance", "box"))


@pytest.fixture(scope="module")
def kit(tmp_path_factory: pytest.TempPathFactory) -> Kit:
    """The kit with what three builds have taught of it."""
    workspace: Path = tmp_path_factory.mktemp("workspace")
    sheet = write_kit(DESIGN, workspace)
    builds = {serial: electrical(serial).read.curves for serial in ("ST-9001", "ST-9002", "ST-9003")}
    learnt = learn_design(sheet, builds, dict.fromkeys(builds, "a run"), "2026-01-01T12:00:00+00:00")
    (sheet.folder / FILE).write_text(design_toml(learnt), encoding="utf-8")
    return load_kit(workspace, DESIGN.name)


@pytest.mark.parametrize(
    ("fault", "cause"),
    [
        (Fault("value", ("C2",), 0.5), ("value", ("C2",))),
        (Fault("short", ("R1",)), ("short", ("R1",))),
        (Fault("leaking"), ("leak", ())),
    ],
    ids=str,
)
def test_a_strangers_fault_is_named_once_good_builds_have_taught(
    kit: Kit, fault: Fault, cause: tuple[str, tuple[str, ...]]
) -> None:
    found = findings(kit, [electrical("ST-0001", fault)])
    assert named(found)[0] == cause
    if fault.kind == "value":
        assert found[0].value == pytest.approx(0.5 * 5.6e-6, rel=0.1)


def test_what_no_entry_describes_is_still_unknown(kit: Kit) -> None:
    one = electrical("ST-0003")
    magnitude, phase = one.read.curves
    bump = (
        1 + 1.2 * np.exp(-0.5 * (np.log2(GRID_HZ / 900) / 0.25) ** 2) - 0.4 * np.exp(-((np.log2(GRID_HZ / 200)) ** 2))
    )
    odd = Curve("impedance", "box", GRID_HZ, magnitude.value * bump, "ohm", magnitude.valid, magnitude.uncertainty)
    found = findings(kit, [result(CheckReadings(curves=(odd, phase)), verdict("impedance", "box"))])
    assert found[0].kind == "unknown"


def test_good_units_lie_in_the_band_that_is_drawn_around_the_learnt_design(kit: Kit) -> None:
    design = np.abs(impedance_ohm(kit.model("box"), GRID_HZ)).reshape(-1)
    inside = []
    for n in range(5):
        measured = electrical(f"ST-000{n}").read.curves[0]
        band = good_band(scene_of(kit, "box"), replace(measured, design=design))
        assert band is not None
        inside.append(np.mean((measured.value > band[0]) & (measured.value < band[1])))
        assert np.max(band[1] / band[0]) < 1.7
    assert np.mean(inside) > 0.9


def test_whatever_differs_in_a_learnt_design_has_a_name(kit: Kit) -> None:
    assert {parameter.field for parameter in scene_of(kit, "box").spread} <= set(NAMES)
