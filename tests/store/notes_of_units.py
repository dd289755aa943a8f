"""Small things that several tests of the store need."""

import shutil
from pathlib import Path

from rig.design.kit import ArchiveSpec, Kit, load_kit
from rig.store.rework_notes import note

ARCHIVE = Path(__file__).parents[1] / "archive"
KEPT = ArchiveSpec(captures="kept")


def kit_of_archive(workspace: Path) -> Kit:
    """The kit of the stored runs, whose file is put into a workspace."""
    if not (workspace / "limits").is_dir():
        shutil.copytree(ARCHIVE / "limits", workspace / "limits")
    return load_kit(workspace, "shelf-one").model_copy(update={"serial_pattern": r"SO-\d{4,6}"})


def noted(workspace: Path, serial: str, bench: str, words: str = "glued") -> Path:
    """A note of what was done to a unit at a bench."""
    return note(workspace, kit_of_archive(workspace), serial, words, "", bench)
