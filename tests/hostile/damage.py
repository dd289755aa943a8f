"""Records and the files beside them, damaged in every way; all that reads, and the next run of the unit."""

import json
import os
import re
import tempfile
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, nullcontext
from pathlib import Path
from random import Random
from typing import Any
from unittest import mock

from hostile.commands import ELSEWHERE, SLOW, Listed, all_commands, hold_loss, words_for
from hostile.ground import KIT, OF_BEFORE, OF_TODAY, SERIALS, Ground
from hostile.harm import as_owner, harm_file, harm_folder
from hostile.page_requests import read_page
from hostile.promise import Done, content, contents, kitproof, recorded, refuse_false_pass, refuse_loss
from rig.commands import verify
from rig.files.errors import RecordError
from rig.run import verify as run_verify
from rig.store.homes import UNFINISHED
from rig.store.records import damages, read_in_place, read_record
from rig.values.run import Event, Finished

LISTED = [one for one in all_commands() if one.name not in ELSEWHERE]
#: What answers for one unit comes more often than what lists, or looks at no record.
QUICK = [one for one in LISTED if one.name not in SLOW for _ in range(5 if one.takes("serial") else 1)]
RARE = [one for one in LISTED if one.name in SLOW]
#: A try runs a slow command, damages a folder, measures the next run anew and draws its papers, once in so many.
SLOW_ONE_OF, FOLDER_ONE_OF, MEASURED_ONE_OF = 12, 4, 20
#: What takes a unit's newest record; and what lists all of them.
OF_ONE, OF_ALL = (
    ("show", "rejudge", "label", "certificate", "explain", "check-paper", "reference"),
    ("results", "index"),
)
#: What was done; told by a long run.
counts: Counter[str] = Counter()


def try_damage(random: Random, ground: Ground) -> None:
    """Damage the store in one or two places, run commands that read it, and then the next run of that unit."""
    places = [_target(random, ground) for _ in range(random.choice((1, 1, 1, 2)))]
    results = ground.results
    whole = contents(results)
    for place in places:
        _harm(random, place)
    with as_owner():
        now = contents(results)
        now |= {name: what for name in whole.keys() - now.keys() if (what := content(results / name))}
    changed = {name for name, _ in now.items() ^ whole.items()}
    serial, made = _serial(random.choice(places), ground), dict[str, str]()
    for _ in range(2):
        listed = random.choice(QUICK if random.randrange(SLOW_ONE_OF) else RARE)
        made |= _read(listed, random, ground, changed, serial, made)
    if random.randrange(SLOW_ONE_OF) == 0:
        before = recorded(ground.workspace)
        with as_owner():
            read_page(ground.workspace, serial, ground.newest.get(serial, "none"))
        refuse_loss(before, recorded(ground.workspace))
    _next_run(serial, ground, places, with_all=random.randrange(MEASURED_ONE_OF) == 0)
    counts["places damaged, and the next run tried"] += len(places)


def _harm(random: Random, place: Path) -> None:
    if place.is_symlink() or not place.exists():
        return
    (harm_folder if place.is_dir() else harm_file)(random, place)


def _target(random: Random, ground: Ground) -> Path:
    """A file of the store, each kind as often; now and then a folder that it stands in."""
    path = _file(random, ground)
    above = [each for each in path.parents if each.is_relative_to(ground.results)]
    return random.choice(above) if above and random.randrange(FOLDER_ONE_OF) == 0 else path


def _serial(path: Path, ground: Ground) -> str:
    parts = path.relative_to(ground.workspace).parts
    return parts[2] if parts[:2] == ("results", KIT) and len(parts) > 2 else OF_BEFORE


def _read(
    listed: Listed, random: Random, ground: Ground, changed: set[str], serial: str, made: Mapping[str, str]
) -> dict[str, str]:
    """Run a command; `made`: the newest run that commands before it made of a unit. Returns those that it made."""
    before = recorded(ground.workspace)
    words = words_for(listed, ground, random, serial)
    with as_owner():
        done = kitproof(*words)
    after = recorded(ground.workspace)
    hold_loss(listed, before, after)
    if listed.name == "verify" and "--json" in words and done.status < 3:
        refuse_false_pass(done.document())
    if new := set(after) - set(before):
        return _runs_of(ground, new)
    _hold_told(done, listed, ground, changed, made)
    return {}


def _runs_of(ground: Ground, new: Iterable[str]) -> dict[str, str]:
    """Unit -> run, of the records among new files; a unit's folder may be a link to another."""
    made = [ground.workspace / name for name in new if name.endswith("/run.json") and UNFINISHED not in name]
    return {json.loads(path.read_bytes())["serial"]: path.parent.name for path in made}


