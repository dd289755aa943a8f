"""The bench check as a whole: what it asks of the bench, and what it tells of the captures."""

from collections.abc import Sequence
from dataclasses import replace

from rig.bench_check.bench_finding import BenchFinding, without_what_follows
from rig.bench_check.boxes import Playing
from rig.bench_check.leads import Leads, assess_leads
from rig.bench_check.playing import assess_playing
from rig.design.kit import Kit
from rig.values.captures import Capture, Untrusted
from rig.values.requests import QUIET_S, Stage, Sweep
from rig.verdict.clocks import on_one_clock
from rig.verdict.responses import sweep_layout
from rig.verdict.spacing import spaced

#: Silence is listened to for so long (our choice; tests/benchmarks/bench_faults.py).
LEADS_SILENCE_S, PLAYING_SILENCE_S = 1.0, 2.0
#: At the leads, where a kit's quiet sweep may be the one that its impedance is read from; our choice.
QUIET_V = 0.03
#: The long sweep is softer by this factor, takes so long, and goes to this part of the sample rate (our choice;
#: tests/benchmarks/bench_faults.py).
SOFTER, LONGER_S = 10**-0.5, 1.5
WIDEST_OF_RATE = 0.458


def requests(kit: Kit, stage: Stage, sample_rate_hz: float) -> list[Sweep]:
    """What the check plays in a stage: silence, then quiet short sweeps, none louder than the kit's quiet level.

    At the leads of the first box: one. Playing, the microphone at the first box: one on each channel, and the first
    channel's again, softer, longer and over all the converter's band.
    """
    first, widest_hz = kit.channels[0].name, WIDEST_OF_RATE * sample_rate_hz
    if stage == "leads":
        quiet = kit.sweep("leads", first, quiet=True)
        quiet = replace(quiet, seconds=QUIET_S, level_v=min(quiet.level_v, QUIET_V))
        sweep = spaced(replace(quiet, stop_hz=widest_hz), is_gate=True)
        return [replace(quiet, level_v=0.0, seconds=LEADS_SILENCE_S), sweep]
    place = kit.positions[0].name
    pings = [kit.sweep("playing", channel.name, first, place, quiet=True) for channel in kit.channels]
    sweeps = [spaced(ping, is_gate=True) for ping in pings]
    soft = replace(sweeps[0], level_v=sweeps[0].level_v * SOFTER, seconds=LONGER_S, stop_hz=widest_hz)
    return [replace(kit.silence(first, place, PLAYING_SILENCE_S), marks=None), *sweeps, soft]


def assess(kit: Kit, captures: Sequence[Capture], load_ohm: float | None = None) -> list[BenchFinding]:
    """What the captures of one stage, in the order of its requests, tell about the bench.

    Parameters
    ----------
    load_ohm
        At the leads: value of a known resistor in place of the box.

    Captures that are not whole are reported as such, and nothing else is.
    """
    try:
        for capture in captures:
            sweep_layout(capture)
    except Untrusted as error:
        to_do = "Close other programs that use the card, ask for a longer latency (latency_s), plug it in anew."
        return [BenchFinding("captures", False, str(error), to_do)]
    silence, *sweeps = [on_one_clock(capture, captures) for capture in captures]
    if silence.request.stage == "leads":
        found = assess_leads(Leads(kit, silence, sweeps[0], load_ohm))
    else:
        found = assess_playing(Playing(kit, silence, tuple(sweeps[:-1]), sweeps[-1]))
    return without_what_follows(found)


def speaks_against_playing(findings: Sequence[BenchFinding]) -> str:
    """Why nothing should be played into the amplifier after what the leads told; empty: nothing speaks against it."""
    for one in findings:
        if one.is_right is False and one.what in AGAINST_PLAYING:
            return one.words
    return ""


#: Found at the leads, these let nothing be played into the amplifier.
AGAINST_PLAYING = ("clips short", "output too loud")
