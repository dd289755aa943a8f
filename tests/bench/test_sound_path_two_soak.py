"""A short soak of two channels, heard by a microphone with a clock of its own over a real sound path."""

import contextlib
from dataclasses import replace

import pytest
import unit_client
from resampling_unit import ResamplerSettings, running_resampler
from scpi_instrument import ScpiInstrument
from test_soaking import PROGRAMME
from test_sound_path_soak import KIT, octave_gain_db
from unit_client import SpeakerSettings, UnitSettings, running_unit

from rig.bench.settings import BenchSettings
from rig.bench.soundcard import SoundCardBench

pytestmark = [pytest.mark.sound_path, pytest.mark.thorough]

UNIT = UnitSettings(speakers=(SpeakerSettings(), SpeakerSettings(gain=0.7, distance_m=0.7)))
SOAK = replace(PROGRAMME, level_v=0.2, path_gain=1.0, seconds=27.0, every_s=5.0, ramp_s=1.0)


def bench(port: int) -> SoundCardBench:
    values = [{"role": role, "unit": "celsius", "query": f"READ? {role}"} for role in ("ambient", "heat sink")]
    wiring = {
        "inputs": {"microphone": 1, "loopback": 2},
        "outputs": {"left": 1, "right": 2},
        "loopback_output": 3,
        "input_volts": {"microphone": 1.0, "loopback": 1.0},
        "output_volts": 1.0,
    }
    unit = {"host_api": unit_client.HOST_API, "name": "unit", "inputs": 4, "outputs": 4}
    microphone = {"host_api": unit_client.HOST_API, "name": "usb-microphone", "inputs": 1, "outputs": 1}
    settings = BenchSettings(
        kind="soundcard",
        name="test bench",
        device=unit,
        microphone_device=microphone,
        soak=wiring,
        instruments=[{"name": "logger", "address": f"TCPIP::127.0.0.1::{port}::SOCKET", "values": values}],
    )
    return SoundCardBench(settings, KIT, cold_s=1.0)


def test_each_channel_s_gain_is_told_without_a_common_clock(server_name: str) -> None:
    with contextlib.ExitStack() as stack:
        instrument = ScpiInstrument({"READ? ambient": "21.5", "READ? heat sink": "+4.25E+01"})
        stack.callback(instrument.switch_off)
        rig = bench(instrument.port)
        with running_unit(UNIT), running_resampler(ResamplerSettings(80.0)), rig.session(), rig.stage("soak") as player:
            rows = list(player.soak(SOAK))
    assert not any(name.startswith("gain_db") for name in rows[0].values)
    print("\n", *(row.event for row in rows), sep="\n")
    for octave in (250, 1000, 4000):
        for channel, speaker in zip(("left", "right"), UNIT.speakers, strict=True):
            stated_db = rows[-1].values[f"gain_db_u.{channel}.{octave}"]
            expected_db = octave_gain_db(speaker, octave)
            assert rows[-1].values[f"gain_db.{channel}.{octave}"] == pytest.approx(expected_db, abs=0.5 + 3 * stated_db)
