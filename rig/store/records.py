"""The store under `results/`: one folder a run, written beside, synced, renamed, and never changed after."""

import csv
import errno
import hashlib
import io
import re
import secrets
import shutil
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import fields, replace
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING

from rig.files.disk import (
    FOLDER_NAMES,
    UNFINISHED_SUFFIX,
    is_folder_name,
    parse_json,
    put_in_place,
    read_bytes,
    read_text,
    sync,
    why,
)
from rig.files.errors import RecordError
from rig.files.patterns import LONGEST
from rig.files.plain import json_bytes, restored, schema_checked, table
from rig.store.archived import accounted_for, words_of
from rig.store.bench_chain import next_link, order_of, read_closed, slug
from rig.store.homes import UNFINISHED as UNFINISHED
from rig.store.homes import hint, make_home, now, remove_left_in_home, run_names, run_number
from rig.store.recordings import log_files, read_captures, read_rows, write_captures
from rig.store.result_files import LONGEST_NAME, write_result
from rig.store.run_json import SCHEMA, About, KitName, LogEntry, Previous, Record, up_to_date
from rig.values.captures import Capture
from rig.values.logs import Log, Row
from rig.values.readings import Floats
from rig.values.requests import Programme
from rig.values.run import Run

if TYPE_CHECKING:
    from rig.design.kit import Kit

#: What stands in a reserved folder until the record is written.
HELPS = ("started.txt", "checkpoint.json", "running.lock")
#: No name of a record's file is longer, with the folder that it stands in: of those that checks name; layout.
LONGEST_WITHIN = len("curves/") + LONGEST_NAME + len("-99.csv")
#: What is said of a file that is not there.
MISSING = "is missing"
#: What a person who opens run.json should meet first.
FIRST_KEYS = ("run", "run_number", "serial", "kit", "outcome", "stopped")


def refuse_bad_serial(kit: "Kit | None", serial: str) -> None:
    """Take a serial in, wherever one enters: refuse one that is empty, is a path, or breaks the kit's pattern.

    Without a kit only what could be a serial of none is refused: records of a kit that has changed stay readable.

    Raises
    ------
    RecordError
        Saying what was found and what is allowed.
    """
    plain = serial.isprintable() and len(serial) <= LONGEST and not re.match(r"\.|$", serial)
    plain = plain and not re.search(r"[/\\]", serial)
    if kit is None and not plain:
        allowed = f"the serial of one unit as its record has it: printed characters, at most {LONGEST}, no folders"
        raise RecordError(f"serial: found {serial!r}; allowed: {allowed}")
    if kit is not None and not (plain and kit.is_serial(serial)):
        raise RecordError(
            f"serial {serial!r} is not one of kit {kit.name!r}; allowed: {kit.serial_pattern}, "
            f"for example {kit.serial_example}"
        )


def reserve(workspace: Path, kit: "Kit", serial: str, bench: str = "") -> Path:
    """Make the folder that a run will be written into, before anything sounds; its name carries the bench's.

    Raises
    ------
    RecordError
        If the serial is not one of this kit, or nothing can be written there.
    """
    refuse_bad_serial(kit, serial)
    home = workspace / "results" / kit.name / serial
    try:
        if not home.exists() and not is_folder_name(serial):
            allowed = f"what a folder may be called on every computer: {FOLDER_NAMES}"
            raise RecordError(f"serial: found {serial!r}; allowed: {allowed}")
        if twin := _twin(home):
            raise RecordError(
                f"serial: found {serial!r}; allowed: {twin!r}, which is there already, or one that differs from it by "
                "more than capital letters: many a disk has one folder for both"
            )
        made = make_home(home)
        if bench:
            # Where no chain can be written on, no record could be closed.
            order_of(workspace / "results", bench)
        number = _number(home)
        of_bench = f"-{slug(bench)}" if bench else ""
        began = f"{datetime.now(UTC):%Y-%m-%dT%H%M%SZ}"
        folder = home / f"{UNFINISHED}{began}-{number:03d}{of_bench}-{secrets.token_hex(2)}"
        folder.mkdir()
        remove_left_in_home(folder)
        _refuse_too_deep(folder)
        (folder / "started.txt").write_text(now() + "\n", encoding="utf-8")
        hint(home, made)
    except OSError as error:
        raise RecordError(f"{error.filename or home}: a record could not be written there: {why(error)}") from None
    return folder


