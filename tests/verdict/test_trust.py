"""Doubts about a calibration on their way to a verdict, and uncertainties of levels."""

import sys
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from checks import ALL, hum_and_noise, impedance, ping
from rig.design.limits import Limit
from rig.design.trust import EVERY, KINDS
from rig.report.conditions import calibrations
from rig.values.captures import Capture, MicrophoneResponse, Untrusted
from rig.values.logs import Row
from rig.values.readings import CheckReadings, Reading
from rig.values.requests import Programme
from rig.verdict.check import ListedCheck, listed_checks
from rig.verdict.examine import examine
from rig.verdict.guard import GuardWatch
from rig.verdict.responses import acoustic_response, band_response, lead_volts

sys.path.append(str(Path(__file__).parents[1] / "checks"))
from captures import BENCH, captured, demo_kit, flat, one_driver_kit, playing

DB_PER_PART = 20 / np.log(10)
KIT = demo_kit()


def heard(loopback=True, gain=1.0, **calibration):
    request = one_driver_kit().sweep("playing", "only", position="on axis")
    paths = playing(request, flat(1.0), loopback=loopback)
    if loopback:
        paths["loopback"] = flat(gain)
    return captured(request, paths, replace(BENCH, **calibration), noise_v=1e-6)


def test_a_calibrated_loopback_sees_a_knob_that_was_touched():
    """0.5 dB pass where nothing is known of the loop, and not from what its calibration found."""
    gain = 10 ** (0.5 / 20)
    assert lead_volts(heard(gain=gain))[1]
    assert lead_volts(heard(gain=gain, loopback_db=0.4))[1]
    with pytest.raises(Untrusted, match=r"\+0\.5 dB off"):
        lead_volts(heard(gain=gain, loopback_db=0.0))
    with pytest.raises(Untrusted, match=r"-0\.6 dB off"):
        lead_volts(heard(gain=gain, loopback_db=1.1))


def test_a_doubt_makes_the_check_void_with_its_words():
    kit = demo_kit()
    listed = ListedCheck("ping", ping, ping.Settings())
    requests = listed.requests(kit)
    doubtful = replace(BENCH, doubts={"microphone": "too old: run kitproof calibrate microphone"})
    captures = {r: captured(r, playing(r, flat(1.0)), doubtful) for r in requests}
    result = examine(listed, requests, captures, dict.fromkeys(requests, ()), kit)
    assert (result.outcome, result.reason) == ("void", "too old: run kitproof calibrate microphone")
    fine = {r: replace(c, calibration=BENCH) for r, c in captures.items()}
    assert "too old" not in examine(listed, requests, fine, dict.fromkeys(requests, ()), kit).reason


def test_a_doubt_about_what_a_check_does_not_need_changes_nothing():
    kit = demo_kit()
    listed = ListedCheck("impedance", impedance, impedance.Settings())
    requests = listed.requests(kit)[:1]
    calibration = replace(BENCH, doubts={"microphone": "too old"})
    captures = {r: captured(r, {"drive": flat(1.0), "sense": flat(0.5)}, calibration) for r in requests}
    result = examine(listed, requests, captures, dict.fromkeys(requests, ()), kit)
    assert "too old" not in result.reason
    assert "never compared on a known load" in result.reason


class ReadsWell(ListedCheck):
    """A check that reads a good value out of whatever came back for its requests."""

    def read(self, captures, kit):
        return CheckReadings((Reading("value", "", 1.0, ""),))


def came_back(request, doubts):
    """A value of a calibration with these doubts: a capture, or the log of rows that no more than begins with them."""
    if not isinstance(request, Programme):
        return Capture(request, np.zeros((1, 100), np.float32), ("microphone",), 48000.0, replace(BENCH, doubts=doubts))
    watch = GuardWatch(request)
    for seconds, of_row in ((5.0, doubts), (10.0, {})):
        watch.add(Row(seconds, "2026-01-01T10:00:00+00:00", "cold", {}, doubts=of_row))
    return watch.log()


def outcome_with(listed, doubts, doubtful=None):
    """Outcome and reason where these doubts go with one request of a check, or with all of them."""
    requests = listed.requests(KIT)
    values = {r: came_back(r, doubts if doubtful in (None, r) else {}) for r in requests}
    kit = KIT.model_copy(update={"limits": {listed.name: {"value": Limit(upper=2.0)}}})
    result = examine(
        ReadsWell(listed.name, listed.check, listed.settings), requests, values, dict.fromkeys(requests, ()), kit
    )
    return result.outcome, result.reason


LISTED = [one for plan in KIT.plans for one in listed_checks(KIT, ALL, plan)]


def test_every_check_is_listed_by_a_demo_kit():
    other = demo_kit("rehearsal-three")
    listed = [*LISTED, *(one for plan in other.plans for one in listed_checks(other, ALL, plan))]
    assert {one.check.NAME for one in listed} == {check.NAME for check in ALL}


