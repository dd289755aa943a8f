"""The simulated bench: plays requests to a simulated unit and gives back what a real sound card would have recorded."""

import math
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import replace
from functools import lru_cache, partial

import numpy as np
import scipy

from rig.bench.base import OWN_DEVICE_EARLY_S, capture_frames
from rig.bench.settings import simulated_name
from rig.circuit.parts import OPEN_OHM
from rig.circuit.radiation import Position
from rig.circuit.units import speed_of_sound_m_s
from rig.design.fault_names import Fault, parse_fault
from rig.design.kit import Kit, PositionSpec
from rig.files.errors import BenchError
from rig.signals.arrays import Complex, Floats, Singles
from rig.signals.stimulus import Layout, code_frames, compose
from rig.signals.timing import resample_by
from rig.simulated.chance import generator
from rig.simulated.changes import equipment_with, unit_with
from rig.simulated.close_up import close_up_pa, equivalent_m
from rig.simulated.equipment import INPUT_VOLTS, Equipment, converted, equipment_of
from rig.simulated.heat_unit import HeatedUnit
from rig.simulated.noises import OUTSIDE, below_folding, hum, hum_and_hiss_v, knock, motion_of, noise_pa, other_sound_v
from rig.simulated.playback import SimulatedPlayer, as_warm_as
from rig.simulated.processing import at_rate, band_limited, levelled, suppressed
from rig.simulated.room import pink_spectrum, reflections
from rig.simulated.unit import Output, box_pressure_pa, lead_gain, lead_impedance_ohm, unit_of
from rig.values.captures import Capture, KnownLoad
from rig.values.requests import AT_LEADS, Request, Stage, Sweep

#: The transform is so much longer than the capture: what rings on is silent before it could come around to the start;
#: made up.
SETTLE_S = 0.6
#: Second and third harmonic of a tone of 1 V RMS at the leads, in the midrange; they grow with its level; made up.
SECOND_HARMONIC = 0.003
THIRD_HARMONIC = 0.001
#: Below this frequency the cone moves further, and bends the more: up to three times the drive at the polynomial; made
#: up.
WIDE_TRAVEL_HZ = 100.0
#: Nobody knocks twice at the same moment: it comes within this part of the sweep, about its middle; made up.
KNOCKS_WITHIN = 0.5
#: A unit's transfer functions bend little from one frequency of the transform to the next above this; made up.
SMOOTH_ABOVE_HZ = 2000.0


