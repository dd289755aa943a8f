"""Clocks that leap both ways between any two looks, or stand still while the computer sleeps; any zone and locale."""

import datetime as real
import locale
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from functools import lru_cache
from pathlib import Path
from random import Random
from tempfile import mkdtemp
from types import SimpleNamespace
from typing import Any
from unittest import mock

from hostile.ground import KIT, OF_TODAY, Ground, newest_folder
from hostile.promise import kitproof, recorded, refuse_false_pass, refuse_loss
from rig.store.records import damages, read_record

ZONES = (
    *("UTC", "Pacific/Kiritimati", "Etc/GMT+12", "America/St_Johns", "Europe/Berlin", "Asia/Kathmandu"),
    *("XYZ+11:59:59", "Nowhere/At_all", "", ":"),
)
#: The computer's own; one whose i and I are other letters; a comma for the point.
LOCALES = ("C", "tr_TR", "de_DE")
#: A moment at which clocks in Berlin go back; they come close to it from both sides.
CHANGE = real.datetime(2026, 10, 25, 1, tzinfo=real.UTC)
LEAPS_S = (0, 1, -1, 3600, -3600, 86400, -86400, 10**8, -(10**8), 10**9, -(1.7 * 10**9))


def try_clocks(random: Random, ground: Ground) -> None:
    """Two runs of a unit, a note between them and what looks at them, while the clock leaps."""
    at = ("--workspace", str(ground.workspace))
    before = recorded(ground.workspace)
    with in_a_locale(random.choice(LOCALES)), leaping(random):
        done = kitproof("verify", KIT, OF_TODAY, "--plan", "bare", "--json", *at)
        assert done.status == 0, done
        refuse_false_pass(done.document())
        kitproof("rework", OF_TODAY, "resoldered C3", *at)
        done = kitproof("verify", KIT, OF_TODAY, "--plan", "bare", "--fault", "open:box:C1", "--json", *at)
        assert done.status == 1, done
        for words in (
            ("results", "--json"),
            ("show", OF_TODAY, "--json"),
            ("calibrations", "--json"),
            ("label", OF_TODAY, "--to", str(ground.outside)),
            ("archive", "--older-than", "1", "--to", str(ground.outside), "--yes", "--outcome", "fail"),
        ):
            assert kitproof(*words, *at).status in (0, 1, 2), words
    refuse_loss(before, recorded(ground.workspace), may_be_new=True)
    newest = read_record(newest_folder(ground.workspace, OF_TODAY))
    # Numbers say which run is the newest, whatever the clock said.
    assert (newest.run_number, newest.outcome) == (3, "fail"), newest.run
    assert newest.before
    assert newest.before.outcome == "pass"
    assert [note.words for note in newest.rework] == ["resoldered C3"]
    assert damages(newest) == []
    assert kitproof("show", OF_TODAY, *at).status == 0


@contextmanager
def leaping(random: Random) -> Iterator[None]:
    """Within it every look at the time of day may find another one, in a zone that somebody set.

    The clock that nobody sets passes only now and then: it stands while the computer sleeps.
    """
    to_change_s = (CHANGE - real.datetime.now(real.UTC)).total_seconds() if random.random() < 0.3 else 0.0
    looks = [time.monotonic()] * 2

    class Leaping(real.datetime):
        @classmethod
        def now(cls, tz: Any = None) -> Any:
            leap_s = random.choice(LEAPS_S[:5] if to_change_s else LEAPS_S)
            found = real.datetime.now(real.UTC) + real.timedelta(seconds=to_change_s + leap_s)
            found = found.astimezone(tz) if tz else found.astimezone().replace(tzinfo=None)
            return cls(*found.timetuple()[:6], found.microsecond, tzinfo=found.tzinfo, fold=found.fold)

    def sleepy() -> float:
        now_s = time.monotonic()
        looks[:] = now_s, looks[1] + random.choice((0.0, 1.0)) * (now_s - looks[0])
        return looks[1]

    sleeping = SimpleNamespace(**{**vars(time), "monotonic": sleepy})
    replaced = {"datetime": (real.datetime, Leaping), "time": (time, sleeping)}
    with ExitStack() as stack:
        stack.callback(time.tzset)
        stack.enter_context(mock.patch.dict("os.environ", TZ=random.choice(ZONES)))
        time.tzset()
        for module in [module for name, module in list(sys.modules.items()) if name.startswith("rig.")]:
            for name, (usual, instead) in replaced.items():
                if getattr(module, name, None) is usual:
                    stack.enter_context(mock.patch.object(module, name, instead))
        yield


@contextmanager
def in_a_locale(name: str) -> Iterator[None]:
    """Within it a library that asks how numbers and letters are written is told this; C where the system has none."""
    before = locale.setlocale(locale.LC_ALL)
    with mock.patch.dict("os.environ", LOCPATH=str(locales())):
        with suppress(locale.Error):
            locale.setlocale(locale.LC_ALL, "C" if name == "C" else f"{name}.UTF-8")
        try:
            yield
        finally:
            locale.setlocale(locale.LC_ALL, before)


@lru_cache(maxsize=1)
def locales() -> Path:
    """A folder with the locales, made by the system's own program where it is there."""
    folder = Path(mkdtemp(prefix="locales-"))
    for name in LOCALES[1:]:
        with suppress(OSError, subprocess.CalledProcessError):
            words = ["localedef", "-i", name, "-f", "UTF-8", str(folder / f"{name}.UTF-8")]
            subprocess.run(words, check=True, capture_output=True)
    return folder
