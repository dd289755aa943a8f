"""The inputs, live: a thread listens while a window shows them and nothing is measured; nothing is ever played."""

import threading
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass

import numpy as np

from rig.bench.listening import Listener, LiveInput
from rig.bench.shuttle import Block
from rig.bench_check.input_levels import InputHum, InputLevel, input_hum, input_level
from rig.page.front import error_told
from rig.values.captures import Calibration

#: A level is shown anew so often; its highest peak stays in sight so long; hum and noise are read from so much (choice
#: of the page).
EVERY_S, PEAK_S, HUM_S = 0.25, 3.0, 2.0
#: Why nothing is listened to.
OPENING = "The inputs are being opened."
BUSY = "The bench is at work; the levels come back when it is done."


@dataclass(frozen=True)
class LiveLevel:
    """One input as it is shown."""

    input: LiveInput
    now: InputLevel
    #: Highest peak of the last seconds, in dB of full scale, and whether any of it was clipped.
    held_db: float
    was_clipped: bool
    hum: InputHum | None


@dataclass(frozen=True, eq=False)
class Heard:
    """All inputs as they are shown, and the last seconds of them for whoever wants more."""

    levels: tuple[LiveLevel, ...] = ()
    #: Why nothing is listened to; empty: it is.
    why: str = OPENING
    #: Shape (inputs, frames); None: not so much has been heard yet.
    samples: Block | None = None
    inputs: tuple[LiveInput, ...] = ()
    sample_rate_hz: float = 0.0
    calibration: Calibration | None = None


class Levels:
    """Listens while somebody looks on, unless the bench is needed.

    Parameters
    ----------
    open_inputs : opens the bench's inputs
    """

    def __init__(self, open_inputs: Callable[[], AbstractContextManager[Listener]]) -> None:
        self._open = open_inputs
        self._lock = threading.RLock()
        self._windows: set[Callable[[], None]] = set()
        self._is_held = False
        #: The thread has found that nobody needs it any more.
        self._is_ending = False
        self._thread: threading.Thread | None = None
        self._heard = Heard()

    @property
    def heard(self) -> Heard:
        """What is shown now."""
        with self._lock:
            return self._heard

    @property
    def is_listening(self) -> bool:
        """Whether a device may be open."""
        with self._lock:
            return self._thread is not None and self._thread.is_alive()

    def listen(self, changed: Callable[[], None]) -> None:
        """Call `changed` whenever there is something new, from any thread; the first one opens the inputs."""
        with self._lock:
            self._windows.add(changed)
            self._begin()

    def leave(self, changed: Callable[[], None]) -> None:
        """A window is gone; with the last one the inputs are closed."""
        with self._lock:
            self._windows.discard(changed)

    def hold(self) -> None:
        """Close the inputs, since the bench is needed; returns when that is done."""
        with self._lock:
            self._is_held, thread = True, self._thread
        if thread:
            thread.join()
        self._show(Heard(why=BUSY))

    def release(self) -> None:
        """The bench is free again."""
        with self._lock:
            self._is_held = False
            self._begin()

    def _begin(self) -> None:
        if not self._windows or self._is_held:
            return
        if self._thread is None or not self._thread.is_alive() or self._is_ending:
            self._heard, self._is_ending = Heard(), False
            self._thread = threading.Thread(target=self._run, args=(self._thread,), daemon=True)
            self._thread.start()

    def _is_going_on(self, thread: threading.Thread) -> bool:
        with self._lock:
            if not self._windows or self._is_held:
                self._is_ending = True
            return self._thread is thread and not self._is_ending

    def _run(self, before: threading.Thread | None) -> None:
        if before:
            # Two cannot have one device.
            before.join()
        own = threading.current_thread()
        try:
            with self._open() as listener:
                kept = Kept(listener)
                while self._is_going_on(own):
                    self._show(kept.add(listener.heard(EVERY_S)))
        except Exception as error:
            # Whatever it was, no window shows the last levels for those of now.
            self._show(Heard(why=error_told(error)))

    def _show(self, heard: Heard) -> None:
        with self._lock:
            self._heard = heard
            for changed in tuple(self._windows):
                changed()


class Kept:
    """The last seconds of what a listener hears."""

    def __init__(self, listener: Listener) -> None:
        self._listener = listener
        self._blocks: list[Block] = []
        self._levels: list[list[InputLevel]] = []
        self._hums: list[InputHum | None] = [None] * len(listener.inputs)
        self._samples: Block | None = None

    def add(self, block: Block) -> Heard:
        """Take in a block, shape (inputs, frames), and tell all that is known by now."""
        listener = self._listener
        self._blocks = [*self._blocks, block][-round(HUM_S / EVERY_S) :]
        self._levels = [*self._levels, [input_level(row.astype(np.float64)) for row in block]]
        self._levels = self._levels[-round(PEAK_S / EVERY_S) :]
        if len(self._blocks) == round(HUM_S / EVERY_S):
            samples = np.concatenate(self._blocks, axis=1)
            self._blocks = self._blocks[round(1 / EVERY_S) :]
            self._hums = [input_hum(row.astype(np.float64), listener.sample_rate_hz) for row in samples]
            self._samples = samples
        levels = tuple(
            LiveLevel(one, now, max(then.peak_db for then in held), any(then.is_clipped for then in held), hum)
            for one, now, held, hum in zip(
                listener.inputs, self._levels[-1], zip(*self._levels, strict=True), self._hums, strict=True
            )
        )
        return Heard(
            levels=levels,
            why="",
            samples=self._samples,
            inputs=tuple(listener.inputs),
            sample_rate_hz=listener.sample_rate_hz,
            calibration=listener.calibration,
        )
