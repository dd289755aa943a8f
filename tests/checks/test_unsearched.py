"""What sounds where nothing is searched for it moves no reading: nothing is read from there."""

import buzzing
import numpy as np
import pytest
from buzzing import captured, pink_pa, unit_pa
from captures import one_driver_kit
from scipy import signal as filters

from checks import distortion, response, rub_and_buzz

KIT = one_driver_kit()


def readings(pressure_pa):
    capture = captured(pressure_pa)
    rub = rub_and_buzz.read([capture], rub_and_buzz.Settings(), KIT)
    found = {reading.quantity: reading.value for reading in rub.readings[:1] + rub.readings[-1:]}
    for check in (response, distortion):
        read = check.read([capture], check.Settings(), KIT)
        found |= {curve.quantity: np.where(curve.valid, curve.value, np.nan) for curve in read.curves}
    return found


def change(quantity, disturbed, undisturbed):
    """Greatest change where both are known."""
    return np.nanmax(np.abs(disturbed[quantity] - undisturbed[quantity]))


def hiss_pa(random, at_hz, level_db_spl, seconds):
    """The noise of an s while the sweep is at a frequency."""
    band = filters.butter(4, [3000, 8000], "band", fs=buzzing.RATE_HZ, output="sos")
    part = (buzzing.TIME_S - buzzing.PASSES_S - buzzing.RATE_S * np.log(at_hz / 20.0)) / seconds
    noise = filters.sosfilt(band, random.standard_normal(buzzing.FRAMES)) * np.sin(np.pi * np.clip(part, 0.0, 1.0))
    return noise / np.std(noise[(part > 0) & (part < 1)]) * 20e-6 * 10 ** (level_db_spl / 20)


@pytest.mark.parametrize(("at_hz", "level_db"), [(900.0, 66.0), (2150.0, 55.0)])
def test_a_hiss_above_the_sweep_stands_in_the_floor_of_distortion_and_moves_nothing_else(at_hz, level_db):
    random = np.random.default_rng([920, 1])
    quiet = unit_pa(0.01, 0.005) + pink_pa(random, 35)
    disturbed, undisturbed = (readings(sound) for sound in (quiet + hiss_pa(random, at_hz, level_db, 0.2), quiet))
    assert change(rub_and_buzz.EVIDENCE, disturbed, undisturbed) < 0.5
    assert change(rub_and_buzz.DETECTABLE, disturbed, undisturbed) < 0.1
    assert change("level", disturbed, undisturbed) < 0.15
    assert all(change(f"harmonic {order}", disturbed, undisturbed) < 0.1 for order in (2, 3))
    assert change(distortion.NOISE_FLOOR, disturbed, undisturbed) > 20


@pytest.mark.parametrize("behind_s", [0.005, 0.02, 0.035])
def test_a_click_just_behind_the_mark_is_heard_where_nothing_is_read_from(behind_s):
    random = np.random.default_rng([921, round(1e3 * behind_s)])
    quiet = unit_pa(0.01, 0.005) + pink_pa(random, 35)
    ends_s = (buzzing.PLAN.mark_before + buzzing.PLAN.mark_frames + buzzing.LATE) / buzzing.RATE_HZ
    click = buzzing.click_pa(random, ends_s + behind_s)
    disturbed, undisturbed = (readings(sound) for sound in (quiet + click, quiet))
    for quantity in (rub_and_buzz.EVIDENCE, "level", "harmonic 2", "harmonic 3", distortion.NOISE_FLOOR):
        assert change(quantity, disturbed, undisturbed) < 0.01
