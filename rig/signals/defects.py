"""Defects of a recorded row that show in its samples alone: no values of a converter, cut off, zeroed, repeated."""

import itertools

import numpy as np
from numpy.typing import NDArray

from rig.signals.arrays import Bools, Singles

Bits = NDArray[np.uint32]
Counts = NDArray[np.integer]

#: At or above this a converter is at its end (the largest 16 bit sample is 0.99997); our choice.
FULL_SCALE = 0.9999
#: No converter gives as much, full scale 1.0: what does was never measured; our choice.
HIGHEST = 1e3
#: Equal neighbours at a row's extreme that count as cut off; our choice.
CLIP_RUN = 3
#: Exact zeros in a row that a live input does not give; our choice.
ZERO_RUN = 32
#: Neighbours whose exact return is looked for, and how far back; our choice.
REPEAT_RUN = 32
REPEAT_REACH = 8192
#: Neighbours that are hashed together: half of those, so that any 32 hold a whole set with half of the changes;
#: numerical.
ANCHOR = REPEAT_RUN // 2
DOUBLINGS = (1, 2, 4, 8)
#: Odd factors of the hash, drawn at random; numerical.
ODD = np.random.default_rng(1).integers(0, 2**31, 5, dtype=np.uint32) * np.uint32(2) + np.uint32(1)
NO_ANCHOR = np.uint32(0xFFFFFFFF)
#: In steps of the converter: what lies below may be rounding; our choice.
STEPS = 8.0


def beyond_converters(row: NDArray[np.floating]) -> int:
    """Number of samples that no converter gives: not finite, or far beyond full scale."""
    # NaN is not below either.
    return int(np.count_nonzero(~(np.abs(row) < HIGHEST)))


def smallest_step(row: Singles) -> float:
    """The smallest magnitude that is not zero: one step of the converter, or less. 0 for a row of zeros."""
    magnitude = np.abs(row[row != 0])
    return float(magnitude.min()) if magnitude.size else 0.0


def runs(flags: Bools, shortest: int = 1) -> list[tuple[int, int]]:
    """Where flags stay true for `shortest` or more: (first, one past the last) of every run."""
    true = np.flatnonzero(flags)
    if not true.size:
        return []
    ends = np.flatnonzero(np.diff(true) > 1)
    first = true[np.concatenate(([0], ends + 1))]
    stop = true[np.concatenate((ends, [-1]))] + 1
    long = stop - first >= shortest
    return list(zip(first[long].tolist(), stop[long].tolist(), strict=True))


def clipped(row: Singles) -> int:
    """Number of samples that are cut off, shape of `row` (frames,).

    Full scale counts always; below it, runs of equal samples at the row's own extreme that are entered or left by
    a jump. The jump tells a cut top from the flat top of a slow tone in a coarse converter.
    """
    count = 0
    for extreme, sign in ((float(row.max()), 1), (float(row.min()), -1)):
        if sign * extreme >= FULL_SCALE:
            count += int(np.count_nonzero(sign * row >= FULL_SCALE))
            continue
        if extreme == 0 or abs(extreme) >= FULL_SCALE:
            continue
        tops = runs(row == extreme, CLIP_RUN)
        step = smallest_step(row) if tops else 0.0
        for first, stop in tops:
            around = [abs(float(row[at]) - extreme) for at in (first - 1, stop) if 0 <= at < row.size]
            if around and max(around) > STEPS * step:
                count += stop - first
    return count


def zeroed(row: Singles, first: int, stop: int) -> tuple[int, int] | None:
    """The first block of exact zeros inside a stretch where the row is otherwise alive; (frame, length) or None.

    Looks from frame `first` to `stop`, where the stimulus sounds. On both sides of the block the row must be well
    above the converter's rounding, or the zeros are rounding too.
    """
    blocks = runs(row[first:stop] == 0, ZERO_RUN)
    step = smallest_step(row) if blocks else 0.0
    for begin, end in blocks:
        sides = (row[max(first + begin - 64, 0) : first + begin], row[first + end : first + end + 64])
        if all(side.size and np.sqrt(np.mean(side.astype(np.float64) ** 2)) > STEPS * step for side in sides):
            return first + begin, end - begin
    return None


