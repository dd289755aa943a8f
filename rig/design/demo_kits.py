"""The kits that travel with the project, and a workspace around them where somebody has none."""

import shutil
from pathlib import Path

from rig.files.disk import read_bytes, why, write
from rig.files.errors import RecordError

#: What a workspace of the demo is called where the folder at hand is somebody's own.
DEMO_WORKSPACE = "kitproof-demo"


def demo_kits_folder() -> Path:
    """Where the demo kits stand: inside the installed package, or in the workspace that a clone is."""
    package = Path(__file__).parents[1]
    installed = package / "demo_kits"
    return installed if installed.is_dir() else package.parent / "limits"


def demo_workspace(folder: Path, kit: str) -> tuple[Path, bool]:
    """The workspace that the demo runs in, and whether it was made just now.

    It is the folder itself where the kit is there already or nothing is; what is somebody's own is left alone, and the
    workspace is a folder in it.

    Raises
    ------
    RecordError
        If it cannot be written.
    """
    try:
        visible = [path for path in folder.iterdir() if not path.name.startswith(".")] if folder.exists() else []
        is_own = bool(visible) and not (folder / "limits" / kit).is_dir()
        workspace = folder / DEMO_WORKSPACE if is_own else folder
        if (workspace / "limits" / kit / "kit.toml").is_file():
            return workspace, False
        folders = {path.parent for path in demo_kits_folder().glob("*/kit.toml")}
        # Its folder tells that the workspace is the demo's; its kit.toml comes last: where that is, all is.
        (workspace / "limits" / kit).mkdir(parents=True, exist_ok=True)
        for kit_folder in sorted(folders, key=lambda one: (one.name == kit, one.name)):
            _copy(kit_folder, workspace / "limits" / kit_folder.name)
    except OSError as error:
        raise RecordError(f"{folder}: no workspace could be made here: {why(error)}") from None
    return workspace, True


def copy_page(limits: Path) -> None:
    """Put the page that explains every key of a kit beside the kits of a workspace, where none is."""
    page = limits / "README.md"
    if not page.exists():
        write(page, read_bytes(demo_kits_folder() / "README.md"))


def _copy(kit_folder: Path, place: Path) -> None:
    """Copy a kit's files, kit.toml last: where that is, the kit is whole."""
    files = [path for path in sorted(kit_folder.rglob("*")) if path.is_file() and path.suffix in (".csv", ".json")]
    for path in files:
        there = place / path.relative_to(kit_folder)
        there.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(path, there)
    write(place / "kit.toml", read_bytes(kit_folder / "kit.toml"))
