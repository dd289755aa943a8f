"""A batch of units: how many pass, what fails, how long it takes; from the tables of its runs.

The units stand in the order of their first valid runs. What is read of a unit is what that run read: the unit as it was
built, before anything was mended.
"""

import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from rig.files.errors import RecordError
from rig.statistics.proportion import clopper_pearson
from rig.store.index import Tell
from rig.store.selection import Selection
from rig.study import tables
from rig.values.names import counted

if TYPE_CHECKING:
    import pandas as pd

#: What a batch is charted from; below, what can be said yet is said: our choice.
FEWEST_UNITS = 10
#: A number in the words of a reason: reasons that differ in numbers alone are one.
NUMBER = re.compile(r"[-+−]?\d+(?:[.,]\d+)*")


@dataclass(frozen=True)
class Share:
    """So many of so many units, with its interval (Clopper-Pearson, 95 %)."""

    count: int
    of: int

    @property
    def interval(self) -> tuple[float, float]:
        """Least and most that the share of all such units is."""
        return clopper_pearson(self.count, self.of)


@dataclass(frozen=True)
class Counted:
    """What failed or was void: in how many units, and in how many runs."""

    words: tuple[str, ...]
    units: int
    runs: int


@dataclass(frozen=True, eq=False)
class Batch:
    """What the filters chose, as tables; each row of `units` is one with a valid run, in the order of measuring."""

    #: The filters that ask the index for its runs and what belongs to them; it may have other runs beside (`is_of`).
    selection: Selection
    #: All runs, void ones too, oldest first.
    runs: "pd.DataFrame"
    #: serial, run (the first valid one), started_at, bench, by, ... of that run; first, last: outcomes; runs; minutes.
    units: "pd.DataFrame"
    #: Units without any valid run.
    unproved: tuple[str, ...]
    #: What a reader must know before the figures.
    remarks: tuple[str, ...]

    @property
    def kit(self) -> str:
        """The kit's name."""
        return self.selection.kit

    @property
    def plan(self) -> str:
        """The plan that its runs went by."""
        return self.selection.plan


def batch(workspace: Path, selection: Selection, tell: Tell) -> Batch:
    """The runs of a batch and its units.

    Parameters
    ----------
    workspace
        The folder with `results/`.
    selection
        With a kit. Without a plan, runs by the plan that most went by. An outcome, check or finding chooses the units
        that have such a run; the batch is all of their runs that the other filters leave.
    tell
        Is told what cannot be read.

    Raises
    ------
    RecordError
        If there is no such run.
    """
    wide = replace(selection, outcome="", check="", finding="")
    runs, remarks = tables.runs(workspace, wide, tell), []
    if wide != selection:
        chosen = set(tables.runs(workspace, selection, tell)["serial"])
        runs = runs[runs["serial"].isin(chosen)]
        remarks.append(
            "these units were chosen by how their runs ended: yields and indices are theirs, not production's"
        )
    runs = _whole(workspace, wide, runs, tell)
    if runs.empty:
        raise RecordError(f"no run of {selection.kit!r} that these filters ask for in {workspace / 'results'}")
    plan = str(runs["plan"].value_counts().index[0])
    others = runs[runs["plan"] != plan]["plan"].value_counts()
    left = [f"{count} by {name or 'no plan'}" for name, count in others.items() if count]
    if left:
        remarks.append(f"runs by the plan {plan or 'none'}; left out: {', '.join(left)} (--plan)")
    runs = runs[runs["plan"] == plan].copy()
    remarks += _elsewhere(workspace, selection, plan, runs, tell)
    units = units_of(runs)
    unproved = tuple(sorted(set(runs["serial"]) - set(units["serial"])))
    return Batch(replace(wide, plan=plan), runs, units, unproved, (*remarks, *_mixed(units)))


def _whole(workspace: Path, selection: Selection, runs: "pd.DataFrame", tell: Tell) -> "pd.DataFrame":
    """The runs of units of which every run can be read: no other run of a unit stands for one that cannot."""
    odd = {serial for serial, _, _ in tables.unread(workspace, selection, tell)} & set(runs["serial"])
    for serial in sorted(odd):
        tell(f"{serial} is left out: it has a run that cannot be read")
    return runs[~runs["serial"].isin(odd)]


def _elsewhere(workspace: Path, selection: Selection, plan: str, runs: "pd.DataFrame", tell: Tell) -> list[str]:
    """What to say of units whose first valid run the filters leave out: their first try is another one."""
    everything = Selection(kit=selection.kit, plan=plan)
    if replace(selection, plan=plan, serial=()) == everything:
        return []
    every = tables.runs(workspace, everything, tell)
    valid = every[(every["outcome"] != "void") & every["serial"].isin(set(runs["serial"]))].sort_values("run_number")
    first = valid.drop_duplicates("serial")
    count = int((~is_of(first, runs)).sum())
    if not count:
        return []
    were = f"{counted(count, 'unit')} {'was' if count == 1 else 'were'}"
    return [f"{were} first measured in runs that the filters leave out; what counts as first try is the first run here"]


