"""What a piece of sound says, against pieces that were made with known delays, gains and loads."""

from collections import deque
from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import bilinear, lfilter

from rig.bench.observing import Piece, coil_model, observed, shortest_row_s
from rig.circuit.channel import impedance_ohm
from rig.design.kit import load_kit
from rig.signals.coil import CoilModel, choose_band
from rig.signals.noise_shape import Noise
from rig.signals.programme import NoiseSource
from rig.values.captures import Calibration

RATE_HZ = 48000.0
SECONDS = 5.0
LAG = 3000
CALIBRATION = Calibration(
    {"microphone": 0.5, "loopback": 2.0, "drive": 10.0, "sense": 0.5},
    2.0,
    microphone_v_per_pa=0.01,
    sense_ohm=0.1,
)
OCTAVES = ("63", "125", "250", "500", "1000", "2000", "4000", "8000")
#: Voice coil 6 ohm, 0.3 mH.
COIL_OHM, COIL_H = 6.0, 0.3e-3


def sent_v(level_v=2.0, channels=("left", "right")):
    frames = round(SECONDS * RATE_HZ)
    return {name: level_v * NoiseSource(Noise(), RATE_HZ, n).read(frames) for n, name in enumerate(channels)}


def late(signal, lag=LAG):
    return np.concatenate((np.zeros(lag), signal))[: signal.size]


def piece(sent, microphone_v, **others):
    rows = {"microphone": microphone_v} | others
    heard = np.stack([row / CALIBRATION.input_volts[role] for role, row in rows.items()]).astype(np.float32)
    return Piece(heard, sent), tuple(rows)


def see(made, calibration=CALIBRATION, coil=None):
    return observed(*made, calibration, RATE_HZ, coil)


def noise(level, seed=7):
    return level * np.random.default_rng(seed).standard_normal(round(SECONDS * RATE_HZ))


@pytest.mark.parametrize("with_loopback", [True, False])
def test_gains_of_two_channels_together_and_the_levels(with_loopback):
    sent = sent_v()
    # Pascals at the microphone for a volt at the leads: 94 dB for one, 6.02 dB less for the other and the other sign.
    pascal = late(sent["left"] - 0.5 * sent["right"])
    cable = {"loopback": late(sent["left"]) / 10} if with_loopback else {}
    values, trouble = see(piece(sent, pascal * 0.01 + noise(1e-5), **cable))
    assert trouble == ""
    assert values["drive_v.left"] == pytest.approx(2.0, rel=0.02)
    assert values["drive_v.right"] == pytest.approx(2.0, rel=0.02)
    for octave in OCTAVES:
        assert values[f"gain_db.left.{octave}"] == pytest.approx(93.98, abs=0.3)
        assert values[f"gain_db.right.{octave}"] == pytest.approx(87.96, abs=0.5)
    # Octave levels of pink noise are alike; here are eight of its 11.6 from 8 Hz to 24 kHz.
    levels = np.array([values[f"level_db.{octave}"] for octave in OCTAVES])
    whole_db = 20 * np.log10(np.std(pascal) / 20e-6)
    assert np.ptp(levels) < 2.5
    assert 10 * np.log10(np.sum(10 ** (levels / 10))) == pytest.approx(whole_db + 10 * np.log10(8 / 11.6), abs=0.3)
    assert set(values) == {
        *(f"drive_v.{channel}" for channel in sent),
        *(f"level_db.{octave}" for octave in OCTAVES),
        *(f"gain_db.{channel}.{octave}" for channel in sent for octave in OCTAVES),
    }


def on_a_clock_of_its_own(rows, gains):
    """Rows one after the other of a microphone that is 100 ppm off and begins a moment earlier or later each time."""
    past, sources = deque(), [NoiseSource(Noise(), RATE_HZ, n) for n in range(2)]
    frames = round(SECONDS * RATE_HZ)
    for row in range(rows):
        sent = {name: 2.0 * source.read(frames) for name, source in zip(("left", "right"), sources, strict=True)}
        heard = gains[0] * sent["left"] + gains[1] * sent["right"]
        at = np.arange(heard.size)
        heard = np.interp(at * (1 + 1e-4) + 1500.3 * (-1) ** row, at, heard) + noise(1e-4)
        made, roles = piece(sent, heard)
        values, trouble = observed(replace(made, has_own_clock=True), roles, CALIBRATION, RATE_HZ, past=past)
        assert trouble == ""
        assert "level_db.1000" in values
    return values


def test_a_microphone_on_its_own_clock_tells_channels_apart_by_their_powers():
    values = on_a_clock_of_its_own(4, (0.05, 0.03))
    # 0.01 V for a pascal: 0.05 V is 5 Pa for 1 V. Interpolation between samples takes the top octave away.
    for octave in OCTAVES[:6]:
        for channel, pascal in (("left", 5.0), ("right", 3.0)):
            u_db = values[f"gain_db_u.{channel}.{octave}"]
            assert u_db < 1.1
            assert values[f"gain_db.{channel}.{octave}"] == pytest.approx(
                20 * np.log10(pascal / 20e-6), abs=0.3 + 2 * u_db
            )


def test_while_a_programme_changes_its_level_no_channel_is_told_on_another_clock():
    sent = {name: own * np.linspace(0.1, 1.0, own.size) for name, own in sent_v().items()}
    made, roles = piece(sent, 0.05 * sent["left"] + noise(1e-4))
    past = deque(["earlier"])
    values, trouble = observed(replace(made, has_own_clock=True), roles, CALIBRATION, RATE_HZ, past=past)
    assert trouble == ""
    assert not any(name.startswith("gain_db") for name in values)
    assert not past


