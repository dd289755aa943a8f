"""Records as trials: which unit was measured by whom, and what was read of it."""

from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from rig.files.errors import RecordError
from rig.store.recorded import read_curve
from rig.store.run_json import Record
from rig.values.readings import Curve, Reading

#: Check, quantity, subject.
Key = tuple[str, str, str]


@dataclass(frozen=True)
class Trial:
    """One run of one unit, as far as a study needs it."""

    #: The serial; a unit that was reworked is another unit from then on.
    unit: str
    #: A person or a jig; empty: nobody said.
    by: str
    run: str
    outcome: str
    kit_sha256: str
    readings: Mapping[Key, Reading]
    curves: Mapping[Key, Curve]


def trials(
    records: Iterable[Record], is_asked: Callable[[Record], bool], is_wanted: Callable[[Key], bool]
) -> tuple[list[Trial], list[str]]:
    """Runs as trials, in the order of the records, and what could not be read, in words.

    Parameters
    ----------
    records
        All records of a kit, each unit's oldest first: those before a rework tell that the unit is another one since.
    is_asked
        Whether a record belongs to the study.
    is_wanted
        Whether a reading or curve does.
    """
    reworks: Counter[str] = Counter()
    found, problems = [], []
    for record in records:
        serial = record.serial
        reworks[serial] += bool(record.rework)
        if not is_asked(record):
            continue
        unit = f"{serial} after rework {reworks[serial]}" if reworks[serial] else serial
        try:
            found.append(_trial(record, unit, is_wanted))
        except RecordError as error:
            problems.append(f"left out: {error}")
    return found, problems


def _trial(record: Record, unit: str, is_wanted: Callable[[Key], bool]) -> Trial:
    readings, curves = {}, {}
    for result in record.results:
        for reading in result.readings:
            if is_wanted(key := (result.check, reading.quantity, reading.subject)):
                readings[key] = reading
        for entry in result.curves:
            if is_wanted(key := (result.check, entry.quantity, entry.subject)):
                curves[key] = read_curve(record, entry)
    return Trial(unit, record.by, record.run, record.outcome, record.kit.sha256, readings, curves)
