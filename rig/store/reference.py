"""Reference builds: units that the designer vouches for, measured at this jig, as the centre of limits."""

import re
import shutil
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from rig.design.kit import Kit
from rig.design.limits import REFERENCE_SCHEMA, ReferenceNote, reference_name, reference_note
from rig.files.disk import beside, put_in_place, remove_left, sync, why, write_together
from rig.files.errors import RecordError, TableError
from rig.files.locks import locked
from rig.files.plain import json_bytes, table
from rig.files.tables import read_settings
from rig.store.recorded import read_curve
from rig.store.run_json import Record
from rig.values.readings import Curve, Floats

#: Beside the folders of the kits, since all files within one are the kit's.
LOCK = ".reference.lock"
#: Whoever makes a reference build takes no longer; our choice.
WAITS_S = 60.0


def write_reference(kit: Kit, runs: Sequence[Record], is_besides: bool = False) -> Path:
    """Write the mean of several runs' curves as the kit's reference; the former one is kept aside.

    Only points that every run trusted are written, so the reference never reaches further than the measurements.

    Parameters
    ----------
    kit, runs
    is_besides
        The runs are of another plan than the usual one: what the former reference has of other curves stays.

    Raises
    ------
    RecordError
        If a run is of another kit or bench, did not go through, holds no curves, changed ones or such as its own check
        does not trust; or if the reference cannot be written (the former one stays then).
    """
    serials = [run.serial for run in runs]
    if len(set(serials)) != len(serials):
        raise RecordError(f"found {', '.join(serials)}; allowed: each unit once")
    for run in runs:
        if run.kit.name != kit.name:
            raise RecordError(f"{run.folder}: a run of {run.kit.name}, not of {kit.name}")
        if run.stopped:
            raise RecordError(f"{run.folder}: did not go through: {run.stopped}")
    benches = {calibration.bench for run in runs for calibration in run.calibrations}
    if len(benches) != 1:
        raise RecordError(f"the runs are from several benches: {', '.join(sorted(benches))}")
    contents = {reference_name(*key): _mean_table(key, curves) for key, curves in _curves(runs).items()}
    made_from = tuple({"serial": run.serial, "run": run.run} for run in runs)
    note = ReferenceNote(benches.pop(), made_from, f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}")
    with _replaced(kit) as folder:
        former = reference_note(kit.folder) if is_besides else None
        if former:
            if former.bench not in ("", note.bench):
                raise RecordError(
                    f"the reference build is of another bench ({former.bench}); these runs are of {note.bench}"
                )
            kept = {path.name: read_settings(path) for path in sorted(folder.glob("*.csv"))}
            files = {name: file for name, file in former.files.items() if name not in contents}
            note = replace(note, runs=(*former.runs, *made_from), files=files)
            contents = kept | contents
        _put_in_place(folder, contents, note)
    return folder


def add_to_reference(kit: Kit, curves: Mapping[tuple[str, str, str], tuple[Path, Floats, Floats]]) -> Path:
    """Put curves of a builder's files into the reference build; what it has of other curves stays.

    Parameters
    ----------
    kit
    curves
        Check, quantity and subject -> the file, frequencies and values.

    Raises
    ------
    RecordError
        If the reference cannot be written (the former one stays then).
    TableError
        If the note of the former one cannot be read.
    """
    made = {reference_name(*key): _table(frequency_hz, value) for key, (_, frequency_hz, value) in curves.items()}
    made_from = {reference_name(*key): path.name for key, (path, _, _) in curves.items()}
    with _replaced(kit) as folder:
        former = reference_note(kit.folder) or ReferenceNote("")
        kept = {path.name: read_settings(path) for path in sorted(folder.glob("*.csv"))}
        made_at = f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}"
        note = replace(former, made_at=made_at, files={**former.files, **made_from})
        _put_in_place(folder, kept | made, note)
    return folder


@contextmanager
def _replaced(kit: Kit) -> Iterator[Path]:
    """The folder of a kit's reference build, in which nobody else replaces anything meanwhile."""
    folder = kit.folder / "reference"
    try:
        with locked(kit.folder.with_name(LOCK), waits_s=WAITS_S):
            yield folder
    except OSError as error:
        raise RecordError(f"{folder}: the reference build could not be written: {why(error)}") from None


def _put_in_place(folder: Path, curves: Mapping[str, str], note: ReferenceNote) -> None:
    """Write the files of a folder; only when the disk has all of them is the former folder kept aside."""
    contents = {**curves, "reference.json": json_bytes({"schema": REFERENCE_SCHEMA, **table(note)}).decode()}
    new = beside(folder)
    try:
        new.mkdir()
        remove_left([new])
        write_together({new / name: content for name, content in contents.items()})
        aside = _name_aside(folder) if folder.exists() else None
        if aside:
            put_in_place(folder, aside)
        try:
            put_in_place(new, folder)
        except OSError:
            if aside:
                put_in_place(aside, folder)
            raise
    finally:
        shutil.rmtree(new, ignore_errors=True)
    sync(folder.parent)


def _name_aside(folder: Path) -> Path:
    """Where the former reference build goes; its note may be damaged, and that must not keep it from being replaced."""
    try:
        note = reference_note(folder.parent)
    except TableError:
        note = None
    made_at = re.sub(r"[^0-9TZ-]", "", note.made_at if note else "") or "unknown-date"
    names = (f"reference-of-{made_at}{again}" for again in ("", *(f"-{n}" for n in range(2, 1000))))
    return next(path for path in map(folder.with_name, names) if not path.exists())


def _curves(runs: Sequence[Record]) -> dict[tuple[str, str, str], list[Curve]]:
    found: dict[tuple[str, str, str], list[Curve]] = {}
    for run in runs:
        for result in run.results:
            for entry in result.curves:
                key, one = (result.check, entry.quantity, entry.subject), read_curve(run, entry)
                if one.trouble:
                    raise RecordError(f"{run.folder}: {' '.join(filter(None, key))}: {one.trouble}")
                found.setdefault(key, []).append(one)
    if not found:
        raise RecordError("the runs hold no curves")
    return found


def _mean_table(key: tuple[str, str, str], curves: Sequence[Curve]) -> str:
    grid = curves[0].frequency_hz
    if any(not np.array_equal(grid, other.frequency_hz) for other in curves):
        raise RecordError(f"{' '.join(key)}: the runs were read at different frequencies")
    mean = np.mean([one.value for one in curves], axis=0)
    trusted = np.all([one.valid & np.isfinite(one.value) for one in curves], axis=0)
    return _table(grid[trusted], mean[trusted])


def _table(frequency_hz: Floats, value: Floats) -> str:
    rows = [f"{f:.6g},{v:.6g}\n" for f, v in zip(frequency_hz, value, strict=True)]
    return "frequency_hz,value\n" + "".join(rows)
