"""From a captured sweep to impulse, frequency and harmonic responses.

All of them divide the spectrum of the capture by that of the reference, over zero-padded lengths so that nothing
wraps around. Two things keep the division tame. The quotient is multiplied by `band_limit`, which closes at least as
early as the sweep fades out, so that noise is never raised there; it rings after a sound, not before it, and is
divided out again where a frequency response is read. And inside the band the squared reference is floored by 1e-10 of
its greatest value there (a regularisation as in Kirkeby and Nelson, JAES 47(7/8), 1999, at -100 dB), which matters
only where the reference has no sound at all.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from rig.signals.arrays import Complex, Floats
from rig.signals.gating import (
    Gated,
    as_floats,
    frequency_response,
    frequency_responses,
    gate,
    gate_window,
    half_cosine,
)
from rig.signals.kept import kept_by_value
from rig.signals.sweep import LOWER_MARGIN, ExponentialSweep, kept_sweep

#: Of single or double precision.
AnyFloats = NDArray[Any]
AnyComplex = NDArray[Any]

#: Regularisation inside the band, relative to the greatest squared magnitude of the reference there; numerical.
FLOOR = 1e-10
#: Part of the gap to the next harmonic's response that a harmonic's window takes before its own time; our choice.
PRE_PART = 0.4
#: Part of a harmonic's window after its own time over which it falls; our choice.
FALL_PART = 0.6
#: So many times the frequency at which a harmonic begins, its edge is far; numerical.
EDGE_REACH = 8.0
#: Within half of this the ringing of an edge has died away; numerical.
EDGE_PERIOD_S = 2.0


@lru_cache(maxsize=1)
def _edge_phase() -> tuple[Floats, Floats]:
    """Minimum phase of the lower edge of `band_limit` over ``2 arctan(frequency / start_hz)``.

    From the cepstrum of the logarithmic magnitude, held at -60 dB where the edge has closed further (Oppenheim and
    Schafer, Discrete-Time Signal Processing, 2nd ed., 11.4); the bilinear map, which keeps minimum phase, lays all
    frequencies onto the circle.
    """
    points = 2**16
    angle = np.linspace(0.0, np.pi, points + 1)
    ratio = np.tan(0.5 * np.minimum(angle, np.pi - 1e-9))
    magnitude = half_cosine(1 + np.log(np.maximum(ratio, 1e-3)) / math.log(LOWER_MARGIN))
    cepstrum = scipy.fft.irfft(np.log(np.maximum(magnitude, 1e-3)))
    cepstrum[1:points] *= 2
    cepstrum[points + 1 :] = 0
    return angle, np.asarray(scipy.fft.rfft(cepstrum).imag, np.float64)


def band_limit(frequency_hz: ArrayLike, sent: ExponentialSweep) -> Complex:
    """Band-pass that every impulse response carries.

    Magnitude: 0 at the ends of the played band, half a cosine over the logarithm of frequency up to 1 at start_hz and
    down again over the outer half of the upper margin. The lower edge has minimum phase: were it symmetrical in
    time, its ringing (some tenths of a second at 20 Hz) would reach back into the responses of the harmonics and
    out of every window. The upper edge has zero phase.

    Parameters
    ----------
    frequency_hz : array_like
        Frequencies in Hz, 0 allowed; any shape.
    sent : ExponentialSweep

    Returns
    -------
    ndarray
        Complex gain in the shape of frequency_hz.
    """
    (lowest_hz, highest_hz), start_hz, stop_hz = sent.played_band_hz, sent.start_hz, sent.stop_hz
    frequency = np.maximum(np.asarray(frequency_hz, dtype=np.float64), 1e-3 * lowest_hz)
    magnitude = half_cosine(np.log(frequency / lowest_hz) / math.log(start_hz / lowest_hz))
    magnitude *= half_cosine(2 * np.log(highest_hz / frequency) / math.log(highest_hz / stop_hz))
    turn = np.interp(2 * np.arctan(frequency / start_hz), *_edge_phase())
    gain: Complex = magnitude * np.exp(1j * turn)
    return gain


#: `band_limit` on a grid that curves are read at.
band_limit_at = kept_by_value(128)(band_limit)


def _checked(signal: ArrayLike, name: str) -> AnyFloats:
    """Signal in single precision where it came so, else in double; refused where it cannot be transformed."""
    array = as_floats(signal)
    if array.ndim == 0 or array.shape[-1] < 2:
        raise ValueError(f"{name} needs at least 2 frames on its last axis, found shape {array.shape}")
    if not np.all(np.isfinite(array)):
        raise ValueError(f"{name} must be finite, found {np.count_nonzero(~np.isfinite(array))} other values")
    return array


@dataclass(frozen=True, eq=False)
class Grid:
    """The lines of a transform, and what every response is multiplied by on them; read only.

    Attributes
    ----------
    length : int
        Frames that are transformed.
    step_hz : float
        Distance of the lines.
    band : slice
        The played band among the lines.
    limit : ndarray
        `band_limit` within the band. All spectra on the grid are of its precision.
    """

    length: int
    step_hz: float
    band: slice
    limit: AnyComplex


@lru_cache(maxsize=8)
def grid_of(length: int, sent: ExponentialSweep, *, single: bool = False) -> Grid:
    """Grid of a transform of `length` frames for a sweep's band.

    Single precision errs by -130 dB of a sweep, which is below what any converter does, in a quarter of the time.
    """
    frequency_hz = np.asarray(scipy.fft.rfftfreq(length, 1 / sent.sample_rate_hz), np.float64)
    first, last = np.searchsorted(frequency_hz, sent.played_band_hz)
    band = slice(int(first), int(last))
    limit = band_limit(frequency_hz[band], sent)
    limit = limit.astype(np.complex64 if single else np.complex128)
    limit.flags.writeable = False
    return Grid(length, sent.sample_rate_hz / length, band, limit)


def length_for(captured: int, reference: int, before: int, after: int) -> int:
    """Frames of a transform in which nothing wraps into the `before` and `after` kept about time zero.

    A sound and the reference's own passing of its frequency lie at most as many frames apart as the capture has, or,
    with the sound first, as the reference has: so far reach the lags, and a period longer by what is kept on the
    other side of time zero is long enough.
    """
    return int(scipy.fft.next_fast_len(max(captured + before, reference + after), real=True))


def spectrum_of(signal: ArrayLike, grid: Grid, name: str = "captured") -> AnyComplex:
    """Spectrum of a signal within the played band (ValueError if it is not finite or too short)."""
    whole = _checked(signal, name).astype(grid.limit.real.dtype, copy=False)
    spectrum: AnyComplex = scipy.fft.rfft(whole, grid.length, axis=-1)[..., grid.band]
    return spectrum


def inverse_of(reference: AnyComplex, grid: Grid) -> AnyComplex:
    """What a spectrum is multiplied by to be divided by a reference, band-limited (ValueError if that is silent)."""
    power = reference.real**2 + reference.imag**2
    greatest = np.max(power, axis=-1, keepdims=True)
    if not np.all(greatest > 0):
        raise ValueError("reference is silent in the band of the sweep")
    inverse: AnyComplex = grid.limit * reference.conj() / np.maximum(power, FLOOR * greatest)
    return inverse


def periodic_response(quotient: AnyComplex, grid: Grid) -> AnyFloats:
    """Impulse response of a band-limited quotient, time zero at its first frame, earlier times at its end."""
    spectrum = np.zeros((*quotient.shape[:-1], grid.length // 2 + 1), quotient.dtype)
    spectrum[..., grid.band] = quotient
    response: AnyFloats = scipy.fft.irfft(spectrum, grid.length, axis=-1, overwrite_x=True)
    return response


def cut(response: AnyFloats, before: int, frames: int) -> AnyFloats:
    """Frames from `before` ahead of time zero on, out of a periodic response that has at least as many."""
    size = response.shape[-1]
    first = -before % size
    ahead = response[..., first : first + frames]
    return np.concatenate((ahead, response[..., : frames - ahead.shape[-1]]), axis=-1)


def impulse_response(
    captured: ArrayLike,
    reference: ArrayLike,
    sent: ExponentialSweep,
    before_s: float = 0.05,
    after_s: float | None = None,
) -> Floats:
    """Impulse response between reference and capture, limited to the band of the sweep.

    Parameters
    ----------
    captured : array_like, shape (..., frames)
        Captured sweeps, free of constant offset, with the decay in.
    reference : array_like, shape (frames,) or broadcastable to the captures
        The sweep as it was sent, or a loopback recording of it. Either counts its time from the same first frame
        as the capture.
    sent : ExponentialSweep
        What was played.
    before_s : float
        Time kept before time zero. Harmonics lie at ``-L ln N``, before it.
    after_s : float, optional
        Time kept after time zero; the length of the capture if not given.

    Returns
    -------
    ndarray, shape (..., frames)
        Impulse response in units of captured per reference. Time zero (a capture equal to the reference) is the frame
        ``round(before_s * sample_rate_hz)``; delays of the capture count from there.

    Raises
    ------
    ValueError
        If an input is not finite or too short, the reference silent, or more time asked for than there is.
    """
    capture, known = _checked(captured, "captured"), _checked(reference, "reference")
    single = capture.dtype == known.dtype == np.float32
    frames, known_frames = capture.shape[-1], known.shape[-1]
    before = round(before_s * sent.sample_rate_hz)
    after = frames if after_s is None else round(after_s * sent.sample_rate_hz)
    grid = grid_of(length_for(frames, known_frames, before, after), sent, single=single)
    quotient = spectrum_of(capture, grid) * inverse_of(spectrum_of(known, grid), grid)
    if before + after >= frames + known_frames:
        raise ValueError(
            f"asked for {before + after} frames of impulse response, but capture and reference give "
            f"{frames + known_frames - 1}"
        )
    return np.asarray(cut(periodic_response(quotient, grid), before, before + after), np.float64)


def gated_frequency_response(gated: Gated, sent: ExponentialSweep, frequency_hz: ArrayLike) -> Complex:
    """Frequency response of a gated impulse response, the band limit divided out.

    Parameters
    ----------
    gated : Gated
        Gated impulse response(s) from `gating.gate`, shape (..., frames).
    sent : ExponentialSweep
        What was played.
    frequency_hz : array_like, shape (frequencies,)
        Frequencies in Hz, from start_hz to stop_hz.

    Returns
    -------
    ndarray, shape (..., frequencies)
        Complex response, its phase referred to the arrival. Below ``gated.lowest_valid_hz`` it tells little.

    Raises
    ------
    ValueError
        If a frequency lies outside the band.
    """
    frequency = np.asarray(frequency_hz, dtype=np.float64)
    if frequency.size and not (np.min(frequency) >= sent.start_hz and np.max(frequency) <= sent.stop_hz):
        raise ValueError(
            f"frequencies must lie in the sweep's band {sent.start_hz} Hz to {sent.stop_hz} Hz, "
            f"found {np.min(frequency)} Hz to {np.max(frequency)} Hz"
        )
    limited = frequency_response(gated.response, sent.sample_rate_hz, frequency, gated.time_zero_s)
    response: Complex = limited / band_limit_at(frequency, sent)
    return response


def gated_power(gated: Gated, sent: ExponentialSweep) -> tuple[Floats, Floats]:
    """Squared magnitude of a gated impulse response on the lines of its transform, the band limit divided out.

    The lines lie close enough that no reflection within the gate is missed between two, and that the first, which
    lies below the band, is near to it.

    Parameters
    ----------
    gated : Gated
        Gated impulse response from `gating.gate`, shape (frames,).
    sent : ExponentialSweep
        What was played.

    Returns
    -------
    frequency_hz, power : ndarray, shape (lines,)
        From the last line up to start_hz to the first from stop_hz on.
    """
    frames = gated.response.shape[-1]
    length = scipy.fft.next_fast_len(max(4 * frames, math.ceil(8 * sent.sample_rate_hz / sent.start_hz)), real=True)
    frequency_hz, lines, over_limit = _lines_in_band(length, sent)
    spectrum = scipy.fft.rfft(gated.response, length)[lines]
    return frequency_hz, (spectrum.real**2 + spectrum.imag**2) * over_limit


@lru_cache(maxsize=16)
def _lines_in_band(length: int, sent: ExponentialSweep) -> tuple[Floats, slice, Floats]:
    """Frequencies of the lines about a band, their place, and 1 over the power of `band_limit`; read only."""
    step_hz = sent.sample_rate_hz / length
    lines = slice(math.floor(sent.start_hz / step_hz), math.ceil(sent.stop_hz / step_hz) + 1)
    frequency_hz = np.asarray(step_hz * np.arange(lines.start, lines.stop), np.float64)
    over_limit = np.abs(band_limit(frequency_hz, sent)) ** -2.0
    for array in (frequency_hz, over_limit):
        array.flags.writeable = False
    return frequency_hz, lines, over_limit


def transfer_function(
    captured: ArrayLike,
    reference: ArrayLike,
    sent: ExponentialSweep,
    frequency_hz: ArrayLike,
    before_s: float = 0.02,
    after_s: float = 0.5,
) -> Complex:
    """Complex ratio of two recordings of one sweep, for electrical quantities.

    The impulse response between the two is gated around time zero and transformed onto the grid; the gate averages
    noise over about ``1 / after_s``. The result is held against that of two equal recordings behind the same gate,
    so that what a short gate cuts off the ringing of the band limit cancels.

    Parameters
    ----------
    captured, reference : array_like, shape (..., frames)
        Recordings over the same frames, in any units, e.g. volts across a load and across a resistor.
    sent : ExponentialSweep
        What was played.
    frequency_hz : array_like, shape (frequencies,)
        Frequencies in Hz, from start_hz to stop_hz.
    before_s, after_s : float
        Times over which the response of one to the other must lie. The harmonics of the capture lie from
        ``L ln 2`` before time zero on; before_s keeps them out where it is shorter.

    Returns
    -------
    ndarray, shape (..., frequencies)
        Complex ratio captured / reference.

    Raises
    ------
    ValueError
        As `impulse_response`, or if a frequency lies outside the band.
    """
    return ratio_at(gated_ratio(captured, reference, sent, before_s, after_s), sent, frequency_hz)


def gated_ratio(
    captured: ArrayLike, reference: ArrayLike, sent: ExponentialSweep, before_s: float = 0.02, after_s: float = 0.5
) -> tuple[Gated, Gated]:
    """The impulse response between two recordings behind a gate, and that of two equal ones, for `ratio_at`.

    Parameters and errors as of `transfer_function`, of which this is what no frequency asked for changes.
    """
    rate_hz = sent.sample_rate_hz
    zero_s = (round(before_s * rate_hz) + 1) / rate_hz
    response = impulse_response(captured, reference, sent, zero_s, after_s + 2 / rate_hz)
    return gate(response, rate_hz, zero_s, before_s, after_s), _of_equals(sent.alone, before_s, after_s)


@lru_cache(maxsize=8)
def _of_equals(sent: ExponentialSweep, before_s: float, after_s: float) -> Gated:
    """What `gated_ratio` gives of two equal recordings: the band limit alone; read only."""
    rate_hz = sent.sample_rate_hz
    zero_s = (round(before_s * rate_hz) + 1) / rate_hz
    frames = round(zero_s * rate_hz) + round((after_s + 2 / rate_hz) * rate_hz)
    length = scipy.fft.next_fast_len(2 * frames + round(8 / sent.start_hz * rate_hz), real=True)
    limit = band_limit(scipy.fft.rfftfreq(length, 1 / rate_hz), sent)
    equal = cut(scipy.fft.irfft(limit, length), round(zero_s * rate_hz), frames)
    return gate(equal, rate_hz, zero_s, before_s, after_s)


def ratio_at(gated: tuple[Gated, Gated], sent: ExponentialSweep, frequency_hz: ArrayLike) -> Complex:
    """The complex ratio at some frequencies, from `gated_ratio`; shape (..., frequencies)."""
    found, unity = (gated_frequency_response(each, sent, frequency_hz) for each in gated)
    ratio: Complex = found / unity
    return ratio


def harmonic_responses(
    captured: ArrayLike,
    sent: ExponentialSweep,
    orders: Sequence[int],
    frequency_hz: ArrayLike,
    delay_s: ArrayLike | None = None,
    after_s: float = 0.5,
) -> Complex:
    """Responses of the fundamental and the harmonics, over the frequency of the fundamental.

    The capture is divided by the analytic sweep; the response of order N then lies ``L ln N`` before the linear one
    and is cut out by a window from 0.4 of the gap to order N + 1 before it to 0.6 of the gap to
    order N - 1 after it (Farina, AES 108th Convention, 2000; Novak, Lotton and Simon, JAES 63(10), 2015).

    Parameters
    ----------
    captured : array_like, shape (..., frames)
        Captured sweeps, free of constant offset.
    sent : ExponentialSweep
        What was played.
    orders : sequence of int
        Orders wanted; 1 is the fundamental.
    frequency_hz : array_like, shape (frequencies,)
        Frequencies of the fundamental, in Hz.
    delay_s : array_like, shape (...) or (), optional
        Delay of each capture against the sweep's first frame: latency and flight. Found from the greatest peak of
        the impulse response at positive times if not given.
    after_s : float
        Time after the delay that the window of the fundamental keeps.

    Returns
    -------
    ndarray, shape (orders, ..., frequencies)
        Complex amplitude per unit of sweep amplitude: harmonic N of the output is
        ``Im(H_N exp(j N phase))`` where the sweep is ``Im(exp(j phase))``, the delay taken out. NaN where
        ``N * frequency_hz`` lies outside start_hz to stop_hz.

    Raises
    ------
    ValueError
        As `impulse_response`, if an order is below 1, or if the windows do not fit the capture.
    """
    wanted = [int(order) for order in orders]
    sent.advance_s(wanted)
    capture = _checked(captured, "captured")
    frames, single = capture.shape[-1], capture.dtype == np.float32
    length = length_for(frames, sent.sweep_frames, 0, math.ceil(after_s * sent.sample_rate_hz))
    grid = grid_of(length, sent, single=single)
    response = periodic_response(spectrum_of(capture, grid) * sweep_inverse(sent, length, single=single), grid)
    if delay_s is None:
        delay_s = np.argmax(np.abs(response[..., :frames]), axis=-1) / sent.sample_rate_hz
    return harmonics_in(response, sent, wanted, frequency_hz, delay_s, after_s)


@lru_cache(maxsize=8)
def sweep_inverse(sent: ExponentialSweep, length: int, *, single: bool = False) -> AnyComplex:
    """`inverse_of` the analytic sweep on `grid_of` the same; read only."""
    grid = grid_of(length, sent, single=single)
    inverse = inverse_of(spectrum_of(kept_sweep(sent), grid, "reference"), grid)
    inverse.flags.writeable = False
    return inverse


def harmonics_in(
    response: AnyFloats,
    sent: ExponentialSweep,
    orders: Sequence[int],
    frequency_hz: ArrayLike,
    delay_s: ArrayLike,
    after_s: float,
) -> Complex:
    """As `harmonic_responses`, of the periodic response to the analytic sweep, shape (..., frames)."""
    delay = np.broadcast_to(np.asarray(delay_s, np.float64), response.shape[:-1])
    rate_hz, wanted = sent.sample_rate_hz, tuple(int(order) for order in orders)
    at_hz, zero_s, over_seen = _sought(wanted, sent.alone, np.asarray(frequency_hz, np.float64), after_s)
    found = np.empty((len(wanted), *delay.shape, at_hz.shape[-1]), np.complex128)
    for row in np.ndindex(delay.shape):
        whole, pieces = round(float(delay[row]) * rate_hz), []
        for order in wanted:
            window, first_s = harmonic_window(order, sent, after_s)
            if window.size > response.shape[-1]:
                raise ValueError(f"the window of order {order} has {window.size} frames, the capture is shorter")
            piece = cut(response[row], -(whole + round(first_s * rate_hz)), window.size)
            pieces.append(np.multiply(piece, window, out=piece, casting="same_kind"))
        part_s = float(delay[row]) - whole / rate_hz
        turned = over_seen * np.exp(2j * np.pi * part_s * at_hz) if part_s else over_seen
        found[:, *row] = frequency_responses(pieces, rate_hz, at_hz, zero_s) * turned
    return found


@kept_by_value(16)
def _sought(
    orders: tuple[int, ...], sent: ExponentialSweep, frequency_hz: Floats, after_s: float
) -> tuple[Floats, Floats, Complex]:
    """Frequencies of harmonics, where in their windows they begin, and 1 over what is seen there of an ideal one."""
    at_hz = np.multiply.outer(np.array(orders, np.float64), frequency_hz)
    inside = (at_hz >= sent.start_hz) & (at_hz <= sent.stop_hz)
    at_hz = np.where(inside, at_hz, sent.start_hz)
    zero_s = [-sent.rate_s * math.log(order) - harmonic_window(order, sent, after_s)[1] for order in orders]
    edges = [edge_of_harmonic(at, order, sent, after_s) for at, order in zip(at_hz, orders, strict=True)]
    return at_hz, np.array(zero_s), np.where(inside, 1 / (band_limit(at_hz, sent) * np.array(edges)), np.nan)


def edge_of_harmonic(at_hz: Floats, order: int, sent: ExponentialSweep, after_s: float) -> Complex:
    """What its window leaves of an ideal harmonic near its lower edge, over `band_limit`.

    Harmonic N begins at N times the sweep's first frequency and fades in with the N-th power of the sweep. The ringing
    of that edge lasts longer than the harmonic's window, and what is cut off changes the octave above it by up to 0.2
    dB. So a harmonic is held against an ideal one behind the same window, whose spectrum over the sweep's is the ratio
    of their fades (stationary phase; Novak, Lotton and Simon, JAES 63(10), 2015).

    Parameters
    ----------
    at_hz : ndarray
        Frequencies of the harmonic itself, in Hz, any shape.
    order : int
        Order of the harmonic, 1 for the fundamental.
    sent : ExponentialSweep
        What was played.
    after_s : float
        As given to `harmonic_window`.

    Returns
    -------
    ndarray
        Complex ratio in the shape of at_hz; 1 from `EDGE_REACH` times the edge on.
    """
    return np.asarray(np.interp(at_hz, *_edge_ratio(order, sent, after_s)))


@lru_cache(maxsize=64)
def _edge_ratio(order: int, sent: ExponentialSweep, after_s: float) -> tuple[Floats, Complex]:
    """Frequencies and values of `edge_of_harmonic`."""
    window, first_s = harmonic_window(order, sent, after_s)
    reach_hz = EDGE_REACH * order * sent.start_hz
    frames = 2 * math.ceil(reach_hz * EDGE_PERIOD_S)
    line_hz = np.maximum(np.arange(frames // 2 + 1), 0.5) / EDGE_PERIOD_S
    nearby = half_cosine(2 * (1 - line_hz / line_hz[-1]))
    fades = np.minimum(1.0, sent.fade(line_hz / order) ** order / np.maximum(sent.fade(line_hz), 1e-3))
    limit = band_limit(line_hz, sent)
    # What an impulse lacks lies below: few samples hold it.
    lacks = nearby * (1 - limit * fades)
    late = np.exp(2j * np.pi * line_hz * (first_s + sent.rate_s * math.log(order)))
    sound = scipy.fft.irfft(lacks * late, frames)
    frame = np.arange(frames) * EDGE_PERIOD_S / frames * sent.sample_rate_hz
    sound *= np.interp(frame, np.arange(window.size), window, right=0.0)
    cut_off = lacks - scipy.fft.rfft(sound) / late
    inside = line_hz >= sent.start_hz
    return line_hz[inside], fades[inside] + cut_off[inside] / limit[inside]


@lru_cache(maxsize=64)
def harmonic_window(order: int, sent: ExponentialSweep, after_s: float = 0.5) -> tuple[Floats, float]:
    """Window that cuts the response of one order out of the impulse response.

    Parameters
    ----------
    order : int
        Order of the harmonic, 1 for the fundamental.
    sent : ExponentialSweep
        What was played.
    after_s : float
        Time that the window of the fundamental keeps; harmonics end before the next lower order.

    Returns
    -------
    window : ndarray, shape (frames,)
        Window, for `noise.response_noise_power` too.
    first_s : float
        Time of its first frame, a whole number of frames from the linear response; negative.
    """
    rate_s, sample_rate_hz = sent.rate_s, sent.sample_rate_hz
    before = PRE_PART * rate_s * math.log((order + 1) / order)
    after = after_s if order == 1 else (1 - PRE_PART) * rate_s * math.log(order / (order - 1))
    centre_s = -rate_s * math.log(order)
    first = math.floor((centre_s - before) * sample_rate_hz)
    frames = math.ceil((before + after) * sample_rate_hz) + 2
    time_s = np.arange(first, first + frames) / sample_rate_hz - centre_s
    window = gate_window(time_s, before, before, after, FALL_PART * after)
    window.flags.writeable = False
    return window, first / sample_rate_hz


@lru_cache(maxsize=64)
def harmonic_gain(order: int, sent: ExponentialSweep, after_s: float = 0.5) -> float:
    """Sum of the squares of `harmonic_window`: how much of a noise goes through it. Same parameters, same errors."""
    window, _ = harmonic_window(order, sent, after_s)
    return float(np.sum(window**2))


def harmonic_distortion_db(responses: ArrayLike, fundamental: ArrayLike) -> Floats:
    """Level of harmonics relative to the fundamental at the frequency that excites them.

    Parameters
    ----------
    responses : array_like, shape (orders, ..., frequencies)
        Complex responses of harmonics from `harmonic_responses`.
    fundamental : array_like, shape (..., frequencies)
        Complex response of order 1 on the same frequencies.

    Returns
    -------
    ndarray, shape (orders, ..., frequencies)
        20 lg |H_N| / |H_1| in dB over the frequency of the fundamental.
    """
    with np.errstate(divide="ignore"):
        level: Floats = 20 * np.log10(np.abs(np.asarray(responses)) / np.abs(np.asarray(fundamental)))
    return level
