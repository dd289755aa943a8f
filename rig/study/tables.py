"""Runs, readings and curves of many units as tidy tables of pandas, for studies, exports and notebooks.

    from rig.study import tables
    found = tables.readings("my-workspace", tables.Selection(kit="booth-two", serial=("BT-0100..BT-0199",)))

One row a run, a reading, a point of a curve; `MEANING` says what each column is and in which unit.
"""

from collections.abc import Callable, Iterator, Sequence
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np
import sqlalchemy as sa
from numpy.typing import NDArray

from rig.files.disk import parse_json
from rig.files.errors import RecordError
from rig.store.bench_chain import read_closed
from rig.store.index import Tell, ask
from rig.store.index_tables import OF_A_RUN
from rig.store.index_tables import readings as reading_table
from rig.store.index_tables import runs as run_table
from rig.store.records import read_columns, sha256
from rig.store.result_files import PART
from rig.store.selection import Selection, unread_runs, where

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["MEANING", "Selection", "curves", "dictionary", "readings", "runs"]

ALL = Selection()
#: A condition on the table of runs.
Part: TypeAlias = sa.ColumnElement[bool]
#: Of a part: some megabytes of readings, some hundred of curves; our choice.
RUNS_AT_ONCE = 100
#: What names a run in every table.
OF_RUN = ("kit", "serial", "run", "run_number")
#: The columns of `curves`.
OF_POINT = (
    *(*OF_RUN, "check", "quantity", "subject", "frequency_hz", "value", "unit", "uncertainty", "valid"),
    *("at_most", "design", "shift_db"),
)
#: Columns of text with few different values, kept as categories.
FEW = ("kit", "plan", "by", "batch", "bench", "outcome", "check", "quantity", "subject", "kind", "unit", "revision")

#: Column -> its unit ("" where it has none, "`unit`" where the column of that name says it), and what it is.
MEANING: dict[str, tuple[str, str]] = {
    "kit": ("", "the design that the unit was judged by"),
    "serial": ("", "the unit"),
    "run": ("", "the run: the name of its folder, which begins with its time in UTC"),
    "run_number": ("", "which of the unit's runs it is, from 1"),
    "ordered": ("", "what runs are in order by: the run, or an older one of the unit where a clock was set back"),
    "revision": ("", "of the kit"),
    "kit_sha256": ("", "SHA-256 of the kit's files"),
    "plan": ("", "the kit's plan that was followed; empty: it has none"),
    "by": ("", "who measured: a person or a jig; empty: nobody said"),
    "batch": ("", "the lot of units that it belongs to; empty: nobody said"),
    "bench": ("", "which bench it was measured on"),
    "day": ("", "the day it began on, by the clock at the bench"),
    "started_at": ("UTC", "when it began"),
    "finished_at": ("UTC", "when it ended"),
    "outcome": ("", "pass, fail or void; of a reading: empty where no limit judges it"),
    "stopped": ("", "why the run did not go through"),
    "wrong": ("", "which checks failed or are void, or why it was stopped"),
    "bench_failed": ("", "whether the bench could not do it"),
    "reworked": ("", "whether something was done to the unit since the run before"),
    "runs_untouched": ("", "runs of the unit, this one with them, since something was last done to it"),
    "sound_s": ("s", "how long the bench played"),
    "cycle_s": ("s", "from the first request to the last verdict, without the operator's time"),
    "operator_s": ("s", "spent by the person at the bench"),
    "software": ("", "the version of kitproof that judged it"),
    "check": ("", "the check that read it"),
    "quantity": ("", "what was read"),
    "subject": ("", "of what: a channel, a driver, one against another"),
    "kind": ("", "number; or curve, then the value is where its margin is the smallest part of the mask's width"),
    "value": ("`unit`", "the reading; none: void"),
    "unit": ("", "of value, uncertainty, lower, upper and margin"),
    "uncertainty": ("`unit`", "standard uncertainty (k = 1); none: not known"),
    "lower": ("`unit`", "lower limit there, -inf where there is none; none: not judged, void, or an older record"),
    "upper": ("`unit`", "upper limit there, as `lower`"),
    "margin": ("`unit`", "distance to the nearest limit; negative is outside; none: void or not judged"),
    "at_hz": ("Hz", "where on the curve that is"),
    "limit": ("", "the limit in words"),
    "conformity": ("", "probability that the true value is inside its limits; none: not known"),
    "reason": ("", "why it is void, or what is wrong"),
    "said": ("", "the value in words, where a number says little"),
    "at_most": ("", "whether the value is only what the truth is at most"),
    "frequency_hz": ("Hz", "the point of the curve"),
    "valid": ("", "whether the point can be trusted; others are never judged"),
    "design": ("`unit`", "what the kit's model says there"),
    "shift_db": ("dB", "what was taken out of the curve's level before its shape was judged"),
}


