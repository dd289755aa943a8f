"""Many commands at once in one workspace, some of them killed: each record whole, each number once, no run lost."""

import multiprocessing
import os
import signal
from collections.abc import Mapping
from contextlib import suppress
from multiprocessing.context import ForkProcess
from pathlib import Path
from random import Random

from hostile.ground import KIT, OF_TODAY, Ground
from hostile.kills import NEW, REPLACED, fall_silent, hold_ground
from hostile.promise import kitproof, recorded
from rig.store.records import unfinished, unit_records

#: So many are started at once.
SIZES = (16, 8, 3)
#: Name -> what each of them calls; what they may replace of each other's is what a kill of one may.
TOGETHER: Mapping[str, tuple[tuple[str, ...], ...]] = {
    "verify": (("verify", KIT, NEW, "--plan", "bare", "--json"),),
    "two benches": (
        ("verify", KIT, NEW, "--plan", "bare", "--json"),
        ("verify", KIT, NEW, "--plan", "bare", "--bench", "other.toml"),
    ),
    "rework": (("verify", KIT, OF_TODAY, "--plan", "bare"), ("rework", OF_TODAY, "resoldered C3")),
    "index": (("verify", KIT, NEW, "--plan", "bare"), ("results", "--json"), ("index", "--rebuild")),
    "daily": (("daily", KIT, "--yes"),),
    "learn": (("learn", KIT, "--draws", "300", "--yes"),),
    "reference": (("reference", KIT, OF_TODAY, "--plan", "quick"),),
}
OTHER_BENCH = 'kind = "simulated"\nname = "the other"\n[simulated]\nseed = 4\n'
#: Said by who finds that another wrote the kit meanwhile, again and again, or in the file that it was to edit.
AGAIN = ("start again when it has been written", "was changed meanwhile; it is left as it is: learn again")
#: All have ended after so long, however busy the machine is, s.
ENDS_WITHIN_S = 300.0


def try_at_once(random: Random, ground: Ground) -> None:
    """Commands of one kind at once; then what looks at all records, and one command more."""
    name, count = random.choice(list(TOGETHER)), random.choice(SIZES)
    (ground.workspace / "other.toml").write_text(OTHER_BENCH, encoding="utf-8")
    before, runs = (
        recorded(ground.workspace),
        {one: len(unit_records(ground.workspace, one)) for one in (NEW, OF_TODAY)},
    )
    calls = [random.choice(TOGETHER[name]) for _ in range(count)]
    started = [_started(ground, n, words) for n, words in enumerate(calls)]
    doomed = random.sample(started, random.choice((0, 0, count // 3)))
    for process in doomed:
        process.join(random.uniform(0, 1.5))
        with suppress(ProcessLookupError):
            os.kill(process.pid or 0, random.choice((signal.SIGKILL, signal.SIGTERM, signal.SIGINT)))
    for process in started:
        process.join(ENDS_WITHIN_S)
    told = f"{count} of {name}, {len(doomed)} killed"
    stayed = [process for process in started if process.is_alive()]
    for process in stayed:
        process.kill()
    assert not stayed, f"{told}: {len(stayed)} never end"
    broken = [process.exitcode for process in started if process not in doomed and process.exitcode]
    assert not broken, f"{told}: ended with {broken}"
    said = {int(path.stem): path.read_text(encoding="utf-8") for path in ground.outside.glob("*.said")}
    bad = [words for n, words in said.items() if started[n] not in doomed or "Traceback" in words or "JSON" in words]
    assert not bad, f"{told}: {bad[:3]}"
    whole = [words for words, process in zip(calls, started, strict=True) if process not in doomed]
    for serial, had in runs.items():
        records = unit_records(ground.workspace, serial)
        numbers = [record.run_number for record in records]
        assert len(set(numbers)) == len(numbers), f"{told}: {numbers}"
        meant = sum(words[0] == "verify" and words[2] == serial for words in whole)
        assert len(records) >= had + meant, f"{told}: {len(records)} records of {serial}, {had} before, {meant} ended"
    assert doomed or not [one for one in unfinished(ground.workspace) if one.parent.name == NEW], told
    hold_ground(ground, before, REPLACED.get(name, ()))
    done = kitproof("verify", KIT, NEW, "--plan", "bare", "--workspace", str(ground.workspace))
    assert done.status == 0, f"{told}: {done}"


def _started(ground: Ground, number: int, words: tuple[str, ...]) -> ForkProcess:
    process = multiprocessing.get_context("fork").Process(target=_member, args=(ground, number, words))
    process.start()
    return process


def _member(ground: Ground, number: int, words: tuple[str, ...]) -> None:
    os.chdir(ground.workspace)
    fall_silent()
    try:
        done = kitproof(*words, "--workspace", str(ground.workspace))
        told = "" if done.status in (0, 2) or any(words in done.err for words in AGAIN) else str(done)
    except AssertionError as error:
        told = str(error)
    if told:
        Path(ground.outside, f"{number}.said").write_text(told, encoding="utf-8")
    os._exit(0)
