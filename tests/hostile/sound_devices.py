"""Commands on a sound card that misbehaves somewhere: no false pass, an end in time, whole records, no sound left."""

import io
import json
import shutil
import traceback
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, redirect_stderr, suppress
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from random import Random
from typing import Any
from unittest import mock

import numpy as np

from hostile import card_tricks
from hostile.card_benches import BENCH_NAME, BENCHES, FAULT, LOAD_OHM, card_with
from hostile.ground import KIT, Ground
from hostile.promise import STATUS, Done, hold, kitproof, refuse_damage, refuse_false_pass
from hostile.sound_cards import Card
from rig.bench.settings import bench_settings
from rig.calibration.storage import SenseDetails, read_store
from rig.commands import bench as bench_command_module
from rig.design.kit import load_kit
from rig.files.errors import BENCH, KitproofError
from rig.files.tables import read_toml
from rig.page.front import Front, Place
from rig.page.live_levels import EVERY_S, Kept
from rig.page.unit_run import measure
from rig.page.view import Unit, View
from rig.run import opening
from rig.run.journal import Journal
from rig.store.records import document_of, unfinished, unit_records
from rig.values.run import Event

#: Units that pass on a good card, and one with a fault, that fails.
GOOD, BAD = ("SO-0201", "SO-0203"), "SO-0202"
Run = Callable[[Path, str], Done]


@dataclass(frozen=True)
class Tried:
    """What is tried: a command's words, and what is typed at it; or a function that does it."""

    words: tuple[str, ...] = ()
    typed: str = ""
    #: Instead of the command; of a workspace and a unit.
    run: Run | None = None
    #: Of BENCHES.
    bench: str = "card"
    #: The plan of a run that was cut off behind so many events, and stands on the disk.
    cut: tuple[str, int] | None = None


def _verify(plan: str) -> tuple[str, ...]:
    return ("verify", KIT, "{unit}", "--plan", plan, "--json", "--yes")


def _levels(workspace: Path, unit: str) -> Done:
    """Two seconds of what the page's levels do while a window shows them."""
    shown, status, words = 0, 0, ""
    try:
        with opening.listening(workspace, bench_settings(workspace, None), load_kit(workspace, KIT)) as listener:
            kept = Kept(listener)
            for _ in range(10):
                shown += len(kept.add(listener.heard(EVERY_S)).levels)
    except KitproofError as error:
        status, words = BENCH, str(error)
    done = Done(("levels",), status, f"{shown}", words)
    hold(done)
    return done


def _at_the_page(workspace: Path, unit: str) -> Done:
    """A run as the page makes it, with somebody who says yes to all."""
    kit, view, status, told = load_kit(workspace, KIT), View(phase="busy"), 0, io.StringIO()

    def change(make: Callable[[View], View]) -> None:
        nonlocal view
        view = make(view)

    front = Front(lambda words: True, lambda words: "", change, lambda: None)
    before = {one.folder for one in unit_records(workspace, unit)}
    try:
        with redirect_stderr(told):
            measure(front, Place(workspace, bench_settings(workspace, None), ""), Unit(KIT, kit.title, unit, "quick"))
    except KitproofError as error:
        status, told = BENCH, io.StringIO(str(error))
    out = ""
    if new := [one for one in unit_records(workspace, unit) if one.folder not in before]:
        out, status = json.dumps(document_of(new[-1])), STATUS[new[-1].outcome]
    done = Done(("verify", "--json", "at the page"), status, out, told.getvalue())
    hold(done)
    return done


def _found_out(workspace: Path, unit: str) -> Done:
    """`kitproof bench`, without the calibrations that it goes on to."""
    is_own = len(bench_settings(workspace, None).wanted_devices) > 1
    typed = "found\n" + "y\n" * is_own + "10\n2\n10\n20\n" + "y\n" * 9
    with mock.patch.object(bench_command_module, "go_on_to_calibrate"):
        return kitproof("bench", KIT, "--to", str(workspace / FOUND), "--workspace", str(workspace), typed=typed)


