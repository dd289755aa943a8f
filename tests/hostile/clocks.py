"""Clocks that leap both ways between any two looks at them, by seconds to decades, in any time zone."""

import datetime as real
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from random import Random
from typing import Any
from unittest import mock

from hostile.ground import KIT, OF_TODAY, Ground, newest_folder
from hostile.promise import kitproof, recorded, refuse_false_pass, refuse_loss
from rig.store.records import damages, read_record

ZONES = ("UTC", "Pacific/Kiritimati", "America/St_Johns", "Europe/Berlin", "Asia/Kathmandu", "XYZ+11:59:59")
LEAPS_S = (0, 1, -1, 3600, -3600, 86400, -86400, 10**8, -(10**8), 10**9, -(1.7 * 10**9))


def try_clocks(random: Random, ground: Ground) -> None:
    """Two runs of a unit, a note between them and what looks at them, while the clock leaps."""
    at = ("--workspace", str(ground.workspace))
    before = recorded(ground.workspace)
    with leaping(random):
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
    """Within it every look at the time of day may find another one, in a zone that somebody set."""

    class Leaping(real.datetime):
        @classmethod
        def now(cls, tz: Any = None) -> Any:
            found = real.datetime.now(tz) + real.timedelta(seconds=random.choice(LEAPS_S))
            return cls(*found.timetuple()[:6], found.microsecond, tzinfo=found.tzinfo)

    with mock.patch.dict("os.environ", TZ=random.choice(ZONES)):
        time.tzset()
        patched = [
            mock.patch.object(module, "datetime", Leaping)
            for name, module in list(sys.modules.items())
            if name.startswith("rig.") and getattr(module, "datetime", None) is real.datetime
        ]
        for patch in patched:
            patch.start()
        try:
            yield
        finally:
            for patch in patched:
                patch.stop()
    time.tzset()
