"""What every reader of `run.json` takes for granted, whatever else stands there."""

from datetime import datetime
from pathlib import Path
from typing import Annotated, Any, Literal, NotRequired, TypedDict

from pydantic import AfterValidator, TypeAdapter, ValidationError

from rig.recordings import RecordError

Outcome = Literal["pass", "fail", "void"]
Table = dict[str, Any]


def _with_zone(text: str) -> str:
    if datetime.fromisoformat(text).tzinfo is None:
        raise ValueError("a time with its zone")
    return text


Time = Annotated[str, AfterValidator(_with_zone)]


class _Of(TypedDict):
    quantity: str
    subject: str


class _Filed(_Of):
    file: str


class _Verdict(_Of):
    outcome: Outcome
    value: float | None
    unit: str
    margin: float | None
    at_hz: float | None
    limit: str
    reason: str


class _Result(TypedDict):
    check: str
    title: str
    outcome: Outcome
    reason: str
    readings: list[_Of]
    curves: list[_Filed]
    courses: NotRequired[list[_Filed]]
    sounds: NotRequired[list[_Filed]]
    remarks: list[str]
    verdicts: list[_Verdict]


class _Kit(TypedDict):
    name: str
    title: str
    revision: str
    sha256: str


class _Capture(TypedDict):
    file: str
    request: Table
    calibration: int
    troubles: list[str]


class _Log(TypedDict):
    request: Table
    files: list[str]
    troubles: list[str]


class _Previous(TypedDict):
    run: str
    sha256: str


class _Bench(TypedDict):
    bench: str


class _Document(TypedDict):
    run: str
    run_number: int
    serial: str
    kit: _Kit
    plan: NotRequired[str]
    by: NotRequired[str]
    started_at: Time
    finished_at: Time
    outcome: Outcome
    stopped: str
    results: list[_Result]
    captures: list[_Capture]
    calibrations: list[_Bench]
    logs: NotRequired[list[_Log]]
    findings: NotRequired[list[Table]]
    files: dict[str, str]
    previous: _Previous | None


def refuse_misshapen(document: Table, path: Path) -> None:
    """Refuse a run.json that lacks what every reader of it takes for granted.

    Raises
    ------
    RecordError
        Naming the file, the key and what was found.
    """
    try:
        TypeAdapter(_Document).validate_python(document)
    except ValidationError as error:
        first = error.errors()[0]
        key = ".".join(str(step) for step in first["loc"])
        raise RecordError(f"{path}: {key}: {first['msg']}; it is not what a record holds") from None
