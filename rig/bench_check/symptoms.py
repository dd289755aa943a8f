"""Signs of a bench fault in the quiet sweeps of a run: told before anything loud sounds, before a unit is blamed."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Literal

from rig.bench_check import any_input, boxes, leads, loudness, playing
from rig.bench_check.bench_finding import BenchFinding, without_what_follows
from rig.bench_check.boxes import Playing
from rig.bench_check.leads import Leads
from rig.bench_check.measured import has_signal, row_integrity
from rig.design.kit import Kit
from rig.values.captures import Capture, Untrusted, once_per_capture
from rig.values.names import BenchPart
from rig.values.requests import Request, Stage, Sweep
from rig.verdict.clocks import on_one_clock
from rig.verdict.responses import air_speed_m_s, heard_silence, sweep_layout

#: What a run's page sends to.
ADVICE = "Run kitproof check-bench"
#: These harm nothing that the checks would not notice: a reason only where they have noticed something.
NOISES = ("hum", "other sound", "ambient")
#: Read off the impedance, which may as well be one box's own.
OF_THE_BOX = ("sense resistor", "input gains")
#: What a sign leaves in doubt; any other leaves all that its stage measures.
DOUBTFUL_PARTS: Mapping[str, BenchPart] = {
    "output level": "output level",
    "output too loud": "output level",
    "loopback gain": "output level",
    "resistor left in": "speaker lead",
    "microphone level": "microphone gain",
    "microphone place": "microphone place",
    "microphone polarity": "microphone sign",
}
FAILED = "signs"
#: The captures of a run by what was asked for, once for each look at what was looked at most often.
Rounds = Sequence[Mapping[Request, Capture]]
#: Stage, and the captures that its signs were looked for in -> what was found.
Signs = dict[tuple[object, ...], list[BenchFinding]]


def advice(findings: Sequence[BenchFinding]) -> str:
    """Signs as the person at the bench is told them; empty where there are none."""
    lines = [f"{one.words}. {one.what_to_do}".strip() for one in findings]
    or_unit = all(one.certainty == "bench or unit" for one in findings)
    begins = "The bench looks wrong, or all of the unit is:" if or_unit else "The bench looks wrong:"
    return "\n".join([begins, *lines, f"{ADVICE} for more."]) if lines else ""


def bench_doubts(kit: Kit, rounds: Rounds, known: Signs | None = None) -> dict[BenchPart, str]:
    """Parts of the bench that the quiet sweeps of a run speak against, and in which words; `known` as below.

    Pure: the same captures give the same doubts, from a live run and from an archive.
    """
    return doubts_of({stage: symptoms_in_all(kit, rounds, stage, known) for stage in STAGES})


def doubts_of(found: Mapping[Stage, Iterable[BenchFinding]]) -> dict[BenchPart, str]:
    """Parts of the bench that the signs of each stage leave in doubt, and in which words.

    Noises are not among them: the checks themselves notice those. Where the search itself failed, nothing of the bench
    is proved.
    """
    doubts: dict[BenchPart, str] = {}
    for stage in STAGES:
        for one in unnoticed(found.get(stage, ())):
            words = f"{one.words} (or the unit is like that)" if one.certainty == "bench or unit" else one.words
            for part in STAGES if one.what == FAILED else (DOUBTFUL_PARTS.get(one.what, stage),):
                doubts[part] = "; ".join(filter(None, (doubts.get(part), words)))
    return doubts


def unnoticed(findings: Iterable[BenchFinding]) -> list[BenchFinding]:
    """Of signs, those that speak against a run whose gates pass."""
    return [one for one in findings if one.what not in NOISES]


#: The stages whose quiet sweeps are looked at.
STAGES: tuple[Literal["leads", "playing"], ...] = ("leads", "playing")


def symptoms_in_all(kit: Kit, rounds: Rounds, stage: Stage, known: Signs | None = None) -> list[BenchFinding]:
    """The signs in the captures of a run's first round that each other round shows too.

    Parameters
    ----------
    rounds
        By request, as `second_look.rounds` gives them: what one look shows and another does not is no fault of the
        bench.
    known
        What was found in the same captures by the same kit before; what is found now is added.
    """
    found: list[BenchFinding] = []
    known = {} if known is None else known
    for n, captures in enumerate(rounds):
        quiet = tuple(c for request, c in captures.items() if is_quiet(kit, request))
        # Of the playing the leads tell whether the unit is like the design.
        on = (stage, *(c for c in quiet if stage == "playing" or c.request.stage == stage))
        if on not in known:
            known[on] = symptoms_of(kit, quiet, stage)
        shown = {one.what for one in known[on]}
        if FAILED in shown:
            return known[on]
        found = [one for one in found if one.what in shown] if n else known[on]
    return found


def symptoms_of(kit: Kit, captures: Sequence[Capture], stage: Stage) -> list[BenchFinding]:
    """What the quiet sweeps of a run tell of the bench, as early as they can: a fault of the unit shows at one box, one
    of the bench at all.

    Parameters
    ----------
    captures
        Of a run so far, one of each request in any order; only the quiet sweeps that begin the stage are looked at.
        While some boxes are still to come, only what cannot be a box's own is reported.
    """
    try:
        whole = [c for c in captures if c.request.stage == stage and is_quiet(kit, c.request) and _is_whole(c)]
        quiet = {c.request: on_one_clock(c, whole) for c in whole}
        if stage == "leads":
            at_leads = [Leads(kit, _silence_of(c), c) for c in quiet.values()]
            found = _at_all([_of_leads(bench) for bench in at_leads], len(kit.channels)) if at_leads else []
        else:
            boxes = _boxes(kit, list(quiet.values()))
            found = _of_boxes(Playing(kit, _silence_of(boxes[0]), boxes, boxes[0]), quiet.values()) if boxes else []
            if not _is_like_design(kit, captures):
                found = [one for one in found if not _may_be_first_box(kit, one)]
    except Exception as error:
        # Whatever happens here, no run is lost by it.
        return [BenchFinding(FAILED, False, f"looking for signs of it failed: {type(error).__name__}: {error}")]
    return without_what_follows(found)


def _may_be_first_box(kit: Kit, found: BenchFinding) -> bool:
    """Whether the first box may give a sign by being another one than the design's."""
    return found.what == "microphone place" or (len(kit.channels) == 1 and found.certainty == "bench or unit")


