"""Units that passed, among the builds that a kit is learnt from: which there are, and what they had to keep to."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from rig.design.kit import Kit
from rig.design.limits import limit_key, read_mask
from rig.files.disk import read_json, why
from rig.files.errors import Disagree, RecordError, TableError
from rig.files.plain import restored
from rig.store import records
from rig.store.run_json import Record
from rig.study.learning import Passed, mask_file
from rig.study.spreads import Key
from rig.values.names import CHANNEL_POLARITY, DRIVER_POLARITY
from rig.values.readings import Floats

FILE = "learnt.json"


@dataclass(frozen=True)
class LearntFrom:
    """What a kit was learnt from, serial -> run: builds that somebody vouches for, and units that passed."""

    vouched: dict[str, str]
    passed: dict[str, str]

    @property
    def all(self) -> dict[str, str]:
        """Both."""
        return {**self.vouched, **self.passed}


def learnt_from(kit: Kit) -> LearntFrom:
    """What a kit was learnt from.

    Raises
    ------
    TableError
        If nothing was learnt of it from builds, or its learnt.json cannot be read.
    """
    path = kit.folder / FILE
    try:
        found = restored(dict[str, object], read_json(path))
        vouched, passed = (restored(dict[str, str], found.get(key, {}), key) for key in ("builds", "passed"))
    except FileNotFoundError:
        vouched, passed = {}, {}
    except OSError as error:
        raise TableError(f"{path}: cannot be read ({why(error)})") from None
    except ValueError:
        raise TableError(f"{path}: not what kitproof learn writes; allowed: a file as it wrote it") from None
    if not vouched:
        raise TableError(f"{path}: no builds were learnt yet; begin with kitproof learn {kit.name} and their serials")
    return LearntFrom(vouched, passed)


def former_and_new(workspace: Path, kit: Kit, serials: Sequence[str]) -> tuple[list[Record], list[Record]]:
    """The runs that a kit was learnt from, and those of units that passed since; errors as of each below."""
    former, (there, odd) = learnt_from(kit), records.all_records(workspace, kit.name)
    new = newly_passed(kit, former, there, serials)
    for run in new:
        _refuse_unreadable_after(workspace, run, kit.name)
    return former_runs(workspace, kit, former, there, odd), new


def _refuse_unreadable_after(workspace: Path, run: Record, kit: str) -> None:
    """Refuse a run behind which the unit has one that cannot be read: it may have failed.

    Raises
    ------
    RecordError
        Which one, and why.
    """
    for later in records.newest_first(workspace, run.serial, kit):
        if later.plan == run.plan:
            return


def former_runs(
    workspace: Path, kit: Kit, former: LearntFrom, there: Sequence[Record], odd: Sequence[str]
) -> list[Record]:
    """The runs that a kit was learnt from, of those that are there; `odd`: what is wrong with others.

    Raises
    ------
    RecordError
        If one is not there any more.
    """
    by_run = {record.run: record for record in there}
    for serial, run in former.all.items():
        if run not in by_run:
            why = next((words for words in odd if run in words), f"it is not in {workspace}/results")
            raise RecordError(f"run {run} of {serial}, which {kit.name} was learnt from: {why}")
    return [by_run[run] for run in former.all.values()]


def newly_passed(kit: Kit, former: LearntFrom, there: Sequence[Record], serials: Sequence[str]) -> list[Record]:
    """The newest runs of units that passed and were not learnt from yet; of these serials, or of all without any.

    `there` are the kit's records, oldest first.

    Raises
    ------
    RecordError
        If a serial was named whose newest run did not pass, or there is none.
    """
    plan, _ = kit.planned("")
    newest = {record.serial: record for record in there if record.plan == plan}
    for serial in serials:
        outcome = newest[serial].outcome if serial in newest else "not there"
        if outcome != "pass":
            raise RecordError(f"the newest run of {serial!r} is {outcome}; allowed: units that passed")
    wanted = [record for serial, record in newest.items() if not serials or serial in serials]
    return [
        record
        for record in wanted
        if record.outcome == "pass" and record.serial not in former.all and record.kit.revision == kit.revision
    ]


def refuse_other_sign(runs: Sequence[Record]) -> None:
    """Refuse builds of which one moves the other way round: a curve's magnitude does not show it.

    Raises
    ------
    Disagree
        Naming it; of two both.
    """
    signs: dict[str, dict[str, float]] = {}
    for run in runs:
        for reading in (reading for result in run.results for reading in result.readings):
            if reading.quantity in (DRIVER_POLARITY, CHANNEL_POLARITY) and not reading.trouble:
                signs.setdefault(f"{reading.quantity} of {reading.subject}", {})[run.serial] = reading.value
    for what, of_builds in signs.items():
        usual = float(np.median(list(of_builds.values())))
        odd = [serial for serial, sign in of_builds.items() if sign != usual]
        if odd:
            words = f"these builds cannot stand for one design: {what}"
            if len(of_builds) == 2:
                raise Disagree(f"{words}: {' and '.join(of_builds)} differ; a third build tells which is odd")
            raise Disagree(f"{words}: {' and '.join(odd)} is unlike the others; leave it out")


def passed_of(kit: Kit, key: Key, frequency_hz: Floats, serials: Sequence[str]) -> Passed | None:
    """Which builds are there because they passed, and the mask of a curve that they had to keep to; None: no mask."""
    limits = kit.limits.get(key[0], {})
    limit = limits.get(limit_key(limits, key[1], key[2]))
    path = kit.folder / (limit.mask if limit and limit.mask else mask_file(key))
    if not path.exists():
        return None
    mask = read_mask(path)
    at, known = np.log(frequency_hz), np.log(mask.frequency_hz)
    lower, upper = (
        np.interp(at, known, values, left=open_, right=open_)
        for values, open_ in ((mask.lower, -np.inf), (mask.upper, np.inf))
    )
    return Passed(list(serials), lower, upper)