def _twin(home: Path) -> str:
    """Another unit of the kit whose serial differs by capital letters alone; empty: there is none."""
    there = [path.name for path in home.parent.iterdir()] if home.parent.is_dir() else []
    return "" if home.name in there else next((name for name in there if name.lower() == home.name.lower()), "")


def _refuse_too_deep(folder: Path) -> None:
    """Find out before anything sounds whether the longest name that a record may hold can be written."""
    longest = folder / ("x" * LONGEST_WITHIN)
    try:
        longest.touch()
        longest.unlink()
    except OSError as error:
        give_back(folder)
        if error.errno not in (errno.ENOENT, errno.ENAMETOOLONG, errno.EINVAL):
            raise
        raise RecordError(
            f"{folder}: its files would have names of {len(str(longest))} characters with their folders, which is too "
            "long here (Windows allows 259): put the workspace nearer to the top of the disk, or give it a shorter name"
        ) from None


def _number(home: Path) -> int:
    """The next number of this serial; two runs at the same time get two numbers."""
    number = 1 + max(map(run_number, run_names(home)), default=0)
    while True:
        try:
            (home / f".number-{number:03d}").touch(exist_ok=False)
            return number
        except FileExistsError:
            number += 1


def give_back(folder: Path) -> None:
    """Remove a reserved folder in which nothing was recorded."""
    shutil.rmtree(folder, ignore_errors=True)


def save(folder: Path, kit: "Kit", serial: str, run: Run, about: About, files: dict[int, str] | None = None) -> Record:
    """Write a run's record into its reserved folder, sync it, rename it: no half record can ever be seen.

    `files` are its captures that are on the disk already, as `write_captures` takes them.

    Raises
    ------
    RecordError
        If it cannot be written (a full disk). What could be written stays in the unfinished folder.
    """
    try:
        record = _save(folder, kit, serial, run, about, files)
    except OSError as error:
        raise RecordError(f"{error.filename or folder}: the record could not be written: {why(error)}") from error
    hint(folder.parent)
    return record


def _hashes(folder: Path) -> dict[str, str]:
    """SHA-256 of every file of a record that is there to stay, by its name."""
    named = {path.relative_to(folder).as_posix(): path for path in sorted(folder.rglob("*")) if path.is_file()}
    # A run that is taken up again may have a run.json that was not put in its place; it is written anew.
    return {name: sha256(path) for name, path in named.items() if name not in (*HELPS, "run.json")}


def _save(folder: Path, kit: "Kit", serial: str, run: Run, about: About, stored: dict[int, str] | None) -> Record:
    from rig.design.kit import kit_sha256

    home, name = folder.parent, folder.name.removeprefix(UNFINISHED)
    # Of a run that was cut off while it wrote, and is taken up or closed.
    for left in folder.rglob(f".*{UNFINISHED_SUFFIX}"):
        left.unlink()
    earlier = last_record(home)[0]
    _copy_kit(kit, folder)
    results = tuple(write_result(result, folder) for result in run.results)
    calibrations, captures = write_captures(run.captures, folder, stored)
    record = Record(
        **vars(about),
        folder=home / name,
        run=name,
        run_number=run_number(name),
        serial=serial,
        kit=KitName(kit.name, kit.title, kit.revision, kit_sha256(kit)),
        software={"kitproof": version("kitproof"), "numpy": version("numpy")},
        finished_at=now(),
        outcome=run.outcome,
        stopped=run.stopped,
        bench_failed=run.bench_failed,
        bench_advice=run.bench_advice,
        foretold=run.foretold,
        bench_doubts=run.bench_doubts,
        timing=run.timing,
        previous=Previous(earlier.run, sha256(earlier.folder / "run.json")) if earlier else None,
        results=results,
        calibrations=calibrations,
        captures=captures,
        logs=tuple(_log_entry(n, log, troubles, folder) for n, (log, troubles) in enumerate(run.logs, 1)),
        findings=run.findings,
        files=_hashes(folder),
    )
    return _closed(record, folder)


