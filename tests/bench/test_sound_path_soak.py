"""A short soak at true speed: a sound server, PortAudio, a unit that is another program, a thermometer on a socket."""

import multiprocessing
import os
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import output_recorder
import pytest
import unit_client
from scpi_instrument import ScpiInstrument
from test_soaking import PROGRAMME
from unit_client import LoadSettings, SpeakerSettings, UnitSettings, running_unit

from rig.bench.settings import BenchSettings
from rig.bench.soundcard import SoundCardBench
from rig.circuit.box import Box
from rig.circuit.channel import Branch, Channel
from rig.circuit.driver import Driver

pytestmark = pytest.mark.sound_path

#: The unit's coil has warmed: its model below says 6 ohm.
WARM_OHM = 6.6
LOAD = LoadSettings(re_ohm=WARM_OHM)
UNIT = UnitSettings(speakers=(SpeakerSettings(), SpeakerSettings(gain=0.15, distance_m=0.7)), load=LOAD)
#: Its electrical Q follows from the height of the resonance: Qes = Qms Re / Res.
DRIVER = Driver(
    "woofer", 6.0, LOAD.resonance_hz, LOAD.resonance_q, LOAD.resonance_q * 6 / LOAD.resonance_ohm, 0.02, 0.01, LOAD.le_h
)
KIT = SimpleNamespace(
    channels=[SimpleNamespace(name="left"), SimpleNamespace(name="right")],
    amplifier=SimpleNamespace(bridged=False),
    model=lambda name: Channel(name, (Branch(DRIVER),), Box("none")),
)
SOAK = replace(PROGRAMME, level_v=0.2, path_gain=1.0, seconds=12.0)


def bench(port, outputs=None):
    """Card's output 4 feeds the load, through the sense resistor; output 2 the second speaker."""
    values = [{"role": role, "unit": "celsius", "query": f"READ? {role}"} for role in ("ambient", "heat sink")]
    return SoundCardBench(
        BenchSettings(
            kind="soundcard",
            name="test bench",
            device={"host_api": unit_client.HOST_API, "name": "unit", "inputs": 4, "outputs": 4},
            soak={
                "inputs": {"microphone": 1, "loopback": 2, "drive": 3, "sense": 4},
                "outputs": outputs or {"left": 4, "right": 2},
                "loopback_output": 3,
                "input_volts": {"microphone": 1.0, "loopback": 1.0, "drive": 1.0, "sense": 1.0},
                "output_volts": 1.0,
                "sense_ohm": 10.0,
                "sense_channel": "left",
            },
            instruments=[{"name": "logger", "address": f"TCPIP::127.0.0.1::{port}::SOCKET", "values": values}],
        ),
        KIT,
        cold_s=2.0,
    )


@pytest.fixture(scope="module")
def unit(server_name):
    with running_unit(UNIT):
        yield server_name


@pytest.fixture
def thermometer():
    instrument = ScpiInstrument({"READ? ambient": "21.5", "READ? heat sink": "+4.25E+01"})
    yield instrument
    instrument.switch_off()


def octave_gain_db(speaker, mid_hz):
    """Gain of the unit's speaker for pink noise in an octave."""
    frequency_hz = np.arange(1, 24000)
    response = np.abs(np.fft.rfft(unit_client.Speaker(speaker, 48000.0)(np.eye(1, 48000)[0]))[1:24000]) ** 2
    inside = (frequency_hz >= mid_hz / 2**0.5) & (frequency_hz < mid_hz * 2**0.5)
    return 10 * np.log10(np.sum((response / frequency_hz)[inside]) / np.sum(1 / frequency_hz[inside]))


@pytest.fixture(scope="module")
def soaked(unit, tmp_path_factory):
    """Rows of a short soak, and the blocks of an independent recording of the card's outputs."""
    file = tmp_path_factory.mktemp("soak") / "outputs"
    instrument = ScpiInstrument({"READ? ambient": "21.5", "READ? heat sink": "+4.25E+01"})
    rig, rows = bench(instrument.port), []
    rig.refuse([SOAK])
    try:
        with output_recorder.recording("unit", file), rig.session(), rig.stage("soak") as player:
            for row in player.soak(SOAK):
                rows.append(row)
                if row.seconds > 7:
                    instrument.mute = True
    finally:
        instrument.switch_off()
    return rows, output_recorder.blocks(file)


def test_the_rows_follow_the_programme(soaked):
    rows, _ = soaked
    assert [row.seconds for row in rows] == pytest.approx([2, 4, 6, 8, 10, 12])
    assert [row.state for row in rows] == ["cold", "ramp", "playing", "playing", "playing", "playing"]
    assert not any("broke off" in row.event for row in rows)