def parts(workspace: Path, selection: Selection, tell: Tell) -> Iterator[Part]:
    """The runs of a selection in parts, oldest first, for what is done with all of a large store; one at least.

    `tell` is told which runs cannot be read.
    """
    _tell_unread(workspace, selection, tell)
    key = [run_table.c[name] for name in ("ordered", "run", "kit", "serial")]
    place = sa.func.row_number().over(order_by=key).label("place")
    counted = sa.select(*key, place).where(where(selection)).subquery()
    of_last = sa.select(*(counted.c[one.name] for one in key)).where(counted.c.place % RUNS_AT_ONCE == 0)
    ends = [tuple(row) for row in _rows(workspace, of_last.order_by(counted.c.place), tell)]
    for before, last in pairwise([None, *ends, None]):
        part = where(selection)
        if before:
            part = sa.and_(part, sa.tuple_(*key) > before)
        if last:
            part = sa.and_(part, sa.tuple_(*key) <= last)
        yield part


def runs(
    workspace: Path | str = ".",
    selection: Selection = ALL,
    tell: Tell = lambda words: None,
    *,
    part: Part | None = None,
) -> "pd.DataFrame":
    """Runs, a row each, oldest first.

    Parameters
    ----------
    workspace
        The folder with `results/`.
    selection
        Which runs; all where nothing is asked.
    tell
        Is told what is the matter with the index, if anything is, and which runs cannot be read.
    part
        Of them those of a part alone, as `parts`, which has told of those that cannot be read.
    """
    if part is None:
        _tell_unread(workspace, selection, tell)
    columns = [column for column in run_table.c if column.name not in ("id", "serial_stem", "serial_number")]
    asked = sa.select(*columns).where(_asked(selection, part)).order_by(run_table.c.ordered, run_table.c.run)
    found = _frame(workspace, asked, tell)
    for name in ("started_at", "finished_at"):
        found[name] = _times(found[name])
    return found


def unread(workspace: Path | str, selection: Selection, tell: Tell) -> list[tuple[str, str, str]]:
    """Serial and name of each run that cannot be read, and why; of a selection by kit and serials alone."""
    return ask(Path(workspace), lambda connection: unread_runs(connection, selection), tell)


def readings(
    workspace: Path | str = ".",
    selection: Selection = ALL,
    tell: Tell = lambda words: None,
    *,
    part: Part | None = None,
) -> "pd.DataFrame":
    """Readings with their limits and margins, a row each, in the order of `runs`; so are verdicts on curves."""
    of_run = [run_table.c[name] for name in OF_RUN]
    columns = [column for column in reading_table.c if column.name not in ("run_id", "place")]
    asked = (
        sa.select(*of_run, *columns)
        .join_from(run_table, reading_table)
        .where(_asked(selection, part))
        .order_by(run_table.c.ordered, run_table.c.run, reading_table.c.place)
    )
    return _frame(workspace, asked, tell)


def of_runs(table: str, workspace: Path | str, selection: Selection, tell: Tell) -> "pd.DataFrame":
    """Whatever else the index holds of runs ("checks", "findings", "calibrations"), a row each, in the order of `runs`.

    Its columns are those of `rig.store.index_tables`, after what names the run.
    """
    [of] = [one for one in OF_A_RUN if one.name == table]
    columns = [column for column in of.c if column.name != "run_id"]
    asked = (
        sa.select(*(run_table.c[name] for name in OF_RUN), *columns).join_from(run_table, of).where(where(selection))
    )
    return _frame(workspace, asked.order_by(run_table.c.ordered, run_table.c.run, of.c.place), tell)


