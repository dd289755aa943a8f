"""The kinds of faults: what each changes in the simulated unit, or in the bench it stands on."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

from rig.circuit.box import without_damping
from rig.circuit.channel import Branch, Channel, find_driver, find_part, with_driver, with_part
from rig.circuit.parts import State
from rig.signals.levels import amplitude_ratio
from rig.simulated.bench_kinds import BENCH_KINDS
from rig.simulated.heat_faults import HEAT_KINDS
from rig.simulated.noises import Noise, NoiseKind, resonance_hz
from rig.simulated.unit import Output, Unit

Target = Literal[
    "channel", "two channels", "driver", "two drivers", "part", "two parts", "coil", "pad", "box", "port", "filter"
]


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong."""

    kind: str
    #: Empty for a fault of the bench.
    channel: str = ""
    #: Names of drivers, parts or the other channel; the role of an instrument.
    what: tuple[str, ...] = ()
    amount: float = 0.0
    #: A fault of the bench that strikes the first attempt at a request only.
    once: bool = False

    def __str__(self) -> str:
        name = ":".join([self.kind + ("-once" if self.once else ""), *filter(None, [self.channel]), *self.what])
        amount = (UNIT_KINDS | BENCH_KINDS | HEAT_KINDS)[self.kind].amount
        return name if amount is None else f"{name}={self.amount:g}"


@dataclass(frozen=True)
class UnitKind:
    """A kind of fault of the unit."""

    #: With {channel}, {a}, {b}, {amount} and {it} (the channel and what follows it) to fill in.
    words: str
    targets: tuple[Target, ...]
    change: Callable[[Unit, Fault], Unit]
    #: What it is without an amount of its own; None: it takes none.
    amount: float | None = None


def _on_box(change: Callable[[Channel, Fault], Channel]) -> Callable[[Unit, Fault], Unit]:
    return lambda unit, fault: unit.with_box(fault.channel, lambda box: change(box, fault))


def _on_output(change: Callable[[Output, Fault], Output]) -> Callable[[Unit, Fault], Unit]:
    return lambda unit, fault: unit.with_output(fault.channel, lambda output: change(output, fault))


def _reversed(unit: Unit, fault: Fault) -> Unit:
    if not fault.what:
        return unit.with_output(fault.channel, lambda output: replace(output, gain=-output.gain))
    name = fault.what[0]
    return unit.with_box(fault.channel, lambda box: with_driver(box, name, polarity=-find_driver(box, name).polarity))


def _swapped(unit: Unit, fault: Fault) -> Unit:
    one, other = unit.output(fault.channel), unit.output(fault.what[0])
    swapped = unit.with_output(one.name, lambda output: replace(output, box=other.box))
    return swapped.with_output(other.name, lambda output: replace(output, box=one.box))


def _in_state(state: State) -> Callable[[Channel, Fault], Channel]:
    def change(box: Channel, fault: Fault) -> Channel:
        name = fault.what[0]
        if any(driver.name == name for driver in box.drivers):
            return with_driver(box, name, state=state)
        return with_part(box, name, state=state)

    return change


def _value_times(box: Channel, fault: Fault, factor: float) -> Channel:
    part = find_part(box, fault.what[0])
    return with_part(box, part.name, value=part.value * factor)


def _parts_exchanged(box: Channel, fault: Fault) -> Channel:
    a, b = (find_part(box, name) for name in fault.what)
    exchanged = with_part(box, a.name, value=b.value, series_ohm=b.series_ohm)
    return with_part(exchanged, b.name, value=a.value, series_ohm=a.series_ohm)


def _thin_wire(box: Channel, fault: Fault) -> Channel:
    part = find_part(box, fault.what[0])
    return with_part(box, part.name, series_ohm=part.series_ohm + fault.amount)


def _pad_turned(box: Channel, fault: Fault) -> Channel:
    def turned(branch: Branch) -> Branch:
        elements = list(branch.elements)
        at = [i for i, element in enumerate(elements) if {part.name for part in element.parts()} <= set(fault.what)]
        if at:
            elements[at[0]], elements[at[1]] = elements[at[1]], elements[at[0]]
        return replace(branch, elements=tuple(elements))

    return replace(box, branches=tuple(map(turned, box.branches)))


