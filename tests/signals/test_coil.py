"""A coil's resistance and temperature from programme noise through the impedance of a driver in its box."""

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy import fft

from rig.circuit.box import Box
from rig.circuit.channel import Branch, Channel, impedance_ohm
from rig.circuit.driver import Driver
from rig.circuit.notation import parse_element
from rig.signals.coil import (
    CoilModel,
    band_magnitude_ohm,
    choose_band,
    coil_resistance,
    coil_temperature,
    measured_impedance,
)
from rig.signals.programme import NoiseSource, decade_band, music_like, plain_pink

RATE_HZ = 48000.0
SECONDS = 5.0
MODEL_HZ = np.geomspace(10, 22000, 2000)
WOOFER = Driver("woofer", 5.6, 45.0, 4.0, 0.4, 0.02, 0.0133, 0.6e-3, 0.7)
TWEETER = Driver("tweeter", 6.0, 900.0, 2.0, 1.2, 1e-5, 7e-4, 0.05e-3, 0.7, in_box=False)
CHANNELS = {
    "closed": Channel("closed", (Branch(WOOFER),), Box("closed", 0.012, 80.0)),
    "vented": Channel("vented", (Branch(WOOFER),), Box("vented", 0.02, 45.0)),
    "two-way": Channel(
        "two-way",
        (
            Branch(WOOFER, (parse_element("series L1 0.9 mH (0.3 ohm)"),)),
            Branch(TWEETER, (parse_element("series C1 4.7 uF"),)),
        ),
        Box("closed", 0.012, 80.0),
    ),
}
channels = pytest.mark.parametrize("channel", CHANNELS.values(), ids=CHANNELS)
ONE = CHANNELS["closed"]


def heated(channel, ohm, **woofer):
    """The channel with another resistance of the woofer's coil, its force factor as it was."""
    branches = tuple(
        replace(b, driver=replace(b.driver, **{"re_ohm": ohm, "qes": b.driver.qes * ohm / b.driver.re_ohm, **woofer}))
        if b.driver.name == "woofer"
        else b
        for b in channel.branches
    )
    return replace(channel, branches=branches)


@cache
def model(channel):
    """Impedance, its derivative by the woofer's resistance, and the band."""
    above, below = (impedance_ohm(heated(channel, WOOFER.re_ohm + step), MODEL_HZ) for step in (1e-4, -1e-4))
    ohm, sensitivity = impedance_ohm(channel, MODEL_HZ), (above - below) / 2e-4
    return ohm, sensitivity, choose_band(MODEL_HZ, ohm, sensitivity)


def played(channel, seed=1, noise_db=-50.0, shape=music_like, seconds=SECONDS):
    """Voltage and current of a channel under noise, with measurement noise on both, relative to each."""
    frames = round(seconds * RATE_HZ)
    settled = 24000
    sent = 5 * NoiseSource(shape(seed=seed), RATE_HZ, 0).read(frames + settled)
    at_hz = np.maximum(fft.rfftfreq(sent.size, 1 / RATE_HZ), 1e-3)
    through = fft.irfft(fft.rfft(sent) / impedance_ohm(channel, at_hz), sent.size)
    rng = np.random.default_rng(seed)
    return tuple(
        signal[settled:] + rng.standard_normal(frames) * np.std(signal) * 10 ** (noise_db / 20)
        for signal in (sent, through)
    )


def read(channel, pair, using=None):
    ohm, sensitivity, band_hz = model(using or channel)
    return coil_resistance(*pair, RATE_HZ, CoilModel("left", MODEL_HZ, ohm, sensitivity, WOOFER.re_ohm, band_hz))


@channels
@pytest.mark.parametrize("shape", [music_like, plain_pink], ids=["music", "pink"])
def test_a_coil_heated_by_40_k_is_told(channel, shape):
    hot = heated(channel, WOOFER.re_ohm * (234.5 + 62) / (234.5 + 22))
    cold_ohm, cold_u = read(channel, played(channel, 1, shape=shape))
    hot_ohm, hot_u = read(channel, played(hot, 2, shape=shape))
    celsius, uncertainty_k = coil_temperature(
        hot_ohm, cold_ohm, 22.0, resistance_uncertainty_ohm=hot_u, cold_uncertainty_ohm=cold_u
    )
    assert celsius == pytest.approx(62, abs=1.5)
    assert uncertainty_k < 0.75


def test_a_coil_is_told_from_decade_band_noise():
    def shape(seed):
        return decade_band(50.0, seed)

    hot = heated(ONE, WOOFER.re_ohm * (234.5 + 62) / (234.5 + 22))
    pairs = played(ONE, 1, shape=shape), played(hot, 2, shape=shape)
    (cold_ohm, _), (hot_ohm, _) = (read(ONE, pair) for pair in pairs)
    assert coil_temperature(hot_ohm, cold_ohm, 22.0)[0] == pytest.approx(62, abs=1.5)


@pytest.mark.parametrize("noise_db", [-50.0, -25.0])
def test_the_uncertainty_covers_what_it_says(noise_db):
    # What the model and the segments' length are wrong by is the same in each: the mean of all stands for it.
    found = np.array([read(ONE, played(ONE, seed, noise_db, seconds=2.5)) for seed in range(1, 101)])
    error, uncertainty = found[:, 0] - np.mean(found[:, 0]), found[:, 1]
    assert 0.90 <= np.mean(np.abs(error) < 1.96 * uncertainty) <= 0.99
    assert np.mean(found[:, 0]) == pytest.approx(WOOFER.re_ohm, rel=4e-3)


