"""Captures of a unit that buzzes or does not, in a room that is quiet or not: nothing here knows the simulated bench.

The unit plays 90 dB SPL at the microphone at all frequencies, with a second and third harmonic below 400 Hz. What rubs,
rattles, blows or slams is added in pascal at the microphone, on the clock of the sweep as it arrives there.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from captures import BENCH, RATE_HZ, V_PER_PA
from numpy.typing import NDArray
from scipy import fft
from scipy import signal as filters

from rig.signals import stimulus
from rig.signals.gating import half_cosine
from rig.values.captures import Capture
from rig.values.requests import Sweep

Floats = NDArray[np.float64]

REQUEST = Sweep("playing", "only", "only", 1.0, 1.0, 20.0, 20000.0, 1.5, "on axis")
SENT = (REQUEST.start_hz, REQUEST.stop_hz, REQUEST.seconds)
PLAN = stimulus.layout(*SENT, RATE_HZ)
LEAD_IN, _ = PLAN.margins
RATE_S = PLAN.rate_s
#: Latency and flight, in frames.
LATE = 800.37
FRAMES = PLAN.frames + 4800
#: Of the fundamental: 90 dB SPL.
PEAK_PA = 20e-6 * 10 ** (90 / 20) * np.sqrt(2)
HARMONICS_BELOW_HZ = 400.0

TIME_S = np.arange(FRAMES) / RATE_HZ
#: When the sweep passes 20 Hz at the microphone.
PASSES_S = (PLAN.sweep_start + LEAD_IN + LATE) / RATE_HZ
#: The sweep's frequency while it sounds, and 0 before and after.
BEGINS_S, ENDS_S = ((edge + LATE) / RATE_HZ for edge in (PLAN.sweep_start, PLAN.sweep_stop))
SOUNDS = (TIME_S > BEGINS_S) & (TIME_S < ENDS_S)
FREQUENCY_HZ = np.where(SOUNDS, PLAN.frequency_hz(np.minimum(TIME_S - PASSES_S, 3.0)), 0.0)

BURST_HIGH_PASS = filters.butter(4, 1500.0, "high", fs=RATE_HZ, output="sos")
BURST_DECAY_S = 0.00025
BURST_JITTER_S = 0.0002
BUZZ_BAND_HZ = (60.0, 140.0)


@dataclass(frozen=True)
class Buzz:
    """One burst a cycle while the sweep is in a band."""

    #: Peak of each burst relative to the fundamental's.
    level_db: float
    #: Place in the cycle, in cycles, at 90 Hz.
    phase: float = 0.3
    #: Drift of it, in cycles per octave.
    slope: float = 0.0
    band_hz: tuple[float, float] = BUZZ_BAND_HZ
    #: "noise": noise under the decay, new in each burst; "click": the bare decay.
    carrier: str = "noise"


@lru_cache(maxsize=4)
def unit_pa(second: float = 0.02, third: float = 0.01, harmonics_below_hz: float = HARMONICS_BELOW_HZ) -> Floats:
    """What a good unit gives at the microphone; read only."""
    time_s = np.minimum((np.arange(FRAMES) - PLAN.sweep_start - LEAD_IN) / RATE_HZ, 3.0)
    frequency_hz = PLAN.frequency_hz(time_s)
    phase = PLAN.phase_rad(time_s)
    low = half_cosine(np.log(harmonics_below_hz / frequency_hz) / np.log(1.25))
    low *= PLAN.fade(frequency_hz)
    low[: PLAN.sweep_start] = 0.0
    played = np.pad(stimulus.compose(PLAN), (0, FRAMES - PLAN.frames))
    played = played + low * (second * np.sin(2 * phase) + third * np.sin(3 * phase))
    size = fft.next_fast_len(FRAMES + 4800, real=True)
    late = np.exp(-2j * np.pi * fft.rfftfreq(size) * LATE)
    sound = PEAK_PA * fft.irfft(fft.rfft(played, size) * late, size)[:FRAMES]
    sound.flags.writeable = False
    return sound


def harmonics_pa(random: np.random.Generator, twelfth_db: float, fall_db: float) -> Floats:
    """Regular harmonics from order 4 on, falling by so much an order, in phase: the twelfth lies so far down."""
    time_s = np.minimum((np.arange(FRAMES) - PLAN.sweep_start - LEAD_IN - LATE) / RATE_HZ, 3.0)
    frequency_hz, phase = PLAN.frequency_hz(time_s), PLAN.phase_rad(time_s)
    turn, sound = random.uniform(0, 2 * np.pi), np.zeros(FRAMES)
    for order in range(4, 41):
        heard = (order * frequency_hz < 20000) * 10 ** ((twelfth_db + fall_db * (12 - order)) / 20)
        sound += heard * np.sin(order * (phase + turn))
    begins = PLAN.fade(frequency_hz) * (time_s > -LEAD_IN / RATE_HZ)
    return PEAK_PA * begins * half_cosine(np.log(4000.0 / frequency_hz) / np.log(1.25)) * sound


def captured(pressure_pa: Floats) -> Capture:
    """A capture of this pressure at the microphone, with a loopback."""
    played = np.pad(stimulus.compose(PLAN), (0, FRAMES - PLAN.frames)) * REQUEST.level_v * np.sqrt(2)
    rows = np.array([pressure_pa * V_PER_PA, np.roll(played, int(LATE) - 70)], np.float32)
    return Capture(REQUEST, rows, ("microphone", "loopback"), RATE_HZ, BENCH)


@lru_cache(maxsize=1)
def _pink_shape() -> tuple[Floats, float]:
    frequency_hz = fft.rfftfreq(FRAMES, 1 / RATE_HZ)
    inside = (frequency_hz >= 20.0) & (frequency_hz <= 20000.0)
    shape = np.where(inside, 1 / np.sqrt(np.maximum(frequency_hz, 1.0)), 0.0)
    return shape, float(np.sqrt(np.sum(shape**2)) * 2 / FRAMES)


def pink_pa(random: np.random.Generator, level_db_spl: float) -> Floats:
    """Pink noise from 20 Hz to 20 kHz."""
    shape, rms = _pink_shape()
    spectrum = (random.standard_normal(shape.size) + 1j * random.standard_normal(shape.size)) * shape
    return np.asarray(fft.irfft(spectrum, FRAMES) * (20e-6 * 10 ** (level_db_spl / 20) / rms))


def burst(random: np.random.Generator, carrier: str = "noise") -> Floats:
    """One burst, its peak at 1."""
    frames = round(12 * BURST_DECAY_S * RATE_HZ)
    wave = np.exp(-np.arange(frames) / RATE_HZ / BURST_DECAY_S)
    if carrier == "noise":
        wave = wave * random.standard_normal(frames)
    wave = filters.sosfilt(BURST_HIGH_PASS, np.pad(wave, (0, 150)))
    return np.asarray(wave / np.max(np.abs(wave)))


def buzz_times_s(buzz: Buzz) -> Floats:
    """When a buzz's bursts are due, in the capture."""
    low, high = (edge * RATE_S for edge in buzz.band_hz)
    cycle = np.arange(np.floor(low), np.ceil(high))
    place = cycle + buzz.phase + buzz.slope * np.log2((cycle + buzz.phase) / (90.0 * RATE_S))
    place = place[(place >= low) & (place <= high)]
    return np.asarray(PASSES_S + RATE_S * np.log(place / (REQUEST.start_hz * RATE_S)))


