"""The station that all windows of the page share: one view, one unit under way, and who may answer.

The run is walked in the main thread, as `kitproof verify` walks it, so that a stop from the page is the interrupt that
Ctrl-C is. That may strike the main thread between any two of its steps, so it never holds the lock: what it has to
say it puts into a queue, which a thread of its own empties, and what it waits for it takes from one.
"""

import signal
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from queue import SimpleQueue

from rig.bench.settings import BenchSettings, bench_name
from rig.design.kit import Kit, kit_names, load_kit
from rig.files.errors import KitproofError, PaperError, TableError
from rig.page.scans import ACTION_WORDS, Scan, read_scan, refuse_codes_as_serials
from rig.page.view import Light, Unit, View, after, asked, finished, history, soak_shown
from rig.report.paper import make_certificate
from rig.run import opening
from rig.run.verify import job, load_what_computes, verify, with_connection
from rig.screen.soak_progress import Watched
from rig.store import records
from rig.store.rework_notes import note
from rig.store.run_json import Record
from rig.values.requests import Programme
from rig.values.run import Event, Finished, Logged, Started

#: The same code again within so many seconds is one scan read twice (choice of the page).
DOUBLED_S = 1.0
#: An answer counts only when its question has stood so long: a key that was held before it came is none to it; our
#: choice.
SHOWN_S = 0.4