def test_the_instrument_s_values_stand_in_the_rows_until_it_is_silent(soaked):
    rows, _ = soaked
    for row in rows[:4]:
        assert row.values["celsius.ambient"] == 21.5
        assert row.values["celsius.heat sink"] == 42.5
        assert row.answers["heat sink"] == "+4.25E+01"
    assert "celsius.heat sink" not in rows[-1].values
    assert any("heat sink: " in row.event for row in rows[4:])


def test_levels_gains_and_the_coil_are_the_unit_s(soaked):
    rows, _ = soaked
    playing = [row.values for row in rows if row.state == "playing"]
    for values in playing:
        assert values["drive_v.left"] == pytest.approx(0.2, rel=0.05)
        assert values["drive_v.right"] == pytest.approx(0.2, rel=0.05)
        assert values["coil_ohm.left"] == pytest.approx(WARM_OHM, rel=0.01)
        for octave in (125, 500, 1000, 8000):
            expected_db = octave_gain_db(UNIT.speakers[1], octave)
            assert values[f"gain_db.right.{octave}"] == pytest.approx(expected_db, abs=0.6)
            # The load makes no sound.
            assert values.get(f"gain_db.left.{octave}", -90.0) < expected_db - 20
    assert rows[0].values["drive_v.left"] == pytest.approx(0.02, rel=0.1)
    assert rows[0].values["coil_ohm.left"] == pytest.approx(WARM_OHM, rel=0.01)
    assert "level_db.1000" in rows[0].values


def test_nothing_exceeds_the_crest_factor_and_the_beginning_is_quiet(soaked):
    _, noted = soaked
    peak = SOAK.level_v * SOAK.noise.crest_factor
    assert 0.95 * peak < noted[:, 1].max() <= peak * 1.0001
    loud = noted[noted[:, 1] > 0]
    cold = loud[loud[:, 0] < loud[0, 0] + 1.9]
    assert 0 < cold[:, 1].max() <= 0.1 * peak * 1.0001


def test_closing_silences_the_output_within_a_tenth_of_a_second(unit, thermometer, tmp_path):
    """A busy machine may delay a block: three tries."""
    took_s = []
    rig = bench(thermometer.port)
    with rig.session():
        for attempt in range(3):
            file = tmp_path / f"outputs {attempt}"
            with rig.stage("soak") as player, output_recorder.recording("unit", file):
                rows = player.soak(SOAK, from_s=6.0)
                next(rows)
                next(rows)
                called = time.monotonic()
                rows.close()
                time.sleep(0.5)
            assert output_recorder.blocks(file)[:, 1].max() > 0.2
            took_s.append(output_recorder.last_sound(file) - called)
            if took_s[-1] < 0.1:
                break
    print(f"\nsilent {1e3 * took_s[-1]:.0f} ms after closing")
    assert took_s[-1] < 0.1


@pytest.mark.thorough
def test_an_error_between_two_rows_silences_before_it_is_told(unit, thermometer, tmp_path):
    file = tmp_path / "outputs"
    rig = bench(thermometer.port)

    def stumble(player):
        for _ in player.soak(SOAK):
            raise ZeroDivisionError

    with rig.session(), output_recorder.recording("unit", file):
        try:
            with rig.stage("soak") as player:
                stumble(player)
        except ZeroDivisionError:
            # The traceback still holds the programme's iterator.
            told = time.monotonic()
            time.sleep(0.5)
    assert output_recorder.last_sound(file) < told + 0.1


PARENT = """
import sys
sys.path[:0] = {path!r}
from test_sound_path_soak import SOAK, bench
if __name__ == "__main__":
    with bench({port}).stage("soak") as player:
        for row in player.soak(SOAK, from_s=6.0):
            print(row.seconds, flush=True)
"""


def test_when_the_rig_is_killed_the_output_is_silent(unit, thermometer, tmp_path):
    file, script, here = tmp_path / "outputs", tmp_path / "parent.py", Path(__file__).parent
    script.write_text(PARENT.format(path=[str(here), str(here.parent.parent)], port=thermometer.port))
    with output_recorder.recording("unit", file):
        with subprocess.Popen([sys.executable, str(script)], stdout=subprocess.PIPE, text=True) as parent:
            for _ in range(2):
                assert parent.stdout.readline()
            killed = time.monotonic()
            os.kill(parent.pid, signal.SIGKILL)
        time.sleep(2.0)
    took_s = output_recorder.last_sound(file) - killed
    print(f"\nsilent {1e3 * took_s:.0f} ms after the kill")
    assert output_recorder.blocks(file)[:, 1].max() > 0.2
    # What had been written would have sounded for more than a second.
    assert took_s < 0.5
    assert not multiprocessing.active_children()