def at_times_pa(random: np.random.Generator, times_s: Floats, level_db: float, carrier: str = "noise") -> Floats:
    """Bursts at times in the capture."""
    sound = np.zeros(FRAMES)
    for time_s in times_s:
        wave = burst(random, carrier)
        first = round(time_s * RATE_HZ)
        sound[first : first + wave.size] += wave * PEAK_PA * 10 ** (level_db / 20)
    return sound


def buzz_pa(random: np.random.Generator, buzz: Buzz) -> Floats:
    """A rub or a rattle."""
    times_s = buzz_times_s(buzz)
    jitter_s = BURST_JITTER_S * random.standard_normal(times_s.size)
    return at_times_pa(random, times_s + jitter_s, buzz.level_db, buzz.carrier)


def particle_pa(random: np.random.Generator, level_db: float, a_cycle: float = 1.2) -> Floats:
    """A loose particle: bursts at random phases while the sweep is in the band of a buzz."""
    low, high = (edge * RATE_S for edge in BUZZ_BAND_HZ)
    place = random.uniform(low, high, random.poisson(a_cycle * (high - low)))
    return at_times_pa(random, PASSES_S + RATE_S * np.log(place / (REQUEST.start_hz * RATE_S)), level_db)


def air_pa(random: np.random.Generator, level_db: float, below_hz: float = 90.0, both_ways: bool = False) -> Floats:
    """Air that a leak lets out while the cone moves in, or both ways: noise from 800 Hz to 8 kHz, so loud at most."""
    band = filters.butter(2, [800.0, 8000.0], "band", fs=RATE_HZ, output="sos")
    noise = filters.sosfilt(band, random.standard_normal(FRAMES))
    phase = 2 * np.pi * FREQUENCY_HZ * RATE_S + random.uniform(0, 2 * np.pi)
    moves = np.abs(np.sin(phase)) if both_ways else np.maximum(np.sin(phase), 0.0)
    loud = moves**2 * half_cosine(5 * np.log(below_hz / np.maximum(FREQUENCY_HZ, 1.0)))
    sound = noise * np.where(FREQUENCY_HZ > 0, loud, 0.0)
    return np.asarray(sound / np.std(noise) * PEAK_PA / np.sqrt(2) * 10 ** (level_db / 20))


