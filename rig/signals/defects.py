"""Defects of a recorded row that show in its samples alone: not finite, cut off, zeroed, repeated."""

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.float32]
Flags = NDArray[np.bool_]

#: At or above this a converter is at its end (the largest 16 bit sample is 0.99997).
FULL_SCALE = 0.9999
#: Equal neighbours at a row's extreme that count as cut off.
CLIP_RUN = 3
#: Exact zeros in a row that a live input does not give.
ZERO_RUN = 32
#: Neighbours whose exact return is looked for, and how far back.
REPEAT_RUN = 32
REPEAT_REACH = 8192
#: In steps of the converter: what lies below may be rounding.
STEPS = 8.0


def smallest_step(row: Samples) -> float:
    """The smallest magnitude that is not zero: one step of the converter, or less. 0 for a row of zeros."""
    magnitude = np.abs(row[row != 0])
    return float(magnitude.min()) if magnitude.size else 0.0


def runs(flags: Flags) -> list[tuple[int, int]]:
    """Where flags stay true: (first, one past the last) of every run."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], flags, [False])).astype(np.int8)))
    return [(int(first), int(stop)) for first, stop in edges.reshape(-1, 2)]


def clipped(row: Samples) -> int:
    """Number of samples that are cut off, shape of `row` (frames,).

    Full scale counts always; below it, runs of equal samples at the row's own extreme that are entered or left by
    a jump. The jump tells a cut top from the flat top of a slow tone in a coarse converter.
    """
    count = int(np.count_nonzero(np.abs(row) >= FULL_SCALE))
    step = smallest_step(row)
    for extreme in (row.max(), row.min()):
        if extreme == 0 or abs(extreme) >= FULL_SCALE:
            continue
        for first, stop in runs(row == extreme):
            around = [abs(float(row[at]) - float(extreme)) for at in (first - 1, stop) if 0 <= at < row.size]
            if stop - first >= CLIP_RUN and around and max(around) > STEPS * step:
                count += stop - first
    return count


def zeroed(row: Samples, first: int, stop: int) -> tuple[int, int] | None:
    """The first block of exact zeros inside a stretch where the row is otherwise alive; (frame, length) or None.

    Looks from frame `first` to `stop`, where the stimulus sounds. On both sides of the block the row must be well
    above the converter's rounding, or the zeros are rounding too.
    """
    step = smallest_step(row)
    for begin, end in runs(row[first:stop] == 0):
        if end - begin < ZERO_RUN:
            continue
        sides = (row[max(first + begin - 64, 0) : first + begin], row[first + end : first + end + 64])
        if all(side.size and np.sqrt(np.mean(side.astype(np.float64) ** 2)) > STEPS * step for side in sides):
            return first + begin, end - begin
    return None


def repeated(row: Samples) -> tuple[int, int] | None:
    """The first samples that return exactly within 8192 frames; (frame, distance) or None.

    A driver that plays or hands out a buffer twice leaves this; noise never does. Stretches that hardly change from
    sample to sample (silence, rounding) do not count.
    """
    if row.size < 2 * REPEAT_RUN:
        return None
    bits = np.ascontiguousarray(row, dtype=np.float32).view(np.uint32).astype(np.uint64)
    length = row.size - REPEAT_RUN + 1
    # A hash of every stretch of 32, so that equal ones can be found by sorting.
    factors = np.random.default_rng(1).integers(1, 2**63, REPEAT_RUN, dtype=np.uint64) | np.uint64(1)
    hashes = np.zeros(length, dtype=np.uint64)
    for offset, factor in enumerate(factors):
        hashes += bits[offset : offset + length] * factor
    changes = np.concatenate(([0], np.cumsum(np.diff(row) != 0)))
    varied = np.flatnonzero(changes[REPEAT_RUN - 1 :] - changes[: 1 - REPEAT_RUN] >= REPEAT_RUN // 2)
    order = varied[np.argsort(hashes[varied], kind="stable")]
    near = (np.diff(hashes[order]) == 0) & (np.diff(order) <= REPEAT_REACH)
    for late, early in sorted((int(order[index + 1]), int(order[index])) for index in np.flatnonzero(near)):
        if np.array_equal(row[early : early + REPEAT_RUN], row[late : late + REPEAT_RUN]):
            return late, late - early
    return None
