"""What a room's noise means for a kit before anything sounds."""

from dataclasses import replace

import numpy as np
import pytest
from simulated_runs import ROOT

from rig.bench_check.loudness import room_words
from rig.run.room_before import room_before
from rig.run.verify import Job, job
from rig.signals.levels import REFERENCE_PRESSURE_PA
from rig.values.captures import Calibration

RATE_HZ = 48000.0
CALIBRATION = Calibration({"microphone": 1.0}, 1.0, microphone_v_per_pa=0.01)


@pytest.fixture(scope="module")
def work() -> Job:
    return job(ROOT, "booth-two", "bench")


def white(level_db: float) -> np.ndarray:
    """Two seconds of white noise of a level in dB SPL at the microphone."""
    pascal = REFERENCE_PRESSURE_PA * 10 ** (level_db / 20) * np.random.default_rng(1).standard_normal(2 * 48000)
    return (0.01 * pascal).astype(np.float32)


def test_a_quiet_room_is_quiet_enough_and_says_what_it_hides(work: Job) -> None:
    found = room_before(work, white(38.0), RATE_HZ, CALIBRATION)
    assert found
    assert "quiet enough" in room_words(found.noise)
    assert np.all(found.noise.level_db < found.noise.limit_db)
    (words,) = found.foretold
    assert words.startswith("Rub and buzz, left: with this noise a rub quieter than")


def test_a_room_that_is_as_loud_as_the_kit_is_too_loud(work: Job) -> None:
    quiet, loud = (room_before(work, white(level_db), RATE_HZ, CALIBRATION) for level_db in (38.0, 80.0))
    assert quiet
    assert loud
    assert "the room is too loud" in room_words(loud.noise)
    # What the kit bears is the kit's, whatever the room does; the room's own level is as much louder as it is.
    np.testing.assert_allclose(loud.noise.limit_db, quiet.noise.limit_db)
    np.testing.assert_allclose(loud.noise.level_db - quiet.noise.level_db, 42.0, atol=0.1)
    assert "nothing is proved" in loud.foretold[0]


def test_nothing_is_told_without_a_level_or_a_sweep(work: Job) -> None:
    assert room_before(work, white(38.0), RATE_HZ, replace(CALIBRATION, microphone_v_per_pa=None)) is None
    silent = replace(work, schedule=replace(work.schedule, stages=()))
    assert room_before(silent, white(38.0), RATE_HZ, CALIBRATION) is None
