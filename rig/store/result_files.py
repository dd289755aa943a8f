"""What checks read and judged, as files of a record; `rig.store.recorded` reads them back equal."""

import csv
import math
import re
from collections.abc import Mapping
from pathlib import Path

from rig.files.plain import Bools
from rig.store.recordings import write_audio
from rig.store.run_json import CourseEntry, CurveEntry, ResultEntry, SoundEntry, VerdictEntry
from rig.values.readings import Course, Curve, Floats, Sound
from rig.values.verdicts import CheckResult, Verdict

#: Before the name of a column that holds one part of a curve's uncertainty.
PART = "part "
#: A file's name is cut after so many characters; a number tells those apart that are equal then; layout.
LONGEST_NAME = 100


def write_result(result: CheckResult, folder: Path) -> ResultEntry:
    """Write a check's curves, courses, sounds and masks into a record; what run.json says of the check."""
    return ResultEntry(
        check=result.name,
        title=result.title,
        outcome=result.outcome,
        reason=result.reason,
        readings=result.read.readings,
        curves=tuple(_write_curve(curve, result.name, folder) for curve in result.read.curves),
        courses=tuple(_write_course(course, result.name, folder) for course in result.read.courses),
        sounds=tuple(_write_sound(sound, result.name, folder) for sound in result.read.sounds),
        remarks=result.read.remarks,
        terms=result.terms,
        may_pass=result.may_pass,
        verdicts=tuple(_write_verdict(verdict, result.name, folder) for verdict in result.verdicts),
    )


def _write_verdict(verdict: Verdict, check: str, folder: Path) -> VerdictEntry:
    file = None
    if verdict.mask is not None:
        columns = {name: getattr(verdict.mask, name) for name in ("frequency_hz", "lower", "upper", "centre")}
        columns = {name: values for name, values in columns.items() if values is not None}
        file = _write_columns(folder, "masks", f"{check} {verdict.quantity} {verdict.subject}", columns)
    elsewhere = verdict.mask is not None and verdict.mask.elsewhere
    return VerdictEntry(**{**vars(verdict), "mask": file, "elsewhere": elsewhere})


def _write_curve(curve: Curve, check: str, folder: Path) -> CurveEntry:
    known = ("frequency_hz", "value", "valid", "at_most", "uncertainty")
    names = (*known, "design", "design_low", "design_high", "on_axis")
    columns = {name: getattr(curve, name) for name in names}
    columns |= {PART + name: values for name, values in curve.parts.items()}
    columns = {name: values for name, values in columns.items() if values is not None}
    file = _write_columns(folder, "curves", f"{check} {curve.quantity} {curve.subject}", columns)
    return CurveEntry(curve.quantity, curve.subject, curve.unit, file, curve.absolute, curve.trouble, curve.method)


def _write_course(course: Course, check: str, folder: Path) -> CourseEntry:
    columns = {"seconds": course.seconds, "value": course.value}
    columns |= {} if course.fit is None else {"fit": course.fit}
    file = _write_columns(folder, "courses", f"{check} {course.quantity} {course.subject}", columns)
    return CourseEntry(course.quantity, course.subject, course.unit, file)


def _write_columns(folder: Path, kind: str, words: str, columns: Mapping[str, Floats | Bools]) -> str:
    """Write a table; where it stands in the record. A cell is empty where there is no number."""
    path = new_file(folder / kind, words, ".csv")
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(columns)
        for row in zip(*columns.values(), strict=True):
            writer.writerow([int(value) if value.dtype.kind == "b" else _text(value) for value in row])
    return f"{kind}/{path.name}"


def _write_sound(sound: Sound, check: str, folder: Path) -> SoundEntry:
    """Written at a peak of a quarter to half of full scale; the factor is a power of two, so that it can be undone."""
    import numpy as np

    path = new_file(folder / "sounds", f"{check} {sound.quantity} {sound.subject}", ".wav")
    peak = float(np.max(np.abs(sound.samples), initial=0.0))
    scale = 2.0 ** float(np.clip(-1 - np.ceil(np.log2(peak)), -100, 100)) if 0 < peak < np.inf else 1.0
    samples = (sound.samples.astype(np.float64) * scale).astype(np.float32)
    path = write_audio(path.with_suffix(""), samples, sound.sample_rate_hz)
    return SoundEntry(sound.quantity, sound.subject, f"sounds/{path.name}", scale, sound.sample_rate_hz)


def new_file(folder: Path, words: str, ending: str) -> Path:
    """A file of its own in a folder for what these words name, whatever stands there already."""
    folder.mkdir(exist_ok=True)
    taken = {path.name.casefold() for path in folder.iterdir()}
    stem = re.sub(r"[^A-Za-z0-9.]+", "-", words)[:LONGEST_NAME]
    number, name = 1, f"{stem}{ending}"
    while name.casefold() in taken:
        number += 1
        name = f"{stem}-{number}{ending}"
    return folder / name


def _text(value: float) -> str:
    return "" if math.isnan(value) else repr(float(value))
