"""What is being built: the schema of `limits/<kit>/kit.toml`, and loading it."""

import hashlib
import math
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, PrivateAttr, StrictBool, field_validator, model_validator

from rig.circuit.box import Box
from rig.circuit.channel import Branch, Channel, ElectronicFilter
from rig.circuit.driver import Driver
from rig.circuit.notation import parse_element
from rig.circuit.parts import Kind
from rig.limits import Limit, read_masks
from rig.requests import Stage, Sweep
from rig.tables import (
    Misfit,
    Table,
    TableError,
    band,
    between,
    checked,
    may_name,
    near,
    read_toml,
    refuse_doubles,
    values_of,
)

#: What a sweep may cover: above it the filters of a sound card at 48 kHz set in.
LOWEST_HZ, HIGHEST_HZ = 5.0, 20800.0
#: Beyond these a part is a slip of the pen or of the unit. In ohm, henry and farad.
PLAUSIBLE: dict[Kind, tuple[float, float, str]] = {
    "R": (0.01, 1e5, "0.01 ohm to 100 kohm"),
    "L": (1e-6, 0.1, "1 uH to 100 mH"),
    "C": (1e-9, 0.01, "1 nF to 10 mF"),
}
Positive = Annotated[float, Field(gt=0)]
Ohm = Annotated[float, between(0.5, 100)]
LossFactor = Annotated[float, between(0.05, 100)]
SweepHz = Annotated[float, between(LOWEST_HZ, HIGHEST_HZ)]
Band = Annotated[list[float], values_of("from_hz", "to_hz"), band(LOWEST_HZ, HIGHEST_HZ)]
Place = Annotated[list[Annotated[float, between(-20, 20)]], values_of("right_m", "front_m")]
Name = Annotated[str, Field(pattern=r"^[a-z][a-z0-9-]*$")]


class DriverSpec(Table):
    """One driver, as its data sheet or the designer's own measurement has it."""

    name: Name
    nominal_ohm: Ohm
    re_ohm: Ohm
    #: Inductance at 1 kHz, and the exponent of its rise (1: a pure inductance, 0.5: all eddy currents).
    le_mh: Annotated[float, between(0, 10)] = 0.0
    le_exponent: Annotated[float, Field(gt=0, le=1)] = 1.0
    fs_hz: Annotated[float, between(5, 5000)]
    qms: LossFactor
    qes: LossFactor
    vas_l: Annotated[float, between(0.001, 1000)]
    sd_cm2: Annotated[float, between(1, 2000)]
    #: How the designer wires it: a driver reversed on purpose is right when it is reversed.
    polarity: Literal["normal", "reversed"] = "normal"
    #: The band in which this driver is the one that is heard.
    band_hz: Band
    #: Whether it works on the channel's box (a tweeter with a closed back does not).
    in_box: StrictBool = True
    #: Centre on the baffle, to the right of and above the microphone's axis, and behind the baffle.
    right_mm: float = 0.0
    up_mm: float = 0.0
    behind_mm: float = 0.0
    #: Above this its cone no longer moves as a piston and its output falls, second order; none: as the model has it.
    rolloff_hz: Positive | None = None
    #: Parts from the leads to this driver, in signal order.
    network: list[str] = []

    @field_validator("network")
    @classmethod
    def _readable(cls, network: list[str]) -> list[str]:
        for n, text in enumerate(network, 1):
            for part in parse_element(text).parts():
                low, high, words = PLAUSIBLE[part.kind]
                if not low <= float(part.value) <= high:
                    raise Misfit(f"[{n}]", f"{part.name} in {text!r}", words)
        return network

    def model(self) -> Branch:
        """The driver and its parts as the lumped model takes them."""
        driver = Driver(
            name=self.name,
            re_ohm=self.re_ohm,
            le_h=self.le_mh * 1e-3,
            le_exponent=self.le_exponent,
            fs_hz=self.fs_hz,
            qms=self.qms,
            qes=self.qes,
            vas_m3=self.vas_l * 1e-3,
            sd_m2=self.sd_cm2 * 1e-4,
            polarity=1 if self.polarity == "normal" else -1,
            in_box=self.in_box,
            position_m=(self.right_mm * 1e-3, self.up_mm * 1e-3),
            offset_m=self.behind_mm * 1e-3,
            nominal_ohm=self.nominal_ohm,
            rolloff_hz=self.rolloff_hz or math.inf,
            band_hz=(self.band_hz[0], self.band_hz[1]),
        )
        return Branch(driver, tuple(parse_element(text) for text in self.network))


