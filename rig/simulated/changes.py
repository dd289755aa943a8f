"""What each fault does to the elements of a simulated unit, or to the equipment of its bench.

What faults are called and where they may sit stands in `rig.design.fault_kinds`.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from rig.circuit.box import DAMPED_VOLUME
from rig.circuit.channel import Tone
from rig.circuit.parts import State
from rig.design.fault_names import Fault
from rig.signals.levels import amplitude_ratio
from rig.simulated.elements import Speaker
from rig.simulated.equipment import Equipment
from rig.simulated.nodal import GROUND
from rig.simulated.noises import Noise, NoiseKind, resonance_hz
from rig.simulated.unit import Output, Unit

ChangeOfBox = Callable[[Speaker, Fault], Speaker]
ChangeOfUnit = Callable[[Unit, Fault], Unit]


def unit_with(faults: Sequence[Fault], unit: Unit) -> Unit:
    """The unit with its faults, in the order given; those of the bench are passed over."""
    for fault in faults:
        if fault.kind in UNIT_CHANGES:
            unit = UNIT_CHANGES[fault.kind](unit, fault)
    return unit


def equipment_with(faults: Sequence[Fault], equipment: Equipment, attempt: int) -> Equipment:
    """The equipment with its faults at this attempt; those of the unit are passed over."""
    for fault in faults:
        if fault.kind in BENCH_CHANGES and not (fault.once and attempt > 1):
            equipment = BENCH_CHANGES[fault.kind](equipment, fault.amount)
    return equipment


def _box(change: ChangeOfBox) -> ChangeOfUnit:
    return lambda unit, fault: unit.with_box(fault.channel, lambda box: change(box, fault))


def _output(change: Callable[[Output, Fault], Output]) -> ChangeOfUnit:
    return lambda unit, fault: unit.with_output(fault.channel, lambda output: change(output, fault))


def _sounding(kind: NoiseKind) -> ChangeOfUnit:
    return lambda unit, fault: replace(unit, noises=(*unit.noises, Noise(kind, fault.channel, fault.amount)))


def _reverse(unit: Unit, fault: Fault) -> Unit:
    if not fault.what:
        return unit.with_output(fault.channel, lambda output: replace(output, gain=-output.gain))
    force_factor = -unit.box(fault.channel).coil(fault.what[0]).force_factor
    return unit.with_box(fault.channel, lambda box: box.with_coil(fault.what[0], force_factor=force_factor))


def _swap_channels(unit: Unit, fault: Fault) -> Unit:
    one, other = unit.output(fault.channel), unit.output(fault.what[0])
    swapped = unit.with_output(one.name, lambda output: replace(output, box=other.box))
    return swapped.with_output(other.name, lambda output: replace(output, box=one.box))


def _break(state: State) -> ChangeOfBox:
    def change(box: Speaker, fault: Fault) -> Speaker:
        name = fault.what[0]
        return box.with_part(name, state=state) if name in box.parts else box.with_coil(name, state=state)

    return change


def _multiply_value(box: Speaker, name: str, factor: float) -> Speaker:
    return box.with_part(name, value=box.parts[name].value * factor)


def _exchange_parts(box: Speaker, fault: Fault) -> Speaker:
    a, b = (box.parts[name] for name in fault.what)
    parts = {a.name: replace(b, name=a.name), b.name: replace(a, name=b.name)}
    chains = (replace(chain, parts=tuple(parts.get(part.name, part) for part in chain.parts)) for chain in box.chains)
    return replace(box, chains=tuple(chains))


def _turn_pad(box: Speaker, fault: Fault) -> Speaker:
    """Connect the resistor across to the other end of the one in series."""
    one, other = (next(c for c in box.chains if name in {part.name for part in c.parts}) for name in fault.what)
    across, series = (one, other) if one.b == GROUND else (other, one)
    moved = replace(across, a=series.b if across.a == series.a else series.a)
    return replace(box, chains=tuple(moved if chain is across else chain for chain in box.chains))


def _swap_driver_leads(box: Speaker, fault: Fault) -> Speaker:
    a, b = (box.coil(name) for name in fault.what)
    return box.with_coil(a.name, node=b.node).with_coil(b.name, node=a.node)


def _multiply_coil(box: Speaker, fault: Fault, **factors: float) -> Speaker:
    coil = box.coil(fault.what[0])
    return box.with_coil(coil.name, **{name: getattr(coil, name) * factor for name, factor in factors.items()})


def _rewind(box: Speaker, fault: Fault, ohms: float) -> Speaker:
    """So many times the ohms in the same room: the force for an ampere goes with the root of the copper's length."""
    return _multiply_coil(box, fault, re_ohm=ohms, le_h=ohms, force_factor=ohms**0.5)