def _closed(record: Record, folder: Path) -> Record:
    """Put a record in its place, as the next of its bench's chain; with its link in it."""
    home = folder.parent
    # Captures take a slow disk long, for which no other bench is to wait.
    for path in (folder, *folder.rglob("*")):
        if path.is_file() or path.is_dir():
            sync(path)
    with next_link(home.parent.parent, record.bench_name) as (link, put_down):
        record = replace(record, link=link)
        content = json_bytes(document_of(record))
        (folder / "run.json").write_bytes(content)
        sync(folder / "run.json")
        sync(folder)
        put_down(f"{home.parent.name}/{home.name}/{record.run}/run.json", content)
        put_in_place(folder, record.folder)
    # Until then a run can be taken up again by these, should the disk be full or the process be killed.
    for help_ in HELPS:
        # The record is there, and what stays of these is no part of it.
        with suppress(OSError):
            (record.folder / help_).unlink(missing_ok=True)
    try:
        sync(home)
    except OSError as error:
        raise RecordError(f"{record.folder}: the record is there, but the disk may not keep it: {why(error)}") from None
    return record


def document_of(record: Record) -> dict[str, object]:
    """What run.json says of a run, as JSON holds it."""
    said = table(record)
    del said["folder"]
    return {"schema": SCHEMA} | {key: said[key] for key in FIRST_KEYS} | said


def sha256(path: Path) -> str:
    """SHA-256 of a plain file, in hexadecimal."""
    return hashlib.sha256(read_bytes(path)).hexdigest()


def readable(home: Path) -> tuple[list[Record], list[str]]:
    """The records of one unit (`results/<kit>/<serial>`), oldest first, and what could not be read, in words."""
    found: list[Record] = []
    names, problems = _names(home)
    for name in names:
        try:
            found.append(read_in_place(home / name))
        except RecordError as error:
            problems.append(str(error))
    return found, problems


def last_record(home: Path) -> tuple[Record | None, list[str]]:
    """The newest record of one unit that can be read, and in words what cannot be read of those after it."""
    names, problems = _names(home)
    for name in reversed(names):
        try:
            return read_in_place(home / name), problems
        except RecordError as error:
            problems.append(str(error))
    return None, problems


def _names(home: Path) -> tuple[list[str], list[str]]:
    """The runs of a unit, oldest first; none, and why, where its folder cannot be looked into."""
    try:
        return run_names(home), []
    except OSError as error:
        return [], [f"{home}: cannot be read: {why(error)}"]


def read_in_place(folder: Path) -> Record:
    """The record of a folder of its own unit.

    Raises
    ------
    RecordError
        As `read_record`; or the record is another unit's or run's, for which it is never taken.
    """
    record = read_record(folder)
    found = (record.kit.name, record.serial, record.run)
    if found != (folder.parent.parent.name, folder.parent.name, folder.name):
        raise RecordError(f"{folder / 'run.json'}: the record of {' '.join(found)} stands in another's folder")
    return record


def unit_records(workspace: Path, serial: str, kit: str = "") -> list[Record]:
    """The records of one unit, oldest first, by their numbers; empty where it has none.

    Raises
    ------
    RecordError
        If the serial is none, or units of several kits have it.
    """
    home = home_of(workspace, serial, kit)
    return readable(home)[0] if home else []


def newest_first(workspace: Path, serial: str, kit: str = "", number: int = 0) -> Iterator[Record]:
    """As `unit_records`, newest first, each read when it is asked for; with a number that run alone.

    Raises
    ------
    RecordError
        As `unit_records`; or one cannot be read: an older one may say otherwise, and never stands in for it.
    """
    home = home_of(workspace, serial, kit)
    if home is None:
        return
    for name in reversed(run_names(home)):
        if number in (0, run_number(name)):
            try:
                record = read_in_place(home / name)
            except RecordError as error:
                raise RecordError(f"{error}; no older run of {serial} is taken for it") from None
            yield record


def home_of(workspace: Path, serial: str, kit: str) -> Path | None:
    """The folder of a unit with records; errors as of `unit_records`."""
    refuse_bad_serial(None, serial)
    kits = [folder for folder in (workspace / "results").glob("[!.]*") if kit in ("", folder.name)]
    found = {folder / serial: _names(folder / serial) for folder in sorted(kits)}
    if odd := [words for _, problems in found.values() for words in problems]:
        raise RecordError(odd[0])
    homes = [home for home, (names, _) in found.items() if names]
    if len(homes) > 1:
        there = ", ".join(home.parent.name for home in homes)
        raise RecordError(f"records of {serial!r} are there in {there}; name one with --kit")
    return homes[0] if homes else None


def unfinished(workspace: Path) -> list[Path]:
    """Folders of runs that ended while their record was being written (a crash, a power cut)."""
    return sorted((workspace / "results").glob(f"*/*/{UNFINISHED}*"))


