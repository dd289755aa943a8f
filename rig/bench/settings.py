"""What `bench.toml` says: the equipment, its wiring in each stage, and what turns its samples into volts."""

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, PrivateAttr, StrictBool, ValidationInfo, field_validator, model_validator

from rig.bench.devices import WantedDevice
from rig.bench.instrument_settings import InstrumentSettings, refuse_mixed_up
from rig.bench.store_settings import StoreSettings, bench_file, beside
from rig.design.trust import AGES_DAYS, CalibrationKind
from rig.files.disk import read_bytes, why
from rig.files.errors import BenchSetupError, TableError
from rig.files.pictures import ALLOWED as PICTURES
from rig.files.pictures import picture_trouble
from rig.files.tables import Misfit, Table, between, checked, read_toml
from rig.values.captures import Calibration, KnownLoad
from rig.values.requests import AT_LEADS, Stage

Positive = Annotated[float, Field(gt=0)]
Number = Annotated[int, Field(ge=1)]
Count = Annotated[int, Field(ge=0)]
Volts = Annotated[float, between(0.01, 100)]
Days = Annotated[float, between(0.01, 3650)]

LEADS_INPUTS = {"drive", "sense"}
PLAYING_INPUTS = ({"microphone"}, {"microphone", "loopback"})
#: In the soak a coil's resistance can be followed by two further inputs.
COIL_INPUTS = {"drive", "sense"}
#: Stands in `outputs` for every channel of the kit.
ANY_CHANNEL = "*"


def _wired(table: Mapping[str, float]) -> str:
    return "{ " + ", ".join(f"{key} = {value:g}" for key, value in table.items()) + " }"


class DeviceSettings(Table):
    """Which sound card: found by these words and counts, never by its place in a list."""

    host_api: str
    #: In full, as `kitproof devices` shows it.
    name: str
    #: Channels that the device has, not those in use.
    inputs: Count
    outputs: Count
    sample_rate_hz: Annotated[float, Field(ge=8000, le=384000)] = 48000.0
    #: Latency asked of the driver; absent: the driver's own safe value.
    latency_s: Annotated[float, Field(gt=0, le=2)] | None = None
    #: Frames the driver hands over at a time; 0: its own choice.
    block_frames: Annotated[int, Field(ge=0, le=16384)] = 0

    @property
    def wanted(self) -> WantedDevice:
        """For the process that opens it."""
        return WantedDevice(**self.model_dump())


class MicrophoneDeviceSettings(Table):
    """A microphone that is a device of its own (USB), with a clock of its own. It runs at the rate of [device]."""

    host_api: str
    name: str
    inputs: Number
    #: Some have a socket for headphones; nothing is played there.
    outputs: Count = 0
    latency_s: Annotated[float, Field(gt=0, le=2)] | None = None
    block_frames: Annotated[int, Field(ge=0, le=16384)] = 0

    def at(self, sample_rate_hz: float) -> DeviceSettings:
        """As a device that is to be opened at a rate."""
        return DeviceSettings(**self.model_dump(), sample_rate_hz=sample_rate_hz)


class WiringSettings(Table):
    """What is common to the wiring of every stage."""

    #: Kit's channel -> number of the card's output; "*" serves every channel.
    outputs: Annotated[dict[str, Number], Field(min_length=1)]
    #: Role -> number of the card's input.
    inputs: dict[str, Number]
    #: Volts at the card's output for a sample of 1.0, and at each input for a sample of 1.0 (both peak).
    output_volts: Volts
    input_volts: dict[str, Volts]

    @field_validator("inputs")
    @classmethod
    def _different(cls, inputs: dict[str, int]) -> dict[str, int]:
        # The microphone may be at another device than the others.
        others = [number for role, number in inputs.items() if role != "microphone"]
        if len(set(others)) != len(others):
            raise Misfit("", _wired(inputs), "a different input for each role")
        return inputs

    @field_validator("input_volts")
    @classmethod
    def _every_input(cls, volts: dict[str, float], info: ValidationInfo) -> dict[str, float]:
        roles = set(info.data.get("inputs", volts))
        if set(volts) != roles:
            raise Misfit("", _wired(volts), f"one value for each of the inputs: {', '.join(sorted(roles))}")
        return volts

    def output(self, channel: str) -> int | None:
        """Number of the output that plays a channel; None where the wiring has none."""
        return self.outputs.get(channel, self.outputs.get(ANY_CHANNEL))


