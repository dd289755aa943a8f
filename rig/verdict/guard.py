"""The watch over a programme: it completes the rows of its log, and says when it must end before its time."""

import math
from array import array
from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from statistics import fmean, pstdev

import numpy as np

from rig.signals.coil import coil_temperature
from rig.signals.heat_response import NotEnough, Power, power_of_rows
from rig.signals.heating import HeatFit, fit_rise, rate_k_per_min, settled
from rig.values.logs import OF_COIL, Log, Outlook, Row, Stop, gains_of, of_quantity
from rig.values.readings import Floats
from rig.values.requests import Programme, RoleGuard

AMBIENT = "celsius.ambient"
#: The reading that looks ahead, as its limits name it.
STEADY_RISE = "steady rise"
#: Rates of rise, and gains at the start, are taken over so long; our choice.
MINUTE_S = 60.0
#: A loss of level must last for so many rows: one row may hold a slammed door; our choice.
LASTING_ROWS = 3
#: A band whose gain strays by more in the first minute is no measure of the unit; our choice.
STEADY_DB = 1.0
#: Beyond doubt: the chance that the steady state lies on the other side of its limit; our choice.
DOUBT = 0.001
#: The course to steady state is fitted anew when so much more of it has been seen, and not before this much; our
#: choice.
FIT_EVERY = 1.1
FIT_FROM_S = 600.0
#: Gains of all channels and bands that fall together within this are the microphone's fall, or the supply's; our
#: choice.
TOGETHER_DB = 1.0
#: Of many bands the one that scatters most and the one that scatters least lie so many standard deviations apart; our
#: choice.
SCATTERED = 4.0