@pytest.mark.parametrize("listed", LISTED, ids=lambda listed: listed.name)
def test_each_doubt_reaches_the_checks_that_need_its_calibration_and_no_other(listed):
    """On whichever of its captures and logs it rests; all the rest of the check being well."""
    assert outcome_with(listed, {}) == ("pass", "")
    void = {kind for kind in KINDS if kind in (*listed.check.RESTS_ON.calibrations, *EVERY)}
    for one in listed.requests(KIT):
        found = {kind: outcome_with(listed, {kind: "make it anew"}, one) for kind in KINDS}
        assert found == {kind: ("void", "make it anew") if kind in void else ("pass", "") for kind in KINDS}


@pytest.mark.parametrize("kind", KINDS)
def test_a_workspace_s_own_check_needs_every_calibration(kind):
    for listed in LISTED:
        own = SimpleNamespace(NAME="our own", TITLE="", GATE=False, requests=listed.check.requests)
        assert outcome_with(ListedCheck("own", own, listed.settings), {kind: "anew"}) == ("void", "anew")


def test_ping_and_hum_carry_the_calibration_s_uncertainty():
    kit = demo_kit()
    known = replace(BENCH, microphone_uncertainty=0.05, input_uncertainty={"loopback": 0.0})
    requests = ping.requests(kit, ping.Settings())
    captures = [captured(r, playing(r, flat(1.0)), known, noise_v=1e-5) for r in requests]
    read = {(r.quantity, r.subject): r for r in ping.read(captures, ping.Settings(), kit).readings}
    assert read["ping level", "left"].uncertainty == pytest.approx(0.05 * DB_PER_PART, rel=0.02)
    # Of two levels with one microphone only the noise counts.
    assert read["louder than the other boxes", "left"].uncertainty < 0.02
    asked = hum_and_noise.requests(kit, hum_and_noise.Settings())
    captures = [captured(r, playing(r, flat(1.0)), known, noise_v=1e-5, seed=n) for n, r in enumerate(asked)]
    read = hum_and_noise.read(captures, hum_and_noise.Settings(), kit).readings
    # The scatter of the noise itself comes on top.
    assert min(reading.uncertainty for reading in read) == pytest.approx(0.05 * DB_PER_PART, rel=0.01)


def test_the_stated_noise_of_a_ping_is_the_scatter():
    kit = demo_kit()
    known = replace(BENCH, microphone_uncertainty=0.0, input_uncertainty={"loopback": 0.0})
    requests = ping.requests(kit, ping.Settings())
    levels, stated = [], []
    for seed in range(12):
        captures = [
            captured(
                r, playing(r, flat(0.5)), known, noise_v={"microphone": 1e-4, "loopback": 1e-6}, seed=10 * seed + n
            )
            for n, r in enumerate(requests)
        ]
        read = [r for r in ping.read(captures, ping.Settings(), kit).readings if r.quantity == "ping level"]
        levels.append([r.value for r in read])
        stated.append([r.uncertainty for r in read])
    assert np.sqrt(np.mean(np.var(levels, axis=0, ddof=1))) == pytest.approx(np.mean(stated), rel=0.5)


def test_the_microphone_s_own_response_is_taken_out_of_a_level():
    """A microphone that reads up to 5 dB too much in the treble: with its response known the curve is even."""
    response = MicrophoneResponse(
        np.array([20.0, 1000.0, 10000.0, 20000.0]), np.array([-1.0, 0.0, 3.0, 5.0]), None, "m.txt"
    )
    request = one_driver_kit().sweep("playing", "only", position="on axis")

    def colours(f):
        curve = np.interp(np.log(np.maximum(f, 20.0)), np.log(response.frequency_hz), response.decibel)
        return 10 ** (curve / 20) * np.exp(-2j * np.pi * f * 3e-3)

    coloured = captured(request, playing(request, colours), BENCH, noise_v=1e-6)
    even = replace(coloured, calibration=replace(BENCH, microphone_response=response))
    grid = np.geomspace(1000, 18000, 40)
    levels = []
    for capture in (coloured, even):
        found, _ = band_response(acoustic_response(capture), grid)
        levels.append(20 * np.log10(np.abs(found)))
    wanted = np.interp(np.log(grid), np.log(response.frequency_hz), response.decibel)
    np.testing.assert_allclose(levels[0], wanted, atol=0.15)
    np.testing.assert_allclose(levels[1], 0, atol=0.1)


def test_the_certificate_tells_what_was_calibrated_and_what_is_in_doubt():
    calibration = replace(
        BENCH,
        microphone_uncertainty=0.033,
        microphone_response=MicrophoneResponse(np.array([20.0, 2e4]), np.zeros(2), None, "m.txt"),
        made_at={"microphone": "2026-03-01T10:00:00+01:00"},
        doubts={"loopback": "is missing: run kitproof calibrate loopback"},
    )
    run = SimpleNamespace(captures=[(replace(heard(), calibration=calibration), ())])
    told = dict(calibrations(run))
    assert told["microphone"] == "12.5 mV/Pa, 3.3 % (k = 1)"
    assert told["response of the microphone"] == "taken out as in m.txt"
    assert "2026" in told["calibration microphone"]
    assert told["calibration loopback in doubt"].endswith("kitproof calibrate loopback")
