"""What a run does to its folder, in a thread of its own: a network drive that hangs holds up no sound and no stop."""

import time
from collections.abc import Callable
from concurrent.futures import Future
from queue import SimpleQueue
from threading import Thread
from typing import Any, TypeVar

Given = TypeVar("Given")


class DiskThread:
    """Does one thing after the other. It is no reason for the program to stay: where it hangs, the others may end."""

    def __init__(self) -> None:
        self._orders: SimpleQueue[tuple[Future[Any], Callable[[], Any]] | None] = SimpleQueue()
        #: When what is being done was begun, by a clock that nobody sets; None: nothing is.
        self._began_s: float | None = None
        Thread(target=self._serve, daemon=True, name="disk").start()

    def do(self, work: Callable[[], Given]) -> "Future[Given]":
        """Have something done behind all that was asked for before."""
        order: Future[Given] = Future()
        self._orders.put((order, work))
        return order

    def close(self) -> None:
        """Let it end once all is done; nobody waits for that."""
        self._orders.put(None)

    @property
    def busy_s(self) -> float:
        """For how long it has been at what it does now; 0: at nothing."""
        began_s = self._began_s
        return 0.0 if began_s is None else time.monotonic() - began_s

    def _serve(self) -> None:
        while (asked := self._orders.get()) is not None:
            order, work = asked
            self._began_s = time.monotonic()
            try:
                order.set_result(work())
            except BaseException as error:
                order.set_exception(error)
            self._began_s = None
            # Captures are let go of before the next order is waited for.
            del asked, order, work
