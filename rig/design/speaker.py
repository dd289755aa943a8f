"""A channel of a kit as `kit.toml` states it: its drivers, their networks, the box; and the lumped model of it."""

import math
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import Field, PrivateAttr, StrictBool, field_validator, model_validator

from rig.circuit.box import Box
from rig.circuit.channel import Branch, Channel, ElectronicFilter, Tone, electronic_response
from rig.circuit.driver import Driver
from rig.circuit.near_field import Surface
from rig.circuit.notation import ElementError, parse_element
from rig.circuit.parts import Kind
from rig.design.driver_curves import (
    DriverCurves,
    ImpedanceCurve,
    LevelCurve,
    driver_with_curves,
    read_driver_curves,
)
from rig.design.driver_priors import Prior, driver_priors, usual_depth_m
from rig.files.tables import Misfit, Table, band, between, refuse_doubles, values_of

#: What a sweep may cover: above it the filters of a sound card at 48 kHz set in; our choice.
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


def refuse_implausible(text: str) -> None:
    """Refuse a network element that cannot be read, or with a part of a value that no network has.

    Raises
    ------
    Misfit
        If a value is implausible.
    ElementError
        If it cannot be read.
    """
    for part in parse_element(text).parts():
        low, high, words = PLAUSIBLE[part.kind]
        if not low <= float(part.value) <= high:
            raise Misfit("", f"{part.name} in {text!r}", words)


