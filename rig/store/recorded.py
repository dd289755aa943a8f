"""A whole run read back from its record alone: equal to what it was when it was judged."""

from collections.abc import Mapping

import numpy as np

from rig.design.kit import Kit, kit_in
from rig.design.limits import limit_key, mask_for
from rig.files.errors import RecordError, TableError
from rig.store.recordings import log_of, read_audio, read_captures, read_rows
from rig.store.records import columns_of, unchanged
from rig.store.result_files import PART
from rig.store.run_json import CourseEntry, CurveEntry, Record, ResultEntry, SoundEntry, VerdictEntry
from rig.values.readings import CheckReadings, Course, Curve, Sound
from rig.values.run import Run
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
        If one of its files is not what a record holds.
    """
    captures = read_captures(record.folder, record.captures, record.calibrations, with_samples=False)
    try:
        return Run(
            outcome=record.outcome,
            stopped=record.stopped,
            bench_failed=record.bench_failed,
            results=tuple(_read_result(record, entry, kit) for entry in record.results),
            captures=tuple((one, entry.troubles) for one, entry in zip(captures, record.captures, strict=True)),
            logs=tuple(
                (log_of(entry.request, read_rows(record.folder, number), entry.stopped), entry.troubles)
                for number, entry in enumerate(record.logs, 1)
            ),
            timing=record.timing,
            findings=record.findings,
            bench_advice=record.bench_advice,
            foretold=record.foretold,
            bench_doubts=record.bench_doubts,
        )
    except (KeyError, TypeError, ValueError) as error:
        raise RecordError(f"{record.folder}: cannot be read as a run: {error}") from None


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


def _read_result(record: Record, entry: ResultEntry, kit: Kit) -> CheckResult:
    read = CheckReadings(
        readings=entry.readings,
        curves=tuple(read_curve(record, curve) for curve in entry.curves),
        sounds=tuple(read_sound(record, sound) for sound in entry.sounds),
        courses=tuple(_read_course(record, course) for course in entry.courses),
        remarks=entry.remarks,
    )
    curves = {(curve.quantity, curve.subject): curve for curve in read.curves}
    verdicts = tuple(_verdict_of(record, one, entry.check, kit, curves) for one in entry.verdicts)
    return CheckResult(
        entry.check, entry.title, entry.outcome, entry.reason, read, verdicts, entry.terms, entry.may_pass
    )


def _verdict_of(
    record: Record, entry: VerdictEntry, check: str, kit: Kit, curves: Mapping[tuple[str, str], Curve]
) -> Verdict:
    known = {name: value for name, value in vars(entry).items() if name not in ("mask", "elsewhere")}
    return Verdict(**known, mask=_mask_of(record, entry, check, kit, curves))


def _mask_of(
    record: Record, entry: VerdictEntry, check: str, kit: Kit, curves: Mapping[tuple[str, str], Curve]
) -> Mask | None:
    if entry.mask == "":
        curve = curves.get((entry.quantity, entry.subject))
        return _mask_again(record, kit, check, curve) if curve and np.isfinite(entry.at_hz) else None
    if not entry.mask:
        return None
    found = columns_of(record, entry.mask)
    return Mask(found["frequency_hz"], found["lower"], found["upper"], found.get("centre"), entry.elsewhere)


def _mask_again(record: Record, kit: Kit, check: str, curve: Curve) -> Mask | None:
    """The mask of a curve by the record's own kit; None where that cannot tell any more."""
    limits = kit.limits.get(check, {})
    limit = limits.get(limit_key(limits, curve.quantity, curve.subject))
    bench = next((calibration.bench for calibration in record.calibrations), "")
    try:
        return mask_for(limit, curve, kit.folder, check, bench, kit.files) if limit and not limit.is_number else None
    except (LookupError, TableError):
        return None


def read_curve(record: Record, entry: CurveEntry) -> Curve:
    """A curve of a record, from its entry under `results`.

    Raises
    ------
    RecordError
        If its file is missing, was changed after the run, or is not a table of numbers.
    """
    columns = columns_of(record, entry.file)
    names = ("uncertainty", "design", "design_low", "design_high", "on_axis")
    known = {name: columns[name] for name in names if name in columns}
    if entry.absolute is None:
        # Records once held a column of nothing where there was none.
        known = {name: values for name, values in known.items() if np.isfinite(values).any()}
    try:
        return Curve(
            quantity=entry.quantity,
            subject=entry.subject,
            frequency_hz=columns["frequency_hz"],
            value=columns["value"],
            unit=entry.unit,
            valid=columns["valid"] == 1,
            at_most=columns["at_most"] == 1 if "at_most" in columns else None,
            absolute=entry.absolute is not False,
            trouble=entry.trouble,
            method=entry.method,
            parts={name.removeprefix(PART): values for name, values in columns.items() if name.startswith(PART)},
            **known,
        )
    except KeyError as error:
        raise RecordError(f"{record.folder / entry.file}: not a table of numbers: no column {error}") from None


def _read_course(record: Record, entry: CourseEntry) -> Course:
    columns = columns_of(record, entry.file)
    fit = columns.get("fit")
    return Course(entry.quantity, entry.subject, columns["seconds"], columns["value"], entry.unit, fit)


def read_sound(record: Record, entry: SoundEntry) -> Sound:
    """A sound of a record, from its entry under `results`."""
    [scaled], rate_hz = read_audio(unchanged(record, entry.file))
    samples = (scaled.astype(np.float64) / entry.scale).astype(np.float32)
    exact_hz = rate_hz if entry.sample_rate_hz is None else entry.sample_rate_hz
    return Sound(entry.quantity, entry.subject, samples, exact_hz)
