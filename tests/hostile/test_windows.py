"""Windows' and macOS' rules, as far as they can be played here: open files, names, locks, folders without sync."""

import ast
import errno
import os
import re
import shutil
import sys
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import pytest
from soaks import shorten_heat

from hostile.ground import ARCHIVE, KIT
from hostile.promise import kitproof
from hostile.windows import Locks, windows
from rig.bench.settings import load_bench_file
from rig.design.kit import load_kit
from rig.files import disk, locks
from rig.files.errors import RecordError
from rig.run.under_way import claim, is_claimed
from rig.store.records import damages, reserve, unfinished, unit_records
from rig.study.learnt_limits import with_learnt_limits

ROOT = Path(__file__).parents[2]
#: What Python has not on Windows, by module, from its documentation.
POSIX_ALONE = {
    "os": "fork forkpty getuid geteuid getgid getloadavg uname killpg setsid statvfs sysconf mkfifo chown nice wait3 "
    "wait4 sched_getaffinity fdatasync posix_fadvise O_NONBLOCK O_DIRECTORY O_NOFOLLOW O_CLOEXEC",
    "signal": "SIGKILL SIGHUP SIGALRM SIGUSR1 SIGUSR2 SIGCHLD SIGPIPE SIGQUIT pthread_kill pthread_sigmask setitimer",
    "time": "tzset clock_gettime",
    "socket": "AF_UNIX SO_REUSEPORT",
    "select": "poll epoll",
}
POSIX_MODULES = {"fcntl", "pwd", "grp", "resource", "termios", "tty", "pty", "posix", "syslog", "readline"}
#: Each stands behind a look whether it is there.
GUARDED = {
    ("rig/commands/deliver.py", "os.nice"),
    ("rig/files/locks.py", "fcntl"),
    ("rig/run/interrupts.py", "signal.pthread_kill"),
    ("rig/run/under_way.py", "os.getuid"),
}


