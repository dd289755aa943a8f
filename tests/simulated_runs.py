"""Simulated benches and runs on them, for tests of several rooms."""

from collections.abc import Sequence
from pathlib import Path

from rig.calibration.known_load import calibrate_known_load
from rig.design.kit import load_kit
from rig.run.verify import job, verify
from rig.simulated.bench import SimulatedBench
from rig.store.run_json import Record
from rig.values.run import Run

ROOT = Path(__file__).parent.parent


def simulated(
    workspace: Path, kit_name: str, serial: str, faults: Sequence[str] = (), microphone_ppm: float | None = None
) -> SimulatedBench:
    """A simulated bench with its two inputs calibrated."""
    kit = load_kit(workspace, kit_name)
    bench = SimulatedBench(kit, serial, faults, microphone_ppm=microphone_ppm)
    clean = SimulatedBench(kit, serial).known_load_capture(8.2)
    bench.known_load = calibrate_known_load(clean, 8.2, "2026-01-01T12:00:00+00:00")
    return bench


def verified(
    workspace: Path, kit_name: str, serial: str, faults: Sequence[str] = (), microphone_ppm: float | None = None
) -> tuple[Run, Record]:
    """Verify a simulated unit in a workspace."""
    bench = simulated(workspace, kit_name, serial, faults, microphone_ppm)
    return verify(
        workspace,
        job(workspace, kit_name),
        serial,
        bench,
        confirm=lambda words: True,
        view=lambda event: None,
    )
