"""What a run heard, as files: captures as lossless audio, the logs of programmes as tables that grow row by row."""

import csv
import io
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, is_dataclass
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray
from pydantic import TypeAdapter

from rig.files import read_bytes, why, write
from rig.readings import Calibration, Capture, KnownLoad, MicrophoneResponse, OwnHarmonics, Row
from rig.requests import Marks, Programme, Sweep

#: The columns of a log before and after those that were measured; answers as they came, and doubts about a kind of
#: calibration, are marked so.
FIRST, LAST, ANSWER, DOUBT = ("seconds", "clock", "state"), ("event", "guard"), "answer ", "doubt "


class RecordError(Exception):
    """A record cannot be written, found or read (exit status 3)."""


def write_captures(
    captures: Iterable[tuple[Capture, tuple[str, ...]]], folder: Path, already: int = 0
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Write captures, each with what speaks against it, under `captures/`; entries for calibrations and captures.

    The first `already` of them are there.

    Raises
    ------
    RecordError
        If one cannot be written (a full disk).
    """
    (folder / "captures").mkdir(exist_ok=True)
    calibrations: list[Calibration] = []
    entries = []
    for number, (capture, troubles) in enumerate(captures, 1):
        name = f"captures/{number:03d}.wav"
        if number > already:
            write_audio(folder / name, capture.samples, capture.sample_rate_hz)
        same = [n for n, known in enumerate(calibrations) if known is capture.calibration]
        if not same:
            calibrations.append(capture.calibration)
        entries.append(
            {
                "file": name,
                "request": asdict(capture.request),
                "attempt": capture.attempt,
                "inputs": list(capture.inputs),
                "sample_rate_hz": capture.sample_rate_hz,
                "calibration": same[0] if same else len(calibrations) - 1,
                "flags": list(capture.flags),
                "other_clock": list(capture.other_clock),
                "troubles": list(troubles),
            }
        )
    return [_calibration_entry(calibration) for calibration in calibrations], entries


def write_audio(path: Path, samples: NDArray[np.float32], sample_rate_hz: float) -> None:
    """Write samples, shape (n,) or (rows, n), without loss; the audio library sees memory alone, never a full disk.

    Raises
    ------
    RecordError
        If the file cannot be written.
    """
    audio = io.BytesIO()
    soundfile.write(audio, samples.T, round(sample_rate_hz), subtype="FLOAT", format="WAV")
    try:
        write(path, audio.getvalue())
    except OSError as error:
        raise RecordError(f"{path}: could not be written: {why(error)}") from None


def read_captures(folder: Path, document: Mapping[str, Any]) -> Iterator[Capture]:
    """Captures back from their entries, in the order of playing, sample for sample as they were recorded.

    Raises
    ------
    RecordError
        If an audio file is missing or cannot be read.
    """
    calibrations = [_calibration(entry) for entry in document["calibrations"]]
    for entry in document["captures"]:
        path = folder / entry["file"]
        try:
            samples, _ = soundfile.read(io.BytesIO(read_bytes(path)), dtype="float32", always_2d=True)
        except (OSError, soundfile.SoundFileError) as error:
            raise RecordError(f"{path}: cannot be read: {error}") from None
        yield Capture(
            request=_sweep(entry["request"]),
            samples=np.ascontiguousarray(samples.T),
            inputs=tuple(entry["inputs"]),
            sample_rate_hz=entry["sample_rate_hz"],
            calibration=calibrations[entry["calibration"]],
            attempt=entry["attempt"],
            flags=tuple(entry["flags"]),
            # Records were once made without a second device.
            other_clock=tuple(entry.get("other_clock", ())),
        )


def _sweep(entry: Mapping[str, Any]) -> Sweep:
    # Silences once had no marks.
    marks = entry.get("marks")
    return Sweep(**{**entry, "marks": marks and Marks(**marks)})


def programme_of(entry: Mapping[str, Any]) -> Programme:
    """A programme back from its entry.

    Raises
    ------
    RecordError
        If the entry is not one of this version.
    """
    try:
        return TypeAdapter(Programme).validate_python(dict(entry))
    except ValueError as error:
        raise RecordError(f"the log's request cannot be read: {error}") from None


def log_files(folder: Path, number: int) -> list[Path]:
    """The pieces of a programme's log; programmes are counted from 1."""
    return sorted((folder / "logs").glob(f"{number:02d}-*.csv"))


class LogWriter:
    """Appends rows to a log, each on the disk before the next is begun.

    A row with a column that the file has not opens another piece: nothing that was written is ever rewritten.
    """

    def __init__(self, folder: Path, number: int) -> None:
        self._folder, self._number = folder, number
        (folder / "logs").mkdir(exist_ok=True)
        self._piece = len(log_files(folder, number))
        self._columns: tuple[str, ...] = ()
        self._handle: int | None = None

    def append(self, row: Row) -> None:
        """Write a row and wait until the disk has it.

        Raises
        ------
        OSError
            If it cannot be written (a full disk); a row that was cut off is left out by `read_rows`.
        """
        cells = _cells(row)
        if self._handle is None or not set(cells) <= set(self._columns):
            self._open_piece(tuple(cells))
        assert self._handle is not None
        self._write(_line([cells.get(column, "") for column in self._columns]))
        os.fsync(self._handle)

    def close(self) -> None:
        """Close the file."""
        if self._handle is not None:
            os.close(self._handle)
            self._handle = None

    def _open_piece(self, columns: tuple[str, ...]) -> None:
        self.close()
        self._piece, self._columns = self._piece + 1, columns
        path = self._folder / "logs" / f"{self._number:02d}-{self._piece:02d}.csv"
        self._handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND | getattr(os, "O_BINARY", 0))
        self._write(_line(columns))

    def _write(self, line: bytes) -> None:
        assert self._handle is not None
        while line:
            # On a disk that becomes full a part of it may be taken, and the next attempt tells why.
            line = line[os.write(self._handle, line) :]