class Station:
    """One bench with its windows.

    Parameters
    ----------
    workspace, bench, by : as of `kitproof verify`
    kit : the only kit whose serials are taken; empty: all of the workspace's

    Raises
    ------
    TableError
        If a kit is wrong, or its serials cannot be told from the bench's codes.
    """

    def __init__(self, workspace: Path, bench: Path | None = None, by: str = "", kit: str = "") -> None:
        self.workspace, self._by = workspace, by
        self._bench_file = bench
        self.settings: BenchSettings | None = opening.bench_settings(workspace, bench)
        self.kits = [load_kit(workspace, name) for name in ([kit] if kit else kit_names(workspace))]
        if problems := refuse_codes_as_serials(self.kits):
            raise TableError("\n".join(problems))
        self._view = View()
        self._lock = threading.RLock()
        #: From the main thread: what is to be done to the view. To it: a unit to be measured; numbers of questions that
        #: were answered.
        self._changes: SimpleQueue[Callable[[], None]] = SimpleQueue()
        self._orders: SimpleQueue[Unit] = SimpleQueue()
        self._answers: SimpleQueue[int] = SimpleQueue()
        #: Number of the last question, when it was put, and of the last that was answered.
        self._question, self._asked_s, self._answered = 0, 0.0, 0
        #: A unit is being measured; its run can still be stopped; that was asked.
        self._is_under_way = self._may_stop = self._is_stopping = False
        self._watched: Watched | None = None
        self._last_code, self._last_code_s = "", -DOUBLED_S
        #: Of each open window what is called at a change, and its name.
        self._windows: dict[Callable[[], None], str] = {}
        self._main = threading.get_ident()
        threading.Thread(target=self._keep_up, daemon=True).start()

    # What windows read.

    @property
    def view(self) -> View:
        """What every window shows now."""
        with self._lock:
            return self._view

    @property
    def is_under_way(self) -> bool:
        """Whether a unit is being measured, or its paper made."""
        with self._lock:
            return self._is_under_way

    def listen(self, window: str, changed: Callable[[], None]) -> None:
        """Call `changed` at every change of the view, from any thread; the first window is the one that answers."""
        with self._lock:
            self._windows[changed] = window
            self._hand_on()

    def leave(self, changed: Callable[[], None]) -> None:
        """A window's stream has ended: nothing of the run hangs on that; the newest of the others may answer."""
        with self._lock:
            self._windows.pop(changed, None)
            self._hand_on()

    def _hand_on(self) -> None:
        open_now = list(self._windows.values())
        if open_now and self._view.answering not in open_now:
            self._show(replace(self._view, answering=open_now[-1]))

    # What a person does at a window.

    def take_over(self, window: str) -> None:
        """Make this window the one that answers."""
        with self._lock:
            self._show(replace(self._view, answering=window, notice=""))

    def scan(self, text: str, window: str, question: int) -> None:
        """Act on a line that was scanned or typed while a question (0: none) was shown; what it is not, is told."""
        read = read_scan(text, self.kits)
        if read.action == "stop":
            self.stop()
            return
        with self._lock:
            if not self._may_answer(window):
                return
            now_s = time.monotonic()
            is_doubled = text == self._last_code and now_s - self._last_code_s < DOUBLED_S
            self._last_code, self._last_code_s = text, now_s
            if is_doubled:
                self._tell(f"{text!r} was scanned twice; the second time nothing was done")
                return
        if read.action:
            self._act(read.action, window, question)
        elif read.kit:
            self._choose(read)
        else:
            with self._lock:
                self._tell(read.words)

    def _act(self, action: str, window: str, question: int) -> None:
        if action == "go":
            self.go(window, question)
        elif action == "skip":
            self.skip(window)
        elif action == "rework":
            with self._lock:
                if self._is_under_way or self._view.unit is None or not self._view.unit.history:
                    self._tell("a rework is noted of a unit that was measured: scan its serial first")
                else:
                    self._show(replace(self._view, is_reworking=True, notice=""))

    def _choose(self, read: Scan) -> None:
        """Show a unit that was scanned, with its history; nothing sounds."""
        assert read.kit
        with self._lock:
            if self._is_under_way:
                self._tell(f"{read.serial} was scanned while {self._unit_words()} is measured: nothing was done")
                return
            unit = self._unit(read.kit, read.serial)
            self._show(View(phase="chosen", unit=unit, answering=self._view.answering))

    def plan(self, window: str, plan: str) -> None:
        """Follow another of the kit's plans with the unit that was chosen."""
        with self._lock:
            unit = self._view.unit
            if self._may_answer(window) and unit and self._view.phase == "chosen" and plan in unit.plans:
                self._show(replace(self._view, unit=replace(unit, plan=plan)))

    def go(self, window: str, question: int) -> None:
        """Go on: begin with the unit that was chosen, answer the question that stands, or take the last unit again."""
        with self._lock:
            view = self._view
            if not self._may_answer(window):
                return
            if view.phase == "asking" and view.question and question == view.question.number:
                if time.monotonic() - self._asked_s >= SHOWN_S and self._answered != question:
                    self._answered = question
                    self._answers.put(question)
            elif view.phase == "chosen" and question == 0 and view.unit and not self._is_under_way:
                self._is_under_way = self._may_stop = True
                self._show(replace(view, phase="busy", notice="", is_reworking=False))
                self._orders.put(view.unit)
            elif view.phase == "done" and question == 0 and view.unit:
                kit = next(kit for kit in self.kits if kit.name == view.unit.kit)
                again = replace(self._unit(kit, view.unit.serial), plan=view.unit.plan)
                self._show(View(phase="chosen", unit=again, answering=view.answering))

    def skip(self, window: str) -> None:
        """Lay the unit aside: before a run and after one; a run under way is stopped by `stop` alone."""
        with self._lock:
            if not self._may_answer(window):
                return
            if self._is_under_way:
                self._tell(f"{self._unit_words()} is being measured; {ACTION_WORDS['stop']} ends that")
            else:
                self._show(View(answering=self._view.answering))

    def rework(self, window: str, words: str) -> None:
        """Note what was done to the unit that is shown; no words: none is noted."""
        with self._lock:
            unit = self._view.unit
            if not self._may_answer(window) or self._is_under_way or unit is None:
                return
            kit = next(kit for kit in self.kits if kit.name == unit.kit)
            view = View(phase="chosen", unit=unit, answering=self._view.answering)
            if not words.strip():
                self._show(view)
                return
            try:
                note(self.workspace, kit, unit.serial, words, self._by, bench_name(self.settings))
            except KitproofError as error:
                self._show(replace(view, notice=str(error)))
            else:
                again = replace(self._unit(kit, unit.serial), plan=unit.plan)
                self._show(replace(view, unit=again, notice=f"noted: {' '.join(words.split())}"))

    def stop(self) -> None:
        """End the sound and the run under way, from any window; where nothing is under way, nothing."""
        with self._lock:
            if not self._may_stop:
                return
            self._is_stopping = True
        interrupt(self._main)

    # The main thread.

    def serve(self) -> None:
        """Measure one unit after the other as they are chosen, in the main thread; Ctrl-C between two ends it."""
        self._main = threading.get_ident()
        threading.Thread(target=_load_early, daemon=True).start()
        while True:
            try:
                self._measure(self._orders.get())
                self._changes.put(lambda: self._rest(""))
            except KeyboardInterrupt:
                if not self._is_stopping:
                    raise
                self._changes.put(lambda: self._rest("stopped before anything sounded"))

    def _measure(self, unit: Unit) -> None:
        try:
            work = job(self.workspace, unit.kit, unit.plan)
            records.refuse_bad_serial(work.kit, unit.serial)
            bench = opening.open_bench(self.workspace, self.settings, work.kit, unit.serial)
            work = with_connection(work, self.settings)
            lights = tuple(Light(one.name, one.check.TITLE) for one in work.checks)
            self._change(lambda view: replace(view, checks=lights, requests=tuple(work.schedule.requests)))
            run, record = verify(
                self.workspace, work, unit.serial, bench, self._confirm, self._see, by=self._by, settings=self.settings
            )
        except KitproofError as error:
            words = str(error)
            self._change(lambda view: replace(view, phase="chosen", notice=words, question=None, sounding=None))
            return
        self._change(lambda view: finished(view, run, work.kit, record))
        self._certify(record)
        self._send()

    def _send(self) -> None:
        """Begin to deliver what was measured, where benches share a store; nothing waits for it."""
        if self.settings and self.settings.store:
            from rig.store.sending import send_off

            if words := send_off(self.workspace, self._bench_file):
                self._change(lambda view: replace(view, notice=words))

    def _certify(self, record: Record) -> None:
        try:
            make_certificate(record)
        except PaperError as error:
            words = f"{error}; the record is whole: {record.folder}"
            self._change(lambda view: replace(view, notice=words))

    def _rest(self, notice: str) -> None:
        """Nothing is under way any more; what a run has come to stays shown."""
        self._is_under_way = self._may_stop = self._is_stopping = False
        view = self._view
        if view.phase not in ("done", "chosen"):
            view = replace(view, phase="chosen", notice=notice, question=None, sounding=None)
        self._show(view)

    def _confirm(self, text: str) -> bool:
        self._question += 1
        number = self._question
        self._changes.put(lambda: self._ask(text, number))
        # The answer to a question whose run was stopped meanwhile is none to this one.
        while self._answers.get() != number:
            pass
        return True

    def _ask(self, text: str, number: int) -> None:
        self._asked_s = time.monotonic()
        self._show(asked(self._view, text, number))

    def _see(self, event: Event) -> None:
        if isinstance(event, Started):
            self._watched = Watched(event.request) if isinstance(event.request, Programme) else None
        if isinstance(event, Logged) and self._watched:
            self._watched.add(event)
        if isinstance(event, Finished):
            # From here on the record is written, which nothing may interrupt.
            self._may_stop = False
        soak = soak_shown(self._watched) if self._watched else None
        self._change(lambda view: after(view, event, soak))

    def _change(self, make: Callable[[View], View]) -> None:
        self._changes.put(lambda: self._show(make(self._view)))

    def _keep_up(self) -> None:
        """Do to the view what the main thread has put down, in its order."""
        while True:
            change = self._changes.get()
            with self._lock:
                change()

    # Small change; the lock is held.

    def _show(self, view: View) -> None:
        self._view = view
        for changed in tuple(self._windows):
            changed()

    def _tell(self, words: str) -> None:
        self._show(replace(self._view, notice=words))

    def _may_answer(self, window: str) -> bool:
        return window == self._view.answering

    def _unit(self, kit: Kit, serial: str) -> Unit:
        try:
            known = history(records.unit_records(self.workspace, serial, kit.name))
        except KitproofError:
            known = ()
        plan, _ = kit.planned("")
        return Unit(kit.name, kit.title, serial, plan, tuple(kit.plans), known)

    def _unit_words(self) -> str:
        return self._view.unit.serial if self._view.unit else "a unit"


def interrupt(thread: int) -> None:
    """Interrupt the main thread as Ctrl-C does, wherever it waits."""
    if hasattr(signal, "pthread_kill"):
        signal.pthread_kill(thread, signal.SIGINT)
    else:
        import _thread

        _thread.interrupt_main()


def _load_early() -> None:
    """Load what computes while nobody waits for it; what cannot be loaded is told where it is needed."""
    with suppress(Exception):
        load_what_computes()
