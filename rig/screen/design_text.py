"""A kit's design on the screen: curves as text, tables, and in words what does not fit; 80 columns wide."""

import textwrap
from collections.abc import Iterator, Sequence

import numpy as np

from rig.circuit.channel import channel_parts
from rig.circuit.notation import hertz, quantity
from rig.design.kit import Kit
from rig.drawing.axes import OHM_TICKS, round_values
from rig.screen.text_chart import TextLine, text_chart
from rig.study.design_view import DesignView, boxes
from rig.values.readings import Floats
from rig.values.verdicts import Mask

#: Of a line, in characters; layout.
WIDTH = 79
#: What a chart of levels spans; layout.
SPAN_DB = 50.0
#: Masks by the quantity that they judge.
Masks = dict[str, Mask]


def design_lines(kit: Kit, view: DesignView, masks: Masks) -> Iterator[str]:
    """All that is said of one kind of box."""
    yield ""
    yield f"== {boxes(view)}: {_box_words(view)}"
    if view.guessed:
        yield from wrapped(
            f"Of {' and '.join(view.guessed)} the file says too little: this is a guess from rating, size and band."
        )
    yield from _impedance(kit, view, masks.get("impedance"))
    yield from _level(kit, view, masks.get("free-field level"))
    yield from _electrical(view)
    yield from _crossover(view)
    yield from _strains(kit, view)


def wrapped(words: str, first: str = "", then: str = "") -> list[str]:
    """Words in lines that fit."""
    return textwrap.wrap(words, WIDTH, initial_indent=first, subsequent_indent=then, break_long_words=False)


def _box_words(view: DesignView) -> str:
    box = view.spec.box
    kind = "no box" if box.kind == "none" else f"{box.kind} box of {box.volume_l:g} l"
    tuning = f" tuned to {box.tuning_hz:g} Hz" if box.tuning_hz else ""
    return f"{kind}{tuning}; {', '.join(driver.name for driver in view.drivers)}"


def _impedance(kit: Kit, view: DesignView, mask: Mask | None) -> Iterator[str]:
    magnitude = np.abs(view.ohm)
    lowest = int(np.argmin(magnitude))
    yield ""
    yield from wrapped(
        f"Impedance in ohm: lowest {magnitude[lowest]:.2f} at {hertz(view.frequency_hz[lowest])}; the board may drive "
        f"{kit.amplifier.load_ohm:g} (=) or more."
    )
    bottom, top = min(magnitude.min(), kit.amplifier.load_ohm) / 1.15, magnitude.max() * 1.15
    ticks = np.array([ohm for ohm in OHM_TICKS if bottom <= ohm <= top])
    load = np.full(view.frequency_hz.size, kit.amplifier.load_ohm)
    lines = [
        TextLine("*", view.frequency_hz, magnitude),
        *_mask_lines(mask, view),
        TextLine("=", view.frequency_hz, load),
    ]
    yield from text_chart(lines, bottom, top, ticks, is_log=True)


def _level(kit: Kit, view: DesignView, mask: Mask | None) -> Iterator[str]:
    sound = view.sounds[0]
    place = sound.position
    letters = _letters([driver.name for driver in view.drivers]) if len(view.drivers) > 1 else {}
    named = "".join(f", {sign} {name} alone" for name, sign in letters.items())
    yield ""
    yield from wrapped(
        f"Level in dB SPL {place.name} at {place.distance_m:g} m for {kit.levels.playing_v:g} V at the leads: * all"
        f"{named}{', - limits' if mask else ''}{_aside(view)}."
    )
    top = 5 * np.ceil((sound.level_db.max() + 2) / 5)
    lines = [TextLine("*", view.frequency_hz, sound.level_db), *_mask_lines(mask, view)]
    lines += [TextLine(s, view.frequency_hz, own) for s, own in zip(letters.values(), sound.share_db, strict=False)]
    lines += [
        TextLine(str(n), view.frequency_hz, other.level_db) for n, other in enumerate(view.sounds[1:], 2) if n < 10
    ]
    yield from text_chart(lines, top - SPAN_DB, top, round_values(top - SPAN_DB, top, 6))


