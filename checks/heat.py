"""Heat: what long loud playing does. Everything is read from the log of the programme, one row every few seconds.

Temperatures are judged as rises over ambient: the last minute's mean, and the steady state that the course leads to,
fitted with one or two time constants. Coils tell their temperature by their resistance, where it is measured. Power
compression is what each band has lost against the first minute at full level.
"""

from collections.abc import Sequence

import numpy as np

from rig.design.kit import Kit
from rig.design.soak import SoakTable, programme
from rig.design.trust import RestsOn
from rig.signals.heating import predict
from rig.signals.uncertainty import combined
from rig.values.captures import Untrusted
from rig.values.logs import OF_COIL, Log, gains_of, of_quantity
from rig.values.names import GUARD
from rig.values.readings import CheckReadings, Course, Curve, Floats, Reading
from rig.values.requests import Programme
from rig.verdict.guard import AMBIENT, STEADY_RISE, heating_power, outside_words, rise_over_ambient

NAME = "heat"
TITLE = "Temperatures of long loud playing, and where they lead"
GATE = False

RISE = "rise"
END_TEMPERATURE = "end temperature"
TIME_CONSTANT = "slowest time constant"
AMBIENT_DRIFT = "ambient drift"
COMPRESSION = "power compression"
#: Ends the name of a curve whose worst point is a reading without it.
BY_BAND = " by band"
RESTS_ON = RestsOn(("output",), {"playing": (), "output level": (), "speaker lead": ()})
TERMS = {
    GUARD: "The watch over long loud playing: it ends it when a temperature, a current, a coil or a level leaves what "
    "the kit allows. Where it did, look for the cause that it names before anything is played again.",
    RISE: "Temperature above the air of the room, mean of the last minute of long loud playing. Too high: see whether "
    "the heat sink lies flat on the chip with its paste or pad and its screws are tight, the vents are free, the fan "
    "turns, the sensor sits where the kit wants it; then whether the level at the leads is right.",
    END_TEMPERATURE: "Temperature in the last minute of long loud playing, in degrees Celsius.",
    STEADY_RISE: "The rise that all this leads to if it is played for ever, from a curve fitted to the log. Too high "
    "although nothing is hot yet: look for the same causes as of a high rise.",
    TIME_CONSTANT: "The time in which the slowest part of the heating gets 63 % of its way.",
    AMBIENT_DRIFT: "How far the air of the room has moved from the first minute to the last. Where it moves much, "
    "keep sun, heaters and the unit's own warm air away from its sensor.",
    COMPRESSION: "Level that a band has lost at the end against the first minute at full level, because the coils are "
    "hot. Too much in one band: a coil, a connector or a capacitor of that band gives way, or the level is too high "
    "for it. The same in every band: look at supply and microphone first.",
}

Settings = SoakTable

#: Readings of the beginning and of the end are means over so long; our choice.
MINUTE_S = 60.0
#: A coil starts at the ambient reading, which is within a kelvin at worst; our choice.
COIL_WITHIN_K = 1.0
#: No coil's varnish lives at such a temperature: the resistance is that of a break; from memory.
NO_COIL_CELSIUS = 350.0
#: So many of the log's events are reported with the readings; all of them are in the log; layout.
MOST_EVENTS = 30
CUT_SHORT = "the guard ended the programme before its time"


def requests(kit: Kit, settings: SoakTable) -> list[Programme]:
    """The programme."""
    return [programme(kit, settings)]


def read(captures: Sequence[Log], settings: SoakTable, kit: Kit) -> CheckReadings:
    """Whether the guard held; rises, steady states and coils; power compression; what the bench did meanwhile."""
    log = captures[0]
    if log.stopped and log.stopped.kind == "void":
        raise Untrusted(f"stopped after {log.stopped.seconds:.0f} s: {log.stopped.words}")
    if not log.stopped and log.seconds[-1] < settings.seconds - 2 * settings.every_s:
        raise Untrusted(f"the log ends after {log.seconds[-1]:.0f} s of {settings.seconds:g} s")
    readings, courses = [guard_reading(log)], []
    roles = [role.role for role in log.request.guard.roles if role.unit == "celsius"]
    coils = [place for place in of_quantity(log.columns, "celsius") if place.startswith(OF_COIL)]
    within_k = dict.fromkeys(coils, COIL_WITHIN_K) | dict.fromkeys(roles, settings.sensors_within_k)
    for place in (*roles, *coils):
        found, course = heat_of(log, place, within_k[place])
        readings += found
        courses.append(course)
    drift_k = at_the_end(log, log.column(AMBIENT))[0] - np.nanmean(log.column(AMBIENT)[log.seconds <= MINUTE_S])
    readings.append(Reading(AMBIENT_DRIFT, "", float(drift_k), "K"))
    curves = [curve for channel in log.request.channels if (curve := compression(log, channel))]
    readings += [worst_of(curve) for curve in curves]
    events = tuple(f"{seconds:.0f} s: {words}" for seconds, words in log.events[:MOST_EVENTS])
    if len(log.events) > MOST_EVENTS:
        events = (*events, f"and {len(log.events) - MOST_EVENTS} more in the log")
    return CheckReadings(tuple(readings), tuple(curves), courses=tuple(courses), remarks=events)


