"""The thermal network of a simulated unit: amplifier chip, heat sink, air round them, case; coil, magnet, air of a box.

The amplifier board sits in a compartment of one of the boxes: heat goes from the sink to the air there, and from that
air to the room through a vent and, the lesser part, through the walls.

Each place holds heat and passes it on to its neighbours and to the air of the room, all in proportion. Over a step the
power is constant, so each of the network's modes moves by an exponential and the step is exact at any length; only that
a warm coil takes less power from the same voltage is taken from the step's beginning.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from rig.design.fault_names import Fault
from rig.design.kit import Kit
from rig.signals.arrays import Floats
from rig.simulated.chance import generator

#: Of copper's resistance at 20 degrees Celsius, per kelvin; from memory.
COPPER_PER_K = 0.00393
COLD_CELSIUS = 20.0
#: What the designer's heat sink is chosen for; so much of it is the air's round it; so much of the heat is the sink's;
#: made up.
DESIGN_RISE_K, AIR_RISE_K, SINK_PART = 32.0, 5.0, 0.7
#: Vent of the board's compartment (12 cm wide, 10 high, 8 deep, behind the back of the box): slots at its bottom and
#: top, each so large for a watt, and so far apart (common practice, no source).
VENT_M2_PER_W, VENT_HEIGHT_M = 15e-4, 0.08
#: Walls of that compartment: all of them, the back that is towards the room, the rest towards the inside of the box;
#: made up.
WALLS_M2, BACK_M2 = 0.06, 0.012
#: Resistances for a square metre: natural convection with radiation at a wall (7 W/(m2 K), within 5 to 10), half of
#: 6 mm of wood (0.12 W/(m K)), 25 mm of wool (0.04 W/(m K)) (common practice, no source).
CONVECTION_M2_K_PER_W, HALF_WALL_M2_K_PER_W, WOOL_M2_K_PER_W = 1 / 7, 0.025, 0.6
#: Cones below this are tweeters' domes: coils of a second; made up.
SMALL_CM2 = 15.0
#: Spread of each thermal resistance and time constant from unit to unit, as a standard deviation; made up.
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
    _add_amplifier(network, faults, design_w)
    coils, main = [], {}
    for spec in kit.channels:
        boxed = spec.box.volume_l is not None
        if boxed:
            network.add(f"box {spec.name}", 2000.0, {"ambient": 3.0 * (7.5 / (spec.box.volume_l or 7.5)) ** 0.5})
        for driver in spec.drivers:
            cone_cm2 = 1e4 * driver.priors()["sd_m2"].value
            small, size = cone_cm2 < SMALL_CM2, (cone_cm2 / 86) ** -0.35
            coil, magnet = f"coil {spec.name} {driver.name}", f"magnet {spec.name} {driver.name}"
            network.add(coil, 1.2 if small else 5.0 / size, {magnet: 16.0 * size})
            inside = {f"box {spec.name}": 14.0 * size} if boxed and driver.in_box else {}
            network.add(magnet, 600.0 if small else 900.0 / size, {"ambient": 22.0 * min(size, 1.5), **inside})
            coils.append((spec.name, driver.name))
        main[spec.name] = min(spec.drivers, key=lambda driver: driver.band_hz[0]).name
    return network.unit(coils, main)


def _add_amplifier(network: _Network, faults: Sequence[Fault], design_w: float) -> None:
    """The board in its compartment: chip, heat sink, air, and the walls (the case)."""
    bond, opening = (
        math.prod(fault.amount / 100 for fault in faults if fault.kind == kind) for kind in ("unbonded", "covered")
    )
    network.add("chip", 4.0, {"heat sink": 1.5}, bond)
    network.add("heat sink", 1000.0, {"amplifier air": (DESIGN_RISE_K - AIR_RISE_K) / (SINK_PART * design_w)})
    # Air of a litre and a half holds next to nothing.
    network.add("amplifier air", 3.0, {"ambient": vent_k_per_w(design_w)}, opening)
    back_w_per_k = BACK_M2 / (HALF_WALL_M2_K_PER_W + CONVECTION_M2_K_PER_W)
    # The air in the box, and its walls, are next to nothing beside the wool.
    rest_w_per_k = (WALLS_M2 - BACK_M2) / (HALF_WALL_M2_K_PER_W + WOOL_M2_K_PER_W + CONVECTION_M2_K_PER_W)
    outward = {"ambient": 1 / (back_w_per_k + rest_w_per_k), "amplifier air": CONVECTION_M2_K_PER_W / WALLS_M2}
    # What goes through the board, past the heat sink, reaches the wall that it is screwed to: 430 J/K of wood.
    network.add("case", 750.0, {**outward, "chip": 80 / design_w})


def vent_k_per_w(design_w: float) -> float:
    """Thermal resistance of the open vent, taken as it is at `AIR_RISE_K`.

    The flow through two equal openings at heights that differ by H is Cd A sqrt(g H dT / T): the stack effect with the
    neutral plane half way (textbooks of ventilation; from memory). Cd of a sharp edge is 0.6; air holds 1200 J/(m3 K).
    """
    metres_per_second = 0.6 * math.sqrt(9.81 * VENT_HEIGHT_M * AIR_RISE_K / 300)
    return 1 / (1200 * metres_per_second * VENT_M2_PER_W * design_w)
