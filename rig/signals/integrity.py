"""Whether a capture is a true record of what the converter heard: found from its samples, since flags prove nothing.

Two ways to prove the timing. With the marks alone (a microphone): the distance between the two recorded marks, which
the unit and the room affect alike, must be the distance that was played. With an electrical reference (a loopback,
or the drive at the leads) the sweep itself is compared as well, piece by piece, which tells a clock difference
from lost samples and finds disturbances that leave the distance alone.

Rows that another device recorded have a clock of their own: their marks tell how far it is from the playing one, which
is a remark and no trouble, as far as clocks go (`two_clocks` brings them back).

A noise in the room is no disturbance of the stream and is not looked for here.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rig.signals import alteration, comparison, defects, marks, stimulus, two_clocks
from rig.signals.arrays import Floats, Singles

Layout = stimulus.Layout

#: A peak of the correlation this many standard deviations above the noise is a signal; noise alone reaches five; our
#: choice.
PRESENT = 8.0
#: Standard uncertainties that a shift must exceed to count; our choice.
SIGNIFICANT = 5.0
#: Shifts in samples that are never counted: what a microphone may move, and what a converter may wander; our choice.
FLOOR_ACOUSTIC = 0.4
FLOOR_ELECTRICAL = 0.2
#: Marks that must stand so far above the noise are missed, by the same measure, when they are not found; our choice.
CLEAR = 30.0
#: A timing known less well than this proves too little: 8 lost samples cost up to 1.2 dB (in a model); our choice.
WORST_TIMING = 8.0
#: Rest of a piece of the reference, relative to the piece, that its own filtering cannot explain; our choice.
FOREIGN = 0.1
#: A mark that ends so near the end of a capture is told as one beyond it: half of one mark; our choice.
MARK_EDGE_S = 0.01
NAN = float("nan")


@dataclass(frozen=True)
class Integrity:
    """What a capture says about itself."""

    #: In a builder's words; empty: the capture is sound.
    troubles: tuple[str, ...]
    #: From the stimulus's first frame to its arrival in the capture; NaN where no signal arrived.
    delay_samples: float
    #: Distance of the recorded marks minus the distance played, and its standard uncertainty.
    spacing_error_samples: float
    spacing_uncertainty_samples: float
    #: Clock of the recording over the clock of the playing, minus 1, in millionths; NaN where it cannot be determined.
    clock_ppm: float
    #: Samples lost (positive) or inserted (negative) between the marks; NaN where they cannot be determined.
    lost_samples: float
    #: Rows in which no signal arrived. Whether that is the unit's or the bench's fault is not said here.
    silent_rows: tuple[int, ...]
    #: Cut-off samples of each row.
    clipped_samples: tuple[int, ...]
    #: Whole samples by which the stimulus arrived late in each row; of a silent one, anything.
    arrivals: tuple[float, ...] = ()
    #: As `clock_ppm`, of the rows on another clock; NaN where there are none, or it cannot be determined.
    other_clock_ppm: float = NAN


def inspect(
    samples: NDArray[np.floating],
    plan: Layout,
    reference_row: int | None = None,
    *,
    inputs: Sequence[str] = (),
    max_delay_s: float = 1.0,
    other_clock: Collection[int] = (),
) -> Integrity:
    """Look a capture over.

    Parameters
    ----------
    samples
        Shape (inputs, frames), full scale 1.0, `plan.frames` frames or more.
    plan
        The layout of the stimulus, at the device's actual sample rate.
    reference_row
        Row of an electrical copy of the stimulus (loopback, or the drive at the leads); None: microphones only.
    inputs
        Names of the rows, for the words.
    max_delay_s
        Longest latency that is looked for.
    other_clock
        Rows that were recorded by another device than the one that plays.

    Raises
    ------
    ValueError
        If `reference_row` is on another clock.
    """
    if reference_row in other_clock:
        raise ValueError(f"reference row {reference_row} found among the rows on another clock; allowed is any other")
    names = [inputs[row] if row < len(inputs) else f"input {row + 1}" for row in range(samples.shape[0])]
    if unusable := _unusable(samples, names, plan):
        return Integrity(unusable, NAN, NAN, NAN, NAN, NAN, (), ())
    rows = np.asarray(samples, dtype=np.float32)
    arrivals = [marks.arrival(row, plan, max_delay_s) for row in rows]
    clips = tuple(defects.clipped(row) for row in rows)
    silent = tuple(row for row, (_, strength) in enumerate(arrivals) if strength < PRESENT)
    troubles = tuple(
        f"{name}: {words}"
        for name, row, (delay, _), clip in zip(names, rows, arrivals, clips, strict=True)
        for words in _row_troubles(row, plan, delay, clip)
    )
    own = [row for row in range(len(arrivals)) if row not in other_clock] or range(len(arrivals))
    row = max(own, key=lambda i: arrivals[i][1]) if reference_row is None else reference_row
    late = tuple(delay for delay, _ in arrivals)
    found = Integrity(troubles, late[row], NAN, NAN, NAN, NAN, silent, clips, late)
    if row in silent:
        place = names[row] if reference_row is not None or len(names) == 1 else "any input"
        return replace(found, troubles=(*troubles, f"no signal arrived at {place}"), delay_samples=NAN)
    if row not in other_clock:
        found = _with_timing(found, samples[row].astype(np.float64), plan, names[row], reference_row is not None)
    for other in sorted(set(other_clock) - set(silent)):
        found = _with_other_clock(found, samples[other].astype(np.float64), plan, names[other], late[other])
    return found


def _with_timing(found: Integrity, row: Floats, plan: Layout, name: str, electrical: bool) -> Integrity:
    """What the marks, and on an electrical row the sweep, add to what is known of a capture."""
    timing = marks.timing_of(row, plan, found.delay_samples)
    if timing is None:
        return replace(found, troubles=(*found.troubles, f"{name}: {_no_marks(row, plan, found.delay_samples)}"))
    troubles, clock_ppm, lost = _judge_timing(row, plan, timing, electrical)
    return replace(
        found,
        troubles=(*found.troubles, *(f"{name}: {words}" for words in troubles)),
        delay_samples=timing.delay,
        spacing_error_samples=timing.shift,
        spacing_uncertainty_samples=timing.uncertainty,
        clock_ppm=clock_ppm,
        lost_samples=lost,
    )


def _beyond_s(row: Floats, plan: Layout, delay: float) -> float:
    """By how much a stimulus that came late ends behind the capture; negative where it does not."""
    return (delay + plan.mark_after + plan.mark_frames - row.size) / plan.sample_rate_hz


def _no_marks(row: Floats, plan: Layout, delay: float) -> str:
    late_s = delay / plan.sample_rate_hz
    if _beyond_s(row, plan, delay) > -MARK_EDGE_S:
        return (
            f"the equipment's latency of {late_s:.2f} s is longer than the capture allows for: ask "
            "the device for less (latency_s or block_frames in bench.toml), or add a loopback, by which it is followed"
        )
    return "the timing marks around the sweep are missing or damaged"


def _with_other_clock(found: Integrity, row: Floats, plan: Layout, name: str, delay: float) -> Integrity:
    """What the marks say of the clock of a row that another device recorded."""
    timing = two_clocks.timing_of(row, plan, delay)
    clocks = two_clocks.clocks_of(plan, timing) if timing else None
    if timing is None and (_beyond_s(row, plan, delay) > 0 or alteration.marks_over_noise(row, plan, delay) > CLEAR):
        return replace(found, troubles=(*found.troubles, f"{name}: {_no_marks(row, plan, delay)}"))
    if timing is None or clocks is None or SIGNIFICANT * timing.uncertainty > WORST_TIMING:
        # The marks are too weak here: its clock is taken from the other captures.
        return found
    if abs(clocks.ppm) - SIGNIFICANT * clocks.uncertainty_ppm > two_clocks.MOST_PPM:
        words = (
            f"{name}: {abs(timing.shift):.0f} samples {'lost' if timing.shift < 0 else 'inserted'}, or a clock "
            f"{clocks.ppm:+.0f} ppm from the playing one; allowed is up to {two_clocks.MOST_PPM:g} ppm"
        )
        return replace(found, troubles=(*found.troubles, words), other_clock_ppm=clocks.ppm)
    return replace(found, other_clock_ppm=clocks.ppm)


def _unusable(samples: NDArray[np.floating], names: Sequence[str], plan: Layout) -> tuple[str, ...]:
    """What forbids looking any further."""
    broken = [
        f"{name}: {count} samples are no values of a converter (not finite, or far beyond full scale)"
        for name, row in zip(names, samples, strict=True)
        if (count := defects.beyond_converters(row))
    ]
    frames = samples.shape[1]
    if frames < plan.frames:
        return (f"{frames} frames were delivered where the stimulus alone has {plan.frames}", *broken)
    return tuple(broken)


def _row_troubles(row: Singles, plan: Layout, delay: float, clipped: int) -> list[str]:
    """What one row's own samples say."""
    if not np.any(row):
        return ["every sample is exactly zero (muted, not connected, or no permission to record)"]
    troubles = []
    if clipped:
        troubles.append(f"{clipped} samples are cut off (clipping); turn the input's gain down")
    # A live input never gives exact zeros; a digital loopback does so wherever nothing is played.
    alive = np.mean(row[: plan.mark_before] == 0) < 0.1
    first, stop = (0, row.size) if alive else (plan.sweep_start + int(delay), plan.sweep_stop + int(delay))
    if block := defects.zeroed(row, first, stop):
        troubles.append(f"{block[1]} samples from {block[0] / plan.sample_rate_hz:.3f} s on are zero")
    if block := defects.repeated(row):
        at_s = block[0] / plan.sample_rate_hz
        troubles.append(f"samples at {at_s:.3f} s are those of {block[1]} samples before (a repeated block)")
    return troubles


