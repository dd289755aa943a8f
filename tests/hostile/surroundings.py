"""What commands that write have about them when they are killed: a card, a person at the page, a store of benches."""

import atexit
import shutil
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager, nullcontext
from functools import cache
from pathlib import Path
from typing import Any
from unittest import mock

from hostile.ground import Ground
from rig.bench import soundcard
from rig.commands import page
from rig.page.station import SHOWN_S, Station
from rig.run.interrupts import interrupt

sys.path += [str(Path(__file__).parents[1] / room) for room in ("bench", "store", "benchmarks")]

#: A card whose outputs are joined to its inputs; faster than the clock, in a sound process of its own.
LOOPED = """
kind = "soundcard"
name = "looped"

[device]
host_api = "none"
name = "looped"
inputs = 4
outputs = 4

[playing]
outputs = { box = 1 }
loopback_output = 3
inputs = { microphone = 4, loopback = 3 }
output_volts = 2.0
input_volts = { microphone = 0.5, loopback = 2.1 }
"""
#: A unit that is scanned at the page; it has no record yet.
SCANNED = "SO-0151"
WINDOW = "one"
#: Nothing is under way at the page any more when nothing was for so long, s.
IDLE_S = 2.0


def has_store() -> bool:
    """Whether a store of benches can be made here."""
    import database

    return bool(database.PROGRAMS or shutil.which("initdb"))


def furnish(ground: Ground, name: str) -> None:
    """Put beside a ground what a command needs that its own bench has not."""
    if name == "calibrate":
        (ground.outside / "looped.toml").write_text(LOOPED, encoding="utf-8")
    if name == "deliver":
        (ground.outside / "store.toml").write_text(_store_settings(ground), encoding="utf-8")
        _empty_store()


def _store_settings(ground: Ground) -> str:
    store = _store().store
    keys = {"url": store.url, "files": str(ground.outside / "shared"), "password_file": store.password_file}
    lines = [f'{key} = "{value}"' for key, value in keys.items()]
    return "\n".join(('kind = "simulated"', 'name = "of the store"', "[store]", *lines, ""))


@cache
def _server() -> Any:
    import database

    stack = ExitStack()
    atexit.register(stack.close)
    return stack.enter_context(database.running_server(waits_for_disk=False))


@cache
def _store() -> Any:
    import many_benches

    server = _server()
    known = many_benches.made_store(server, server.port, server.folder, "any")
    many_benches.make_tables(known)
    return known


def _empty_store() -> None:
    from rig.store.shared_tables import SHARED

    _server().sql(f"TRUNCATE {', '.join(SHARED.tables)}")


def hold_store(ground: Ground) -> None:
    """What this ground closed is in the store, each once and as it is here."""
    from rig.store.records import sha256

    answer = _server().sql("SELECT path, sha256 FROM deliveries WHERE lost = ''")
    there = Counter(tuple(line.split("|")) for line in answer.splitlines())
    results = ground.workspace / "results"
    here = {(path.relative_to(results).as_posix(), sha256(path)) for path in results.glob("[!.]*/[!.]*/[!.]*/run.json")}
    lost = {path for path, _ in here} - {path for path, _ in there}
    assert not lost, f"not delivered: {lost}"
    odd = [one for one, times in there.items() if one[0].endswith("/run.json") and (times > 1 or one not in here)]
    assert not odd, f"delivered twice, or otherwise than it is here: {odd}"
    for path, _ in here:
        assert (ground.outside / "shared" / path).read_bytes() == (results / path).read_bytes(), path


class ScannedStation(Station):
    """The page's station with a person who scans one unit, answers all questions, and closes the page."""

    def serve(self) -> None:
        """As the page does, until the run is over."""
        self.listen(WINDOW, lambda: None)
        main, ended = threading.get_ident(), threading.Event()

        def act() -> None:
            self._measure()
            while not ended.is_set():
                interrupt(main)
                ended.wait(5.0)

        threading.Thread(target=act, daemon=True).start()
        try:
            super().serve()
        finally:
            ended.set()

    def _measure(self) -> None:
        self.scan(SCANNED, WINDOW, 0)
        self.plan(WINDOW, "quick")
        self.go(WINDOW, 0)
        asked, idle_s = 0, 0.0
        # Where a run could not begin, or has ended, it stays so.
        while idle_s < IDLE_S:
            idle_s = 0.0 if self.is_under_way else idle_s + 0.01
            view = self.view
            if view.phase == "asking" and view.question and view.question.number != asked:
                asked = view.question.number
                time.sleep(SHOWN_S + 0.05)
                self.go(WINDOW, asked)
            time.sleep(0.01)


@contextmanager
def _looped_card() -> Iterator[None]:
    from looped_stream import looped_card

    with mock.patch.object(soundcard, "audio_process", looped_card):
        yield


#: Name of a kill -> what is about the command meanwhile.
SCENES: dict[str, Callable[[], AbstractContextManager[Any]]] = {
    "calibrate": _looped_card,
    "page": lambda: mock.patch.object(page, "Station", ScannedStation),
}


def scene(name: str) -> AbstractContextManager[Any]:
    """What is about a command while it runs."""
    return SCENES.get(name, nullcontext)()