def _short_turns(box: Speaker, fault: Fault) -> Speaker:
    left = 1 - fault.amount / 100
    return _multiply_coil(box, fault, re_ohm=left, force_factor=left, le_h=left**2)


def _leak(box: Speaker, fault: Fault) -> Speaker:
    """Let so much air out that the losses have a Q of the amount: at the port's resonance, or the cone's."""
    if not box.air:
        return box
    port, compliance = box.air.port_mass, box.air.compliance
    omega = (port * compliance) ** -0.5 if port else 2 * np.pi * resonance_hz(box)
    return box.with_air(leak=omega * compliance / fault.amount)


def _take_damping_out(box: Speaker, fault: Fault) -> Speaker:
    if not box.air:
        return box
    return box.with_air(compliance=box.air.compliance / DAMPED_VOLUME, leak=box.air.leak / fault.amount)


def _tune(box: Speaker, fault: Fault) -> Speaker:
    if not box.air or box.air.port_mass is None:
        return box
    return box.with_air(port_mass=box.air.port_mass / (1 + fault.amount / 100) ** 2)


def _amplify(output: Output, gain_db: float) -> Output:
    return replace(output, gain=output.gain * _ratio(gain_db))


def _move_corner(output: Output, fault: Fault) -> Output:
    return replace(output, filter=output.filter and replace(output.filter, hz=output.filter.hz * fault.amount))


UNIT_CHANGES: dict[str, ChangeOfUnit] = {
    "reversed": _reverse,
    "swapped": _swap_channels,
    "dead": _box(_break("open")),
    "open": _box(_break("open")),
    "short": _box(_break("short")),
    "tenth": _box(lambda box, fault: _multiply_value(box, fault.what[0], 0.1)),
    "tenfold": _box(lambda box, fault: _multiply_value(box, fault.what[0], 10.0)),
    "off": _box(lambda box, fault: _multiply_value(box, fault.what[0], 1 + fault.amount / 100)),
    "exchanged": _box(_exchange_parts),
    "reversed-pad": _box(_turn_pad),
    "thin-wire": _box(
        lambda box, fault: box.with_part(fault.what[0], series_ohm=box.parts[fault.what[0]].series_ohm + fault.amount)
    ),
    "driver-leads-swapped": _box(_swap_driver_leads),
    "wrong-impedance": _box(lambda box, fault: _rewind(box, fault, fault.amount)),
    "shorted-turns": _box(_short_turns),
    "weak": _box(lambda box, fault: _multiply_coil(box, fault, force_factor=_ratio(-fault.amount))),
    "stiff": _box(lambda box, fault: _multiply_coil(box, fault, compliance_m_n=(1 + fault.amount / 100) ** -2)),
    "leak": _box(_leak),
    "undamped": _box(_take_damping_out),
    "blocked-port": _box(lambda box, _: box.with_air(port_mass=None)),
    "tuning": _box(_tune),
    "beaming": _box(lambda box, fault: _multiply_coil(box, fault, beams_as=fault.amount)),
    "toned": _output(
        lambda output, fault: replace(output, tone=(*output.tone, Tone("low-shelf", 150.0, fault.amount)))
    ),
    "late": _output(lambda output, fault: replace(output, late_s=fault.amount / 1000)),
    "quiet": _output(lambda output, fault: _amplify(output, -fault.amount)),
    "silent": _output(lambda output, _: replace(output, gain=0.0)),
    "humming": _output(lambda output, fault: replace(output, hum_v=fault.amount / 1000)),
    "hissing": _output(lambda output, fault: replace(output, hiss_v=fault.amount / 1000)),
    "corner": _output(_move_corner),
    "no-filter": _output(lambda output, _: replace(output, filter=None)),
    "rub": _sounding("rub"),
    "buzz": _sounding("buzz"),
    "particle": _sounding("particle"),
    "blowing": _sounding("blowing"),
    "bent": _sounding("bent"),
}