def _judge_timing(row: Floats, plan: Layout, timing: marks.Timing, electrical: bool) -> tuple[list[str], float, float]:
    """Troubles, clock difference in ppm and lost samples out of the marks' distance."""
    ppm = timing.shift / (plan.mark_after - plan.mark_before) * 1e6
    if SIGNIFICANT * timing.uncertainty > WORST_TIMING:
        return ["the timing marks drown in noise, so nothing is known of lost samples"], NAN, NAN
    floor = FLOOR_ELECTRICAL if electrical else FLOOR_ACOUSTIC
    if abs(timing.shift) <= max(floor, SIGNIFICANT * timing.uncertainty):
        return (_foreign(row, plan, timing) if electrical and plan.has_sweep else []), ppm, 0.0
    verb = "lost" if timing.shift < 0 else "inserted"
    count = f"{abs(timing.shift):.1f} samples"
    kind, at = "unknown", NAN
    if electrical and plan.has_sweep:
        kind, at = comparison.jump_or_drift(row, plan, timing.delay, timing.shift)
    if kind == "unknown":
        words = f"the timing is disturbed: {count} {verb}, or a clock difference of {ppm:+.0f} ppm"
        return [words + _of_another_request(plan, timing)], NAN, NAN
    if kind == "drift":
        return [f"playing and recording run on different clocks: {ppm:+.1f} ppm"], ppm, 0.0
    words = f"{count} {verb} about {at / plan.sample_rate_hz:.2f} s into the stimulus"
    return [words + _of_another_request(plan, timing)], 0.0, -timing.shift


