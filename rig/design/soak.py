"""What a kit says about long loud playing: the programme, and the guard that ends it before its time."""

from dataclasses import replace
from typing import Annotated, Literal

from pydantic import Field, model_validator

from rig.design.kit import Kit
from rig.files.errors import TableError
from rig.files.tables import Misfit, Table, between, checked
from rig.signals.noise_shape import Noise, NoiseFilter
from rig.signals.programme import decade_band, music_like, plain_pink
from rig.values.requests import COLD_S, Guard, Programme, RoleGuard

Positive = Annotated[float, Field(gt=0)]

#: Shown wherever a soak is started, whatever the kit's own words are.
CAUTIONS = """
Before you go on:
- Ears: nobody stays in the room without hearing protection; it starts quietly and is then loud for a long time.
- Heat: heat sinks, magnets and resistors get hot enough to burn. Touch nothing until it has cooled below 45 degrees C.
- Fire: a surface that cannot burn, nothing inflammable near, a fuse in the supply lead, a smoke alarm in the room.
- The computer's stop is only a second line of defence: have a thermal switch or a timer that cuts the supply by itself.
- Somebody stays within reach of the switch, above all with the first units of a kind.
- Mains wiring is for licensed people, by the local code. Use a certified supply.
- The computer runs on mains with its sleep mode off.
"""


class FilterTable(Table):
    """One filter of the noise's shape."""

    kind: Literal["highpass", "lowpass", "low shelf", "high shelf", "peak"]
    hz: Annotated[float, between(5, 24000)]
    order: Annotated[int, Field(ge=1, le=8)] = 2
    gain_db: Annotated[float, between(-30, 30)] = 0.0
    q: Annotated[float, between(0.1, 10)] = 0.7


class NoiseTable(Table):
    """The noise: pink, behind a shape that is named or behind filters of the kit's own."""

    shape: Literal["pink", "decade band", "music-like", "filters"] = "music-like"
    filters: list[FilterTable] = []
    #: Lower end of the decade band.
    low_hz: Annotated[float, between(10, 2000)] | None = None
    crest_factor: Annotated[float, between(1.5, 4.0)] = 2.0
    seed: Annotated[int, Field(ge=0)] = 1

    @model_validator(mode="after")
    def _filters_of_its_own(self) -> "NoiseTable":
        if bool(self.filters) != (self.shape == "filters"):
            raise Misfit("filters", f"{len(self.filters)} filters", "filters with shape = 'filters', and only there")
        if (self.low_hz is not None) != (self.shape == "decade band"):
            found = "none" if self.low_hz is None else f"{self.low_hz:g}"
            raise Misfit("low_hz", found, "the lower end of the band with shape = 'decade band', and only there")
        return self

    def noise(self) -> Noise:
        """The noise as the generator takes it."""
        if self.shape == "filters":
            own = tuple(NoiseFilter(f.kind, f.hz, f.order, f.gain_db, f.q) for f in self.filters)
            return Noise(own, self.crest_factor, self.seed)
        if self.shape == "decade band":
            return replace(decade_band(self.low_hz or 50.0, self.seed), crest_factor=self.crest_factor)
        shape = plain_pink if self.shape == "pink" else music_like
        return replace(shape(self.seed), crest_factor=self.crest_factor)


class RoleTable(Table):
    """What one instrument's reading must keep to."""

    role: str
    unit: Literal["celsius", "ampere", "volt", "watt"] = "celsius"
    upper: float | None = None
    lower: float | None = None
    #: Above ambient.
    rise_k: Positive | None = None
    rate_k_per_min: Positive | None = None

    @model_validator(mode="after")
    def _something(self) -> "RoleTable":
        heat = {"rise_k": self.rise_k, "rate_k_per_min": self.rate_k_per_min}
        for key, value in heat.items():
            if value is not None and self.unit != "celsius":
                raise Misfit(key, f"{value:g} with unit {self.unit!r}", "only with unit = 'celsius'")
        if all(value is None for value in (self.upper, self.lower, *heat.values())):
            raise Misfit("", "a role without a bound", "one or more of upper, lower, rise_k, rate_k_per_min")
        return self


