"""Captures that were taken out of a record to save room: a note beside the record says which, why, and where they are.

The record itself is never changed, and what it says of every file stays: a file that is gone is accounted for by a note
that names the record's own SHA-256, and one that is brought back must have the SHA-256 that the record gives it.
"""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from rig.files.disk import parse_json, read_bytes
from rig.files.errors import RecordError
from rig.files.plain import restored, schema_checked
from rig.store.bench_chain import read_closed
from rig.store.run_json import Record

SCHEMA = "kitproof archived captures 1"


@dataclass(frozen=True)
class Archived:
    """What was taken out of one record."""

    serial: str
    run: str
    #: Of the record's run.json.
    run_sha256: str
    #: When, ISO 8601 with zone.
    at: str
    #: The kit's rule: "kept", "dropped", or "thinned".
    rule: str
    #: Each file -> its SHA-256, as the record has it.
    files: Mapping[str, str]
    #: The file that they were packed into; empty: they are gone for good.
    pack: str = ""
    pack_sha256: str = ""

    @property
    def words(self) -> str:
        """What became of them, in words."""
        what = f"{len(self.files)} captures"
        if self.pack:
            back = f"kitproof archive --bring-back {self.serial}"
            return f"{what} were packed away on {self.at[:10]}, into {self.pack}; {back} puts them back"
        return f"{what} were dropped on {self.at[:10]}, as the kit has it: they cannot be judged again"


def note_path(folder: Path) -> Path:
    """Where the note about a record's captures stands."""
    return folder.parent / f"archived-{folder.name}.json"


def archived(record: Record) -> Archived | None:
    """What was taken out of a record; None: nothing.

    Raises
    ------
    RecordError
        If there is a note that cannot be read, or is about a record that is not this one.
    """
    path = note_path(record.folder)
    try:
        said = schema_checked(parse_json(read_closed(path, path.parent.parent.parent)), SCHEMA)
        said.pop("link", None)
        found = restored(Archived, said)
    except FileNotFoundError:
        return None
    except (OSError, ValueError) as error:
        raise RecordError(f"{path}: cannot be read: {error}") from None
    if found.run_sha256 != hashlib.sha256(read_bytes(record.folder / "run.json")).hexdigest():
        raise RecordError(f"{path}: is about a run.json that is not the one that stands there")
    if strange := found.files.items() - capture_files(record).items():
        raise RecordError(f"{path}: files: found {min(strange)[0]!r}; allowed: captures as that record has them")
    return found


def capture_files(record: Record) -> dict[str, str]:
    """The captures of a record and their SHA-256: nothing that stands elsewhere is ever taken for one."""
    names = [entry.file for entry in record.captures]
    inside = [name for name in names if name.startswith("captures/") and ".." not in PurePosixPath(name).parts]
    return {name: record.files[name] for name in inside if name in record.files}


def words_of(record: Record) -> str:
    """What became of captures that are not there any more; empty: they all are, or no note can be relied on."""
    found = accounted_for(record) and archived(record)
    return found.words if found and not all((record.folder / name).exists() for name in found.files) else ""


def accounted_for(record: Record) -> Mapping[str, str]:
    """Files of a record that may be missing, and their SHA-256; none where no note can be relied on."""
    try:
        found = archived(record)
    except RecordError:
        return {}
    return found.files if found else {}