@dataclass
class GuardWatch:
    """What is remembered of a programme under way. Grows by a few numbers a row, whatever its length."""

    programme: Programme
    #: Role -> lower and upper limit of its predicted steady rise, where the kit has such a limit.
    steady_limits_k: dict[str, tuple[float, float]] = field(default_factory=dict)
    stopped: Stop | None = None
    outlooks: tuple[Outlook, ...] = ()
    _seconds: "array[float]" = field(default_factory=lambda: array("d"))
    _states: list[str] = field(default_factory=list)
    _columns: "dict[str, array[float]]" = field(default_factory=dict)
    _events: list[tuple[float, str]] = field(default_factory=list)
    _began_at: str = ""
    _doubts: dict[str, str] = field(default_factory=dict)
    _recent: deque[Row] = field(default_factory=deque)
    #: Column -> when it last had a value.
    _seen_s: dict[str, float] = field(default_factory=dict)
    #: Channel -> resistances of its cold coil; channel and octave in Hz -> gains of the first minute at level.
    _cold_ohm: dict[str, list[float]] = field(default_factory=dict)
    _first_gains: dict[tuple[str, float], list[float]] = field(default_factory=dict)
    _ambient_at_start: float = float("nan")
    _level_since_s: float = float("nan")
    _fitted_at_s: float = 0.0

    def add(self, row: Row) -> tuple[Row, Stop | None]:
        """Take in the next row; give it back with the coils' temperatures, and the reason to stop if there is one."""
        row = self._with_coil_temperatures(row)
        self._remember(row)
        if self.programme.is_rest:
            return row, None
        stop = self._void_or_fail(row) or self._settled(row)
        if stop:
            self.stopped = stop
            self._events.append((row.seconds, stop.words))
            row = replace(row, guard=stop.words)
        return row, stop

    def log(self) -> Log:
        """All rows so far as columns."""
        rows = len(self._seconds)
        columns = {name: np.array(column) for name, column in self._columns.items()}
        for name, column in columns.items():
            columns[name] = np.concatenate([column, np.full(rows - column.size, np.nan)])
        return Log(
            request=self.programme,
            seconds=np.array(self._seconds),
            states=tuple(self._states),
            columns=columns,
            events=tuple(self._events),
            stopped=self.stopped,
            began_at=self._began_at,
            doubts=dict(self._doubts),
        )

    def _remember(self, row: Row) -> None:
        for name, value in row.values.items():
            column = self._columns.setdefault(name, array("d"))
            column.extend([float("nan")] * (len(self._seconds) - len(column)))
            column.append(value)
            if value == value:
                self._seen_s[name] = row.seconds
        self._seconds.append(row.seconds)
        self._states.append(row.state)
        self._began_at = self._began_at or row.clock
        self._doubts |= row.doubts
        if row.event:
            self._events.append((row.seconds, row.event))
        if row.state == "gap":
            self._recent.clear()
        self._recent.append(row)
        while self._recent[0].seconds < row.seconds - MINUTE_S:
            self._recent.popleft()
        self._remember_beginning(row)

    def _remember_beginning(self, row: Row) -> None:
        ambient = row.values.get(AMBIENT, float("nan"))
        if self._ambient_at_start != self._ambient_at_start:
            self._ambient_at_start = ambient
        if row.state == "playing" and self._level_since_s != self._level_since_s:
            self._level_since_s = row.seconds
        if row.state == "cold":
            for channel, ohm in of_quantity(row.values, "coil_ohm").items():
                if ohm == ohm:
                    self._cold_ohm.setdefault(channel, []).append(ohm)
        if row.state == "playing" and row.seconds - self._level_since_s < MINUTE_S:
            for band, gain_db in gains_of(row.values).items():
                if gain_db == gain_db:
                    self._first_gains.setdefault(band, []).append(gain_db)

    def _with_coil_temperatures(self, row: Row) -> Row:
        added: dict[str, float] = {}
        for channel, ohm in of_quantity(row.values, "coil_ohm").items():
            cold = self._cold_ohm.get(channel)
            if cold and row.state != "cold":
                uncertainty = row.values.get(f"coil_ohm_u.{channel}", float("nan"))
                celsius, celsius_u = coil_temperature(
                    ohm,
                    fmean(cold),
                    self._ambient_at_start,
                    resistance_uncertainty_ohm=uncertainty,
                    cold_uncertainty_ohm=uncertainty / len(cold) ** 0.5,
                    cold_uncertainty_k=0.5,
                )
                added |= {f"celsius.{OF_COIL}{channel}": celsius, f"celsius_u.{OF_COIL}{channel}": celsius_u}
        return replace(row, values=row.values | added) if added else row

    def _void_or_fail(self, row: Row) -> Stop | None:
        guard = self.programme.guard
        for name, column in (("ambient", AMBIENT), *((role.role, role.column) for role in guard.roles)):
            silent_s = row.seconds - self._seen_s.get(column, 0.0)
            if silent_s > guard.missing_s:
                return Stop("void", f"no reading of {name} for {silent_s:.0f} s", row.seconds)
        drift_k = row.values.get(AMBIENT, float("nan")) - self._ambient_at_start
        if abs(drift_k) > guard.ambient_drift_k:
            words = f"the ambient has moved by {drift_k:+.1f} K since the start; allowed {guard.ambient_drift_k:g} K"
            return Stop("void", words, row.seconds)
        for role in guard.roles:
            words = self._beyond(role, row)
            if words:
                return Stop("fail", words, row.seconds)
        return self._coil_out(row) or self._unfollowed(row) or self._level_lost(row)

    def _beyond(self, role: RoleGuard, row: Row) -> str:
        """Why a role's reading is out of its guard; empty when it is not."""
        value = row.values.get(role.column, float("nan"))
        if role.upper is not None and value > role.upper:
            return f"{role.role} at {value:.4g} {role.unit}; allowed up to {role.upper:g}"
        if role.lower is not None and value < role.lower:
            return f"{role.role} at {value:.4g} {role.unit}; allowed down to {role.lower:g}"
        rise_k = value - row.values.get(AMBIENT, float("nan"))
        if role.rise_k is not None and rise_k > role.rise_k:
            return f"{role.role} {rise_k:.1f} K above ambient; allowed {role.rise_k:g} K"
        if role.rate_k_per_min is not None and row.seconds - self._recent[0].seconds >= 0.8 * MINUTE_S:
            pairs = [(r.seconds, r.values.get(role.column, float("nan"))) for r in self._recent]
            try:
                rate, rate_u = rate_k_per_min(*np.array(pairs).T)
            except NotEnough:
                return ""
            if rate - 2 * rate_u > role.rate_k_per_min:
                return f"{role.role} rises by {rate:.1f} K a minute; allowed {role.rate_k_per_min:g}"
        return ""

    def _coil_out(self, row: Row) -> Stop | None:
        low, high = self.programme.guard.coil_ratio
        for channel, first in self._cold_ohm.items():
            column, cold_ohm = f"coil_ohm.{channel}", fmean(first)
            ohm, doubt = row.values.get(column, float("nan")), 2 * row.values.get(f"coil_ohm_u.{channel}", 0.0)
            if ohm + doubt < low * cold_ohm or ohm - doubt > high * cold_ohm:
                allowed = f"allowed {low:g} to {high:g} times that"
                return Stop("fail", f"coil of {channel} at {ohm:.3g} ohm, {cold_ohm:.3g} cold; {allowed}", row.seconds)
            unseen_s = row.seconds - self._seen_s[column]
            if row.state in ("ramp", "playing") and unseen_s > self.programme.guard.missing_s:
                words = f"the coil of {channel} can no longer be measured: it is open, or a wire is lost"
                return Stop("void", words, row.seconds)
        return None

    def _unfollowed(self, row: Row) -> Stop | None:
        """A channel of which nothing would show that it fell silent; where gains are told, each must have one."""
        if row.state != "playing" or row.seconds - self._level_since_s < MINUTE_S or not self._first_gains:
            return None
        for channel in self.programme.channels:
            bands = [band for band, first in self._first_gains.items() if band[0] == channel and steady(first)]
            seen = [self._seen_s[f"gain_db.{channel}.{hz:g}"] for _, hz in bands]
            if channel in self._cold_ohm or (seen and row.seconds - max(seen) <= self.programme.guard.missing_s):
                continue
            since = "can no longer" if seen else "cannot"
            words = f"the sound of {channel} {since} be told from noise and other channels at the microphone"
            return Stop("void", f"{words}: nothing would show that it falls silent", row.seconds)
        return None

    def _level_lost(self, row: Row) -> Stop | None:
        """A channel that lost level in a band fails; where everything fell together, the microphone may have."""
        recent = list(self._recent)[-LASTING_ROWS:]
        if row.state != "playing" or len(recent) < LASTING_ROWS or row.seconds - self._level_since_s < MINUTE_S:
            return None
        gains = [gains_of(r.values) for r in recent]
        lost = {}
        for band, first in self._first_gains.items():
            now = [value for of_row in gains if (value := of_row.get(band, float("nan"))) == value]
            if len(now) == LASTING_ROWS and steady(first):
                lost[band] = fmean(first) - max(now)
        worst = max(lost, key=lambda band: lost[band], default=None)
        if worst is None or lost[worst] <= self.programme.guard.level_loss_db:
            return None
        words = f"{worst[0]} has lost {lost[worst]:.1f} dB at {worst[1]:g} Hz"
        scatter_db = fmean(pstdev(self._first_gains[band]) for band in lost)
        if max(lost.values()) - min(lost.values()) < TOGETHER_DB + SCATTERED * scatter_db and len(lost) > 1:
            return Stop("void", f"{words}, and every other band with it: was the microphone moved?", row.seconds)
        return Stop("fail", f"{words}; allowed {self.programme.guard.level_loss_db:g} dB", row.seconds)

    def _settled(self, row: Row) -> Stop | None:
        """Look ahead; and end early where the kit allows it and nothing can change the verdict any more."""
        if row.seconds < max(FIT_EVERY * self._fitted_at_s, FIT_FROM_S):
            return None
        self._fitted_at_s = row.seconds
        log, outlooks, sides = self.log(), [], []
        for role in (role.role for role in self.programme.guard.roles if role.unit == "celsius"):
            rise_k, fit = rise_over_ambient(log, role)
            known = rise_k[np.isfinite(rise_k)]
            if known.size and fit:
                outlooks.append(Outlook(role, float(known[-1]), fit.steady_k, fit.steady_u_k))
            elif known.size:
                outlooks.append(Outlook(role, float(known[-1])))
            if role in self.steady_limits_k:
                side = side_of(fit, *self.steady_limits_k[role]) if fit else "open"
                sides.append((role, side))
        self.outlooks = tuple(outlooks)
        early_s = self.programme.early_end_after_s
        if early_s is None or row.seconds < early_s or not sides:
            return None
        outside = [outside_words(role, side) for role, side in sides if side in ("above", "below")]
        if outside:
            return Stop("settled", f"beyond doubt {outside[0]}", row.seconds)
        if all(side == "inside" for _, side in sides):
            return Stop("settled", "beyond doubt every steady state lies inside its limit", row.seconds)
        return None


