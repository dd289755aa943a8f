"""What good builds taught of a kit: `design.toml` beside `kit.toml`, written by `kitproof learn`, read with the kit.

`kit.toml` is the builder's: what he knows before he builds. `design.toml` holds what his builds have shown: each value
of drivers, box and parts with its uncertainty, beside what the kit says of it; how far good units lie apart; and a
smooth factor on the impedance and the pressure of each driver, for what the lumped model leaves out.
"""

import json
import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import combinations, zip_longest
from pathlib import Path
from typing import Annotated, Any

import numpy as np
from pydantic import Field

from rig.circuit.builds_model import NEPER_DB, OWN_DB, OWN_Z, with_factors
from rig.circuit.channel import Channel, find_owner, map_parts, with_driver, with_part
from rig.circuit.driver import mechanics
from rig.circuit.factor import Factor
from rig.circuit.nearest import largest_misfit
from rig.circuit.notation import format_element
from rig.circuit.population import Parameter, Population
from rig.circuit.population_fit import Learnt
from rig.files.errors import TableError
from rig.files.tables import Table, checked, read_toml

FILE = "design.toml"
HEAD = """# What good builds taught of this kit. Written by kitproof learn; kit.toml stays yours.
# value: what they share; u_percent: its standard uncertainty; kit: what kit.toml says, and how far that is off;
# spread_percent: how far good units lie apart (standard deviation). Take this file away, and kit.toml counts alone.
"""
#: What kit.toml calls a number of the model, and how many of its units there are in one of the model's.
CALLED = {"le_h": "le_mh", "vas_m3": "vas_l", "volume_m3": "volume_l"}
FIELDS = {called: field for field, called in CALLED.items()}
SCALES = {"le_mh": 1e3, "vas_l": 1e3, "volume_l": 1e3}
#: What of an impedance is meant beside the microphone's positions.
IMPEDANCE = "impedance"
#: Correlations from here are reported: such values are known together better than each by itself; our choice.
BOUND = 0.6
Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]


class LearntValue(Table):
    """One number of drivers, box or parts."""

    #: "part", "series" (its resistance), "driver" or "box", and its name; what of it, as kit.toml calls it.
    owner: str
    of: str
    what: str
    value: Positive
    u_percent: NotNegative
    kit: Positive
    off_percent: float
    #: None: good units were not asked how far they lie apart in this.
    spread_percent: NotNegative | None = None

    @property
    def field(self) -> str:
        """As the model calls it."""
        return FIELDS.get(self.what, self.what)


class LearntFactor(Table):
    """What the lumped model leaves out of a driver, over frequency; lists of one length."""

    driver: str
    #: "impedance", or the microphone's position that its pressure was heard at.
    of: str
    hz: list[Positive]
    db: list[float]
    degrees: list[float]
    #: Standard deviations over good units, what is not known of their mean included.
    sigma_db: list[NotNegative]
    sigma_degrees: list[NotNegative]

    def factor(self) -> Factor:
        """As the lumped model takes it."""
        log = np.array(self.db) / NEPER_DB + 1j * np.radians(self.degrees)
        sigma = np.array(self.sigma_db) / NEPER_DB + 1j * np.radians(self.sigma_degrees)
        return Factor(np.array(self.hz), log, sigma)


class LearntChannel(Table):
    """All channels that are built alike."""

    names: list[str]
    #: The networks that it was learnt of, as kit.toml has them.
    networks: list[str]
    #: How many units taught it.
    units: int = 1
    #: Of the level of a whole unit; and what is left over from point to point, and smooth over frequency.
    gain_sigma_db: Positive
    point_percent: Positive
    point_db: Positive
    smooth_percent: Positive = 100 * OWN_Z
    smooth_db: Positive = OWN_DB
    #: The most that `parts` leaves over of a good unit.
    misfit_percent: Positive
    values: list[LearntValue]
    #: What a driver is made of, from its values.
    made_of: list[LearntValue]
    #: [one, other, correlation]: values that the builds tell only together.
    bound: list[tuple[str, str, float]]
    #: What the builds leave open: one list a direction, of the logarithms of all values (of an exponent its log odds).
    hidden: list[list[float]]
    factors: list[LearntFactor]


class LearntDesign(Table):
    """The file."""

    version: int = 1
    made_at: str
    #: Serial -> run that it was learnt from.
    builds: dict[str, str]
    channels: list[LearntChannel]

    def of(self, channel: str) -> LearntChannel | None:
        """What was learnt of a channel."""
        return next((one for one in self.channels if channel in one.names), None)


