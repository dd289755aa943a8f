"""What a piece of a programme says: levels, gains and a coil's resistance, from what was sent and what was heard."""

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.circuit.channel import Channel, find_driver, impedance_ohm, with_driver
from rig.signals.bands import band_edges_hz, mid_band_hz, nominal_hz
from rig.signals.coil import CoilModel, band_magnitude_ohm, choose_band, coil_resistance
from rig.signals.levels import REFERENCE_PRESSURE_PA, db, power_db, rms
from rig.signals.power_gain import BlockPowers, block_powers, power_gain
from rig.signals.programme_levels import SEGMENT_S, band_levels_ms, coherent_gain, delay_seconds
from rig.signals.uncertainty import DB_PER_POWER_PART
from rig.values.captures import Calibration
from rig.values.readings import Floats

#: A log has a column for each of these octaves, counted from 1 kHz: 63 Hz to 8 kHz; our choice.
OCTAVES = range(-4, 4)
#: Through the card and back, and from the box to the microphone; our choice.
LONGEST_DELAY_S = 0.25
#: An input whose peaks come so near to full scale is overdriven; our choice.
FULL_SCALE = 0.999
#: Without a common clock gains are of the last so many seconds, ... (our choice; tests/signals/test_power_gain.py)
FOLLOWED_S = 60.0
#: ... as long as the quarters of each row are no further apart in power (our choice), ...
STEADY_PART = 2.0
#: ... and told where they stand so many standard uncertainties above nothing: to 1 dB; our choice.
CLEAR = 4.0
#: A load that draws no coherent current is open or shorted only if so much of the voltage sent really lies across it;
#: our choice.
DRIVEN = 0.5


@dataclass(frozen=True)
class Piece:
    """What was sent and what was heard in the time of one row."""

    #: As the converter gave it, full scale 1.0, shape (inputs, frames).
    recorded: NDArray[np.float32]
    #: Channel -> volts at its leads as they were sent, shape (frames,). Empty at rest.
    sent_v: Mapping[str, Floats]
    #: The microphone's row is of a device of its own: near the rest in time, but on no common clock.
    has_own_clock: bool = False


def coil_model(channel: Channel) -> CoilModel:
    """The load of a channel, and what the coil of its lowest driver does to it when it warms.

    Raises
    ------
    ValueError
        If that coil makes no share of the impedance anywhere.
    """
    frequency_hz = np.geomspace(10.0, 20000.0, 1500)
    driver = find_driver(channel, min(channel.drivers, key=lambda driver: driver.band_hz[0]).name)
    re_ohm = float(np.mean(driver.re_ohm))
    # Warm copper, the same magnet: force factor and moving parts stay, thus the electrical Q rises with the resistance.
    more = 1e-3
    warmer = with_driver(channel, driver.name, re_ohm=re_ohm * (1 + more), qes=driver.qes * (1 + more))
    ohm = impedance_ohm(channel, frequency_hz)
    sensitivity = (impedance_ohm(warmer, frequency_hz) - ohm) / (re_ohm * more)
    return CoilModel(
        channel=channel.name,
        frequency_hz=frequency_hz,
        ohm=ohm,
        sensitivity=sensitivity,
        re_ohm=re_ohm,
        band_hz=choose_band(frequency_hz, ohm, sensitivity),
    )


def shortest_row_s(channels: int) -> float:
    """Length of a row below which the channels of a programme cannot be told apart."""
    return SEGMENT_S * (channels + 1) + LONGEST_DELAY_S


def observed(
    piece: Piece,
    roles: tuple[str, ...],
    calibration: Calibration,
    sample_rate_hz: float,
    coil: CoilModel | None = None,
    past: deque[BlockPowers] | None = None,
) -> tuple[dict[str, float], str]:
    """Values of a row.

    Parameters
    ----------
    piece : Piece
    roles : tuple of str
        Role of each row of `piece.recorded`.
    calibration : Calibration
        Of the stage.
    sample_rate_hz : float
        Sample rate in Hz.
    coil : CoilModel, optional
        Of the channel at which "drive" and "sense" are.
    past : deque, optional
        Of a microphone with a clock of its own, what the rows before gave: this one's is added, the oldest leave.

    Returns
    -------
    values : dict
        `drive_v.<channel>`: RMS volts at the leads, measured where there is a "drive" for it, elsewhere as sent.
        `level_db.<octave>`: at the microphone, dB SPL, or dB re 1 V where it is not calibrated.
        `gain_db.<channel>.<octave>`: from the leads to the microphone, dB SPL (or dB re 1 V) for 1 V. Of a microphone
        with a clock of its own over the last minute, and with `gain_db_u.<channel>.<octave>`, its uncertainty.
        `coil_ohm.<channel>`, `coil_ohm_u.<channel>`: resistance and its standard uncertainty from scatter; without
        the uncertainty where it is the bare ratio of voltage to current, of a load that draws no coherent current.
        What cannot be determined is absent.
    trouble : str
        What is wrong with the sound, in words; empty: nothing.
    """
    volts = {
        role: row.astype(np.float64) * calibration.input_volts.get(role, 1.0)
        for role, row in zip(roles, piece.recorded, strict=True)
    }
    values = {f"drive_v.{channel}": float(rms(sent)) for channel, sent in piece.sent_v.items()}
    reference = 1.0
    if calibration.microphone_v_per_pa is not None:
        reference = REFERENCE_PRESSURE_PA * calibration.microphone_v_per_pa
    microphone = volts["microphone"] / reference
    centres_hz = _octaves(sample_rate_hz)
    if microphone.size >= 1.5 * SEGMENT_S * sample_rate_hz:
        levels_db = power_db(band_levels_ms(microphone, sample_rate_hz, centres_hz))
        values |= _named("level_db", centres_hz, levels_db)
    is_audible = True
    is_sent = any(np.any(sent) for sent in piece.sent_v.values())
    if is_sent and microphone.size >= shortest_row_s(len(piece.sent_v)) * sample_rate_hz:
        if piece.has_own_clock:
            is_audible = bool(np.any(microphone))
            if is_audible:
                values |= _gains_without_clock(
                    piece, microphone, sample_rate_hz, centres_hz, deque() if past is None else past
                )
        else:
            gains = _gains(piece, volts, microphone, sample_rate_hz, centres_hz)
            is_audible = bool(gains)
            values |= gains
    if coil is not None and coil.channel in piece.sent_v:
        values |= _coil(coil, volts, calibration.sense_ohm or 1.0, piece.sent_v[coil.channel], sample_rate_hz)
    return values, _trouble(piece.recorded, roles, is_audible)


