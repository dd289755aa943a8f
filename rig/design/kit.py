"""What is being built: the schema of `limits/<kit>/kit.toml`, and loading it."""

import hashlib
import math
import re
import time
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field, PrivateAttr, StrictBool, model_validator

from rig.circuit.channel import Channel
from rig.circuit.near_field import Surface
from rig.circuit.radiation import Position
from rig.design.decision import Decision
from rig.design.driver_curves import DriverCurves
from rig.design.jig import JigSpec
from rig.design.kit_folder import read_files
from rig.design.learnt_design import FILE, LearntDesign, learnt_model, read_design, refuse_stranger
from rig.design.limits import Files, Limit, read_masks
from rig.design.speaker import PORT, ChannelSpec, DriverSpec, Name, Positive, SweepHz
from rig.design.stage_words import STAGE_WORDS
from rig.design.trust import CalibrationKind
from rig.design.uncertainty_budget import Repeatability
from rig.files.disk import PAUSES_S
from rig.files.errors import TableError
from rig.files.patterns import LONGEST, compiled
from rig.files.tables import Misfit, Table, between, checked, may_name, near, read_toml, refuse_doubles
from rig.signals.silences import MARK_PEAK
from rig.signals.stimulus import mark_band_hz
from rig.values.names import PARTS_MISFIT
from rig.values.requests import AT_LEADS, QUIET_S, Marks, Moment, Stage, Sweep

#: Checks whose readings are the amplifier's.
OF_AMPLIFIER = ("hum_and_noise",)
#: How far from a box the microphone stands, and how far from the cone or port that it is close to; our choice.
FAR_M, NEAR_M = (0.01, 10.0), (0.0, 0.05)


class AmplifierSpec(Table):
    """The amplifier board that the kit is built with; or the bench's, that plays a kit without one."""

    #: False: the kit is boxes alone, and the bench lends its amplifier.
    own: StrictBool = True
    supply_v: Annotated[float, between(1, 200)] | None = None
    gain_db: Annotated[float, between(-20, 60)]
    #: The lowest load it may drive.
    load_ohm: Positive
    bridged: StrictBool
    #: RMS volts at the leads that no stimulus may exceed.
    limit_v: Positive

    @model_validator(mode="after")
    def _supplied(self) -> "AmplifierSpec":
        if self.own and self.supply_v is None:
            raise Misfit("supply_v", "none", "the volts of the board's supply; may be left out with own = false")
        return self

    @property
    def most_v(self) -> float:
        """RMS volts of the largest sine that it can give: a bridged output swings by its supply to either side."""
        if self.supply_v is None:
            return math.inf
        return self.supply_v / math.sqrt(2) / (1 if self.bridged else 2)

    @property
    def gain(self) -> float:
        """Voltage gain from its input to the leads."""
        return float(10 ** (self.gain_db / 20))


class LevelsSpec(Table):
    """RMS volts at the leads for each kind of stimulus."""

    leads_quiet_v: Annotated[float, Field(gt=0, le=0.1)] = 0.03
    leads_v: Annotated[float, Field(gt=0, le=0.5)] = 0.1
    playing_quiet_v: Annotated[float, Field(gt=0, le=0.5)] = 0.1
    playing_v: Positive = 1.0
    #: With the microphone at a cone or a port, where it is some 30 dB louder than at the usual places.
    near_v: Annotated[float, Field(gt=0, le=0.5)] = 0.1

    def of(self, stage: Stage, quiet: bool) -> float:
        """The level of a stage's sweeps."""
        if stage in AT_LEADS:
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
    """A place of the microphone: in front of a box, or close to a cone or port of it."""

    name: str
    distance_m: float
    angle_deg: Annotated[float, Field(ge=-180, le=180)] = 0.0
    #: Close to this driver of every box that has one, or to the "port": on the axis of its middle.
    near: Name | None = None

    @model_validator(mode="after")
    def _far_or_near(self) -> "PositionSpec":
        low, high = FAR_M if self.near is None else NEAR_M
        if not low <= self.distance_m <= high:
            closer = "; closer with near" if self.distance_m < low else ""
            raise Misfit("distance_m", f"{self.distance_m}", f"{low:g} to {high:g}{closer}")
        if self.near is not None and self.angle_deg:
            raise Misfit("angle_deg", f"{self.angle_deg:g}", "0 with near: the microphone stands before its middle")
        return self


class StageSpec(Table):
    """The words shown to the person at the bench."""

    #: Once, when the stage begins.
    words: str
    #: Before each channel or microphone position; may name {channel}, {position}, {distance}.
    each: Annotated[str, may_name("channel", "position", "distance")]


