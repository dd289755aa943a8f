"""Signs of a bench fault in the captures of a run that did not pass: a reason to check the bench before the unit."""

from collections.abc import Sequence

from rig.bench_check import common, heard, leads, loudness, playing
from rig.bench_check.evidence import hears
from rig.bench_check.heard import Playing
from rig.bench_check.leads import Leads
from rig.bench_check.told import Told, without_what_follows
from rig.clocks import on_one_clock
from rig.kit import Kit
from rig.readings import Capture, Untrusted
from rig.requests import Sweep
from rig.responses import air_speed_m_s, sweep_layout

#: Words that a run's page begins its advice with.
ADVICE = "run kitproof check-bench"


def advice(kit: Kit, captures: Sequence[Capture]) -> str:
    """Why the bench should be checked after this run, in one sentence; empty: nothing in its captures says so."""
    found = signs(kit, captures)
    return f"{ADVICE}: {'; '.join(dict.fromkeys(one.words for one in found))}" if found else ""


def signs(kit: Kit, captures: Sequence[Capture]) -> list[Told]:
    """What the quiet sweeps of a run tell of the bench. A fault of the unit shows at one box, one of the bench at all.

    Parameters
    ----------
    captures
        Of a run, in any order; only the quiet sweeps that begin each stage are looked at, the newest of each.
    """
    whole = [c for c in captures if _is_quiet(kit, c.request) and _is_whole(c)]
    quiet = {c.request: on_one_clock(c, whole) for c in whole}
    at_leads = [Leads(kit, c, c) for c in quiet.values() if c.request.stage == "leads"]
    boxes = tuple(c for c in quiet.values() if c.request.stage == "playing" and c.request.at == c.request.channel)
    told: list[Told] = []
    if len(at_leads) == len(kit.channels):
        told += without_what_follows(_at_all([_of_leads(bench) for bench in at_leads]))
    if len(boxes) == len(kit.channels):
        told += without_what_follows(_of_boxes(Playing(kit, boxes[0], boxes, boxes[0])))
    return told


def _is_quiet(kit: Kit, request: Sweep) -> bool:
    return request.stage in ("leads", "playing") and request == kit.sweep(
        request.stage, request.channel, request.at, request.position, quiet=True
    )


def _is_whole(capture: Capture) -> bool:
    try:
        sweep_layout(capture)
    except Untrusted:
        return False
    return True


def _of_leads(bench: Leads) -> list[Told]:
    told = [*common.overdriven([bench.sweep]), leads.silent(bench)]
    if hears(bench.sweep, "drive") and hears(bench.sweep, "sense"):
        told += [one for one in (leads.exchanged(bench), leads.output_level(bench), leads.load(bench)) if one]
    return [one for one in told if one.is_right is False]


def _other_box_sounds(bench: Playing) -> bool:
    """Whether the sound at the first box may as well come from another one: boxes exchanged, not a moved microphone."""
    own = next((one for one in bench.heard if one.channel == bench.sweeps[0].request.channel), None)
    if own is None:
        return False
    own_s = heard.way_s(bench, own.channel)
    others_s = [
        heard.way_s(bench, channel.name) - own_s for channel in bench.kit.channels if channel.name != own.channel
    ]
    return any(abs(own.best[0] - other_s) * air_speed_m_s(bench.silence) < playing.PLACE_M for other_s in others_s)


def _at_all(found: Sequence[Sequence[Told]]) -> list[Told]:
    """What is told of every box alike; with only one box, what cannot be the unit's."""
    shared = set.intersection(*({one.what for one in told} for told in found))
    told = [one for one in found[0] if one.what in shared]
    return [one for one in told if len(found) > 1 or one.certainty != "bench or unit"]


def _of_boxes(bench: Playing) -> list[Told]:
    told = [*common.overdriven(bench.sweeps), playing.exchanged(bench), playing.loopback(bench)]
    told += [playing.polarity(bench)]
    if not (bench.loops and _other_box_sounds(bench)):
        told += [playing.place(bench), loudness.resistor_left_in(bench), loudness.microphone_level(bench)]
    several = len(bench.sweeps) > 1
    return [one for one in told if one and one.is_right is False and (several or one.certainty != "bench or unit")]
