"""A builder's answers as the text of a `kit.toml`: only what differs from what counts anyhow, and why."""

import json
import math
from collections.abc import Iterator, Mapping
from itertools import pairwise

from rig.circuit.notation import hertz
from rig.design.driver_priors import driver_priors
from rig.study.kit_questions import (
    BOX_KINDS,
    BOXES,
    USUAL_GAIN_DB,
    USUAL_LOAD_OHM,
    Answers,
    answered,
    drivers_of,
    parts_of,
    prefixes,
)
from rig.study.typed_answers import (
    DB,
    HZ,
    LITRE,
    MM,
    NONE,
    OHM,
    REVERSED,
    VOLT,
    Number,
    choice,
    read_level,
    read_resistance,
    read_tuning,
    serial_pattern,
)

#: Bands to begin with, before the networks have told where each driver is heard.
BANDS_HZ = {
    "full-range": (80.0, 15000.0),
    "tweeter": (2700.0, 18000.0),
    "midrange": (400.0, 3000.0),
    "woofer": (60.0, 1500.0),
    "bass": (40.0, 120.0),
}
#: A cone's frame reaches so far over its size, and a tweeter's plate over its dome (mm; common practice, no source).
TWEETER_PLATE_MM = 90.0
#: Speed of sound for a vent's tuning, m/s at 20 degrees Celsius; from memory.
SPEED_M_S = 343.0
#: Both ends of a vent, one of them flush with the baffle: this much of its radius is added to its length.
#: L. L. Beranek, "Acoustics" (1954), 5.8: 0.85 of a flanged and 0.61 of a free end.
END_RADII = 1.46
#: Bands of the channels' drivers in Hz, by channel and driver.
Bands = Mapping[tuple[str, str], tuple[float, float]]


def vent_tuning_hz(volume_l: float, diameter_mm: float, length_mm: float) -> float:
    """Resonance of a round vent with the air of its box (H. von Helmholtz).

    Raises
    ------
    ValueError
        If a number is not above zero.
    """
    if min(volume_l, diameter_mm, length_mm) <= 0:
        raise ValueError(f"vent: {volume_l:g} l, {diameter_mm:g} mm, {length_mm:g} mm; allowed: above 0")
    radius_m = diameter_mm / 2000
    effective_m = length_mm / 1000 + END_RADII * radius_m
    return SPEED_M_S / (2 * math.pi) * math.sqrt(math.pi * radius_m**2 / (volume_l / 1000 * effective_m))


def channel_names(answers: Answers) -> list[str]:
    """The channels of a kit, in its order."""
    boxes = answered(answers, "boxes", choice(*BOXES))
    main = ["left", "right"] if boxes.startswith(("pair", "two")) else ["main"]
    return main + (["bass"] if boxes.endswith("bass") else [])


def kit_text(name: str, answers: Answers, bands: Bands, levels: str = "") -> str:
    """The kit but for checks and limits, as TOML; `levels` are lines of that table."""
    boxes = answered(answers, "boxes", choice(*BOXES))
    lines = [*_head(name, answers), *_amplifier(answers), *([levels, ""] if levels else [])]
    names = channel_names(answers)
    for n, prefix in enumerate(prefixes(boxes)):
        lines += _channel(names[n], prefix, answers, bands)
    if len(prefixes(boxes)) == 1 and "right" in names:
        lines += ["[[channels]]", 'name = "right"', 'like = "left"', "place_m = [0.3, 0.0]", ""]
    if "bass" in names:
        lines += _bass(answers, bands)
    return "\n".join(lines)


def _head(name: str, answers: Answers) -> list[str]:
    serial = answers.get("serial") or f"{''.join(word[0] for word in name.split('-') if word).upper()}-0001"
    return [
        f"# Made by `kitproof new {name}` from limits/{name}.csv. What is not here counts as limits/README.md says.",
        f'name = "{name}"',
        f'title = "{name.replace("-", " ").title()}"',
        'revision = "A"',
        f"serial_pattern = '{serial_pattern(serial)}'",
        f"serial_example = {json.dumps(serial)}",
        "",
    ]


