"""Taking captures out of records and bringing them back; cut off anywhere, nothing is lost.

First the pack is whole on its disk and read back, then the note says so, then the files go: whichever of them is there
after a crash, the next pass goes on from it.
"""

import hashlib
import io
import tarfile
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from rig.design.kit import ArchiveSpec
from rig.files.disk import read_bytes, sync, why, write
from rig.files.errors import RecordError
from rig.files.plain import json_bytes, table
from rig.store.archived import SCHEMA, Archived, archived, capture_files, note_path, words_of
from rig.store.bench_chain import next_link
from rig.store.homes import hint, now
from rig.store.records import sha256
from rig.store.run_json import Record


def is_kept(rule: ArchiveSpec, serial: str) -> bool:
    """Whether a unit's captures are kept in a pack, or dropped; the same whenever it is asked."""
    if rule.captures != "thinned":
        return rule.captures == "kept"
    chance = int.from_bytes(hashlib.sha256(serial.encode()).digest()[:8])
    return chance % rule.keep_one_of == 0


def pack_away(record: Record, rule: ArchiveSpec, packs: Path, bench: str = "") -> int:
    """Take the captures out of a record by a rule; bytes that its folder is smaller by.

    Parameters
    ----------
    packs
        Folder for packs: `<kit>/<serial>/<run>.tar` in it.
    bench
        Whose chain the note about it stands in.

    Raises
    ------
    RecordError
        If a capture is not what it was, or something could not be written; then all is as it was, or goes on where it
        was cut off.
    """
    try:
        found = archived(record)
        if found is None or _may_still_be_kept(record, found, rule):
            found = _noted(record, rule, packs, bench, is_new=found is None)
        if found.pack:
            _refuse_a_bad_pack(found)
        taken = 0
        for name in found.files:
            path = record.folder / name
            taken += path.stat().st_size if path.exists() else 0
            path.unlink(missing_ok=True)
        sync(record.folder / "captures")
    except OSError as error:
        raise RecordError(f"{record.folder}: its captures could not be packed away: {why(error)}") from None
    hint(record.folder.parent)
    return taken


def is_packed_away(record: Record) -> bool:
    """Whether captures of a record stand in a pack alone."""
    return bool(words_of(record)) and bool((found := archived(record)) and found.pack)


def bring_back(record: Record, packs: Path | None = None) -> int:
    """Put packed captures back where they were; how many. `packs`: where packs are now, if not where they were put.

    Raises
    ------
    RecordError
        If they were dropped, or the pack is not there or not what it was.
    """
    found = archived(record)
    if found is None:
        raise RecordError(f"{record.folder}: nothing was taken out of it")
    if not found.pack:
        raise RecordError(f"{record.folder}: {found.words}")
    content = _refuse_a_bad_pack(replace(found, pack=str(_pack_path(packs, record))) if packs else found)
    contents = _unpacked(content, found.pack)
    if {name: hashlib.sha256(data).hexdigest() for name, data in contents.items()} != found.files:
        raise RecordError(f"{found.pack}: the captures in it are not what they were")
    try:
        for name, data in contents.items():
            write(record.folder / name, data)
    except OSError as error:
        raise RecordError(f"{record.folder}: the captures could not be put back: {why(error)}") from None
    return len(found.files)


def _may_still_be_kept(record: Record, found: Archived, rule: ArchiveSpec) -> bool:
    """Whether captures were to be dropped when that was cut off, before the first went, and are to be kept now."""
    are_there = all((record.folder / name).exists() for name in found.files)
    return not found.pack and is_kept(rule, record.serial) and are_there


def _noted(record: Record, rule: ArchiveSpec, packs: Path, bench: str, *, is_new: bool) -> Archived:
    """Write the pack, where there is to be one, and the note about it."""
    files = capture_files(record)
    contents = {name: read_bytes(record.folder / name) for name in files}
    for name, data in contents.items():
        if hashlib.sha256(data).hexdigest() != files[name]:
            raise RecordError(f"{record.folder / name}: was changed after the run, so it stays")
    pack, pack_sha256 = "", ""
    if is_kept(rule, record.serial):
        path = _pack_path(packs, record)
        path.parent.mkdir(parents=True, exist_ok=True)
        content = _packed(contents)
        # Of another workspace, whose unit has the same serial and run: it may be all that is left of those captures.
        if path.exists() and read_bytes(path) != content:
            raise RecordError(
                f"{path}: found a pack of other captures; allowed: for each workspace a folder of its own"
            )
        write(path, content)
        pack, pack_sha256 = str(path), hashlib.sha256(content).hexdigest()
    run_sha256 = sha256(record.folder / "run.json")
    found = Archived(record.serial, record.run, run_sha256, now(), rule.captures, files, pack, pack_sha256)
    path, results = note_path(record.folder), record.folder.parents[2]
    with next_link(results, bench) as (link, put_down):
        said = json_bytes({"schema": SCHEMA, **table(found), "link": link})
        put_down(path.relative_to(results).as_posix(), said)
        write(path, said, is_new=is_new)
    return found


def _pack_path(packs: Path, record: Record) -> Path:
    return packs.absolute() / record.kit.name / record.serial / f"{record.run}.tar"


def _packed(contents: Mapping[str, bytes]) -> bytes:
    """Files as one: a plain tar, since they are compressed already."""
    packed = io.BytesIO()
    with tarfile.open(fileobj=packed, mode="w") as pack:
        for name, data in contents.items():
            entry = tarfile.TarInfo(name)
            entry.size = len(data)
            pack.addfile(entry, io.BytesIO(data))
    return packed.getvalue()


def _unpacked(content: bytes, pack_name: str) -> dict[str, bytes]:
    try:
        with tarfile.open(fileobj=io.BytesIO(content)) as pack:
            files = {entry.name: pack.extractfile(entry) for entry in pack if entry.isfile()}
            return {name: file.read() for name, file in files.items() if file}
    except tarfile.TarError as error:
        raise RecordError(f"{pack_name}: no pack of captures: {error}") from None


def _refuse_a_bad_pack(found: Archived) -> bytes:
    """All of a pack, whose bytes are what they were."""
    try:
        content = read_bytes(Path(found.pack))
    except OSError as error:
        raise RecordError(f"{found.pack}: the captures that were packed into it: {why(error)}") from None
    if hashlib.sha256(content).hexdigest() != found.pack_sha256:
        raise RecordError(f"{found.pack}: is not what it was when captures were packed into it")
    return content
