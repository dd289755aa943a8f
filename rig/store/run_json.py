"""What `run.json` holds, as values: a record, and what was known of its run before and beside what was measured.

Everything large stands in files of its own, named here. What older versions left out has a default that says so.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Annotated

from pydantic import AfterValidator

from rig.files.plain import Number, Whole, YesNo
from rig.findings.leading import NAMED_FROM, UNKNOWN
from rig.values.captures import Calibration
from rig.values.findings import Finding
from rig.values.logs import Stop
from rig.values.names import BenchPart
from rig.values.readings import Reading
from rig.values.requests import Programme, Sweep
from rig.values.run import Timing
from rig.values.verdicts import BareVerdict, Outcome

SCHEMA = "kitproof run 1"


def _with_zone(text: str) -> str:
    try:
        has_zone = datetime.fromisoformat(text).tzinfo is not None
    except ValueError:
        has_zone = False
    if not has_zone:
        raise ValueError("a time in ISO 8601 with its zone")
    return text


Time = Annotated[str, AfterValidator(_with_zone)]


@dataclass(frozen=True)
class Rework:
    """One note of what was done to a unit."""

    at: str
    words: str
    by: str
    #: The newest run when it was noted; empty before the first.
    after: str


@dataclass(frozen=True)
class RunBefore:
    """The run of the same unit before this one, and what failed in it: check, quantity, subject."""

    run: str
    outcome: Outcome
    failed: tuple[str, ...]
    #: Empty: records once did not say.
    finished_at: str = ""
    #: Of the bench that measured it, where that was another; empty: this one.
    bench: str = ""


@dataclass(frozen=True)
class Link:
    """Where a file stands in the chain of its bench, and the file before it there."""

    chain: str
    number: Whole
    #: Its place under `results/` and its SHA-256; empty: this is the first.
    before: str = ""
    sha256: str = ""


@dataclass(frozen=True)
class Maker:
    """Who made or sells the units, as it stands on what goes with them: `[maker]` of bench.toml."""

    name: str = ""
    #: Lines as on a letter.
    address: str = ""
    #: Where units are tested.
    place: str = ""
    #: Of the page that goes with a unit: a table under rig/report/languages, or "en".
    language: str = "en"
    #: Name of the picture's file in the record; empty: none.
    logo: str = ""


@dataclass(frozen=True, kw_only=True)
class About:
    """What is known of a run beside what was measured."""

    #: Notes since the newest run before this one.
    rework: tuple[Rework, ...] = ()
    #: Runs since the last rework, this one included.
    runs_untouched: Whole = 1
    before: RunBefore | None = None
    #: What could not be read of runs and notes before it, and of the kit's reference build.
    set_aside: tuple[str, ...] = ()
    #: Of the kit's plans; empty: it has none.
    plan: str = ""
    started_at: Time
    #: Who measured, a person or a jig; empty: nobody said.
    by: str = ""
    #: Which lot of units it belongs to; empty: nobody said.
    batch: str = ""
    #: Of the bench that measured it; empty: records once did not say.
    bench_name: str = ""
    #: As the bench describes itself: each kind in its own words.
    bench: Mapping[str, object] = field(default_factory=dict)
    #: None: nobody is named.
    maker: Maker | None = None
    #: What is odd about the clock that dates the run.
    clock: tuple[str, ...] = ()
    #: When it was taken up again after an interruption; empty: it was not interrupted.
    resumed_at: str = ""


@dataclass(frozen=True)
class CourseEntry:
    """A course but for its numbers."""

    quantity: str
    subject: str
    unit: str
    file: str


@dataclass(frozen=True)
class CurveEntry(CourseEntry):
    """A curve but for its numbers."""

    #: None: records once did not say; a column of nothing stood for none then.
    absolute: YesNo | None = None
    trouble: str = ""
    method: str = ""


@dataclass(frozen=True)
class SoundEntry:
    """A sound but for its samples, which stand in the file at so many times their level."""

    quantity: str
    subject: str
    file: str
    scale: Number
    #: None: records once did not say; that of the file.
    sample_rate_hz: Number | None = None


@dataclass(frozen=True)
class VerdictEntry(BareVerdict):
    """A verdict, with the file of its mask; None: it has none; empty: records once kept no masks."""

    mask: str | None = ""
    #: As of its `Mask`.
    elsewhere: YesNo = False


@dataclass(frozen=True)
class ResultEntry:
    """What a check read, and what the limits say of it."""

    check: str
    title: str
    outcome: Outcome
    reason: str
    readings: tuple[Reading, ...]
    curves: tuple[CurveEntry, ...]
    remarks: tuple[str, ...]
    verdicts: tuple[VerdictEntry, ...]
    courses: tuple[CourseEntry, ...] = ()
    sounds: tuple[SoundEntry, ...] = ()
    terms: Mapping[str, str] = field(default_factory=dict)
    may_pass: YesNo = False


@dataclass(frozen=True)
class CaptureEntry:
    """A capture but for its samples, with what speaks against it."""

    file: str
    request: Sweep
    attempt: Whole
    inputs: tuple[str, ...]
    sample_rate_hz: Number
    #: Place among the record's calibrations.
    calibration: Whole
    flags: tuple[str, ...]
    troubles: tuple[str, ...]
    #: Records were once made without a second device.
    other_clock: tuple[str, ...] = ()


@dataclass(frozen=True)
class LogEntry:
    """A log but for its rows, with what speaks against it."""

    request: Programme
    files: tuple[str, ...]
    rows: Whole
    began_at: str
    stopped: Stop | None
    troubles: tuple[str, ...]


@dataclass(frozen=True)
class KitName:
    """Which kit a run was judged by."""

    name: str
    title: str
    revision: str
    sha256: str


@dataclass(frozen=True)
class Previous:
    """The record of the same unit before this one."""

    run: str
    sha256: str


@dataclass(frozen=True, kw_only=True)
class Record(About):
    """A run as it stands in the store: what its run.json holds, and where that is."""

    folder: Path
    run: str
    run_number: Whole
    serial: str
    kit: KitName
    #: What it was measured and judged with -> version.
    software: Mapping[str, str] = field(default_factory=dict)
    finished_at: Time
    outcome: Outcome
    stopped: str
    bench_failed: YesNo = False
    bench_advice: str = ""
    foretold: tuple[str, ...] = ()
    #: As of a `Run`.
    bench_doubts: Mapping[BenchPart, str] | None = None
    timing: Timing
    #: The record of the same unit before this one, in the same workspace.
    previous: Previous | None
    #: None: records once had none.
    link: Link | None = None
    results: tuple[ResultEntry, ...]
    calibrations: tuple[Calibration, ...]
    captures: tuple[CaptureEntry, ...]
    logs: tuple[LogEntry, ...] = ()
    findings: tuple[Finding, ...] = ()
    #: Every other file -> its SHA-256.
    files: Mapping[str, str]


def up_to_date(found: dict[str, object]) -> dict[str, object]:
    """Calibrations and findings as today's version writes them, whichever version did."""
    changed = dict(found)
    for key, rule in (("calibrations", _with_ratio), ("findings", _with_lead)):
        if isinstance(entries := found.get(key), list):
            changed[key] = [rule(entry) if isinstance(entry, dict) else entry for entry in entries]
    return changed


def _with_ratio(calibration: dict[str, object]) -> dict[str, object]:
    load = calibration.get("known_load")
    return {**calibration, "known_load": with_ratio(load) if isinstance(load, dict) else load}


def with_ratio(load: dict[str, object]) -> dict[str, object]:
    """A known load whose ratio stands as its two parts side by side, as it was once written, as it is today."""
    if "ratio_real" not in load or "ratio_imag" not in load:
        return load
    rest = {key: value for key, value in load.items() if key not in ("ratio_real", "ratio_imag")}
    return {**rest, "ratio": {"real": load["ratio_real"], "imag": load["ratio_imag"]}}


def _with_lead(finding: dict[str, object]) -> dict[str, object]:
    """Findings once did not say which of them may lead."""
    probability = finding.get("probability")
    is_weak = isinstance(probability, (int, float)) and probability < NAMED_FROM
    return {"also_possible": is_weak and finding.get("kind") != UNKNOWN, **finding}
