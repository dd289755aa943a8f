"""A time that passes only where somebody waits: processes of sound as threads that take turns, the same on any machine.

Whoever sleeps hands on; the next to wake goes on, and between the two every device has played and heard its blocks.
"""

import threading
from collections import deque
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any, Protocol

#: No command of these tries takes longer by its own time, s: whoever does waits for ever.
LONGEST_S = 1200.0
POLL_S = 0.01


class Killed(BaseException):
    """Raised in a process that was ended by force, wherever it waits."""


class Endless(BaseException):
    """A command waits for something that never comes."""


class Driver(Protocol):
    """What hands over blocks as time passes."""

    due_s: float

    def block(self) -> None:
        """Hand over one block, now, and say when the next is due."""
        ...


class _Actor:
    def __init__(self, wake_s: float) -> None:
        self.wake_s, self.is_killed, self.has_ended = wake_s, False, False


class Clock:
    """The time, and whose turn it is."""

    def __init__(self) -> None:
        self.now_s = 1000.0
        self.began_s = self.now_s
        self.drivers: list[Driver] = []
        self._turn = threading.Condition()
        self._main = self._running = _Actor(self.now_s)
        self._actors = {threading.get_ident(): self._main}

    def monotonic(self) -> float:
        """Seconds of a clock that nobody sets."""
        return self.now_s

    def sleep(self, seconds: float) -> None:
        """Let others have their turn, and time pass."""
        me = self._actors[threading.get_ident()]
        if self.now_s - self.began_s > LONGEST_S and me is self._main:
            raise Endless(f"more than {LONGEST_S:g} s, and no end")
        with self._turn:
            me.wake_s = self.now_s + max(seconds, 1e-6)
            self._hand_on()
            self._await(me)

    def start(self, body: Callable[[], None]) -> _Actor:
        """Let something else go on beside, from now on."""
        actor = _Actor(self.now_s)

        def run() -> None:
            with self._turn:
                self._actors[threading.get_ident()] = actor
                self._turn.notify_all()
                while self._running is not actor:
                    self._turn.wait()
            try:
                body()
            except Killed:
                pass
            finally:
                with self._turn:
                    actor.has_ended = True
                    del self._actors[threading.get_ident()]
                    self._hand_on()

        thread = threading.Thread(target=run, daemon=True)
        with self._turn:
            thread.start()
            while thread.ident not in self._actors:
                self._turn.wait()
        return actor

    def kill(self, actor: _Actor) -> None:
        """End it wherever it waits; it has ended once others had their turn."""
        actor.is_killed, actor.wake_s = True, self.now_s

    def kill_thread(self, ident: int) -> None:
        """As `kill`, of whoever is in a thread."""
        if ident in self._actors:
            self.kill(self._actors[ident])

    def _await(self, me: _Actor) -> None:
        while self._running is not me:
            self._turn.wait()
        if me.is_killed:
            raise Killed

    def _hand_on(self) -> None:
        waiting = [actor for actor in self._actors.values() if not actor.has_ended]
        following = min(waiting, key=lambda actor: actor.wake_s)
        while (due := min(self.drivers, key=lambda driver: driver.due_s, default=None)) is not None:
            if due.due_s > following.wake_s:
                break
            self.now_s = max(self.now_s, due.due_s)
            due.block()
        self.now_s = max(self.now_s, following.wake_s)
        self._running = following
        self._turn.notify_all()

    def module(self) -> SimpleNamespace:
        """What stands in the place of the module `time`."""
        return SimpleNamespace(
            monotonic=self.monotonic,
            monotonic_ns=lambda: int(self.now_s * 1e9),
            time=lambda: 1.8e9 + self.now_s,
            sleep=self.sleep,
        )


class _End:
    """One end of a pipe."""

    def __init__(self, clock: Clock) -> None:
        self._clock, self._came, self.other, self.is_closed = clock, deque[Any](), self, False

    def send(self, content: Any) -> None:
        if self.other.is_closed:
            raise BrokenPipeError
        self.other._came.append(content)

    def poll(self, seconds: float = 0.0) -> bool:
        until_s = self._clock.now_s + seconds
        while not self._came and not self.other.is_closed and self._clock.now_s < until_s:
            self._clock.sleep(min(POLL_S, until_s - self._clock.now_s))
        return bool(self._came) or self.other.is_closed

    def recv(self) -> Any:
        while not self.poll(1.0):
            pass
        if not self._came:
            raise EOFError
        return self._came.popleft()

    def close(self) -> None:
        """Nothing: a process that ends closes its own end, as the system does for it."""


class Process:
    """A child process, as far as the rig asks of one."""

    def __init__(self, clock: Clock, left: Callable[[], None], target: Any, args: tuple[Any, ...]) -> None:
        self._clock, self._left, self._target, self._args = clock, left, target, args
        self._actor: Any = None
        self.pid, self.exitcode = 4711, 1

    def start(self) -> None:
        self._actor = self._clock.start(self._run)

    def _run(self) -> None:
        try:
            self._target(*self._args)
            self.exitcode = 0
        finally:
            # The system takes from a process that has ended what it held.
            self._left()
            for arg in self._args:
                if isinstance(arg, _End):
                    arg.is_closed = True

    def is_alive(self) -> bool:
        return not self._actor.has_ended

    def kill(self) -> None:
        if self.is_alive():
            self._clock.kill(self._actor)

    def join(self, seconds: float = float("inf")) -> None:
        until_s = self._clock.now_s + seconds
        while self.is_alive() and self._clock.now_s < until_s:
            self._clock.sleep(POLL_S)


def processes(clock: Clock, left: Callable[[], None], started: list[Process]) -> SimpleNamespace:
    """What stands in the place of the module `multiprocessing` where sound is played.

    `left` is called in a process that ends; those that were started are kept in `started`.
    """

    def pipe() -> tuple[_End, _End]:
        ours, theirs = _End(clock), _End(clock)
        ours.other, theirs.other = theirs, ours
        return ours, theirs

    def process(target: Any, args: tuple[Any, ...], **_: Any) -> Process:
        started.append(made := Process(clock, left, target, args))
        return made

    context = SimpleNamespace(Pipe=pipe, Process=process)
    return SimpleNamespace(get_context=lambda _: context)