#: Where `kitproof bench` writes what it found.
FOUND = "found.toml"
TRIED: Mapping[str, Tried] = {
    "verify": Tried(_verify("quick")),
    "verify at leads": Tried(_verify("bare")),
    "verify with its own microphone": Tried(_verify("quick"), bench="own"),
    "verify without a loopback": Tried(_verify("quick"), bench="alone"),
    "verify at the page": Tried(run=_at_the_page),
    "resume": Tried(("resume", "{unit}", "--yes"), cut=("quick", 12)),
    "resume heat": Tried(("resume", "{unit}", "--yes"), cut=("heat", 40)),
    "heat": Tried(_verify("heat")),
    "heat with its own microphone": Tried(_verify("heat"), bench="own"),
    "levels": Tried(run=_levels),
    "levels with its own microphone": Tried(run=_levels, bench="own"),
    "bench": Tried(run=_found_out),
    "bench with its own microphone": Tried(run=_found_out, bench="own"),
    "check-bench": Tried(("check-bench", KIT, "--yes")),
    "check-bench with its own microphone": Tried(("check-bench", KIT, "--yes"), bench="own"),
    "calibrate-load": Tried(("calibrate-load", str(LOAD_OHM), "--yes")),
    "calibrate sense": Tried(("calibrate", "sense", "--load", str(LOAD_OHM), "--yes")),
    "calibrate loopback": Tried(("calibrate", "loopback", "--yes")),
    "calibrate loopback at leads": Tried(("calibrate", "loopback", "--stage", "leads", "--yes")),
    "calibrate output": Tried(("calibrate", "output", "--yes"), "0.05\n0.7071\n"),
    "calibrate input": Tried(("calibrate", "input", "loopback", "--metered", "--yes"), "0.7071\n"),
    "calibrate input drive": Tried(("calibrate", "input", "drive", "--metered", "--yes"), "0.1768\n"),
    "calibrate microphone": Tried(("calibrate", "microphone", "--yes")),
    "calibrate microphone of its own": Tried(("calibrate", "microphone", "--yes"), bench="own"),
    "daily": Tried(("daily", KIT, "--yes")),
    "daily with its own microphone": Tried(("daily", KIT, "--yes"), bench="own"),
    "daily of the resistor": Tried(("daily", "--yes")),
    "devices": Tried(("devices",)),
}
#: What takes long; all others are twice as often.
RARELY: Mapping[str, int] = {"heat": 1, "heat with its own microphone": 1, "resume heat": 1}
#: A reading or a calibration is what it is on a card that behaves to such a part: noise, and no more.
WITHIN = 0.02
#: What is said of a bench that could not do it: nobody is left with an empty line.
SHORTEST_WORDS = 10
#: How often what was done to whom.
counts: Counter[str] = Counter()


@dataclass(frozen=True)
class Undisturbed:
    """A command on a card that behaves: what it printed, what it calibrated, and how many blocks it took."""

    document: Mapping[str, Any]
    calibrated: Mapping[str, Any]
    blocks: int


@dataclass(frozen=True)
class Bench:
    """A workspace for each bench, calibrated; and what is known of each command and unit on it."""

    ground: Ground
    known: dict[tuple[str, str], Undisturbed]

    def workspace(self, name: str) -> Path:
        """Where something is tried."""
        bench = TRIED[name].bench
        workspace = self.ground.workspace.parent / f"with a card, {bench}"
        if not workspace.exists():
            shutil.copytree(self.ground.workspace / "limits", workspace / "limits")
            (workspace / "bench.toml").write_text(BENCHES[bench], encoding="utf-8")
            with card_with(workspace, GOOD[0], has_own=bench == "own"):
                assert _run(workspace, "calibrate-load", "").status == 0
            shutil.copytree(workspace / "results", workspace / "calibrated")
        return workspace

    def mend(self, name: str, unit: str) -> None:
        """As it is to be before a try, with what is cut off there."""
        workspace, cut = self.workspace(name), TRIED[name].cut
        whole = workspace / "calibrated"
        if cut and not (whole := workspace / f"cut off {name} {unit}").exists():
            _copied(workspace / "calibrated", workspace / "results")
            with card_with(workspace, unit, FAULT if unit == BAD else ""):
                _cut_off(workspace, unit, *cut)
            _copied(workspace / "results", whole)
        _copied(whole, workspace / "results")
        (workspace / FOUND).unlink(missing_ok=True)