class SimulatedBench:
    """A bench with one unit on it.

    Parameters
    ----------
    kit : Kit
        The design; its limits are never looked at.
    serial : str
        The unit; the same serial gives the same unit.
    faults : sequence of Fault or str
        What is wrong with the unit or the bench.
    seed : int
        The bench: its room, its inputs, its noise.
    faster : float
        How many times faster than the clock sound and heat pass; 1: in real time; infinite: nobody waits.
    ambient_db : float
        Noise of the room in dB SPL, pink, 20 Hz to 20 kHz, unweighted.
    sense_in : 'return' or 'source'
        Where the sense resistor sits.
    microphone_ppm : float, optional
        The microphone is a device of its own whose clock is so many millionths faster than the playing one.

    Raises
    ------
    FaultError
        If a fault is not one that this kit can have.
    """

    name = "simulated"

    def __init__(
        self,
        kit: Kit,
        serial: str,
        faults: Sequence[Fault | str] = (),
        *,
        seed: int = 0,
        faster: float = math.inf,
        ambient_db: float = 38.0,
        sense_in: str = "return",
        microphone_ppm: float | None = None,
    ) -> None:
        self.kit = kit
        self.serial = serial
        self.faults = tuple(parse_fault(kit, fault) if isinstance(fault, str) else fault for fault in faults)
        self.seed = seed
        self.faster = faster
        #: Goes with every capture, once it has been found.
        self.known_load: KnownLoad | None = None
        #: What must not be relied on of this bench's calibration; goes with every capture and row too.
        self.doubts: Mapping[str, str] = {}
        self.unit = unit_with(self.faults, unit_of(kit, serial))
        self._sound = replace(equipment_of(seed, ambient_db, sense_in), microphone_ppm=microphone_ppm)
        self._attempts: Counter[Sweep] = Counter()
        self._openings = 0
        self._transfers: dict[tuple[object, ...], Complex] = {}
        self._heated: HeatedUnit | None = None

    def describe(self) -> dict[str, object]:
        """Equipment and settings for the record."""
        return {
            "kind": self.name,
            "serial": self.serial,
            "seed": self.seed,
            "faults": [str(fault) for fault in self.faults],
            "sample_rate_hz": self._sound.sample_rate_hz,
            "ambient_db": self._sound.room.ambient_db,
            "sense_ohm": self._sound.sense_ohm,
            "sense_in": self._sound.sense_in,
            "air_celsius": self._sound.air_celsius,
            "microphone_ppm": self._sound.microphone_ppm,
        }

    def refuse(self, requests: Sequence[Request]) -> None:
        """Nothing: this bench has what a kit asks for."""

    def session(self) -> AbstractContextManager[None]:
        """Nothing has to be held."""
        return nullcontext()

    @contextmanager
    def stage(self, name: Stage) -> Iterator[SimulatedPlayer]:
        """Open the bench for one stage."""
        latency_samples = self._open()
        play_one = partial(self.play_one, latency_samples=latency_samples)
        yield SimulatedPlayer(name, play_one, self.heated, self.faster, dict(self.doubts))

    def known_load_capture(self, load_ohm: float) -> Capture:
        """The sweep of the leads with a resistor in place of the unit, in `request` as of the kit's first channel."""
        request = self.kit.sweep("leads", self.kit.channels[0].name)
        return self._capture(request, 1, self._open(), load_ohm)

    def heated(self) -> HeatedUnit:
        """The unit as what a programme warms up; one for the whole run."""
        self._heated = self._heated or HeatedUnit(self.kit, self.serial, self.faults, self.seed)
        return self._heated

    def _open(self) -> float:
        """Open a stream: its latency in samples, which holds until it is closed."""
        self._openings += 1
        random = generator("latency", self.seed, self.serial, self._openings)
        return float(random.uniform(*self._sound.latency_samples))

    def play_one(self, request: Sweep, latency_samples: float) -> Capture:
        """Play one request in an open stream."""
        self._attempts[request] += 1
        if self._heated and request.stage in ("soak", "after"):
            self.unit, self._transfers = as_warm_as(self._heated), {}
        return self._capture(request, self._attempts[request], latency_samples, None)

    def _capture(self, request: Sweep, attempt: int, latency_samples: float, load_ohm: float | None) -> Capture:
        equipment = equipment_with(self.faults, self._sound, attempt)
        if equipment.unplugged:
            raise BenchError("the sound device is gone; plug it in again and start anew")
        own_clock = equipment.microphone_ppm is not None and request.stage not in AT_LEADS
        rate_hz = equipment.sample_rate_hz
        request = replace(request, spacing=None) if own_clock else request
        plan = request.layout(rate_hz)
        frames, peak_v = capture_frames(plan, own_clock), _peak_v(request, equipment)
        # Of one length for all codes, so that what is remembered of the unit serves every sweep.
        settled = frames - code_frames(request.code, rate_hz) + round(SETTLE_S * rate_hz)
        size = int(scipy.fft.next_fast_len(settled, real=True))
        key = (self.kit.name, self.serial, self.seed, request, attempt, load_ohm)
        if request.stage in AT_LEADS:
            spectra = self._at_leads(request, equipment, size, load_ohm, key)
        else:
            spectra = self._playing(request, equipment, plan, size, peak_v, key)
        delay, random = _delay(latency_samples / rate_hz, size, rate_hz), generator("capture", *key)
        rows = {}
        for role, spectrum in spectra.items():
            arrived = spectrum * delay
            if role == "microphone":
                arrived += self._in_the_room(random, equipment, attempt, plan, size, key)
            if own_clock and role == "microphone":
                # Two devices begin to record at two times, and not at the same two for each capture.
                arrived *= _delay(OWN_DEVICE_EARLY_S + float(random.uniform(-0.005, 0.005)), size, rate_hz)
            rows[role] = scipy.fft.irfft(arrived, size)
        samples = _recorded(rows, plan, frames, equipment, random)
        return Capture(
            request=request,
            samples=samples,
            inputs=tuple(rows),
            sample_rate_hz=rate_hz,
            calibration=replace(
                self._sound.calibration(self.known_load), bench=simulated_name(self.seed), doubts=dict(self.doubts)
            ),
            attempt=attempt,
            flags=equipment.flags,
            other_clock=("microphone",) if own_clock else (),
        )

    def _at_leads(
        self,
        request: Sweep,
        equipment: Equipment,
        size: int,
        load_ohm: float | None,
        key: tuple[object, ...],
    ) -> dict[str, Complex]:
        load: Complex | float
        if equipment.clips_off:
            load = OPEN_OHM
        elif load_ohm is None:
            load = self._impedance(request.at, size, equipment.sample_rate_hz)
        else:
            load = load_ohm
        load = load + equipment.lead_ohm
        plan = request.layout(equipment.sample_rate_hz)
        source_v = _peak_v(request, equipment) * _stimulus(plan, size) + _other_sound(equipment, plan, size, key)
        current = source_v / (equipment.source_ohm + equipment.sense_ohm + load)
        sensed = current * (equipment.sense_ohm if equipment.sense_in == "return" else load)
        askew = equipment.sense_gain * _delay(equipment.sense_delay_s, size, equipment.sample_rate_hz)
        return {"drive": current * (equipment.sense_ohm + load) * equipment.drive_gain, "sense": sensed * askew}

    def _playing(
        self, request: Sweep, equipment: Equipment, plan: Layout, size: int, peak_v: float, key: tuple[object, ...]
    ) -> dict[str, Complex]:
        output, rate_hz = self.unit.output(self._played(request, equipment)), equipment.sample_rate_hz
        share: Complex | float = 1.0
        if equipment.resistor_left_in:
            load = self._impedance(output.box, size, rate_hz)
            share = load / (load + equipment.sense_ohm)
        driven = _at_lead(plan, size, peak_v, output)
        other = _other_sound(equipment, plan, size, key)
        if equipment.other_sound_v:
            driven = driven + other * lead_gain(output, scipy.fft.rfftfreq(size, 1 / rate_hz))
        if output.hum_v or output.hiss_v:
            chance = generator("amplifier", *key)
            driven = driven + scipy.fft.rfft(hum_and_hiss_v(output.hum_v, output.hiss_v, size, rate_hz, chance))
        microphone_m, speed = self._microphone_m(request, equipment, output.box), _speed_m_s(equipment)
        direct = self._direct(request, output.box, microphone_m, speed, size, rate_hz)
        arriving = driven * share * direct
        if any(noise.box == output.box for noise in self.unit.noises):
            lead_v = peak_v * lead_gain(output, scipy.fft.rfftfreq(size, 1 / rate_hz)) * share
            arrives_s = float(np.linalg.norm(microphone_m)) / speed
            arriving = arriving + self._own_noises(output.box, plan, size, (lead_v, direct, arrives_s), key)
        place = self.kit.channel(output.box).place_m
        if self.kit.position(request.position).near is not None:
            # Close by the room counts as little as it does beside a point that is so near.
            microphone_m = (0.0, 0.0, equivalent_m(self.unit.box(output.box), microphone_m))
        arriving = arriving * reflections(equipment.room, (place[0], place[1]), microphone_m, size, rate_hz, speed)
        volts = arriving * (equipment.microphone_v_per_pa * equipment.microphone_sign * equipment.microphone_gain)
        sent = peak_v * _stimulus(plan, size) + other
        return {"microphone": volts, "loopback": equipment.loopback_gain * sent}

    def _played(self, request: Sweep, equipment: Equipment) -> str:
        """The amplifier's output that a channel's stimulus gets to."""
        names = [channel.name for channel in self.kit.channels]
        if equipment.outputs_exchanged:
            names[:2] = names[1::-1]
        return names[[channel.name for channel in self.kit.channels].index(request.channel)]

    def _own_noises(
        self, box: str, plan: Layout, size: int, drive: tuple[Complex, Complex, float], key: tuple[object, ...]
    ) -> Complex | float:
        """Spectrum of what a box does besides, at the microphone and without the room."""
        motion = motion_of(self.unit.box(box), plan, size, *drive)
        if motion is None:
            return 0.0
        noises = [noise for noise in self.unit.noises if noise.box == box]
        sounds = [noise_pa(noise, motion, generator(noise, *key)) for noise in noises]
        return np.asarray(scipy.fft.rfft(np.sum(sounds, axis=0)))

    def _microphone_m(self, request: Sweep, equipment: Equipment, box: str) -> Position:
        """Where the microphone stands, seen from a box."""
        position = self.kit.position(request.position)
        if equipment.places_exchanged:
            position = _exchanged(self.kit, request.at, position)
        turned = equipment.microphone_turn_deg if position.angle_deg else 0.0
        moved = {
            "distance_m": position.distance_m + equipment.microphone_shift_m,
            "angle_deg": position.angle_deg + turned,
        }
        position = position.model_copy(update=moved)
        return self.kit.microphone_m(box, request.at, position)

    def _direct(
        self, request: Sweep, box: str, microphone_m: Position, speed: float, size: int, rate_hz: float
    ) -> Complex:
        """Pressure at the microphone over volts at the leads of a box, without the room."""

        is_near = self.kit.position(request.position).near is not None

        def direct(frequency_hz: Floats) -> Complex:
            try:
                if is_near:
                    return close_up_pa(self.unit.box(box), microphone_m, frequency_hz, speed)
                return box_pressure_pa(self.unit, box, microphone_m, frequency_hz, speed)
            except ValueError as error:
                raise BenchError(f"{request}: box {box}: {error}; see place_m in the kit") from None

        return self._remembered(("pa", box, microphone_m, speed), direct, size, rate_hz)

    def _impedance(self, box: str, size: int, rate_hz: float) -> Complex:
        return self._remembered(("ohm", box), lambda f: lead_impedance_ohm(self.unit, box, f), size, rate_hz)

    def _in_the_room(
        self,
        random: np.random.Generator,
        equipment: Equipment,
        attempt: int,
        plan: Layout,
        size: int,
        key: tuple[object, ...],
    ) -> Complex:
        """Spectrum of what the microphone hears besides the unit, in volts."""
        noise = pink_spectrum(random, equipment.room.ambient_db, size, equipment.sample_rate_hz)
        for fault in self.faults:
            if fault.kind in OUTSIDE and not (fault.once and attempt > 1):
                sound = OUTSIDE[fault.kind](plan, size, fault.amount, generator(fault.kind, *key))
                noise = noise + scipy.fft.rfft(sound)
        return noise * (equipment.microphone_v_per_pa * equipment.microphone_gain)

    def _remembered(
        self, what: tuple[object, ...], transfer: Callable[[Floats], Complex], size: int, rate_hz: float
    ) -> Complex:
        """The unit does not change while it is on the bench: each transfer function is worked out once."""
        key = (*what, size)
        if key not in self._transfers:
            self._transfers[key] = _at_every_bin(transfer, scipy.fft.rfftfreq(size, 1 / rate_hz))
        return self._transfers[key]


