"""What a simulated unit sounds like besides its linear response, and what else sounds in the room.

A unit's noises follow from the motion of its cone, which follows from the sweep: a coil rubs where the cone has
travelled through its clearance, air blows where the box's pressure drives it. They are given in pascal at the
microphone, on the clock of the direct sound there, and grow with the sweep's level: what is stated is their level
relative to the sound of the sweep itself.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
import scipy
from numpy.typing import NDArray

from rig.signals.arrays import Complex, Floats
from rig.signals.levels import REFERENCE_PRESSURE_PA
from rig.signals.stimulus import Layout, compose
from rig.simulated.elements import MovingCoil, Speaker
from rig.simulated.physics import driven

Chance = np.random.Generator
NoiseKind = Literal["rub", "buzz", "particle", "blowing", "bent"]

#: What a short contact sets ringing, and for how long; the sound of stiff small parts has no low frequencies; made up.
RINGING_HZ = (1800.0, 9000.0)
RINGING_MODES = 6
RINGING_DECAY_S = 0.00025
RINGING_LASTS_S = 0.004
RINGING_HIGH_PASS_HZ = 1500.0
#: A coil touches where the cone has travelled so much of its excursion at the resonance in the box; made up.
CLEARANCE = 0.3
#: No two contacts are quite alike: spread of their times, and chance that one comes again on the way back; made up.
JITTER_S = 0.0001
AGAIN = 0.2
#: What is loose rattles near a resonance of its own, in parts of the driver's in its box, and this far around it; made
#: up.
LOOSE_RATIO = 1.25
LOOSE_Q = 2.0
RATTLES_WITHIN = 1.5
#: A loose particle is thrown so many times a second, up to so many times the resonance; made up.
THROWS_A_SECOND = 20.0
THROWN_BELOW = 2.0
BLOWING_BAND_HZ = (1000.0, 8000.0)
#: Above this the cone's travel makes no noise of its own; made up.
MOTION_BELOW_HZ = 1000.0
#: A harmonic generator sees the drive up to here, in parts of the sample rate: the third harmonic then has no aliases;
#: made up.
BENDING_BAND = (0.12, 0.155)


@dataclass(frozen=True)
class Noise:
    """One thing that a box does besides its linear response."""

    kind: NoiseKind
    box: str
    #: Level relative to the fundamental at the microphone in dB; of a bent cone, percent.
    amount: float


@dataclass(frozen=True, eq=False)
class Motion:
    """A box while the sweep plays, as arrays over time, shape (frames,), as if it all stood at the microphone."""

    plan: Layout
    #: When the sound of the stimulus' first sample arrives.
    arrives_s: float
    #: Direct sound of the sweep in pascal and, as its imaginary part, the same a quarter of a cycle later.
    sound_pa: Complex
    #: Relative to its peak at `resonance_hz`.
    excursion: Floats
    #: Pressure of the air in the box, relative to its highest.
    box_pressure: Floats
    resonance_hz: float
    #: Peak of the direct sound at `resonance_hz`.
    at_resonance_pa: float

    @property
    def time_s(self) -> Floats:
        """Time of each sample from the arrival of the stimulus' first, before which nothing sounds."""
        return np.arange(self.excursion.size) / self.plan.sample_rate_hz - self.arrives_s

    @property
    def after_start_s(self) -> Floats:
        """Time of each sample from the sweep's passing of its first frequency."""
        plan = self.plan
        lead_in, _ = plan.margins
        return self.time_s - (plan.sweep_start + lead_in) / plan.sample_rate_hz

    @property
    def frequency_hz(self) -> Floats:
        """Frequency of the sweep at each sample; 0 while no sweep sounds."""
        plan = self.plan
        sounds = (self.time_s * plan.sample_rate_hz >= plan.sweep_start) & (
            self.time_s * plan.sample_rate_hz < plan.sweep_stop
        )
        within_s = np.minimum(self.after_start_s, 2 * plan.seconds)
        now_hz = plan.frequency_hz(within_s)
        return np.where(sounds, now_hz, 0.0)

    @property
    def turns(self) -> Floats:
        """Phase of the sweep at each sample, in cycles."""
        plan = self.plan
        within_s = np.minimum(self.after_start_s, 2 * plan.seconds)
        return plan.phase_rad(within_s) / (2 * np.pi)


def moving_driver(box: Speaker) -> MovingCoil:
    """The driver that moves most air: the one of the lowest resonance."""
    return max(box.coils, key=lambda coil: coil.mass_kg * coil.compliance_m_n)


