"""Temperature from what a bare sensor gives: a resistance, or the voltage of a thermocouple.

A value that no whole sensor gives is no temperature: a broken lead reads as an endless resistance, a shorted one as
none, and both must end as an error, never as very cold or very hot.
"""

import math
from collections.abc import Callable

import scipy

#: By definition.
KELVIN_AT_0_CELSIUS = 273.15

#: IEC 60751: R(t) = R0 (1 + A t + B t^2 + C (t - 100) t^3), C only below 0 degC.
PT_A, PT_B, PT_C = 3.9083e-3, -5.775e-7, -4.183e-12
PT100_OHM = 100.0
PT100_CELSIUS = (-200.0, 850.0)

#: ITS-90 reference function of type K (NIST Monograph 175, IEC 60584-1): millivolts by powers of degC,
#: cold end at 0 degC.
K_BELOW = (
    0.0,
    0.394501280250e-1,
    0.236223735980e-4,
    -0.328589067840e-6,
    -0.499048287770e-8,
    -0.675090591730e-10,
    -0.574103274280e-12,
    -0.310888728940e-14,
    -0.104516093650e-16,
    -0.198892668780e-19,
    -0.163226974860e-22,
)
K_ABOVE = (
    -0.176004136860e-1,
    0.389212049750e-1,
    0.185587700320e-4,
    -0.994575928740e-7,
    0.318409457190e-9,
    -0.560728448890e-12,
    0.560750590590e-15,
    -0.320207200030e-18,
    0.971511471520e-22,
    -0.121047212750e-25,
)
#: The exponential that stands beside the polynomial above 0 degC: a0 exp(a1 (t - a2)^2); IEC 60584-1.
K_HUMP = (0.118597600000, -0.118343200000e-3, 126.9686)
#: Below -200 degC the curve is too flat to be read back; IEC 60584-1.
K_CELSIUS = (-200.0, 1372.0)

#: Where small thermistors are made for: common practice, no source.
NTC_CELSIUS = (-60.0, 300.0)
#: At which the nominal resistance of a thermistor is stated; common practice, no source.
NTC_NOMINAL_CELSIUS = 25.0


def pt100_ohm(celsius: float) -> float:
    """Resistance of a Pt100 (IEC 60751).

    Raises
    ------
    ValueError
        Outside -200 to 850 degC, for which the norm holds.
    """
    _refuse_outside(celsius, PT100_CELSIUS, "degC", "a Pt100")
    cold = PT_C * (celsius - 100.0) * celsius**3 if celsius < 0 else 0.0
    return PT100_OHM * (1.0 + PT_A * celsius + PT_B * celsius**2 + cold)


def pt100_celsius(ohm: float) -> float:
    """Temperature of a Pt100 from its resistance (IEC 60751), the leads' own resistance taken off.

    Raises
    ------
    ValueError
        Outside -200 to 850 degC (18.52 to 390.48 ohm): broken, shorted, or no Pt100.
    """
    low, high = (pt100_ohm(end) for end in PT100_CELSIUS)
    _refuse_outside(ohm, (low, high), "ohm", "a Pt100")
    if ohm < PT100_OHM:
        return _inverse(pt100_ohm, ohm, PT100_CELSIUS[0], 0.0)
    return (-PT_A + math.sqrt(PT_A**2 - 4.0 * PT_B * (1.0 - ohm / PT100_OHM))) / (2.0 * PT_B)


def thermocouple_k_volts(celsius: float) -> float:
    """Voltage of a type K thermocouple with its cold junction at 0 degC (IEC 60584-1, ITS-90).

    Raises
    ------
    ValueError
        Outside -200 to 1372 degC.
    """
    _refuse_outside(celsius, K_CELSIUS, "degC", "a thermocouple K")
    coefficients = K_BELOW if celsius < 0 else K_ABOVE
    millivolts = sum(coefficient * celsius**power for power, coefficient in enumerate(coefficients))
    if celsius >= 0:
        a0, a1, a2 = K_HUMP
        millivolts += a0 * math.exp(a1 * (celsius - a2) ** 2)
    return millivolts / 1000.0


def thermocouple_k_celsius(volts: float, cold_junction_celsius: float) -> float:
    """Temperature at the tip of a type K thermocouple.

    Parameters
    ----------
    volts : float
        Between its two ends.
    cold_junction_celsius : float
        Temperature of these ends. Its voltage is added, not its temperature: the curve is bent.

    Raises
    ------
    ValueError
        If the tip were outside -200 to 1372 degC, or the cold junction outside -40 to 125 degC.
    """
    _refuse_outside(cold_junction_celsius, (-40.0, 125.0), "degC", "a cold junction")
    from_zero = volts + thermocouple_k_volts(cold_junction_celsius)
    low, high = (thermocouple_k_volts(end) for end in K_CELSIUS)
    _refuse_outside(1000.0 * from_zero, (1000.0 * low, 1000.0 * high), "mV against 0 degC", "a thermocouple K")
    return _inverse(thermocouple_k_volts, from_zero, *K_CELSIUS)


def ntc_beta_celsius(ohm: float, r25_ohm: float, beta_k: float) -> float:
    """Temperature of an NTC thermistor by its two-point equation, R = R25 exp(B (1/T - 1/298.15 K)).

    Raises
    ------
    ValueError
        Outside -60 to 300 degC: broken, shorted, or another thermistor.
    """
    _refuse_no_resistance(ohm)
    nominal_k = NTC_NOMINAL_CELSIUS + KELVIN_AT_0_CELSIUS
    return _thermistor(1.0 / nominal_k + math.log(ohm / r25_ohm) / beta_k, ohm)


def ntc_steinhart_hart_celsius(ohm: float, a: float, b: float, c: float) -> float:
    """Temperature of an NTC thermistor, 1/T = a + b ln R + c (ln R)^3 (Steinhart and Hart, Deep-Sea Research 15, 1968).

    Parameters
    ----------
    ohm : float
        Resistance.
    a, b, c : float
        In 1/K, for R in ohm.

    Raises
    ------
    ValueError
        Outside -60 to 300 degC: broken, shorted, or another thermistor.
    """
    _refuse_no_resistance(ohm)
    return _thermistor(a + b * math.log(ohm) + c * math.log(ohm) ** 3, ohm)


def _thermistor(per_kelvin: float, ohm: float) -> float:
    low, high = NTC_CELSIUS
    celsius = 1.0 / per_kelvin - KELVIN_AT_0_CELSIUS if per_kelvin > 0 else math.inf
    if not low <= celsius <= high:
        raise ValueError(
            f"found {ohm:g} ohm, which this NTC has at no temperature from {low:g} to {high:g} degC: "
            "broken, shorted, or another thermistor"
        )
    return celsius


def _refuse_no_resistance(ohm: float) -> None:
    if not 0 < ohm < math.inf:
        raise ValueError(f"found {ohm:g} ohm; allowed: more than 0, and finite")


def _refuse_outside(value: float, allowed: tuple[float, float], unit: str, of: str) -> None:
    low, high = allowed
    if not low <= value <= high:
        raise ValueError(f"found {value:.6g} {unit}; allowed for {of}: {low:.6g} to {high:.6g} {unit}")


def _inverse(curve: Callable[[float], float], value: float, low: float, high: float) -> float:
    return float(scipy.optimize.brentq(lambda celsius: curve(celsius) - value, low, high, xtol=1e-9))
