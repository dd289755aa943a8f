"""What a programme's noise is to be, as values: its filters, its crest factor and its seed."""

from dataclasses import dataclass
from typing import Literal

FilterKind = Literal["highpass", "lowpass", "low shelf", "high shelf", "peak"]

#: Below, the products of the limiter fill the gaps of any shape; above, unlimited noise hardly gets in a minute; our
#: choice.
LOWEST_CREST_FACTOR, HIGHEST_CREST_FACTOR = 1.5, 4.0
_MOST_GAIN_DB = 40.0


@dataclass(frozen=True)
class NoiseFilter:
    """One filter of a noise's shape.

    Raises
    ------
    ValueError
        If a number is out of its range.
    """

    kind: FilterKind
    hz: float
    #: Of a Butterworth high-pass or low-pass, 1 to 12.
    order: int = 2
    #: Of shelves and peaks; a shelf has half of it (in dB) at its frequency.
    gain_db: float = 0.0
    #: Of peaks.
    q: float = 0.7

    def __post_init__(self) -> None:
        if not 1 <= self.hz <= 100e3:
            raise ValueError(f"{self.kind} of a noise: hz is {self.hz}; allowed is 1 to 100000")
        if self.order not in range(1, 13):
            raise ValueError(f"{self.kind} of a noise: order is {self.order}; allowed are 1 to 12")
        if not abs(self.gain_db) <= _MOST_GAIN_DB:
            raise ValueError(f"{self.kind} of a noise: gain_db is {self.gain_db}; allowed is -40 to 40")
        if not 0.1 <= self.q <= 10:
            raise ValueError(f"{self.kind} of a noise: q is {self.q}; allowed is 0.1 to 10")


@dataclass(frozen=True)
class Noise:
    """Pink noise behind filters, softly clipped to a crest factor.

    Raises
    ------
    ValueError
        If the crest factor is not 1.5 to 4, or the seed is negative.
    """

    filters: tuple[NoiseFilter, ...] = ()
    #: Peak over RMS.
    crest_factor: float = 2.0
    seed: int = 1

    def __post_init__(self) -> None:
        if not LOWEST_CREST_FACTOR <= self.crest_factor <= HIGHEST_CREST_FACTOR:
            raise ValueError(f"a noise's crest factor is {self.crest_factor}; allowed is 1.5 to 4")
        if self.seed != int(self.seed) or self.seed < 0:
            raise ValueError(f"a noise's seed is {self.seed}; allowed is a whole number from 0")