class LeadsSettings(WiringSettings):
    """Stage leads: the sense resistor and the two inputs at its ends."""

    sense_ohm: Annotated[float, between(0.1, 1000)]
    #: "return": between load and ground; "source": between output and load.
    sense_in: Literal["return", "source"] = "return"

    @field_validator("inputs")
    @classmethod
    def _both(cls, inputs: dict[str, int]) -> dict[str, int]:
        if set(inputs) != LEADS_INPUTS:
            raise Misfit("", _wired(inputs), "drive and sense")
        return inputs


class PlayingSettings(WiringSettings):
    """Stage playing: the microphone, and a loopback where an output and an input are to spare."""

    #: Output that is joined to the loopback input; the stimulus is played there as well.
    loopback_output: Number | None = None
    #: Absent: not calibrated, levels are relative.
    microphone_mv_per_pa: Positive | None = None
    #: Whether the microphone's chain gives a falling voltage for a rising pressure; absent: not known.
    microphone_inverted: StrictBool | None = None

    @field_validator("inputs")
    @classmethod
    def _microphone(cls, inputs: dict[str, int]) -> dict[str, int]:
        if set(inputs) not in PLAYING_INPUTS:
            raise Misfit("", _wired(inputs), "microphone, and loopback if there is one")
        return inputs

    @field_validator("outputs")
    @classmethod
    def _apart(cls, outputs: dict[str, int]) -> dict[str, int]:
        if len(set(outputs.values())) != len(outputs):
            allowed = f'an output of its own for each channel, or "{ANY_CHANNEL}" alone where one output serves all'
            raise Misfit("", _wired(outputs), allowed)
        return outputs

    @model_validator(mode="after")
    def _loopback_apart(self) -> "PlayingSettings":
        if ("loopback" in self.inputs) != (self.loopback_output is not None):
            found = "none" if self.loopback_output is None else f"{self.loopback_output}"
            allowed = "a number with a loopback among the inputs, and only then"
            raise Misfit("loopback_output", found, allowed)
        if self.loopback_output in self.outputs.values() and len(set(self.outputs.values())) > 1:
            allowed = "an output that plays no channel, or the only one there is"
            raise Misfit("loopback_output", f"{self.loopback_output}", allowed)
        return self


class SoakSettings(PlayingSettings):
    """Stage soak, where it is wired otherwise than playing: drive and sense follow the coil of one channel."""

    #: In series with the speaker of `sense_channel`; small, since it takes of the level.
    sense_ohm: Annotated[float, between(0.01, 10)] | None = None
    #: Kit's channel whose leads the two inputs are at.
    sense_channel: str | None = None
    #: Whether a differential probe or an isolating transformer stands between amplifier and card.
    isolated: StrictBool = False

    @field_validator("inputs")
    @classmethod
    def _microphone(cls, inputs: dict[str, int]) -> dict[str, int]:
        rest = set(inputs) - COIL_INPUTS
        if rest not in PLAYING_INPUTS or len(set(inputs) & COIL_INPUTS) == 1:
            allowed = "microphone, loopback if there is one, and both or neither of drive and sense"
            raise Misfit("", _wired(inputs), allowed)
        return inputs

    @model_validator(mode="after")
    def _sense_whole(self) -> "SoakSettings":
        for key in ("sense_ohm", "sense_channel"):
            found = getattr(self, key)
            if (found is not None) != self.has_sense:
                allowed = "given with the inputs drive and sense, and only then"
                raise Misfit(key, "none" if found is None else f"{found}", allowed)
        if self.sense_channel is not None and self.output(self.sense_channel) is None:
            raise Misfit("sense_channel", repr(self.sense_channel), f"one of the outputs: {', '.join(self.outputs)}")
        return self

    @property
    def has_sense(self) -> bool:
        """Whether voltage and current of a channel are measured while it plays."""
        return set(self.inputs) >= COIL_INPUTS


