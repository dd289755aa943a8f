"""Reference builds: units that the designer vouches for, measured at this jig, as the centre of limits."""

import csv
import json
import shutil
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from rig.kit import Kit
from rig.limits import read_columns, reference_path
from rig.readings import Floats
from rig.records import Record, RecordError, load_captures


def write_reference(kit: Kit, runs: Sequence[Record]) -> Path:
    """Write the mean of several runs' curves as the kit's reference; the former one is kept aside.

    Only points that every run trusted are written, so the reference never reaches further than the measurements.

    Raises
    ------
    RecordError
        If a run is of another kit or bench, did not go through, or holds no curves.
    """
    serials = [run.document["serial"] for run in runs]
    if len(set(serials)) != len(serials):
        raise RecordError(f"found {', '.join(serials)}; allowed: each unit once")
    for run in runs:
        if run.document["kit"]["name"] != kit.name:
            raise RecordError(f"{run.folder}: a run of {run.document['kit']['name']}, not of {kit.name}")
        if run.document["stopped"]:
            raise RecordError(f"{run.folder}: did not go through: {run.document['stopped']}")
    benches = {next(load_captures(run)).calibration.bench for run in runs}
    if len(benches) != 1:
        raise RecordError(f"the runs are from several benches: {', '.join(sorted(benches))}")
    folder = kit.folder / "reference"
    _keep_former(folder)
    folder.mkdir()
    for (check, quantity, subject), curves in _curves(runs).items():
        _write_mean(reference_path(kit.folder, check, quantity, subject), curves)
    note = {
        "bench": benches.pop(),
        "runs": [{"serial": run.document["serial"], "run": run.document["run"]} for run in runs],
        "made_at": f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}",
    }
    (folder / "reference.json").write_text(json.dumps(note, indent=1) + "\n", encoding="utf-8")
    return folder


def _keep_former(folder: Path) -> None:
    if folder.exists():
        made_at = json.loads((folder / "reference.json").read_text(encoding="utf-8"))["made_at"]
        shutil.move(folder, folder.with_name(f"reference-of-{made_at.replace(':', '')}"))


def _curves(runs: Sequence[Record]) -> dict[tuple[str, str, str], list[tuple[Floats, ...]]]:
    found: dict[tuple[str, str, str], list[tuple[Floats, ...]]] = {}
    for run in runs:
        for result in run.document["results"]:
            for curve in result["curves"]:
                key = (result["check"], curve["quantity"], curve["subject"])
                columns = read_columns(run.folder / curve["file"], ("frequency_hz", "value", "valid"))
                found.setdefault(key, []).append(columns)
    if not found:
        raise RecordError("the runs hold no curves")
    return found


def _write_mean(path: Path, curves: list[tuple[Floats, ...]]) -> None:
    grid = curves[0][0]
    if any(not np.array_equal(grid, other[0]) for other in curves):
        raise RecordError(f"{path.stem}: the runs were read at different frequencies")
    mean = np.mean([curve[1] for curve in curves], axis=0)
    trusted = np.all([curve[2] == 1 for curve in curves], axis=0)
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["frequency_hz", "value"])
        writer.writerows([f"{f:.6g}", f"{v:.6g}"] for f, v in zip(grid[trusted], mean[trusted], strict=True))
