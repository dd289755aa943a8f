"""The log of a programme on a simulated unit: what sensors, coils and microphone show, row by row."""

import math
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import numpy as np

from rig.bench.soaking import envelope, state_of
from rig.design.fault_names import BLANK, Fault
from rig.simulated.chance import generator
from rig.simulated.heat_drive import BANDS_HZ, band_gains_db, drive_of
from rig.simulated.heat_unit import HeatedUnit
from rig.values.logs import Row
from rig.values.requests import Programme

#: Thermometers: noise, disagreement from one to the next (standard deviations), and steps of the display; made up.
SENSOR_NOISE_K, SENSOR_OFFSET_K, SENSOR_STEP_K = 0.03, 0.1, 0.1
#: A coil's resistance from one row, as a part of it: at full level, and the more at a lower one; made up.
COIL_NOISE = 0.002
#: What an open coil seems to have: the rest of its box, seen through the parts in series; made up.
OPEN_RATIO = 30.0
#: Of the programme's own level from row to row, and of the supply's meters, as parts; made up.
LEVEL_NOISE, METER_NOISE = 0.01, 0.001
#: A band with less than this of the programme's power says nothing of the gain, in dB; made up.
LEAST_DRIVE_DB = -40.0
#: Of a gain, as a part of the level's own: what is played is known; made up.
GAIN_NOISE = 0.3
SUPPLY_OHM = 0.1
ROOM_DB = 30.0
BEGAN = datetime(2026, 1, 5, 8, tzinfo=UTC)


def rows_of(heated: HeatedUnit, programme: Programme, from_s: float = 0.0, gap_s: float = 0.0) -> Iterator[Row]:
    """Play a programme on a unit and yield its rows, on from some second of it after an interruption.

    Parameters
    ----------
    heated : HeatedUnit
        Carries temperatures, and what has burnt out, on to the next programme.
    programme : Programme
    from_s : float
        Second of the programme at which it goes on; the gap counts.
    gap_s : float
        How long before that everything stood still, switched off. A unit that has played nothing yet (the rig was
        started anew) is taken through the time before first.

    Raises
    ------
    ValueError
        If the programme watches a temperature that the simulated unit does not have; with the first row.
    """
    run = _Run(heated, programme)
    if from_s > 0:
        if heated.played_s == 0:
            for start_s, stop_s in _spans(0.0, from_s - gap_s, programme.every_s):
                run.advance(start_s, stop_s)
        heated.idle(gap_s, is_on=False)
    for start_s, stop_s in _spans(from_s, programme.seconds, programme.every_s):
        state = state_of(programme, start_s, stop_s)
        if start_s == from_s > 0:
            state = "gap"
        elif from_s > 0 and state == "playing" and start_s < from_s + programme.ramp_s:
            state = "ramp"
        run.advance(start_s, stop_s, from_s)
        yield run.row(start_s, stop_s, state)


def _spans(from_s: float, to_s: float, every_s: float) -> Iterator[tuple[float, float]]:
    count = max(math.ceil((to_s - from_s) / every_s - 1e-9), 0)
    for n in range(count):
        yield from_s + n * every_s, min(from_s + (n + 1) * every_s, to_s)


def sensor_offset_k(heated: HeatedUnit, programme: Programme) -> dict[str, float]:
    """What each thermometer shows too much, by its role: the same in every programme on this bench."""
    roles = {role.role for role in programme.guard.roles if role.unit == "celsius"} | {"ambient"}
    return {r: float(generator("thermometer", heated.seed, r).normal(0, SENSOR_OFFSET_K)) for r in roles}


#: Of the bench's amplifier, where a kit without one of its own does not say; made up.
BENCH_SUPPLY_V = 24.0