def _ratio(level_db: float) -> float:
    return float(amplitude_ratio(level_db))


BENCH_CHANGES: dict[str, Callable[[Equipment, float], Equipment]] = {
    "dropped-samples": lambda e, n: replace(e, lost_samples=int(n)),
    "inserted-samples": lambda e, n: replace(e, lost_samples=-int(n)),
    "second-clock": lambda e, ppm: replace(e, clock_ppm=ppm),
    "clipping": lambda e, db: replace(e, overload_db=db),
    "dead-microphone": lambda e, _: replace(e, microphone_gain=0.0),
    "turned-knob": lambda e, db: replace(e, microphone_gain=e.microphone_gain * _ratio(db)),
    "inverted-microphone": lambda e, _: replace(e, microphone_gain=-e.microphone_gain),
    "far-microphone": lambda e, mm: replace(e, microphone_shift_m=mm / 1000),
    "turned-microphone": lambda e, degrees: replace(e, microphone_turn_deg=degrees),
    "exchanged-places": lambda e, _: replace(e, places_exchanged=True),
    "loud-room": lambda e, db: replace(e, room=replace(e.room, ambient_db=db)),
    "knock": lambda e, pa: replace(e, knock_pa=pa),
    # Sounds beside the bench change nothing of the equipment: `noises.OUTSIDE` makes them.
    "door": lambda e, _: e,
    "speech": lambda e, _: e,
    "hum": lambda e, db: replace(e, hum=_ratio(-db)),
    "microphone-hum": lambda e, db: replace(e, microphone_hum=_ratio(-db)),
    "warm-room": lambda e, degrees: replace(e, air_celsius=e.air_celsius + degrees),
    "clips-off": lambda e, _: replace(e, clips_off=True),
    "dead-sense": lambda e, _: replace(e, sense_gain=0.0),
    "dead-loopback": lambda e, _: replace(e, loopback_gain=0.0),
    "exchanged-inputs": lambda e, _: replace(e, inputs_exchanged=True),
    "resistor-left-in": lambda e, _: replace(e, resistor_left_in=True),
    "muted": lambda e, _: replace(e, output_muted=True),
    "turned-output": lambda e, db: replace(e, output_gain=e.output_gain * _ratio(db)),
    "turned-loopback": lambda e, db: replace(e, loopback_gain=e.loopback_gain * _ratio(db)),
    "turned-sense": lambda e, db: replace(e, sense_gain=e.sense_gain * _ratio(db)),
    "dead-drive": lambda e, _: replace(e, drive_gain=0.0),
    "wrong-sense-resistor": lambda e, ohm: replace(e, sense_ohm=ohm),
    "exchanged-outputs": lambda e, _: replace(e, outputs_exchanged=True),
    "other-sound": lambda e, mv: replace(e, other_sound_v=mv / 1000),
    "automatic-gain": lambda e, db: replace(e, automatic_gain_db=db),
    "noise-suppression": lambda e, db: replace(e, suppressed_db=db),
    "resampled": lambda e, hz: replace(e, band_hz=hz),
    "wrong-rate": lambda e, hz: replace(e, actual_rate_hz=hz),
    "flagged": lambda e, _: replace(e, flags=(*e.flags, "input overflow")),
    "unplugged": lambda e, _: replace(e, unplugged=True),
}
