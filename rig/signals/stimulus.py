"""How a sweep is laid out in time, so that a capture can prove its own timing.

    silence | mark | pause | sweep | tail | mark | rest

How long the silences are is told with each playing (`Spacing`); a run chooses them in `rig.verdict.spacing`. What
sounds next may be joined on: then the mark behind the one is the mark in front of the other, and the silence in front
of that is the end of the one. Each is a capture of its own all the same.

The silence is the reading of the noise floor. The two marks are equal and short and cover a wide band: the spacing
of their recordings tells a clock difference and lost samples at any microphone through any unit, since the unit
does the same to both. The tail is the room's. Where silence itself is asked for, the sweep alone is left out. The
bench plays what `compose` gives; the checks read with `layout`.

The distance of the marks also says which of a run's requests was played: each has a code, and by so many steps its tail
is longer. Whatever proves that no samples were lost proves the code with it, on the same inputs: a capture of another
code has its marks at the wrong distance. The marks are not held against the sweep, which a bass box may bring late.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import scipy

from rig.signals.arrays import Floats
from rig.signals.silences import FORMER, MARK_PEAK, Spacing
from rig.signals.sweep import ExponentialSweep, synchronised_sweep

#: The lowest frequency gets at least this many periods of silence, or the noise that it stands in could not be
#: estimated; our choice.
SILENCE_PERIODS = 5.0

#: A step of the code is 22 samples at 44.1 kHz. A distance that is not known to 8 samples (at five standard
#: uncertainties, `integrity.WORST_TIMING`) proves nothing anyway; our choice.
CODE_STEP_S = 0.0005
#: Codes are 0 to this, which is 31.5 ms: a second mark is sought further around than that (`marks.MARK_REACH_S`); our
#: choice.
HIGHEST_CODE = 63

#: Band of the marks, where the sweep goes there; our choice.
MARK_BAND_HZ = (300.0, 8000.0)
#: Time-bandwidth product that the marks' timing asks for; our choice.
MARK_TIME_BANDWIDTH = 150.0
MARK_S = (0.02, 0.2)
SHORTEST_SWEEP_S = 0.05


@dataclass(frozen=True)
class Layout(ExponentialSweep):
    """A sweep, and where the parts of its stimulus stand, in samples from its beginning."""

    #: Band of the two marks.
    mark_low_hz: float
    mark_high_hz: float
    mark_frames: int
    #: First sample of the mark before; the silence is everything ahead of it.
    mark_before: int
    #: First sample of `sweep.synchronised_sweep`, its lead-in included.
    sweep_start: int
    #: First sample after the sweep: here the tail begins.
    sweep_stop: int
    #: First sample of the mark after; the tail ends here.
    mark_after: int
    #: Length of the whole stimulus.
    frames: int
    #: False: nothing sounds but the marks.
    has_sweep: bool = True
    #: Steps of `CODE_STEP_S` by which the mark after comes later.
    code: int = 0
    #: Peak of the marks, the sweep's being 1.
    mark_peak: float = MARK_PEAK

    @property
    def silence(self) -> slice:
        """The part that carries only noise."""
        return slice(0, self.mark_before)

    @property
    def sweep(self) -> slice:
        """The sweep itself, without its tail."""
        return slice(self.sweep_start, self.sweep_stop)

    @property
    def between_marks(self) -> slice:
        """The part where nothing sounds between two marks without a sweep, once the room has answered the first."""
        tail = self.mark_after - self.sweep_stop - code_frames(self.code, self.sample_rate_hz)
        return slice(self.sweep_start + tail, self.mark_after)

    @property
    def rest(self) -> int:
        """Samples behind the mark after."""
        return self.frames - self.mark_after - self.mark_frames

    @property
    def total_s(self) -> float:
        """Length of the whole stimulus in seconds."""
        return self.frames / self.sample_rate_hz


def layout(
    start_hz: float,
    stop_hz: float,
    seconds: float,
    sample_rate_hz: float,
    has_sweep: bool = True,
    code: int = 0,
    *,
    spacing: Spacing | None = None,
) -> Layout:
    """Lay a sweep out in time.

    Parameters
    ----------
    start_hz, stop_hz
        The sweep's limits, `0 < start_hz < stop_hz <= 0.46 * sample_rate_hz`.
    seconds
        Time from `start_hz` to `stop_hz`, 0.05 s or more; the sweep's margins come on top.
    sample_rate_hz
        The device's actual rate.
    has_sweep
        False: only the marks sound, in their part of the band.
    code
        0 to `HIGHEST_CODE`: steps by which the mark after comes later.
    spacing
        None: the longer silences that all had once; then a silence without a sweep is longer too, by the margins that
        its sweep would have.

    Raises
    ------
    ValueError
        If the limits, the length, the rate or the code are not as said above.
    """
    if not 0 <= code <= HIGHEST_CODE:
        raise ValueError(f"the code {code} was asked for; allowed is 0 to {HIGHEST_CODE}")
    if not seconds >= SHORTEST_SWEEP_S:
        raise ValueError(f"a sweep of {seconds:g} s was asked for; allowed is {SHORTEST_SWEEP_S:g} s or more")
    sweep, silences = ExponentialSweep(start_hz, stop_hz, seconds, sample_rate_hz), spacing or FORMER
    low_hz, high_hz = mark_band_hz(start_hz, stop_hz)
    mark_s = min(max(MARK_TIME_BANDWIDTH / (high_hz - low_hz), MARK_S[0]), MARK_S[1])

    def frames(part_s: float) -> int:
        return int(np.ceil(part_s * sample_rate_hz))

    mark_frames = frames(mark_s)
    mark_before = frames(max(silences.silence_s, SILENCE_PERIODS / start_hz, silences.marks * mark_s))
    sweep_start = mark_before + mark_frames + frames(silences.pause_s)
    sweep_stop = sweep_start + (sweep.sweep_frames if has_sweep or not spacing else frames(seconds))
    mark_after = sweep_stop + frames(silences.tail_s) + code_frames(code, sample_rate_hz)
    return Layout(
        **vars(sweep),
        mark_low_hz=low_hz,
        mark_high_hz=high_hz,
        mark_frames=mark_frames,
        mark_before=mark_before,
        sweep_start=sweep_start,
        sweep_stop=sweep_stop,
        mark_after=mark_after,
        frames=mark_after + mark_frames + frames(silences.rest_s),
        has_sweep=has_sweep,
        code=code,
        mark_peak=silences.mark_peak,
    )


def code_frames(code: int, sample_rate_hz: float) -> int:
    """Samples by which a code moves the mark after."""
    return round(code * CODE_STEP_S * sample_rate_hz)


def mark_band_hz(start_hz: float, stop_hz: float) -> tuple[float, float]:
    """300 Hz to 8 kHz where the sweep goes there, else as wide a part of the sweep's band as there is."""
    low_hz = max(start_hz, min(MARK_BAND_HZ[0], stop_hz / 4))
    return low_hz, min(stop_hz, max(MARK_BAND_HZ[1], 2 * low_hz))


def mark(plan: Layout) -> Floats:
    """The timing mark, shape (mark_frames,): a linear chirp between raised-cosine edges."""
    time_s = np.arange(plan.mark_frames) / plan.sample_rate_hz
    wave = scipy.signal.chirp(time_s, plan.mark_low_hz, time_s[-1], plan.mark_high_hz, phi=-90.0)
    return np.asarray(plan.mark_peak * wave * scipy.signal.windows.tukey(plan.mark_frames, 0.3), dtype=np.float64)


@lru_cache(maxsize=8)
def compose(plan: Layout) -> Floats:
    """The whole stimulus, shape (frames,), the sweep's peak at 1. Kept for the next call, so not to be written to."""
    samples = np.zeros(plan.frames)
    if plan.has_sweep:
        samples[plan.sweep] = synchronised_sweep(plan)
    piece = mark(plan)
    for start in (plan.mark_before, plan.mark_after):
        samples[start : start + plan.mark_frames] += piece
    samples.setflags(write=False)
    return samples