def _is_like_design(kit: Kit, captures: Sequence[Capture]) -> bool:
    """Whether the first box's impedance at its bare leads is near the design's, where it was measured."""
    there = [c for c in captures if c.request.stage == "leads" and c.request.channel == kit.channels[0].name]
    at_leads = [c for c in there if is_quiet(kit, c.request) and _is_whole(c)]
    loads = [leads.load(Leads(kit, _silence_of(c), c)) for c in at_leads]
    return all(load is not None and load.is_right is True for load in loads)


def _boxes(kit: Kit, captures: Sequence[Capture]) -> tuple[Capture, ...]:
    """Each box heard from its own place, once there are all; before, those that are heard from the first one's."""
    own = tuple(c for c in captures if c.request.at == c.request.channel)
    if len(own) == len(kit.channels):
        return own
    first = kit.channels[0].name
    there = [c for c in captures if c.request.at == first]
    there.sort(key=lambda c: c.request.channel != first)
    return tuple(there) if any(c.request.channel == first for c in there) else ()


@once_per_capture
def _silence_of(capture: Capture) -> Capture:
    """The silence ahead of a capture's stimulus."""
    return replace(capture, samples=capture.samples[:, heard_silence(capture, capture.inputs[0])])


def is_quiet(kit: Kit, request: Request) -> bool:
    """Whether a request is one of the quiet sweeps that signs are looked for in."""
    if not isinstance(request, Sweep) or request.stage not in ("leads", "playing"):
        return False
    return request == kit.sweep(request.stage, request.channel, request.at, request.position, quiet=True)


