"""How long the silences of one playing are and how loud its marks, as values: see `rig.signals.stimulus`."""

from dataclasses import dataclass

#: The marks' peak, where nothing else is asked for: 20 dB below the sweep's, so that they never are what is heard or
#: what overloads; our choice.
MARK_PEAK = 0.1
#: The marks get at least so many times their length of silence, where nothing else is asked for, or the noise that they
#: stand in could not be estimated; our choice.
SILENCE_MARKS = 3.0


@dataclass(frozen=True)
class Spacing:
    """Silences of one playing, in seconds."""

    #: In front of the first mark, at least.
    silence_s: float
    #: From the first mark to the sweep, from the sweep to the second mark, and behind that.
    pause_s: float
    tail_s: float
    rest_s: float
    #: In front of the first mark at least so many times its length.
    marks: float = SILENCE_MARKS
    #: The marks' peak over the sweep's.
    mark_peak: float = MARK_PEAK
    #: The first mark is the last one of what sounded before on the same outputs, whose end is the silence.
    joined: bool = False

    def __post_init__(self) -> None:
        if not min(self.silence_s, self.pause_s, self.tail_s, self.rest_s) >= 0:
            raise ValueError(f"silences may not be negative, found {self}")
        if not (self.marks >= 0 and 0 < self.mark_peak <= 1):
            raise ValueError(f"silences may not be negative, marks neither silent nor above the sweep; found {self}")


#: Where nothing else is asked for; our choice.
FORMER = Spacing(silence_s=0.25, pause_s=0.1, tail_s=0.3, rest_s=0.1)
