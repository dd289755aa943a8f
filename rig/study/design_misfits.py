"""What does not fit in a kit's file, by what its own model says: in words, each a sentence for the builder."""

from collections.abc import Iterator, Sequence

import numpy as np

from checks import response
from rig.circuit.crossover import Crossing
from rig.circuit.notation import hertz
from rig.design.jig import Reflection, gate_before, lowest_hz, reflections
from rig.design.kit import Kit
from rig.study.design_view import DesignView, Strain, boxes, soak_settings
from rig.study.designed import settings_of
from rig.values.verdicts import Verdict

#: A driver that is so much louder than its neighbour is said to be (common practice, no source).
TOO_LOUD_DB = 3.0
#: Two drivers that are further out of phase than this where they are equally loud take away from each other; our
#: choice.
OUT_OF_PHASE_DEGREES = 120.0
#: A proposed gate is worth a word when it is longer by so much; our choice.
WORTH_MS = 0.5


def misfits(kit: Kit, views: Sequence[DesignView], judged: Sequence[tuple[str, str, Verdict]]) -> list[str]:
    """All that does not fit, the worst for the equipment first; `judged` is `rig.study.designed.judge_design` of it."""
    found: list[str] = []
    for view in views:
        found += _too_low(kit, view)
    found += _clipping(kit)
    for view in views:
        found += [words for strain in view.strains for words in _strained(strain, view)]
    for view in views:
        found += _too_loud(view)
        found += [_out_of_phase(one, view) for one in view.crossings if abs(one.degrees) > OUT_OF_PHASE_DEGREES]
    found += excluded_by_limits(judged)
    found += _gate_too_long(kit)
    return found


def _too_low(kit: Kit, view: DesignView) -> Iterator[str]:
    magnitude = np.abs(view.ohm)
    lowest = int(np.argmin(magnitude))
    if magnitude[lowest] < kit.amplifier.load_ohm:
        below = view.frequency_hz[magnitude < kit.amplifier.load_ohm]
        yield (
            f"{boxes(view)}: the impedance falls to {magnitude[lowest]:.1f} ohm at {hertz(view.frequency_hz[lowest])} "
            f"and lies below the board's load_ohm = {kit.amplifier.load_ohm:g} from {hertz(below[0])} to "
            f"{hertz(below[-1])}: the board may shut down or be damaged. Look at the network, the drivers' ratings, or "
            "take a board for a lower load."
        )


def _clipping(kit: Kit) -> Iterator[str]:
    amplifier = kit.amplifier
    if amplifier.supply_v is None:
        return
    swing = amplifier.supply_v if amplifier.bridged else amplifier.supply_v / 2
    soak = soak_settings(kit)
    peaks = [("levels.playing_v", kit.levels.playing_v, np.sqrt(2))]
    if soak:
        peaks.append(("the soak's level_v", soak.level_v, soak.noise.crest_factor))
    for name, volts, crest in peaks:
        if volts * crest > swing:
            yield (
                f"{name} = {volts:g} V has peaks of {volts * crest:.1f} V; a board on {amplifier.supply_v:g} V"
                f"{', bridged,' if amplifier.bridged else ''} gives {swing:g} V at most, so it would clip and all that "
                f"is read would be distorted. Allowed: up to {swing / crest:.1f} V."
            )


def _strained(strain: Strain, view: DesignView) -> Iterator[str]:
    for name, load in (("the sweep", strain.sweep), ("the soak", strain.soak)):
        if load is not None and strain.of(load) > strain.rating:
            taken, stands = f"{strain.of(load):.3g} {strain.unit}", f"{strain.rating:g} {strain.unit}"
            yield f"{boxes(view)}: {strain.name} takes {taken} at {name}'s level and stands {stands}."


def _too_loud(view: DesignView) -> Iterator[str]:
    for lower, upper, step_db in view.steps:
        if abs(step_db) >= TOO_LOUD_DB:
            loud, soft = (upper, lower) if step_db > 0 else (lower, upper)
            remedy = (
                f" Does its sheet say its level for 2.83 V at 1 m? If so, {abs(step_db):.0f} dB less by two resistors "
                "before it would bring it down to the other."
                if step_db > 0
                else ""
            )
            yield (
                f"{boxes(view)}: the {loud} is {abs(step_db):.1f} dB louder beside the crossover than the {soft}."
                f"{remedy}"
            )


def _out_of_phase(crossing: Crossing, view: DesignView) -> str:
    return (
        f"{boxes(view)}: {crossing.lower} and {crossing.upper} are {abs(crossing.degrees):.0f} degrees apart where "
        f"they meet, at {hertz(crossing.frequency_hz)}: together {crossing.sum_db:+.0f} dB against one of them alone; "
        f'with one reversed (polarity = "reversed") {crossing.reversed_db:+.0f} dB.'
    )


def excluded_by_limits(judged: Sequence[tuple[str, str, Verdict]]) -> Iterator[str]:
    """Limits that the design itself does not keep to, and such as nothing can be held against; each once."""
    said = set()
    for check, key, verdict in judged:
        where = f'limits.{check}."{key}"'
        if verdict.outcome == "fail":
            own = f"the design has {verdict.value:.3g} {verdict.unit}".rstrip()
            at = "" if np.isnan(verdict.at_hz) else f" at {hertz(verdict.at_hz)}"
            words = f"{where} ({verdict.limit}) excludes the design: {own}{at}, {verdict.reason}"
        elif verdict.outcome == "void" and verdict.limit:
            words = f"{where} ({verdict.limit}) can never be met: {verdict.reason}"
        else:
            continue
        if words not in said:
            said.add(words)
            yield f"{words}."


def _gate_too_long(kit: Kit) -> Iterator[str]:
    found = _gate(kit)
    if found and found[0] > found[1].later_ms:
        gate_ms, first = found
        longest = gate_before(first)
        yield (
            f"checks.response.gate_ms = {gate_ms:g} is longer than the first reflection takes: off {first.words} it "
            f"comes {first.later_ms:.1f} ms after the direct sound. Allowed here: gate_ms = {longest:g}; levels can "
            f"then be trusted from {hertz(lowest_hz(longest))} (now, wrongly, from {hertz(lowest_hz(gate_ms))})."
        )


def hints(kit: Kit) -> list[str]:
    """What would be better, and hurts nobody as it is."""
    settings = settings_of(kit, response.NAME, response.Settings)
    found = _gate(kit)
    if settings and not found:
        return [
            f"Nobody says how far floor, walls and bench top are from box and microphone (a table [jig] in kit.toml): "
            f"whether the first reflection comes after checks.response.gate_ms = {settings.gate_ms:g} cannot be told."
        ]
    if not found or gate_before(found[1]) < found[0] + WORTH_MS:
        return []
    gate_ms, first = found
    longest = gate_before(first)
    return [
        f"checks.response.gate_ms = {gate_ms:g} could be {longest:g}: the first reflection, off {first.words}, comes "
        f"after {first.later_ms:.1f} ms. Levels could then be trusted from {hertz(lowest_hz(longest))} instead of "
        f"{hertz(lowest_hz(gate_ms))}."
    ]


def _gate(kit: Kit) -> tuple[float, Reflection] | None:
    """The gate in milliseconds, and the first reflection of the jig where that comes soonest."""
    settings = settings_of(kit, response.NAME, response.Settings)
    if settings is None or kit.jig is None:
        return None
    furthest = max(kit.position(name).distance_m for name in settings.positions)
    found = reflections(kit.jig, furthest)
    return (settings.gate_ms, found[0]) if found else None
