"""`[[instruments]]` of bench.toml: where an instrument is, how one talks to it, and what its answers mean.

A new instrument needs a table here and no code.
"""

import re
from collections.abc import Sequence
from typing import Annotated, Literal

from pydantic import Field, StrictStr, field_validator, model_validator

from rig.files.patterns import compiled
from rig.files.tables import Misfit, Table, between, refuse_doubles

Unit = Literal["celsius", "volt", "ampere", "watt", "ohm", "percent", "hertz", "pascal"]
Positive = Annotated[float, Field(gt=0)]
Count = Annotated[int, Field(ge=1)]

#: A full resource string: interface, where it is, and what kind of thing it is.
ADDRESS = re.compile(r"[A-Z][^:]*(::.+)?::(INSTR|SOCKET|RAW)", re.IGNORECASE | re.DOTALL)
ROLE = re.compile(r"[A-Za-z][A-Za-z0-9 _-]*")
#: A temperature on a bench is between these unless the value says otherwise; common practice, no source.
PLAUSIBLE_CELSIUS = (-40.0, 300.0)
#: Which further keys a sensor of each kind takes.
SENSOR_KEYS = {
    "pt100": [set[str]()],
    "thermocouple k": [{"cold_junction"}],
    "ntc": [{"r25_ohm", "beta_k"}, {"a", "b", "c"}],
}
SENSOR_WORDS = {
    "pt100": "kind alone",
    "thermocouple k": "kind and cold_junction (degrees, or the role of the instrument that measures it)",
    "ntc": "kind with r25_ohm and beta_k, or with a, b and c (Steinhart-Hart)",
}


class PickSettings(Table):
    """Where in an answer the number stands; without it an answer must hold one number alone."""

    #: Regular expression with one group that holds the number.
    pattern: StrictStr | None = None
    #: Number of the field, from 1, and what stands between fields.
    field: Count | None = None
    separator: Annotated[str, Field(min_length=1)] = ","

    @field_validator("pattern")
    @classmethod
    def _one_group(cls, pattern: str | None) -> str | None:
        if pattern is None:
            return None
        groups = compiled(pattern).groups
        if groups != 1:
            raise Misfit("", f"{pattern!r} with {groups} groups", "one group, which holds the number")
        return pattern

    @model_validator(mode="after")
    def _one_way(self) -> "PickSettings":
        if (self.pattern is None) == (self.field is None):
            found = "neither" if self.pattern is None else "both"
            raise Misfit("", f"{found} of pattern and field", "one of them")
        return self


class SensorSettings(Table):
    """A bare sensor behind an instrument that gives ohms or volts."""

    kind: Literal["pt100", "thermocouple k", "ntc"]
    #: Of a thermocouple: degrees, or the role of the value that measures its cold end.
    cold_junction: StrictStr | Annotated[float, between(-40, 125)] | None = None
    #: Of an NTC: resistance at 25 degC and B, or the three of Steinhart and Hart in 1/K.
    r25_ohm: Positive | None = None
    beta_k: Annotated[float, between(500, 10000)] | None = None
    a: float | None = None
    b: float | None = None
    c: float | None = None

    @model_validator(mode="after")
    def _keys_of_kind(self) -> "SensorSettings":
        given = {key for key in type(self).model_fields if key != "kind" and getattr(self, key) is not None}
        if given not in SENSOR_KEYS[self.kind]:
            found = ", ".join(["kind", *sorted(given)])
            raise Misfit("", f"{self.kind!r} with {found}", SENSOR_WORDS[self.kind])
        return self


class ValueSettings(Table):
    """One value of an instrument: what to ask for, how to read the answer, and what it is on the bench."""

    #: "heat sink", "ambient", "case", "supply", ... Limits and guards of a kit name it.
    role: StrictStr
    unit: Unit
    #: Empty: the instrument talks by itself, and its next line is taken.
    query: str = ""
    pick: PickSettings | None = None
    #: value = number * scale + offset, before a sensor's curve.
    scale: float = 1.0
    offset: float = 0.0
    sensor: SensorSettings | None = None
    #: What is plausible; beyond, there is no value. Temperatures without them: -40 to 300.
    lower: float | None = None
    upper: float | None = None

    @field_validator("role")
    @classmethod
    def _a_name(cls, role: str) -> str:
        if not ROLE.fullmatch(role):
            raise Misfit("", repr(role), "letters, digits, spaces, - and _, a letter first")
        return role

    @field_validator("scale")
    @classmethod
    def _not_zero(cls, scale: float) -> float:
        if scale == 0:
            raise ValueError("any number but 0")
        return scale

    @model_validator(mode="after")
    def _fits(self) -> "ValueSettings":
        if self.sensor is not None and self.unit != "celsius":
            raise Misfit("unit", repr(self.unit), '"celsius" where there is a sensor')
        low, high = self.plausible
        if not low < high:
            raise Misfit("upper", f"{high:g}", f"more than lower = {low:g}")
        return self

    @property
    def plausible(self) -> tuple[float, float]:
        """What this value may be at all."""
        low, high = PLAUSIBLE_CELSIUS if self.unit == "celsius" else (float("-inf"), float("inf"))
        return (low if self.lower is None else self.lower, high if self.upper is None else self.upper)

    @property
    def cold_junction_role(self) -> str | None:
        """The role whose value this one needs; None: no other."""
        cold = self.sensor.cold_junction if self.sensor else None
        return cold if isinstance(cold, str) else None