def _amplifier(answers: Answers) -> list[str]:
    gain = answered(answers, "gain", Number(DB, 0, 60, "dB"))
    supply = answered(answers, "supply", Number(VOLT, 3, 100, "V"))
    guess = "" if gain is not None else "  # a guess: measure it, from the board's input to the speaker leads"
    return [
        "[amplifier]",
        f"supply_v = {supply:g}",
        f"gain_db = {USUAL_GAIN_DB if gain is None else gain:g}{guess}",
        f"load_ohm = {answered(answers, 'load', Number(OHM, 1, 16, 'ohm')) or USUAL_LOAD_OHM:g}",
        "bridged = true  # both speaker leads are live; if in doubt leave it so",
        f"limit_v = {limit_v(supply):g}  # RMS at the leads; nothing louder is ever played",
        "",
    ]


def limit_v(supply_v: float) -> float:
    """RMS volts that nothing exceeds: half of what the supply gives, and no more than small drivers stand."""
    return round(min(6.0, supply_v / math.sqrt(2) / 2), 1)


def _channel(channel: str, prefix: str, answers: Answers, bands: Bands) -> list[str]:
    place = {"left": ["place_m = [-0.3, 0.0]"], "right": ["place_m = [0.3, 0.0]"]}.get(channel, [])
    lines = ["[[channels]]", f'name = "{channel}"', *_box(f"{prefix}box ", answers), *place, ""]
    heights = _heights(prefix, answers)
    for driver in reversed(drivers_of(prefix, answers)):
        lines += _driver(channel, f"{prefix}{driver}", driver, answers, bands)
        if heights[driver]:
            lines.append(f"up_mm = {-heights[driver]:g}  # below the microphone's axis")
        lines += [*_network(f"{prefix}{driver}", answers), ""]
    return lines


def _bass(answers: Answers, bands: Bands) -> list[str]:
    hz = answered(answers, "bass box low-pass", Number(HZ, 30, 500, "Hz"))
    lines = ["[[channels]]", 'name = "bass"', *_box("bass box ", answers), "place_m = [0.0, -0.2]"]
    if hz:
        lines.append(
            f'filter = {{ kind = "lowpass", hz = {hz:g} }}  # order = 4, Linkwitz-Riley, where nothing is said'
        )
    return [*lines, "", *_driver("bass", "bass", "bass", answers, bands), *_network("bass", answers), ""]


def _box(key: str, answers: Answers) -> Iterator[str]:
    kind = answered(answers, f"{key}kind", choice(*BOX_KINDS))
    volume = answered(answers, f"{key}volume", Number(LITRE, 0.1, 1000, "litre"))
    yield f"baffle_width_m = {answered(answers, f'{key}width', Number(MM, 30, 3000, 'mm')) / 1000:g}"
    if kind == "none":
        yield 'box = { kind = "none" }'
    elif kind == "closed":
        yield f'box = {{ kind = "closed", volume_l = {volume:g} }}'
    else:
        tuning = answered(answers, f"{key}tuning", read_tuning)
        vent = "" if len(tuning) == 1 else f"  # a vent of {tuning[0]:g} mm, {tuning[1]:g} mm long"
        hz = tuning[0] if len(tuning) == 1 else vent_tuning_hz(volume, *tuning)
        yield f'box = {{ kind = "vented", volume_l = {volume:g}, tuning_hz = {hz:.3g} }}{vent}'


def _heights(prefix: str, answers: Answers) -> dict[str, float]:
    """How far below the highest driver each one's middle is, in mm."""
    names = drivers_of(prefix, answers)
    found = {names[0]: 0.0}
    for upper, lower in pairwise(names):
        below = answered(answers, f"{prefix}{lower} below", Number(MM, 10, 1500, "mm"))
        if below is None:
            sizes = [_size_mm(f"{prefix}{one}", one, answers) for one in (upper, lower)]
            below = round(sum(TWEETER_PLATE_MM if size < 45 else size for size in sizes) / 2)
        found[lower] = found[upper] + below
    return found


def _size_mm(key: str, driver: str, answers: Answers) -> float:
    return float(answered(answers, f"{key} size", Number(MM, 10, 600, "mm")))