def _copied(whole: Path, place: Path) -> None:
    shutil.rmtree(place, ignore_errors=True)
    shutil.copytree(whole, place)


class PowerCut(BaseException):
    """The end of a run without an end."""


def _cut_off(workspace: Path, unit: str, plan: str, events: int) -> None:
    """Leave a run on the disk as a power cut behind so many of its events does."""
    usual = Journal.keep

    def keep(journal: Journal, of: Iterable[Event]) -> Iterator[Event]:
        for n, event in enumerate(usual(journal, of)):
            yield event
            if n == events:
                raise PowerCut

    with mock.patch.object(Journal, "keep", keep), suppress(AssertionError):
        kitproof(*(word.format(unit=unit) for word in _verify(plan)), "--workspace", str(workspace))
    assert unfinished(workspace), "nothing was cut off"


@lru_cache(maxsize=1)
def bench_in(ground: Ground) -> Bench:
    """The benches of all tries."""
    return Bench(ground, {})


def undisturbed(bench: Bench, name: str, unit: str) -> Undisturbed:
    """What a command does on a card that behaves.

    Raises
    ------
    AssertionError
        If a good unit does not pass there, or one with a fault does.
    """
    if (name, unit) not in bench.known:
        workspace = bench.workspace(name)
        bench.mend(name, unit)
        with unit_on(workspace, name, unit) as card:
            done = _run(workspace, name, unit)
        assert done.status < 3, done
        document = _document(done, workspace, unit)
        if name in ("verify", "verify with its own microphone", "verify at the page"):
            assert document["outcome"] == ("fail" if unit == BAD else "pass"), done
        bench.known[name, unit] = Undisturbed(document, _calibrated(workspace), card.blocks)
    return bench.known[name, unit]


def unit_on(workspace: Path, name: str, unit: str) -> AbstractContextManager[Card]:
    """A card with a unit on it."""
    # What is taken up is as warm as it was.
    return card_with(
        workspace, unit, FAULT if unit == BAD else "", TRIED[name].bench == "own", 110.0 * bool(TRIED[name].cut)
    )


def _run(workspace: Path, name: str, unit: str) -> Done:
    tried = TRIED[name]
    if tried.run:
        try:
            return tried.run(workspace, unit)
        except Exception:
            raise AssertionError(traceback.format_exc()[-4000:]) from None
    words = (word.format(unit=unit) for word in tried.words)
    return kitproof(*words, "--workspace", str(workspace), typed=tried.typed)


def _calibrated(workspace: Path) -> dict[str, Any]:
    """What the newest calibration of each kind says, as numbers."""
    found: dict[str, Any] = {}
    for one in sorted(read_store(workspace, BENCH_NAME)[0], key=lambda stored: stored.path.name if stored.path else ""):
        found[f"{one.kind} {one.of}"] = one.details.gain if isinstance(one.details, SenseDetails) else one.value
    return found


def try_sound_devices(random: Random, ground: Ground) -> None:
    """One command on a card that plays one trick or two at a random moment."""
    bench, unit = bench_in(ground), random.choice((*GOOD, BAD))
    name = random.choices(list(TRIED), [RARELY.get(name, 2) for name in TRIED])[0]
    whole, told, workspace = undisturbed(bench, name, unit), "", bench.workspace(name)
    bench.mend(name, unit)
    try:
        with unit_on(workspace, name, unit) as card:
            played = _conjure(random, card, whole.blocks)
            told = f"{name} of {unit}, {played}"
            done = _run(workspace, name, unit)
        told += f"\n{done.status} {done.out[-1500:]}\n{done.err[-1500:]}"
        _hold(workspace, done, whole, unit, played)
    except AssertionError as error:
        raise AssertionError(f"{told}\n{error}") from None
    counts[name] += 1
    counts[f"of these status {done.status}"] += 1


