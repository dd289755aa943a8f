"""Compare an electrical copy of a sweep with what was played, piece by piece."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import next_fast_len
from scipy.signal import hilbert

from rig.signals import stimulus, sweep

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]
Layout = stimulus.Layout

#: A piece has at least so many frames, and at least so many periods of the sweep.
PIECE_FRAMES = 512
PIECE_PERIODS = 3.0
#: Frames on both sides of a piece that its fractional delay may disturb.
GUARD = 64


@dataclass(frozen=True)
class Piece:
    """A stretch of the sweep, in frames of the stimulus."""

    start: int
    length: int
    #: Frequency at its middle.
    frequency_hz: float


def pieces(plan: Layout) -> list[Piece]:
    """Cut the sweep, from its first to its last asked-for frequency, into pieces of three periods or more."""
    lead_in, lead_out = sweep.sweep_margins(plan.start_hz, plan.stop_hz, plan.seconds, plan.sample_rate_hz)
    at, stop = plan.sweep_start + lead_in, plan.sweep_stop - lead_out
    found: list[Piece] = []
    while True:
        time_s = (at - plan.sweep_start - lead_in) / plan.sample_rate_hz
        here_hz = float(sweep.instantaneous_frequency_hz(time_s, plan.start_hz, plan.stop_hz, plan.seconds))
        length = max(PIECE_FRAMES, int(np.ceil(PIECE_PERIODS * plan.sample_rate_hz / here_hz)))
        if at + length > stop:
            return found
        middle_s = time_s + length / 2 / plan.sample_rate_hz
        middle_hz = float(sweep.instantaneous_frequency_hz(middle_s, plan.start_hz, plan.stop_hz, plan.seconds))
        found.append(Piece(at, length, middle_hz))
        at += length


def played(plan: Layout) -> Complex:
    """Analytic signal of the sweep in its place in the stimulus, shape (frames,)."""
    alone = np.zeros(plan.frames)
    alone[plan.sweep] = stimulus.compose(plan)[plan.sweep]
    return np.asarray(hilbert(alone, next_fast_len(plan.frames))[: plan.frames], dtype=np.complex128)


def delayed_piece(analytic: Complex, first: int, length: int, delay: float) -> Complex:
    """What stands at frames `first` to `first + length` of a capture that lags the stimulus by `delay` samples."""
    whole = int(np.floor(delay))
    start = first - whole - GUARD
    taken = np.arange(start, start + length + 2 * GUARD)
    piece = np.where((taken >= 0) & (taken < analytic.size), analytic[np.clip(taken, 0, analytic.size - 1)], 0)
    turn = np.exp(-2j * np.pi * np.fft.fftfreq(piece.size) * (delay - whole))
    return np.asarray(np.fft.ifft(np.fft.fft(piece) * turn)[GUARD:-GUARD], dtype=np.complex128)


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
    analytic = played(plan)
    found = []
    for piece in pieces(plan):
        first = piece.start + int(np.floor(delay))
        heard = row[first : first + piece.length]
        if heard.size < piece.length:
            break
        copy = delayed_piece(analytic, first, piece.length, delay)
        time = np.linspace(-1, 1, piece.length)
        columns = [part * time**order for part in (copy.real, copy.imag) for order in range(3)]
        basis = np.column_stack([*columns, np.ones(piece.length)])
        # Seven columns, nearly orthogonal: the normal equations are exact enough, and quick.
        rest = heard - basis @ np.linalg.solve(basis.T @ basis, basis.T @ heard)
        level = float(np.std(heard))
        remaining = float(np.sqrt(np.mean(rest**2)))
        if remaining > max(limit * level, 4 * noise_v):
            found.append((first, remaining / level))
    return found


def misfits(row: Floats, delays: Floats, used: list[Piece], analytic: Complex) -> Floats:
    """Part of each piece's power that is not in phase with the sweep delayed by `delays`, shape (pieces,).

    Parameters
    ----------
    delays
        Shape (pieces,), in samples, one for each piece.
    """
    result = np.ones(len(used))
    for index, (piece, delay) in enumerate(zip(used, delays, strict=True)):
        first = piece.start + int(np.floor(delays[0]))
        heard = row[first : first + piece.length]
        if heard.size < piece.length:
            continue
        heard = heard - heard.mean()
        copy = delayed_piece(analytic, first, piece.length, float(delay)).real
        power = float(heard @ heard) * float(copy @ copy)
        if power > 0:
            result[index] = 1 - float(heard @ copy) ** 2 / power
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
        "jump" and its frame in the stimulus, or "drift" and NaN.
    """
    used = [piece for piece in pieces(plan) if piece.frequency_hz >= plan.mark_low_hz]
    analytic = played(plan)
    middles = np.array([piece.start + piece.length / 2 for piece in used])
    grown = (middles - plan.mark_before) / (plan.mark_after - plan.mark_before)
    drift = misfits(row, delay + shift * grown, used, analytic)
    before = misfits(row, np.full(len(used), delay), used, analytic)
    after = misfits(row, np.full(len(used), delay + shift), used, analytic)
    jump = np.concatenate(([0.0], np.cumsum(before))) + np.concatenate((np.cumsum(after[::-1])[::-1], [0.0]))
    best = int(np.argmin(jump))
    # The piece in which the jump happens fits neither; it speaks for nothing.
    if drift.sum() < jump[best] - (max(min(before[best - 1 : best + 1]), 0.0) if 0 < best < len(used) else 0.0):
        return "drift", float("nan")
    return "jump", float(used[min(best, len(used) - 1)].start if best else used[0].start)