def _aside(view: DesignView) -> str:
    return "".join(f", {n} {sound.position.name}" for n, sound in enumerate(view.sounds[1:], 2) if n < 10)


def _electrical(view: DesignView) -> Iterator[str]:
    if not (any(driver.network for driver in view.spec.drivers) or view.spec.filter or view.spec.tone):
        return
    letters = _letters([driver.name for driver in view.drivers])
    yield ""
    named = ", ".join(f"{sign} {name}" for name, sign in letters.items())
    yield from wrapped(f"Filters: volts at each driver for those at the leads, in dB: {named}.")
    level = 20 * np.log10(np.maximum(np.abs(view.electrical), 1e-9))
    top = 5 * np.ceil((level.max() + 1) / 5)
    lines = [TextLine(s, view.frequency_hz, own) for s, own in zip(letters.values(), level, strict=True)]
    yield from text_chart(lines, top - 45, top, round_values(top - 45, top, 6))


def _crossover(view: DesignView) -> Iterator[str]:
    for one, (_, _, step_db) in zip(view.crossings, view.steps, strict=True):
        if np.isnan(one.frequency_hz):
            yield from wrapped(f"Crossover of {one.lower} and {one.upper}: they are nowhere equally loud.", then="  ")
            continue
        beside = "louder" if step_db > 0 else "softer"
        yield from wrapped(
            f"Crossover of {one.lower} and {one.upper}: equally loud at {hertz(one.frequency_hz)}, "
            f"{abs(one.degrees):.0f}° apart: together {one.sum_db:+.1f} dB, with one of them reversed "
            f"{one.reversed_db:+.0f} dB. Beside it the {one.upper} is {abs(step_db):.1f} dB {beside} than the "
            f"{one.lower}.",
            then="  ",
        )


def _strains(kit: Kit, view: DesignView) -> Iterator[str]:
    has_soak = any(strain.soak for strain in view.strains)
    yield ""
    yield from wrapped(
        f"What each takes: most at any moment of the sweep ({kit.levels.playing_v:g} V at the leads)"
        f"{', and in the long run of the soak' if has_soak else ''}."
    )
    soak = f"{'soak V':>9}{'A':>7}{'W':>8}" if has_soak else ""
    yield f"{'':10}{'':9}{'sweep V':>9}{'A':>7}{'W':>8}{soak}{'stands':>12}".rstrip()
    values = {part.name: quantity(part.kind, float(part.value)) for part in channel_parts(view.spec.model())}
    for strain in view.strains:
        loads = "".join(
            f"{load.volts:9.2f}{load.amperes:7.3f}{load.watts:8.3f}" for load in (strain.sweep, strain.soak) if load
        )
        yield f"{strain.name:10.10}{values.get(strain.name, ''):9}{loads}{strain.rating_words:>12}"


def _mask_lines(mask: Mask | None, view: DesignView) -> list[TextLine]:
    if mask is None:
        return []
    return [TextLine("-", *_over(view.frequency_hz, mask, edge)) for edge in (mask.lower, mask.upper)]


def _over(frequency_hz: Floats, mask: Mask, edge: Floats) -> tuple[Floats, Floats]:
    shown = np.where(np.isfinite(edge), edge, np.nan)
    return frequency_hz, np.interp(np.log(frequency_hz), np.log(mask.frequency_hz), shown, np.nan, np.nan)


def _letters(names: Sequence[str]) -> dict[str, str]:
    """A letter for each driver, its own first one where that is free."""
    letters: dict[str, str] = {}
    for name in names:
        letters[name] = next(letter for letter in name + "abcdefghijk" if letter not in letters.values())
    return letters