def read_record(folder: Path) -> Record:
    """Read a record.

    Raises
    ------
    RecordError
        If run.json is missing, is not what its bench closed, is not JSON, has a schema this version does not know, or
        lacks what a record holds.
    """
    path = folder / "run.json"
    try:
        found = up_to_date(schema_checked(parse_json(read_closed(path, folder.parent.parent.parent)), SCHEMA))
        # Other keys are for other readers.
        known = {one.name: found[one.name] for one in fields(Record) if one.name in found}
        return restored(Record, {**known, "folder": folder})
    except FileNotFoundError:
        raise RecordError(f"{folder}: no run.json there, so it is no record") from None
    except OSError as error:
        raise RecordError(f"{path}: cannot be read: {why(error)}") from None
    except ValueError as error:
        raise RecordError(f"{path}: {error}") from None


def damages(record: Record) -> list[str]:
    """What does not fit any more: changed or missing files, a previous record that is not what it was."""
    problems, gone = [], accounted_for(record)
    for name, expected in record.files.items():
        words = wrong_with(record.folder / name, expected)
        if words and not (words == MISSING and gone.get(name) == expected):
            problems.append(f"{name} {words}")
    if previous := record.previous:
        words = wrong_with(record.folder.parent / previous.run / "run.json", previous.sha256)
        problems += [f"the previous record {previous.run} {words}"] if words else []
    return problems


def wrong_with(path: Path, expected: str) -> str:
    """What is wrong with a file whose SHA-256 is known, in words; empty: nothing."""
    try:
        return "" if sha256(path) == expected else "was changed after the run"
    except (FileNotFoundError, NotADirectoryError):
        return MISSING
    except (OSError, ValueError) as error:
        # A name that the record itself has may be none at all.
        return f"cannot be read: {why(error)}"


def load_captures(record: Record) -> Iterator[Capture]:
    """The captures of a record, in the order of playing, sample for sample as they were recorded.

    Raises
    ------
    RecordError
        If an audio file is missing or its checksum does not fit; where it was taken out, what became of it.
    """
    for entry in record.captures:
        if not (record.folder / entry.file).exists() and entry.file in accounted_for(record):
            raise RecordError(f"{record.folder}: {words_of(record)}")
        unchanged(record, entry.file)
    yield from read_captures(record.folder, record.captures, record.calibrations)


def load_rows(record: Record) -> dict[Programme, list[Row]]:
    """The rows of a record's logs, by programme.

    Raises
    ------
    RecordError
        If a log is missing or its checksum does not fit.
    """
    rows = {}
    for number, entry in enumerate(record.logs, 1):
        for name in entry.files:
            unchanged(record, name)
        rows[entry.request] = read_rows(record.folder, number)
    return rows


def columns_of(record: Record, name: str) -> dict[str, Floats]:
    """The columns of one of a record's tables, by name; a cell with nothing in it is NaN.

    Raises
    ------
    RecordError
        If it is missing, was changed after the run, or is not a table of numbers.
    """
    return read_columns(unchanged(record, name))


def read_columns(path: Path, is_wanted: Callable[[str], bool] = lambda name: True) -> dict[str, Floats]:
    """The columns of a table of numbers, as `columns_of`; those alone that are wanted by name."""
    import numpy as np

    try:
        header, *rows = csv.reader(io.StringIO(read_text(path)))
        if {len(row) for row in rows} - {len(header)}:
            raise ValueError("not every row has as many cells as the first")
        columns = zip(header, zip(*rows, strict=True) if rows else [()] * len(header), strict=True)
        return {name: np.array([float(cell or "nan") for cell in cells]) for name, cells in columns if is_wanted(name)}
    except (ValueError, csv.Error) as error:
        raise RecordError(f"{path}: not a table of numbers: {error}") from None


def unchanged(record: Record, name: str) -> Path:
    """Where one of a record's files stands.

    Raises
    ------
    RecordError
        If it is missing, was changed after the run, or is none of the record's.
    """
    path = record.folder / name
    if words := wrong_with(path, record.files.get(name, "")):
        raise RecordError(f"{path} {words}")
    return path


def _log_entry(number: int, log: Log, troubles: tuple[str, ...], folder: Path) -> LogEntry:
    files = tuple(path.relative_to(folder).as_posix() for path in log_files(folder, number))
    return LogEntry(log.request, files, int(log.seconds.size), log.began_at, log.stopped, troubles)


def _copy_kit(kit: "Kit", folder: Path) -> None:
    for path, content in kit.files.items():
        target = folder / "kit" / path.relative_to(kit.folder)
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(content)
