"""Number types, the complex frequency, and the properties of air shared by the lumped model."""

import math
from typing import TYPE_CHECKING, Any, TypeAlias

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats: TypeAlias = NDArray[np.float64]
    Complex: TypeAlias = NDArray[np.complex128]
else:
    # What only writes values in words loads no numpy.
    Floats = Complex = Any
#: A parameter: one number, or an array of shape (units, 1) with one number a unit.
Value: TypeAlias = float | Floats

#: Air at 20 degrees Celsius and normal pressure, rounded (from memory).
AIR_DENSITY_KG_M3 = 1.2
SPEED_OF_SOUND_M_S = 343.0
#: Below it nothing is computed: it keeps 0 Hz out of divisions; numerical.
LOWEST_HZ = 1e-3


def speed_of_sound_m_s(celsius: float) -> float:
    """Speed of sound in air at normal pressure.

    Parameters
    ----------
    celsius : float
        Air temperature, above -273.15.

    Raises
    ------
    ValueError
        If the temperature is not above absolute zero.

    References
    ----------
    ISO 9613-1:1993, c = 343.2 m/s * sqrt(T / 293.15 K).
    """
    if not celsius > -273.15:
        raise ValueError(f"air temperature {celsius} celsius: allowed is above -273.15")
    return 343.2 * math.sqrt((celsius + 273.15) / 293.15)


def lowest(value: Value) -> float:
    """The lowest of a parameter's numbers; not a number if one of them is not, so that it is above nothing."""
    return value if isinstance(value, float | int) else float(value.min(initial=math.inf))


def require_positive(owner: str, **values: Value) -> None:
    """Raise a ValueError that names `owner` and the parameter unless every value is above zero (inf is)."""
    for name, value in values.items():
        if not lowest(value) > 0:
            raise ValueError(f"{owner}: {name} is {value}; allowed is a number above 0")