class BoxSpec(Table):
    """The box behind the drivers of a channel."""

    kind: Literal["closed", "vented", "none"]
    volume_l: Annotated[float, between(0.1, 1000)] | None = None
    tuning_hz: Positive | None = None
    leakage_q: Positive = 10.0

    @model_validator(mode="after")
    def _complete(self) -> "BoxSpec":
        if self.kind != "none" and self.volume_l is None:
            raise Misfit("volume_l", "none", f"a volume, with a {self.kind} box")
        if (self.kind == "vented") != (self.tuning_hz is not None):
            found = f"{self.tuning_hz:g}" if self.tuning_hz else "none"
            raise Misfit("tuning_hz", found, "a tuning with a vented box, and only there")
        return self

    def model(self) -> Box:
        """The box as the lumped model takes it."""
        return Box(
            kind=self.kind,
            volume_m3=self.volume_l * 1e-3 if self.volume_l else math.inf,
            tuning_hz=self.tuning_hz or 50.0,
            leakage_q=self.leakage_q,
        )


class FilterSpec(Table):
    """An electronic filter ahead of the amplifier."""

    kind: Literal["lowpass", "highpass"]
    hz: Positive
    order: Literal[2, 4] = 4
    alignment: Literal["butterworth", "linkwitz-riley"] = "linkwitz-riley"


class ChannelSpec(Table):
    """One box on one amplifier channel."""

    name: Name
    drivers: Annotated[list[DriverSpec], Field(min_length=1)]
    box: BoxSpec
    baffle_width_m: Annotated[float, between(0.03, 3)]
    #: Where the box stands at the jig, to the right and to the front, when the microphone hears it.
    place_m: Place = [0.0, 0.0]
    filter: FilterSpec | None = None
    #: The band over which this channel is swept quietly to prove its path; None: its drivers' bands together.
    band_hz: Band | None = None

    @model_validator(mode="after")
    def _names_of_their_own(self) -> "ChannelSpec":
        refuse_doubles("drivers", [driver.name for driver in self.drivers], "drivers with names of their own")
        parts = [p.name for d in self.drivers for text in d.network for p in parse_element(text).parts()]
        refuse_doubles("drivers", parts, "parts with names of their own in all networks of a channel")
        return self

    @property
    def band(self) -> tuple[float, float]:
        """The band in which the channel is heard."""
        if self.band_hz:
            return self.band_hz[0], self.band_hz[1]
        return min(d.band_hz[0] for d in self.drivers), max(d.band_hz[1] for d in self.drivers)

    def driver(self, name: str) -> DriverSpec:
        """The driver of this name (KeyError if there is none)."""
        return {driver.name: driver for driver in self.drivers}[name]


class AmplifierSpec(Table):
    """The amplifier board that the kit is built with."""

    supply_v: Positive
    gain_db: float
    #: The lowest load it may drive.
    load_ohm: Positive
    bridged: StrictBool
    #: RMS volts at the leads that no stimulus may exceed.
    limit_v: Positive


class LevelsSpec(Table):
    """RMS volts at the leads for each kind of stimulus."""

    leads_quiet_v: Annotated[float, Field(gt=0, le=0.1)] = 0.03
    leads_v: Annotated[float, Field(gt=0, le=0.5)] = 0.1
    playing_quiet_v: Annotated[float, Field(gt=0, le=0.5)] = 0.1
    playing_v: Positive = 1.0

    def of(self, stage: Stage, quiet: bool) -> float:
        """The level of a stage's sweeps."""
        if stage == "leads":
            return self.leads_quiet_v if quiet else self.leads_v
        return self.playing_quiet_v if quiet else self.playing_v