def curves(
    workspace: Path | str = ".",
    selection: Selection = ALL,
    tell: Tell = lambda words: None,
    *,
    part: Part | None = None,
    is_wanted: Callable[[str, str, str], bool] = lambda check, quantity, subject: True,
) -> "pd.DataFrame":
    """Curves, a row a point, in the order of `runs`; read from the records themselves, which takes a while for many.

    Parameters
    ----------
    workspace, selection, tell, part
        As of `runs`; `tell` is also told which curve was left out and why.
    is_wanted
        Which curves: told check, quantity and subject.
    """
    import pandas as pd

    pieces = []
    found = runs(workspace, selection, tell, part=part)
    for name in found[list(OF_RUN)].itertuples(index=False):
        folder = Path(workspace) / "results" / name.kit / name.serial / name.run
        for about, points in curves_of_run(folder, is_wanted, tell):
            pieces.append(pd.DataFrame(points).assign(**{**name._asdict(), **about}))
    whole = pd.concat(pieces, ignore_index=True) if pieces else pd.DataFrame()
    return _as_categories(whole.reindex(columns=list(OF_POINT)))


def dictionary() -> "pd.DataFrame":
    """What each column of these tables is, and in which unit."""
    import pandas as pd

    rows = [(name, unit, words) for name, (unit, words) in MEANING.items()]
    return pd.DataFrame(rows, columns=["column", "unit", "meaning"])


def _tell_unread(workspace: Path | str, selection: Selection, tell: Tell) -> None:
    for _, _, words in unread(workspace, selection, tell):
        tell(f"left out: {words}")


def _asked(selection: Selection, part: Part | None) -> Part:
    return where(selection) if part is None else part


def _frame(workspace: Path | str, asked: sa.Select[Any], tell: Tell) -> "pd.DataFrame":
    import pandas as pd

    names = list(asked.selected_columns.keys())
    found = pd.DataFrame.from_records(_rows(workspace, asked, tell), columns=names)
    numbers = [column.name for column in asked.selected_columns if isinstance(column.type, sa.Double)]
    return _as_categories(found.astype(dict.fromkeys(numbers, np.float64)))


def _rows(workspace: Path | str, asked: sa.Select[Any], tell: Tell) -> Sequence[sa.Row[Any]]:
    return ask(Path(workspace), lambda connection: connection.execute(asked).all(), tell)


def _as_categories(found: "pd.DataFrame") -> "pd.DataFrame":
    return found.astype({name: "category" for name in FEW if name in found})


def _times(texts: "pd.Series[str]") -> "pd.Series[Any]":
    import pandas as pd

    return pd.to_datetime(texts, utc=True, format="ISO8601")


def curves_of_run(
    folder: Path, is_wanted: Callable[[str, str, str], bool], tell: Tell
) -> Iterator[tuple[dict[str, Any], dict[str, NDArray[Any]]]]:
    """The curves of a record: what each is, its mask's file and SHA-256 (empty: it has none), and its columns."""
    try:
        record: Any = parse_json(read_closed(folder / "run.json", folder.parents[2]))
        for result in record["results"]:
            verdicts = {(one["quantity"], one["subject"]): one for one in result["verdicts"]}
            for entry in result["curves"]:
                key = entry["quantity"], entry["subject"]
                if is_wanted(result["check"], *key):
                    about = {"check": result["check"], "quantity": key[0], "subject": key[1], "unit": entry["unit"]}
                    points = _points(folder, entry["file"], record["files"])
                    verdict = verdicts.get(key, {})
                    mask = verdict.get("mask") or ""
                    about |= {"mask": mask, "mask_sha256": record["files"].get(mask, "")}
                    yield about | {"shift_db": verdict.get("shift_db", 0.0)}, points
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError, RecordError) as error:
        tell(f"{folder}: curves left out: {error}")


def _points(folder: Path, name: str, files: dict[str, str]) -> dict[str, NDArray[Any]]:
    """The points of a curve by column; refused where its file is not what it was."""
    path = folder / name
    if sha256(path) != files.get(name):
        raise RecordError(f"{name}: changed after the run")
    found: dict[str, NDArray[Any]] = dict(read_columns(path, lambda column: not column.startswith(PART)))
    return found | {flag: found[flag] == 1 for flag in ("valid", "at_most") if flag in found}
