"""Commands run in this process as their entry runs them, and what is promised of each."""

import hashlib
import io
import json
import math
import os
import resource
import signal
import sys
import traceback
from collections.abc import Collection, Iterator, Mapping
from contextlib import ExitStack, contextmanager, redirect_stderr, redirect_stdout
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any
from unittest import mock

from rig import cli
from rig.files.cells import STEERING
from rig.store.homes import UNFINISHED
from rig.store.records import damages, unit_records

#: Processor time that no command of a small workspace needs, s; and memory beside what is in use, bytes.
LONGEST_CPU_S, MOST_BYTES = 60.0, 3 * 2**30
#: Who takes so long is waiting for something that never comes, s; only ends a hang.
LONGEST_S = 600.0
#: Under `results/`: made from what is recorded, again whenever it is wanted; so is all that is hidden but calibrations.
DERIVED, CALIBRATIONS = ("index.sqlite", "index.hints", "."), ".bench"
#: Exit status of a command that measures, by what the run came to.
STATUS = {"pass": 0, "fail": 1, "void": 2}
#: Of a record: papers, made from it alone.
PAPERS = ("certificate.pdf", "report.html", "certificate.html")


@dataclass(frozen=True)
class Done:
    """What a command did."""

    words: tuple[str, ...]
    status: int
    out: str
    err: str

    def document(self) -> Any:
        """The one JSON document that it printed."""
        return parsed(self.out)


class TooLong(BaseException):
    """A command that took more processor time than any needs."""


def kitproof(*words: str, typed: str = "") -> Done:
    """Run a command; whatever leaves it but an exit status would be a traceback on its user's screen.

    Raises
    ------
    AssertionError
        If it breaks what is promised of any command.
    """
    out, err = io.StringIO(), io.StringIO()
    status: object = None
    with ExitStack() as stack:
        stack.enter_context(mock.patch.object(sys, "argv", ["kitproof", *words]))
        stack.enter_context(mock.patch.object(sys, "stdin", io.StringIO(typed)))
        stack.enter_context(bounded())
        stack.enter_context(redirect_stdout(out))
        stack.enter_context(redirect_stderr(err))
        try:
            cli.main()
        except SystemExit as left:
            status = left.code
        except BaseException:
            raise AssertionError(f"kitproof {' '.join(words)}\n{traceback.format_exc()[-4000:]}") from None
    assert isinstance(status, int), f"{words}: exit status {status!r}"
    done = Done(words, status, out.getvalue(), err.getvalue())
    hold(done)
    return done


@contextmanager
def bounded() -> Iterator[None]:
    """Within it neither processor time nor memory goes on without an end."""

    def stop(*_: object) -> None:
        raise TooLong(f"more than {LONGEST_CPU_S:g} s of processor time, or {LONGEST_S:g} s in all")

    before = [signal.signal(number, stop) for number in (signal.SIGPROF, signal.SIGALRM)]
    limits = resource.getrlimit(resource.RLIMIT_AS)
    in_use = int(Path("/proc/self/statm").read_text(encoding="utf-8").split()[0]) * resource.getpagesize()
    resource.setrlimit(resource.RLIMIT_AS, (in_use + MOST_BYTES, limits[1]))
    signal.setitimer(signal.ITIMER_PROF, LONGEST_CPU_S)
    signal.setitimer(signal.ITIMER_REAL, LONGEST_S)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.setitimer(signal.ITIMER_REAL, 0)
        for number, handler in zip((signal.SIGPROF, signal.SIGALRM), before, strict=True):
            signal.signal(number, handler)
        resource.setrlimit(resource.RLIMIT_AS, limits)


def hold(done: Done) -> None:
    """What is promised of every command, whatever it was given."""
    told = f"kitproof {' '.join(done.words)}\nstatus {done.status}\n{done.out[-1500:]}\n{done.err[-1500:]}"
    printed = done.out + done.err
    assert done.status in range(5), told
    assert "Traceback" not in printed, told
    assert "could not be shown" not in printed, told
    assert printed.translate(STEERING) == printed, f"something that steers a terminal: {printed!r}"
    assert done.status < 3 or done.err.strip(), f"it does not say why: {told}"
    if "--json" in done.words and (done.out or done.status < 3):
        parsed(done.out)


