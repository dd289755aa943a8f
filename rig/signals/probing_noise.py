"""Which input hears which output: a known noise is sought in a recording by correlation."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import scipy

from rig.signals.arrays import Singles

#: The noise that is played: its length, its ends, and by how much its peaks are above its RMS at most; our choice.
PROBE_S, FROM_HZ, TO_HZ, CREST = 0.5, 60.0, 16000.0, 4.0
#: A correlation this many times what chance gives is no chance: among 50,000 delays once in 10^10 probes; our choice.
CLEAR = 9.0
#: Standard deviation of Gaussian numbers over the median of their magnitudes; by definition.
MEDIAN_TO_SIGMA = 1.4826
#: Around a correlation's peak so much is what arrives: of a cable a sample, of a box in a room some milliseconds; our
#: choice.
ARRIVES_S = 0.004


@dataclass(frozen=True)
class ProbedPath:
    """What one input heard of one output."""

    #: Number of the input, from 1.
    input: int
    #: Sample at the input per sample at the output, of what arrives around the peak.
    gain: float
    #: Whether the wave came upside down.
    is_inverted: bool
    #: From output to input.
    delay_s: float
    #: Peak of the correlation over what chance gives.
    clearness: float

    @property
    def is_clear(self) -> bool:
        """Whether it was heard beyond doubt."""
        return self.clearness >= CLEAR


@lru_cache(maxsize=4)
def probe_noise(sample_rate_hz: float, seed: int = 1) -> Singles:
    """Noise of RMS 1, softly begun and ended, no sample beyond the crest factor; shape (frames,)."""
    frames = round(PROBE_S * sample_rate_hz)
    spectrum = scipy.fft.rfft(np.random.default_rng(seed).standard_normal(frames))
    hz = scipy.fft.rfftfreq(frames, 1 / sample_rate_hz)
    spectrum[(hz < FROM_HZ) | (hz > min(TO_HZ, 0.45 * sample_rate_hz))] = 0
    noise = scipy.fft.irfft(spectrum, frames)
    noise *= scipy.signal.windows.tukey(frames, 0.05)
    noise = np.clip(noise / np.std(noise), -CREST, CREST)
    found: Singles = (noise / np.std(noise)).astype(np.float32)
    return found


def probed_paths(sent: Singles, recorded: Singles, sample_rate_hz: float) -> list[ProbedPath]:
    """What each input heard of a noise.

    Parameters
    ----------
    sent : array of shape (frames,)
        As it was written to the output.
    recorded : array of shape (inputs, frames)
        From when it was written on; longer than the noise by the longest delay that is sought.
    sample_rate_hz : float

    Returns
    -------
    list of ProbedPath
        One for each input, in their order.
    """
    length = scipy.fft.next_fast_len(recorded.shape[1] + sent.size, real=True)
    lags = recorded.shape[1] - sent.size + 1
    energy = float(np.sum(sent.astype(np.float64) ** 2))
    reference = np.conj(scipy.fft.rfft(sent, length))
    width = round(ARRIVES_S * sample_rate_hz)
    alike = scipy.fft.irfft(np.abs(reference) ** 2, length) / energy
    # What the noise's own correlation has there, which a cable hands on as it is.
    own = float(np.sum(alike[: width + 1] ** 2) + np.sum(alike[-width:] ** 2))
    found = []
    for number, row in enumerate(recorded, 1):
        signal = row - np.mean(row)
        match = scipy.fft.irfft(scipy.fft.rfft(signal, length) * reference, length)[:lags] / energy
        at = int(np.argmax(np.abs(match)))
        # By chance a correlation with so many samples has this standard deviation, were what is heard white; where it
        # is not, the rest of the correlation tells.
        chance = float(np.sqrt(np.mean(signal**2, dtype=np.float64) / energy)) or np.inf
        quiet = MEDIAN_TO_SIGMA * float(np.median(np.abs(match[::4])))
        near = match[max(0, at - width) : at + width + 1]
        arrived = max(np.sum(near**2) - near.size * quiet**2, 0.0)
        found.append(
            ProbedPath(
                input=number,
                gain=float(np.sqrt(arrived / own)),
                is_inverted=bool(match[at] < 0),
                delay_s=at / sample_rate_hz,
                clearness=float(abs(match[at]) / max(chance, quiet)),
            )
        )
    return found
