"""What is installed from a wheel, and from a source archive: everything that the rig reads, and the demo kits."""

import os
import shutil
import subprocess
import sys
import tarfile
import zipfile
from importlib.metadata import version
from pathlib import Path

import pytest
from full_disk import full_disk

from rig.design.demo_kits import demo_kits_folder, demo_workspace
from rig.files.errors import RecordError

ROOT = Path(__file__).parent.parent
#: Of the repository, and of no use to whoever installs it.
LEFT_OUT = ("limits/README.md",)


def built(source: Path, kind: str) -> Path:
    """A wheel or source archive, built in a process of its own: the builder changes folders and streams."""
    code = f"from setuptools import build_meta; print(build_meta.build_{kind}('dist'))"
    done = subprocess.run([sys.executable, "-c", code], cwd=source, capture_output=True, text=True, check=True)
    return source / "dist" / done.stdout.splitlines()[-1]


def tracked() -> list[str]:
    """Every file of the repository that git knows or would take."""
    words = ["git", "ls-files", "--cached", "--others", "--exclude-standard"]
    listed = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=True).stdout.splitlines()
    return [name for name in listed if (ROOT / name).is_file()]


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of what is tracked, but for the tests, to build in."""
    folder = tmp_path_factory.mktemp("source")
    for name in tracked():
        if not name.startswith("tests/"):
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(ROOT / name, folder / name)
    return folder


@pytest.fixture(scope="module")
def wheel(source: Path) -> Path:
    """The wheel built from the source archive: it has passed through both."""
    archive = built(source, "sdist")
    with tarfile.open(archive) as packed:
        packed.extractall(source / "unpacked", filter="data")
    (unpacked,) = (source / "unpacked").iterdir()
    return built(unpacked, "wheel")


def test_the_wheel_of_the_source_archive_holds_everything_that_is_read(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as packed:
        held = set(packed.namelist())
    wanted = [name for name in tracked() if name.split("/")[0] in ("rig", "checks", "limits")]
    wanted = [
        name.replace("limits/", "rig/demo_kits/", 1) if name.startswith("limits/") else name
        for name in wanted
        if name not in LEFT_OUT
    ]
    assert sorted(set(wanted) - held) == []
    about = [name for name in held if ".dist-info/" in name]
    assert any(name.endswith("/LICENSE") for name in about)
    # Nothing beside the two packages: a third at the top would be found by other projects' imports.
    assert {name.split("/")[0] for name in held} == {"rig", "checks", about[0].split("/")[0]}


def test_an_installed_package_knows_its_version_and_makes_itself_a_workspace(wheel: Path, tmp_path: Path) -> None:
    with zipfile.ZipFile(wheel) as packed:
        packed.extractall(tmp_path / "installed")
    (tmp_path / "elsewhere").mkdir()
    code = """
import sys
from pathlib import Path
from rig import cli
from rig.design.demo_kits import demo_kits_folder, demo_workspace
print(demo_kits_folder())
assert demo_workspace(Path(), "booth-two") == (Path(), True)
assert demo_workspace(Path(), "booth-two") == (Path(), False)
for words in (["--version"], ["kits"]):
    sys.argv = ["kitproof", *words]
    try:
        cli.main()
    except SystemExit as ended:
        assert not ended.code
"""
    path = {**os.environ, "PYTHONPATH": str(tmp_path / "installed")}
    words = [sys.executable, "-P", "-c", code]
    done = subprocess.run(words, cwd=tmp_path / "elsewhere", env=path, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    kits, said, *listed = done.stdout.splitlines()
    assert Path(kits) == tmp_path / "installed" / "rig" / "demo_kits"
    assert said == f"kitproof {version('kitproof')}"
    assert [name for name in ("booth-two", "rehearsal-three") if name not in "".join(listed)] == []


def test_the_demo_leaves_a_folder_that_is_somebody_s_own_alone(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("mine", encoding="utf-8")
    assert demo_workspace(tmp_path, "booth-two") == (tmp_path / "kitproof-demo", True)
    assert demo_workspace(tmp_path, "booth-two") == (tmp_path / "kitproof-demo", False)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["kitproof-demo", "notes.txt"]
    # Broken off while it was copied: taken up again, for kit.toml comes last, and this kit behind all others.
    (tmp_path / "kitproof-demo" / "limits" / "booth-two" / "kit.toml").unlink()
    assert demo_workspace(tmp_path, "booth-two")[1]


def test_a_disk_that_is_full_while_the_demo_kits_are_copied_leaves_none_half(tmp_path: Path) -> None:
    kits = demo_kits_folder()
    sizes = [path.stat().st_size for path in (kits / "booth-two" / "kit.toml", kits / "rehearsal-three" / "kit.toml")]
    with full_disk(min(sizes) - 1), pytest.raises(RecordError, match=r"could be made here: File too large"):
        demo_workspace(tmp_path / "demo", "booth-two")
    assert demo_workspace(tmp_path / "demo", "booth-two")[1]
    for path in kits.glob("*/kit.toml"):
        assert (tmp_path / "demo" / "limits" / path.parent.name / "kit.toml").read_bytes() == path.read_bytes()
