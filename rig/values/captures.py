"""What came back from the bench for a sweep, and what turns its samples into volts, pascals and ohms."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cached_property, wraps
from typing import TYPE_CHECKING, Any, Concatenate, ParamSpec, TypeVar

from rig.files.plain import Complexes, Floats, Number, Singles, Whole
from rig.values.requests import Sweep

if TYPE_CHECKING:
    from rig.signals.stimulus import Layout

Details = ParamSpec("Details")
Derived = TypeVar("Derived")


class Untrusted(Exception):
    """A measurement that cannot be trusted; its message says why. The verdict becomes void, never pass or fail."""


class UnfitBench(Untrusted):
    """Nor can another one be trusted, however quiet, as long as the bench is as it is."""


@dataclass(frozen=True)
class KnownLoad:
    """Ratio of the two electrical inputs' gains, found by sweeping a known resistor in place of the unit.

    `ratio` is (second input's reading) / (what circuit theory says it should read), relative to the first input.
    """

    #: Shape (n,), ascending.
    frequency_hz: Floats
    #: Complex, shape (n,).
    ratio: Complexes
    #: The resistor that was used.
    load_ohm: Number
    #: ISO 8601 with zone.
    made_at: str
    #: What clips and cables add in series, and what is stray across the load; shape (n,). None: taken for nothing.
    lead_ohm: Complexes | None = None
    stray_siemens: Complexes | None = None
    #: Standard uncertainty of a load Z: the root of the sum of |p0 + p1 Z + p2 Z**2|**2, one (p0, p1, p2) for each
    #: cause. Empty: not known.
    errors: tuple[tuple[Number, Number, Number], ...] = ()


@dataclass(frozen=True)
class MicrophoneResponse:
    """What a microphone reads too much over frequency, shape (n,), ascending; held beyond its ends."""

    frequency_hz: Floats
    decibel: Floats
    #: None: not known; then it is taken for none.
    degrees: Floats | None = None
    #: Name of the file that it was read from.
    source: str = ""


@dataclass(frozen=True)
class OwnHarmonics:
    """What the sound card itself adds to a sweep: levels of its harmonics over the fundamental."""

    #: RMS at the output.
    level_v: Number
    #: Of the fundamental, shape (n,).
    frequency_hz: Floats
    #: Of order 2 and up, in dB over the fundamental, shape (orders, n); NaN where none can be determined.
    decibel: Floats


@dataclass(frozen=True)
class Calibration:
    """What turns samples into volts, pascals and ohms on this bench."""

    #: Volts per unit of full scale at each input role ("microphone", "loopback", "drive", "sense").
    input_volts: dict[str, Number]
    #: Volts at the card's output for a sample of 1.0.
    output_volts: Number
    #: None: the microphone is not calibrated and levels are relative.
    microphone_v_per_pa: Number | None = None
    #: +1 or -1: sign of the voltage for a pressure rise; None: not known, so nothing absolute can be said.
    microphone_sign: Whole | None = None
    sense_ohm: Number | None = None
    #: "source": resistor between output and load; "return": between load and ground.
    sense_in: str = "return"
    known_load: KnownLoad | None = None
    #: Which bench this is; a reference build counts only on the bench it was measured on.
    bench: str = ""
    #: Air temperature at the bench; None: not measured.
    air_celsius: Number | None = None
    #: Relative standard uncertainty of `input_volts`, by role, and of `output_volts`; absent or None: not known.
    input_uncertainty: dict[str, Number] = field(default_factory=dict)
    output_uncertainty: Number | None = None
    #: Relative standard uncertainty of sound pressure, from the microphone to the samples; None: not known.
    microphone_uncertainty: Number | None = None
    microphone_response: MicrophoneResponse | None = None
    #: What the loopback reads over what was asked for, in dB, when it was calibrated; None: it was not.
    loopback_db: Number | None = None
    own_harmonics: OwnHarmonics | None = None
    #: Kind of calibration -> when it was made, ISO 8601 with zone.
    made_at: dict[str, str] = field(default_factory=dict)
    #: Kind of calibration -> why it must not be relied on, and the command that makes it anew.
    doubts: dict[str, str] = field(default_factory=dict)


#: Flags of the rig itself: of a sweep that belongs right behind a programme but was played after an interruption; and
#: of one at the place where a run was interrupted, at which something may have been moved since.
NOT_HOT = "played after an interruption: the unit had cooled by then"
BEFORE_CUT = "played before the run was interrupted at this place: it is measured anew"


@dataclass(frozen=True, eq=False)
class Capture:
    """What came back for a request. Samples are as the converter gave them: full scale is 1.0.

    Two captures are never equal: each is one event in the air.
    """

    request: Sweep
    #: Shape (inputs, frames), float32, never changed.
    samples: Singles
    #: Role of each row of `samples`.
    inputs: tuple[str, ...]
    #: As read back from the device, not as asked.
    sample_rate_hz: float
    calibration: Calibration
    #: 1 for the first try; a repeat after a disturbance counts up.
    attempt: int = 1
    #: What the driver reported ("input overflow", ...). Flags prove nothing by their absence.
    flags: tuple[str, ...] = ()
    #: Roles that a device of their own recorded, whose clock is not the playing one (`rig.verdict.clocks`).
    other_clock: tuple[str, ...] = ()

    @cached_property
    def layout(self) -> "Layout":
        """How what was asked for is laid out in time, at the device's actual rate.

        Raises
        ------
        ValueError
            If the request's limits or length are none that a sweep can have at this rate.
        """
        return self.request.layout(self.sample_rate_hz)

    @cached_property
    def derived(self) -> dict[tuple[object, ...], Any]:
        """What was found of it alone, for `once_per_capture`: it lasts as long as the capture."""
        return {}

    @property
    def doubts(self) -> Mapping[str, str]:
        """Kind of calibration -> why what rests on it must not be relied on."""
        return self.calibration.doubts

    def has(self, role: str) -> bool:
        """Whether an input with this role was recorded."""
        return role in self.inputs

    def volts(self, role: str) -> Floats:
        """Voltage at an input, shape (frames,).

        Raises
        ------
        UnfitBench
            If no input has this role.
        """
        if role not in self.inputs:
            raise UnfitBench(f"no input with the role {role!r}; this bench records {', '.join(self.inputs)}")
        row: Floats = self.samples[self.inputs.index(role)].astype("float64")
        return row * self.calibration.input_volts.get(role, 1.0)

    def pascal(self) -> Floats:
        """Sound pressure at the microphone, shape (frames,); in volts when the microphone is not calibrated.

        The microphone's own response is taken out where it is known. The sign is right only when the calibration knows
        the microphone chain's sign.
        """
        volts = _even_volts(self).copy() if self.calibration.microphone_response else self.volts("microphone")
        return volts * ((self.calibration.microphone_sign or 1) / (self.calibration.microphone_v_per_pa or 1.0))


def once_per_capture(
    derive: Callable[Concatenate[Capture, Details], Derived],
) -> Callable[Concatenate[Capture, Details], Derived]:
    """Turn a function of a capture into one that is worked out once for each capture, and kept with it.

    What else it is given must be hashable. What it returns must neither be changed nor hold the capture itself, or
    both would outlast the run.
    """

    @wraps(derive)
    def kept(capture: Capture, /, *details: Details.args, **named: Details.kwargs) -> Derived:
        key = (derive, details, *named.items())
        if key not in capture.derived:
            capture.derived[key] = derive(capture, *details, **named)
        found: Derived = capture.derived[key]
        return found

    return kept


@once_per_capture
def _even_volts(capture: Capture) -> Floats:
    """Voltage of the microphone without its own response; several checks ask for it."""
    from rig.signals.correction import without_response

    response = capture.calibration.microphone_response
    assert response is not None
    curve = (response.frequency_hz, response.decibel, response.degrees)
    return without_response(capture.volts("microphone"), capture.sample_rate_hz, *curve)
