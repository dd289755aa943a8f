"""A person at a window of the page, for tests that serve a station in their own main thread."""

import contextlib
import threading
import time
from collections.abc import Callable

import pytest

from rig.page.station import SHOWN_S, Station
from rig.page.view import View
from rig.run.interrupts import interrupt

WINDOW = "one"


def served(station: Station, act: Callable[[], object]) -> None:
    """Serve in this thread, as the page's main thread does, while another acts at the windows."""
    main, failed, ended = threading.get_ident(), [], threading.Event()

    def play() -> None:
        try:
            act()
            while station.is_under_way:
                time.sleep(0.01)
        except BaseException as error:
            failed.append(error)
        finally:
            # One that strikes in a callback of the interpreter is lost; but none may come when it has ended.
            while not ended.is_set():
                interrupt(main)
                ended.wait(20.0)

    person = threading.Thread(target=play, daemon=True)
    person.start()
    with pytest.raises(KeyboardInterrupt):
        station.serve()
    with contextlib.suppress(KeyboardInterrupt):
        ended.set()
        person.join()
    if failed:
        raise failed[0]


def until(station: Station, phase: str, but: int = 0) -> View:
    """Wait until the view is in a phase, with another question than `but`."""
    for _ in range(30000):
        view = station.view
        if view.phase == phase and (phase != "asking" or (view.question and view.question.number != but)):
            return view
        time.sleep(0.01)
    raise AssertionError(f"waited for {phase}, found {station.view}")


def answered(station: Station, number: int) -> None:
    """Go on once the question has stood long enough."""
    time.sleep(SHOWN_S + 0.05)
    station.go(WINDOW, number)
