"""The check of lasting change: a unit that is as before, one that is warm, one that has lost a driver."""

from collections.abc import Sequence

import numpy as np
import pytest
from captures import demo_kit

from checks import lasting_change
from rig.calibration.known_load import calibrate_known_load
from rig.run.opening import SIMULATED_LOAD_OHM
from rig.run.schedule import _one_group
from rig.simulated.bench import SimulatedBench
from rig.values.captures import Capture, Untrusted
from rig.values.readings import CheckReadings, Curve
from rig.values.requests import Sweep

KIT = demo_kit("booth-two")
SETTINGS = lasting_change.Settings()
REQUESTS = lasting_change.requests(KIT, SETTINGS)
SWEEPS = [request for request in REQUESTS if isinstance(request, Sweep)]


def played(requests: Sequence[Sweep], bench: SimulatedBench) -> list[Capture]:
    bench.known_load = calibrate_known_load(bench.known_load_capture(SIMULATED_LOAD_OHM), SIMULATED_LOAD_OHM, "")
    captures = []
    for request in requests:
        with bench.stage(request.stage) as player:
            captures += player.play([request])
    return captures


def read(captures: list[Capture]) -> CheckReadings:
    return lasting_change.read(captures, SETTINGS, KIT)


def curve(found: CheckReadings, quantity: str, subject: str) -> Curve:
    (one,) = [c for c in found.curves if (c.quantity, c.subject) == (quantity, subject)]
    return one


@pytest.fixture(scope="module")
def before() -> list[Capture]:
    return played(SWEEPS, SimulatedBench(KIT, "BT-0001"))


def test_it_asks_in_the_order_of_a_soak() -> None:
    group = _one_group(KIT, [r for r in REQUESTS if r.stage == "soak"])
    assert [r.moment for r in group.requests] == ["before"] * 2 + ["hot"] * 2 + ["rest"] + ["cooled"] * 2


def test_a_unit_that_is_as_before_has_not_changed(before: list[Capture]) -> None:
    found = read(before)
    for channel in ("left", "right"):
        level = curve(found, "level change", channel)
        inside = level.valid & (level.frequency_hz > 60)
        assert inside.sum() > 80
        assert np.max(np.abs(level.value[inside])) < 0.5
        ohm = curve(found, "impedance change", channel)
        assert np.max(np.abs(ohm.value[ohm.valid])) < 2
    changes = {r.quantity: r.value for r in found.readings if r.subject == "left woofer"}
    assert changes.keys() == {"fs change", "Re change"}
    assert all(abs(value) < 1 for value in changes.values())


def test_the_stated_uncertainty_of_a_level_s_change_covers_it(before: list[Capture]) -> None:
    level = curve(read(before), "level change", "left")
    assert level.uncertainty is not None
    good = level.valid & (level.frequency_hz > 60)
    assert np.mean(np.abs(level.value[good]) <= 2 * level.uncertainty[good]) > 0.9


def test_a_driver_that_burnt_out_is_seen(before: list[Capture]) -> None:
    bench = SimulatedBench(KIT, "BT-0001")
    bench.heated().open("left", "tweeter")
    late = [request for request in SWEEPS if request.moment == "cooled" or request.stage == "after"]
    changed = dict(zip(late, played(late, bench), strict=True))
    found = read([changed.get(capture.request, capture) for capture in before])
    level = curve(found, "level change", "left")
    treble = (level.frequency_hz > 5000) & (level.frequency_hz < 12000)
    assert np.median(level.value[treble]) < -10
    assert np.max(np.abs(curve(found, "level change", "right").value[treble])) < 1
    ohm = curve(found, "impedance change", "left")
    assert np.max(ohm.value[ohm.frequency_hz > 3000]) > 50


def test_a_warm_coil_is_told_by_its_resistance(before: list[Capture]) -> None:
    """The box as warm as long playing leaves it: copper gives 0.39 % a kelvin."""
    bench = SimulatedBench(KIT, "BT-0001")
    unit = bench.heated()
    unit.celsius[unit.thermal.coil_nodes] += 25.0
    late = [request for request in SWEEPS if request.stage == "after"]
    changed = dict(zip(late, played(late, bench), strict=True))
    found = read([changed.get(capture.request, capture) for capture in before])
    (change,) = [r for r in found.readings if (r.quantity, r.subject) == ("Re change", "left woofer")]
    rise_k = unit.at("coil left") - unit.ambient_celsius()
    assert change.value == pytest.approx(0.39 * rise_k, abs=1.0)


def test_silence_at_the_microphone_is_void(before: list[Capture]) -> None:
    silent = played([r for r in SWEEPS if r.moment == "cooled"], SimulatedBench(KIT, "BT-0001", ["dead-microphone"]))
    lost = {capture.request: capture for capture in silent}
    with pytest.raises(Untrusted):
        read([lost.get(capture.request, capture) for capture in before])
