"""Compare an electrical copy of a sweep with what was played, piece by piece."""

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from rig.signals import stimulus
from rig.signals.arrays import Floats, Singles

Layout = stimulus.Layout

#: A piece has at least so many frames, and at least so many periods of the sweep; our choice.
PIECE_FRAMES = 512
PIECE_PERIODS = 3.0
#: Pieces that are fitted at once: more would not stay in a processor's cache; numerical.
BATCH = 16


@dataclass(frozen=True)
class Piece:
    """A stretch of the sweep, in frames of the stimulus."""

    start: int
    length: int
    #: Frequency at its middle.
    frequency_hz: float


@lru_cache(maxsize=32)
def pieces(plan: Layout) -> tuple[Piece, ...]:
    """Cut the sweep, from its first to its last asked-for frequency, into pieces of three periods or more."""
    lead_in, lead_out = plan.margins
    at, stop = plan.sweep_start + lead_in, plan.sweep_stop - lead_out
    found: list[Piece] = []
    while True:
        time_s = (at - plan.sweep_start - lead_in) / plan.sample_rate_hz
        here_hz = float(plan.frequency_hz(time_s))
        length = max(PIECE_FRAMES, int(np.ceil(PIECE_PERIODS * plan.sample_rate_hz / here_hz)))
        if at + length > stop:
            return tuple(found)
        middle_s = time_s + length / 2 / plan.sample_rate_hz
        middle_hz = float(plan.frequency_hz(middle_s))
        found.append(Piece(at, length, middle_hz))
        at += length


def phase_rad(plan: Layout, frames: Floats) -> Floats:
    """Phase of the sweep at frames of the stimulus, and parts of them; any shape. The sweep is its sine."""
    lead_in, _ = plan.margins
    time_s = (frames - (plan.sweep_start + lead_in)) / plan.sample_rate_hz
    return plan.phase_rad(time_s)