def _driver(channel: str, key: str, driver: str, answers: Answers, bands: Bands) -> Iterator[str]:
    yield from ("[[channels.drivers]]", f'name = "{driver}"')
    yield "from_sheet = true  # where a sheet may be wrong a unit is void, no fail, until a good build is learnt"
    numbers, remark = driver_numbers(key, driver, answers)
    yield from (f"{name} = {value:.4g}" for name, value in numbers.items())
    if remark:
        yield remark
    missing = [name for name in ("re_ohm", "fs_hz", "qts") if name not in numbers]
    missing += [] if {"sensitivity_db", "vas_l"} & set(numbers) else ["sensitivity_db"]
    if missing:
        yield f"# {', '.join(missing)}: not known; what such drivers usually have is taken"
    if driver in ("tweeter", "midrange"):
        yield "in_box = false  # closed at its back"
    low, high = bands.get((channel, driver), BANDS_HZ[driver])
    yield f"band_hz = [{low:g}, {high:g}]  # where it is the one that is heard, worked out from the networks"


def driver_numbers(key: str, driver: str, answers: Answers) -> tuple[dict[str, float], str]:
    """Keys of a driver and what was answered, in the kit's units; and a remark for the file."""
    ohm = answered(answers, f"{key} ohm", read_resistance)
    numbers: dict[str, float] = {"nominal_ohm": ohm.nominal_ohm, "size_mm": _size_mm(key, driver, answers)}
    if ohm.re_ohm is not None:
        numbers["re_ohm"] = ohm.re_ohm
    for name, read in (("fs_hz", Number(HZ, 5, 5000, "Hz")), ("qts", Number(NONE, 0.1, 3, ""))):
        value = answered(answers, f"{key} {name.removesuffix('_hz')}", read)
        if value is not None:
            numbers[name] = value
    level = answered(answers, f"{key} level", read_level)
    if level:
        # At 2.83 V a driver takes 8 W over its rated ohms.
        more = 10 * math.log10(8 / ohm.nominal_ohm) if level[0] == "db_at_1_w" else 0.0
        numbers["vas_l" if level[0] == "vas_l" else "sensitivity_db"] = level[1] + more
    chamber = answered(answers, f"{key} chamber", Number(LITRE, 0.05, 100, "litre"))
    return in_chamber(numbers, driver, chamber) if chamber else (numbers, "")


def in_chamber(numbers: dict[str, float], driver: str, chamber_l: float) -> tuple[dict[str, float], str]:
    """A driver with a closed chamber of its own behind it, as if it were one with a stiffer suspension.

    References
    ----------
    R. H. Small, "Closed-Box Loudspeaker Systems", JAES 20 (1972): fs and Q rise by the root of 1 + Vas / Vb.
    """
    names = {"re_ohm": ("re_ohm", 1.0), "fs_hz": ("fs_hz", 1.0), "qts": ("qts", 1.0), "vas_m3": ("vas_l", 1e-3)}
    stated = {ours: numbers[name] * scale for ours, (name, scale) in names.items() if name in numbers}
    stated |= {"sensitivity_db": numbers["sensitivity_db"]} if "sensitivity_db" in numbers else {}
    known = driver_priors(numbers["nominal_ohm"], BANDS_HZ[driver][0], numbers["size_mm"] / 1000, stated)
    ratio = 1 + known["vas_m3"].value * 1000 / chamber_l
    stiffer = math.sqrt(ratio)
    q = 1 / (1 / known["qes"].value + 1 / known["qms"].value)
    changed = {**numbers, "fs_hz": known["fs_hz"].value * stiffer, "qts": q * stiffer}
    if "vas_l" in numbers:
        changed["vas_l"] = numbers["vas_l"] / ratio
    words = (
        f"# fs and Qts are those in its chamber of {chamber_l:g} l; in free air it has {hertz(known['fs_hz'].value)}"
    )
    return changed, f"{words} and Qts {q:.2f}"


def _network(key: str, answers: Answers) -> list[str]:
    parts = [text for text in parts_of(key, answers) if text]
    lines = ['polarity = "reversed"  # on purpose'] if REVERSED in parts else []
    parts = [text for text in parts if text != REVERSED]
    if parts:
        lines += ["network = [", *(f"    {json.dumps(text, ensure_ascii=False)}," for text in parts), "]"]
    return lines
