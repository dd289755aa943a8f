"""The check of heat on logs made by hand: what it reads, and when it reads nothing."""

import math
from collections.abc import Iterable
from dataclasses import replace

import numpy as np
import pytest
from captures import demo_kit
from soaks import PROGRAMME, nothing, rows

from checks import heat
from rig.design.limits import Limit
from rig.values.captures import Untrusted
from rig.values.logs import Log, Row
from rig.values.readings import CheckReadings, Reading
from rig.values.requests import Programme
from rig.verdict.guard import GuardWatch
from rig.verdict.judge import judge

KIT = demo_kit("booth-two")
SETTINGS = heat.Settings.model_validate(
    {"level_v": 3.0, "seconds": 7200.0, "guard": {"roles": [{"role": "heat sink", "upper": 75.0}]}}
)


def log_of(given: Iterable[Row], programme: Programme = PROGRAMME) -> Log:
    watch = GuardWatch(programme)
    for row in given:
        if watch.add(row)[1]:
            break
    return watch.log()


def reading(read: CheckReadings, quantity: str, subject: str = "") -> Reading:
    (found,) = [r for r in read.readings if (r.quantity, r.subject) == (quantity, subject)]
    return found


def read(log: Log) -> CheckReadings:
    return heat.read([log], SETTINGS, KIT)


@pytest.fixture(scope="module")
def good() -> Log:
    return log_of(rows())


@pytest.fixture(autouse=True)
def no_look_ahead(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Fits on the way take time; only an early end needs them."""
    if "early" not in request.node.name:
        monkeypatch.setattr("rig.verdict.guard.FIT_FROM_S", math.inf)


def test_rises_steady_state_and_coils_are_read(good: Log) -> None:
    """After 7130 s at level, 30 K and 900 s: 29.99 K."""
    found = read(good)
    assert reading(found, "rise", "heat sink").value == pytest.approx(30.0, abs=0.1)
    assert reading(found, "end temperature", "heat sink").value == pytest.approx(52.0, abs=0.1)
    steady = reading(found, "steady rise", "heat sink")
    assert steady.value == pytest.approx(30.0, abs=0.2)
    assert 0.5 < steady.uncertainty < 1.5
    # Of two constants that fit alike the slower may carry next to nothing.
    assert reading(found, "slowest time constant", "heat sink").value > 14
    assert reading(found, "guard").value == 0
    # Copper: 12 % are about 30 K.
    assert reading(found, "rise", "coil left").value == pytest.approx(0.1187 * 256.5, abs=0.5)
    assert reading(found, "ambient drift").value == 0


def test_sensors_that_were_held_together_give_rises_of_less_uncertainty(good: Log) -> None:
    matched = SETTINGS.model_copy(update={"sensors_within_k": 0.2})
    for quantity in ("rise", "steady rise"):
        one, other = (reading(heat.read([good], s, KIT), quantity, "heat sink") for s in (SETTINGS, matched))
        assert other.value == one.value
        # Two even distributions of 1 K and of 0.2 K; what the fit leaves open is the same.
        assert one.uncertainty**2 - other.uncertainty**2 == pytest.approx(2 / 3 * (1 - 0.2**2))
    one, other = (reading(heat.read([good], s, KIT), "rise", "coil left") for s in (SETTINGS, matched))
    assert other.uncertainty == one.uncertainty


def test_the_course_is_kept_with_its_fit(good: Log) -> None:
    (course,) = [c for c in read(good).courses if c.subject == "heat sink"]
    assert course.seconds.size == 1440
    assert course.fit is not None
    assert float(np.nanmax(np.abs(course.fit - course.value))) < 0.3


def test_compression_is_what_a_band_has_lost() -> None:
    lost = {"gain_db.left.125": -13.5}
    found = read(log_of(rows(change=lambda s: lost if s > 3600 else {})))
    left, right = found.curves
    assert (left.quantity, left.subject) == ("power compression by band", "left")
    assert list(left.frequency_hz) == [125, 1000]
    assert left.value == pytest.approx([1.5, 0.0], abs=1e-6)
    assert right.value == pytest.approx([0.0, 0.0], abs=1e-6)
    assert reading(found, "power compression", "left").value == pytest.approx(1.5)
    assert reading(found, "power compression", "right").value == pytest.approx(0.0, abs=1e-6)


def test_a_stop_for_the_unit_s_sake_fails_and_judges_nothing_else() -> None:
    found = read(log_of(rows(change=lambda s: {"celsius.heat sink": 80.0} if s > 1000 else {})))
    guard = reading(found, "guard")
    assert guard.value == 1
    assert "stopped after 1005 s: heat sink at 80 celsius" in guard.said
    assert reading(found, "rise", "heat sink").trouble
    verdicts = {v.quantity: v.outcome for v in judge(found, KIT.limits["heat"], KIT.folder, "heat")}
    assert verdicts["guard"] == "fail"
    assert "pass" not in {verdicts["rise"], verdicts["steady rise"]}


def test_a_stop_for_the_bench_s_sake_is_void() -> None:
    with pytest.raises(Untrusted, match="no reading of heat sink for 35 s"):
        read(log_of(rows(change=lambda s: {"celsius.heat sink": float("nan")} if s > 1000 else {})))


def test_a_log_that_ends_too_soon_is_void() -> None:
    with pytest.raises(Untrusted, match="the log ends after 3600 s of 7200 s"):
        read(log_of(rows(until_s=3600)))


def test_an_early_end_is_a_whole_measurement() -> None:
    programme = replace(PROGRAMME, early_end_after_s=600.0)
    watch = GuardWatch(programme, {"heat sink": (0.0, 45.0)})
    for row in rows(programme):
        if watch.add(row)[1]:
            break
    found = read(watch.log())
    assert watch.log().seconds[-1] < 3600
    assert reading(found, "guard").value == 0
    assert reading(found, "steady rise", "heat sink").value == pytest.approx(30.0, abs=1.5)


def test_an_early_end_of_what_will_be_too_hot_is_a_fail_though_nobody_knows_how_hot() -> None:
    programme = replace(PROGRAMME, early_end_after_s=600.0)
    watch = GuardWatch(programme, {"heat sink": (-math.inf, 12.0)})
    for row in rows(programme, rise_k=60.0, tau_s=3000.0):
        if watch.add(row)[1]:
            break
    assert watch.log().seconds[-1] == 600
    found = read(watch.log())
    assert reading(found, "rise", "heat sink").value < 12
    steady = reading(found, "steady rise", "heat sink")
    assert steady.value > 12
    assert math.isnan(steady.uncertainty)
    limits = {"steady rise heat sink": Limit(upper=12.0)}
    (verdict,) = judge(found, limits, KIT.folder, "heat")
    assert verdict.outcome == "fail"


def test_too_little_of_the_course_leaves_the_steady_state_open() -> None:
    programme = replace(PROGRAMME, seconds=200.0)
    settings = SETTINGS.model_copy(update={"seconds": 200.0})
    found = heat.read([log_of(rows(programme, change=nothing), programme)], settings, KIT)
    steady = reading(found, "steady rise", "heat sink")
    assert steady.trouble or steady.uncertainty > 1.5


def test_a_broken_coil_is_no_warm_one() -> None:
    found = read(log_of(rows(change=lambda s: {"coil_ohm.left": 200.0} if s > 3000 else {})))
    assert reading(found, "guard").value == 1
    assert "broken coil" in reading(found, "rise", "coil left").trouble
