"""How units of a channel lie apart: the numbers that differ, and by how much."""

from dataclasses import dataclass

from rig.circuit.units import Floats


@dataclass(frozen=True)
class Parameter:
    """One number of a channel that differs from unit to unit, or from what a sheet says."""

    #: "part", "series" (its resistance), "driver" or "box".
    owner: str
    #: Name of the part or driver; empty for the box.
    name: str
    #: What of it: "value", "re_ohm", "tuning_hz", ...
    field: str
    #: Standard deviation of its logarithm (of an exponent's log odds) over good units.
    sigma: float


@dataclass(frozen=True, eq=False)
class Population:
    """How good units of a channel lie apart, as good builds have taught it, and what they could not teach."""

    spread: tuple[Parameter, ...]
    #: Numbers that the builds leave open, each with sigma 1, and the directions in which they do, shape (numbers,
    #: directions), of one standard deviation each: good units hide it, and a fault may show it.
    hidden: tuple[Parameter, ...]
    hidden_root: Floats
    #: Of the level of a whole unit, on the bench that the builds were measured on.
    gain_sigma_db: float
    #: What is left over of a unit from point to point: of its impedance, relative, and of its level in dB.
    point_z: float
    point_db: float
    #: The same, smooth over frequency.
    smooth_z: float
    smooth_db: float
    #: What `parts` leaves over of a good unit at most, in percent.
    misfit_percent: float
    #: How many units taught it: `spread` is that of the next unit from their mean.
    units: int
