"""The thermal network of a simulated unit: amplifier chip, heat sink, case; coil, magnet, and air of each box.

Each place holds heat and passes it on to its neighbours and to the air of the room, all in proportion. Over a step the
power is constant, so each of the network's modes moves by an exponential and the step is exact at any length; only that
a warm coil takes less power from the same voltage is taken from the step's beginning.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from rig.design.kit import Kit
from rig.simulated.chance import generator
from rig.simulated.fault_kinds import Fault

Floats = NDArray[np.float64]

#: Of copper's resistance at 20 degrees Celsius, per kelvin.
COPPER_PER_K = 0.00393
COLD_CELSIUS = 20.0
#: What the designer's heat sink is chosen for.
DESIGN_RISE_K = 32.0
#: Cones below this are tweeters' domes: coils of a second.
SMALL_CM2 = 15.0
#: Spread of each thermal resistance and time constant from unit to unit, as a standard deviation.
SPREAD = 0.08


@dataclass(frozen=True)
class Coil:
    """A voice coil as a heater."""

    channel: str
    driver: str
    #: Place in the network's arrays.
    node: int


@dataclass(frozen=True, eq=False)
class ThermalUnit:
    """One copy of a kit as it warms up; n places."""

    places: tuple[str, ...]
    #: Heat that a place holds, J/K, shape (n,).
    capacity: Floats
    #: Between places, and on the diagonal what leaves in all, W/K, shape (n, n).
    conductance: Floats
    #: To the air of the room, W/K, shape (n,).
    to_ambient: Floats
    coils: tuple[Coil, ...]
    #: Main driver of each channel: the one whose coil a measurement at low frequencies sees.
    main: Mapping[str, str]

    def place(self, name: str) -> int:
        """Index of a place; "coil left" and "magnet left" are those of the channel's main driver.

        Raises
        ------
        ValueError
            If the unit has no such place; the message lists what there is.
        """
        what, _, channel = name.partition(" ")
        full = f"{name} {self.main[channel]}" if what in ("coil", "magnet") and channel in self.main else name
        if full not in self.places:
            raise ValueError(f"no temperature of {name!r} in the simulated unit; there are {', '.join(self.places)}")
        return self.places.index(full)

    @cached_property
    def coil_nodes(self) -> list[int]:
        """Places of the coils, in their order."""
        return [coil.node for coil in self.coils]

    @cached_property
    def resistance(self) -> Floats:
        """Rise of every place for a watt in every place, K/W, shape (n, n)."""
        return np.asarray(np.linalg.inv(self.conductance), np.float64)

    @cached_property
    def modes(self) -> tuple[Floats, Floats, Floats]:
        """Decay rates (n,), and what turns temperatures into modes and back, both (n, n)."""
        root = np.sqrt(self.capacity)
        rates, vectors = np.linalg.eigh(self.conductance / np.outer(root, root))
        return rates, vectors.T * root, vectors / root[:, None]


def step(
    thermal: ThermalUnit, celsius: Floats, watt_cold: Floats, seconds: float, ambient_celsius: float = COLD_CELSIUS
) -> Floats:
    """Temperatures of all places a while later, shape (n,).

    Parameters
    ----------
    thermal : ThermalUnit
    celsius : array of shape (n,)
    watt_cold : array of shape (n,)
        Power in each place; that of coils as they would take it at 20 degrees.
    seconds : float
    ambient_celsius : float
    """
    rates, into, back = thermal.modes
    settled = _settled(thermal, watt_at(thermal, celsius, watt_cold), ambient_celsius)
    return np.asarray(settled + back @ (np.exp(-rates * seconds) * (into @ (celsius - settled))))


def steady_state(thermal: ThermalUnit, watt_cold: Floats, ambient_celsius: float = COLD_CELSIUS) -> Floats:
    """Temperatures of all places in the end, shape (n,); power as in `step`."""
    celsius = np.full(len(thermal.places), ambient_celsius)
    for _ in range(60):
        celsius = _settled(thermal, watt_at(thermal, celsius, watt_cold), ambient_celsius)
    return celsius


def watt_at(thermal: ThermalUnit, celsius: Floats, watt_cold: Floats) -> Floats:
    """Power in each place when the coils have their temperatures, shape (n,): V**2 / R of a warm coil is less."""
    watt = watt_cold.copy()
    watt[thermal.coil_nodes] /= copper_ratio(celsius[thermal.coil_nodes])
    return watt


def copper_ratio(celsius: Floats) -> Floats:
    """Resistance of copper over that at 20 degrees."""
    return np.asarray(1 + COPPER_PER_K * (celsius - COLD_CELSIUS))


def _settled(thermal: ThermalUnit, watt: Floats, ambient_celsius: float) -> Floats:
    return np.asarray(thermal.resistance @ (watt + thermal.to_ambient * ambient_celsius))


class _Network:
    """Places and the ways of heat between them, while they are put together."""

    def __init__(self, random: np.random.Generator) -> None:
        self._random = random
        self._between: list[tuple[str, str, float]] = []
        self._out: dict[str, float] = {}
        self._capacity: dict[str, float] = {}

    def add(self, place: str, tau_s: float, ways: Mapping[str, float], factor: float = 1.0) -> None:
        """A place with its time constant and the resistances (K/W) from it; `factor` on all conductances is a fault.

        The time constant is that of the place alone with its neighbours held: what it is in the unit follows.
        """
        drawn = {to: k_per_w * self._spread() for to, k_per_w in ways.items()}
        self._capacity[place] = tau_s * self._spread() * sum(1 / k_per_w for k_per_w in drawn.values())
        for to, k_per_w in drawn.items():
            if to == "ambient":
                self._out[place] = factor / k_per_w
            else:
                self._between.append((place, to, factor / k_per_w))

    def _spread(self) -> float:
        return float(np.exp(self._random.normal(0, SPREAD)))

    def unit(self, coils: Sequence[tuple[str, str]], main: Mapping[str, str]) -> ThermalUnit:
        """All of it."""
        places = tuple(self._capacity)
        at = {name: n for n, name in enumerate(places)}
        out = np.array([self._out.get(name, 0.0) for name in places])
        conductance = np.diag(out)
        for a, b, w_per_k in self._between:
            i, j = at[a], at[b]
            conductance[[i, j], [i, j]] += w_per_k
            conductance[[i, j], [j, i]] -= w_per_k
        heaters = tuple(Coil(channel, driver, at[f"coil {channel} {driver}"]) for channel, driver in coils)
        return ThermalUnit(places, np.array(list(self._capacity.values())), conductance, out, heaters, main)


def thermal_unit(kit: Kit, serial: str, faults: Sequence[Fault] = (), design_w: float = 4.0) -> ThermalUnit:
    """The thermal network of this serial number, each value drawn, with its faults.

    Parameters
    ----------
    kit : Kit
    serial : str
    faults : sequence of Fault
    design_w : float
        Power in the chip that the designer's heat sink is chosen for, to rise by `DESIGN_RISE_K`.
    """
    network = _Network(generator("heat", kit.name, serial))
    bond = math.prod(fault.amount / 100 for fault in faults if fault.kind == "unbonded")
    network.add("chip", 4.0, {"heat sink": 1.5}, bond)
    # What goes through the board, past the heat sink.
    network.add("heat sink", 1000.0, {"ambient": 1.8 * DESIGN_RISE_K / design_w, "case": 4 * DESIGN_RISE_K / design_w})
    network.add("case", 600.0, {"ambient": 4.0, "chip": 80 / design_w})
    coils, main = [], {}
    for spec in kit.channels:
        left = math.prod(f.amount / 100 for f in faults if f.kind == "covered" and f.channel == spec.name)
        boxed = spec.box.volume_l is not None
        if boxed:
            network.add(f"box {spec.name}", 2000.0, {"ambient": 3.0 * (7.5 / (spec.box.volume_l or 7.5)) ** 0.5}, left)
        for driver in spec.drivers:
            small = driver.sd_cm2 < SMALL_CM2
            size = (driver.sd_cm2 / 86) ** -0.35
            coil, magnet = f"coil {spec.name} {driver.name}", f"magnet {spec.name} {driver.name}"
            network.add(coil, 1.2 if small else 5.0 / size, {magnet: 16.0 * size})
            inside = {f"box {spec.name}": 14.0 * size} if boxed and driver.in_box else {}
            network.add(magnet, 600.0 if small else 900.0 / size, {"ambient": 22.0 * min(size, 1.5), **inside})
            coils.append((spec.name, driver.name))
        main[spec.name] = min(spec.drivers, key=lambda driver: driver.band_hz[0]).name
    return network.unit(coils, main)