def read_rows(folder: Path, number: int) -> list[Row]:
    """The rows of a programme's log; a row that was cut off in writing is left out."""
    rows = []
    for path in log_files(folder, number):
        lines = path.read_text(encoding="utf-8").split("\n")
        # What stands behind the last line's end was never finished.
        cells = list(csv.reader(lines[:-1]))
        header = cells[0] if cells else []
        rows += [_row(dict(zip(header, line, strict=True))) for line in cells[1:] if len(line) == len(header)]
    return rows


def _cells(row: Row) -> dict[str, str]:
    # To the last bit: what is judged again must be what was judged.
    values = {name: repr(float(value)) if value == value else "" for name, value in row.values.items()}
    answers = {ANSWER + role: text for role, text in row.answers.items()}
    doubts = {DOUBT + kind: text for kind, text in row.doubts.items()}
    first = dict(zip(FIRST, (repr(float(row.seconds)), row.clock, row.state), strict=True))
    return {**first, **values, **answers, **doubts, "event": row.event, "guard": row.guard}


def _line(cells: Sequence[str]) -> bytes:
    text = io.StringIO()
    # One row, one line: an instrument may answer with a line's end.
    csv.writer(text, lineterminator="\n").writerow([cell.replace("\n", " ").replace("\r", " ") for cell in cells])
    return text.getvalue().encode()


def _row(cells: Mapping[str, str]) -> Row:
    other = {name: text for name, text in cells.items() if name not in (*FIRST, *LAST)}
    marked = {
        mark: {name.removeprefix(mark): text for name, text in other.items() if name.startswith(mark)}
        for mark in (ANSWER, DOUBT)
    }
    return Row(
        seconds=float(cells["seconds"]),
        clock=cells["clock"],
        state=cells["state"],
        values={k: float(v) if v else float("nan") for k, v in other.items() if not k.startswith((ANSWER, DOUBT))},
        answers=marked[ANSWER],
        event=cells["event"],
        guard=cells["guard"],
        # Nothing, or a row behind others of its piece that has no such doubt.
        doubts={kind: text for kind, text in marked[DOUBT].items() if text},
    )


def _calibration_entry(calibration: Calibration) -> dict[str, Any]:
    return {key: _plain(value) for key, value in vars(calibration).items()}


def _plain(value: Any) -> Any:
    """A value of a calibration as JSON; a complex curve becomes two."""
    if isinstance(value, np.ndarray) and np.iscomplexobj(value):
        return {"real": value.real.tolist(), "imag": value.imag.tolist()}
    if isinstance(value, np.ndarray):
        # JSON has no NaN.
        points = value.astype(object)
        points[np.isnan(value)] = None
        return points.tolist()
    if is_dataclass(value):
        return {key: _plain(part) for key, part in vars(value).items()}
    return value


def _calibration(entry: Mapping[str, Any]) -> Calibration:
    values = dict(entry)
    for key, kind in (
        ("known_load", KnownLoad),
        ("microphone_response", MicrophoneResponse),
        ("own_harmonics", OwnHarmonics),
    ):
        part = values.get(key)
        values[key] = part and kind(**{name: _curve(name, value) for name, value in _up_to_date(part).items()})
    return Calibration(**values)


def _up_to_date(part: Mapping[str, Any]) -> Mapping[str, Any]:
    """As it is written today: records once held the two parts of the known load's ratio side by side."""
    if "ratio_real" not in part:
        return part
    rest = {key: value for key, value in part.items() if key not in ("ratio_real", "ratio_imag")}
    return {**rest, "ratio": {"real": part["ratio_real"], "imag": part["ratio_imag"]}}


def _curve(name: str, value: Any) -> Any:
    """The reverse of `_plain`, below the level of a calibration."""
    if isinstance(value, dict):
        return np.array(value["real"]) + 1j * np.array(value["imag"])
    if name == "errors":
        return tuple(tuple(row) for row in value)
    return np.array(value, np.float64) if isinstance(value, list) else value