def test_a_model_that_is_off_cancels_between_cold_and_hot():
    true = heated(ONE, 5.75, le_h=0.66e-3)
    hot = heated(ONE, 5.75 * (234.5 + 62) / (234.5 + 22), le_h=0.66e-3)
    (cold_ohm, _), (hot_ohm, _) = (read(ONE, played(one, seed), using=ONE) for seed, one in ((1, true), (2, hot)))
    assert coil_temperature(hot_ohm, cold_ohm, 22.0)[0] == pytest.approx(62, abs=1.5)


@channels
def test_a_suspension_that_softens_in_use_is_not_heat(channel):
    lower = 40 / 45
    soft = heated(channel, WOOFER.re_ohm, fs_hz=45 * lower, vas_m3=0.02 / lower**2, qms=4.0 * lower, qes=0.4 * lower)
    pairs = played(channel, 1), played(soft, 2)
    (before, _), (after, _) = (read(channel, pair) for pair in pairs)
    assert coil_temperature(after, before, 22.0)[0] == pytest.approx(22, abs=1.5)


def test_what_is_not_from_the_voltage_is_no_reading():
    voltage, current = played(ONE)
    rng = np.random.default_rng(1)
    for pair in (
        (voltage, 1e-6 * rng.standard_normal(current.size)),
        (voltage, np.zeros(current.size)),
        (np.zeros(current.size), np.zeros(current.size)),
        played(ONE, noise_db=20.0),
    ):
        assert all(math.isnan(value) for value in read(ONE, pair))


def test_an_open_and_a_shorted_load_have_their_magnitude():
    voltage, current = played(ONE, noise_db=-80.0)
    band_hz = model(ONE)[2]
    sound = band_magnitude_ohm(voltage, current, RATE_HZ, band_hz)
    assert 5.6 < sound < 8.5
    assert band_magnitude_ohm(voltage, current / 1000, RATE_HZ, band_hz) == pytest.approx(1000 * sound)
    assert band_magnitude_ohm(voltage, 0 * current, RATE_HZ, band_hz) == math.inf
    assert math.isnan(band_magnitude_ohm(0 * voltage, 0 * current, RATE_HZ, band_hz))


def test_the_impedance_and_its_coherence():
    frequency_hz, ohm, coherence, segments = measured_impedance(*played(ONE), RATE_HZ, (200.0, 800.0))
    assert segments == 19
    assert np.all((frequency_hz >= 200) & (frequency_hz <= 800))
    assert ohm == pytest.approx(impedance_ohm(ONE, frequency_hz), rel=0.02)
    assert np.all(coherence > 0.99)


@channels
def test_the_band_lies_around_the_minimum_above_the_resonance(channel):
    ohm, _, (low_hz, high_hz) = model(channel)
    inside = (low_hz <= MODEL_HZ) & (high_hz >= MODEL_HZ)
    above = (MODEL_HZ > 130) & (MODEL_HZ < 1000)
    minimum_hz = MODEL_HZ[above][np.argmin(np.abs(ohm[above]))]
    assert 110 < low_hz < minimum_hz < high_hz < 2500
    assert np.max(np.abs(ohm[inside])) < 1.6 * np.min(np.abs(ohm[above]))
    assert high_hz > 1.5 * low_hz


def test_uncertainties_of_a_temperature_add_in_squares():
    def alone(**one):
        return coil_temperature(7.0, 6.0, 20.0, **one)[1]

    parts = {"resistance_uncertainty_ohm": 0.01, "cold_uncertainty_ohm": 0.02, "cold_uncertainty_k": 0.5}
    separate = [alone(**{name: value}) for name, value in parts.items()]
    assert alone(**parts) == pytest.approx(math.hypot(*separate))
    # Against differences of the temperature itself.
    warmer = [coil_temperature(7.01, 6.0, 20.0)[0], coil_temperature(7.0, 6.0, 20.5)[0]]
    colder = coil_temperature(7.0, 6.0, 20.0)[0]
    assert separate[0] == pytest.approx(warmer[0] - colder)
    assert separate[2] == pytest.approx(warmer[1] - colder)
    assert separate[1] == pytest.approx(abs(coil_temperature(7.0, 6.02, 20.0)[0] - colder), rel=0.01)
    assert math.isnan(coil_temperature(math.nan, 6.0, 20.0)[0])


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: coil_temperature(7.0, 0.0, 20.0), "found 0.0 ohm"),
        (lambda: measured_impedance(np.zeros(480), np.zeros(480), RATE_HZ, (100, 200)), "two segments"),
        (lambda: measured_impedance(np.full(48000, np.nan), np.zeros(48000), RATE_HZ, (100, 200)), "finite"),
        (
            lambda: coil_resistance([0], [0], RATE_HZ, CoilModel("left", [50, 90], [1, 1], [1, 1], 5.6, (100, 200))),
            "model covers",
        ),
        (lambda: choose_band(MODEL_HZ, np.full(2000, 8 + 0j), np.zeros(2000)), "does not depend"),
    ],
)
def test_bad_input_is_refused(make, message):
    with pytest.raises(ValueError, match=message):
        make()
