"""Calibrations through a real sound server, each against a known truth: loop, output, input, sense, microphone."""

import contextlib
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import unit_client
from unit_client import LoadSettings, UnitSettings, running_unit

from checks import impedance
from rig.bench.settings import BenchSettings
from rig.bench.soundcard import SoundCardBench
from rig.calibration import guided as calibrating
from rig.calibration import known_load as calibration
from rig.calibration.calibrated import Held, calibrated
from rig.calibration.desk import Desk, Guide, sound_capture
from rig.calibration.guided import (
    calibrate_input,
    calibrate_loopback,
    calibrate_microphone,
    calibrate_output,
    calibrate_sense,
    leads_sweep,
)
from rig.calibration.known_load import resistor
from rig.calibration.volts import MeterReading
from rig.files.errors import BenchError

pytestmark = pytest.mark.sound_path

NO_KIT = SimpleNamespace(channels=())
QUIET_UNIT = UnitSettings(name="calibrated")


def settings(name="calibrated", **playing):
    return BenchSettings(
        kind="soundcard",
        name="test bench",
        device={"host_api": unit_client.HOST_API, "name": name, "inputs": 4, "outputs": 4},
        leads={
            "inputs": {"drive": 3, "sense": 4},
            "outputs": {"*": 4},
            "input_volts": {"drive": 1.0, "sense": 1.0},
            "output_volts": 1.0,
            "sense_ohm": 10.0,
        },
        playing={
            "inputs": {"microphone": 1, "loopback": 2},
            "outputs": {"left": 1, "right": 2},
            "loopback_output": 3,
            "input_volts": {"microphone": 1.0, "loopback": 1.0},
            "output_volts": 1.0,
            **playing,
        },
    )


class Person:
    """Does what is asked, and changes what hangs at the bench when told to."""

    def __init__(self, change=lambda words: None):
        self.told, self.change = [], change

    def confirm(self, words):
        self.told.append(words)
        self.change(words)
        return True

    def guide(self):
        return Guide(lambda words: "", self.told.append, self.confirm)


def desk(person=None, ones=(), **changes):
    plain = settings(**changes)
    held = Held(tuple(ones), {}, datetime.now().astimezone())
    ready = plain.calibrated_by(lambda stage, values: calibrated(plain, stage, values, held))
    return Desk(ready, SoundCardBench(ready, NO_KIT), (person or Person()).guide())


def meter(readings):
    """A meter that shows these volts, one after the other."""
    return lambda guide: MeterReading(readings.pop(0), 1e-5)


def test_the_loopback_is_the_cable_s(server_name):
    with running_unit(QUIET_UNIT):
        made = calibrate_loopback(desk(), "playing", 0.3, 2)
    assert made.value == pytest.approx(0.0, abs=0.001)
    response = made.details.response
    assert np.max(np.abs(response.gain_db)) < 0.01
    # One period of the server, the same in each opening.
    assert made.details.latency_samples == pytest.approx([unit_client.PERIOD_FRAMES] * 2, abs=0.01)
    assert made.details.noise_v == pytest.approx(QUIET_UNIT.noise, rel=0.1)
    assert made.details.distortion_at_1_khz < 3e-5


def test_output_by_a_meter_then_an_input_of_it(server_name):
    """Of an output that gives 3 % more than bench.toml says; the loopback gets what the output gives."""
    with running_unit(QUIET_UNIT):
        output = calibrate_output(desk(), "playing", meter([0.05 * 1.03, 0.5 / np.sqrt(2) * 1.03]))
        assert output.value == pytest.approx(1.03, rel=1e-4)
        made = calibrate_input(desk(ones=[output]), "loopback", None)
    # The cable has no loss: a sample of 1.0 at the input is as many volts as at the output.
    assert made.value == pytest.approx(1.03, rel=1e-4)
    assert made.uncertainty == pytest.approx(np.hypot(output.uncertainty, 0.005 / np.sqrt(3)), rel=0.01)