def _drivers_exchanged(box: Channel, fault: Fault) -> Channel:
    a, b = (find_driver(box, name) for name in fault.what)
    other = {a.name: b, b.name: a}
    return replace(box, branches=tuple(replace(x, driver=other.get(x.driver.name, x.driver)) for x in box.branches))


def _driver_times(box: Channel, fault: Fault, **factors: float) -> Channel:
    driver = find_driver(box, fault.what[0])
    return with_driver(box, driver.name, **{name: getattr(driver, name) * by for name, by in factors.items()})


def _shorted_turns(box: Channel, fault: Fault) -> Channel:
    by = 1 - fault.amount / 100
    # Resistance goes with the turns, inductance and Bl squared with their square: Qes, as Re / Bl**2, rises.
    return _driver_times(box, fault, re_ohm=by, le_h=by**2, qes=1 / by)


def _stiff(box: Channel, fault: Fault) -> Channel:
    by = 1 + fault.amount / 100
    # The suspension is stiffer and the mass the same: the resistances then weigh less, and the qualities rise.
    return _driver_times(box, fault, fs_hz=by, vas_m3=by**-2, qms=by, qes=by)


def _box_with(box: Channel, **changes: float | str) -> Channel:
    return replace(box, box=replace(box.box, **changes))  # type: ignore[arg-type]


def _leaking(box: Channel, fault: Fault) -> Channel:
    if box.box.kind == "vented":
        return _box_with(box, leakage_q=fault.amount)
    # A closed box has no tuning to state its losses at; a leak tells where driver and air are in resonance.
    return _box_with(box, leakage_q=fault.amount, tuning_hz=resonance_hz(box))


def _sounding(kind: NoiseKind) -> Callable[[Unit, Fault], Unit]:
    return lambda unit, fault: replace(unit, noises=(*unit.noises, Noise(kind, fault.channel, fault.amount)))


def _corner_times(output: Output, factor: float) -> Output:
    return replace(output, filter=output.filter and replace(output.filter, hz=output.filter.hz * factor))


def _gain_times(output: Output, gain_db: float) -> Output:
    return replace(output, gain=output.gain * float(amplitude_ratio(gain_db)))