def parsed(text: str) -> Any:
    """One JSON document and nothing else, as JSON's own standard has it (no NaN)."""

    def refuse(constant: str) -> None:
        raise AssertionError(f"{constant} is no JSON")

    try:
        return json.loads(text, parse_constant=refuse)
    except ValueError as error:
        raise AssertionError(f"not one JSON document: {error}: {text[:300]!r}") from None


def refuse_false_pass(document: Mapping[str, Any], required: Collection[str] = ()) -> None:
    """Hold a run's outcome against its own numbers: a pass stands on finite readings inside their limits, no gap.

    Parameters
    ----------
    document : what run.json, or `verify --json`, says
    required : checks that the run must have passed
    """
    results = document["results"]
    of_checks = [result["outcome"] for result in results]
    if document["outcome"] == "pass":
        assert set(of_checks) == {"pass"}, f"passed with {of_checks}"
        assert not document["stopped"], document["stopped"]
        assert set(required) <= {result["check"] for result in results}, "a required check is not there"
    for result in results:
        if result["outcome"] == "pass":
            assert result["verdicts"], f"{result['check']} passed without a verdict"
        for verdict in result["verdicts"] if result["outcome"] == "pass" else ():
            assert verdict["outcome"] == "pass", verdict
            assert math.isfinite(verdict["value"]), verdict
            assert verdict["margin"] >= 0, verdict


def refuse_damage(workspace: Path, *serials: str) -> None:
    """Every file of these units' records is what its record says."""
    for serial in serials:
        for record in unit_records(workspace, serial):
            assert damages(record) == [], f"{record.folder}: {damages(record)}"


@lru_cache(maxsize=100_000)
def _hash(path: str, changed_ns: int, size: int, inode: int) -> str:
    return hashlib.sha256(Path(path).read_bytes()).hexdigest()


def tree(folder: Path, but: Collection[str] = ()) -> dict[str, str]:
    """All that stands in a folder, by name: the SHA-256 of a file, where a link leads, what else it is."""
    found = {}
    for place, folders, files in os.walk(folder):
        folders[:] = [name for name in folders if name not in but]
        for name in (*files, *folders):
            path = Path(place, name)
            if name in but:
                continue
            found[path.relative_to(folder).as_posix()] = _what(path)
    return found


def contents(folder: Path) -> dict[str, str]:
    """The SHA-256 of all that can be read as a file in a folder, through links too."""
    found = (Path(place, name) for place, _, files in os.walk(folder) for name in files)
    return {path.relative_to(folder).as_posix(): what for path in found if (what := content(path))}


def content(path: Path) -> str:
    """The SHA-256 of what can be read as a file, through links too; empty: it is none, or out of reach."""
    return _what(path.resolve()) if os.path.isfile(path) else ""  # noqa: PTH113 (its folder may not be entered)


def _what(path: Path) -> str:
    if path.is_symlink():
        return f"link to {path.readlink()}"
    if path.is_dir():
        return "folder"
    if not path.is_file():
        return "no plain file"
    stat = path.stat()
    try:
        return _hash(str(path), stat.st_mtime_ns, stat.st_size, stat.st_ino)
    except PermissionError:
        return "may not be read"


def recorded(workspace: Path) -> dict[str, str]:
    """All of a workspace that nothing may change: kits, bench, records, notes, calibrations; not what is derived."""
    derived = {path.name for path in (workspace / "results").glob("*") if path.name.startswith(DERIVED)}
    return tree(workspace, but={*derived, *PAPERS} - {CALIBRATIONS})


def refuse_loss(
    before: Mapping[str, str], after: Mapping[str, str], may_be_new: bool = False, taken_up: bool = False
) -> None:
    """Nothing that was there is gone or changed; nothing is new, unless that may be.

    `taken_up`: a run that had not ended may have become a record since.
    """
    kept = {name: what for name, what in before.items() if not (taken_up and UNFINISHED in name)}
    lost = sorted(name for name, what in kept.items() if after.get(name) != what)
    assert not lost, f"lost or changed: {lost[:5]}"
    new = sorted(after.keys() - before.keys())
    assert may_be_new or not new, f"new: {new[:5]}"