def repeated(row: Singles, reach: int = REPEAT_REACH) -> tuple[int, int] | None:
    """The first samples that return exactly within `reach` frames; (frame, distance) or None.

    A driver that plays or hands out a buffer twice leaves this; noise never does. Stretches that hardly change from
    sample to sample (silence, rounding) do not count.
    """
    if row.size < 2 * REPEAT_RUN:
        return None
    bits = np.ascontiguousarray(row, dtype=np.float32).view(np.uint32)
    changes = np.concatenate(([0], np.cumsum(bits[1:] != bits[:-1], dtype=np.int32)))
    anchors, hashes = _anchors(bits, changes)
    # Sorted by hash, then by place: equal stretches come to lie side by side.
    keys = np.sort(hashes.astype(np.uint64) << np.uint64(32) | anchors.astype(np.uint64))
    places, hashes = (keys & np.uint64(0xFFFFFFFF)).astype(np.int64), keys >> np.uint64(32)
    for gap in itertools.count(1):
        near = (hashes[gap:] == hashes[:-gap]) & (places[gap:] - places[:-gap] <= reach)
        if not near.any():
            return None
        early, late = places[:-gap][near], places[gap:][near]
        if found := _returns(bits, changes, early, late):
            return found
    return None


def _anchors(bits: Bits, changes: Counts) -> tuple[Counts, Bits]:
    """Places, and hashes of the 16 samples from there on, that equal stretches of 32 samples have in common.

    Of the 17 stretches of 16 in every 32, the one with the least hash is an anchor (winnowing, Schleimer, Wilkerson
    and Aiken, SIGMOD 2003): wherever the same 32 samples stand, the same 16 of them are chosen. Those with fewer
    than eight changes are passed over; 32 samples with 16 changes hold others.
    """
    hashes = bits * ODD[-1]
    hashes ^= hashes >> np.uint32(15)
    for step, odd in zip(DOUBLINGS, ODD, strict=False):
        hashes = hashes[:-step] * odd + hashes[step:]
    hashes[changes[ANCHOR - 1 :] - changes[: 1 - ANCHOR] < ANCHOR // 2] = NO_ANCHOR
    least = hashes
    for step in (*DOUBLINGS, 1):
        least = np.minimum(least[:-step], least[step:])
    # The greatest of these minima over the stretches that hold a place: an anchor is at or below it.
    greatest = np.pad(least, ANCHOR)
    for step in (*DOUBLINGS, 1):
        greatest = np.maximum(greatest[:-step], greatest[step:])
    places = np.flatnonzero((hashes <= greatest) & (hashes != NO_ANCHOR))
    return places, hashes[places]


def _returns(bits: Bits, changes: Counts, early: Counts, late: Counts) -> tuple[int, int] | None:
    """First stretch of 32 varied samples around pairs of anchors that is the same at both; (frame, distance)."""
    order = np.argsort(late, kind="stable")
    around = np.arange(-ANCHOR, REPEAT_RUN)
    for start in range(0, order.size, 1024):
        part = order[start : start + 1024]
        ahead = early[part, np.newaxis] + around
        there = late[part, np.newaxis] + around
        inside = (ahead >= 0) & (there < bits.size)
        same = inside & (bits[np.maximum(ahead, 0)] == bits[np.minimum(there, bits.size - 1)])
        whole = np.lib.stride_tricks.sliding_window_view(same, REPEAT_RUN, axis=1).all(axis=2)
        first = there[:, : whole.shape[1]]
        last = np.minimum(first + REPEAT_RUN - 1, bits.size - 1)
        whole &= changes[last] - changes[np.minimum(first, bits.size - 1)] >= REPEAT_RUN // 2
        if whole.any():
            pair, offset = np.argwhere(whole)[0]
            return int(first[pair, offset]), int(late[part[pair]] - early[part[pair]])
    return None
