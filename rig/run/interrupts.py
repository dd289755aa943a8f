"""Ctrl-C while a unit is measured: it ends the run wherever it strikes, and it never costs the record."""

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from queue import Empty, SimpleQueue
from types import FrameType
from typing import TypeVar

Given = TypeVar("Given")
#: An interrupt that wakes nobody is seen so much later; our choice.
LOOKS_S = 0.1


class Interrupts:
    """The first Ctrl-C raises KeyboardInterrupt, and only within `may_end`; the others do nothing.

    What comes before `may_end` is raised as that begins. What comes after it is too late: the record is being written;
    `times` tells whoever waits for that.
    """

    def __init__(self) -> None:
        self.times = 0
        self._is_raised = self._may_end = False

    @property
    def came(self) -> bool:
        """Whether there was one."""
        return self.times > 0

    @contextmanager
    def may_end(self) -> Iterator[None]:
        """Where an interrupt ends the run."""
        self._may_end = True
        try:
            if self.came:
                self._raise()
            yield
        finally:
            self._may_end = False

    def on_signal(self, number: int, frame: FrameType | None) -> None:
        """The handler of the signal."""
        self.times += 1
        if self._may_end:
            self._raise()

    def _raise(self) -> None:
        if not self._is_raised:
            self._is_raised = True
            raise KeyboardInterrupt


@contextmanager
def interrupts() -> Iterator[Interrupts]:
    """Listen to Ctrl-C in this way, where it is there to be listened to: in the main thread, and not ignored."""
    own = Interrupts()
    usual = signal.getsignal(signal.SIGINT) is signal.default_int_handler
    if not usual or threading.current_thread() is not threading.main_thread():
        yield own
        return
    signal.signal(signal.SIGINT, own.on_signal)
    try:
        yield own
    finally:
        signal.signal(signal.SIGINT, signal.default_int_handler)


def interrupt(thread: int) -> None:
    """Interrupt the main thread, by its number, as Ctrl-C does, wherever it waits."""
    if hasattr(signal, "pthread_kill"):
        signal.pthread_kill(thread, signal.SIGINT)
    else:
        import _thread

        _thread.interrupt_main()


def awaited(queue: "SimpleQueue[Given]") -> Given:
    """What comes next, waited for in the main thread, where an interrupt ends the wait.

    One that strikes when the interpreter has looked for signals, and does not wait yet, ends no wait: so it looks anew.
    """
    while True:
        with suppress(Empty):
            return queue.get(timeout=LOOKS_S)