@pytest.mark.thorough
def test_the_tone_that_a_person_reads_ends_with_the_reading(server_name):
    with running_unit(QUIET_UNIT):
        bench = desk()
        calibrate_output(bench, "playing", meter([0.05, 0.5 / np.sqrt(2)]))
        with bench.bench.stage("playing") as player:
            (capture,) = player.play(
                [replace(leads_sweep(bench, 0.0, 0.5), stage="playing", channel="left", at="left")]
            )
    assert np.std(capture.volts("loopback")) < 2 * QUIET_UNIT.noise


def load(ohm):
    """What hangs at the clips, behind leads of 0.15 ohm, and a sense resistor that is 1 % off its nominal value."""
    return LoadSettings(re_ohm=0.15 + ohm, le_h=0.0, resonance_ohm=0.0, sense_ohm=10.1)


@pytest.mark.thorough
def test_open_short_and_two_resistors_take_leads_and_sense_resistor_out(server_name, monkeypatch):
    monkeypatch.setattr(calibration, "SWEEP_S", 2.0)
    with contextlib.ExitStack() as stack:
        running = stack.enter_context(contextlib.ExitStack())

        def change(words):
            """Another load is clipped on: the unit is started anew with it."""
            ohms = {"open": 1e6, "each other": 0.0, "8.2 ohm": 8.2, "47 ohm": 47.0, "check": 5.0}
            running.close()
            (ohm,) = (ohm for name, ohm in ohms.items() if name in words)
            running.enter_context(running_unit(replace(QUIET_UNIT, load=load(ohm))))

        person = Person(change)
        made = calibrate_sense(desk(person), [resistor(8.2), resistor(47.0)], 0.1)
        person.confirm("check")
        bench = desk(person, [made])
        capture = sound_capture(bench.bench, bench.guide, leads_sweep(bench, 0.1, 1.0))
    found = impedance.load_impedance(capture, np.geomspace(20, 15000, 30))
    np.testing.assert_allclose(found.ohm, 5.0, rtol=0.002)
    # Without it, 0.15 ohm of 5 would be 3 %.
    bare = replace(capture.calibration.known_load, lead_ohm=None, stray_siemens=None)
    plain = replace(capture, calibration=replace(capture.calibration, known_load=bare))
    assert abs(np.median(np.abs(impedance.load_impedance(plain, np.array([1000.0])).ohm)) / 5 - 1) > 0.02


def running_calibrator(level, hz=1000.0):
    """A card whose microphone hears a calibrator, in a process of its own."""
    return unit_client.running_client(Path(__file__).parent / "calibrator_client.py", str(level), str(hz))


def test_a_calibrator_on_the_microphone(server_name, tmp_path, monkeypatch):
    monkeypatch.setattr(calibrating, "CALIBRATOR_S", 2.0)
    file = tmp_path / "microphone.txt"
    file.write_text("# Hz dB\n20 -1\n1000 0\n10000 2\n20000 5\n", encoding="utf-8")
    with running_calibrator(0.02):
        made = calibrate_microphone(desk(name="calibrator"), 94.0, 0.3, 2, file)
    # 20 mV at 94 dB, which is 1.0024 Pa.
    assert made.value == pytest.approx(20 / 1.00237, rel=1e-3)
    assert made.uncertainty == pytest.approx(0.3 / np.sqrt(3) * np.log(10) / 20, rel=0.02)
    assert made.details.mountings[0]["frequency_hz"] == pytest.approx(1000.0, abs=0.01)
    values = desk(ones=[made], name="calibrator").settings.calibration("playing")
    assert values.microphone_v_per_pa == pytest.approx(0.02 / 1.00237, rel=1e-3)
    np.testing.assert_array_equal(values.microphone_response.decibel, [-1, 0, 2, 5])


@pytest.mark.thorough
def test_another_tone_is_no_calibrator(server_name):
    with running_calibrator(0.02, 950.0), pytest.raises(BenchError, match=r"at 950\.0 Hz: not that of a calibrator"):
        calibrate_microphone(desk(name="calibrator"), 94.0, 0.3, 1, None)