def _octaves(sample_rate_hz: float) -> Floats:
    centres_hz = mid_band_hz(np.array(OCTAVES), 1)
    return np.asarray(centres_hz[band_edges_hz(centres_hz, 1)[1] < sample_rate_hz / 2])


def _named(column: str, centres_hz: Floats, values: Floats) -> dict[str, float]:
    """Columns of the octaves, for those with a finite value."""
    names = nominal_hz(centres_hz)
    return {f"{column}.{hz:g}": float(value) for hz, value in zip(names, values, strict=True) if np.isfinite(value)}


def _gains(
    piece: Piece, volts: Mapping[str, Floats], microphone: Floats, sample_rate_hz: float, centres_hz: Floats
) -> dict[str, float]:
    sent = np.stack(list(piece.sent_v.values()))
    # By cable where there is one: it hears every programme, and hears it first.
    nearest = next((volts[role] for role in ("loopback", "drive") if role in volts), microphone)
    delay_s = delay_seconds(sent, nearest, sample_rate_hz, LONGEST_DELAY_S)
    gain, _ = coherent_gain(sent, microphone, sample_rate_hz, centres_hz, delay_s)
    named = [_named(f"gain_db.{name}", centres_hz, db(row)) for name, row in zip(piece.sent_v, gain, strict=True)]
    return {column: value for columns in named for column, value in columns.items()}


def _gains_without_clock(
    piece: Piece, microphone: Floats, sample_rate_hz: float, centres_hz: Floats, past: deque[BlockPowers]
) -> dict[str, float]:
    """Gains of the last `FOLLOWED_S`, of those channels and octaves that can be told apart by then."""
    sent = np.stack(list(piece.sent_v.values()))
    if not _is_steady(sent):
        past.clear()
        return {}
    past.append(block_powers(sent, microphone, sample_rate_hz, centres_hz, LONGEST_DELAY_S))
    while sum(row.seconds for row in past) - past[0].seconds >= FOLLOWED_S:
        past.popleft()
    power, power_u = power_gain(past)
    clear = power > CLEAR * power_u
    found: dict[str, float] = {}
    for row, channel in enumerate(piece.sent_v):
        gain_db = np.where(clear[row], power_db(np.maximum(power[row], 1e-300)), np.nan)
        found |= _named(f"gain_db.{channel}", centres_hz, gain_db)
        with np.errstate(divide="ignore", invalid="ignore"):
            gain_u_db = np.where(clear[row], DB_PER_POWER_PART * power_u[row] / power[row], np.nan)
        found |= _named(f"gain_db_u.{channel}", centres_hz, gain_u_db)
    return found


def _is_steady(sent: Floats) -> bool:
    """Whether a programme keeps its level in a row: what all channels do alike would hide what each does."""
    parts = np.square(sent[:, : sent.shape[1] // 4 * 4]).sum(axis=0).reshape(4, -1).mean(axis=1)
    return bool(np.max(parts) < STEADY_PART * np.min(parts))


def _coil(
    coil: CoilModel, volts: Mapping[str, Floats], sense_ohm: float, sent_v: Floats, sample_rate_hz: float
) -> dict[str, float]:
    drive, current_a = volts["drive"], volts["sense"] / sense_ohm
    values = {f"drive_v.{coil.channel}": float(rms(drive))}
    # The sense resistor is between the load and the return.
    load_v = drive - volts["sense"]
    if load_v.size < shortest_row_s(1) * sample_rate_hz:
        return values
    ohm, ohm_u = coil_resistance(load_v, current_a, sample_rate_hz, coil)
    if np.isfinite(ohm):
        return values | {f"coil_ohm.{coil.channel}": ohm, f"coil_ohm_u.{coil.channel}": ohm_u}
    if rms(drive) > DRIVEN * rms(sent_v):
        ohm = band_magnitude_ohm(load_v, current_a, sample_rate_hz, coil.band_hz)
        if np.isfinite(ohm):
            values[f"coil_ohm.{coil.channel}"] = ohm
    return values


def _trouble(recorded: NDArray[np.float32], roles: tuple[str, ...], is_audible: bool) -> str:
    over = [role for role, row in zip(roles, recorded, strict=True) if np.max(np.abs(row)) >= FULL_SCALE]
    words = [f"overdriven at the input {', '.join(over)}"] if over else []
    if not is_audible:
        words.append("nothing of the programme arrives at the microphone")
    return "; ".join(words)
