"""Units that passed, among the builds that a kit is learnt from: which there are, and what they had to keep to."""

from collections.abc import Mapping, Sequence
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


#: So many units are taken in at once: each one's record and curves are held in memory, and what units share is known
#: as well from fewer; our choice.
MOST_NEW = 300


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
    """The runs that a kit was learnt from, and those of units that passed since, of which the index tells; errors as of
    each below.
    """
    former = learnt_from(kit)
    new = newly_passed(kit, former, _newest_runs(workspace, kit), serials)
    return former_runs(workspace, kit, former), [passed_run(workspace, kit, serial) for serial in new]


def _newest_runs(workspace: Path, kit: Kit) -> dict[str, tuple[str, str]]:
    from rig.store.index import ask
    from rig.store.selection import newest_outcomes

    return ask(workspace, lambda connection: newest_outcomes(connection, kit.name, kit.planned("")[0]))


def former_runs(workspace: Path, kit: Kit, former: LearntFrom) -> list[Record]:
    """The runs that a kit was learnt from.

    Raises
    ------
    RecordError
        If one is not there any more, or cannot be read.
    """
    homes, found = workspace / "results" / kit.name, []
    for serial, run in former.all.items():
        try:
            if not (homes / serial / run).exists():
                raise RecordError(f"it is not in {workspace}/results")
            found.append(records.read_in_place(homes / serial / run))
        except RecordError as error:
            raise RecordError(f"run {run} of {serial}, which {kit.name} was learnt from: {error}") from None
    return found


def newly_passed(
    kit: Kit, former: LearntFrom, newest: Mapping[str, tuple[str, str]], serials: Sequence[str]
) -> list[str]:
    """The units that passed and were not learnt from yet; of these serials, or of all without any.

    `newest` has outcome and revision of each unit's newest run.

    Raises
    ------
    RecordError
        If a serial was named whose newest run did not pass, or there is none.
    TableError
        If they are more than can be learnt from at once.
    """
    for serial in serials:
        outcome = newest[serial][0] if serial in newest else "not there"
        if outcome != "pass":
            raise _did_not_pass(serial, outcome)
    found = [
        serial
        for serial in dict.fromkeys(serials or newest)
        if newest[serial] == ("pass", kit.revision) and serial not in former.all
    ]
    if len(found) > MOST_NEW:
        raise TableError(
            f"found {len(found)} units that passed and were not learnt from yet; allowed: {MOST_NEW} at once. "
            f"Name the serials of some behind {kit.name}, such as every tenth of a lot"
        )
    return found


def passed_run(workspace: Path, kit: Kit, serial: str) -> Record:
    """A unit's newest run by the kit's usual plan, as its own folder has it.

    Raises
    ------
    RecordError
        If it did not pass; or one behind it cannot be read, which may have failed.
    """
    plan, _ = kit.planned("")
    run = next((one for one in records.newest_first(workspace, serial, kit.name) if one.plan == plan), None)
    if run is None or run.outcome != "pass":
        raise _did_not_pass(serial, run.outcome if run else "not there")
    return run


def _did_not_pass(serial: str, outcome: str) -> RecordError:
    return RecordError(f"the newest run of {serial!r} is {outcome}; allowed: units that passed")


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