UNIT_KINDS: dict[str, UnitKind] = {
    "reversed": UnitKind("{it} is connected the wrong way round", ("channel", "driver"), _reversed),
    "swapped": UnitKind("the leads of {channel} and {a} are swapped at the amplifier", ("two channels",), _swapped),
    "dead": UnitKind("{it} is open: burnt out, or its lead is off", ("driver",), _on_box(_in_state("open"))),
    "open": UnitKind("{it} is missing, or a joint is cold", ("part",), _on_box(_in_state("open"))),
    "short": UnitKind("{it} is short or bridged", ("part", "driver"), _on_box(_in_state("short"))),
    "tenth": UnitKind(
        "{it} has a tenth of its value", ("part",), _on_box(lambda box, fault: _value_times(box, fault, 0.1))
    ),
    "tenfold": UnitKind(
        "{it} has ten times its value", ("part",), _on_box(lambda box, fault: _value_times(box, fault, 10.0))
    ),
    "off": UnitKind(
        "{it} is {amount} % off its value",
        ("part",),
        _on_box(lambda box, fault: _value_times(box, fault, 1 + fault.amount / 100)),
        20.0,
    ),
    "exchanged": UnitKind("{a} and {b} of {channel} have changed places", ("two parts",), _on_box(_parts_exchanged)),
    "reversed-pad": UnitKind(
        "the attenuator {a}, {b} of {channel} is wired back to front", ("pad",), _on_box(_pad_turned)
    ),
    "thin-wire": UnitKind("{it} has {amount} ohm too much", ("coil",), _on_box(_thin_wire), 0.5),
    "driver-leads-swapped": UnitKind(
        "{a} and {b} of {channel} are on each other's leads", ("two drivers",), _on_box(_drivers_exchanged)
    ),
    "wrong-impedance": UnitKind(
        "{it} is the version of {amount} times the impedance",
        ("driver",),
        _on_box(lambda box, fault: _driver_times(box, fault, re_ohm=fault.amount, le_h=fault.amount)),
        2.0,
    ),
    "shorted-turns": UnitKind(
        "turns of the coil of {it} are short: {amount} % of its resistance are gone",
        ("driver",),
        _on_box(_shorted_turns),
        30.0,
    ),
    "weak": UnitKind(
        "the magnet of {it} is weak: {amount} dB less force for a current",
        ("driver",),
        _on_box(lambda box, fault: _driver_times(box, fault, qes=10 ** (fault.amount / 10))),
        3.0,
    ),
    "stiff": UnitKind("the resonance of {it} is {amount} % too high", ("driver",), _on_box(_stiff), 20.0),
    "leak": UnitKind(
        "the box of {channel} leaks: at its resonance its losses have a Q of {amount}",
        ("box",),
        _on_box(_leaking),
        2.0,
    ),
    "undamped": UnitKind(
        "the damping in the box of {channel} is missing: its losses have {amount} times their Q",
        ("box",),
        _on_box(lambda box, fault: replace(box, box=without_damping(box.box, fault.amount))),
        2.0,
    ),
    "blocked-port": UnitKind(
        "the port of {channel} is blocked", ("port",), _on_box(lambda box, _: _box_with(box, kind="closed"))
    ),
    "tuning": UnitKind(
        "the port of {channel} is tuned {amount} % too high",
        ("port",),
        _on_box(lambda box, fault: _box_with(box, tuning_hz=box.box.tuning_hz * (1 + fault.amount / 100))),  # type: ignore[arg-type]
        8.0,
    ),
    "quiet": UnitKind(
        "the amplifier plays {channel} {amount} dB too quietly",
        ("channel",),
        _on_output(lambda output, fault: _gain_times(output, -fault.amount)),
        6.0,
    ),
    "silent": UnitKind(
        "the amplifier does not play {channel}", ("channel",), _on_output(lambda output, _: replace(output, gain=0.0))
    ),
    "humming": UnitKind(
        "the amplifier gives {amount} mV of mains hum at {channel}",
        ("channel",),
        _on_output(lambda output, fault: replace(output, hum_v=fault.amount / 1000)),
        30.0,
    ),
    "hissing": UnitKind(
        "the amplifier gives {amount} mV of hiss at {channel}",
        ("channel",),
        _on_output(lambda output, fault: replace(output, hiss_v=fault.amount / 1000)),
        20.0,
    ),
    "corner": UnitKind(
        "the electronic filter of {channel} has {amount} times its frequency",
        ("filter",),
        _on_output(lambda output, fault: _corner_times(output, fault.amount)),
        1.5,
    ),
    "no-filter": UnitKind(
        "the electronic filter of {channel} is bypassed",
        ("filter",),
        _on_output(lambda output, _: replace(output, filter=None)),
    ),
    "rub": UnitKind(
        "a coil of {channel} rubs: a click a cycle, {amount} dB over the fundamental where the cone is in resonance",
        ("channel",),
        _sounding("rub"),
        -40.0,
    ),
    "buzz": UnitKind(
        "a wire or a panel of {channel} rattles near one frequency: clicks, {amount} dB over the fundamental",
        ("channel",),
        _sounding("buzz"),
        -40.0,
    ),
    "particle": UnitKind(
        "a loose particle in {channel} is thrown about: clicks, up to {amount} dB over the fundamental",
        ("channel",),
        _sounding("particle"),
        -35.0,
    ),
    "blowing": UnitKind(
        "air blows out of {channel} at low frequencies: noise, {amount} dB over the fundamental where it is loudest",
        ("box",),
        _sounding("blowing"),
        -40.0,
    ),
    "bent": UnitKind(
        "{channel} distorts: {amount} % of second and of third harmonic at all levels",
        ("channel",),
        _sounding("bent"),
        3.0,
    ),
}