def _with_usual_words(stages: dict[Stage, StageSpec]) -> dict[Stage, StageSpec]:
    return {stage: StageSpec(**words) for stage, words in STAGE_WORDS.items()} | stages


def _is_pattern(pattern: str) -> str:
    compiled(pattern)
    return pattern


class ArchiveSpec(Table):
    """What `kitproof archive` does with the captures of runs that passed."""

    #: "kept" in a pack, "dropped", or "thinned": kept of one unit in `keep_one_of`, of the others dropped.
    captures: Literal["kept", "dropped", "thinned"] = "kept"
    keep_one_of: Annotated[int, Field(ge=2)] = 10


class Kit(Table):
    """The design: one folder `limits/<kit>/`."""

    name: Name
    title: str
    revision: str
    serial_pattern: Annotated[str, AfterValidator(_is_pattern)]
    serial_example: str
    amplifier: AmplifierSpec
    levels: LevelsSpec = LevelsSpec()
    sweeps: SweepsSpec = SweepsSpec()
    positions: Annotated[list[PositionSpec], Field(min_length=1)] = [PositionSpec(name="on axis", distance_m=0.5)]
    #: What stands around box and microphone; None: nobody said.
    jig: JigSpec | None = None
    #: A stage that is left out has the words of `rig.design.stage_words`.
    stages: Annotated[dict[Stage, StageSpec], AfterValidator(_with_usual_words), Field(validate_default=True)] = {}
    channels: Annotated[list[ChannelSpec], Field(min_length=1)]
    #: Settings of each check; the key is the check's name.
    checks: Annotated[dict[str, dict[str, Any]], Field(min_length=1)]
    #: Which checks a run does, by the plan's name; the first is the usual one. Without plans a run does them all.
    plans: dict[Name, Annotated[list[str], Field(min_length=1)]] = {}
    #: How near to a limit a reading may lie.
    decision: Decision = Decision()
    #: Limits of each check: reading -> limit.
    limits: dict[str, dict[str, Limit]]
    #: Standard uncertainties from putting unit and microphone back, of each check: reading -> repeatability.
    repeatability: dict[str, dict[str, Repeatability]] = {}
    #: Calibrations of the bench that must be there and in date, whatever bench.toml says.
    calibrations: list[CalibrationKind] = []
    archive: ArchiveSpec = ArchiveSpec()
    #: Set when loaded: the folder, and what kit.toml and every file beside it held then.
    _folder: Path = PrivateAttr(default=Path())
    _files: Files = PrivateAttr(default={})
    #: What good builds taught; and the channels as they taught them, by name and position.
    _learnt: LearntDesign | None = PrivateAttr(default=None)
    _models: dict[tuple[str, str], tuple[ChannelSpec, Channel]] = PrivateAttr(default={})

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
        self._refuse_bad_near_places()
        if not self.is_serial(self.serial_example):
            allowed = f"what fits serial_pattern {self.serial_pattern!r}, at most {LONGEST} plain characters"
            raise Misfit("serial_example", repr(self.serial_example), allowed)
        if self.amplifier.limit_v > self.amplifier.most_v:
            board = f"a board on {self.amplifier.supply_v:g} V{'' if self.amplifier.bridged else ', not bridged,'}"
            allowed = f"up to {self.amplifier.most_v:.3g}, which is what {board} can give"
            raise Misfit("amplifier.limit_v", f"{self.amplifier.limit_v:g}", allowed)
        if self.levels.playing_v > self.amplifier.limit_v:
            allowed = f"up to amplifier.limit_v = {self.amplifier.limit_v:g}"
            raise Misfit("levels.playing_v", f"{self.levels.playing_v:g}", allowed)
        self._refuse_bad_limits()
        for plan, names in self.plans.items():
            for name in names:
                if name not in self.checks:
                    raise Misfit(f"plans.{plan}", f"{name!r}{near(name, self.checks)}", ", ".join(self.checks))
        return self

    def _refuse_bad_limits(self) -> None:
        for name in self.limits if not self.amplifier.own else ():
            if self.checks.get(name, {}).get("check", name) in OF_AMPLIFIER:
                allowed = "none: with amplifier.own = false they would judge the bench's amplifier"
                raise Misfit(f"limits.{name}", "limits of what an amplifier does", allowed)
        for key in ("limits", "repeatability"):
            for name in sorted(set(getattr(self, key)) - set(self.checks)):
                found = f"{key} for a check that the kit does not list{near(name, self.checks)}"
                raise Misfit(f"{key}.{name}", found, ", ".join(self.checks))
        for name, limits in self.limits.items():
            for key in (key for key, limit in limits.items() if limit.is_learnt and not key.startswith(PARTS_MISFIT)):
                raise Misfit(f"limits.{name}.{key}.within", "0 windows", f"windows, but for {PARTS_MISFIT!r}")

    def _refuse_bad_near_places(self) -> None:
        if self.positions[0].near is not None:
            raise Misfit("positions.[1].near", repr(self.positions[0].near), "none at the first place: it is far")
        known = dict.fromkeys(name for channel in self.channels for name in channel.surfaces())
        for n, place in enumerate(self.positions, 1):
            if place.near is not None and place.near not in known:
                why = " (a port needs box.port_cm2)" if place.near == PORT else near(place.near, known)
                raise Misfit(f"positions.[{n}].near", f"{place.near!r}{why}", ", ".join(known))

    def is_serial(self, text: str) -> bool:
        """Whether a text is a serial of this kit: it fits the pattern, and no two serials look the same on paper."""
        plain = len(text) <= LONGEST and text.isascii() and text.isprintable()
        return plain and compiled(self.serial_pattern).fullmatch(text) is not None

    @property
    def folder(self) -> Path:
        """Where kit.toml and its masks stand."""
        return self._folder

    @property
    def files(self) -> Files:
        """What kit.toml and every file that its limits rest on held when it was loaded; nothing is read later."""
        return self._files

    def planned(self, plan: str) -> tuple[str, list[str]]:
        """Name of a plan and its checks, in the kit's order; of the usual one when no plan is named.

        Raises
        ------
        TableError
            If the kit has no such plan.
        """
        if plan and plan not in self.plans:
            known = ", ".join(self.plans) or "none; a run does every check"
            raise TableError(f"{self.folder / 'kit.toml'}: plans: no plan {plan!r}; allowed: {known}")
        plan = plan or next(iter(self.plans), "")
        return plan, [name for name in self.checks if not plan or name in self.plans[plan]]

    def channel(self, name: str) -> ChannelSpec:
        """The channel of this name (KeyError if there is none)."""
        return {channel.name: channel for channel in self.channels}[name]

    def equal_channels(self) -> list[tuple[ChannelSpec, ChannelSpec]]:
        """Neighbouring pairs of channels built alike: what one does the other must do."""
        pairs = zip(self.channels, self.channels[1:], strict=False)
        return [(a, b) for a, b in pairs if a.drivers == b.drivers and a.box == b.box]

    def position(self, name: str) -> PositionSpec:
        """The microphone position of this name (KeyError if there is none)."""
        return {position.name: position for position in self.positions}[name]

    def near_places(self, channel: str) -> list[tuple[PositionSpec, Surface]]:
        """Places close to what sounds at a box, each with what it is close to."""
        surfaces = self.channel(channel).surfaces()
        return [(place, surfaces[place.near]) for place in self.positions if place.near in surfaces]

    def off_axis(self) -> list[PositionSpec]:
        """Places in front of the boxes that lie aside of the axis."""
        return [place for place in self.positions if place.near is None and place.angle_deg]

    def microphone_m(self, box: str, at: str, position: PositionSpec) -> Position:
        """Place of the microphone as seen from `box` when it stands at `position` in front of the box `at`.

        All boxes look the same way; KeyError if there is no such box.
        """
        here, there = self.channel(box).place_m, self.channel(at).place_m
        if position.near is not None:
            surface = self.channel(at).surfaces()[position.near]
            front = position.distance_m if not surface.behind_m else -surface.behind_m - position.distance_m
            return there[0] - here[0] + surface.right_m, surface.up_m, there[1] - here[1] + front
        angle = math.radians(position.angle_deg)
        right = there[0] - here[0] + position.distance_m * math.sin(angle)
        return right, 0.0, there[1] - here[1] + position.distance_m * math.cos(angle)

    def model(self, name: str, position: str = "") -> Channel:
        """The lumped model of a channel: as good builds have taught it, else at the nominal values of kit.toml.

        What builds taught of its sound is that at a microphone position; the first one where none is named.
        """
        spec, key = self.channel(name), (name, position or self.positions[0].name)
        kept = self._models.get(key)
        # A copy of the kit with other channels shares the dictionary.
        if kept is None or kept[0] is not spec:
            learnt = self._learnt and self._learnt.of(name)
            kept = self._models[key] = spec, learnt_model(spec.model(), learnt, key[1]) if learnt else spec.model()
        return kept[1]

    @property
    def learnt(self) -> LearntDesign | None:
        """What good builds have taught of the kit; None: nothing yet."""
        return self._learnt

    def with_learnt(self, design: LearntDesign) -> "Kit":
        """The kit as builds have taught it."""
        kit = self.model_copy()
        kit._learnt, kit._models = design, {}
        return kit

    def undescribed(self, name: str) -> tuple[str, ...]:
        """Drivers of a channel that the model only guesses at: no sheet says what they are, and no build taught it."""
        is_taught = self._learnt is not None and self._learnt.of(name) is not None
        return tuple(d.name for d in self.channel(name).drivers if not (is_taught or d.is_described))

    def is_modelled(self, name: str) -> bool:
        """Whether the model's word on a channel counts: its drivers are described, or how far sheets may be off is."""
        return all(self.channel(name).driver(driver).from_sheet for driver in self.undescribed(name))

    def sweep(
        self, stage: Stage, channel: str, at: str = "", position: str = "", quiet: bool = False, moment: Moment = ""
    ) -> Sweep:
        """The kit's sweep of a stage; checks that ask for the same one share it.

        A quiet sweep is a short one over the channel's band: it proves the path before anything loud. At the bare leads
        one sweep serves both where both are equally quiet.
        """
        bare, levels = stage in AT_LEADS, self.levels
        spec = self.sweeps.leads if bare else self.sweeps.playing
        is_near = bool(position) and not quiet and self.position(position).near is not None
        low, high = self.channel(channel).band if quiet and not bare else (spec.start_hz, spec.stop_hz)
        return Sweep(
            stage=stage,
            channel=channel,
            at=at or channel,
            position=position,
            level_v=levels.near_v if is_near else levels.of(stage, quiet),
            path_gain=1.0 if bare else self.amplifier.gain,
            start_hz=low,
            stop_hz=high,
            seconds=spec.seconds if not quiet or (bare and levels.leads_quiet_v == levels.leads_v) else QUIET_S,
            moment=moment,
        )

    def silence(self, channel: str, position: str, seconds: float) -> Sweep:
        """Silence at a box with the amplifier on, between two marks that are no louder than its quiet sweep."""
        level_v = min(self.levels.playing_v, self.levels.playing_quiet_v / MARK_PEAK)
        marks = Marks(level_v, *mark_band_hz(*self.channel(channel).band))
        return replace(self.sweep("playing", channel, "", position), level_v=0.0, seconds=seconds, marks=marks)