class SweepSpec(Table):
    """The sweep of a stage."""

    start_hz: SweepHz
    stop_hz: SweepHz
    seconds: Annotated[float, Field(ge=0.1, le=20)]

    @model_validator(mode="after")
    def _rising(self) -> "SweepSpec":
        if self.stop_hz < 2 * self.start_hz:
            raise Misfit("stop_hz", f"{self.stop_hz:g}", f"an octave or more above start_hz = {self.start_hz:g}")
        return self


class SweepsSpec(Table):
    """The sweeps of the stages."""

    leads: SweepSpec = SweepSpec(start_hz=10.0, stop_hz=20000.0, seconds=2.0)
    playing: SweepSpec = SweepSpec(start_hz=20.0, stop_hz=20000.0, seconds=1.5)


class PositionSpec(Table):
    """A place of the microphone in front of a box."""

    name: str
    distance_m: Annotated[float, between(0.01, 10)]
    angle_deg: Annotated[float, Field(ge=-180, le=180)] = 0.0


class StageSpec(Table):
    """The words shown to the person at the bench."""

    #: Once, when the stage begins.
    words: str
    #: Before each channel or microphone position; may name {channel}, {position}, {distance}.
    each: Annotated[str, may_name("channel", "position", "distance")]


class Kit(Table):
    """The design: one folder `limits/<kit>/`."""

    name: Name
    title: str
    revision: str
    serial_pattern: str
    serial_example: str
    amplifier: AmplifierSpec
    levels: LevelsSpec = LevelsSpec()
    sweeps: SweepsSpec = SweepsSpec()
    positions: Annotated[list[PositionSpec], Field(min_length=1)]
    stages: dict[Literal["leads", "playing", "soak"], StageSpec]
    channels: Annotated[list[ChannelSpec], Field(min_length=1)]
    #: Settings of each check; the key is the check's name.
    checks: Annotated[dict[str, dict[str, Any]], Field(min_length=1)]
    #: Limits of each check: reading -> limit.
    limits: dict[str, dict[str, Limit]]
    #: Set when loaded: the folder, and the hash of kit.toml and every file beside it.
    _folder: Path = PrivateAttr(default=Path())

    @model_validator(mode="before")
    @classmethod
    def _like(cls, values: Any) -> Any:
        channels = values.get("channels") if isinstance(values, dict) else None
        if not isinstance(channels, list):
            return values
        known = {str(c.get("name")): c for c in channels if isinstance(c, dict) and "drivers" in c}
        spread = []
        for n, channel in enumerate(channels, 1):
            if isinstance(channel, dict) and "like" in channel:
                if channel["like"] not in list(known):
                    raise Misfit(
                        f"channels.[{n}].like", repr(channel["like"]), f"a channel with drivers: {', '.join(known)}"
                    )
                own = {key: value for key, value in channel.items() if key != "like"}
                channel = {**known[channel["like"]], **own}
            spread.append(channel)
        return {**values, "channels": spread}

    @model_validator(mode="after")
    def _consistent(self) -> "Kit":
        refuse_doubles("channels", [c.name for c in self.channels], "channels with names of their own")
        refuse_doubles("positions", [p.name for p in self.positions], "positions with names of their own")
        try:
            pattern = re.compile(self.serial_pattern)
        except re.error as error:
            raise Misfit("serial_pattern", repr(self.serial_pattern), f"a regular expression ({error})") from None
        if not pattern.fullmatch(self.serial_example):
            raise Misfit(
                "serial_example", repr(self.serial_example), f"what fits serial_pattern {self.serial_pattern!r}"
            )
        if self.levels.playing_v > self.amplifier.limit_v:
            allowed = f"up to amplifier.limit_v = {self.amplifier.limit_v:g}"
            raise Misfit("levels.playing_v", f"{self.levels.playing_v:g}", allowed)
        for name in sorted(set(self.limits) - set(self.checks)):
            found = f"limits for a check that the kit does not list{near(name, self.checks)}"
            raise Misfit(f"limits.{name}", found, ", ".join(self.checks))
        return self

    @property
    def folder(self) -> Path:
        """Where kit.toml and its masks stand."""
        return self._folder

    def channel(self, name: str) -> ChannelSpec:
        """The channel of this name (KeyError if there is none)."""
        return {channel.name: channel for channel in self.channels}[name]

    def alike(self) -> list[tuple[ChannelSpec, ChannelSpec]]:
        """Neighbouring pairs of channels built alike: what one does the other must do."""
        pairs = zip(self.channels, self.channels[1:], strict=False)
        return [(a, b) for a, b in pairs if a.drivers == b.drivers and a.box == b.box]

    def position(self, name: str) -> PositionSpec:
        """The microphone position of this name (KeyError if there is none)."""
        return {position.name: position for position in self.positions}[name]

    def model(self, name: str) -> Channel:
        """The lumped model of a channel, at its nominal values."""
        channel = self.channel(name)
        return Channel(
            name=channel.name,
            branches=tuple(driver.model() for driver in channel.drivers),
            box=channel.box.model(),
            baffle_width_m=channel.baffle_width_m,
            filter=ElectronicFilter(**channel.filter.model_dump()) if channel.filter else None,
        )

    def sweep(self, stage: Stage, channel: str, at: str = "", position: str = "", quiet: bool = False) -> Sweep:
        """The kit's sweep of a stage; checks that ask for the same one share it.

        A quiet sweep is a short one over the channel's band: it proves the path before anything loud.
        """
        spec = self.sweeps.leads if stage == "leads" else self.sweeps.playing
        low, high = self.channel(channel).band if quiet and stage != "leads" else (spec.start_hz, spec.stop_hz)
        return Sweep(
            stage=stage,
            channel=channel,
            at=at or channel,
            position=position,
            level_v=self.levels.of(stage, quiet),
            path_gain=1.0 if stage == "leads" else 10 ** (self.amplifier.gain_db / 20),
            start_hz=low,
            stop_hz=high,
            seconds=0.3 if quiet else spec.seconds,
        )

    def silence(self, channel: str, position: str, seconds: float) -> Sweep:
        """Silence at a box with the amplifier on."""
        spec = self.sweeps.playing
        gain = 10 ** (self.amplifier.gain_db / 20)
        return Sweep("playing", channel, channel, 0.0, gain, spec.start_hz, spec.stop_hz, seconds, position)