def learnt_channel(names: Sequence[str], sheet: Channel, learnt: Learnt, positions: Sequence[str]) -> LearntChannel:
    """What a fit found, as the file has it; `positions` are those of its sights."""
    found = LearntChannel(
        names=list(names),
        networks=networks_of(sheet),
        units=learnt.builds,
        gain_sigma_db=learnt.gain_sigma_db,
        point_percent=100 * learnt.point_z,
        point_db=learnt.point_db,
        smooth_percent=100 * learnt.apart_z,
        smooth_db=learnt.apart_db,
        misfit_percent=100,
        values=list(_values(sheet, learnt)),
        made_of=list(_made_of(sheet, learnt)),
        bound=list(_bound(learnt)),
        hidden=[list(map(float, direction)) for direction in learnt.hidden.T],
        factors=list(_factors(sheet, learnt, positions)),
    )
    model = learnt_model(sheet, found, positions[0] if positions else "")
    smooth = learnt.smooth_z * (1 + 1 / learnt.builds) ** 0.5
    misfit = largest_misfit(model, learnt.z_hz, smooth, learnt.point_z, learnt.builds)
    return found.model_copy(update={"misfit_percent": 100 * misfit})


def learnt_model(sheet: Channel, learnt: LearntChannel, position: str) -> Channel:
    """The channel as builds have taught it, its drivers as they are heard at a position."""
    model = sheet
    for value in learnt.values:
        model = _with_value(model, value)
    factors = {(factor.driver, factor.of): factor.factor() for factor in learnt.factors}
    names = [driver.name for driver in sheet.drivers]
    at_position = [factors[name, position] for name in names] if (names[0], position) in factors else []
    spread = tuple(
        Parameter(value.owner, value.of, value.field, value.spread_percent / 100)
        for value in (*learnt.values, *learnt.made_of)
        if value.spread_percent
    )
    fields = tuple(Parameter(v.owner, v.of, v.field, 1.0) for v in learnt.values)
    hidden = np.array(learnt.hidden).reshape(-1, len(fields)).T
    population = Population(
        spread,
        fields,
        hidden,
        gain_sigma_db=learnt.gain_sigma_db,
        point_z=learnt.point_percent / 100,
        point_db=learnt.point_db,
        smooth_z=learnt.smooth_percent / 100,
        smooth_db=learnt.smooth_db,
        misfit_percent=learnt.misfit_percent,
        units=learnt.units,
    )
    model = with_factors(model, [factors[name, IMPEDANCE] for name in names], at_position)
    return replace(model, population=population)


def _with_value(model: Channel, value: LearntValue) -> Channel:
    changed: dict[str, Any] = {value.field: value.value / SCALES.get(value.what, 1.0)}
    if value.owner == "box":
        return replace(model, box=replace(model.box, **changed))
    change = with_driver if value.owner == "driver" else with_part
    return change(model, value.of, **changed)


def refuse_stranger(learnt: LearntChannel, sheet: Channel, path: Path) -> None:
    """TableError where a channel was learnt of other networks or other values than kit.toml has today."""
    wrong = [one for one, other in zip_longest(learnt.networks, networks_of(sheet)) if one != other]
    for value in learnt.values:
        if not (wrong or math.isclose(_of_sheet(sheet, value), value.kit, rel_tol=1e-5)):
            wrong.append(f"{value.of} {value.what} = {value.kit:g}")
    if wrong:
        raise TableError(
            f"{path}: {sheet.name}: was learnt where kit.toml had {wrong[0] or 'one network less'}; allowed: what it "
            "has today: run kitproof learn with your builds again, or take this file away"
        )


def _of_sheet(sheet: Channel, value: LearntValue) -> float:
    """What the kit says of a value, in the file's unit."""
    try:
        owner = find_owner(sheet, value.owner, value.of)
    except KeyError:
        return math.nan
    return float(getattr(owner, value.field)) * SCALES.get(value.what, 1.0)


def networks_of(sheet: Channel) -> list[str]:
    """The networks in the kit's notation, one a driver, without what parts are rated for: no reading hangs on that."""
    bare = map_parts(sheet, lambda part: replace(part, rating=math.inf))
    return [f"{b.driver.name}: {'; '.join(map(format_element, b.elements))}" for b in bare.branches]


def _spread_percent(learnt: Learnt) -> dict[tuple[str, str, str], float]:
    """Owner, name and field -> how far units lie apart in it."""
    return {(p.owner, p.name, p.field): 100 * p.sigma for p in learnt.spread}


