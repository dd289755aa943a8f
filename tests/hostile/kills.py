"""Commands killed at a random moment: nothing is lost, no half record is seen, nothing runs on, the next one works."""

import ctypes
import multiprocessing
import os
import signal
import sys
import time
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence, Set
from contextlib import AbstractContextManager, contextmanager, nullcontext, suppress
from datetime import timedelta
from pathlib import Path
from random import Random
from unittest import mock

from PIL import Image

from hostile.ground import KIT, OF_BEFORE, OF_TODAY, PACKED, Ground
from hostile.promise import Done, kitproof, recorded, refuse_damage, refuse_loss
from hostile.surroundings import SCANNED, furnish, has_store, hold_store, scene
from rig import cli
from rig.commands import archive
from rig.run.journal import interrupted
from rig.store.records import unfinished

NOTHING = nullcontext()
SIGNALS = (signal.SIGKILL, signal.SIGTERM, signal.SIGINT)
#: A unit that has no record yet.
NEW = "SO-0150"
#: A kit that is not there yet.
MADE = "another-kit"
#: Name -> a command that writes; `{outside}` is a folder beside the workspace.
KILLED: Mapping[str, tuple[str, ...]] = {
    "verify": ("verify", KIT, NEW, "--plan", "quick"),
    "bare": ("verify", KIT, OF_TODAY, "--plan", "bare"),
    "soak": ("verify", KIT, NEW, "--plan", "heat"),
    "resume": ("resume", "--yes"),
    "daily": ("daily", KIT, "--yes"),
    "calibrate": ("calibrate", "loopback", "--openings", "2", "--yes", "--bench", "{outside}/looped.toml"),
    "page": ("page", "--port", "0"),
    "deliver": ("deliver", "--all", "--bench", "{outside}/store.toml"),
    "learn": ("learn", KIT, "--draws", "300", "--yes"),
    "reference": ("reference", KIT, OF_TODAY, "--plan", "quick"),
    "archive": ("archive", "--older-than", "1", "--to", "{outside}/other", "--yes"),
    "bring back": ("archive", "--bring-back", PACKED, "--to", "{outside}/packs"),
    "rework": ("rework", OF_TODAY, "resoldered C3"),
    "export": ("export", "{outside}/tables"),
    "index": ("index", "--rebuild"),
    "certificate": ("certificate", OF_BEFORE),
    "label": ("label", OF_BEFORE, "--to", "{workspace}/results"),
    "codes": ("codes", "{workspace}/codes.pdf"),
    "design": ("design", KIT),
    "batch": ("batch", KIT),
    "wiring": ("wiring", "{workspace}/wiring"),
    "new": ("new", MADE, "--from", "{workspace}/answers.csv"),
    "check-bench": ("check-bench", KIT, "--yes"),
}
#: Of these, who know no workspace.
ANYWHERE = ("codes", "wiring")
#: What these may replace; the former file or the whole new one stands there.
REPLACED: Mapping[str, tuple[str, ...]] = {
    "learn": (f"limits/{KIT}/kit.toml",),
    # Packed away; all come back in the end.
    "archive": ("/captures/",),
    "reference": (f"limits/{KIT}/kit.toml", f"limits/{KIT}/reference"),
}
#: A process that was told to end has ended after so long, on a busy machine too, s.
ENDS_WITHIN_S = 30.0
#: A command that nobody ends takes no longer, s.
LONGEST_S = 300.0
#: Command -> how long it takes when nobody ends it, s; measured at its first try.
took_s: dict[str, float] = {}
#: Command and signal -> how many kills; and runs that were taken up.
counts: Counter[str] = Counter()


def try_kills(random: Random, ground: Ground) -> None:
    """Kill one command somewhere between its start and its end, then go on as its user would."""
    name, words = one_that_writes(random, ground)
    if name not in took_s:
        took_s[name] = run_killed(name, words, None, LONGEST_S)
        ground.mend()
        furnished(ground, name)
    before = recorded(ground.workspace)
    number = random.choice(SIGNALS)
    for _ in range(random.choice((1, 1, 2, 4))):
        run_killed(name, words, number, random.uniform(0, took_s[name]))
        counts[f"{name} {number.name}"] += 1
    hold_ground(ground, before, REPLACED.get(name, ()))
    told = f"{name} after {signal.Signals(number).name}"
    if random.random() < 0.5:
        take_up(ground, told)
    if name == "page":
        run_killed(name, words, None, LONGEST_S)
    else:
        go_on(ground, name, words, told)
    hold_ground(ground, before, REPLACED.get(name, ()))
    if name == "deliver":
        hold_store(ground)
    if name == "archive":
        for serial in (OF_TODAY, OF_BEFORE, "SO-0003"):
            done = kitproof("archive", "--bring-back", serial, "--workspace", str(ground.workspace))
            assert done.status == 0 or "nothing was taken out" in done.err, done
        refuse_loss(before, recorded(ground.workspace), may_be_new=True)


def one_that_writes(random: Random, ground: Ground) -> tuple[str, list[str]]:
    """The name of one of the commands, and its words for a ground."""
    name = random.choice([name for name in KILLED if name != "deliver" or has_store()])
    furnished(ground, name)
    return name, words_on(ground, name, KILLED[name])


def words_on(ground: Ground, name: str, words: Sequence[str]) -> list[str]:
    """A command's words for a ground."""
    named = [word.format(outside=ground.outside, workspace=ground.workspace) for word in words]
    is_told = name in ANYWHERE or "--workspace" in words
    return named if is_told else [*named, "--workspace", str(ground.workspace)]


