"""After something was closed at a bench: a process of its own delivers it, and whoever measures waits for nothing."""

import subprocess
import sys
from pathlib import Path
from threading import Thread

from rig.store.delivery import waiting


def send_off(workspace: Path, bench_file: Path | None = None) -> str:
    """Begin to deliver what waits; in words how far behind the store is, where it could last not be served.

    What goes wrong with it is told and nothing else: what was measured is on the disk.
    """
    try:
        behind = waiting(workspace / "results")
        _begin(workspace, bench_file)
    except Exception as error:
        return f"delivering could not be begun: {type(error).__name__}: {error}"
    return f"{behind.words}: {behind.trouble}" if behind.words and behind.trouble else ""


def _begin(workspace: Path, bench_file: Path | None) -> None:
    bench = ["--bench", str(bench_file)] if bench_file else []
    process = subprocess.Popen(
        [sys.executable, "-m", "rig", "deliver", "--behind", "--workspace", str(workspace), *bench],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        # Neither Ctrl-C at this terminal nor its end reaches it.
        start_new_session=True,
    )
    # Whose parent waits for it leaves nothing behind.
    Thread(target=process.wait, daemon=True).start()