class DriverSpec(Table):
    """One driver, as its data sheet or the designer's own measurement has it."""

    name: Name
    #: Whether its numbers are a data sheet's or guesses, and no measurement of this very batch: until a good build is
    #: learnt, what lies outside a limit around the design by no more than a sheet may be off proves nothing.
    from_sheet: StrictBool = False
    nominal_ohm: Ohm
    #: The diameter by which it is sold, and the piston's area; one of them.
    size_mm: Annotated[float, between(10, 600)] | None = None
    sd_cm2: Annotated[float, between(1, 2000)] | None = None
    #: What its sheet says; what it does not say is taken from `rig.design.driver_priors`.
    re_ohm: Ohm | None = None
    #: Inductance at 1 kHz, and the exponent of its rise (1: a pure inductance, 0.5: all eddy currents).
    le_mh: Annotated[float, between(0, 10)] | None = None
    le_exponent: Annotated[float, Field(gt=0, le=1)] | None = None
    fs_hz: Annotated[float, between(5, 5000)] | None = None
    qms: LossFactor | None = None
    qes: LossFactor | None = None
    qts: LossFactor | None = None
    vas_l: Annotated[float, between(0.001, 1000)] | None = None
    #: At 1 m and 2.83 V on a large flat baffle.
    sensitivity_db: Annotated[float, between(60, 120)] | None = None
    #: Its own curves, measured, from files beside kit.toml; what they show goes before what is said above.
    impedance_curve: ImpedanceCurve | None = None
    level_curve: LevelCurve | None = None
    #: What it stands for long, by its sheet: volts squared over its rated impedance.
    power_w: Annotated[float, between(0.1, 5000)] | None = None
    #: How the designer wires it: a driver reversed on purpose is right when it is reversed.
    polarity: Literal["normal", "reversed"] = "normal"
    #: The band in which this driver is the one that is heard.
    band_hz: Band
    #: Whether it works on the channel's box (a tweeter with a closed back does not).
    in_box: StrictBool = True
    #: Centre on the baffle, to the right of and above the microphone's axis, and behind the baffle.
    right_mm: float = 0.0
    up_mm: float = 0.0
    #: None: on the baffle, or of a driver known from its sheet alone as deep as such cones usually are.
    behind_mm: float | None = None
    #: Above this its cone no longer moves as a piston and its output falls, second order; none: as the model has it, or
    #: of a driver known from its sheet alone where such cones usually do.
    rolloff_hz: Positive | None = None
    #: Parts from the leads to this driver, in signal order.
    network: list[str] = []
    #: What the files of its curves hold; set when the kit is loaded.
    _curves: DriverCurves | None = PrivateAttr(default=None)

    @field_validator("network")
    @classmethod
    def _readable(cls, network: list[str]) -> list[str]:
        for n, text in enumerate(network, 1):
            try:
                refuse_implausible(text)
            except ElementError as error:
                raise Misfit(f"[{n}]", error.found, f"{error.allowed}\n{error.shown}") from None
            except Misfit as error:
                raise Misfit(f"[{n}]", error.found, error.allowed) from None
        return network

    @model_validator(mode="after")
    def _consistent(self) -> "DriverSpec":
        if self.size_mm is None and self.sd_cm2 is None:
            raise Misfit("size_mm", "neither size_mm nor sd_cm2", "one of them, so that the driver's size is known")
        if self.vas_l is not None and self.sensitivity_db is not None:
            raise Misfit("sensitivity_db", "vas_l as well", "one of them: with fs and Q the one follows from the other")
        if self.qts is not None:
            if self.qms is not None and self.qes is not None:
                raise Misfit("qts", "qms and qes as well", "two of the three: the third follows")
            above = min(filter(None, (self.qms, self.qes)), default=math.inf)
            if self.qts >= above:
                raise Misfit("qts", f"{self.qts:g}", f"below qms and qes, here {above:g}")
        return self

    @property
    def is_described(self) -> bool:
        """Whether somebody said what this driver is: more than its rating, size and band."""
        has_level = any(known is not None for known in (self.vas_l, self.sensitivity_db, self.level_curve))
        if self.impedance_curve is not None and self.impedance_curve.mounted == "free air":
            return has_level
        has_quality = self.qes is not None or self.qts is not None
        return self.re_ohm is not None and self.fs_hz is not None and has_quality and has_level

    def priors(self) -> dict[str, Prior]:
        """What is known of each number of the driver before one was measured, by the lumped model's names."""
        # Where everything was measured and nothing is said of an inductance there is none.
        is_whole = self.is_described and not self.from_sheet and self.impedance_curve is None
        le_mh = 0.0 if self.le_mh is None and is_whole else self.le_mh
        is_ideal = self.le_exponent is None and le_mh is not None and not self.from_sheet
        sheet = {
            "re_ohm": self.re_ohm,
            "le_h": None if le_mh is None else le_mh * 1e-3,
            "le_exponent": 1.0 if is_ideal else self.le_exponent,
            "fs_hz": self.fs_hz,
            "qms": self.qms,
            "qes": self.qes,
            "qts": self.qts,
            "vas_m3": None if self.vas_l is None else self.vas_l * 1e-3,
            "sd_m2": None if self.sd_cm2 is None else self.sd_cm2 * 1e-4,
            "sensitivity_db": self.sensitivity_db,
            "rolloff_hz": self.rolloff_hz,
        }
        if self._curves is not None:
            sheet |= self._shown(self._curves)
        stated = {name: value for name, value in sheet.items() if value is not None}
        return driver_priors(self.nominal_ohm, self.band_hz[0], (self.size_mm or 0.0) * 1e-3, stated)

    def _shown(self, curves: DriverCurves) -> dict[str, float | None]:
        """What its own curves show, by the lumped model's names; a fit's Q stand for those of the sheet."""
        shown: dict[str, float | None] = dict(curves.fitted)
        if "qes" in shown:
            shown["qts"] = None
        if self.vas_l is None and self.sensitivity_db is None:
            fs_hz = shown.get("fs_hz") or self.fs_hz or self.band_hz[0]
            shown["sensitivity_db"] = curves.passband_db(fs_hz, (self.band_hz[0], self.band_hz[1]))
        return shown

    def read_curves(self, folder: Path, files: Mapping[Path, bytes]) -> DriverCurves | None:
        """What the files of its curves hold; None where it names none.

        Raises
        ------
        TableError
            If one is missing or wrong.
        """
        if self.impedance_curve is None and self.level_curve is None:
            return None
        return read_driver_curves(self.impedance_curve, self.level_curve, self.model().driver, folder, files)

    def piston_m2(self) -> float:
        """Area of its piston."""
        return float(self.priors()["sd_m2"].value)

    def model(self) -> Branch:
        """The driver and its parts as the lumped model takes them."""
        numbers: dict[str, Any] = {name: prior.value for name, prior in self.priors().items()}
        if not self.from_sheet:
            numbers["rolloff_hz"] = self.rolloff_hz or math.inf
        usual_mm = 1e3 * usual_depth_m(numbers["sd_m2"]) if self.from_sheet and self.in_box else 0.0
        driver = Driver(
            name=self.name,
            **numbers,
            polarity=1 if self.polarity == "normal" else -1,
            in_box=self.in_box,
            position_m=(self.right_mm * 1e-3, self.up_mm * 1e-3),
            offset_m=(usual_mm if self.behind_mm is None else self.behind_mm) * 1e-3,
            nominal_ohm=self.nominal_ohm,
            band_hz=(self.band_hz[0], self.band_hz[1]),
        )
        return Branch(driver, tuple(parse_element(text) for text in self.network))


#: The mouth of a box's port, where a driver's name is asked for.
PORT = "port"