def go_on(ground: Ground, name: str, words: Sequence[str], told: str) -> Done:
    """Do what was interrupted once more, as its user would."""
    with on_another_day(), scene(name):
        done = kitproof(*words)
    # It may have been done before it was interrupted.
    is_over = name == "resume" and not unfinished(ground.workspace)
    is_over |= name == "new" and (ground.workspace / "limits" / MADE / "kit.toml").is_file()
    assert done.status == 0 or (is_over and done.status == 3), f"{told}: {done}"
    return done


def take_up(ground: Ground, told: str) -> None:
    """Go on with the runs that were cut off: each passes."""
    for serial in (NEW, OF_TODAY, SCANNED):
        if any(folder.parent.name == serial for folder in interrupted(ground.workspace)):
            done = kitproof("resume", serial, "--yes", "--workspace", str(ground.workspace))
            assert done.status == 0, f"{told}: {done}"
            counts["taken up"] += 1


def furnished(ground: Ground, name: str) -> None:
    """Papers are drawn, too; and there is what this command has about it."""
    Image.new("RGB", (8, 8)).save(ground.workspace / "logo.png")
    furnish(ground, name)


def hold_records(ground: Ground, before: Mapping[str, str], replaced: tuple[str, ...] = ()) -> None:
    """Nothing that was recorded is lost, and every record that is seen is whole."""
    kept = {name: what for name, what in before.items() if not any(part in name for part in replaced)}
    refuse_loss(kept, recorded(ground.workspace), may_be_new=True, taken_up=True)
    refuse_damage(ground.workspace, NEW, OF_TODAY, SCANNED)


def hold_ground(ground: Ground, before: Mapping[str, str], replaced: tuple[str, ...] = ()) -> None:
    """Its records hold, and what looks at all of them works."""
    hold_records(ground, before, replaced)
    at = ("--workspace", str(ground.workspace))
    for words in (("results",), ("kits",), ("index", "--prove"), ("calibrations",)):
        done = kitproof(*words, *at)
        assert done.status == 0, done
    for folder in unfinished(ground.workspace):
        assert folder.name.startswith("."), folder


def run_killed(
    name: str,
    words: list[str],
    number: signal.Signals | None,
    after_s: float,
    around: AbstractContextManager[object] = NOTHING,
) -> float:
    """Run a command in a process and a group of its own; send a signal after so long; how long it took, s.

    `around` is entered in that process. Ctrl-C reaches the whole group, as it does at a terminal.
    """
    _adopt_orphans()
    others = _children()
    process = multiprocessing.get_context("fork").Process(target=_command, args=(name, words, around))
    began_s = time.monotonic()
    process.start()
    assert process.pid is not None
    process.join(after_s)
    if number is not None and process.is_alive():
        with suppress(ProcessLookupError):
            (os.killpg if number == signal.SIGINT else os.kill)(process.pid, number)
    process.join(ENDS_WITHIN_S)
    ran_s = time.monotonic() - began_s
    is_alive = process.is_alive()
    while (left := _left_by(process.pid, others)) and time.monotonic() - began_s < after_s + ENDS_WITHIN_S:
        time.sleep(0.01)
    for each in left:
        os.kill(each, signal.SIGKILL)
    assert not is_alive, f"{words[0]} goes on after signal {number}"
    assert not left, f"{words[0]} left processes behind after signal {number}: {left}"
    assert number is not None or process.exitcode == 0, f"{words}: {process.exitcode}"
    return ran_s


def _command(name: str, words: list[str], around: AbstractContextManager[object]) -> None:
    os.setpgid(0, 0)
    fall_silent()
    sys.argv = ["kitproof", *words]
    sys.stdout = sys.stderr = Path(os.devnull).open("w", encoding="utf-8")  # noqa: SIM115 (until the process ends)
    with on_another_day(), scene(name), around:
        cli.main()


def fall_silent() -> None:
    """Let what this process, one of a try, and all that it starts print lead nowhere."""
    nowhere = os.open(os.devnull, os.O_RDWR)
    for handle in (1, 2):
        os.dup2(nowhere, handle)


@contextmanager
def on_another_day() -> Iterator[None]:
    """Within it every run is older than a day."""
    with mock.patch.object(archive, "timedelta", lambda days: timedelta(days=-days)):
        yield


def _adopt_orphans() -> None:
    """Let processes whose parent ended become children of this one, so that none goes on unseen."""
    if sys.platform == "linux":
        set_child_subreaper = 36
        ctypes.CDLL(None).prctl(set_child_subreaper, 1, 0, 0, 0)


def _left_by(group: int, others: Set[int]) -> Set[int]:
    """Processes that run in a group, and children of this process that are not among those of before."""
    return {pid for pid, (_, of_group) in _running().items() if of_group == group} | (_children() - others)


def _children() -> Set[int]:
    return {pid for pid, (parent, _) in _running().items() if parent == os.getpid()}


def _running() -> dict[int, tuple[int, int]]:
    """Process -> its parent, its group."""
    found = {}
    for place in Path("/proc").glob("[0-9]*/stat"):
        with suppress(OSError):
            state, parent, group = place.read_text().rpartition(")")[2].split()[:3]
            if state not in "ZX":
                found[int(place.parent.name)] = int(parent), int(group)
    return found
