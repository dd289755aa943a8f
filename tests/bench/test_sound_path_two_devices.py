"""A microphone with a clock of its own over a real sound path: two streams, and a resampling unit in between."""

import contextlib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import unit_client
from busy_machine import undisturbed
from hostile.promise import kitproof
from resampling_unit import Resampler, ResamplerSettings, running_resampler
from test_sound_path_verify import UNIT, calibrated_on_a_resistor, failing, workspace_in
from unit_client import Speaker, SpeakerSettings, UnitSettings, running_unit

from rig.bench.settings import load_bench_file
from rig.bench.soundcard import SoundCardBench, list_devices
from rig.files.errors import BenchError
from rig.values.requests import Sweep
from rig.verdict import clocks
from rig.verdict.examine import capture_integrity, capture_troubles
from rig.verdict.responses import acoustic_response

pytestmark = pytest.mark.sound_path

KIT = SimpleNamespace(channels=[SimpleNamespace(name="left")])
PPM = 100.0


def two_devices(folder: Path) -> Path:
    """The workspace of one device, with its microphone on another."""
    path = folder / "bench.toml"
    text = path.read_text(encoding="utf-8")
    own = f"""
[microphone_device]
host_api = "{unit_client.HOST_API}"
name = "usb-microphone"
inputs = 1
outputs = 1
[playing]"""
    path.write_text(text.replace("\n[playing]", own, 1), encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def folder(server_name: str, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A workspace calibrated on a resistor, the microphone on a device of its own."""
    return two_devices(calibrated_on_a_resistor(workspace_in(tmp_path_factory.mktemp("two"))))


@contextlib.contextmanager
def running_resampled(unit: UnitSettings, ppm: float = PPM) -> Iterator[None]:
    with running_unit(unit), running_resampler(ResamplerSettings(ppm)):
        yield


def verified(folder: Path, serial: str) -> tuple[int, dict]:
    statuses = []

    def once() -> dict:
        done = kitproof("verify", "path-two", serial, "--json", "--yes", "--workspace", str(folder))
        assert done.out, done
        statuses.append(done.status)
        return dict(done.document())

    document = undisturbed(once)
    return statuses[-1], document


def sweeps(seconds: float = 0.6) -> list[Sweep]:
    return [Sweep("playing", "left", "left", level, 1.0, 20.0, 20000.0, seconds) for level in (0.2, 0.1, 0.2)]


def sound_captures(bench: SoundCardBench, tries: int = 3) -> list:
    """Captures without troubles; a busy machine may disturb one, and all are then played again."""
    for _ in range(tries):
        with bench.stage("playing") as player:
            captures = list(player.play(sweeps()))
        troubles = [capture_troubles(capture) for capture in captures]
        if not any(troubles):
            return captures
    pytest.fail(f"no sound captures in {tries} tries: {troubles}")


@pytest.mark.thorough
@pytest.mark.parametrize("ppm", [PPM, -250.0])
def test_the_clock_is_told_and_the_response_is_the_speaker_s(folder: Path, ppm: float) -> None:
    settings = load_bench_file(folder / "bench.toml")
    with running_resampled(UNIT, ppm):
        assert sorted(row.device.name for row in list_devices(settings) if row.fits) == ["unit", "usb-microphone"]
        captures = sound_captures(SoundCardBench(settings, KIT))
    for capture in captures:
        assert capture.other_clock == ("microphone",)
        assert capture_integrity(capture).other_clock_ppm == pytest.approx(ppm, abs=0.5)
    assert clocks.clock_disagreement(captures, captures) == ""
    heard = acoustic_response(clocks.on_one_clock(captures[0], captures))
    assert not heard.timed
    frequency_hz = np.arange(100.0, 16000.0, 25.0)
    impulse = Speaker(UNIT.speakers[0], 48000.0)(np.eye(1, 9600)[0])
    first = round((heard.arrival_s - 0.001) * heard.sample_rate_hz)
    turns = np.exp(-2j * np.pi * np.outer(frequency_hz, np.arange(9600)) / 48000.0)
    ratio = (turns @ heard.impulse[first : first + 9600]) / (turns @ impulse)
    levels_db = 20 * np.log10(np.abs(ratio))
    levels_db -= np.mean(levels_db)
    print(f"\nlargest error {np.max(np.abs(levels_db)):.3f} dB to 16 kHz")
    assert np.max(np.abs(levels_db)) < 0.1
    # Polarity: what is left of the phase is one delay, and no half turn.
    _, at_zero = np.polyfit(frequency_hz, np.unwrap(np.angle(ratio)), 1)
    assert abs((at_zero + np.pi) % (2 * np.pi) - np.pi) < 0.1


@pytest.mark.thorough
def test_a_good_unit_passes_and_a_reversed_driver_fails(folder: Path) -> None:
    with running_resampled(UNIT):
        status, document = verified(folder, "PT-101")
    assert document["outcome"] == "pass", (failing(document), document["stopped"], document["results"])
    assert status == 0
    assert {tuple(one["other_clock"]) for one in document["captures"]} == {(), ("microphone",)}
    reversed_tweeter = SpeakerSettings(tweeter_sign=-UNIT.speakers[0].tweeter_sign)
    with running_resampled(replace(UNIT, speakers=(reversed_tweeter,))):
        status, document = verified(folder, "PT-102")
    assert status == 1
    assert "driver polarity left tweeter" in failing(document)
    assert "driver polarity left woofer" not in failing(document)


def test_without_the_microphone_the_bench_cannot_do_it(server_name: str, tmp_path: Path) -> None:
    bench = SoundCardBench(load_bench_file(two_devices(workspace_in(tmp_path)) / "bench.toml"), KIT)
    with running_unit(UNIT), pytest.raises(BenchError, match="usb-microphone"), bench.stage("playing"):
        pass


def test_the_resampling_unit_is_what_it_says() -> None:
    """Against the closed form of a tone, block by block."""
    resampler = Resampler(200.0)
    time = np.arange(40 * 2048)
    given = np.concatenate([resampler(block) for block in np.split(np.sin(0.9 * time), 40)])
    late = 2400 - 24
    expected = np.sin(0.9 * (np.arange(given.size) / (1 + 200e-6) - late))
    np.testing.assert_allclose(given[late + 100 : -100], expected[late + 100 : -100], atol=1e-4)
