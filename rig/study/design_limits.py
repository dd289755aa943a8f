"""Checks and limits that follow from a design: what its parts' and drivers' tolerances do, and what a usual bench adds.

Good units are drawn, and every limit leaves room for nearly all of them. What no design tells (hum, rub and buzz,
distortion) has the limits that the trade has: common practice, no source.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from checks import impedance, leads, leak, response
from rig.circuit.channel import impedance_ohm
from rig.circuit.crossover import order_by_band
from rig.circuit.radiation import driver_pressure_pa, microphone_at
from rig.design.kit import Kit
from rig.design.limits import slid
from rig.signals.levels import db
from rig.study.builds import channels_alike
from rig.study.designed import level_db
from rig.study.kit_draft import Bands
from rig.study.narrow_limits import Reach, reaches
from rig.study.spreads import Key, Spread, spreads_of_units
from rig.values.names import SENSITIVITY
from rig.values.readings import Floats

#: Units drawn, and of how many none may lie outside; numerical.
DRAWS, INSIDE = 1000, 0.998
#: Windows of the impedance and of the level in Hz; a level is held against the design from where a short gate lets it;
#: our choice.
IMPEDANCE_HZ = (20.0, 100.0, 500.0, 2000.0, 6000.0, 20000.0)
LEVEL_HZ = (500.0, 5000.0, 15000.0)
#: Left for the bench: of an impedance in percent, of a level in dB (gate and the microphone's place); our choice.
BENCH_PERCENT, BENCH_DB = 2.0, 0.6
SLIDE_PERCENT = 6.0
#: A grid of a twenty-fourth of an octave misses so much of the steepest slopes; our choice.
BETWEEN_POINTS = 1.08
#: Sound pressure level at the microphone that sweeps are played at, in dB; and volts that they stay within; our
#: choice.
SWEEP_DB, SWEEP_V = 85.0, (0.5, 4.0)
#: A rub so far below the sweep is found in any quiet room, even where a small box is softest; our choice.
PROVE_DB = -22.0
#: Harmonics in dB below the fundamental: from the channel's lowest frequency, 1.7 times it, 4 times it; our choice.
HARMONICS_DB = ((1.0, -8.0), (1.7, -14.0), (4.0, -24.0))
LOWEST_OF_SWEEP = 2.2
#: Losses that make any small box leak (5 to 20 are usual); common practice, no source.
LEAST_QL = 4
#: Where a driver's band ends at the outside: so far below its middle level; half an octave inside a crossover; our
#: choice.
OUTSIDE_DB, INSIDE_A_CROSSOVER = 6.0, math.sqrt(2)
LOWEST_BAND_HZ, HIGHEST_BAND_HZ = 30.0, 18000.0


@dataclass(frozen=True)
class Judged:
    """The end of a kit.toml, and the masks beside it by their names."""

    text: str
    masks: Mapping[str, str]


def loudest_bands(kit: Kit) -> tuple[Bands, list[str]]:
    """Where each driver is the one that is heard, and in words what is odd about it."""
    place = kit.positions[0]
    microphone = microphone_at(place.distance_m, place.angle_deg)
    grid = np.geomspace(20, 20000, 481)
    found, odd = {}, []
    for spec in kit.channels:
        drivers = spec.model().drivers
        level = db(np.abs(driver_pressure_pa(spec.model(), grid, 1.0, microphone)))
        order = order_by_band(drivers)
        for n, i in enumerate(order):
            others = np.delete(level, i, axis=0)
            leading = level[i] >= np.max(others, axis=0) if others.size else np.ones(grid.size, bool)
            run = _longest_run(leading & (level[i] > np.max(level[i]) - 20))
            if grid[run[-1]] < 1.3 * grid[run[0]]:
                odd.append(
                    f"{spec.name}: the {drivers[i].name} is nowhere the loudest: look at the networks and levels"
                )
                continue
            low, high = _band(grid[run], level[i][run], is_first=n == 0, is_last=n == len(order) - 1)
            found[spec.name, drivers[i].name] = (low, high)
    return found, odd


def _longest_run(inside: np.ndarray) -> np.ndarray:
    """Indices of the longest stretch in which something holds; of all where it holds nowhere for two points."""
    runs = np.split(np.arange(inside.size), np.flatnonzero(np.diff(inside.astype(int))) + 1)
    held = [run for run in runs if inside[run[0]]]
    return max(held, key=len) if held else np.arange(1)


def _band(frequency_hz: Floats, level: Floats, *, is_first: bool, is_last: bool) -> tuple[float, float]:
    audible = np.flatnonzero(level >= np.median(level) - OUTSIDE_DB)
    low, high = float(frequency_hz[0]), float(frequency_hz[-1])
    inside = min(INSIDE_A_CROSSOVER, (high / low) ** 0.25)
    low = max(LOWEST_BAND_HZ, float(frequency_hz[audible[0]])) if is_first else low * inside
    high = min(HIGHEST_BAND_HZ, float(frequency_hz[audible[-1]])) if is_last else high / inside
    return _two_figures(low), _two_figures(high)


def _two_figures(value: float) -> float:
    return float(f"{value:.2g}")


def playing_v(kit: Kit) -> float:
    """Volts at which the box that is heard best comes to a usual level at the microphone."""
    grid = np.geomspace(*LEVEL_HZ[:2], 40)
    levels = [float(np.mean(level_db(kit, c.name, kit.positions[0].name, grid))) for c in kit.channels]
    volts = kit.levels.playing_v * 10 ** ((SWEEP_DB - max(levels)) / 20)
    return round(min(max(volts, SWEEP_V[0]), SWEEP_V[1], kit.amplifier.limit_v), 2)


def checks_and_limits(kit: Kit, hand_over_hz: float | None) -> Judged:
    """The tables of checks and limits of a kit; `hand_over_hz` is where boxes and a bass box meet."""
    spreads, reach = spreads_of_units(kit, DRAWS, 1), reaches(kit)
    masks: dict[str, str] = {}
    lines = [*_checks(kit, hand_over_hz), *_leads(kit), *_impedance(kit, spreads, reach)]
    lines += _response(kit, spreads, reach, masks)
    lines += _usual(kit, masks, hand_over_hz)
    lines += _leak(kit, reach)
    return Judged("\n".join(lines) + "\n", masks)


def _has_level(kit: Kit, channel: str) -> bool:
    return response.covers(kit.channel(channel).band, response.Settings().sensitivity_hz)


def _checks(kit: Kit, hand_over_hz: float | None) -> Iterator[str]:
    names = [
        "leads",
        "impedance",
        "ping",
        "response",
        "polarity",
        "distortion",
        "rub_and_buzz",
        "leak",
        "hum_and_noise",
    ]
    if not any(_has_level(kit, c.name) for c in kit.channels):
        names.remove("response")
    if all(c.box.kind == "none" for c in kit.channels):
        names.remove("leak")
    own = {
        "rub_and_buzz": f"{{ prove_db = {PROVE_DB:g} }}",
        "leak": f"{{ of_the_search = {{ prove_db = {PROVE_DB:g} }} }}",
    }
    main = [c.name for c in kit.channels if c.name != "bass"]
    if hand_over_hz and main != [c.name for c in kit.channels]:
        band = f"[{hand_over_hz / 1.5:.3g}, {hand_over_hz * 1.5:.3g}]"
        rows = ", ".join(f'{{ low = "bass", high = "{name}", band_hz = {band} }}' for name in main)
        own["polarity"] = f"{{ crossings = [{rows}] }}"
    yield "# When a good build has been learnt (kitproof learn), add `parts = {}` here and its limit below: it finds a"
    yield "# single wrong part that hides in the room that the tolerances need."
    yield "# prove_db: a rub this far below the sweep must be found for a pass; in a quiet room ask for -30."
    yield "[checks]"
    yield from (f"{name} = {own.get(name, '{}')}" for name in names)
    yield ""


def _leads(kit: Kit) -> Iterator[str]:
    grid = np.geomspace(kit.sweeps.leads.start_hz, kit.sweeps.leads.stop_hz, 200)
    lowest = [float(np.min(np.abs(impedance_ohm(kit.model(c.name), grid)))) for c in kit.channels]
    yield f"[limits.{leads.NAME}]"
    yield "# A short lies far below, an open lead far above."
    yield f'"{impedance.LOWEST_IMPEDANCE}" = {{ lower = {0.6 * min(lowest):.2g}, upper = {3 * max(lowest):.2g} }}'
    yield ""


def _around(kit: Kit, reach: Sequence[Reach], check: str, quantity: str, *, is_percent: bool = True) -> Iterator[str]:
    """A limit around the design that leaves room for good units of every box."""
    found = [one.distances(is_percent) for one in reach if (one.check, one.quantity) == (check, quantity)]
    if not found:
        return
    minus, plus = (max(side) for side in zip(*found, strict=True))
    figures = (
        (math.ceil(minus), math.ceil(plus)) if is_percent else (math.ceil(10 * minus) / 10, math.ceil(10 * plus) / 10)
    )
    percent = ", percent = true" if is_percent else ""
    upper = "" if quantity == impedance.LOWEST_IMPEDANCE else f", plus = {figures[1]:g}"
    yield f'"{quantity}" = {{ around = "design", minus = {figures[0]:g}{upper}{percent} }}'


def _impedance(kit: Kit, spreads: Mapping[Key, Spread], reach: Sequence[Reach]) -> Iterator[str]:
    yield f"[limits.{impedance.NAME}]"
    for quantity in (impedance.LOWEST_IMPEDANCE, impedance.RE, impedance.FS, impedance.QTS, impedance.BOX_TUNING):
        yield from _around(kit, reach, impedance.NAME, quantity)
    yield ""
    groups = channels_alike(kit)
    for alike in groups:
        spread = spreads[impedance.NAME, impedance.IMPEDANCE, alike[0].name]
        windows = impedance_windows(kit, alike[0].name, spread)
        for key in _limit_keys(impedance.IMPEDANCE, [c.name for c in alike], len(groups) == 1):
            yield f'[limits.{impedance.NAME}."{key}"]'
            yield 'around = "design"'
            yield f"percent = true\nslide_percent = {SLIDE_PERCENT:g}"
            yield from _windows(windows)


def _limit_keys(quantity: str, boxes: Sequence[str], is_all: bool) -> list[str]:
    """What a limit is called: once for all boxes, or of each of some."""
    return [quantity] if is_all else [f"{quantity} {box}" for box in boxes]


def _windows(windows: Sequence[tuple[float, float, float, float]]) -> Iterator[str]:
    yield "within = ["
    yield from (f"    [{low:g}, {high:g}, {minus:g}, {plus:g}]," for low, high, minus, plus in windows)
    yield "]\n"


def impedance_windows(kit: Kit, channel: str, spread: Spread) -> list[tuple[float, float, float, float]]:
    """From, to, minus and plus in percent: what good units need beyond the slide."""
    grid = spread.frequency_hz
    design = np.abs(impedance_ohm(kit.model(channel), grid))
    lowest, highest = slid(grid, grid, design, math.log(1 + SLIDE_PERCENT / 100))
    units = spread.centre * (1 + spread.deviations)
    found = []
    for low, high in pairwise(IMPEDANCE_HZ):
        inside = (grid >= low / 1.06) & (grid <= high * 1.06)
        needs = [np.max((1 - units / lowest)[:, inside], axis=1), np.max((units / highest - 1)[:, inside], axis=1)]
        minus, plus = (float(np.quantile(need, INSIDE)) * 100 * BETWEEN_POINTS + BENCH_PERCENT for need in needs)
        found.append((low, high, float(max(math.ceil(minus), 5)), float(max(math.ceil(plus), 5))))
    return found


def _response(kit: Kit, spreads: Mapping[Key, Spread], reach: Sequence[Reach], masks: dict[str, str]) -> Iterator[str]:
    channels = [c for c in kit.channels if _has_level(kit, c.name)]
    if not channels:
        return
    yield f"[limits.{response.NAME}]"
    yield from _around(kit, reach, response.NAME, SENSITIVITY, is_percent=False)
    pairs = [(a, b) for a, b in kit.equal_channels() if a in channels and b in channels]
    if pairs:
        apart = max(max(r.distances(False)) for r in reach if r.quantity == response.MEAN_MATCH)
        yield f'"{response.MEAN_MATCH}" = {{ lower = -{apart + 0.2:.1f}, upper = {apart + 0.2:.1f} }}'
        yield f'"{response.MATCH}" = {{ mask = "match.csv" }}'
        masks["match.csv"] = _match_mask(spreads[response.NAME, response.FREE_FIELD_LEVEL, pairs[0][0].name])
    yield ""
    groups = [alike for each in channels_alike(kit) if (alike := [c.name for c in each if c in channels])]
    for names in groups:
        shifts = [r for r in reach if r.quantity == response.FREE_FIELD_LEVEL and r.subject in names]
        shift_db = max(max(-r.lowest, r.highest) for r in shifts)
        windows = level_windows(kit, names[0], spreads[response.NAME, response.FREE_FIELD_LEVEL, names[0]])
        is_all = len(groups) == 1 and len(channels) == len(kit.channels)
        for key in _limit_keys(response.FREE_FIELD_LEVEL, names, is_all):
            yield f'[limits.{response.NAME}."{key}"]'
            yield 'around = "design"'
            yield f"align_hz = [{LEVEL_HZ[0]:g}, {LEVEL_HZ[1]:g}]"
            yield f"align_within_db = {math.ceil(10 * shift_db) / 10:g}"
            yield from _windows(windows)


def level_windows(kit: Kit, channel: str, spread: Spread) -> list[tuple[float, float, float, float]]:
    """From, to, minus and plus in dB: how far the shape of good units lies off the design's."""
    grid = spread.frequency_hz
    units = spread.centre + spread.deviations
    off = units - level_db(kit, channel, kit.positions[0].name, grid)
    inside = (grid >= LEVEL_HZ[0]) & (grid <= LEVEL_HZ[1])
    off = off - np.mean(off[:, inside], axis=1, keepdims=True)
    found = []
    top = min(LEVEL_HZ[-1], kit.channel(channel).band[1])
    edges = [hz for hz in LEVEL_HZ if hz < top] + [top]
    for low, high in pairwise(edges):
        inside = (grid >= low / 1.06) & (grid <= high * 1.06)
        need = float(np.quantile(np.max(np.abs(off[:, inside]), axis=1), INSIDE)) + BENCH_DB
        found.append((low, high, math.ceil(10 * need) / 10, math.ceil(10 * need) / 10))
    return found


