"""A unit of foreign physics over a real sound path: a reference of one build, a good unit, and one with a fault."""

import json
import os
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
import unit_client
from busy_machine import undisturbed
from convolving_unit import running_convolver
from strangers.designs import DESIGNS
from strangers.faults import Fault, faulty
from strangers.kits import write_kit
from strangers.sound_path import DELAY_FRAMES, FRAMES, RATE_HZ, filters_of, impulse_response

ROOT = Path(__file__).parent.parent.parent
DESIGN = DESIGNS["closed-two"]
SEED, SENSE_OHM = 3, 10.0
#: 10 mV/Pa into an input that is full at 50 mV.
FULL_SCALES_PER_PASCAL = 0.2
BENCH = f"""
kind = "soundcard"
name = "sound server"
air_celsius = 20.0
device = {{ host_api = "{unit_client.HOST_API}", name = "unit", inputs = 4, outputs = 4 }}
[leads]
outputs = {{ "*" = 4 }}
inputs = {{ drive = 3, sense = 4 }}
output_volts = 1.0
input_volts = {{ drive = 1.0, sense = 1.0 }}
sense_ohm = {SENSE_OHM}
[playing]
outputs = {{ box = 1 }}
inputs = {{ microphone = 1, loopback = 2 }}
loopback_output = 3
output_volts = 1.0
input_volts = {{ microphone = 0.05, loopback = 1.0 }}
microphone_mv_per_pa = 10.0
microphone_inverted = false
"""


def kitproof(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    command = [sys.executable, "-m", "rig", *words]
    return subprocess.run(
        command, cwd=folder, env=environment, capture_output=True, text=True, timeout=180, check=False
    )


def verified(folder: Path, serial: str, faults: Sequence[Fault] = ()) -> dict:
    made = faulty(DESIGN, SEED, serial, faults)
    filters = filters_of(made, (0.0, 0.0, 0.5), FULL_SCALES_PER_PASCAL, 10 ** (26 / 20), SENSE_OHM)

    def once() -> dict:
        done = kitproof(folder, "verify", DESIGN.name, serial, "--json", "--yes")
        assert done.stdout.startswith("{"), done.stderr
        return json.loads(done.stdout)

    with running_convolver(folder / "filters.npz", filters, DELAY_FRAMES):
        return undisturbed(once)


def failing(document: dict) -> set[str]:
    verdicts = [verdict for result in document["results"] for verdict in result["verdicts"]]
    return {f"{one['quantity']} {one['subject']}" for one in verdicts if one["outcome"] == "fail"}


def test_a_filter_gives_back_the_transfer_function_that_it_is_made_of() -> None:
    at_hz = np.fft.rfftfreq(FRAMES, 1 / RATE_HZ)
    made = faulty(DESIGN, SEED, "ST-0001", ())
    back = np.fft.rfft(filters_of(made, (0.0, 0.0, 0.5), 1.0, 1.0, SENSE_OHM)["sense"])
    inside = (at_hz > 10) & (at_hz < 20000)
    expected = (
        SENSE_OHM
        / (SENSE_OHM + made.impedance_ohm("box", at_hz))
        * np.exp(-2j * np.pi * at_hz * DELAY_FRAMES / RATE_HZ)
    )
    np.testing.assert_allclose(back[inside], expected[inside], rtol=1e-6)
    # What comes before its time would be cut by no client, and must not be there.
    taps = filters_of(made, (0.0, 0.0, 0.5), 1.0, 1.0, SENSE_OHM)["sense"]
    assert np.max(np.abs(taps[FRAMES // 2 :])) < 1e-4 * np.max(np.abs(taps))


@pytest.mark.sound_path
@pytest.mark.thorough
def test_a_stranger_over_the_sound_path(server_name: str, tmp_path: Path) -> None:
    write_kit(DESIGN, tmp_path)
    (tmp_path / "bench.toml").write_text(BENCH, encoding="utf-8")
    resistor = impulse_response(np.full(FRAMES // 2 + 1, SENSE_OHM / (SENSE_OHM + 8.2)))
    with running_convolver(tmp_path / "filters.npz", {"microphone": resistor, "sense": resistor}, DELAY_FRAMES):
        done = kitproof(tmp_path, "calibrate-load", "8.2", DESIGN.name, "--yes")
    assert done.returncode == 0, done.stderr
    assert verified(tmp_path, "ST-0001")["outcome"] == "void"
    done = kitproof(tmp_path, "reference", DESIGN.name, "ST-0001")
    assert done.returncode == 0, done.stderr
    good = verified(tmp_path, "ST-0002")
    assert good["outcome"] == "pass", (failing(good), good["stopped"], good["results"])
    bad = verified(tmp_path, "ST-0003", [Fault("reversed", ("tweeter",))])
    assert "driver polarity box tweeter" in failing(bad)