def resonance_hz(box: Speaker) -> float:
    """Resonance of the moving driver on its suspension and the air of its box."""
    coil = moving_driver(box)
    stiffness = 1 / coil.compliance_m_n
    if box.air and coil.in_box:
        stiffness += coil.area_m2 * box.area_in_box_m2() / box.air.compliance
    return float(np.sqrt(stiffness / coil.mass_kg) / (2 * np.pi))


def motion_of(
    box: Speaker, plan: Layout, size: int, lead_v: Complex, direct: Complex, arrives_s: float
) -> Motion | None:
    """What a box does while a stimulus plays; None if nothing moves.

    Parameters
    ----------
    box : Speaker
    plan : Layout
        Of the stimulus.
    size : int
        Frames wanted; the stimulus and what follows it must fit in.
    lead_v, direct : complex arrays of shape (size // 2 + 1,)
        Volts at the leads for a stimulus of 1, and direct sound at the microphone in pascal for 1 V at the leads.
    arrives_s : float
        Time of flight.
    """
    stimulus = scipy.fft.rfft(compose(plan), size)
    bins_hz = scipy.fft.rfftfreq(size, 1 / plan.sample_rate_hz)
    coil, centre_hz = moving_driver(box), resonance_hz(box)
    some_hz = bins_hz[1 : int(np.searchsorted(bins_hz, MOTION_BELOW_HZ))]
    fed_v, moving = lead_v[1 : some_hz.size + 1], driven(box, some_hz)
    travel = fed_v * moving.velocity[coil.name] / (2j * np.pi * some_hz)
    pressure = fed_v * moving.air_pa
    peak = float(np.interp(centre_hz, some_hz, np.abs(travel)))
    if not peak > 0:
        return None

    def at_microphone(part: Complex) -> Floats:
        late = part * stimulus[1 : part.size + 1] * np.exp(-2j * np.pi * some_hz * arrives_s)
        return np.asarray(scipy.fft.irfft(np.concatenate([[0.0], late]), size))

    sound = stimulus * lead_v * direct
    return Motion(
        plan=plan,
        arrives_s=arrives_s,
        sound_pa=scipy.fft.irfft(sound, size) + 1j * scipy.fft.irfft(-1j * sound, size),
        excursion=at_microphone(travel / peak),
        box_pressure=_over_its_peak(at_microphone(pressure)),
        resonance_hz=centre_hz,
        at_resonance_pa=float(np.interp(centre_hz, bins_hz, np.abs(lead_v * direct))),
    )


def noise_pa(noise: Noise, motion: Motion, chance: Chance) -> Floats:
    """Direct sound of a noise at the microphone, in pascal, shape (frames,)."""
    makers: dict[NoiseKind, Callable[[Motion, float, Chance], Floats]] = {
        "rub": _rub_pa,
        "buzz": _buzz_pa,
        "particle": _particle_pa,
        "blowing": _blowing_pa,
        "bent": lambda motion, percent, _: _bent_pa(motion, percent),
    }
    return makers[noise.kind](motion, noise.amount, chance)


def _rub_pa(motion: Motion, level_db: float, chance: Chance) -> Floats:
    """A coil touches the gap where the cone has used up its clearance, as loudly as it is fast there.

    A cone that moves as X sin(w t) passes the place d at the speed w sqrt(X^2 - d^2). Of the level stated are the
    contacts at the resonance in the box.
    """
    beyond = motion.excursion > CLEARANCE
    outwards = np.flatnonzero(beyond[1:] & ~beyond[:-1])
    back = np.flatnonzero(beyond[:-1] & ~beyond[1:])
    at = np.concatenate([outwards, back[chance.random(back.size) < AGAIN]])
    speed = np.abs(np.diff(motion.excursion))[at] * motion.plan.sample_rate_hz
    own_speed = 2 * np.pi * motion.resonance_hz * np.sqrt(1 - CLEARANCE**2)
    loud_pa = motion.at_resonance_pa * 10 ** (level_db / 20) * speed / own_speed
    return _contacts_pa(motion, at, loud_pa, chance)


def _buzz_pa(motion: Motion, level_db: float, chance: Chance) -> Floats:
    """Something loose strikes once a cycle, or on both sides, while the sweep is near its resonance."""
    frequency_hz, own_hz = motion.frequency_hz, LOOSE_RATIO * motion.resonance_hz
    near = (frequency_hz > own_hz / RATTLES_WITHIN) & (frequency_hz < own_hz * RATTLES_WITHIN)
    ratio = np.where(near, frequency_hz / own_hz, 1.0)
    lag = np.arctan2(ratio / LOOSE_Q, 1 - ratio**2) / (2 * np.pi)
    place = motion.turns - lag + chance.random()
    struck = near[1:] & near[:-1]
    one, other = (np.flatnonzero(struck & (np.diff(np.floor(place + side)) > 0)) for side in (0.0, 0.5))
    at = np.concatenate([one, other[chance.random(other.size) < AGAIN]])
    return _contacts_pa(motion, at, np.abs(motion.sound_pa[at]) * 10 ** (level_db / 20), chance)


