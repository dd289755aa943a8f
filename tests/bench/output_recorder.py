"""Another ear at the unit's inputs: a JACK client that notes when something sounds, by the clock of all processes.

Run as a program it takes the unit's name and a file, says "ready", and ends when its standard input does. As a module
it offers `recording` to tests.
"""

import contextlib
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np

INPUTS = 4


def listen(unit: str, file: str) -> None:
    """Note each block of at most some milliseconds: its begin, its peak, and how long something sounds in it."""
    import jack

    client = jack.Client("recorder", no_start_server=True)
    ears = [client.inports.register(f"in_{number + 1}") for number in range(INPUTS)]
    notes: list[tuple[float, float, float]] = []

    @client.set_process_callback
    def process(frames: int) -> None:
        began = time.monotonic()
        heard = np.max([np.abs(ear.get_array()) for ear in ears], axis=0)
        loud = np.flatnonzero(heard)
        notes.append((began, float(heard.max()), (loud[-1] + 1) / client.samplerate if loud.size else 0.0))

    def join_in() -> None:
        """Whatever is played to the unit is played here as well, as soon as it is."""
        for number, ear in enumerate(ears):
            for source in client.get_all_connections(f"{unit}:in_{number + 1}"):
                if not any(port.name == source.name for port in client.get_all_connections(ear)):
                    client.connect(source, ear)

    ended = threading.Event()
    threading.Thread(target=lambda: (sys.stdin.read(), ended.set()), daemon=True).start()
    with client, Path(file).open("wb", buffering=0) as out:
        print("ready", flush=True)
        while not ended.wait(0.05):
            with contextlib.suppress(jack.JackError):
                join_in()
            fresh, notes[:] = notes[:], []
            out.write(np.array(fresh).tobytes())


@contextlib.contextmanager
def recording(unit: str, file: Path) -> Iterator[None]:
    """The recorder in a process of its own; afterwards `last_sound` reads what it noted."""
    process = subprocess.Popen(
        [sys.executable, str(Path(__file__).resolve()), unit, str(file)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    assert process.stdin is not None
    assert process.stdout is not None
    try:
        assert process.stdout.readline() == "ready\n"
        yield
    finally:
        process.stdin.close()
        process.wait(10)
        process.stdout.close()


def blocks(file: Path) -> np.ndarray:
    """Of each block: begin by `time.monotonic`, peak, seconds from begin to last sound; shape (blocks, 3)."""
    return np.fromfile(file).reshape(-1, 3)


def last_sound(file: Path) -> float:
    """When something sounded last, by `time.monotonic`."""
    noted = blocks(file)
    began, _, seconds = noted[noted[:, 1] > 0][-1]
    return float(began + seconds)


if __name__ == "__main__":
    listen(sys.argv[1], sys.argv[2])
