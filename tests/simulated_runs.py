"""Simulated benches and runs on them, for tests of several rooms."""

from collections.abc import Sequence
from pathlib import Path

from rig.calibration.known_load import calibrate_known_load
from rig.design.kit import load_kit
from rig.files.trusted import trust
from rig.run.verify import job, verify
from rig.simulated.bench import SimulatedBench
from rig.store.run_json import Record
from rig.values.run import Run
from rig.verdict.check import own_sources

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


def trust_checks(workspace: Path) -> None:
    """Agree that a workspace's own checks run."""
    trust({path.name: source for path, source in own_sources(workspace).items()})
