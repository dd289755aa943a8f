"""What a run heard, as files: captures as lossless audio, the logs of programmes as tables that grow row by row."""

import csv
import io
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from rig.files.disk import naming, read_bytes, why, write
from rig.files.errors import RecordError
from rig.files.plain import Singles, json_bytes
from rig.store.run_json import CaptureEntry
from rig.values.captures import Calibration, Capture
from rig.values.logs import Log, Row, Stop
from rig.values.requests import Programme

#: Of a converter of 24 bits from zero to full scale; our choice.
STEPS = 1 << 23
#: How hard FLAC looks for fewer bytes, 0 to 1: against what it does of itself 2 % less for 3 ms more a capture
#: (measured on 10 captures of booth-two; 1 takes twice as long for nothing); our choice.
EFFORT = 0.9
#: The columns of a log before and after those that were measured; answers as they came, and doubts about a kind of
#: calibration, are marked so.
FIRST, LAST, ANSWER, DOUBT = ("seconds", "clock", "state"), ("event", "guard"), "answer ", "doubt "


def write_captures(
    captures: Iterable[tuple[Capture, tuple[str, ...]]], folder: Path, files: dict[int, str] | None = None
) -> tuple[tuple[Calibration, ...], tuple[CaptureEntry, ...]]:
    """Write captures, each with what speaks against it, under `captures/`; their calibrations and entries.

    `files` are those that are there already, by the identity of the samples that they hold: an interrupted run may ask
    for them in another order than they were played in. Those that are written are added.

    Raises
    ------
    RecordError
        If one cannot be written (a full disk).
    """
    (folder / "captures").mkdir(exist_ok=True)
    #: By what they say: several captures may rest on equal ones.
    calibrations: dict[bytes, Calibration] = {}
    entries = []
    files = {} if files is None else files
    for capture, troubles in captures:
        if id(capture.samples) not in files:
            stem = folder / f"captures/{len(files) + 1:03d}"
            path = write_audio(stem, capture.samples, capture.sample_rate_hz)
            files[id(capture.samples)] = f"captures/{path.name}"
        said = json_bytes(capture.calibration)
        calibrations.setdefault(said, capture.calibration)
        entry = CaptureEntry(
            file=files[id(capture.samples)],
            request=capture.request,
            attempt=capture.attempt,
            inputs=capture.inputs,
            sample_rate_hz=capture.sample_rate_hz,
            calibration=list(calibrations).index(said),
            flags=capture.flags,
            other_clock=capture.other_clock,
            troubles=troubles,
        )
        entries.append(entry)
    return tuple(calibrations.values()), tuple(entries)


def write_audio(stem: Path, samples: Singles, sample_rate_hz: float) -> Path:
    """Write samples, shape (n,) or (rows, n), without loss; where: the name gets the ending of its format.

    What a converter of 24 bits or less gave is a whole number of its steps and is kept as FLAC, which takes a third of
    the room; all else as floats. The audio library sees memory alone, never a full disk.

    Raises
    ------
    RecordError
        If the file cannot be written.
    """
    audio, ending = _as_flac(samples, round(sample_rate_hz)), ".flac"
    if not audio:
        audio, ending = _encoded(samples, round(sample_rate_hz), "WAV", "FLOAT"), ".wav"
    path = stem.with_name(stem.name + ending)
    try:
        write(path, audio)
    except OSError as error:
        raise RecordError(f"{path}: could not be written: {why(error)}") from None
    return path


def _as_flac(samples: Singles, rate_hz: int) -> bytes:
    """Samples as FLAC of 24 bits; empty where that, decoded, is not the same to the last bit."""
    import numpy as np
    import soundfile

    steps = samples.astype(np.float64) * STEPS
    whole = np.rint(steps)
    if not samples.size or not np.array_equal(whole, steps) or not -STEPS <= whole.min() <= whole.max() < STEPS:
        return b""
    try:
        audio = _encoded((whole * (1 << 8)).astype(np.int32), rate_hz, "FLAC", "PCM_24", compression_level=EFFORT)
        decoded, _ = soundfile.read(io.BytesIO(audio), dtype="float32", always_2d=samples.ndim > 1)
    except soundfile.SoundFileError:
        # A rate, or so many inputs, that the format has no room for.
        return b""
    # By their bits: a zero has a sign.
    return audio if decoded.T.tobytes() == samples.tobytes() else b""


def _encoded(samples: Any, rate_hz: int, form: str, subtype: str, **effort: float) -> bytes:
    import soundfile

    audio = io.BytesIO()
    soundfile.write(audio, samples.T, rate_hz, subtype=subtype, format=form, **effort)
    return audio.getvalue()


