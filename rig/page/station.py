"""The station that all windows of the page share: one view, one unit under way, and who may answer.

The run is walked in the main thread, as `kitproof verify` walks it, so that a stop from the page is the interrupt that
Ctrl-C is. That may strike the main thread between any two of its steps, so it never holds the lock: what it has to
say it puts into a queue, which a thread of its own empties, and what it waits for it takes from one.
"""

import threading
import time
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import replace
from functools import partial
from pathlib import Path
from queue import SimpleQueue

from rig.bench.listening import Listener
from rig.bench.settings import BenchSettings, bench_name, bench_settings
from rig.design.kit import Kit, kit_names, load_kit
from rig.files.errors import BenchSetupError, KitproofError, TableError
from rig.page.front import Front, Place, error_told, load_early
from rig.page.live_levels import Levels
from rig.page.reading import past_of
from rig.page.scans import ACTION_WORDS, Scan, read_scan, refuse_codes_as_serials
from rig.page.view import Unit, View, asked
from rig.report.languages import ENGLISH
from rig.run.interrupts import awaited, interrupt
from rig.store.rework_notes import note

#: What the main thread does next, with the windows as its person.
Order = Callable[[Front], None]
#: The same code again within so many seconds is one scan read twice (choice of the page).
DOUBLED_S = 1.0
#: An answer counts only when its question has stood so long: a key that was held before it came is none to it; our
#: choice.
SHOWN_S = 0.4
STOPPED = "stopped: nothing was recorded"
#: A stop has so long to end what is under way before another one is passed on; our choice.
STOPS_S = 1.0


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

    def __init__(
        self, workspace: Path, bench: Path | None = None, by: str = "", kit: str = "", language: str = ""
    ) -> None:
        self.place = Place(workspace, bench_settings(workspace, bench), by, bench)
        self.kits = [load_kit(workspace, name) for name in ([kit] if kit else kit_names(workspace))]
        if problems := refuse_codes_as_serials(self.kits):
            raise TableError("\n".join(problems))
        maker = self.settings.maker if self.settings else None
        #: Of the pages' own words: what was asked for, else the maker's.
        self.language = language or (maker.language if maker else ENGLISH)
        self.levels = Levels(self._inputs)
        self._view = View()
        self._lock = threading.RLock()
        #: From the main thread: what is to be done to the view. To it: what it does next; numbers of questions that
        #: were answered, and what was typed, or orders that were stopped.
        self._changes: SimpleQueue[Callable[[], None]] = SimpleQueue()
        self._orders: SimpleQueue[Order] = SimpleQueue()
        self._answers: SimpleQueue[tuple[int, str] | Order] = SimpleQueue()
        #: The order that was given last and neither ended nor stopped since; the one that the main thread is at, which
        #: is the one before while its record is written; and that of the task that was chosen.
        self._begun: Order | None = None
        self._running: Order | None = None
        self._task: Order | None = None
        #: Number of the last question, when it was put, and of the last that was answered.
        self._question, self._asked_s, self._answered = 0, 0.0, 0
        #: What runs can still be stopped; that was asked.
        self._may_stop = self._is_stopping = False
        self._stopped_s = 0.0
        self._last_code, self._last_code_s = "", -DOUBLED_S
        #: Of each open window what is called at a change, and its name.
        self._windows: dict[Callable[[], None], str] = {}
        self._main = threading.get_ident()
        threading.Thread(target=self._keep_up, daemon=True).start()

    def _inputs(self) -> AbstractContextManager[Listener]:
        from rig.run import opening

        if not self.kits:
            raise BenchSetupError("there is no kit in limits/ yet: kitproof new makes one")
        return opening.listening(self.workspace, self.settings, self.kits[0])

    @property
    def workspace(self) -> Path:
        """The folder that all is about."""
        return self.place.workspace

    @property
    def settings(self) -> BenchSettings | None:
        """What bench.toml says; None: there is none."""
        return self.place.settings

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
            return self._begun is not None or self._running is not None

    def listen(self, window: str, changed: Callable[[], None]) -> None:
        """Call `changed` at every change of the view, from any thread; the first window is the one that answers.

        One without a name looks on and never answers.
        """
        with self._lock:
            self._windows[changed] = window
            self._hand_on()

    def leave(self, changed: Callable[[], None]) -> None:
        """A window's stream has ended: nothing of the run hangs on that; the newest of the others may answer."""
        with self._lock:
            self._windows.pop(changed, None)
            self._hand_on()

    def _hand_on(self) -> None:
        open_now = [window for window in self._windows.values() if window]
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
                now = self._view.question
                if now and now.is_typed and now.number == question and self._view.phase == "asking":
                    self._show(replace(self._view, notice="", question=replace(now, typed=text.strip())))
                else:
                    self._tell(read.words)

    def _act(self, action: str, window: str, question: int) -> None:
        if action == "go":
            self.go(window, question)
        elif action == "skip":
            self.skip(window)
        elif action == "rework":
            with self._lock:
                if self.is_under_way or self._view.unit is None or not self._view.unit.history:
                    self._tell("a rework is noted of a unit that was measured: scan its serial first")
                else:
                    self._show(replace(self._view, is_reworking=True, notice=""))

    def _choose(self, read: Scan) -> None:
        """Show a unit that was scanned, with its history; nothing sounds."""
        assert read.kit
        with self._lock:
            # While its record is being written, the next unit may come.
            if self._is_engaged():
                self._tell(f"{read.serial} was scanned while {self._busy_words()}: nothing was done")
                return
            unit = self._unit(read.kit, read.serial)
            self._show(View(phase="chosen", unit=unit, answering=self._view.answering))

    def choose_task(self, window: str, form: dict[str, str]) -> str:
        """Put a calibration or a check of the bench before the bench, as a form asks for it; nothing sounds.

        In words why not; empty: it is. The window is the one that answers from now on.
        """
        from rig.page.bench_tasks import asked_for

        try:
            task, order = asked_for(self.place, self.kits, form)
        except KitproofError as error:
            return str(error)
        with self._lock:
            if self._is_engaged():
                return f"{self._busy_words()}: nothing was done"
            self._task = order
            self._show(View(phase="chosen", task=task, answering=window))
        return ""

    def plan(self, window: str, plan: str) -> None:
        """Follow another of the kit's plans with the unit that was chosen."""
        with self._lock:
            unit = self._view.unit
            if self._may_answer(window) and unit and self._view.phase == "chosen" and plan in unit.plans:
                self._show(replace(self._view, unit=replace(unit, plan=plan)))

    def go(self, window: str, question: int) -> None:
        """Go on: begin with what was chosen, answer the question that stands, or take the last unit or task again."""
        with self._lock:
            view = self._view
            if not self._may_answer(window):
                return
            if view.phase == "asking" and view.question and question == view.question.number:
                self._answer(view)
                return
            if view.phase not in ("chosen", "done") or question != 0:
                return
            if view.phase == "done":
                self._take_again(view)
                return
            order = self._order(view)
            if order is None:
                return
            waits = "The record of the unit before is still being written." if self._running else ""
            self._begun = order
            self._show(replace(view, phase="busy", notice=waits, is_reworking=False))
        # A card has room for one of both. Meanwhile it may have been stopped: then the order is not begun any more.
        self.levels.hold()
        self._orders.put(order)

    def _order(self, view: View) -> Order | None:
        if view.unit is None:
            # The same task once more is another order: what was said of the one before is nothing to it.
            return partial(self._task) if self._task else None
        from rig.page.unit_run import measure

        unit, place = view.unit, self.place
        return lambda front: measure(front, place, unit)

    def _answer(self, view: View) -> None:
        now = view.question
        assert now
        if time.monotonic() - self._asked_s < SHOWN_S or self._answered == now.number:
            return
        if now.is_typed and not now.typed:
            self._tell("type what is asked for first, and press Enter")
            return
        self._answered = now.number
        self._show(replace(view, phase="busy", notice=""))
        self._answers.put((now.number, now.typed))

    def _take_again(self, view: View) -> None:
        chosen = View(phase="chosen", answering=view.answering)
        self._show(replace(chosen, unit=self._again(view.unit)) if view.unit else replace(chosen, task=view.task))

    def _again(self, unit: Unit) -> Unit:
        """A unit as it stands now, to be measured by the same plan."""
        return replace(self._unit(self._kit(unit), unit.serial), plan=unit.plan)

    def _kit(self, unit: Unit) -> Kit:
        return next(kit for kit in self.kits if kit.name == unit.kit)

    def skip(self, window: str) -> None:
        """Lay the unit aside: before a run and after one; a run under way is stopped by `stop` alone."""
        with self._lock:
            if not self._may_answer(window):
                return
            if self._is_engaged():
                self._tell(f"{self._busy_words()}; {ACTION_WORDS['stop']} ends that")
            else:
                self._show(View(answering=self._view.answering))

    def rework(self, window: str, words: str) -> None:
        """Note what was done to the unit that is shown; no words: none is noted."""
        with self._lock:
            unit = self._view.unit
            if not self._may_answer(window) or self.is_under_way or unit is None:
                return
            view = View(phase="chosen", unit=unit, answering=self._view.answering)
            if not words.strip():
                self._show(view)
                return
            try:
                note(self.workspace, self._kit(unit), unit.serial, words, self.place.by, bench_name(self.settings))
            except KitproofError as error:
                self._show(replace(view, notice=str(error)))
            else:
                self._show(replace(view, unit=self._again(unit), notice=f"noted: {' '.join(words.split())}"))

    def stop(self) -> None:
        """End what sounds and is under way, from any window; where nothing is under way, nothing."""
        with self._lock:
            order, now_s = self._begun, time.monotonic()
            if order is not None and self._running is not order:
                # The main thread looks whether it still is begun, once it says that it runs.
                self._begun = None
                self._rest(None, STOPPED)
            if order is None or self._running is not order or not self._may_stop:
                return
            # Twice in a hurry is once: what ends the sound must not be ended itself.
            if self._is_stopping and now_s - self._stopped_s < STOPS_S:
                return
            self._is_stopping, self._stopped_s = True, now_s
        interrupt(self._main)
        # It is lost where it strikes in a callback of the interpreter.
        self._answers.put(order)

    # The main thread.

    def serve(self) -> None:
        """Do one thing after the other as they are chosen, in the main thread; Ctrl-C between two ends it."""
        self._main = threading.get_ident()
        threading.Thread(target=load_early, daemon=True).start()
        front = Front(self._confirm, self._ask_for, self._change, self._close)
        while True:
            is_stopped = False
            try:
                self._do(front, awaited(self._orders))
            except KeyboardInterrupt:
                # One from outside (`kitproof stop`, Ctrl-C) ends what is under way; where nothing can sound, the page.
                is_own = self._is_stopping and time.monotonic() - self._stopped_s < STOPS_S
                if not is_own and not (self._running and self._may_stop):
                    raise
                is_stopped = True
            # Once all that the interrupt has unwound is let go of.
            if is_stopped:
                ended, self._running = self._running, None
                self._changes.put(partial(self._rest, ended, STOPPED))

    def _do(self, front: Front, order: Order) -> None:
        self._may_stop, self._running = True, order
        # It may have been stopped before it came here.
        if order is self._begun:
            try:
                order(front)
            # A library may end the program, too.
            except (Exception, SystemExit) as error:
                words = error_told(error)
                self._change(lambda view: replace(view, phase="chosen", notice=words, question=None, sounding=None))
        self._running = None
        self._changes.put(partial(self._rest, order, ""))

    def _rest(self, ended: Order | None, notice: str) -> None:
        """An order has ended, or one that waited was stopped; what it has come to stays shown."""
        if ended is not None and self._begun not in (ended, None):
            # The next one waits for the main thread, or is there already.
            return
        self._begun, self._is_stopping = None, False
        self.levels.release()
        view = self._view
        if view.phase in ("busy", "asking", "sounding"):
            view = replace(view, phase="chosen", notice=notice, question=None, sounding=None)
        self._show(view)

    def _is_engaged(self) -> bool:
        """Whether something is begun that is more than the writing of a record."""
        return self._begun is not None and (self._running is not self._begun or self._may_stop)

    def _confirm(self, text: str) -> bool:
        self._answered_text(text, is_typed=False)
        return True

    def _ask_for(self, text: str) -> str:
        return self._answered_text(text, is_typed=True)

    def _answered_text(self, text: str, is_typed: bool) -> str:
        self._question += 1
        number = self._question
        self._changes.put(lambda: self._put(text, number, is_typed))
        while (answer := awaited(self._answers)) is not self._running:
            # The answer to a question whose run was stopped meanwhile is none to this one.
            if isinstance(answer, tuple) and answer[0] == number:
                return answer[1]
        raise KeyboardInterrupt

    def _put(self, text: str, number: int, is_typed: bool) -> None:
        self._asked_s = time.monotonic()
        self._show(asked(self._view, text, number, is_typed))

    def _close(self) -> None:
        # From here on a record is written, which nothing may interrupt.
        self._may_stop = False

    def _change(self, make: Callable[[View], View]) -> None:
        self._changes.put(lambda: self._show(make(self._view)))

    def _keep_up(self) -> None:
        """Do to the view what the main thread has put down, in its order."""
        while True:
            change = self._changes.get()
            with self._lock:
                try:
                    change()
                except Exception as error:
                    # The windows go on: a stop must be seen.
                    self._tell(error_told(error))

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
            known = past_of(self.workspace, kit.name, serial)
        except (KitproofError, OSError):
            known = []
        plan, _ = kit.planned("")
        return Unit(kit.name, kit.title, serial, plan, tuple(kit.plans), tuple(known))

    def _busy_words(self) -> str:
        view = self._view
        if view.task:
            return f"{view.task.title} is under way"
        return f"{view.unit.serial if view.unit else 'a unit'} is measured"