def _exchanged(kit: Kit, at: str, position: PositionSpec) -> PositionSpec:
    """The place where the microphone stands when those aside of the axis, and those close by, are taken backwards."""
    for places in (kit.off_axis(), [place for place, _ in kit.near_places(at)]):
        if position in places:
            return places[-1 - places.index(position)]
    return position


def _peak_v(request: Sweep, equipment: Equipment) -> float:
    """Peak of the sweep at the card's output."""
    if equipment.output_muted:
        return 0.0
    peak_v = request.peak_v / request.path_gain
    if peak_v > equipment.output_volts:
        raise BenchError(
            f"{request}: needs {peak_v:.3g} V at the sound card's output; it has {equipment.output_volts:g} V"
        )
    return peak_v * equipment.output_gain


def _other_sound(equipment: Equipment, plan: Layout, size: int, key: tuple[object, ...]) -> Complex | float:
    """Spectrum of what another program plays, in volts at the card's output."""
    if not equipment.other_sound_v or equipment.output_muted:
        return 0.0
    sound = other_sound_v(plan, size, equipment.other_sound_v, generator("other sound", *key))
    return np.asarray(scipy.fft.rfft(sound))


def _speed_m_s(equipment: Equipment) -> float:
    return speed_of_sound_m_s(equipment.air_celsius)