def _values(sheet: Channel, learnt: Learnt) -> Iterator[LearntValue]:
    spread_percent = _spread_percent(learnt)
    logs, covariance = learnt.logs
    for n, parameter in enumerate(learnt.shared):
        what = CALLED.get(parameter.field, parameter.field)
        value = LearntValue(
            owner=parameter.owner, of=parameter.name, what=what, value=1, u_percent=0, kit=1, off_percent=0
        )
        kit = _of_sheet(sheet, value)
        found = _of_sheet(learnt.design, value) * math.exp(logs[n])
        changes = {
            "kit": kit,
            "value": found,
            "u_percent": 100 * float(covariance[n, n]) ** 0.5,
            "off_percent": 100 * (found / kit - 1),
            "spread_percent": spread_percent.get((parameter.owner, parameter.name, parameter.field)),
        }
        yield value.model_copy(update=changes)


def _made_of(sheet: Channel, learnt: Learnt) -> Iterator[LearntValue]:
    """Mass, compliance, losses and force factor of each driver (R. H. Small, JAES 20 (1972)), from its values."""
    logs, covariance = learnt.logs
    spread_percent = _spread_percent(learnt)
    for driver in sheet.drivers:
        at = {p.field: n for n, p in enumerate(learnt.shared) if (p.owner, p.name) == ("driver", driver.name)}
        unit = np.eye(len(learnt.shared))
        fs, vas, qms, qes, re = (unit[at[name]] for name in ("fs_hz", "vas_m3", "qms", "qes", "re_ohm"))
        mass = -2 * fs - vas
        rows = {"mms_kg": mass, "cms_m_n": vas, "rms_n_s_m": fs + mass - qms, "bl_t_m": (fs + mass + re - qes) / 2}
        for what, row in rows.items():
            kit, log = float(getattr(mechanics(driver), what)), float(row @ logs)
            yield LearntValue(
                owner="driver",
                of=driver.name,
                what=what,
                value=kit * math.exp(log),
                u_percent=100 * float(row @ covariance @ row) ** 0.5,
                kit=kit,
                off_percent=100 * math.expm1(log),
                spread_percent=spread_percent.get(("driver", driver.name, what)),
            )


def _bound(learnt: Learnt) -> Iterator[tuple[str, str, float]]:
    _, covariance = learnt.logs
    sigma = np.sqrt(np.diag(covariance))
    names = [f"{p.name or p.owner} {CALLED.get(p.field, p.field)}" for p in learnt.shared]
    for i, j in combinations(range(len(names)), 2):
        correlation = float(covariance[i, j] / (sigma[i] * sigma[j]))
        if abs(correlation) >= BOUND:
            yield names[i], names[j], correlation


def _factors(sheet: Channel, learnt: Learnt, positions: Sequence[str]) -> Iterator[LearntFactor]:
    for of, factors in ((IMPEDANCE, learnt.impedance_factors), *zip(positions, learnt.pressure_factors, strict=True)):
        for driver, factor in zip(sheet.drivers, factors, strict=True):
            log, sigma = factor.log, factor.sigma
            yield LearntFactor(
                driver=driver.name,
                of=of,
                hz=list(map(float, factor.frequency_hz)),
                db=list(map(float, NEPER_DB * log.real)),
                degrees=list(map(float, np.degrees(log.imag))),
                sigma_db=list(map(float, NEPER_DB * sigma.real)),
                sigma_degrees=list(map(float, np.degrees(sigma.imag))),
            )


def design_toml(design: LearntDesign) -> str:
    """The text of the file."""
    builds = ", ".join(f"{_written(serial)} = {_written(run)}" for serial, run in design.builds.items())
    lines = [HEAD, f"version = {design.version}", f"made_at = {_written(design.made_at)}", f"builds = {{ {builds} }}"]
    for channel in design.channels:
        lines += ["", "[[channels]]"]
        for key, value in channel.model_dump(exclude={"values", "made_of", "factors"}).items():
            lines.append(f"{key} = {_written(value)}")
        for key in ("values", "made_of", "factors"):
            rows = (row.model_dump(exclude_none=True) for row in getattr(channel, key))
            lines.append(f"{key} = [")
            lines += [f"    {{ {', '.join(f'{k} = {_written(v)}' for k, v in row.items())} }}," for row in rows]
            lines.append("]")
    return "\n".join(lines) + "\n"


def _written(value: object) -> str:
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(_written, value))}]"
    return f"{value:.6g}"


def read_design(path: Path, content: bytes) -> LearntDesign:
    """The file's content.

    Raises
    ------
    TableError
        If it is not what `kitproof learn` writes.
    """
    return checked(LearntDesign, read_toml(path, content), path)