class GuardTable(Table):
    """When the programme ends before its time."""

    #: A temperature among them: a soak without a live one is refused. Ambient is always needed and need not be listed.
    roles: Annotated[list[RoleTable], Field(min_length=1)]
    missing_s: Annotated[float, between(2, 120)] = 30.0
    ambient_drift_k: Annotated[float, between(0.5, 20)] = 5.0
    level_loss_db: Annotated[float, between(0.5, 20)] = 3.0
    coil_ratio: Annotated[list[Positive], Field(min_length=2, max_length=2)] = [0.7, 1.6]

    @model_validator(mode="after")
    def _a_temperature(self) -> "GuardTable":
        if not any(role.unit == "celsius" for role in self.roles):
            raise Misfit("roles", ", ".join(role.unit for role in self.roles), "a temperature (celsius) among them")
        if not self.coil_ratio[0] < 1 < self.coil_ratio[1]:
            raise Misfit("coil_ratio", f"{self.coil_ratio}", "[below 1, above 1]")
        return self

    def guard(self) -> Guard:
        """The guard as the watch takes it."""
        roles = tuple(RoleGuard(**role.model_dump()) for role in self.roles)
        low, high = self.coil_ratio
        return Guard(roles, self.missing_s, self.ambient_drift_k, self.level_loss_db, (low, high))


class SoakTable(Table):
    """The programme of a kit's soak."""

    #: Channels that play together; none listed: all.
    channels: list[str] = []
    #: Where the microphone is; empty: at the first channel, in the kit's first position.
    at: str = ""
    position: str = ""
    level_v: Positive
    seconds: Annotated[float, between(30, 7 * 86400)]
    ramp_s: Annotated[float, between(1, 600)] = 30.0
    every_s: Annotated[float, between(1, 60)] = 5.0
    #: From when on it may end before its time, once every limited steady state is known beyond doubt; none: never.
    early_end_after_s: Annotated[float, between(600, 7 * 86400)] | None = None
    noise: NoiseTable = NoiseTable()
    #: What a thermometer may show too much or too little at worst; the less, when they were held together before use.
    sensors_within_k: Annotated[float, between(0.02, 5)] = 1.0
    guard: GuardTable

    @model_validator(mode="after")
    def _long_enough(self) -> "SoakTable":
        if self.seconds < COLD_S + self.ramp_s:
            allowed = f"{COLD_S + self.ramp_s:g} or more: {COLD_S:g} s of cold start, and the ramp"
            raise Misfit("seconds", f"{self.seconds:g}", allowed)
        return self


def programme(kit: Kit, table: SoakTable) -> Programme:
    """The request for a kit's programme.

    Raises
    ------
    TableError
        If the table names a channel or position that the kit has not.
    """
    channels, positions = [c.name for c in kit.channels], [p.name for p in kit.positions if p.near is None]
    for key, names, known in (
        ("channels", table.channels, channels),
        ("at", [table.at or channels[0]], channels),
        ("position", [table.position or positions[0]], positions),
    ):
        for name in names:
            if name not in known:
                path = kit.folder / "kit.toml"
                raise TableError(f"{path}: checks: {key}: found {name!r}; allowed: {', '.join(known)}")
    return Programme(
        stage="soak",
        channels=tuple(table.channels or channels),
        at=table.at or channels[0],
        position=table.position or positions[0],
        level_v=table.level_v,
        path_gain=kit.amplifier.gain,
        noise=table.noise.noise(),
        seconds=table.seconds,
        ramp_s=table.ramp_s,
        every_s=table.every_s,
        guard=table.guard.guard(),
        early_end_after_s=table.early_end_after_s,
    )


def rest(like: Programme, seconds: float) -> Programme:
    """Rest after a programme: nothing sounds, instruments are read on."""
    return replace(like, level_v=0.0, seconds=seconds, early_end_after_s=None, moment="rest")


def soak_of(kit: Kit, name: str) -> SoakTable:
    """The soak's table as a check of the kit has it.

    Raises
    ------
    TableError
        If the kit lists no such check, or the table is wrong.
    """
    path = kit.folder / "kit.toml"
    if name not in kit.checks:
        raise TableError(f"{path}: checks.{name}: missing; what is changed by a soak needs one, under this name")
    values = {key: value for key, value in kit.checks[name].items() if key != "check"}
    return checked(SoakTable, values, path, f"checks.{name}")
