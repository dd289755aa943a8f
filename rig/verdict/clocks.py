"""Captures whose microphone has a clock of its own, brought to the clock that played.

The raw samples stay as they are; the checks read what `on_playing_clock` gives. Where the other device's recording
begins against the playing one is not known, so its time zero is that of the sound itself: no time of flight is told.
"""

from collections.abc import Collection, Iterable
from dataclasses import replace

import numpy as np

from rig.signals import marks, two_clocks
from rig.signals.two_clocks import Clocks
from rig.values.captures import Capture, once_per_capture

#: Clocks of one bench agree so closely from capture to capture, whatever warms up in between; our choice.
AGREE_PPM = 4.0
#: Standard uncertainties that a clock must be off the others to count; our choice.
SIGNIFICANT = 5.0
#: A clock known less well is taken from the other captures; our choice.
WELL_KNOWN_PPM = 1.0
#: Marks whose distance is known less well than so many samples tell no clock; our choice.
WORST_TIMING = 1.6
#: Longest latency that is looked for; our choice.
LONGEST_DELAY_S = 1.0


def _has_another(capture: Capture) -> bool:
    """Whether there is anything to bring back: silence has no marks and needs none."""
    if not capture.other_clock or capture.request.is_silence:
        return False
    return capture.samples.shape[1] >= capture.layout.frames and bool(np.all(np.isfinite(capture.samples)))


@once_per_capture
def clocks_of(capture: Capture, role: str) -> Clocks | None:
    """The clock of a row as its own marks tell it; None where they do not."""
    if not _has_another(capture) or role not in capture.inputs:
        return None
    row, plan = capture.samples[capture.inputs.index(role)], capture.layout
    delay, _ = marks.arrival(row, plan, LONGEST_DELAY_S)
    timing = two_clocks.timing_of(row.astype(np.float64), plan, delay)
    if timing is None or not timing.uncertainty < WORST_TIMING:
        return None
    found = two_clocks.clocks_of(plan, timing)
    return found if abs(found.ppm) - SIGNIFICANT * found.uncertainty_ppm <= two_clocks.MOST_PPM else None


def usual_ppm(captures: Iterable[Capture], role: str) -> float | None:
    """Median of a role's clock over the captures that tell it best; None where none does."""
    found = [clocks for capture in captures if (clocks := clocks_of(capture, role))]
    best = max(min((clocks.uncertainty_ppm for clocks in found), default=0.0), WELL_KNOWN_PPM)
    good = [clocks.ppm for clocks in found if clocks.uncertainty_ppm <= best]
    # To a tenth, so that one capture more does not change it.
    return round(float(np.median(good)), 1) if good else None


def clock_disagreement(captures: Collection[Capture], of: Iterable[Capture]) -> str:
    """Why the clock of some captures is not believed: it is not that of all the others; empty when it is.

    What a clock cannot do is samples lost at once, and at a microphone only this tells them from a clock.
    """
    for capture in of:
        for role in capture.other_clock if _has_another(capture) else ():
            own, usual = clocks_of(capture, role), usual_ppm(captures, role)
            if usual is None:
                return (
                    f"{role}: it has a clock of its own, and no capture's timing marks tell how far off it is; is it "
                    "switched on, in a quiet room, and does the right box play?"
                )
            if own and abs(own.ppm - usual) > AGREE_PPM + SIGNIFICANT * own.uncertainty_ppm:
                return (
                    f"{role}: its clock is {own.ppm:+.1f} ppm from the playing one here and {usual:+.1f} ppm in the "
                    "other captures: samples were lost or put in on the way"
                )
    return ""


def remarks(captures: Collection[Capture], of: Iterable[Capture]) -> tuple[str, ...]:
    """What should be known of captures with a clock of their own, in words; one for each such input."""
    roles = dict.fromkeys(role for capture in of if _has_another(capture) for role in capture.other_clock)
    usual = ((role, usual_ppm(captures, role)) for role in roles)
    corrected = tuple(
        f"the {role}'s own clock, {ppm:+.1f} ppm from the playing one, was corrected"
        for role, ppm in usual
        if ppm is not None
    )
    return corrected + tuple(
        f"nothing in the recording proves that it is of this sweep and of this run ({capture.request}): the timing "
        "marks are too weak at the microphone, and no cable brings them; a loopback would"
        for capture in of
        if capture.request.code and _has_another(capture) and not _brings_code(capture)
    )


def _brings_code(capture: Capture) -> bool:
    """Whether an input brings the marks, by whose distance a request's code is known."""
    on_playing = any(role not in capture.other_clock for role in capture.inputs)
    return on_playing or any(clocks_of(capture, role) for role in capture.other_clock)


def on_one_clock(capture: Capture, captures: Collection[Capture]) -> Capture:
    """As `on_playing_clock`; where a capture's own marks do not tell its clock well, that of the others is taken."""
    if not capture.other_clock:
        return capture
    return on_playing_clock(capture, tuple(usual_ppm(captures, role) for role in capture.other_clock))


def on_playing_clock(capture: Capture, usual: tuple[float | None, ...] = ()) -> Capture:
    """A capture with all its rows on the playing clock.

    Rows of another clock are laid so that the stimulus begins in them where it does in the row that brings it by cable,
    or where it does anyway.

    Parameters
    ----------
    capture
        Returned itself where nothing is to be done, or nothing can be.
    usual
        Clock in ppm of each of `capture.other_clock`, taken where its own marks do not tell it well; None: not known.
    """
    return _corrected(capture, usual) if _has_another(capture) else capture


@once_per_capture
def _corrected(capture: Capture, usual: tuple[float | None, ...]) -> Capture:
    plan = capture.layout
    samples = capture.samples.copy()
    cable = next((role for role in ("loopback", "drive") if capture.has(role) and role not in capture.other_clock), "")
    begins = None
    if cable:
        begins, _ = marks.arrival(capture.samples[capture.inputs.index(cable)], plan, LONGEST_DELAY_S)
    for role, ppm in zip(capture.other_clock, usual or (None,) * len(capture.other_clock), strict=True):
        clocks, row = clocks_of(capture, role), capture.inputs.index(role)
        if ppm is not None and not (clocks and clocks.uncertainty_ppm <= WELL_KNOWN_PPM):
            delay = clocks.delay if clocks else marks.arrival(capture.samples[row], plan, LONGEST_DELAY_S)[0]
            clocks = Clocks(ppm, float("nan"), delay)
        if clocks is not None:
            delay = float(round(clocks.delay)) if begins is None else begins
            samples[row] = two_clocks.on_playing_clock(capture.samples[row], clocks, delay)
    return replace(capture, samples=samples)