def _is_whole(capture: Capture) -> bool:
    try:
        sweep_layout(capture)
    except Untrusted:
        return False
    return True


def _clock(captures: Sequence[Capture], role: str) -> list[BenchFinding]:
    """What is wrong with the timing, where a capture's own samples say that something is."""
    return any_input.clock(captures, role) if any(row_integrity(c, role).troubles for c in captures) else []


def _of_leads(bench: Leads) -> list[BenchFinding]:
    role = "drive" if has_signal(bench.sweep, "drive") else "sense"
    findings = [*any_input.overdriven([bench.sweep]), leads.silent(bench), *_clock([bench.sweep], role)]
    findings += leads.noises(bench)
    if has_signal(bench.sweep, "drive") and has_signal(bench.sweep, "sense"):
        findings += [one for one in (leads.exchanged(bench), leads.output_level(bench), leads.load(bench)) if one]
    return [one for one in findings if one.is_right is False]


def _other_box_sounds(bench: Playing, captures: Iterable[Capture]) -> bool:
    """Whether the sound at the first box may as well come from another one: boxes exchanged, not a moved microphone.

    Only boxes built alike agree with each other's design. Of two that are exchanged each sounds from where the other
    stands; from a microphone that was moved both are further.
    """
    first = bench.sweeps[0].request
    own = next((one for one in bench.box_levels if one.channel == first.channel), None)
    if own is None:
        return False
    there = {c.request.channel: c for c in captures if c.request.at == first.at and c.request.channel != first.channel}
    within_s = playing.PLACE_M / air_speed_m_s(bench.silence)
    alike = {
        one.name for pair in bench.kit.equal_channels() for one in pair if own.channel in (pair[0].name, pair[1].name)
    }
    for name in alike - {own.channel}:
        further_s = boxes.way_s(bench, name) - boxes.way_s(bench, own.channel)
        other = boxes.box_level(bench, there[name]) if name in there else None
        if abs(own.best[0] - further_s) < within_s and (other is None or abs(other.best[0] + further_s) < within_s):
            return True
    return False


def _at_all(found: Sequence[Sequence[BenchFinding]], boxes: int) -> list[BenchFinding]:
    """What is reported of every box alike; of one box, or before all were there, what cannot be the unit's."""
    shared = set.intersection(*({one.what for one in findings} for findings in found))
    findings = [one for one in found[0] if one.what in shared]
    if len(found) == boxes:
        return findings
    own = OF_THE_BOX if len(found) < boxes else ()
    return [one for one in findings if one.certainty != "bench or unit" and one.what not in own]


def _of_boxes(bench: Playing, captures: Iterable[Capture]) -> list[BenchFinding]:
    """What a microphone in front of its boxes tells; `captures` are all quiet ones of the stage."""
    role = "loopback" if bench.loops else "microphone"
    findings = [
        *any_input.overdriven(bench.sweeps),
        playing.silent(bench),
        playing.exchanged(bench),
        playing.loopback(bench),
    ]
    findings += [*_clock(bench.sweeps, role), playing.polarity(bench)]
    if not any(has_signal(capture, "microphone") for capture in bench.sweeps):
        findings += [loudness.ambient(bench)]
    if not (bench.loops and _other_box_sounds(bench, captures)):
        findings += [playing.place(bench), loudness.resistor_left_in(bench), loudness.microphone_level(bench)]
    boxes = len(bench.kit.channels)
    # The microphone's sign is stated and no knob changes it; a box connected the wrong way round is a usual fault.
    of_one_box = ("microphone polarity",) if boxes == 1 else ()
    may_be_unit = len(bench.sweeps) > 1 or boxes == 1
    return [
        one
        for one in findings
        if one
        and one.is_right is False
        and one.what not in of_one_box
        and (may_be_unit or one.certainty != "bench or unit")
    ]