class SimulatedSettings(Table):
    """The simulated bench."""

    seed: Annotated[int, Field(ge=0)] = 0
    #: As `kitproof faults KIT` lists them.
    faults: list[str] = []
    ambient_db_spl: Annotated[float, Field(ge=0, le=120)] = 38.0
    #: How many times faster than the clock sound and heat pass; 1: in real time; inf: nobody waits.
    faster: Annotated[float, Field(gt=0, allow_inf_nan=True)] = math.inf
    #: The microphone is a device of its own, its clock so many millionths faster than the playing one.
    microphone_ppm: Annotated[float, Field(ge=-1000, le=1000)] | None = None


def _is_one_line(name: str) -> str:
    """Refuse what would begin a new line or column in the order file of the bench's chain, or cannot be seen."""
    if not name.isprintable():
        raise Misfit("", repr(name), "printed characters: no line breaks, no tabs, nothing that cannot be seen")
    return name


class MakerSettings(Table):
    """Who makes or sells the units: it stands on the page that goes with each."""

    name: Annotated[str, Field(min_length=1, max_length=80)]
    #: Lines as on a letter.
    address: Annotated[str, Field(max_length=400)] = ""
    #: Where units are tested.
    place: Annotated[str, Field(max_length=60)] = ""
    #: Of the page: "en", or one that there is a table of words for.
    language: Literal["en", "de"] = "en"
    #: A picture, PNG or JPEG, beside bench.toml.
    logo: str = ""


class CalibrationsSettings(Table):
    """Ages in days that calibrations may reach. With this table a missing or older one makes checks void."""

    sense: Days = AGES_DAYS["sense"]
    microphone: Days = AGES_DAYS["microphone"]
    output: Days = AGES_DAYS["output"]
    input: Days = AGES_DAYS["input"]
    loopback: Days = AGES_DAYS["loopback"]
    #: Asked for only where it stands here, or where the kit asks.
    daily: Days | None = None
    #: Kinds that are not asked for.
    without: list[Literal["sense", "microphone", "output", "input", "loopback"]] = []

    def ages(self) -> dict[CalibrationKind, float]:
        """Kind -> greatest age in days."""
        days: dict[CalibrationKind, float | None] = {kind: getattr(self, kind) for kind in AGES_DAYS}
        return {kind: value for kind, value in days.items() if value is not None}