def test_a_channel_that_is_not_heard_has_no_gain_on_another_clock():
    values = on_a_clock_of_its_own(2, (0.05, 0.0))
    assert [name for name in values if name.startswith("gain_db.right")] == []
    assert len([name for name in values if name.startswith("gain_db.left")]) >= 6


def test_without_a_calibrated_microphone_levels_are_volts():
    sent = sent_v(channels=("left",))
    made = piece(sent, late(sent["left"]) * 0.01)
    absolute, relative = see(made)[0], see(made, replace(CALIBRATION, microphone_v_per_pa=None))[0]
    assert relative["gain_db.left.1000"] == pytest.approx(-40.0, abs=0.1)
    for column in ("level_db.500", "gain_db.left.500"):
        assert absolute[column] - relative[column] == pytest.approx(-20 * np.log10(20e-6 * 0.01))


def test_in_the_rest_only_the_levels_are_told():
    values, trouble = see(piece({}, noise(1e-3)))
    assert trouble == ""
    assert set(values) == {f"level_db.{octave}" for octave in OCTAVES}
    # White noise: 3 dB more in every octave.
    assert values["level_db.4000"] - values["level_db.500"] == pytest.approx(9.0, abs=0.7)


def test_a_microphone_that_hears_nothing_of_it_is_told():
    values, trouble = see(piece(sent_v(), noise(1e-3)))
    assert trouble == "nothing of the programme arrives at the microphone"
    assert not any(name.startswith("gain_db") for name in values)


def test_while_the_sound_is_broken_off_nobody_asks_what_is_heard_of_it():
    silent = {name: np.zeros_like(row) for name, row in sent_v().items()}
    values, trouble = see(piece(silent, noise(1e-3)))
    assert trouble == ""
    assert values["drive_v.left"] == 0.0


def test_an_overdriven_input_is_told():
    sent = sent_v(channels=("left",))
    heard = np.clip(late(sent["left"]), -0.5, 0.5)
    assert see(piece(sent, heard))[1] == "overdriven at the input microphone"


def test_a_row_too_short_says_what_it_can():
    sent = sent_v()
    whole, roles = piece(sent, late(sent["left"]) * 0.01)
    for seconds, levels in ((0.3, False), (1.0, True)):
        assert seconds < shortest_row_s(2)
        frames = round(seconds * RATE_HZ)
        short = Piece(whole.recorded[:, :frames], {name: row[:frames] for name, row in sent.items()})
        values, trouble = see((short, roles))
        assert trouble == ""
        assert ("level_db.63" in values) == levels
        assert "drive_v.left" in values


def simple_coil():
    frequency_hz = np.geomspace(10, 20000, 500)
    ohm = COIL_OHM + 2j * np.pi * frequency_hz * COIL_H
    return CoilModel("left", frequency_hz, ohm, np.ones(500, np.complex128), COIL_OHM, (200.0, 2000.0))


def through_resistor(drive_v, ohm, sense_ohm=0.1):
    """Voltage at the sense resistor, for a coil of this resistance in series."""
    return lfilter(*bilinear([sense_ohm], [COIL_H, ohm + sense_ohm], RATE_HZ), drive_v)


@pytest.mark.parametrize("ohm", [6.0, 7.8])
def test_the_coil_s_resistance(ohm):
    sent = sent_v()
    drive = late(sent["left"]) * 0.9
    made = piece(sent, late(sent["left"]) * 0.01, drive=drive, sense=through_resistor(drive, ohm) + noise(1e-4))
    values, trouble = see(made, coil=simple_coil())
    assert trouble == ""
    assert values["coil_ohm.left"] == pytest.approx(ohm, rel=0.005)
    assert 0 < values["coil_ohm_u.left"] < 0.02
    # Measured, not as sent.
    assert values["drive_v.left"] == pytest.approx(1.8, rel=0.02)
    assert values["drive_v.right"] == pytest.approx(2.0, rel=0.02)


def test_an_open_coil_is_seen_and_a_dead_amplifier_is_none():
    sent = sent_v()
    drive = late(sent["left"])
    open_coil = piece(sent, late(sent["right"]) * 0.01, drive=drive, sense=noise(1e-4))
    values, _ = see(open_coil, coil=simple_coil())
    assert values["coil_ohm.left"] > 20 * COIL_OHM
    assert "coil_ohm_u.left" not in values
    dead = piece(sent, late(sent["right"]) * 0.01, drive=noise(1e-3, 8), sense=noise(1e-4))
    values, _ = see(dead, coil=simple_coil())
    assert "coil_ohm.left" not in values
    assert values["drive_v.left"] < 0.01


def test_the_model_of_a_kit_s_coil(workspace):
    """The first order in the coil's resistance is the model's own change, to the second order."""
    kit = load_kit(workspace, "booth-two")
    channel = kit.model(kit.channels[0].name)
    model = coil_model(channel)
    woofer = channel.branches[0].driver
    assert woofer.band_hz[0] == min(driver.band_hz[0] for driver in channel.drivers)
    assert model.re_ohm == woofer.re_ohm
    assert model.band_hz == choose_band(model.frequency_hz, model.ohm, model.sensitivity)
    warm = replace(woofer, re_ohm=woofer.re_ohm * 1.01, qes=woofer.qes * 1.01)
    branches = (replace(channel.branches[0], driver=warm), *channel.branches[1:])
    use = (model.frequency_hz >= model.band_hz[0]) & (model.frequency_hz <= model.band_hz[1])
    moved = impedance_ohm(replace(channel, branches=branches), model.frequency_hz) - model.ohm
    np.testing.assert_allclose(moved[use], (model.sensitivity * 0.01 * woofer.re_ohm)[use], rtol=0.02, atol=1e-4)
