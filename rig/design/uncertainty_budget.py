"""What a reading's standard uncertainty is made of, part by part, after the GUM (JCGM 100:2008).

Every reading and curve carries its parts by name; its uncertainty is the root of the sum of their squares (5.1.2):

calibration
    what the bench's calibrations state of microphone and volts. It is the same in every capture of a bench, so it
    cancels in the difference of two of them (5.2.2, correlated inputs): in channel against channel, in a level
    against a reference build of the same bench, in the shape of a curve whose level has been aligned.
noise
    of this capture, from the silence in it. A reading that it may have carried outside its limit is void.
scatter
    of a statistic that was already held against the noise of its capture: evidence, -lg of the probability that noise
    alone gives as much. Held against noise again it would be counted twice.
fit
    what the residual of a least-squares fit leaves its parameters uncertain by (their covariance).
repeatability
    of taking the unit away and putting it back, microphone and clips too. The kit states it, from
    `kitproof capability`; a part that is not stated is not there, and is not taken for nothing without a word.
method
    what the way of reading leaves: a gate that cuts a decay short, parts whose nominal values a fit rests on.

What the room adds to a level that is read with the room in it is no part: such a level is that of this unit at this
place of this jig (D.1.1: a quantity is as well known as it is defined).
"""

from collections.abc import Mapping
from dataclasses import replace
from typing import Annotated, TypeVar

import numpy as np
from numpy.typing import ArrayLike
from pydantic import Field, field_validator, model_validator

from rig.design.limits import limit_key
from rig.files.tables import Misfit, Table, values_of
from rig.signals.uncertainty import DB_PER_PART, combined
from rig.values.captures import Calibration
from rig.values.readings import CheckReadings, Curve, Floats, Reading

#: The parts that are the same in every capture of one bench; those that are new in each.
OF_THE_BENCH = ("calibration",)
OF_THE_CAPTURE = ("noise", "scatter", "fit")

NotNegative = Annotated[float, Field(ge=0)]
Point = Annotated[list[float], values_of("hz", "value")]
Value = TypeVar("Value", Reading, Curve)


class Repeatability(Table):
    """`[repeatability.<check>]` of a kit, one for a reading: its standard uncertainty from putting the unit back."""

    #: In the reading's unit; or in percent of it; or in its unit over frequency, in ascending points.
    value: NotNegative | None = None
    percent: NotNegative | None = None
    points: list[Point] = []

    @field_validator("points")
    @classmethod
    def _ascending(cls, points: list[Point]) -> list[Point]:
        hz = [point[0] for point in points]
        if points and not (hz[0] > 0 and hz == sorted(set(hz)) and min(point[1] for point in points) >= 0):
            raise Misfit("", str(points), "[hz, value] with hz above 0 and ascending, values not negative")
        return points

    @model_validator(mode="after")
    def _one_of_them(self) -> "Repeatability":
        given = [self.value is not None, self.percent is not None, bool(self.points)]
        if sum(given) != 1:
            raise Misfit("", f"{sum(given)} of them", "one of: value, percent, points")
        return self

    def of(self, value: Floats, frequency_hz: Floats | None) -> Floats:
        """The part of readings, or of a curve at its frequencies, in their unit."""
        if self.percent is not None:
            return np.asarray(np.abs(value) * self.percent / 100)
        if self.value is not None or frequency_hz is None:
            # A number has no frequency: the greatest of the points then.
            return np.full(np.shape(value), self.value if self.value is not None else max(p[1] for p in self.points))
        at, own = np.array(self.points, np.float64).T
        return np.asarray(np.interp(np.log(frequency_hz), np.log(at), own))


def pressure_db(calibration: Calibration) -> float:
    """Calibration part of a sound pressure level; NaN when the microphone's is not known.

    Times the sensitivity coefficient of a level (5.1.3).
    """
    relative = calibration.microphone_uncertainty
    return float("nan") if relative is None else float(DB_PER_PART * relative)


def response_db(calibration: Calibration, timed: bool) -> float:
    """Calibration part of pascals per volt at the leads, as a level: microphone and volts, uncorrelated (5.1.2).

    The volts are those that the loopback's input measured (`timed`), or else the output's. What the amplifier makes of
    them is the unit's own. NaN when one of the two is not known.
    """
    volts = calibration.input_uncertainty.get("loopback") if timed else calibration.output_uncertainty
    relative = float("nan") if volts is None else volts
    return float(combined(pressure_db(calibration), DB_PER_PART * relative))


def with_parts(reading: Value, parts: Mapping[str, ArrayLike]) -> Value:
    """The reading or curve with these parts, and the uncertainty that they make."""
    total = combined(*parts.values())
    if isinstance(reading, Curve):
        shape = reading.value.shape
        every = {name: np.broadcast_to(np.asarray(part, np.float64), shape) for name, part in parts.items()}
        return replace(reading, uncertainty=np.broadcast_to(total, shape), parts=every)
    return replace(reading, uncertainty=float(total), parts={name: float(np.asarray(p)) for name, p in parts.items()})


def without_bench(curve: Curve) -> Curve:
    """A curve whose uncertainty leaves out what is the same in every capture of the bench, and at all frequencies."""
    kept = {name: part for name, part in curve.parts.items() if name not in OF_THE_BENCH}
    return with_parts(curve, kept) if len(kept) < len(curve.parts) else curve


def of_the_capture(parts: Mapping[str, float], whole: float) -> float:
    """What is new in each capture, of an uncertainty; all of it where it was not taken apart."""
    return float(combined(*(part for name, part in parts.items() if name in OF_THE_CAPTURE))) if parts else whole


def with_repeatability(read: CheckReadings, stated: Mapping[str, Repeatability]) -> CheckReadings:
    """A check's readings with the repeatability that a kit states for it.

    A key is a quantity, or a quantity and a subject, which goes before the former, as in limits.
    """
    readings = tuple(_repeated(reading, stated) for reading in read.readings)
    return replace(read, readings=readings, curves=tuple(_repeated(curve, stated) for curve in read.curves))


def _repeated(reading: Value, stated: Mapping[str, Repeatability]) -> Value:
    own = stated.get(limit_key(stated, reading.quantity, reading.subject))
    if own is None:
        return reading
    frequency_hz = reading.frequency_hz if isinstance(reading, Curve) else None
    part = own.of(np.asarray(reading.value, np.float64), frequency_hz)
    others: dict[str, ArrayLike] = {**reading.parts}
    if not others:
        others = {"others": np.nan if reading.uncertainty is None else reading.uncertainty}
    return with_parts(reading, {**others, "repeatability": part})