def click_pa(random: np.random.Generator, at_s: float) -> Floats:
    """A loud click: something falls, a switch is thrown."""
    sound = np.zeros(FRAMES)
    frames = round(0.005 * RATE_HZ)
    wave = np.exp(-np.arange(frames) / RATE_HZ / 0.001) * random.standard_normal(frames)
    first = round(at_s * RATE_HZ)
    sound[first : first + frames] = wave / np.max(np.abs(wave)) * random.uniform(0.3, 0.8)
    return sound


def door_pa(random: np.random.Generator, at_s: float) -> Floats:
    """A door that falls shut: a thump and a rattle that die away."""
    after_s = np.maximum(TIME_S - at_s, 0.0)
    thump = np.sin(2 * np.pi * random.uniform(30, 90) * after_s) * np.exp(-after_s / 0.06)
    rattle = filters.lfilter(*filters.butter(1, [100, 4000], "band", fs=RATE_HZ), random.standard_normal(FRAMES))
    sound = random.uniform(0.05, 0.5) * thump + random.uniform(0.02, 0.2) * rattle * np.exp(-after_s / 0.04)
    return np.where(at_s < TIME_S, sound, 0.0)


def speech_pa(random: np.random.Generator, at_s: float, level_db_spl: float) -> Floats:
    """Something like speech: pulses of a wandering pitch through four resonances, and hisses, in syllables."""
    wander = np.cumsum(random.standard_normal(FRAMES)) / np.sqrt(FRAMES)
    pitch_hz = random.uniform(90, 260) * np.clip(1 + 0.1 * wander, 0.5, 1.5)
    voice = np.diff(np.floor(np.cumsum(pitch_hz) / RATE_HZ), prepend=0.0)
    mouth = ((random.uniform(300, 800), 90), (random.uniform(900, 2300), 120), (2800, 180), (3700, 250))
    for centre_hz, width_hz in mouth:
        radius = np.exp(-np.pi * width_hz / RATE_HZ)
        voice = filters.lfilter([1], [1, -2 * radius * np.cos(2 * np.pi * centre_hz / RATE_HZ), radius**2], voice)
    voice = np.diff(voice, prepend=0.0)
    hiss = filters.lfilter(*filters.butter(2, [3000, 8000], "band", fs=RATE_HZ), random.standard_normal(FRAMES))
    syllable = np.sin(2 * np.pi * random.uniform(1.5, 3.0) * (TIME_S - at_s))
    sound = np.clip(syllable, 0, 1) * voice / np.std(voice) + 0.4 * np.clip(-syllable - 0.5, 0, 1) * hiss / np.std(hiss)
    lasts = (at_s < TIME_S) & (at_s + random.uniform(0.6, 2.0) > TIME_S)
    return np.where(lasts, sound, 0.0) * 20e-6 * 10 ** (level_db_spl / 20)


def in_a_room(random: np.random.Generator, sound_pa: Floats, reverberation_s: float = 0.3, part: float = 0.5) -> Floats:
    """Sound with a diffuse room behind it: `part` is the reverberant energy over the direct one."""
    time_s = np.arange(round(reverberation_s * RATE_HZ)) / RATE_HZ
    tail = random.standard_normal(time_s.size) * 10 ** (-3 * time_s / reverberation_s) * half_cosine(time_s / 0.003)
    tail *= np.sqrt(part / np.sum(tail**2))
    return np.asarray(sound_pa + filters.fftconvolve(sound_pa, tail)[:FRAMES])


def breaking_up(random: np.random.Generator, sound_pa: Floats, peak_db: float = 12.0) -> Floats:
    """Sound through a cone that breaks up: four resonances above 3 kHz, of a Q of 30 to 60."""
    size = fft.next_fast_len(sound_pa.size + 9600, real=True)
    frequency_hz = fft.rfftfreq(size, 1 / RATE_HZ)
    gain, above_hz = np.ones(frequency_hz.size, np.complex128), 3000.0
    for _ in range(4):
        own_hz, quality = above_hz * random.uniform(1.0, 1.3), random.uniform(30.0, 60.0)
        above_hz = 1.25 * own_hz
        times = random.choice([-1, 1]) * (10 ** (random.uniform(0.4, 1.0) * peak_db / 20) - 1)
        damped = 1j * frequency_hz * own_hz / quality
        gain += times * damped / (own_hz**2 - frequency_hz**2 + damped)
    return np.asarray(fft.irfft(fft.rfft(sound_pa, size) * gain, size)[: sound_pa.size])
