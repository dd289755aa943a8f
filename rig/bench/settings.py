"""What `bench.toml` says: the equipment, its wiring in each stage, and what turns its samples into volts."""

from dataclasses import replace
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, ValidationInfo, field_validator, model_validator

from rig.bench.base import BenchSetupError
from rig.readings import Calibration, KnownLoad
from rig.requests import Stage
from rig.tables import Table, TableError, checked, read_toml

Positive = Annotated[float, Field(gt=0)]
Number = Annotated[int, Field(ge=1)]

LEADS_INPUTS = {"drive", "sense"}
PLAYING_INPUTS = ({"microphone"}, {"microphone", "loopback"})
#: Stands in `outputs` for every channel of the kit.
ANY_CHANNEL = "*"


class DeviceSettings(Table):
    """Which sound card: found by these words and counts, never by its place in a list."""

    host_api: str
    #: In full, as `kitproof devices` shows it.
    name: str
    #: Channels that the device has, not those in use.
    inputs: Number
    outputs: Number
    sample_rate_hz: Annotated[float, Field(ge=8000, le=384000)] = 48000.0
    #: Latency asked of the driver; absent: the driver's own safe value.
    latency_s: Annotated[float, Field(gt=0, le=2)] | None = None
    #: Frames the driver hands over at a time; 0: its own choice.
    block_frames: Annotated[int, Field(ge=0, le=16384)] = 0
    #: Another device for playing; refused until two clocks can be brought together.
    output_device: str | None = None

    @field_validator("output_device")
    @classmethod
    def _one_device(cls, name: str | None) -> str | None:
        if name is not None:
            raise ValueError("no such key yet: playing and recording must be one device with one clock")
        return name


class WiringSettings(Table):
    """What is common to the wiring of every stage."""

    #: Kit's channel -> number of the card's output; "*" serves every channel.
    outputs: Annotated[dict[str, Number], Field(min_length=1)]
    #: Role -> number of the card's input.
    inputs: dict[str, Number]
    #: Volts at the card's output for a sample of 1.0, and at each input for a sample of 1.0 (both peak).
    output_volts: Positive
    input_volts: dict[str, Positive]

    @field_validator("inputs")
    @classmethod
    def _different(cls, inputs: dict[str, int]) -> dict[str, int]:
        if len(set(inputs.values())) != len(inputs):
            raise ValueError("a different input for each role")
        return inputs

    @field_validator("input_volts")
    @classmethod
    def _every_input(cls, volts: dict[str, float], info: ValidationInfo) -> dict[str, float]:
        roles = set(info.data.get("inputs", volts))
        if set(volts) != roles:
            raise ValueError(f"one value for each of the inputs: {', '.join(sorted(roles))}")
        return volts

    def output(self, channel: str) -> int | None:
        """Number of the output that plays a channel; None where the wiring has none."""
        return self.outputs.get(channel, self.outputs.get(ANY_CHANNEL))


class LeadsSettings(WiringSettings):
    """Stage leads: the sense resistor and the two inputs at its ends."""

    sense_ohm: Positive
    #: "return": between load and ground; "source": between output and load.
    sense_in: Literal["return", "source"] = "return"

    @field_validator("inputs")
    @classmethod
    def _both(cls, inputs: dict[str, int]) -> dict[str, int]:
        if set(inputs) != LEADS_INPUTS:
            raise ValueError("drive and sense")
        return inputs


class PlayingSettings(WiringSettings):
    """Stages playing and soak: the microphone, and a loopback where an output and an input are to spare."""

    #: Output that is joined to the loopback input; the stimulus is played there as well.
    loopback_output: Number | None = None
    #: Absent: not calibrated, levels are relative.
    microphone_mv_per_pa: Positive | None = None
    #: Whether the microphone's chain gives a falling voltage for a rising pressure; absent: not known.
    microphone_inverted: bool | None = None

    @field_validator("inputs")
    @classmethod
    def _microphone(cls, inputs: dict[str, int]) -> dict[str, int]:
        if set(inputs) not in PLAYING_INPUTS:
            raise ValueError("microphone, and loopback if there is one")
        return inputs

    @model_validator(mode="after")
    def _loopback_apart(self) -> "PlayingSettings":
        if ("loopback" in self.inputs) != (self.loopback_output is not None):
            raise ValueError("a loopback input and loopback_output together, or neither")
        if self.loopback_output in self.outputs.values() and len(set(self.outputs.values())) > 1:
            raise ValueError("a loopback_output that plays no channel, or that is the only output")
        return self