class BenchSettings(Table):
    """All of bench.toml."""

    kind: Literal["soundcard", "simulated"]
    #: Which bench this is; calibrations and reference builds count only on the bench they were made on.
    name: Annotated[str, Field(min_length=1, max_length=200), AfterValidator(_is_one_line)] = "simulated"
    device: DeviceSettings | None = None
    #: The microphone, where it is not at an input of `device`.
    microphone_device: MicrophoneDeviceSettings | None = None
    leads: LeadsSettings | None = None
    playing: PlayingSettings | None = None
    soak: SoakSettings | None = None
    simulated: SimulatedSettings | None = None
    air_celsius: Annotated[float, Field(ge=-20, le=60)] | None = None
    instruments: list[InstrumentSettings] = []
    #: As PyVISA names it: "@py", "@ivi", "file.yaml@sim", or the path of a vendor's library.
    visa_backend: str = "@py"
    calibrations: CalibrationsSettings | None = None
    maker: MakerSettings | None = None
    #: What the benches of a workshop share.
    store: StoreSettings | None = None

    #: Puts what was calibrated in the place of bench.toml's numbers.
    _calibrated: Callable[[Stage, Calibration], Calibration] | None = PrivateAttr(None)

    @model_validator(mode="after")
    def _tables_of_kind(self) -> "BenchSettings":
        tables = ("device", "microphone_device", "leads", "playing", "soak", "simulated")
        allowed = set(tables[:-1]) if self.kind == "soundcard" else {"simulated"}
        given = {key for key in tables if getattr(self, key) is not None}
        for key in sorted(given - allowed):
            raise Misfit(key, "a table", f"for kind = {self.kind!r} no table {key}")
        if self.kind == "soundcard" and "device" not in given:
            raise Misfit("device", "none", "for kind = 'soundcard' a table [device]")
        if self.kind == "soundcard" and "name" not in self.model_fields_set:
            raise Misfit("name", "none", "a name for the bench: calibrations and reference builds are kept under it")
        if self.store and "name" not in self.model_fields_set:
            raise Misfit("name", "none", "a name for the bench: the store tells benches apart by it")
        self._numbers_on_the_card()
        refuse_mixed_up(self.instruments)
        return self

    def _numbers_on_the_card(self) -> None:
        device, own = self.device, self.microphone_device
        if device is None:
            return
        if device.outputs < 1:
            raise Misfit("device.outputs", "0", "1 or more: this is the device that plays")
        if device.inputs < 1 and own is None:
            raise Misfit("device.inputs", "0", "1 or more, unless a table [microphone_device] names another to record")
        for key, wiring in (("leads", self.leads), ("playing", self.playing), ("soak", self.soak)):
            if wiring is None:
                continue
            others = {role: number for role, number in wiring.inputs.items() if own is None or role != "microphone"}
            if len(set(others.values())) != len(others):
                raise Misfit(f"{key}.inputs", _wired(others), "a different input for each role")
            if own is not None:
                theirs = {role: number for role, number in wiring.inputs.items() if role == "microphone"}
                _refuse_numbers(f"{key}.inputs", theirs, own.inputs, "inputs", "microphone_device")
            _refuse_numbers(f"{key}.inputs", others, device.inputs, "inputs")
            _refuse_numbers(f"{key}.outputs", wiring.outputs, device.outputs, "outputs")
            if isinstance(wiring, PlayingSettings) and wiring.loopback_output is not None:
                _refuse_numbers(key, {"loopback_output": wiring.loopback_output}, device.outputs, "outputs")

    @property
    def wanted_devices(self) -> list[WantedDevice]:
        """The device that plays, and the one that the microphone is where it is another."""
        device, own = self.device, self.microphone_device
        return [] if device is None else [device.wanted, *([own.at(device.sample_rate_hz).wanted] if own else [])]

    def own_inputs(self, wiring: WiringSettings) -> dict[str, int]:
        """Role -> number of the inputs of a wiring that are at the card that plays."""
        own = self.microphone_device is not None
        return {role: number for role, number in wiring.inputs.items() if not (own and role == "microphone")}

    def calibrated_by(self, calibrated: Callable[[Stage, Calibration], Calibration]) -> "BenchSettings":
        """The same settings, with calibrations put in the place of their numbers by a function."""
        settings = self.model_copy()
        settings._calibrated = calibrated
        return settings

    def wiring_key(self, stage: Stage) -> Literal["leads", "playing", "soak"]:
        """The table of bench.toml that a stage's wiring stands in."""
        if stage in AT_LEADS:
            return "leads"
        return "soak" if stage == "soak" and self.soak is not None else "playing"

    def wiring(self, stage: Stage) -> LeadsSettings | PlayingSettings:
        """The wiring of a stage: after the soak as on the leads, in the soak as when playing unless it has its own.

        Raises
        ------
        BenchSetupError
            If bench.toml has no table for it.
        """
        key = self.wiring_key(stage)
        found: LeadsSettings | PlayingSettings | None = getattr(self, key)
        if found is None:
            raise BenchSetupError(f"bench {self.name!r}: no table [{key}], which the stage {stage!r} needs")
        return found

    def calibration(self, stage: Stage, known_load: KnownLoad | None = None) -> Calibration:
        """What turns the samples of a stage into volts, pascals and ohms: calibrated, or as bench.toml says.

        Raises
        ------
        BenchSetupError
            If bench.toml has no table for the stage.
        """
        wiring = self.wiring(stage)
        common = Calibration(
            input_volts=dict(wiring.input_volts),
            output_volts=wiring.output_volts,
            bench=self.name,
            air_celsius=self.air_celsius,
        )
        plain = self._as_written(wiring, common, known_load)
        return self._calibrated(stage, plain) if self._calibrated else plain

    def _as_written(
        self, wiring: LeadsSettings | PlayingSettings, common: Calibration, known_load: KnownLoad | None
    ) -> Calibration:
        if isinstance(wiring, LeadsSettings):
            return replace(common, sense_ohm=wiring.sense_ohm, sense_in=wiring.sense_in, known_load=known_load)
        inverted, millivolts = wiring.microphone_inverted, wiring.microphone_mv_per_pa
        return replace(
            common,
            microphone_v_per_pa=None if millivolts is None else millivolts / 1000,
            microphone_sign=None if inverted is None else (-1 if inverted else 1),
            sense_ohm=wiring.sense_ohm if isinstance(wiring, SoakSettings) else None,
        )