def is_of(found: "pd.DataFrame", runs: "pd.DataFrame") -> "pd.Series[bool]":
    """Which rows are of some runs."""
    import pandas as pd

    names = ["serial", "run"]
    return pd.Series(pd.MultiIndex.from_frame(found[names]).isin(pd.MultiIndex.from_frame(runs[names])), found.index)


def _mixed(units: "pd.DataFrame") -> list[str]:
    """What is not the same for all units, in words."""
    said = []
    for column, words in (
        ("revision", "revisions of the kit"),
        ("bench", "benches"),
        ("software", "versions of kitproof"),
    ):
        counts = units[column].astype(str).value_counts()
        if len(counts) > 1:
            of = (f"{name or 'not named'} ({counted(count, 'unit')})" for name, count in counts.items())
            said.append(f"{words}: {', '.join(of)}")
    return said


def units_of(runs: "pd.DataFrame") -> "pd.DataFrame":
    """The units of some runs, a row each, in the order of their first valid runs; those without one are left out."""
    # A unit's runs are in order by their numbers, and units by the order of all runs, whatever a clock said.
    valid = runs[runs["outcome"] != "void"].sort_values("run_number", kind="stable")
    first = valid.drop_duplicates("serial").sort_values(["ordered", "run"])
    last = valid.drop_duplicates("serial", keep="last").set_index("serial")
    of_unit = runs.assign(seconds=runs["cycle_s"].fillna(0) + runs["operator_s"].fillna(0)).groupby("serial")
    first["first"] = first["outcome"].astype(str)
    first["last"] = first["serial"].map(last["outcome"].astype(str))
    first["runs"] = first["serial"].map(of_unit.size())
    first["minutes"] = first["serial"].map(of_unit["seconds"].sum()) / 60
    kept = ["kit", "serial", "run", "run_number", "started_at", "day", "bench", "by", "batch", "revision", "kit_sha256"]
    return first[[*kept, "software", "first", "last", "runs", "minutes"]].reset_index(drop=True)


def yields(units: "pd.DataFrame") -> dict[str, Share]:
    """How many units pass at the first try, and in the end."""
    return {name: Share(int((units[name] == "pass").sum()), len(units)) for name in ("first", "last")}


def causes(found: "pd.DataFrame", by: list[str]) -> list[Counted]:
    """Rows of runs counted by some of their columns, what most units have first."""
    if found.empty:
        return []
    groups = found.astype(dict.fromkeys(by, str)).groupby(by, sort=True)
    counts = [
        Counted(words if isinstance(words, tuple) else (words,), rows["serial"].nunique(), rows["run"].nunique())
        for words, rows in groups
    ]
    return sorted(counts, key=lambda cause: (-cause.units, -cause.runs, cause.words))


@dataclass(frozen=True)
class Failures:
    """What failed and what was void, what most units have first."""

    #: By the check's name.
    checks: list[Counted]
    #: By check, quantity, subject.
    readings: list[Counted]
    #: By what leads the findings of a run: the part, and what is wrong with it.
    findings: list[Counted]
    #: By reason and bench.
    void: list[Counted]


def failures(workspace: Path, of: Batch, readings: "pd.DataFrame", tell: Tell) -> Failures:
    """What failed in the runs of a batch; `readings` are those of its runs, and may be of others too."""

    def rows(table: str) -> "pd.DataFrame":
        found = tables.of_runs(table, workspace, of.selection, tell)
        return found[is_of(found, of.runs)]

    void, valid = (of.runs[(of.runs["outcome"] == "void") == is_void] for is_void in (True, False))
    checks, found = rows("checks"), rows("findings")
    failed = checks[(checks["outcome"] == "fail") & is_of(checks, valid)]
    bad = readings[(readings["outcome"] == "fail") & is_of(readings, valid)]
    leading = found[(found["place"] == 0) & is_of(found, valid)]
    reasons = checks[checks["outcome"] == "void"].drop_duplicates(["serial", "run"])
    void = void.merge(reasons[["serial", "run", "reason"]], how="left", on=["serial", "run"])
    said = void["stopped"].where(void["stopped"] != "", void["reason"].fillna("no reason given"))
    void = void.assign(reason=[NUMBER.sub("…", words) for words in said])
    return Failures(
        causes(failed, ["check"]),
        causes(bad, ["check", "quantity", "subject"]),
        causes(leading, ["part", "kind"]),
        causes(void, ["reason", "bench"]),
    )