class InstrumentSettings(Table):
    """One instrument."""

    name: Annotated[str, Field(min_length=1)]
    #: VISA resource string in full.
    address: str
    values: Annotated[list[ValueSettings], Field(min_length=1)]
    #: Words that its identity must hold, so that another instrument at this address is not taken for it.
    identify: Annotated[str, Field(min_length=1)] | None = None
    #: Empty: it cannot be asked who it is.
    identify_query: str = "*IDN?"
    #: Commands without an answer, sent whenever the link has been opened.
    setup: list[str] = []
    #: Where an answer ends: at these characters (absent: line feed on serial lines and sockets, elsewhere the end that
    #: the bus tells), or after so many bytes, or when the line has been quiet for so long.
    read_termination: str | None = None
    read_bytes: Annotated[int, Field(ge=1, le=1024)] | None = None
    quiet_s: Annotated[float, between(0.005, 2)] | None = None
    write_termination: str = "\n"
    timeout_s: Annotated[float, between(0.05, 30)] = 2.0
    #: Between question and answer, and after each command of `setup`.
    delay_s: Annotated[float, between(0, 10)] = 0.0
    #: Not asked more often than this; absent: as often as the log wants.
    every_s: Annotated[float, between(0, 600)] = 0.0
    baud_rate: Count | None = None
    data_bits: Annotated[int, Field(ge=5, le=8)] | None = None
    parity: Literal["none", "odd", "even", "mark", "space"] | None = None
    stop_bits: Literal[1, 2] | None = None

    @field_validator("address")
    @classmethod
    def _in_full(cls, address: str) -> str:
        if not ADDRESS.fullmatch(address):
            allowed = "a full VISA resource string, such as TCPIP::192.168.1.20::5025::SOCKET"
            raise Misfit("", repr(address), f"{allowed}; kitproof instruments --search lists what is there")
        return address

    @model_validator(mode="after")
    def _framing(self) -> "InstrumentSettings":
        given = [key for key in ("read_termination", "read_bytes", "quiet_s") if getattr(self, key) is not None]
        if len(given) > 1:
            raise Misfit(given[1], f"{given[0]} as well", "one way to tell where an answer ends")
        if self.identify is not None and not self.identify_query:
            raise Misfit("identify_query", "none", "a question, since identify says what its answer holds")
        if self.quiet_s is not None and not self.is_stream:
            raise Misfit(
                "quiet_s", f"{self.quiet_s:g}", "only on serial lines and sockets: others tell the end themselves"
            )
        for key in ("baud_rate", "data_bits", "parity", "stop_bits"):
            if getattr(self, key) is not None and not self.is_serial:
                raise Misfit(key, f"{getattr(self, key)}", "only with an ASRL address, a serial line")
        for number, value in enumerate(self.values, 1):
            if not value.query and not self.is_stream:
                raise Misfit(f"values.[{number}].query", "none", "only serial lines and sockets talk by themselves")
            if not value.query and self.read_bytes:
                raise Misfit(f"values.[{number}].query", "none with read_bytes", "read_termination or quiet_s")
        return self

    @property
    def is_serial(self) -> bool:
        """Whether it is at a serial line."""
        return self.address.upper().startswith("ASRL")

    @property
    def is_stream(self) -> bool:
        """Whether bytes come without frames, so that late or surplus ones could be taken for the next answer."""
        return self.is_serial or self.address.upper().endswith("::SOCKET")

    @property
    def ends_with(self) -> str:
        """Characters that end an answer; empty: something else does."""
        if self.read_termination is not None or self.read_bytes or self.quiet_s:
            return self.read_termination or ""
        return "\n" if self.is_stream else ""


def refuse_mixed_up(instruments: Sequence[InstrumentSettings]) -> None:
    """Misfit if two instruments share a name or an address, or two values a role, or a cold junction is nobody's."""
    refuse_doubles("instruments", [one.name for one in instruments], "a name of its own for each")
    refuse_doubles("instruments", [one.address.upper() for one in instruments], "one table for each address")
    values = {value.role: value for one in instruments for value in one.values}
    roles = [value.role for one in instruments for value in one.values]
    refuse_doubles("instruments", roles, "each role once: which of them would be it?")
    for number, one in enumerate(instruments, 1):
        for place, value in enumerate(one.values, 1):
            cold = value.cold_junction_role
            if cold is None:
                continue
            measured = sorted(
                role for role, other in values.items() if other.unit == "celsius" and not other.cold_junction_role
            )
            if cold not in measured:
                key = f"instruments.[{number}].values.[{place}].sensor.cold_junction"
                raise Misfit(
                    key, repr(cold), f"degrees, or a role measured in celsius: {', '.join(measured) or 'none'}"
                )