def guard_reading(log: Log) -> Reading:
    """0 when the guard held, 1 when it ended the programme for the unit's sake."""
    stop = log.stopped
    if stop and stop.kind == "fail":
        return Reading(GUARD, "", 1.0, "", said=f"stopped after {stop.seconds:.0f} s: {stop.words}")
    words = f"ended after {stop.seconds:.0f} s: {stop.words}" if stop else f"held for {log.seconds[-1]:.0f} s"
    return Reading(GUARD, "", 0.0, "", said=words)


def heat_of(log: Log, place: str, within_k: float) -> tuple[list[Reading], Course]:
    """Rise at the end and in the steady state of one place, and its course; two sensors that are within so much."""
    # Two even distributions of this half-width (JCGM 100:2008, 4.3.7).
    sensors_u_k = within_k * float(np.sqrt(2 / 3))
    rise_k, fit = rise_over_ambient(log, place)
    trouble = CUT_SHORT if log.stopped and log.stopped.kind == "fail" else ""
    end_k, scatter_k = at_the_end(log, rise_k)
    if place.startswith(OF_COIL) and at_the_end(log, log.column(f"celsius.{place}"))[0] > NO_COIL_CELSIUS:
        words = "its resistance at the end is that of a broken coil, not of a warm one"
        broken = Reading(RISE, place, float("nan"), "K", trouble=words)
        return [broken], Course(RISE, place, log.seconds, rise_k, "K")
    readings = [
        Reading(RISE, place, end_k, "K", float(np.hypot(scatter_k, sensors_u_k)), trouble),
        Reading(END_TEMPERATURE, place, at_the_end(log, log.column(f"celsius.{place}"))[0], "celsius"),
    ]
    if fit and np.isfinite(fit.steady_u_k):
        uncertainty_k = float(np.hypot(fit.steady_u_k, sensors_u_k))
        readings.append(Reading(STEADY_RISE, place, fit.steady_k, "K", uncertainty_k))
        readings.append(Reading(TIME_CONSTANT, place, max(fit.time_constants_s) / 60, "min"))
        return readings, Course(RISE, place, log.seconds, rise_k, "K", predict(fit, log.seconds, heating_power(log)))
    if fit and log.stopped and outside_words(place, "above") in log.stopped.words:
        # Time constants too long to be seen can only make it hotter: that it is too hot is known, how hot is not.
        readings.append(Reading(STEADY_RISE, place, fit.steady_k, "K", float("nan"), said=log.stopped.words))
        return readings, Course(RISE, place, log.seconds, rise_k, "K")
    words = "too little was seen of it to say where it leads"
    readings.append(Reading(STEADY_RISE, place, float("nan"), "K", trouble=trouble or words))
    return readings, Course(RISE, place, log.seconds, rise_k, "K")


def at_the_end(log: Log, values: Floats) -> tuple[float, float]:
    """Mean of the programme's last minute and the standard uncertainty that its scatter leaves; NaN without values."""
    last = values[(log.seconds > log.seconds[-1] - MINUTE_S) & np.isfinite(values)]
    if not last.size:
        return float("nan"), float("nan")
    return float(np.mean(last)), float(np.std(last) / np.sqrt(last.size))


def compression(log: Log, channel: str) -> Curve | None:
    """Loss of gain per band, last minute against the first at full level; None where no gain was measured."""
    playing = log.is_state("playing")
    if not playing.any():
        return None
    begins_s = log.seconds[playing][0]
    bands = {}
    for (of, hz), gain_db in gains_of(log.columns).items():
        if of == channel:
            at_first = playing & (log.seconds < begins_s + MINUTE_S) & np.isfinite(gain_db)
            first = gain_db[at_first]
            last_db, last_u_db = at_the_end(log, gain_db)
            if first.size:
                u_db = float(np.hypot(last_u_db, np.std(first) / np.sqrt(first.size)))
                stated_db = log.columns.get(f"gain_db_u.{of}.{hz:g}")
                if stated_db is not None:
                    # Rows that look back over a minute scatter together: each is as uncertain as it states.
                    u_db = float(combined(u_db, np.mean(stated_db[at_first]), at_the_end(log, stated_db)[0]))
                bands[hz] = (float(np.mean(first)) - last_db, u_db)
    if not bands:
        return None
    band_hz = np.array(sorted(bands))
    loss_db, u_db = np.array([bands[hz] for hz in band_hz]).T
    method = "octave bands, last minute against the first at full level"
    return Curve(COMPRESSION + BY_BAND, channel, band_hz, loss_db, "dB", np.isfinite(loss_db), u_db, method=method)


def worst_of(curve: Curve) -> Reading:
    """The band that has lost most."""
    worst = int(np.nanargmax(curve.value)) if curve.valid.any() else 0
    trouble = "" if curve.valid.all() else "not every band could be followed to the end"
    u_db = float(curve.uncertainty[worst]) if curve.uncertainty is not None else float("nan")
    return Reading(COMPRESSION, curve.subject, float(curve.value[worst]), "dB", u_db, trouble)