def load_kit(workspace: Path, name: str, with_learnt: bool = True) -> Kit:
    """Load `limits/<name>/kit.toml`, and what good builds taught of it unless that is to be learnt anew.

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
    kit = kit_in(path.parent, with_learnt)
    if kit.name != name:
        raise TableError(f"{path}: name: found {kit.name!r}; allowed: {name!r}, as the folder is called")
    return kit


def kit_in(folder: Path, with_learnt: bool = True) -> Kit:
    """Load the kit that stands in a folder, whatever that is called.

    Raises
    ------
    TableError
        Naming file, key, what was found, what is allowed; or naming file and row of a mask.
    """
    kit, files = _read_between_changes(folder)
    kit._folder, kit._files, kit._models = folder, files, {}
    if with_learnt and folder / FILE in files:
        kit._learnt = read_design(folder / FILE, files[folder / FILE])
        for channel in kit.channels:
            if learnt := kit._learnt.of(channel.name):
                refuse_stranger(learnt, channel.model(), folder / FILE)
    return kit


def _read_between_changes(folder: Path) -> tuple[Kit, Files]:
    """A kit and what its files hold; read again where somebody was writing one of them meanwhile."""
    path = folder / "kit.toml"
    for pause_s in PAUSES_S:
        files = read_files(folder)
        try:
            kit = checked(Kit, read_toml(path), path)
            read_masks(kit.limits, folder, files)
            _read_driver_curves(kit, folder, files)
        except TableError:
            if read_files(folder) == files:
                raise
        else:
            if read_files(folder) == files:
                return kit, files
        time.sleep(pause_s)
    raise TableError(f"{folder}: changed again and again while it was read; start again when it has been written")


def _read_driver_curves(kit: Kit, folder: Path, files: Files) -> None:
    """What the drivers' own files hold; drivers alike share it, so that they stay equal."""
    known: list[tuple[DriverSpec, DriverCurves | None]] = []
    for driver in (driver for channel in kit.channels for driver in channel.drivers):
        alike = next((curves for other, curves in known if other == driver), None)
        known.append((driver.model_copy(), alike or driver.read_curves(folder, files)))
        driver._curves = known[-1][1]


def kit_names(workspace: Path) -> list[str]:
    """Names of the kits of a workspace."""
    return sorted(path.parent.name for path in (workspace / "limits").glob("*/kit.toml"))


def kit_sha256(kit: Kit) -> str:
    """One hash over the names and contents of all files of the kit, as they were when it was loaded."""
    digest = hashlib.sha256()
    for path, content in kit.files.items():
        digest.update(path.relative_to(kit.folder).as_posix().encode() + b"\0" + content + b"\0")
    return digest.hexdigest()