def _conjure(random: Random, card: Card, blocks: int) -> str:
    """Let a card play a trick; which."""
    kind = random.random()
    if kind < 0.1:
        name = random.choice(list(card_tricks.WHEN_ASKED))
        card_tricks.WHEN_ASKED[name](random, card)
        return name
    if kind < 0.3:
        call, name = random.choice(card_tricks.CALLS), random.choice(list(card_tricks.IN_A_CALL))
        card.calls[call] = card_tricks.IN_A_CALL[name](card)
        return f"{call}: {name}"
    names = random.sample(list(card_tricks.TRICKS), random.choice((1, 1, 1, 2)))

    def strike(stream: Any) -> None:
        for name in names:
            card_tricks.TRICKS[name](random, stream)

    # As often near the beginning, where something is asked or opened, as anywhere.
    card.strikes_at = random.randint(1, max(min(blocks, random.choice((60, blocks))), 1))
    card.strike = strike
    return " and ".join(names) + f" at block {card.strikes_at} of {blocks}"


def _hold(workspace: Path, done: Done, whole: Undisturbed, unit: str, played: str) -> None:
    assert done.status < 3 or len(done.err.strip()) > SHORTEST_WORDS, "nobody knows what to do"
    is_like_a_unit = any(name in played for name in card_tricks.LIKE_A_UNIT)
    if not is_like_a_unit:
        for what, value in _calibrated(workspace).items():
            apart = np.max(np.abs(value - whole.calibrated.get(what, value)))
            assert apart <= WITHIN * max(1.0, np.max(np.abs(value))), f"{what} is off by {apart:g}"
        if done.words[0] == "bench" and done.status == 0:
            assert _wiring(workspace) == whole.document, f"found {_wiring(workspace)}"
    if done.words[0] in ("verify", "resume") and done.status <= 2:
        document = _document(done, workspace, unit)
        refuse_false_pass(document)
        assert STATUS[document["outcome"]] == done.status
        assert unit != BAD or document["outcome"] != "pass" or whole.document["outcome"] == "pass", "a bad unit passed"
        if not is_like_a_unit:
            assert unit == BAD or document["outcome"] != "fail", f"a bad bench failed a unit: {_failing(document)}"
            _hold_readings(document, whole.document)
    refuse_damage(workspace, unit)
    assert not unfinished(workspace) or (done.words[0] == "resume" and done.status > 2), "a half record"


def _document(done: Done, workspace: Path, unit: str) -> dict[str, Any]:
    """What a command says of what it measured."""
    if done.words[0] == "bench":
        return _wiring(workspace)
    if done.words[0] == "resume":
        return document_of(unit_records(workspace, unit)[-1])
    return dict(done.document()) if "--json" in done.words else {}


def _wiring(workspace: Path) -> dict[str, Any]:
    """What `kitproof bench` wrote, without the volts, which noise moves."""
    found = read_toml(workspace / FOUND)
    return {
        stage: {key: found[stage].get(key) for key in ("outputs", "inputs", "loopback_output", "sense_in")}
        for stage in ("leads", "playing")
    }


def _failing(document: Mapping[str, Any]) -> Sequence[Any]:
    return [one for result in document["results"] for one in result["verdicts"] if one["outcome"] == "fail"]


def _verdicts(document: Mapping[str, Any]) -> dict[tuple[str, str, str], Mapping[str, Any]]:
    return {
        (result["check"], one["quantity"], one["subject"]): one
        for result in document["results"]
        for one in result["verdicts"]
    }


def _hold_readings(document: Mapping[str, Any], whole: Mapping[str, Any]) -> None:
    """What passes says what is so: on another look it may move by noise, and no more."""
    truth = _verdicts(whole)
    for key, one in _verdicts(document).items():
        if one["outcome"] != "pass" or key not in truth or truth[key]["outcome"] != "pass":
            continue
        apart = abs(one["margin"] - truth[key]["margin"])
        allowed = 6 * (one["uncertainty"] or 0.0) + WITHIN * max(1.0, abs(truth[key]["margin"]))
        assert apart <= allowed, f"{key}: margin {one['margin']:g}, undisturbed {truth[key]['margin']:g}"