def _refuse_numbers(key: str, table: Mapping[str, int], count: int, kind: str, device: str = "device") -> None:
    for role, number in table.items():
        if number > count:
            allowed = f"1 to {count}" if count else "none"
            raise Misfit(f"{key}.{role}", f"{number}", f"{allowed}: {device}.{kind} = {count}")


def bench_settings(workspace: Path, file: Path | None = None) -> BenchSettings | None:
    """Settings from `file`, or from the workspace's bench.toml; None where there is neither."""
    path = bench_file(workspace, file)
    return load_bench_file(path) if path else None


def load_bench_file(path: Path) -> BenchSettings:
    """Read a bench.toml.

    Raises
    ------
    BenchSetupError
        If the file is missing, is not TOML, or holds what is not allowed: names the file, the key, what was found and
        what is allowed.
    """
    try:
        settings = checked(BenchSettings, read_toml(path), path)
    except TableError as error:
        raise BenchSetupError(str(error)) from None
    found: dict[str, Table] = {}
    if settings.store:
        found["store"] = beside(path, settings.store)
    if settings.maker and settings.maker.logo:
        logo = _picture(path, path.parent / settings.maker.logo)
        found["maker"] = settings.maker.model_copy(update={"logo": str(logo)})
    return settings.model_copy(update=found)


def simulated_name(seed: int) -> str:
    """Name of the simulated bench of a seed: what is measured on one counts only there."""
    return f"simulated, seed {seed}"


def bench_name(settings: BenchSettings | None) -> str:
    """What a bench is called: as bench.toml has it; without a name there, the simulated one by its seed."""
    if settings and "name" in settings.model_fields_set:
        return settings.name
    return simulated_name(settings.simulated.seed if settings and settings.simulated else 0)


def _picture(bench: Path, logo: Path) -> Path:
    """A maker's picture, once it is known to be one.

    Raises
    ------
    BenchSetupError
        If it is not there, cannot be drawn, or is larger than a page's code and figures together.
    """
    try:
        trouble = picture_trouble(read_bytes(logo))
    except OSError as error:
        trouble = why(error)
    if trouble:
        raise BenchSetupError(f"{bench}: maker.logo: {logo}: found {trouble}; allowed: {PICTURES}, beside {bench.name}")
    return logo