def _of_another_request(plan: Layout, timing: marks.Timing) -> str:
    """Words for marks at the distance that another code gives; empty: none does."""
    rate_hz = plan.sample_rate_hz
    code = plan.code + round(timing.shift / (stimulus.CODE_STEP_S * rate_hz))
    rest = timing.shift - stimulus.code_frames(code, rate_hz) + stimulus.code_frames(plan.code, rate_hz)
    if not (plan.code and 0 <= code <= stimulus.HIGHEST_CODE):
        return ""
    if abs(rest) > max(FLOOR_ACOUSTIC, SIGNIFICANT * timing.uncertainty):
        return ""
    return f"; or this is the capture of another sweep or another run (code {code}, {plan.code} was asked for)"


def _foreign(row: Floats, plan: Layout, timing: marks.Timing) -> list[str]:
    """Trouble where the reference is not the sweep."""
    silence = row[int(timing.delay) : int(timing.delay) + plan.mark_before - int(0.01 * plan.sample_rate_hz)]
    found = comparison.foreign_parts(row, plan, timing.delay, float(np.std(silence)), FOREIGN)
    if not found:
        return []
    at_s = found[0][0] / plan.sample_rate_hz
    share = max(part for _, part in found)
    where = f"at {at_s:.3f} s" if len(found) == 1 else f"in {len(found)} places, the first at {at_s:.3f} s"
    return [f"not what was played {where}: up to {100 * share:.0f} % of it is another sound"]