def _at_every_bin(transfer: Callable[[Floats], Complex], frequency_hz: Floats) -> Complex:
    """A transfer function at all frequencies of a transform, worked out at a quarter of the upper ones.

    Above `SMOOTH_ABOVE_HZ` nothing resonates sharply; what turns there is the phase of the sound's way, which at half
    a metre moves by 0.01 rad between two of the frequencies: straight lines between them are good to -95 dB.
    """
    first = int(np.searchsorted(frequency_hz, SMOOTH_ABOVE_HZ))
    some_hz = np.concatenate([frequency_hz[:first], frequency_hz[first:-1:4], frequency_hz[-1:]])
    return np.asarray(np.interp(frequency_hz, some_hz, transfer(some_hz)))


@lru_cache(maxsize=4)
def _stimulus(plan: Layout, size: int) -> Complex:
    return np.asarray(scipy.fft.rfft(compose(plan), size))


@lru_cache(maxsize=16)
def _at_lead(plan: Layout, size: int, peak_v: float, output: Output) -> Complex:
    """Spectrum of the voltage that the driver makes sound of: the lead's, and the harmonics that the driver adds.

    The harmonics come from a polynomial without memory, of the lead's voltage with its low frequencies raised, as the
    cone's travel rises there. It sees nothing of which a harmonic would fold back into the band.
    """
    frequency_hz = scipy.fft.rfftfreq(size, 1 / plan.sample_rate_hz)
    lead_v = peak_v * lead_gain(output, frequency_hz) * _stimulus(plan, size)
    weight = (1 + 2 / (1 + (frequency_hz / WIDE_TRAVEL_HZ) ** 2)) * below_folding(frequency_hz / plan.sample_rate_hz)
    travel = scipy.fft.irfft(lead_v * weight, size)
    # A tone of 1 V RMS has the peak sqrt(2): a x**2 gives a second harmonic of a / 2 peak**2, b x**3 a third of
    # b / 4 peak**3.
    bent = travel**2 * (SECOND_HARMONIC * math.sqrt(2) + travel * 2 * THIRD_HARMONIC)
    return np.asarray(lead_v + scipy.fft.rfft(bent))


