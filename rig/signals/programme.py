"""Programme noise for long loud playing: endless, seeded, shaped by stated filters, with a stated crest factor.

White Gaussian noise passes a linear-phase filter that makes it pink and shapes it, then a soft limiter. The filters are
magnitudes of continuous-time prototypes, met on the lines of a long FFT, thus alike at every sample rate. The limiter
is an error function, the one smooth curve for which the RMS value and the spectrum behind it are known in closed form
(R. F. Baum, "The Correlation Function of Smoothly Limited Gaussian Noise", IRE Trans. Inf. Theory 3, 1957).

What the limiter does to the spectrum: it adds products of third and higher odd order, at a crest factor of 2 by 16 dB
below the whole, spread over the band and to three times its upper end.
Nothing is filtered behind the limiter, so that no sample ever exceeds the crest factor.
"""

import math
from functools import lru_cache

import numpy as np
import scipy
from numpy.typing import ArrayLike

from rig.signals.arrays import Floats
from rig.signals.noise_shape import Noise, NoiseFilter

#: Length of the kernel in seconds; how far its spectrum may be off, and down to which level that counts: all three
#: checked against each other when a kernel is made; numerical.
_KERNEL_S = 0.6
_ACCURACY_DB = 0.1
_ACCURATE_TO_DB = 40.0

#: Pink noise without ends would have no finite power: these belong to every noise (0.06 dB from 20 Hz to 20 kHz).
ENDS = (NoiseFilter("highpass", 8.0, order=4), NoiseFilter("lowpass", 24e3, order=12))
#: A shape of our own: as much in every octave as music tends to have, little at the bottom and falling in the treble.
#: It follows no standard.
MUSIC_LIKE = (NoiseFilter("highpass", 40.0, order=2), NoiseFilter("lowpass", 4000.0, order=1))


def plain_pink(seed: int = 1, crest_factor: float = 2.0) -> Noise:
    """Pink noise: equal power in all fractional-octave bands from 20 Hz to 20 kHz."""
    return Noise((), crest_factor, seed)


def decade_band(low_hz: float, seed: int = 1) -> Noise:
    """Pink noise one decade wide from second-order Butterworth filters, its peaks 6 dB above RMS (as in AES2-1984)."""
    return Noise((NoiseFilter("highpass", low_hz), NoiseFilter("lowpass", 10 * low_hz)), 2.0, seed)


def music_like(seed: int = 1) -> Noise:
    """Noise of the shape `MUSIC_LIKE`, with a crest factor of 2."""
    return Noise(MUSIC_LIKE, 2.0, seed)


def filter_db(one: NoiseFilter, frequency_hz: ArrayLike) -> Floats:
    """Level of one filter in dB, minus infinity where it passes nothing.

    Butterworth magnitudes; shelves (of slope 1) and peaks are the prototypes of R. Bristow-Johnson, "Cookbook formulae
    for audio equalizer biquad filter coefficients".
    """
    ratio = np.asarray(frequency_hz, np.float64) / one.hz
    with np.errstate(divide="ignore", over="ignore"):
        if one.kind == "lowpass":
            return np.asarray(-10 * np.log10(1 + ratio ** (2 * one.order)))
        if one.kind == "highpass":
            return np.asarray(-10 * np.log10(1 + (1 / ratio) ** (2 * one.order)))
    root = 10 ** (one.gain_db / 40)
    if one.kind == "high shelf":
        # A low shelf seen with frequency turned round.
        ratio = 1 / np.maximum(ratio, 1e-30)
    s = 1j * ratio
    if one.kind == "peak":
        found = (s**2 + s * root / one.q + 1) / (s**2 + s / (root * one.q) + 1)
    else:
        across = math.sqrt(2 * root) * s
        found = root * (s**2 + across + root) / (root * s**2 + across + 1)
    return np.asarray(20 * np.log10(np.abs(found)))


def spectrum_db(noise: Noise, frequency_hz: ArrayLike) -> Floats:
    """The stated spectrum in equal fractional-octave bands, before the limiter; 0 dB where every filter passes.

    Parameters
    ----------
    noise : Noise
    frequency_hz : array_like
        Frequencies from 0 Hz, any shape.

    Returns
    -------
    ndarray
        Sum of `filter_db` of the noise's filters and of `ENDS` in dB; pink noise is flat.
    """
    frequency = np.asarray(frequency_hz, np.float64)
    return sum((filter_db(one, frequency) for one in (*noise.filters, *ENDS)), np.zeros_like(frequency))


def _softness(crest_factor: float) -> float:
    """Baum's k: the square of a limited unit noise's RMS value over its peak is ``2 / pi asin k``."""
    return math.sin(math.pi / (2 * crest_factor**2))


def _block_frames(sample_rate_hz: float) -> int:
    if not 8000 <= sample_rate_hz <= 400e3:
        raise ValueError(f"noise needs a sample rate from 8000 Hz to 400000 Hz, found {sample_rate_hz}")
    return int(2 ** math.ceil(math.log2(_KERNEL_S * sample_rate_hz)))