def _particle_pa(motion: Motion, level_db: float, chance: Chance) -> Floats:
    """A loose particle is thrown at no particular phase, and falls now harder, now softer."""
    frequency_hz = motion.frequency_hz
    thrown = (frequency_hz > 0.25 * motion.resonance_hz) & (frequency_hz < THROWN_BELOW * motion.resonance_hz)
    at = np.flatnonzero(thrown & (chance.random(thrown.size) < THROWS_A_SECOND / motion.plan.sample_rate_hz))
    loud_pa = motion.at_resonance_pa * 10 ** (level_db / 20) * chance.uniform(0.4, 1.0, at.size)
    return _contacts_pa(motion, at, loud_pa, chance)


def _blowing_pa(motion: Motion, level_db: float, chance: Chance) -> Floats:
    """Air hisses through a leak twice a cycle.

    The speed of the air goes with the root of the box's pressure (Bernoulli), the sound of turbulence at an edge with
    the speed's third power (a dipole: Curle, Proc. R. Soc. A 231, 1955). At its loudest the noise's RMS value is of
    the level stated against the fundamental's RMS value there.
    """
    hiss = _band_noise(chance, motion.excursion.size, BLOWING_BAND_HZ, motion.plan.sample_rate_hz)
    loudest = int(np.argmax(np.abs(motion.box_pressure)))
    rms_pa = np.abs(motion.sound_pa[loudest]) / np.sqrt(2) * 10 ** (level_db / 20)
    return np.asarray(rms_pa * np.abs(motion.box_pressure) ** 1.5 * hiss)


def _bent_pa(motion: Motion, percent: float) -> Floats:
    """Second and third harmonic of the direct sound, each so many percent of it, at every level."""
    spectrum = scipy.fft.rfft(motion.sound_pa.real)
    spectrum *= below_folding(scipy.fft.rfftfreq(motion.sound_pa.size))
    wave = scipy.fft.irfft(spectrum, motion.sound_pa.size) + 1j * scipy.fft.irfft(-1j * spectrum, motion.sound_pa.size)
    size = np.abs(wave)
    turn = wave / np.where(size > 0, size, 1.0)
    return np.asarray(percent / 100 * size * np.real(turn**2 + turn**3))


def below_folding(frequency_of_rate: Floats) -> Floats:
    """Weight of what a harmonic generator may see: 1 to 0 over `BENDING_BAND`, at frequencies over the sample rate."""
    part = np.clip((frequency_of_rate - BENDING_BAND[0]) / (BENDING_BAND[1] - BENDING_BAND[0]), 0.0, 1.0)
    return np.asarray(np.cos(0.5 * np.pi * part) ** 2)


def _contacts_pa(motion: Motion, at: NDArray[np.int64], peak_pa: Floats, chance: Chance) -> Floats:
    """Short contacts at samples, each of its own peak: a few modes ring, in phases that differ from one to the next."""
    rate_hz = motion.plan.sample_rate_hz
    time_s = np.arange(round(RINGING_LASTS_S * rate_hz)) / rate_hz
    modes_hz = chance.uniform(*RINGING_HZ, RINGING_MODES)
    phases = chance.uniform(0, 2 * np.pi, (at.size, RINGING_MODES, 1))
    rings = np.sum(np.sin(2 * np.pi * modes_hz[:, np.newaxis] * time_s + phases), axis=1)
    high_pass = scipy.signal.butter(4, RINGING_HIGH_PASS_HZ, "high", fs=rate_hz, output="sos")
    rings = scipy.signal.sosfilt(high_pass, rings * np.exp(-time_s / RINGING_DECAY_S), axis=-1)
    jitter = np.rint(JITTER_S * rate_hz * chance.standard_normal(at.size)).astype(np.int64)
    sound = np.zeros(motion.excursion.size + time_s.size)
    for first, ring, loud_pa in zip(np.maximum(at + jitter, 0), rings, peak_pa, strict=True):
        sound[first : first + time_s.size] += loud_pa * _over_its_peak(ring)
    return sound[: motion.excursion.size]


def _over_its_peak(wave: Floats) -> Floats:
    """A wave with its peak at 1; silence stays silence."""
    peak = float(np.max(np.abs(wave), initial=0.0))
    return np.asarray(wave / peak) if peak > 0 else wave