def _delay(seconds: float, size: int, sample_rate_hz: float) -> Complex:
    return np.asarray(np.exp(-2j * np.pi * scipy.fft.rfftfreq(size, 1 / sample_rate_hz) * seconds))


def _recorded(
    rows: dict[str, Floats], plan: Layout, frames: int, equipment: Equipment, random: np.random.Generator
) -> Singles:
    """What the inputs make of their voltages, shape (inputs, frames)."""
    volts = np.stack(list(rows.values()))
    full_scale_v = np.array([[INPUT_VOLTS[role]] for role in rows])
    middle = (plan.sweep_start + plan.sweep_stop) // 2
    if equipment.inputs_exchanged:
        volts = volts[::-1] * full_scale_v / full_scale_v[::-1]
    if equipment.knock_pa and "microphone" in rows:
        first = middle + round(
            KNOCKS_WITHIN * (plan.sweep_stop - plan.sweep_start) * (random.spawn(1)[0].random() - 0.5)
        )
        knocks = knock(plan, volts.shape[1] - first)
        volts[0, first:] += equipment.knock_pa * equipment.microphone_v_per_pa * knocks
    if equipment.hum:
        volts += equipment.hum * full_scale_v * hum(plan, volts.shape[1], random)
    if equipment.microphone_hum and "microphone" in rows:
        volts[0] += equipment.microphone_hum * full_scale_v[0] * hum(plan, volts.shape[1], random)
    if equipment.clock_ppm:
        volts = resample_by(volts, 1 / (1 + equipment.clock_ppm * 1e-6))
    if equipment.microphone_ppm and "microphone" in rows:
        volts[0] = resample_by(volts[0], 1 / (1 + equipment.microphone_ppm * 1e-6), frames=volts.shape[1])
    if equipment.actual_rate_hz:
        volts = at_rate(volts, equipment.sample_rate_hz, equipment.actual_rate_hz)
    if equipment.lost_samples:
        lost = max(equipment.lost_samples, 0)
        gap = np.zeros((volts.shape[0], max(-equipment.lost_samples, 0)))
        volts = np.concatenate([volts[:, :middle], gap, volts[:, middle + lost :]], axis=1)
    volts = volts[:, :frames]
    if equipment.overload_db is not None and np.any(volts[0]):
        volts[0] *= full_scale_v[0] * 10 ** (equipment.overload_db / 20) / np.max(np.abs(volts[0]))
    noise = random.standard_normal(volts.shape, dtype=np.float32)
    noisy = volts / full_scale_v + equipment.converter_noise * noise
    return converted(_processed(noisy, equipment), 1.0)


def _processed(rows: Floats, equipment: Equipment) -> Floats:
    """What is done to a recording behind the converter."""
    rate_hz = equipment.sample_rate_hz
    if equipment.automatic_gain_db:
        rows = levelled(rows, rate_hz, equipment.automatic_gain_db)
    if equipment.suppressed_db:
        rows = suppressed(rows, rate_hz, equipment.suppressed_db)
    if equipment.band_hz:
        rows = band_limited(rows, rate_hz, equipment.band_hz)
    return rows
