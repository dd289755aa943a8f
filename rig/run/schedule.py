"""Kit and checks make a schedule: stages in safety order, and in each the merged requests, grouped by what the
person at the bench has to move."""

import hashlib
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from rig.circuit.near_field import Surface
from rig.design.kit import Kit, PositionSpec
from rig.design.soak import CAUTIONS
from rig.design.speaker import PORT
from rig.files.errors import TableError
from rig.signals.stimulus import HIGHEST_CODE
from rig.values.requests import AT_LEADS, MOMENTS, STAGE_ORDER, Programme, Request, Stage, Sweep
from rig.verdict.check import ListedCheck
from rig.verdict.spacing import in_a_row, spaced


@dataclass(frozen=True)
class Group:
    """Requests that need nothing moved between them. The gates come first and must pass before the rest sounds.

    In the soak they come in the order of their moments.
    """

    stage: Stage
    #: The channel whose box the clips or the microphone are at, and where the microphone stands.
    at: str
    position: str
    #: What to tell the person at the bench before it.
    words: str
    gates: tuple[Request, ...]
    requests: tuple[Request, ...]


@dataclass(frozen=True)
class StagePlan:
    """One wiring of the bench."""

    name: Stage
    words: str
    groups: tuple[Group, ...]


@dataclass(frozen=True)
class Schedule:
    """All that a run asks of the bench, in order."""

    stages: tuple[StagePlan, ...]
    #: For each check's name, the requests that it reads.
    needs: dict[str, tuple[Request, ...]]

    @property
    def requests(self) -> tuple[Request, ...]:
        """Every request once, in the order of playing."""
        return tuple(r for s in self.stages for g in s.groups for r in (*g.gates, *g.requests))


def plan(kit: Kit, checks: Sequence[ListedCheck]) -> Schedule:
    """Merge equal requests of all checks and put them in safety order.

    Raises
    ------
    TableError
        If a request's level is above the amplifier's limit, or a check needs a stage that the kit has no words for.
    """
    needs = {listed.name: listed.requests(kit) for listed in checks}
    gates = {r for listed in checks if listed.check.GATE for r in needs[listed.name]}
    wanted = list(dict.fromkeys(request for requests in needs.values() for request in requests))
    for request in wanted:
        _refuse_unsafe(kit, request)
    _require_gates(kit, wanted, gates)
    stages = []
    for name in STAGE_ORDER:
        here = [request for request in wanted if request.stage == name]
        if here:
            words = kit.stages[name].words + (CAUTIONS if name == "soak" else "")
            words += "" if name in AT_LEADS else before_leads_words(kit)
            stages.append(StagePlan(name, words, _groups(kit, here, gates)))
    return Schedule(tuple(stages), needs)


def with_codes(schedule: Schedule, run: str) -> Schedule:
    """A schedule whose sweeps have a run's silences, and codes in an order drawn from its name, none twice as far as
    codes reach.

    Code 0 is for what no run asks for, such as calibrations. So no capture of the run can stand in another's place, and
    that of the same request in another run has another code in 62 of 63 cases.
    """
    codes = sorted(range(1, HIGHEST_CODE + 1), key=lambda code: hashlib.sha256(f"{run} {code}".encode()).digest())
    sweeps = [request for request in schedule.requests if isinstance(request, Sweep)]
    gates = {request for stage in schedule.stages for group in stage.groups for request in group.gates}
    coded: dict[Request, Request] = {
        sweep: replace(spaced(sweep, sweep in gates), code=codes[n % len(codes)]) for n, sweep in enumerate(sweeps)
    }
    for group in (group for stage in schedule.stages if stage.name == "playing" for group in stage.groups):
        places = [
            [one for r in requests if isinstance(one := coded[r], Sweep)] for requests in (group.gates, group.requests)
        ]
        coded |= {sweep: sweep for row in in_a_row(*places) for sweep in row}

    def of(requests: Sequence[Request]) -> tuple[Request, ...]:
        return tuple(coded.get(request, request) for request in requests)

    stages = tuple(
        replace(stage, groups=tuple(replace(g, gates=of(g.gates), requests=of(g.requests)) for g in stage.groups))
        for stage in schedule.stages
    )
    return Schedule(stages, {check: of(requests) for check, requests in schedule.needs.items()})


def _refuse_unsafe(kit: Kit, request: Request) -> None:
    path = kit.folder / "kit.toml"
    channels = request.channels if isinstance(request, Programme) else (request.channel,)
    lift = 1.0 if request.stage in AT_LEADS else max(kit.channel(name).lift for name in channels)
    if request.level_v * lift > kit.amplifier.limit_v:
        lifted = f", which filter and tone control lift to {request.level_v * lift:.3g} V" if lift > 1.001 else ""
        raise TableError(
            f"{path}: a check asks for {request.level_v:g} V ({request}){lifted}; "
            f"allowed: up to amplifier.limit_v = {kit.amplifier.limit_v:g} V"
        )