def _band_noise(chance: Chance, frames: int, band_hz: tuple[float, float], rate_hz: float) -> Floats:
    """Noise of RMS 1 within a band."""
    band = scipy.signal.butter(2, band_hz, "band", fs=rate_hz, output="sos")
    noise = scipy.signal.sosfilt(band, chance.standard_normal(frames))
    return np.asarray(noise / np.std(noise))


def knock(plan: Layout, frames: int) -> Floats:
    """A thud of 180 Hz that dies away in 20 ms, of peak near 1, shape (frames,)."""
    time_s = np.arange(frames) / plan.sample_rate_hz
    return np.asarray(1.2 * np.exp(-time_s / 0.02) * np.sin(2 * np.pi * 180.0 * time_s))


def door_pa(plan: Layout, frames: int, peak_pa: float, chance: Chance) -> Floats:
    """A door slams in the middle of the sweep: its leaf thumps for 0.3 s, lock and frame rattle, shape (frames,)."""
    after_s = np.arange(frames) / plan.sample_rate_hz - (plan.sweep_start + plan.sweep_stop) / 2 / plan.sample_rate_hz
    passed_s = np.maximum(after_s, 0.0)
    thump = np.sin(2 * np.pi * chance.uniform(35.0, 80.0) * passed_s) * np.exp(-passed_s / 0.1)
    rattle = _band_noise(chance, frames, (150.0, 5000.0), plan.sample_rate_hz) * np.exp(-passed_s / 0.05)
    return peak_pa * _over_its_peak(np.where(after_s > 0, thump + 0.2 * rattle, 0.0))


def speech_pa(plan: Layout, frames: int, level_db: float, chance: Chance) -> Floats:
    """Somebody speaks all the time: noise of the spectrum of speech, in syllables, half of it pulsed by a voice.

    The long-term spectrum is flat up to 500 Hz and falls by about 9 dB per octave above (Byrne and others, JASA 96,
    1994, from memory); the envelope varies most at 4 Hz (Houtgast and Steeneken, JASA 77, 1985, from memory).
    """
    rate_hz = plan.sample_rate_hz
    time_s = np.arange(frames) / rate_hz
    spectrum = scipy.fft.rfft(chance.standard_normal(frames))
    of_speech = scipy.fft.rfftfreq(frames, 1 / rate_hz)
    spectrum *= (of_speech > 80.0) / (1 + (of_speech / 500.0) ** 2) ** 0.75
    wander = np.cumsum(chance.standard_normal(frames)) / np.sqrt(frames)
    syllable = np.sin(np.pi * np.cumsum(4.0 * (1 + 0.3 * wander)) / rate_hz + chance.uniform(0, np.pi)) ** 2
    pitch = np.cumsum(chance.uniform(100.0, 220.0) * (1 + 0.1 * wander)) / rate_hz
    voiced = np.sin(np.pi * 1.3 * time_s + chance.uniform(0, np.pi)) > 0
    pulses = np.where(voiced, np.exp(-6.0 * (pitch % 1.0)), 0.4)
    sound = scipy.fft.irfft(spectrum, frames) * syllable * pulses
    return np.asarray(sound / np.std(sound) * REFERENCE_PRESSURE_PA * 10 ** (level_db / 20))


def other_sound_v(plan: Layout, frames: int, rms_v: float, chance: Chance) -> Floats:
    """What another program plays meanwhile: somebody's voice, shape (frames,)."""
    return np.asarray(speech_pa(plan, frames, 0.0, chance) / REFERENCE_PRESSURE_PA * rms_v)


#: Sounds from outside by the fault that they are: given the stimulus, the frames wanted and an amount.
OUTSIDE: dict[str, Callable[[Layout, int, float, Chance], Floats]] = {"door": door_pa, "speech": speech_pa}


def hum(plan: Layout, frames: int, chance: Chance) -> Floats:
    """50 Hz and its third harmonic, of peak 1 or less, at a phase of its own in each capture, shape (frames,)."""
    phase = 2 * np.pi * (50.0 * np.arange(frames) / plan.sample_rate_hz + chance.uniform())
    return np.asarray(0.8 * np.sin(phase) + 0.2 * np.sin(3 * phase))


def hum_and_hiss_v(hum_v: float, hiss_v: float, frames: int, rate_hz: float, chance: Chance) -> Floats:
    """What an amplifier gives with nothing playing, from RMS values, shape (frames,)."""
    time_s = np.arange(frames) / rate_hz
    phases = chance.uniform(0, 2 * np.pi, 4)
    lines = [np.sin(2 * np.pi * 50.0 * n * time_s + phase) / n for n, phase in enumerate(phases, 1)]
    humming = hum_v * np.sqrt(2) * np.sum(lines, axis=0) / np.sqrt(sum(1 / n**2 for n in range(1, 5)))
    return np.asarray(humming + hiss_v * chance.standard_normal(frames))
