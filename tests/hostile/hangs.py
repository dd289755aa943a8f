"""A workspace on a network folder that hangs at a change, for a while or until the run was stopped."""

import os
import signal
import threading
import time
from collections import Counter
from pathlib import Path
from random import Random
from unittest import mock

from hostile.disks import Disk, instead_of_the_disk
from hostile.ground import KIT, Ground
from hostile.promise import Done, kitproof
from rig.run import journal
from rig.screen.terminal import RunScreen
from rig.store.records import damages, unfinished, unit_records
from rig.values.run import Event, Started

UNIT = "SO-0301"
#: In the place of those that a bench has, s: a folder is told to be silent, a heat test waits, and a hang lasts.
TOLD_S, SOAK_WAITS_S, HANGS_S = 0.1, 0.3, (0.05, 0.2, 0.6)
#: Longer than any stop may take on any machine, s; only then does a folder that hangs for ever answer again.
EVER_S, INTERRUPT_EVERY_S = 30.0, 0.15
#: Plan -> how often its run changes the disk, and how it ends; found at its first try.
known: dict[str, tuple[int, int]] = {}
#: What was done to whom -> how often; told by a long run.
counts: Counter[str] = Counter()


class Hanging(Disk):
    """Hangs at its n-th change, whoever is at it: no signal wakes a process that waits for a server."""

    def __init__(self, root: Path, hangs_at: int, seconds: float) -> None:
        super().__init__(root, hangs_at, 0, is_once=True)
        self._seconds, self._goes_on = seconds, threading.Event()
        #: Whether it hangs, did, and did so in the main thread.
        self.hangs, self.has_hung, self.was_main = threading.Event(), False, False

    def touch(self, path: object) -> None:
        """As a server that does not answer."""
        try:
            super().touch(path)
        except OSError:
            before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
            self.has_hung, self.was_main = True, threading.current_thread() is threading.main_thread()
            self.hangs.set()
            self._goes_on.wait(self._seconds)
            signal.pthread_sigmask(signal.SIG_SETMASK, before)

    def answer(self) -> None:
        """The server is back."""
        self._goes_on.set()


def try_hangs(random: Random, ground: Ground) -> None:
    """One run in a folder that hangs at a random change; where it was cut off, it is taken up."""
    plan = random.choice(("quick", "quick", "heat"))
    words = ("verify", KIT, UNIT, "--plan", plan, "--json", "--yes", "--workspace", str(ground.workspace))
    if plan not in known:
        disk = Hanging(ground.workspace, 0, 0.0)
        with instead_of_the_disk(disk):
            done = kitproof(*words)
        known[plan] = disk.count, done.status
        ground.mend()
    changes, status = known[plan]
    is_stopped = random.random() < 0.5
    disk = Hanging(ground.workspace, random.randint(1, changes), EVER_S if is_stopped else random.choice(HANGS_S))
    told = f"{plan}, {'for ever' if is_stopped else 'for a while'}, at a change of {changes}"
    done, has_sounded, took_s = _run(words, disk, is_stopped)
    told += f", has sounded: {has_sounded}: {done}"
    # Before anything sounds there is nothing to be stopped.
    assert not (has_sounded and disk.was_main and took_s > EVER_S), f"the main thread hung while it sounded: {told}"
    if is_stopped and has_sounded and disk.has_hung:
        assert took_s < EVER_S, f"a stop did not end it: {told}"
        assert done.status in (2, 3), told
    elif done.status == 3:
        assert "kitproof resume" in done.err, told
    else:
        assert done.status == status, told
    counts[f"{plan}, {'stopped' if is_stopped else 'for a while'}, status {done.status}"] += 1
    _hold(ground, done, status, told)


def _run(words: tuple[str, ...], disk: Hanging, is_stopped: bool) -> tuple[Done, bool, float]:
    """A run, whether anything had sounded when the disk hung, and how long the run took from then on, s."""
    sounded, has_ended, show = [], threading.Event(), RunScreen.show
    began_s = [time.monotonic()]

    def see(screen: RunScreen, event: Event) -> None:
        if isinstance(event, Started) and not disk.has_hung:
            sounded.append(event)
        show(screen, event)

    def interrupt() -> None:
        disk.hangs.wait()
        began_s[0] = time.monotonic()
        while is_stopped and sounded and not has_ended.wait(INTERRUPT_EVERY_S):
            os.kill(os.getpid(), signal.SIGINT)
        if not sounded:
            disk.answer()

    with (
        mock.patch.object(RunScreen, "show", see),
        mock.patch.multiple(journal, ANSWERS_WITHIN_S=TOLD_S, SOAK_WAITS_S=SOAK_WAITS_S, LOOKS_S=0.02),
        # Whoever goes on interrupting once the run has ended cuts off its last words, and nothing else.
        mock.patch.object(signal, "default_int_handler", _ignored),
        instead_of_the_disk(disk),
    ):
        stopper = threading.Thread(target=interrupt, daemon=True)
        stopper.start()
        usual = signal.signal(signal.SIGINT, signal.default_int_handler)
        try:
            done = kitproof(*words)
        finally:
            has_ended.set()
            disk.hangs.set()
            stopper.join()
            signal.signal(signal.SIGINT, usual)
        took_s = time.monotonic() - began_s[0]
        disk.answer()
        # What the folder is still asked for is done before anybody looks.
        for thread in threading.enumerate():
            if thread.name == "disk":
                thread.join(EVER_S)
    return done, bool(sounded), took_s


def _ignored(*_: object) -> None:
    """What an interrupt does outside of a run."""


def _hold(ground: Ground, done: Done, status: int, told: str) -> None:
    """Nothing is lost: what has no record can be taken up, and comes to what it would have come to."""
    for folder in unfinished(ground.workspace):
        if folder.parent.name == UNIT and journal.is_interrupted(folder):
            again = kitproof("resume", UNIT, "--yes", "--workspace", str(ground.workspace))
            assert again.status in (status, 2), f"{told}\nthen {again}"
    for record in unit_records(ground.workspace, UNIT):
        assert damages(record) == [], f"{told}\n{record.folder}: {damages(record)}"
    if done.status < 3:
        assert unit_records(ground.workspace, UNIT), told
