"""The store of calibrations: each a dated file of its own under `results/.bench/`, written once and never changed."""

import math
import re
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field, fields
from datetime import datetime
from pathlib import Path
from urllib.parse import quote

from rig.design.trust import KINDS, CalibrationKind
from rig.files.disk import read_json, why, write
from rig.files.errors import BenchError
from rig.files.plain import Complexes, Floats, Number, json_bytes, restored, schema_checked, table
from rig.store.run_json import Time, with_ratio
from rig.values.captures import KnownLoad, MicrophoneResponse

SCHEMA = "kitproof calibration 1"
#: As the comparison on a known load was written when there was no other calibration.
FORMER_SCHEMA = "kitproof known load 1"
#: The key of `Stored.uncertainty`.
UNCERTAINTY = "relative_standard_uncertainty"
#: How a file is called: when it was made.
STAMP, STAMP_LIKE = "%Y-%m-%dT%H%M%S", "2026-01-01T000000"


@dataclass(frozen=True)
class Cause:
    """One row of an uncertainty budget (GUM): a cause, its relative standard uncertainty in percent of the value."""

    cause: str
    percent: Number


@dataclass(frozen=True)
class SenseDetails:
    """The known load's comparison, as of a `KnownLoad`."""

    frequency_hz: Floats
    gain: Complexes
    lead_ohm: Complexes | None = None
    stray_siemens: Complexes | None = None
    errors: tuple[tuple[Number, Number, Number], ...] = ()


@dataclass(frozen=True)
class MicrophoneDetails:
    """The calibrator's level, its tone at each mounting, and the microphone's own response where a file told it."""

    level_db: Number = math.nan
    mountings: tuple[Mapping[str, Number], ...] = ()
    response: MicrophoneResponse | None = None


@dataclass(frozen=True)
class LoopResponse:
    """The card from output to input, shape (n,): over what bench.toml promises, the latency taken out."""

    frequency_hz: Floats
    gain_db: Floats
    degrees: Floats


@dataclass(frozen=True)
class LoopHarmonics:
    """The card's own harmonics at a level (RMS), each order a row over the fundamental's frequency; NaN: not known."""

    level_v: Number
    frequency_hz: Floats
    decibel: Floats
    orders: tuple[int, ...] = ()


@dataclass(frozen=True)
class LoopDetails:
    """What a loopback says of the card."""

    response: LoopResponse
    #: Of each opening of the stream.
    latency_samples: tuple[Number, ...]
    sample_rate_hz: Number
    #: RMS value of silence at the input, and against a sine of full scale; -inf: none at all.
    noise_v: Number
    noise_db_full_scale: Number
    harmonics: LoopHarmonics
    distortion_at_1_khz: Number


@dataclass(frozen=True)
class ChartLimits:
    """The limits of a control chart."""

    lower: Number
    centre: Number
    upper: Number


@dataclass(frozen=True)
class DailyDetails:
    """A point of the daily check among those before it."""

    state: str
    words: str = ""
    limits: ChartLimits | None = None


#: What else was found; of volts nothing that is read again.
Details = SenseDetails | MicrophoneDetails | LoopDetails | DailyDetails | Mapping[str, object]
DETAILS: Mapping[str, type] = {
    "sense": SenseDetails,
    "microphone": MicrophoneDetails,
    "loopback": LoopDetails,
    "daily": DailyDetails,
}


@dataclass(frozen=True)
class Stored:
    """One calibration of a bench."""

    kind: CalibrationKind
    #: Stage ("playing"), role of an input ("loopback") or quantity that it is of; empty: there is only one.
    of: str
    bench: str
    #: ISO 8601 with zone.
    made_at: Time
    #: What was found, in a word or two ("output_volts"), its value and unit.
    quantity: str
    value: Number
    unit: str
    #: Relative standard uncertainty; None: not told.
    uncertainty: Number | None
    #: Equipment, wiring and numbers of bench.toml that it holds for: with others it does not count.
    made_with: Mapping[str, object] = field(default_factory=dict)
    budget: tuple[Cause, ...] = ()
    details: Details = field(default_factory=dict)
    path: Path | None = None

    @property
    def moment(self) -> datetime:
        """When it was made."""
        return datetime.fromisoformat(self.made_at)


def combined(budget: tuple[Cause, ...]) -> float:
    """Relative standard uncertainty of a budget: root of the sum of squares."""
    return float(sum((cause.percent / 100) ** 2 for cause in budget) ** 0.5)


def store_folder(workspace: Path) -> Path:
    """Where a workspace keeps the calibrations of its benches."""
    return workspace / "results" / ".bench"


