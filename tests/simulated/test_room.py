"""The simulated room against mirrors drawn by hand, and its noise against a filter bank of the test's own."""

from dataclasses import replace

import numpy as np
import pytest

from rig.simulated.room import Room, pink_spectrum, reflections, room_of

RATE_HZ = 48000.0
SPEED = 343.0
SIZE = 16384
ROOM = Room(size_m=(4.6, 2.5, 5.4), jig_m=(2.1, 1.2, 2.2), reflection=0.6, ambient_db=40.0)
#: From the box: half a metre in front.
MICROPHONE = (0.0, 0.0, 0.5)


def transfer(room: Room, size: int = SIZE) -> np.ndarray:
    return reflections(room, (0.0, 0.0), MICROPHONE, size, RATE_HZ, SPEED).astype(np.complex128)


def test_walls_that_reflect_nothing_leave_the_direct_sound() -> None:
    assert np.array_equal(transfer(replace(ROOM, reflection=0.0)), np.ones(SIZE // 2 + 1))


def test_first_reflections_come_from_the_six_mirrored_boxes() -> None:
    # With weak walls only single bounces count: the rest is smaller by their reflection once more.
    weak = 1e-3
    x, y, z = ROOM.jig_m
    mirrored = [(-x, y, z), (2 * 4.6 - x, y, z), (x, -y, z), (x, 2 * 2.5 - y, z), (x, y, -z), (x, y, 2 * 5.4 - z)]
    microphone = np.array([x, y, z + 0.5])
    f = np.fft.rfftfreq(SIZE, 1 / RATE_HZ)
    expected = np.zeros(f.size, dtype=complex)
    for mirror in mirrored:
        way = np.linalg.norm(microphone - np.array(mirror))
        expected += 0.5 / way * np.exp(-2j * np.pi * f * (way - 0.5) / SPEED)
    low = f < 200
    found = (transfer(replace(ROOM, reflection=weak))[low] - 1) / weak
    assert found == pytest.approx(expected[low], abs=0.01)


def test_nothing_arrives_before_the_nearest_wall_can_answer() -> None:
    impulse = np.fft.irfft(transfer(ROOM) - 1, SIZE)
    # Floor at 1.2 m below: there and up again at half a metre's distance.
    floor = (np.hypot(0.5, 2.4) - 0.5) / SPEED * RATE_HZ
    early = np.abs(impulse[: int(floor) - 60])
    assert np.max(early) < 0.01 * np.max(np.abs(impulse))
    # Dulled as 1 / (1 + (f / 2500 Hz)**2), an echo is a two-sided exponential of height pi * 2500 Hz / rate.
    height = 0.6 * 0.5 / np.hypot(0.5, 2.4) * np.pi * 2500 / RATE_HZ
    nearby = impulse[int(floor) - 3 : int(floor) + 4]
    assert np.max(nearby) == pytest.approx(height, rel=0.1)


def test_walls_are_duller_at_high_frequencies() -> None:
    ripple = np.abs(transfer(ROOM)) - 1
    f = np.fft.rfftfreq(SIZE, 1 / RATE_HZ)
    assert np.std(ripple[f > 10000]) < 0.1 * np.std(ripple[(f > 100) & (f < 1000)])


def test_a_seed_is_a_room() -> None:
    assert room_of(3, 40.0) == room_of(3, 40.0)
    assert room_of(3, 40.0) != room_of(4, 40.0)
    assert room_of(3, 40.0).ambient_db == 40.0


@pytest.mark.parametrize("level_db", [38.0, 75.0])
def test_pink_noise_has_its_level(level_db: float) -> None:
    spectrum = pink_spectrum(np.random.default_rng(1), level_db, 480000, RATE_HZ)
    noise = np.fft.irfft(spectrum, 480000)
    assert 20 * np.log10(np.std(noise) / 20e-6) == pytest.approx(level_db, abs=0.2)


def test_pink_noise_has_equal_octaves() -> None:
    noise = np.fft.irfft(pink_spectrum(np.random.default_rng(2), 60.0, 480000, RATE_HZ), 480000)
    power = np.abs(np.fft.rfft(noise)) ** 2
    f = np.fft.rfftfreq(480000, 1 / RATE_HZ)
    octaves = [10 * np.log10(power[(f >= low) & (f < 2 * low)].sum()) for low in (40, 160, 640, 2560, 9000)]
    # The lowest octave has 400 lines: its power is known to 5 %.
    assert np.ptp(octaves) < 0.6
    assert power[(f < 19) | (f > 20100)].sum() < 1e-6 * power.sum()
