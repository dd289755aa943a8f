"""A whole run read back from its record alone: equal to what it was when it was judged."""

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from rig.design.kit import Kit, kit_in
from rig.design.limits import mask_for
from rig.files.errors import RecordError, TableError
from rig.files.plain import restored
from rig.findings.finding import NAMED_FROM, UNKNOWN
from rig.store.recordings import log_of, programme_of, read_audio, read_captures, read_rows
from rig.store.records import Record, columns_of, unchanged
from rig.store.result_files import PART
from rig.values.findings import Finding
from rig.values.logs import Log, Stop
from rig.values.readings import CheckReadings, Course, Curve, Reading, Sound
from rig.values.run import Run, Timing
from rig.values.verdicts import CheckResult, Mask, Verdict


def read_run(record: Record, kit: Kit) -> Run:
    """A run as it was judged, from its record alone; captures without their samples.

    Parameters
    ----------
    record : Record
    kit : Kit
        The record's own copy (`recorded_kit`).

    Raises
    ------
    RecordError
        If run.json or one of its files is not what a record holds.
    """
    document, folder = record.document, record.folder
    captures = zip(read_captures(folder, document, with_samples=False), document["captures"], strict=True)
    try:
        return Run(
            outcome=document["outcome"],
            stopped=document["stopped"],
            bench_failed=document.get("bench_failed", False),
            results=tuple(_read_result(record, entry, kit) for entry in document["results"]),
            captures=tuple((capture, tuple(entry["troubles"])) for capture, entry in captures),
            logs=tuple(_read_logs(record)),
            timing=restored(Timing, document["timing"]),
            findings=tuple(read_finding(entry) for entry in document.get("findings", ())),
            bench_advice=document.get("bench_advice", ""),
        )
    except (KeyError, TypeError, ValueError) as error:
        raise RecordError(f"{folder / 'run.json'}: cannot be read as a run: {error}") from None


def recorded_kit(record: Record) -> Kit:
    """The kit that a run was judged by, from the copy in its record.

    Raises
    ------
    RecordError
        If it is not a kit of this version.
    """
    try:
        return kit_in(record.folder / "kit")
    except TableError as error:
        raise RecordError(str(error)) from None


def _read_logs(record: Record) -> Iterator[tuple[Log, tuple[str, ...]]]:
    for number, entry in enumerate(record.document.get("logs", ()), 1):
        stopped = entry["stopped"] and restored(Stop, entry["stopped"])
        rows = read_rows(record.folder, number)
        yield log_of(programme_of(entry["request"]), rows, stopped), tuple(entry["troubles"])


def _read_result(record: Record, entry: Mapping[str, Any], kit: Kit) -> CheckResult:
    read = CheckReadings(
        readings=tuple(restored(Reading, reading) for reading in entry["readings"]),
        curves=tuple(read_curve(record, curve) for curve in entry["curves"]),
        sounds=tuple(read_sound(record, sound) for sound in entry.get("sounds", ())),
        courses=tuple(_read_course(record, course) for course in entry.get("courses", ())),
        remarks=tuple(entry["remarks"]),
    )
    curves = {(curve.quantity, curve.subject): curve for curve in read.curves}
    verdicts = tuple(_read_verdict(record, one, entry["check"], kit, curves) for one in entry["verdicts"])
    terms = entry.get("terms", {})
    may_pass = entry.get("may_pass", False)
    return CheckResult(
        entry["check"], entry["title"], entry["outcome"], entry["reason"], read, verdicts, terms, may_pass
    )


def read_finding(entry: Mapping[str, Any]) -> Finding:
    """A finding from its entry in run.json."""
    known: Finding = restored(Finding, entry)
    if "also_possible" in entry:
        return known
    # A record from before findings said what leads.
    return replace(known, also_possible=known.kind != UNKNOWN and known.probability < NAMED_FROM)


def read_verdict(entry: Mapping[str, Any]) -> Verdict:
    """A verdict from its entry in run.json, without its mask."""
    known: Verdict = restored(Verdict, {**entry, "mask": None})
    return known


def _read_verdict(
    record: Record, entry: Mapping[str, Any], check: str, kit: Kit, curves: Mapping[tuple[str, str], Curve]
) -> Verdict:
    verdict = read_verdict(entry)
    if "mask" not in entry:
        # Records once kept no masks.
        curve = curves.get((verdict.quantity, verdict.subject))
        mask = _mask_again(record, kit, check, curve) if curve and np.isfinite(verdict.at_hz) else None
    else:
        mask = Mask(**columns_of(record, entry["mask"])) if entry["mask"] else None
    return replace(verdict, mask=mask)


def _mask_again(record: Record, kit: Kit, check: str, curve: Curve) -> Mask | None:
    """The mask of a curve by the record's own kit; None where that cannot tell any more."""
    limits = kit.limits.get(check, {})
    limit = limits.get(f"{curve.quantity} {curve.subject}") or limits.get(curve.quantity)
    bench = next((entry["bench"] for entry in record.document["calibrations"]), "")
    try:
        return mask_for(limit, curve, kit.folder, check, bench, kit.files) if limit and not limit.is_number else None
    except (LookupError, TableError):
        return None


def read_reading(record: Record, entry: Mapping[str, Any]) -> Reading:
    """A reading of a record, from its entry under `results`.

    Raises
    ------
    RecordError
        If the entry is not one of this version.
    """
    try:
        known: Reading = restored(Reading, entry)
    except ValueError as error:
        raise RecordError(f"{record.folder / 'run.json'}: a reading: {error}") from None
    return known


def read_curve(record: Record, entry: Mapping[str, Any]) -> Curve:
    """A curve of a record, from its entry under `results`.

    Raises
    ------
    RecordError
        If its file is missing, was changed after the run, or is not a table of numbers.
    """
    columns = columns_of(record, entry["file"])
    known = {name: columns[name] for name in ("uncertainty", "design") if name in columns}
    if "absolute" not in entry:
        # Records once held a column of nothing where there was none.
        known = {name: values for name, values in known.items() if np.isfinite(values).any()}
    try:
        return Curve(
            quantity=entry["quantity"],
            subject=entry["subject"],
            frequency_hz=columns["frequency_hz"],
            value=columns["value"],
            unit=entry["unit"],
            valid=columns["valid"] == 1,
            at_most=columns["at_most"] == 1 if "at_most" in columns else None,
            absolute=entry.get("absolute", True),
            trouble=entry.get("trouble", ""),
            method=entry.get("method", ""),
            parts={name.removeprefix(PART): values for name, values in columns.items() if name.startswith(PART)},
            **known,
        )
    except KeyError as error:
        raise RecordError(f"{record.folder / entry['file']}: not a table of numbers: no column {error}") from None


def _read_course(record: Record, entry: Mapping[str, Any]) -> Course:
    columns = columns_of(record, entry["file"])
    return Course(
        entry["quantity"], entry["subject"], columns["seconds"], columns["value"], entry["unit"], columns.get("fit")
    )


def read_sound(record: Record, entry: Mapping[str, Any]) -> Sound:
    """A sound of a record, from its entry under `results`."""
    [scaled], rate_hz = read_audio(unchanged(record, entry["file"]))
    samples = (scaled.astype(np.float64) / entry["scale"]).astype(np.float32)
    return Sound(entry["quantity"], entry["subject"], samples, entry.get("sample_rate_hz", rate_hz))