def _match_mask(spread: Spread) -> str:
    """Two units of the same design: how far apart their levels may be."""
    grid = spread.frequency_hz
    inside = (grid >= LEVEL_HZ[0]) & (grid <= 10000)
    apart = np.abs(spread.deviations[::2] - spread.deviations[1::2])[:, inside]
    need = math.ceil(10 * (float(np.quantile(np.max(apart, axis=1), INSIDE)) + BENCH_DB / 2)) / 10
    return f"frequency_hz,lower,upper\n{LEVEL_HZ[0]:g},-{need:g},{need:g}\n10000,-{need:g},{need:g}\n"


def _usual(kit: Kit, masks: dict[str, str], hand_over_hz: float | None) -> Iterator[str]:
    """Limits that the trade has (common practice, no source)."""
    yield '[limits.ping]\n"ping level" = { lower = -10, upper = 8 }'
    if kit.equal_channels():
        yield '"louder than the other boxes" = { lower = 1.5 }'
    yield '\n[limits.polarity]\n"band level" = { lower = -8, upper = 8 }'
    names = ["driver polarity", "channel polarity"]
    names += ["polarity between"] if kit.equal_channels() or hand_over_hz else []
    yield from (f'"{name}" = {{ lower = 1, upper = 1 }}' for name in names)
    yield "\n[limits.distortion]"
    groups = channels_alike(kit)
    for alike in groups:
        low, high = alike[0].band
        # Just above the sweep's first frequency its own edge rings.
        low = max(low, LOWEST_OF_SWEEP * kit.sweeps.playing.start_hz)
        file = "harmonics.csv" if len(groups) == 1 else f"harmonics-{alike[0].name}.csv"
        rows = [(low * times, level) for times, level in HARMONICS_DB if low * times < high / 2]
        rows.append((min(high / 2, 5000.0), rows[-1][1]))
        masks[file] = "frequency_hz,lower,upper\n" + "".join(f"{hz:.3g},,{level:g}\n" for hz, level in rows)
        for harmonic in ("harmonic 2", "harmonic 3"):
            for key in _limit_keys(harmonic, [c.name for c in alike], len(groups) == 1):
                yield f'"{key}" = {{ mask = "{file}" }}'
    yield '\n[limits.rub_and_buzz]\n"evidence of impulses" = { upper = 4 }'
    yield '\n[limits.hum_and_noise]\n"noise" = { upper = 42 }\n"hum" = { upper = 34 }\n"hiss" = { upper = 38 }\n'


def _leak(kit: Kit, reach: Sequence[Reach]) -> Iterator[str]:
    kinds = {c.box.kind for c in kit.channels} - {"none"}
    if not kinds:
        return
    yield "[limits.leak]"
    for quantity in (impedance.BOX_TUNING, impedance.BOX_RESONANCE, impedance.QTC):
        yield from _around(kit, reach, leak.NAME, quantity)
    if "vented" in kinds:
        yield f'"{impedance.BOX_LOSSES}" = {{ lower = {LEAST_QL} }}'
    yield '"evidence of blowing air" = { upper = 4 }'
