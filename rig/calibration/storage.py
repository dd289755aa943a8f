"""The store of calibrations: each a dated file of its own under `results/.bench/`, written once and never changed."""

import json
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any, cast
from urllib.parse import quote

from rig.design.trust import KINDS, CalibrationKind
from rig.files.disk import read_json, why, write
from rig.files.errors import BenchError

SCHEMA = "kitproof calibration 1"
#: As the comparison on a known load was written when there was no other calibration.
OLD_SCHEMA = "kitproof known load 1"
Plain = Mapping[str, Any]
#: How a file is called: when it was made.
STAMP, STAMP_LIKE = "%Y-%m-%dT%H%M%S", "2026-01-01T000000"


class Unreadable(Exception):
    """A file that should hold a calibration and does not; the message names it and says why."""


@dataclass(frozen=True)
class Cause:
    """One row of an uncertainty budget (GUM): what, and its relative standard uncertainty in percent of the value."""

    what: str
    percent: float


@dataclass(frozen=True)
class Stored:
    """One calibration of a bench."""

    kind: CalibrationKind
    #: Stage ("playing"), role of an input ("loopback") or quantity that it is of; empty: there is only one.
    of: str
    bench: str
    #: ISO 8601 with zone.
    made_at: str
    #: What was found, in a word or two ("output_volts"), its value and unit.
    quantity: str
    value: float
    unit: str
    #: Relative standard uncertainty; None: not told.
    uncertainty: float | None
    #: Equipment, wiring and numbers of bench.toml that it holds for: with others it does not count.
    made_with: Plain = field(default_factory=dict)
    budget: tuple[Cause, ...] = ()
    #: Curves and whatever else was found, plain JSON values.
    details: Plain = field(default_factory=dict)
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
    document = {
        "schema": SCHEMA,
        "bench": one.bench,
        "kind": one.kind,
        "of": one.of,
        "made_at": one.made_at,
        "quantity": one.quantity,
        "value": one.value,
        "unit": one.unit,
        "relative_standard_uncertainty": one.uncertainty,
        "made_with": dict(one.made_with),
        "budget": [{"cause": cause.what, "percent": cause.percent} for cause in one.budget],
        "details": dict(one.details),
    }
    text = json.dumps(document, indent=1, allow_nan=False) + "\n"
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
    found, damaged = [], []
    for path in sorted(bench_folder(workspace, bench).glob("*/*.json")):
        try:
            found.append(_read(path, bench))
        except Unreadable as error:
            if path.parent.name in KINDS:
                damaged.append(_damaged(path.parent.name, path, error))
    for path in sorted(store_folder(workspace).glob("known-load-*.json")):
        try:
            found += _old(path, bench)
        except Unreadable as error:
            damaged.append(_damaged("sense", path, error))
    # Of one second the second file has the longer name.
    found.sort(key=lambda one: (one.moment, len(one.path.name) if one.path else 0, str(one.path)))
    return found, damaged


def _damaged(kind: CalibrationKind, path: Path, error: Unreadable) -> Damaged:
    is_empty = path.is_file() and path.stat().st_size == 0
    return Damaged(kind, path, str(error), is_empty)


def _read(path: Path, bench: str) -> Stored:
    document = _document(path)
    try:
        if document["schema"] != SCHEMA or document["bench"] != bench or document["kind"] not in KINDS:
            raise ValueError(f"schema {document['schema']!r}, bench {document['bench']!r}, kind {document['kind']!r}")
        found = Stored(
            kind=cast(CalibrationKind, document["kind"]),
            of=str(document["of"]),
            bench=bench,
            made_at=str(document["made_at"]),
            quantity=str(document["quantity"]),
            value=float(document["value"]),
            unit=str(document["unit"]),
            uncertainty=document["relative_standard_uncertainty"],
            made_with=document["made_with"],
            budget=tuple(Cause(row["cause"], float(row["percent"])) for row in document["budget"]),
            details=document["details"],
            path=path,
        )
        if found.moment.tzinfo is None:
            raise ValueError(f"made_at {found.made_at!r} has no zone")
        if not all(math.isfinite(number) for number in (found.value, found.uncertainty or 0.0)):
            raise ValueError(f"value {found.value}, uncertainty {found.uncertainty}")
    except (AttributeError, KeyError, TypeError, ValueError) as error:
        raise _unreadable(path, error) from None
    return found


def _old(path: Path, bench: str) -> list[Stored]:
    """The comparison on a known load of before; of another bench: none."""
    document = _document(path)
    try:
        if document["bench"] != bench:
            return []
        details = {
            "frequency_hz": document["frequency_hz"],
            "gain": {"real": document["ratio_real"], "imag": document["ratio_imag"]},
        }
        load_ohm, made_at = float(document["load_ohm"]), str(document["made_at"])
        one = Stored("sense", "", bench, made_at, "known load", load_ohm, "ohm", None, details=details, path=path)
        if document["schema"] != OLD_SCHEMA or one.moment.tzinfo is None:
            raise ValueError(f"schema {document['schema']!r}, made_at {made_at!r}")
    except (KeyError, TypeError, ValueError) as error:
        raise _unreadable(path, error) from None
    return [one]


def _document(path: Path) -> dict[str, Any]:
    try:
        document = read_json(path)
    except (OSError, ValueError) as error:
        raise _unreadable(path, error) from None
    if not isinstance(document, dict):
        raise _unreadable(path, "no table")
    return document


def _unreadable(path: Path, reason: object) -> Unreadable:
    return Unreadable(f"{path}: not a calibration ({reason})")
