"""What long loud playing has done: drivers that die, told from the changes alone, by curves of the model."""

from dataclasses import replace

import numpy as np
import pytest
from simulated_runs import ROOT

from rig.circuit.channel import Channel, impedance_ohm, with_driver, with_part
from rig.circuit.radiation import pressure_pa
from rig.design.kit import Kit, load_kit
from rig.findings.prediction import scene_of
from rig.findings.search import findings
from rig.signals.levels import db
from rig.signals.smoothing import log_frequency_grid
from rig.values.findings import Finding
from rig.values.readings import CheckReadings, Course, Curve, Floats, Reading
from rig.values.verdicts import CheckResult, Verdict

NAN = float("nan")
BANDS_HZ = np.array([63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0])
GRID_HZ = log_frequency_grid(20.0, 20000.0, 12)
KITS = {name: load_kit(ROOT, name) for name in ("booth-two", "rehearsal-three")}
DRIVERS = [("booth-two", "left", "woofer"), ("booth-two", "right", "tweeter"), ("rehearsal-three", "left", "cone")]
DRIVERS += [("rehearsal-three", "bass", "bass")]


def failed(quantity: str, subject: str) -> Verdict:
    return Verdict(quantity, subject, "fail", NAN, "", NAN, NAN, "", "")


def level_db(kit: Kit, before: Channel, after: Channel, hertz: Floats) -> Floats:
    """Change of the level; what is left of a dead driver lies under noise."""
    here = scene_of(kit, before.name).microphone_m
    was, now = (np.abs(pressure_pa(channel, hertz, 1.0, here)).reshape(-1) for channel in (before, after))
    return db(np.hypot(now, was * 10 ** (-50 / 20)) / was)


def of_heat(kit: Kit, after: Channel, share: float = 1.0, coil_k: float = 15.0) -> CheckResult:
    """The heat check's result of a channel; the fault was there for a share of the last minute."""
    lost_db = -share * level_db(kit, kit.model(after.name), after, BANDS_HZ)
    valid, u_db = np.ones(BANDS_HZ.size, np.bool_), np.full(BANDS_HZ.size, 0.1)
    lost = Curve("power compression by band", after.name, BANDS_HZ, lost_db, "dB", valid, u_db)
    course = Course("rise", f"coil {after.name}", np.arange(3.0), np.array([0.0, 15.0, coil_k]), "K")
    readings = (Reading("guard", "", 1.0, ""), Reading("power compression", after.name, float(lost_db.max()), "dB"))
    read = CheckReadings(readings, (lost,), courses=(course,))
    return CheckResult("heat", "Heat", "fail", "", read, (failed("guard", ""), failed("power compression", after.name)))


def of_rest(kit: Kit, after: Channel, noise: Floats | float = 0.0) -> CheckResult:
    """The lasting change's result of a channel."""
    before = kit.model(after.name)
    ratio = np.abs(impedance_ohm(after, GRID_HZ) / impedance_ohm(before, GRID_HZ)).reshape(-1)
    valid, u = np.ones(GRID_HZ.size, np.bool_), np.full(GRID_HZ.size, 0.1)
    load = Curve("impedance change", after.name, GRID_HZ, 100 * (ratio - 1), "%", valid, u)
    level = Curve("level change", after.name, GRID_HZ, level_db(kit, before, after, GRID_HZ) + noise, "dB", valid, u)
    read = CheckReadings(curves=(load, level))
    return CheckResult("lasting_change", "Change", "fail", "", read, (failed("level change", after.name),))


def without_soak(kit: Kit, channel: str) -> CheckResult:
    """The impedance of a good unit, from before."""
    ohm = impedance_ohm(kit.model(channel), GRID_HZ).reshape(-1)
    valid, u = np.ones(GRID_HZ.size, np.bool_), np.full(GRID_HZ.size, 1e-3)
    magnitude = Curve("impedance", channel, GRID_HZ, np.abs(ohm), "ohm", valid, u)
    phase = Curve("phase", channel, GRID_HZ, np.degrees(np.angle(ohm)), "degrees", valid, u)
    verdict = replace(failed("impedance", channel), outcome="pass")
    return CheckResult("impedance", "Impedance", "pass", "", CheckReadings(curves=(magnitude, phase)), (verdict,))


def is_the_death_of(found: tuple[Finding, ...], channel: str, driver: str) -> bool:
    first = found[0]
    return (first.kind, first.channel, first.what) == ("dead", channel, (driver,)) and not first.also_possible


@pytest.mark.parametrize("share", [0.15, 1.0], ids=["at the end", "long before"])
@pytest.mark.parametrize(("name", "channel", "driver"), DRIVERS, ids=[row[2] for row in DRIVERS])
def test_a_driver_that_dies_while_it_plays_is_named(name: str, channel: str, driver: str, share: float) -> None:
    kit = KITS[name]
    after = with_driver(kit.model(channel), driver, state="open")
    coil_k = 15.0 if driver == "tweeter" else 7500.0
    found = findings(kit, [without_soak(kit, channel), of_heat(kit, after, share, coil_k)])
    assert is_the_death_of(found, channel, driver)
    assert found[0].words.startswith(f"{channel} {driver} died during the long loud playing")
    assert found[0].probability >= 0.5
    assert found[0].since_soak
    assert len(found[0].alike) <= 2
    assert {kind for one in found for kind, _ in ((one.kind, ()), *one.alike_causes)} <= {
        "dead",
        "open",
        "driver short",
    }


@pytest.mark.parametrize(("name", "channel", "driver"), DRIVERS, ids=[row[2] for row in DRIVERS])
def test_a_driver_that_is_dead_after_the_rest_is_named(name: str, channel: str, driver: str) -> None:
    kit = KITS[name]
    noise = 0.3 * np.random.default_rng(3).standard_normal(GRID_HZ.size)
    found = findings(kit, [of_rest(kit, with_driver(kit.model(channel), driver, state="open"), noise)])
    assert is_the_death_of(found, channel, driver)


def test_a_part_that_lets_go_is_told_by_the_impedance_after() -> None:
    kit = KITS["booth-two"]
    found = findings(kit, [of_rest(kit, with_part(kit.model("left"), "R3", state="open"))])
    assert (found[0].kind, found[0].what) == ("open", ("R3",))
    assert found[0].words == "since the long loud playing left R3 is open: missing, or a joint is cold"


def test_what_has_not_changed_is_not_blamed() -> None:
    kit = KITS["booth-two"]
    hot = replace(of_heat(kit, kit.model("left")), verdicts=(failed("guard", ""), failed("rise", "heat sink")))
    assert findings(kit, [without_soak(kit, "left"), hot]) == ()


def test_a_change_of_no_name_is_told_by_what_it_shows() -> None:
    kit = KITS["booth-two"]
    odd = of_rest(kit, kit.model("left"), np.where(np.abs(np.log2(GRID_HZ / 400)) < 0.7, -8.0, 0.0))
    (found,) = findings(kit, [odd])
    assert found.kind == "unknown"
    assert "its level at" in found.words
    assert "changed by -8.0 dB" in found.words