@pytest.fixture
def archive(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The stored archive, of a short heat test, where nobody waits for scanners."""
    monkeypatch.setattr(disk, "PAUSES_S", tuple(0 for _ in disk.PAUSES_S))
    workspace = Path(shutil.copytree(ARCHIVE, tmp_path / "workspace"))
    shorten_heat(workspace)
    return workspace


def test_where_what_is_open_can_be_neither_moved_nor_removed_all_that_writes_works(archive: Path) -> None:
    at = ("--workspace", str(archive))
    with windows(archive, scanned=3):
        # A heat test has most files open, two logs and a lock among them.
        done = kitproof("verify", KIT, "SO-0009", "--plan", "heat", "--yes", *at)
        assert done.status == 0, done
        for words in (
            ("rework", "SO-0009", "resoldered C3"),
            ("results",),
            ("archive", "--older-than", "1", "--to", str(archive / "packs"), "--yes"),
            ("reference", KIT, "SO-0001"),
            ("reference", KIT, "SO-0001"),
            ("show", "SO-0009"),
            ("index", "--prove"),
        ):
            assert (done := kitproof(*words, *at)).status == 0, done
    [record] = unit_records(archive, "SO-0009")
    assert (damages(record), unfinished(archive)) == ([], [])


def test_a_file_that_stays_open_for_long_is_an_error_and_the_record_stays(archive: Path) -> None:
    with windows(archive, scanned=len(disk.PAUSES_S) + 1):
        done = kitproof("verify", KIT, "SO-0003", "--plan", "bare", "--workspace", str(archive))
    assert done.status == 3, done
    assert "a scanner looks at it" in done.err
    assert len(unfinished(archive)) == 1


@pytest.mark.parametrize(
    "serial", ["CON", "nul", "Com1", "AUX.1", "SO:1", "SO-1.", "SO 1 ", "SO?1", 'SO"1', "SO|1", "a<b"]
)
def test_a_serial_that_is_no_folder_everywhere_is_refused_before_anything_sounds(archive: Path, serial: str) -> None:
    kit = archive / "limits" / KIT / "kit.toml"
    kit.write_text(re.sub(r"'SO-.*'", r"'[ -.0-~]+'", kit.read_text(encoding="utf-8"), count=1), encoding="utf-8")
    done = kitproof("verify", KIT, "--plan", "bare", "--workspace", str(archive), "--", serial)
    assert done.status == 3, done
    assert "on every computer" in done.err
    assert not (archive / "results" / KIT / serial).exists()


def test_a_unit_of_such_a_serial_that_has_records_goes_on(archive: Path) -> None:
    kit = SimpleNamespace(name=KIT, is_serial=lambda text: True)
    home = archive / "results" / KIT / "SO:1"
    home.mkdir()
    assert reserve(archive, kit, "SO:1").parent == home  # type: ignore[arg-type]


def test_a_workspace_that_lies_too_deep_is_refused_before_anything_sounds(archive: Path) -> None:
    kit = SimpleNamespace(name=KIT, is_serial=lambda text: True)
    for deep in (80, 150, 250):
        with windows(archive, "C:\\" + "a" * deep), pytest.raises(RecordError, match=r"too long|could not be written"):
            reserve(archive, kit, "SO-0001")  # type: ignore[arg-type]
        assert unfinished(archive) == []
    # Room for what is written beside before it is put in its place, and for whoever lies as deep as most do.
    with windows(archive, "C:\\" + "a" * 30):
        done = kitproof("verify", KIT, "SO-0003", "--plan", "bare", "--workspace", str(archive))
    assert done.status == 0, done


@pytest.fixture
def windows_locks(monkeypatch: pytest.MonkeyPatch) -> Locks:
    """Locks as Windows has them."""
    made = Locks()
    monkeypatch.setitem(sys.modules, "msvcrt", made)  # type: ignore[arg-type]
    monkeypatch.setattr(locks, "os", SimpleNamespace(name="nt", lseek=os.lseek, SEEK_SET=os.SEEK_SET))
    return made


def test_settings_as_editors_there_save_them_are_read_and_edited(archive: Path) -> None:
    """With a mark before them that says that they are UTF-8, and line ends of two signs."""
    for path in (archive / "limits" / KIT / "kit.toml", archive / "bench.toml"):
        text = path.read_text(encoding="utf-8") if path.exists() else 'kind = "simulated"\nname = "b\u00fchne"\n'
        path.write_bytes(text.replace("\n", "\r\n").encode("utf-8-sig"))
    assert load_bench_file(archive / "bench.toml").name == "b\u00fchne"
    kit = load_kit(archive, KIT)
    text = with_learnt_limits(kit, [("impedance", "impedance", "box")])
    assert 'mask = "' in text
    assert text.count("\r\n") == text.count("\n")


def test_a_lock_keeps_others_out_once_something_is_written_into_it(tmp_path: Path, windows_locks: Locks) -> None:
    lock = claim(tmp_path / "running.lock", tmp_path, "a unit is measured")
    assert is_claimed(tmp_path / "running.lock")
    with pytest.raises(BlockingIOError):
        claim(tmp_path / "running.lock", tmp_path)
    # The bytes that are written stay readable: a stop looks whom it has to stop.
    assert all(byte > 10**6 for _, byte in windows_locks.held)
    lock.close()
    assert not is_claimed(tmp_path / "running.lock")


def test_who_waits_for_a_lock_has_it_as_soon_as_its_holder_lets_go(tmp_path: Path, windows_locks: Locks) -> None:
    first = locks.locked(tmp_path / "lock")
    handle = os.dup(first.fileno())
    windows_locks.held = dict.fromkeys(windows_locks.held, handle)
    windows_locks.lets_go_at = 2
    locks.locked(tmp_path / "lock", waits_s=60.0).close()
    assert windows_locks.asked == 2
    first.close()


def test_a_folder_that_cannot_be_synced_costs_no_record(archive: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    usual = os.fsync

    def refusing(number: int) -> Callable[[int], None]:
        def sync(handle: int) -> None:
            if Path(f"/proc/self/fd/{handle}").resolve().is_dir():
                raise OSError(number, os.strerror(number))
            usual(handle)

        return sync

    monkeypatch.setattr(os, "fsync", refusing(errno.EINVAL))
    disk.write(archive / "one", "1")
    disk.sync(archive)
    monkeypatch.setattr(os, "fsync", refusing(errno.EIO))
    with pytest.raises(OSError, match="Input/output"):
        disk.sync(archive)


def test_nothing_of_the_rig_needs_what_windows_has_not() -> None:
    names = {f"{module}.{name}" for module, of in POSIX_ALONE.items() for name in of.split()} | POSIX_MODULES
    found = set()
    any_of_them = re.compile(rf"\b({'|'.join(name.rpartition('.')[2] for name in names)})\b")
    for path in sorted((*(ROOT / "rig").rglob("*.py"), *(ROOT / "checks").rglob("*.py"))):
        text = path.read_text(encoding="utf-8")
        for node in ast.walk(ast.parse(text)) if any_of_them.search(text) else ():
            used: tuple[str, ...] = ()
            if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
                used = (f"{node.value.id}.{node.attr}",)
            elif isinstance(node, ast.Import):
                used = tuple(alias.name for alias in node.names)
            elif isinstance(node, ast.ImportFrom):
                used = (str(node.module), *(f"{node.module}.{alias.name}" for alias in node.names))
            found |= {(path.relative_to(ROOT).as_posix(), name) for name in used if name in names}
    assert found == GUARDED