class _Run:
    """One programme on a heated unit."""

    def __init__(self, heated: HeatedUnit, programme: Programme) -> None:
        self._heated = heated
        self._programme = programme
        self._random = generator("rows", heated.kit.name, heated.serial, heated.seed, programme.moment)
        self._roles = {role.role: role.unit for role in programme.guard.roles} | {"ambient": "celsius"}
        self._offset_k = sensor_offset_k(heated, programme)
        self._channels = () if programme.is_rest else programme.channels
        self._level_v = self._watt = 0.0
        self._see()

    def _see(self) -> None:
        """Work out what the unit as it is now makes of the programme."""
        unit, programme = self._heated.unit, self._programme
        self._drive = drive_of(unit, programme.noise, self._channels, programme.path_gain)
        self._gains = {
            channel: band_gains_db(unit, self._heated.kit, channel, programme.at, programme.position)
            for channel in self._channels
        }
        self._drivers = {channel: [coil.name for coil in unit.box(channel).coils] for channel in self._channels}
        self._cold_ohm = {channel: self._heated.cold_ohm(channel) for channel in self._channels}

    def _due(self, fault: Fault, now_s: float) -> bool:
        return now_s >= fault.amount * self._programme.seconds or self._programme.is_rest

    def advance(self, start_s: float, stop_s: float, rises_from_s: float = 0.0) -> None:
        """Move the unit on by a row, and let burn out what burns out in it."""
        programme, heated = self._programme, self._heated
        for fault in heated.faults:
            place = (fault.channel, *fault.what)
            burns = fault.kind == "fails-open" and not programme.is_rest and self._due(fault, stop_s)
            if burns and place not in heated.opened:
                heated.open(fault.channel, fault.what[0])
                self._see()
        self._level_v = 0.0
        if not programme.is_rest:
            instants = start_s + (np.arange(8) + 0.5) / 8 * (stop_s - start_s)
            part = envelope(programme, instants)
            if rises_from_s > 0:
                part = part * np.clip((instants - rises_from_s) / programme.ramp_s, 0, 1)
            chance = 1 + LEVEL_NOISE * self._random.standard_normal()
            self._level_v = programme.level_v * float(np.sqrt(np.mean(part**2)) * chance)
        self._watt = heated.play(self._drive, self._level_v, stop_s - start_s)

    def row(self, start_s: float, stop_s: float, state: str) -> Row:
        """What is read at the end of a row."""
        values, answers = self._instruments(stop_s)
        for channel in self._channels:
            values[f"drive_v.{channel}"] = self._level_v * self._drive.lead_v[channel]
        ratios = self._heated.resistance_ratios()
        values |= self._coils(ratios) | self._sound(stop_s - start_s, ratios)
        clock = (BEGAN + timedelta(seconds=self._heated.seconds)).isoformat(timespec="seconds")
        return Row(stop_s, clock, state, values, answers)

    def _instruments(self, now_s: float) -> tuple[dict[str, float], dict[str, str]]:
        """Values by column, and the answers as they came, by role."""
        volt = self._heated.kit.amplifier.supply_v or BENCH_SUPPLY_V
        ampere = self._watt / volt
        values, answers = {}, {}
        wanted = {"volt.supply": ("supply", "volt"), "ampere.supply": ("supply", "ampere")}
        wanted |= {f"{unit}.{role}": (role, unit) for role, unit in self._roles.items()}
        for column, (role, unit) in wanted.items():
            if unit == "celsius":
                exact = self._heated.at(role) + self._offset_k[role] + self._random.normal(0, SENSOR_NOISE_K)
                value = round(exact / SENSOR_STEP_K) * SENSOR_STEP_K
            else:
                exact = {"volt": volt - SUPPLY_OHM * ampere, "ampere": ampere, "watt": self._watt}[unit]
                value = exact * (1 + self._random.normal(0, METER_NOISE))
            wrong = {
                f.kind for f in self._heated.faults if f.what == (role.replace(" ", BLANK),) and self._due(f, now_s)
            }
            if "silent-sensor" in wrong:
                continue
            answers[role] = "+9.9E+37?" if "garbage" in wrong else f"{value:.4g}"
            if "garbage" not in wrong:
                values[column] = float(f"{value:.4g}")
        return values, answers

    def _coils(self, ratios: dict[tuple[str, str], float]) -> dict[str, float]:
        """Resistance of each channel's main coil, and its standard uncertainty."""
        values = {}
        for channel in self._channels:
            name = self._heated.thermal.main[channel]
            ohm = self._cold_ohm[channel] * ratios[channel, name]
            noise = COIL_NOISE * (1 + 0.2 * self._programme.level_v / self._level_v) / 1.2
            if (channel, name) in self._heated.opened:
                ohm, noise = ohm * OPEN_RATIO, 10 * noise
            values[f"coil_ohm.{channel}"] = ohm * (1 + noise * self._random.standard_normal())
            values[f"coil_ohm_u.{channel}"] = ohm * noise
        return values

    def _sound(self, row_s: float, ratios: dict[tuple[str, str], float]) -> dict[str, float]:
        """Level at the microphone in each band, and each channel's gain where it is driven."""
        # Standard deviation of the level of Gaussian noise, from the degrees of freedom 2 B T.
        noise_db = 10 / math.log(10) / np.sqrt(np.array(BANDS_HZ) / math.sqrt(2) * row_s)
        values: dict[str, float] = {}
        power = np.full(len(BANDS_HZ), 10 ** (ROOM_DB / 10))
        for channel in self._channels:
            cold_db, per_db = self._gains[channel]
            warm_db = [20 * math.log10(ratios[channel, driver]) for driver in self._drivers[channel]]
            gain_db = cold_db + np.array(warm_db) @ per_db
            drive_db = self._drive.band_db[channel]
            power = power + 10 ** ((gain_db + drive_db + 20 * math.log10(self._level_v)) / 10)
            shown = gain_db + GAIN_NOISE * noise_db * self._random.standard_normal(noise_db.size)
            driven = drive_db > LEAST_DRIVE_DB
            values |= {f"gain_db.{channel}.{hz}": float(shown[n]) for n, hz in enumerate(BANDS_HZ) if driven[n]}
        level_db = 10 * np.log10(power) + noise_db * self._random.standard_normal(noise_db.size)
        return {f"level_db.{hz}": float(db) for hz, db in zip(BANDS_HZ, level_db, strict=True)} | values