class SimulatedSettings(Table):
    """The simulated bench."""

    seed: Annotated[int, Field(ge=0)] = 0
    #: As `kitproof faults KIT` lists them.
    faults: list[str] = []
    ambient_db_spl: Annotated[float, Field(ge=0, le=120)] = 38.0
    #: Whether a capture takes as long as its sound.
    real_time: bool = False


class BenchSettings(Table):
    """All of bench.toml."""

    kind: Literal["soundcard", "simulated"]
    #: Which bench this is; calibrations and reference builds count only on the bench they were made on.
    name: Annotated[str, Field(min_length=1)] = "simulated"
    device: DeviceSettings | None = None
    leads: LeadsSettings | None = None
    playing: PlayingSettings | None = None
    simulated: SimulatedSettings | None = None
    air_celsius: Annotated[float, Field(ge=-20, le=60)] | None = None

    @model_validator(mode="after")
    def _tables_of_kind(self) -> "BenchSettings":
        allowed = {"soundcard": {"device", "leads", "playing"}, "simulated": {"simulated"}}[self.kind]
        given = {key for key in ("device", "leads", "playing", "simulated") if getattr(self, key) is not None}
        if foreign := given - allowed:
            raise ValueError(f"for kind = {self.kind!r} no table {', '.join(sorted(foreign))}")
        if self.kind == "soundcard" and "device" not in given:
            raise ValueError("for kind = 'soundcard' a table [device]")
        if self.kind == "soundcard" and "name" not in self.model_fields_set:
            raise ValueError("a name for the bench: calibrations and reference builds are kept under it")
        self._numbers_on_the_card()
        return self

    def _numbers_on_the_card(self) -> None:
        device = self.device
        if device is None:
            return
        for key, wiring in (("leads", self.leads), ("playing", self.playing)):
            if wiring is None:
                continue
            outputs = dict(wiring.outputs)
            if isinstance(wiring, PlayingSettings) and wiring.loopback_output is not None:
                outputs["loopback_output"] = wiring.loopback_output
            for kind, numbers, count in (
                ("inputs", dict(wiring.inputs), device.inputs),
                ("outputs", outputs, device.outputs),
            ):
                for role, number in numbers.items():
                    if number > count:
                        raise ValueError(f"{key}.{kind}: {role} = {number} is not among the card's {count} {kind}")

    def wiring(self, stage: Stage) -> LeadsSettings | PlayingSettings:
        """The wiring of a stage.

        Raises
        ------
        BenchSetupError
            If bench.toml has no table for it.
        """
        found = self.leads if stage == "leads" else self.playing
        if found is None:
            key = "leads" if stage == "leads" else "playing"
            raise BenchSetupError(f"bench {self.name!r}: no table [{key}], which the stage {stage!r} needs")
        return found

    def calibration(self, stage: Stage, known_load: KnownLoad | None = None) -> Calibration:
        """What turns the samples of a stage into volts, pascals and ohms.

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
        if isinstance(wiring, LeadsSettings):
            return replace(common, sense_ohm=wiring.sense_ohm, sense_in=wiring.sense_in, known_load=known_load)
        inverted, millivolts = wiring.microphone_inverted, wiring.microphone_mv_per_pa
        return replace(
            common,
            microphone_v_per_pa=None if millivolts is None else millivolts / 1000,
            microphone_sign=None if inverted is None else (-1 if inverted else 1),
        )


def load_bench_file(path: Path) -> BenchSettings:
    """Read a bench.toml.

    Raises
    ------
    BenchSetupError
        If the file is missing, is not TOML, or holds what is not allowed: names the file, the key, what was found and
        what is allowed.
    """
    try:
        return checked(BenchSettings, read_toml(path), path)
    except TableError as error:
        raise BenchSetupError(str(error)) from None