def load_kit(workspace: Path, name: str) -> Kit:
    """Load `limits/<name>/kit.toml`.

    Raises
    ------
    TableError
        If there is no such kit (listing those there are), or naming file, key, what was found, what is allowed; or
        naming file and row of a mask.
    """
    path = workspace / "limits" / name / "kit.toml"
    if not re.fullmatch(r"[a-z][a-z0-9-]*", name) or not path.is_file():
        known = ", ".join(kit_names(workspace)) or "none"
        raise TableError(f"no kit {name!r} in {workspace / 'limits'}; kits there: {known}")
    kit = checked(Kit, read_toml(path), path)
    if kit.name != name:
        raise TableError(f"{path}: name: found {kit.name!r}; allowed: {name!r}, as the folder is called")
    kit._folder = path.parent
    read_masks(kit.limits, path.parent)
    return kit


def kit_names(workspace: Path) -> list[str]:
    """Names of the kits of a workspace."""
    return sorted(path.parent.name for path in (workspace / "limits").glob("*/kit.toml"))


def kit_files(folder: Path) -> Iterator[Path]:
    """kit.toml and every file that its limits rest on."""
    former = "reference-of-"
    yield from (p for p in sorted(folder.rglob("*")) if p.is_file() and not p.parent.name.startswith(former))


def kit_sha256(kit: Kit) -> str:
    """One hash over the names and contents of all files of the kit."""
    digest = hashlib.sha256()
    for path in kit_files(kit.folder):
        digest.update(path.relative_to(kit.folder).as_posix().encode() + b"\0" + path.read_bytes() + b"\0")
    return digest.hexdigest()
