"""The tables behind a batch's report, for whoever reads tables."""

from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from rig.files.disk import why, write_together
from rig.files.errors import RecordError
from rig.study.batch_curves import KEY, key_row
from rig.study.batch_study import BatchStudy
from rig.study.batch_words import change_row, spread_row
from rig.study.export import csv_text

if TYPE_CHECKING:
    import pandas as pd


def write_report(workspace: Path, name: str, page: str, tables: Mapping[str, "pd.DataFrame"]) -> Path:
    """Write a report and its tables into a folder beside the units of `results/` that is none; where the page is.

    Raises
    ------
    RecordError
        If it cannot be written.
    """
    folder = workspace / "results" / ".batch" / f"{name}-{datetime.now().astimezone():%Y-%m-%dT%H%M%S}"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        contents = {folder / f"{of}.csv": csv_text(table) for of, table in tables.items()}
        write_together({**contents, folder / "report.html": page})
    except OSError as error:
        raise RecordError(f"{folder}: the report could not be written: {why(error)}") from None
    return folder / "report.html"


def tables_of(study: BatchStudy) -> dict[str, "pd.DataFrame"]:
    """Name of a file -> its table: units, readings, indices, curves, failures, changes, odd units, daily checks."""
    import pandas as pd

    failed = [
        {"by": name, "words": ": ".join(one.words), "units": one.units, "runs": one.runs}
        for name, found in vars(study.failures).items()
        for one in found
    ]
    changes = [
        change_row(study, one) | {"charts": ", ".join(one.charts), "cause": number}
        for number, cause in enumerate(study.causes, 1)
        for one in cause.changes
    ]
    odd = [
        {"serial": study.batch.units["serial"].iloc[place], **key_row(series.key), "standard_deviations": far}
        for series, place, far in study.drift.odd
    ]
    indices = [{name: _first(cell) for name, cell in spread_row(one).items()} for one in study.spreads]
    of_daily = ("bench", "made_at", "quantity", "of", "value", "unit")
    daily = [{name: getattr(one, name) for name in of_daily} for one in study.daily]
    return {
        "units": study.batch.units,
        "readings": _readings(study),
        "indices": pd.DataFrame(indices),
        "curves": _curves(study),
        "failures": pd.DataFrame(failed, columns=["by", "words", "units", "runs"]),
        "changes": pd.DataFrame(changes),
        "odd": pd.DataFrame(odd, columns=["serial", *KEY, "standard_deviations"]),
        "daily": pd.DataFrame(daily, columns=list(of_daily)),
    }


def _readings(study: BatchStudy) -> "pd.DataFrame":
    """Every judged reading of every unit; of a curve, where it fills its mask worst."""
    import pandas as pd

    serials = study.batch.units["serial"].to_list()
    parts = [
        pd.DataFrame(
            {"serial": serials, **key_row(one.key), "unit": one.unit, "at_hz": one.at_hz}
            | {"value": one.values, "lower": one.lower, "upper": one.upper}
        )
        for one in study.spreads
    ]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=["serial", *KEY])


def _curves(study: BatchStudy) -> "pd.DataFrame":
    """Median and band of every judged curve, with its mask."""
    import pandas as pd

    parts = []
    for stack in study.stacks:
        low, high = stack.band
        points = {"frequency_hz": stack.frequency_hz, "median": stack.middle, "percent_5": low, "percent_95": high}
        mask = {"lower": stack.lower, "upper": stack.upper}
        parts.append(pd.DataFrame(key_row(stack.key) | {"unit": stack.unit} | points | mask))
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=list(KEY))


def _first(cell: object) -> object:
    """Of an index with its interval the index."""
    return cell[0] if isinstance(cell, list) else np.nan if cell is None else cell
