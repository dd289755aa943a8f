"""After something was closed at a bench: a process of its own delivers it, and whoever measures waits for nothing."""

import subprocess
import sys
from pathlib import Path
from threading import Thread

from rig.store.delivery import waiting


def send_off(workspace: Path, bench_file: Path | None = None) -> str:
    """Begin to deliver what waits; in words how far behind the store is, where it could last not be served."""
    behind = waiting(workspace / "results")
    bench = ["--bench", str(bench_file)] if bench_file else []
    command = [sys.executable, "-m", "rig", "deliver", "--behind", "--workspace", str(workspace), *bench]
    try:
        process = subprocess.Popen(
            command,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            # Neither Ctrl-C at this terminal nor its end reaches it.
            start_new_session=True,
        )
    except OSError as error:
        return f"{behind.words or 'nothing waits yet'}; delivering could not be begun: {error}"
    # Whose parent waits for it leaves nothing behind.
    Thread(target=process.wait, daemon=True).start()
    return f"{behind.words}: {behind.trouble}" if behind.words and behind.trouble else ""