def read_audio(path: Path) -> tuple[Singles, float]:
    """The samples of a file, shape (rows, n), and its sample rate in Hz.

    Raises
    ------
    RecordError
        If it is missing or cannot be read.
    """
    import soundfile

    try:
        samples, rate_hz = soundfile.read(io.BytesIO(read_bytes(path)), dtype="float32", always_2d=True)
    except (OSError, soundfile.SoundFileError) as error:
        raise RecordError(f"{path}: cannot be read: {error}") from None
    return samples.T.copy(), float(rate_hz)


def read_captures(
    folder: Path, entries: Sequence[CaptureEntry], calibrations: Sequence[Calibration], with_samples: bool = True
) -> Iterator[Capture]:
    """Captures back from their entries, in the order of playing, sample for sample as they were recorded.

    Parameters
    ----------
    folder, entries, calibrations
        Of the record, or of a run under way.
    with_samples
        False: all else is wanted; each capture has no frames.

    Raises
    ------
    RecordError
        If an audio file is missing or cannot be read, or there is no such calibration.
    """
    import numpy as np

    for entry in entries:
        if not 0 <= entry.calibration < len(calibrations):
            raise RecordError(f"{folder}: {entry.file}: calibration: found {entry.calibration}, which is not there")
        rows = len(entry.inputs)
        samples = read_audio(folder / entry.file)[0] if with_samples else np.empty((rows, 0), np.float32)
        yield Capture(
            request=entry.request,
            samples=samples,
            inputs=entry.inputs,
            sample_rate_hz=entry.sample_rate_hz,
            calibration=calibrations[entry.calibration],
            attempt=entry.attempt,
            flags=entry.flags,
            other_clock=entry.other_clock,
        )


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
        #: The piece that is written.
        self._path = folder
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
        with naming(self._path):
            self._write(_line([cells.get(column, "") for column in self._columns]))
            os.fsync(self._handle)

    def close(self) -> None:
        """Close the file; it is closed even where the disk says that it could not."""
        handle, self._handle = self._handle, None
        if handle is not None:
            os.close(handle)

    def _open_piece(self, columns: tuple[str, ...]) -> None:
        self.close()
        self._piece, self._columns = self._piece + 1, columns
        self._path = self._folder / "logs" / f"{self._number:02d}-{self._piece:02d}.csv"
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND | getattr(os, "O_BINARY", 0)
        self._handle = os.open(self._path, flags)
        with naming(self._path):
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
        lines = list(_finished_lines(read_bytes(path).decode("utf-8", "replace")))
        rows += [_row(dict(zip(lines[0], cells, strict=True))) for cells in lines[1:] if len(cells) == len(lines[0])]
    return rows


def _finished_lines(text: str) -> Iterator[list[str]]:
    """The lines of a table, each as its cells, without one that was cut off; a cell may hold line ends of its own."""
    last_end = text.rfind("\n") + 1
    try:
        yield from csv.reader(io.StringIO(text[:last_end], newline=""), strict=True)
    except csv.Error:
        # The end that was found belongs to a cell of the line that was cut off.
        return


def log_of(request: Programme, rows: Sequence[Row], stopped: Stop | None = None) -> Log:
    """A log from its rows."""
    import numpy as np

    names = dict.fromkeys(name for row in rows for name in row.values)
    return Log(
        request=request,
        seconds=np.array([row.seconds for row in rows]),
        states=tuple(row.state for row in rows),
        columns={name: np.array([row.values.get(name, np.nan) for row in rows]) for name in names},
        events=tuple((row.seconds, row.event) for row in rows if row.event),
        stopped=stopped,
        began_at=next((row.clock for row in rows if row.clock), ""),
        doubts={kind: why for row in rows for kind, why in row.doubts.items()},
    )


def _cells(row: Row) -> dict[str, str]:
    # To the last bit: what is judged again must be what was judged.
    values = {name: repr(float(value)) if value == value else "" for name, value in row.values.items()}
    answers = {ANSWER + role: text for role, text in row.answers.items()}
    doubts = {DOUBT + kind: text for kind, text in row.doubts.items()}
    first = dict(zip(FIRST, (repr(float(row.seconds)), row.clock, row.state), strict=True))
    return {**first, **values, **answers, **doubts, "event": row.event, "guard": row.guard}


def _line(cells: Sequence[str]) -> bytes:
    text = io.StringIO()
    # An instrument may answer with a line's end; the writer alone would not put marks around a carriage return.
    has_return = any("\r" in cell for cell in cells)
    csv.writer(text, lineterminator="\n", quoting=csv.QUOTE_ALL if has_return else csv.QUOTE_MINIMAL).writerow(cells)
    return text.getvalue().encode("utf-8", "backslashreplace")


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