def _require_gates(kit: Kit, wanted: list[Request], gates: set[Request]) -> None:
    """Nothing loud without a gate before it: on the leads of that channel, and quietly through its amplifier."""
    gated = {(gate.stage, gate.at) for gate in gates if not isinstance(gate, Programme)}
    for request in wanted:
        boxes = request.channels if isinstance(request, Programme) else (request.channel, request.at)
        for stage, box in ((stage, box) for stage in _gate_stages(request.stage) for box in boxes):
            if (stage, box) not in gated:
                raise TableError(
                    f"{kit.folder / 'kit.toml'}: checks: nothing quiet proves the {box} box at the stage "
                    f"{stage!r} before {request}; list the checks leads and ping"
                )


def _gate_stages(stage: Stage) -> tuple[Stage, ...]:
    return ("leads",) if stage in AT_LEADS else ("leads", "playing")


def _groups(kit: Kit, requests: list[Request], gates: set[Request]) -> tuple[Group, ...]:
    if requests[0].stage == "soak":
        return (_one_group(kit, requests),)
    places = list(dict.fromkeys((request.at, request.position) for request in requests))
    order = {channel.name: n for n, channel in enumerate(kit.channels)}
    places.sort(
        key=lambda place: (
            order[place[0]],
            [p.name for p in kit.positions].index(place[1]) if place[1] else -1,
        )
    )
    groups = []
    for at, position in places:
        # The box's own quiet sweep is the last: what comes next may share its mark.
        here = [r for r in requests if (r.at, r.position) == (at, position)]
        here.sort(key=lambda r: (r.level_v, isinstance(r, Sweep) and r.channel == r.at))
        groups.append(
            Group(
                stage=here[0].stage,
                at=at,
                position=position,
                words=_words(kit, here[0].stage, at, position),
                gates=tuple(r for r in here if r in gates),
                requests=tuple(r for r in here if r not in gates),
            )
        )
    return tuple(groups)


def _one_group(kit: Kit, requests: list[Request]) -> Group:
    """The soak: nothing is moved, and what is asked before a programme comes before it."""
    places = list(dict.fromkeys((request.at, request.position) for request in requests))
    if len(places) > 1:
        found = "; ".join(f"{at}, {position}" for at, position in places)
        raise TableError(f"{kit.folder / 'kit.toml'}: checks: the soak has one place of the microphone; found {found}")
    (at, position), stage = places[0], requests[0].stage
    in_order = tuple(sorted(requests, key=lambda request: MOMENTS.index(request.moment)))
    return Group(stage, at, position, _words(kit, stage, at, position), (), in_order)


def _words(kit: Kit, stage: Stage, at: str, position: str) -> str:
    distance = f"{kit.position(position).distance_m:g} m" if position else ""
    text = kit.stages[stage].each.format(channel=at, position=position, distance=distance)
    if position and (place := kit.position(position)).near is not None:
        text = near_words(place, at, kit.channel(at).surfaces()[place.near])
    elif position and place.angle_deg:
        text += f" {aside_words(place)}"
    # "the {channel} box" of a channel that is itself named box.
    return re.sub(r"\bbox box\b", "box", text)


def before_leads_words(kit: Kit) -> str:
    """What stands between the card and the leads while something plays, and how it is to be set; empty: nothing odd."""
    found = ""
    if not kit.amplifier.own:
        found += (
            " This kit has no amplifier of its own: between card and leads stands the bench's, with a gain of "
            f"{kit.amplifier.gain_db:g} dB. Set its volume to the mark where that was measured, its tone controls flat."
        )
    stages = {channel.name: channel.before_words() for channel in kit.channels if channel.before_words()}
    if stages:
        listed = "; ".join(f"at {name} {words}" for name, words in stages.items())
        found += f" Between the card and the leads stands {listed}. Set it so, and leave it."
    return found


def aside_words(place: PositionSpec) -> str:
    """Where a place aside of the axis is, for the person who puts the microphone there."""
    side, other = ("right", "left") if place.angle_deg > 0 else ("left", "right")
    return (
        f"This place is {abs(place.angle_deg):g} degrees to the {side} of the axis as you look at the box, "
        f"{place.distance_m:g} m from the middle of its front, as high as the place on the axis. Leave the box and "
        "swing the microphone round, or leave the microphone and turn the box about the middle of its front until it "
        f"looks as much to the {other}."
    )


def near_words(place: PositionSpec, at: str, surface: Surface) -> str:
    """Where a place close to a cone or a port is, for the person who puts the microphone there."""
    gap = f"{place.distance_m * 1e3:g} mm"
    height = f"{abs(surface.up_m) * 1e3:.0f} mm {'above' if surface.up_m > 0 else 'below'}" if surface.up_m else "on"
    where = f"{gap} in front of the dust cap of the {surface.name}"
    if surface.name == PORT:
        side = "back" if surface.behind_m else "front"
        before = f"{gap} outside of" if place.distance_m else "level with"
        where = f"in the middle of the port's mouth, {before} the box's {side}"
    return (
        f"Near field: at the {at} box put the microphone {where}, {height} the axis of the other places, pointing at "
        "it. Use a spacer and take it away again; the microphone must touch nothing. This sweep is a quiet one."
    )