def foreign_parts(row: Floats, plan: Layout, delay: float, noise_v: float, limit: float) -> list[tuple[int, float]]:
    """Pieces of a capture that are not the sweep through any smooth filter.

    Each piece is fitted by the sweep and its quadrature, each times a polynomial of second order in time: a cable,
    a coupling capacitor or a source's output impedance cannot do more within a piece.

    Parameters
    ----------
    row
        Shape (frames,), the electrical copy.
    plan
        Layout of the stimulus.
    delay
        Samples by which the capture lags the stimulus.
    noise_v
        RMS of the row's noise, in the row's unit.
    limit
        Largest rest relative to the piece's RMS that counts as the same.

    Returns
    -------
    list
        (first frame in the capture, rest relative to the piece) of each piece beyond the limit and the noise.
    """
    cut = pieces(plan)
    if not cut:
        return []
    lag = int(np.floor(delay))
    begin = cut[0].start + lag
    received = row[begin : cut[-1].start + cut[-1].length + lag]
    phase = phase_rad(plan, np.arange(begin, begin + received.size) - np.float64(delay))
    # Within one turn, single precision is good to a ten-millionth, and its sine is quick.
    turned = (phase - 2 * np.pi * np.rint(phase / (2 * np.pi))).astype(np.float32)
    copies = np.sin(turned), np.cos(turned)
    products = []
    for first, length, count in _batches(plan):
        whole = max(0, min(count, (received.size - first) // length))
        part = slice(first, first + whole * length)
        products.append(_products(received[part].reshape(whole, length), *(wave[part] for wave in copies)))
    level, rest = _level_and_rest(np.concatenate(products), cut)
    beyond = np.flatnonzero((rest > np.maximum(limit * level, 4 * noise_v)) & (level > 0))
    return [(cut[index].start + lag, float(rest[index] / level[index])) for index in beyond]


def _batches(plan: Layout) -> tuple[tuple[int, int, int], ...]:
    """Neighbouring pieces of one length: (first frame, from the first piece's; frames of a piece; pieces)."""
    begin = pieces(plan)[0].start
    found: list[tuple[int, int, int]] = []
    for length, group in itertools.groupby(pieces(plan), key=lambda piece: piece.length):
        starts = [piece.start for piece in group]
        found.extend((starts[at] - begin, length, len(starts[at : at + BATCH])) for at in range(0, len(starts), BATCH))
    return tuple(found)


def _products(received: Floats, sine: Singles, cosine: Singles) -> Floats:
    """Products of eight functions over each piece, shape (pieces, 8, 8): the seven of the sweep, and what was heard.

    `received` has the shape (pieces, frames), the others have its size.
    """
    count, length = received.shape
    rows = np.empty((count, 8, length))
    rows[:, 0] = sine.reshape(received.shape)
    rows[:, 1] = cosine.reshape(received.shape)
    time = np.linspace(-1, 1, length)
    np.multiply(rows[:, 0:2], time, out=rows[:, 2:4])
    np.multiply(rows[:, 2:4], time, out=rows[:, 4:6])
    rows[:, 6] = 1.0
    np.subtract(received, received.mean(axis=1, keepdims=True), out=rows[:, 7])
    return np.asarray(rows @ rows.transpose(0, 2, 1))


def _level_and_rest(products: Floats, cut: Sequence[Piece]) -> tuple[Floats, Floats]:
    """RMS of each piece without its mean, and of what the sweep leaves of it; shape (pieces,) of those in the row."""
    frames = np.array([piece.length for piece in cut[: len(products)]])
    # Seven functions, nearly orthogonal: the normal equations are exact enough, and quick.
    fitted = np.linalg.solve(products[:, :7, :7], products[:, :7, 7:])[..., 0]
    power = products[:, 7, 7]
    rest = power - np.sum(fitted * products[:, :7, 7], axis=1)
    return np.sqrt(power / frames), np.sqrt(np.maximum(rest, 0.0) / frames)


def misfits(row: Floats, delays: Floats, used: Sequence[Piece], plan: Layout) -> Floats:
    """Part of each piece's power that is not in phase with the sweep delayed by `delays`, shape (pieces,).

    Parameters
    ----------
    delays
        Shape (pieces,), in samples, one for each piece.
    """
    result = np.ones(len(used))
    for index, (piece, delay) in enumerate(zip(used, delays, strict=True)):
        first = piece.start + int(np.floor(delays[0]))
        received = row[first : first + piece.length]
        if received.size < piece.length:
            continue
        received = received - received.mean()
        frames = np.arange(first, first + piece.length) - delay
        copy = np.sin(phase_rad(plan, frames)) * ((frames >= plan.sweep_start) & (frames < plan.sweep_stop))
        power = float(received @ received) * float(copy @ copy)
        if power > 0:
            result[index] = 1 - float(received @ copy) ** 2 / power
    return result


def jump_or_drift(row: Floats, plan: Layout, delay: float, shift: float) -> tuple[str, float]:
    """Whether a shift between the marks came at one moment or grew steadily.

    The sweep is laid over the capture three times: with the delay of the first mark, with that of the second, and
    with a delay that grows from one to the other. A jump fits the first up to some piece and the second from there.

    Parameters
    ----------
    delay
        Samples by which the first mark lags.
    shift
        Samples by which the second mark lags more.

    Returns
    -------
    tuple
        "jump" and its frame in the stimulus, or "drift" and NaN; "unknown" and NaN where the sweep is too short to
        be cut into pieces.
    """
    used = [piece for piece in pieces(plan) if piece.frequency_hz >= plan.mark_low_hz]
    if not used:
        return "unknown", float("nan")
    middles = np.array([piece.start + piece.length / 2 for piece in used])
    grown = (middles - plan.mark_before) / (plan.mark_after - plan.mark_before)
    drift = misfits(row, delay + shift * grown, used, plan)
    before = misfits(row, np.full(len(used), delay), used, plan)
    after = misfits(row, np.full(len(used), delay + shift), used, plan)
    jump = np.concatenate(([0.0], np.cumsum(before))) + np.concatenate((np.cumsum(after[::-1])[::-1], [0.0]))
    best = int(np.argmin(jump))
    # The piece in which the jump happens fits neither; it speaks for nothing.
    if drift.sum() < jump[best] - (max(min(before[best - 1 : best + 1]), 0.0) if 0 < best < len(used) else 0.0):
        return "drift", float("nan")
    return "jump", float(used[min(best, len(used) - 1)].start if best else used[0].start)