def bench_folder(workspace: Path, bench: str) -> Path:
    """The folder of one bench, whatever its name holds."""
    name = re.sub(r"^\.|[. ]$", lambda found: f"%{ord(found[0]):02X}", quote(bench, safe=" "))
    return store_folder(workspace) / name


def save(workspace: Path, one: Stored) -> Path:
    """Write a calibration beside the earlier ones.

    Raises
    ------
    BenchError
        If it cannot be written.
    """
    folder = bench_folder(workspace, one.bench) / one.kind
    stamp = f"{one.moment:{STAMP}}"
    said = {key: value for key, value in table(one).items() if key not in ("path", "uncertainty")}
    text = json_bytes({"schema": SCHEMA, **said, UNCERTAINTY: one.uncertainty})
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for number in range(1, 100):
            path = folder / (f"{stamp}.json" if number == 1 else f"{stamp}-{number}.json")
            try:
                write(path, text, is_new=True)
            except FileExistsError:
                continue
            return path
    except OSError as error:
        raise BenchError(f"{folder}: the calibration cannot be written: {why(error)}") from None
    raise BenchError(f"{folder}: a hundred calibrations of one second; is the clock stopped?")


@dataclass(frozen=True)
class Damaged:
    """A calibration that is there and cannot be read."""

    kind: CalibrationKind
    path: Path
    #: What is wrong with it.
    words: str
    #: Whether nothing was ever written into it (a full disk): then no calibration was made.
    is_empty: bool

    def is_before(self, one: Stored | None) -> bool:
        """Whether it was made before another one: then it says nothing any more."""
        return one is not None and self.path.stem[: len(STAMP_LIKE)] < f"{one.moment:{STAMP}}"


def stored(workspace: Path, bench: str) -> list[Stored]:
    """All calibrations of a bench that can be read, the oldest first."""
    return read_store(workspace, bench)[0]


def read_store(workspace: Path, bench: str) -> tuple[list[Stored], list[Damaged]]:
    """All calibrations of a bench, the oldest first, and those that cannot be read."""
    found: list[Stored] = []
    damaged = []
    files = []
    for kind in KINDS:
        folder = bench_folder(workspace, bench) / kind
        try:
            files += [(path, kind, _read) for path in sorted(folder.iterdir()) if path.suffix == ".json"]
        except FileNotFoundError:
            continue
        except OSError as error:
            damaged.append(Damaged(kind, folder, f"{folder}: cannot be listed ({why(error)})", False))
    files += [(path, "sense", _former) for path in sorted(store_folder(workspace).glob("known-load-*.json"))]
    for path, kind, read in files:
        try:
            found += read(path, bench)
        except (OSError, ValueError) as error:
            is_empty = False
            with suppress(OSError):
                is_empty = path.is_file() and path.stat().st_size == 0
            if kind in KINDS:
                damaged.append(Damaged(kind, path, f"{path}: not a calibration ({error})", is_empty))
    # Of one second the second file has the longer name.
    found.sort(key=lambda one: (one.moment, len(one.path.name) if one.path else 0, str(one.path)))
    return found, damaged


def _read(path: Path, bench: str) -> list[Stored]:
    found = schema_checked(read_json(path), SCHEMA)
    if UNCERTAINTY in found:
        found["uncertainty"] = found.pop(UNCERTAINTY)
    missing = [one.name for one in fields(Stored) if one.name not in (*found, "path")]
    if missing:
        raise ValueError(f"{missing[0]}: missing; it must be given")
    if details := DETAILS.get(str(found["kind"])):
        found["details"] = restored(details, found["details"], "details")
    one = restored(Stored, {**found, "path": path})
    if one.bench != bench:
        raise ValueError(f"bench: found {one.bench!r}; allowed: {bench!r}")
    if not all(math.isfinite(number) for number in (one.value, one.uncertainty or 0.0)):
        raise ValueError(f"value {one.value}, uncertainty {one.uncertainty}")
    return [one]


def _former(path: Path, bench: str) -> list[Stored]:
    """The comparison on a known load of before; of another bench: none."""
    found = schema_checked(read_json(path), FORMER_SCHEMA)
    if found.pop("bench", "") != bench:
        return []
    load = restored(KnownLoad, with_ratio(found))
    details = SenseDetails(load.frequency_hz, load.ratio)
    one = Stored("sense", "", bench, load.made_at, "known load", load.load_ohm, "ohm", None, {}, (), details, path)
    if one.moment.tzinfo is None:
        raise ValueError(f"made_at: found {one.made_at!r}; allowed: a time with its zone")
    return [one]
