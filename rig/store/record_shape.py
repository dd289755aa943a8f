"""What every reader of `run.json` takes for granted, whatever else stands there."""

from datetime import datetime
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, ValidationError

from rig.files.errors import RecordError

Outcome = Literal["pass", "fail", "void"]
Table = dict[str, Any]
Number = float | Literal["Infinity", "-Infinity"] | None


def _with_zone(text: str) -> str:
    if datetime.fromisoformat(text).tzinfo is None:
        raise ValueError("a time with its zone")
    return text


Time = Annotated[str, AfterValidator(_with_zone)]


class _Strict(BaseModel):
    # Other keys are for other readers.
    model_config = ConfigDict(strict=True, extra="ignore")


class _Of(_Strict):
    quantity: str
    subject: str


class _Filed(_Of):
    file: str


class _Verdict(_Of):
    outcome: Outcome
    value: Number
    unit: str
    margin: Number
    at_hz: Number
    limit: str
    reason: str


class _Result(_Strict):
    check: str
    title: str
    outcome: Outcome
    reason: str
    readings: list[_Of]
    curves: list[_Filed]
    courses: list[_Filed] = []
    sounds: list[_Filed] = []
    remarks: list[str]
    terms: dict[str, str] = {}
    verdicts: list[_Verdict]


class _Kit(_Strict):
    name: str
    title: str
    revision: str
    sha256: str


class _Capture(_Strict):
    file: str
    request: Table
    calibration: int
    troubles: list[str]


class _Log(_Strict):
    request: Table
    files: list[str]
    troubles: list[str]


class _Previous(_Strict):
    run: str
    sha256: str


class _Bench(_Strict):
    bench: str


class _Document(_Strict):
    run: str
    run_number: int
    serial: str
    kit: _Kit
    plan: str = ""
    by: str = ""
    started_at: Time
    finished_at: Time
    outcome: Outcome
    stopped: str
    results: list[_Result]
    captures: list[_Capture]
    calibrations: list[_Bench]
    logs: list[_Log] = []
    findings: list[Table] = []
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
        _Document.model_validate(document)
    except ValidationError as error:
        first = error.errors()[0]
        key = ".".join(str(step) for step in first["loc"])
        raise RecordError(f"{path}: {key}: {first['msg']}; it is not what a record holds") from None
