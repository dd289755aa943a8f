"""How long the silences of one playing are, as values: see `rig.signals.stimulus`."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Spacing:
    """Silences of one playing, in seconds."""

    #: In front of the first mark, at least.
    silence_s: float
    #: From the first mark to the sweep, from the sweep to the second mark, and behind that.
    pause_s: float
    tail_s: float
    rest_s: float

    def __post_init__(self) -> None:
        if not min(self.silence_s, self.pause_s, self.tail_s, self.rest_s) >= 0:
            raise ValueError(f"silences may not be negative, found {self}")


#: Where nothing else is asked for; our choice.
FORMER = Spacing(silence_s=0.25, pause_s=0.1, tail_s=0.3, rest_s=0.1)