def steady(first_db: Sequence[float]) -> bool:
    """Whether the gains of the first minute are a measure of the unit."""
    return pstdev(first_db) < STEADY_DB


def watched(programme: Programme, rows: Iterable[Row], steady_limits_k: dict[str, tuple[float, float]]) -> Log:
    """The log that recorded rows make under the guard of a programme; the guard may end it before they do."""
    watch = GuardWatch(programme, steady_limits_k)
    for row in rows:
        if watch.add(row)[1]:
            break
    return watch.log()


def outside_words(role: str, side: str) -> str:
    """That a role's steady rise will be "above" or "below" its limit: what an early end says of it."""
    return f"{role} will end {side} its limit"


def side_of(fit: HeatFit, lower_k: float, upper_k: float) -> str:
    """Where a steady rise will beyond doubt be: "inside" its limits, "above", "below"; or "open"."""
    over = settled(fit, upper_k, 1 - DOUBT) if math.isfinite(upper_k) else "inside"
    under = settled(fit, lower_k, 1 - DOUBT) if math.isfinite(lower_k) else "outside"
    if over == "outside":
        return "above"
    if under == "inside":
        return "below"
    return "inside" if (over, under) == ("inside", "outside") else "open"


def rise_over_ambient(log: Log, role: str) -> tuple[Floats, HeatFit | None]:
    """Rise of a role's temperature over ambient, shape (rows,), and its course; None where too little was seen."""
    ambient = log.column(AMBIENT)
    rise_k = log.column(f"celsius.{role}") - ambient
    try:
        return rise_k, fit_rise(log.seconds, rise_k, heating_power(log), ambient)
    except NotEnough:
        return rise_k, None


def heating_power(log: Log) -> Power:
    """Power of the programme relative to its full level, over time: what the temperatures follow."""
    return power_of_rows(log.seconds, drive_power(log), log.request.every_s)


def drive_power(log: Log) -> Floats:
    """Power of the programme relative to its full level, shape (rows,): what the temperatures follow."""
    drives = list(of_quantity(log.columns, "drive_v").values())
    squares = np.nansum(np.square(drives), axis=0) if drives else np.zeros(log.seconds.size)
    playing = squares[log.is_state("playing")]
    return squares / np.median(playing) if playing.size and np.median(playing) > 0 else np.zeros(log.seconds.size)