class BoxSpec(Table):
    """The box behind the drivers of a channel."""

    kind: Literal["closed", "vented", "none"]
    volume_l: Annotated[float, between(0.1, 1000)] | None = None
    tuning_hz: Positive | None = None
    leakage_q: Positive = 10.0
    #: Area of the port's mouth (of several, of all together), and its middle seen as a driver's; `port_behind_mm` is
    #: the depth of the box where the port is in its back. Only the near field asks for it.
    port_cm2: Annotated[float, between(0.5, 2000)] | None = None
    port_right_mm: float = 0.0
    port_up_mm: float = 0.0
    port_behind_mm: Annotated[float, Field(ge=0)] = 0.0

    @model_validator(mode="after")
    def _complete(self) -> "BoxSpec":
        if self.kind != "none" and self.volume_l is None:
            raise Misfit("volume_l", "none", f"a volume, with a {self.kind} box")
        if (self.kind == "vented") != (self.tuning_hz is not None):
            found = f"{self.tuning_hz:g}" if self.tuning_hz else "none"
            raise Misfit("tuning_hz", found, "a tuning with a vented box, and only there")
        if self.port_cm2 is not None and self.kind != "vented":
            raise Misfit("port_cm2", f"{self.port_cm2:g}", f"none: a {self.kind} box has no port")
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


class ToneSpec(Table):
    """One stage of a tone control, or of a fixed contour, ahead of the leads."""

    kind: Literal["low-shelf", "high-shelf", "peak"]
    hz: SweepHz
    gain_db: Annotated[float, between(-24, 24)]
    q: Annotated[float, between(0.1, 20)] = 1.0

    @model_validator(mode="after")
    def _only_of_a_peak(self) -> "ToneSpec":
        if self.kind != "peak" and "q" in self.model_fields_set:
            raise Misfit("q", f"{self.q:g}", "a Q with a peak alone")
        return self

    @property
    def words(self) -> str:
        """As the person at the bench calls it."""
        where = {"low-shelf": "below", "high-shelf": "above", "peak": "around"}[self.kind]
        return f"{self.gain_db:+g} dB {where} {self.hz:g} Hz"


class ChannelSpec(Table):
    """One box on one amplifier channel."""

    name: Name
    drivers: Annotated[list[DriverSpec], Field(min_length=1)]
    box: BoxSpec
    baffle_width_m: Annotated[float, between(0.03, 3)]
    #: Where the box stands at the jig, to the right and to the front, when the microphone hears it.
    place_m: Place = [0.0, 0.0]
    filter: FilterSpec | None = None
    #: A tone control as it is set for the proof, or a contour that the board has built in.
    tone: list[ToneSpec] = []
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

    @property
    def lift(self) -> float:
        """The most by which filter and tone control lift a voltage on its way to the leads; 1 without them."""
        if not self.tone and not self.filter:
            return 1.0
        gains = np.abs(electronic_response(self.model(), np.geomspace(LOWEST_HZ, HIGHEST_HZ, 200)))
        return float(max(1.0, np.max(gains)))

    def before_words(self) -> str:
        """What stands before the leads and bends the response, in words; empty: nothing."""
        words = [stage.words for stage in self.tone]
        if self.filter:
            kind = {"lowpass": "a low-pass", "highpass": "a high-pass"}[self.filter.kind]
            words.insert(0, f"{kind} at {self.filter.hz:g} Hz (order {self.filter.order})")
        return ", ".join(words)

    def driver(self, name: str) -> DriverSpec:
        """The driver of this name (KeyError if there is none)."""
        return {driver.name: driver for driver in self.drivers}[name]

    def surfaces(self) -> dict[str, Surface]:
        """What sounds at the outside of the box, by driver's name and `PORT`; a port only if its area is known."""
        found = {
            spec.name: Surface(spec.name, spec.piston_m2(), spec.right_mm * 1e-3, spec.up_mm * 1e-3)
            for spec in self.drivers
        }
        if self.box.port_cm2 is not None:
            place_m = (self.box.port_right_mm * 1e-3, self.box.port_up_mm * 1e-3, self.box.port_behind_mm * 1e-3)
            found[PORT] = Surface(PORT, self.box.port_cm2 * 1e-4, *place_m)
        return found

    def model(self) -> Channel:
        """The lumped model of the channel, at its nominal values."""
        channel = Channel(
            name=self.name,
            branches=tuple(driver.model() for driver in self.drivers),
            box=self.box.model(),
            baffle_width_m=self.baffle_width_m,
            filter=ElectronicFilter(**self.filter.model_dump()) if self.filter else None,
            tone=tuple(Tone(**stage.model_dump()) for stage in self.tone),
        )
        shown = [driver._curves for driver in self.drivers]
        branches = tuple(
            branch if curves is None else replace(branch, driver=driver_with_curves(channel, branch.driver, curves))
            for branch, curves in zip(channel.branches, shown, strict=True)
        )
        return replace(channel, branches=branches)