def _hold_told(done: Done, listed: Listed, ground: Ground, changed: set[str], made: Mapping[str, str]) -> None:
    """No damage to the newest record of a unit goes unsaid, and none to one unit keeps the others from being listed."""
    told = f"kitproof {' '.join(done.words)}: {done}\nchanged: {sorted(changed)[:5]}"
    printed = re.sub(r"\s", "", done.out + done.err)
    of_one = [serial for serial in SERIALS if serial in done.words] if listed.name in OF_ONE else []
    # The former newest run of a unit that was measured anew is one that the lists still name.
    for serial, run in (*ground.newest.items(), *made.items()):
        is_taken = serial in of_one and done.status == 0 and run == made.get(serial, run)
        newest = f"{KIT}/{serial}/{run}"
        # What no chain of a bench names, such as records of former versions, may have been changed unseen.
        is_changed = f"{newest}/run.json" in changed and serial == OF_TODAY
        if is_taken:
            assert not is_changed, f"it takes a record that was changed: {told}"
            assert _is_readable(ground, newest), f"it takes a record for one that cannot be read: {told}"
        if listed.name in OF_ALL and done.status < 3:
            # The index may know it from before it could no more be read.
            is_whole = _is_readable(ground, newest) or not os.path.lexists(ground.results / newest)
            is_counted = "cannotberead,kitproofresultsnamesthem" in printed
            assert is_whole or is_counted or run in printed or serial in printed, f"it does not name {run}: {told}"
        if is_taken and listed.name == "rejudge":
            assert not any(name.startswith(f"{newest}/captures") for name in changed), f"judged what is damaged: {told}"
        if is_taken and listed.name == "show":
            kept = {f"{newest}/{name}" for name in read_record(ground.results / newest).files}
            assert not kept & changed, told
    if listed.name in OF_ALL:
        at = {name.split("/")[0] for name in changed}
        assert done.status < 3 or at != {KIT}, f"one unit's damage keeps all from being listed: {told}"


def _is_readable(ground: Ground, run: str) -> bool:
    try:
        with as_owner():
            read_in_place(ground.results / run)
    except RecordError:
        return False
    except OSError:
        return False
    return True


def _next_run(serial: str, ground: Ground, places: Sequence[Path], with_all: bool) -> None:
    """The unit's next run: its record is whole, passes, and loses nothing; else it is told before anything sounds."""
    before, at, kept_out = recorded(ground.workspace), ("--workspace", str(ground.workspace)), False
    words = ("verify", KIT, serial, "--plan", "bare", "--json", *at)
    with as_owner(), nullcontext() if with_all else _quick_bench(serial):
        done = kitproof(*words)
        # In the errors a long name may be broken at the end of a line.
        if done.status == 2 and any(place.name in done.err + done.out for place in places if ".bench" in place.parts):
            # No older calibration stands in for one that cannot be read: a new one is asked for.
            counts["a new calibration was asked for"] += 1
            assert "run kitproof daily" in done.out, done
            done = kitproof("daily", KIT, "--yes", *at)
            if done.status == 0:
                done = kitproof(*words)
            else:
                kept_out = any(".bench" in place.parts and _is_of_no_use(place) for place in places)
                assert kept_out, f"no new calibration can be made: {done}"
    after = recorded(ground.workspace)
    if kept_out or (done.status == 3 and any(_is_in_the_way(place, serial, ground) for place in places)):
        # Where a calibration cannot be read the run before was recorded, as void.
        refuse_loss(before, after, may_be_new=kept_out)
        assert "stage:" not in done.err, done
        assert any(place.name in done.err for place in places), f"it does not say where: {done}"
        counts["nothing could be written: told before anything sounds"] += 1
        return
    assert done.status == 0, f"the next run does not work: {done}"
    refuse_false_pass(document := done.document())
    folder = Path(document["folder"])
    assert json.loads((folder / "run.json").read_bytes())["outcome"] == "pass"
    odd = [words for words in damages(read_record(folder)) if not words.startswith("the previous record")]
    assert not odd, odd
    refuse_loss(before, after, may_be_new=True)


def _is_in_the_way(place: Path, serial: str, ground: Ground) -> bool:
    """Whether a record, or its line in the chain, is written below it, and its owner cannot do that."""
    home, lock = ground.results / KIT / serial, ground.results / ".outbox" / "lock"
    return place in (home, *home.parents, lock, *lock.parents) and _is_of_no_use(place, is_file=place == lock)


def _is_of_no_use(place: Path, is_file: bool = False) -> bool:
    """Whether it is something else than a folder that its owner can list and write in, or a file that he can write."""
    if not os.path.lexists(place):
        return False
    if place.is_symlink() or place.is_dir() == is_file:
        return True
    try:
        with as_owner():
            if is_file:
                place.open("r+b").close()
            else:
                tempfile.TemporaryFile(dir=place).close()
                list(place.iterdir())
    except OSError:
        return True
    return False


@contextmanager
def _quick_bench(serial: str) -> Iterator[None]:
    """What a unit's run plays and finds is what its first one here did; no papers."""
    usual = run_verify.sequencer.run

    def events(*given: Any) -> Iterator[Event]:
        known = _runs.get(serial)
        found = []
        for event in known or usual(*given):
            found.append(event)
            yield event
        if isinstance(found[-1], Finished) and found[-1].run.outcome == "pass":
            _runs[serial] = found

    with mock.patch.object(run_verify.sequencer, "run", events), mock.patch.object(verify, "certified"):
        yield


#: Serial -> the events of its run.
_runs: dict[str, list[Event]] = {}


def _file(random: Random, ground: Ground) -> Path:
    """A file of the store: as often a helper as a record's, and of those each kind as often."""
    results = ground.results
    kinds: dict[str, list[Path]] = {}
    for path in sorted((*results.rglob("*"), *(ground.workspace / "packs").rglob("*"))):
        if path.is_file() and not path.is_symlink():
            kind = "/".join(
                (path.parent.name if path.parent.parent.parent.parent == results else "", path.suffix, path.name[:7])
            )
            kinds.setdefault(kind, []).append(path)
    return random.choice(kinds[random.choice(sorted(kinds))])