@lru_cache(maxsize=16)
def _kernel_spectrum(filters: tuple[NoiseFilter, ...], sample_rate_hz: float) -> Floats:
    """Spectrum, on twice a block, of a kernel one block long, which makes white noise pink and shapes it."""
    block = _block_frames(sample_rate_hz)
    noise = Noise(filters)
    # A grid four times as fine: what a kernel of one block cannot follow is cut off by a window, not folded into it.
    fine_hz = np.arange(2 * block + 1) * sample_rate_hz / (4 * block)
    with np.errstate(divide="ignore", invalid="ignore"):
        wanted = np.where(fine_hz > 0, 10 ** (spectrum_db(noise, fine_hz) / 20) / np.sqrt(fine_hz), 0.0)
    symmetric = scipy.fft.irfft(wanted)
    half = block // 2
    kernel = np.zeros(2 * block)
    fall = 0.5 + 0.5 * np.cos(np.pi * np.clip(np.arange(half) / half * 2 - 1, 0, 1))
    kernel[:half] = symmetric[:half] * fall
    kernel[-half + 1 :] = kernel[1:half][::-1]
    spectrum = np.asarray(scipy.fft.rfft(kernel).real)
    _require_accuracy(noise, spectrum, sample_rate_hz)
    spectrum.setflags(write=False)
    return spectrum


def _require_accuracy(noise: Noise, spectrum: Floats, sample_rate_hz: float) -> None:
    at_hz = np.linspace(0, sample_rate_hz / 2, spectrum.size)
    use = (at_hz >= 20) & (at_hz <= min(20e3, 0.45 * sample_rate_hz))
    stated = spectrum_db(noise, at_hz[use])
    found = 20 * np.log10(np.maximum(np.abs(spectrum[use]), 1e-30)) + 10 * np.log10(at_hz[use])
    wrong = np.where(stated > np.max(stated) - _ACCURATE_TO_DB, np.abs(found - stated), 0.0)
    if np.max(wrong) > _ACCURACY_DB:
        worst = at_hz[use][np.argmax(wrong)]
        off = f"{np.max(wrong):.2f} dB off; allowed is {_ACCURACY_DB} dB"
        raise ValueError(f"the noise's filters are too steep at {worst:.0f} Hz: {off}")


class NoiseSource:
    """Endless noise of one channel, of RMS 1 in the long term, no sample beyond the crest factor.

    The same noise, sample rate and channel give the same samples, however they are read; channels are independent.
    Frame n depends on nothing but n, so that a source may begin anywhere. Two blocks of white noise are all it holds.

    Parameters
    ----------
    noise : Noise
    sample_rate_hz : float
        Sample rate in Hz, 8 kHz to 400 kHz.
    channel : int
        Number of the channel, from 0.

    Raises
    ------
    ValueError
        If the sample rate is out of range, or the filters are too steep for the kernel (0.1 dB).
    """

    def __init__(self, noise: Noise, sample_rate_hz: float, channel: int) -> None:
        self._spectrum = _kernel_spectrum(noise.filters, float(sample_rate_hz))
        self._frames = self._spectrum.size - 1
        self._seed = (int(noise.seed), int(channel))
        self._peak = noise.crest_factor
        softness = _softness(noise.crest_factor)
        # White noise of unit variance leaves the kernel with the mean of its squared spectrum as variance.
        square = self._spectrum**2
        variance = float(np.sum(square[:-1] + square[1:])) / (2 * self._frames)
        self._gain = math.sqrt(softness / (2 * (1 - softness)) / variance)
        self._position = 0
        self._held: tuple[int, Floats] = (-1, np.empty(0))
        self._white: tuple[int, Floats] = (-1, np.empty(0))

    @property
    def position(self) -> int:
        """The frame that is read next."""
        return self._position

    def seek(self, frame: int) -> None:
        """Go on at a frame counted from the beginning."""
        self._position = int(frame)

    def read(self, frames: int) -> Floats:
        """The next frames.

        Parameters
        ----------
        frames : int
            How many, from 0.

        Returns
        -------
        ndarray, shape (frames,)
            Noise of RMS 1.
        """
        parts = [np.empty(0)]
        left = int(frames)
        while left:
            index, start = divmod(self._position, self._frames)
            part = self._block(index)[start : start + left]
            parts.append(part)
            left -= part.size
            self._position += part.size
        return np.concatenate(parts)

    def _block(self, index: int) -> Floats:
        if self._held[0] != index:
            before = self._white[1] if self._white[0] == index else self._white_block(index)
            self._white = (index + 1, self._white_block(index + 1))
            both = scipy.fft.rfft(np.concatenate((before, self._white[1])))
            # The kernel reaches half a block to both sides: the middle of the circular convolution is whole.
            half = self._frames // 2
            shaped = scipy.fft.irfft(both * self._spectrum)[half : half + self._frames]
            self._held = (index, self._peak * scipy.special.erf(self._gain * shaped))
        return self._held[1]

    def _white_block(self, index: int) -> Floats:
        seed, channel = self._seed
        sequence = np.random.SeedSequence(seed, spawn_key=(channel, index))
        return np.random.Generator(np.random.PCG64(sequence)).standard_normal(self._frames)
