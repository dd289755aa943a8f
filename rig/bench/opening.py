"""Which bench: the one that `bench.toml` describes, or the simulated one where there is no such file."""

import math
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

from rig.bench.base import Bench, BenchSetupError
from rig.bench.calibration import calibrate_known_load, newest_known_load
from rig.bench.faults import FaultError, parse_fault
from rig.bench.settings import BenchSettings, load_bench_file
from rig.bench.simulated import SimulatedBench
from rig.kit import Kit

#: The resistor that the simulated bench calibrates itself with.
SIMULATED_LOAD_OHM = 8.2


def bench_settings(workspace: Path, file: Path | None) -> BenchSettings | None:
    """Settings from `file`, or from the workspace's bench.toml; None where there is neither."""
    if file is None and not (workspace / "bench.toml").is_file():
        return None
    return load_bench_file(file or workspace / "bench.toml")


def open_bench(
    workspace: Path, settings: BenchSettings | None, kit: Kit, serial: str, faults: Sequence[str] = ()
) -> Bench:
    """The bench for one run of one unit.

    Raises
    ------
    BenchSetupError
        If faults are asked of a real bench, or the settings do not fit the kit.
    BenchError
        If the bench is not there.
    """
    if settings is None or settings.kind == "simulated":
        return simulated(settings, kit, serial, faults)
    if faults:
        raise BenchSetupError("faults can only be asked of the simulated bench")
    from rig.bench.soundcard import SoundCardBench

    return SoundCardBench(settings, kit, newest_known_load(workspace, settings.name))


def simulated(settings: BenchSettings | None, kit: Kit, serial: str, faults: Sequence[str]) -> SimulatedBench:
    """The simulated bench, its two inputs calibrated on a known load as a real one's are."""
    options = settings.simulated if settings else None
    try:
        built_in = [parse_fault(kit, fault) for fault in (*(options.faults if options else ()), *faults)]
    except FaultError as error:
        raise BenchSetupError(f"{error}\nkitproof faults {kit.name} lists them all") from None
    bench = SimulatedBench(
        kit,
        serial,
        built_in,
        options.seed if options else 0,
        options.faster if options else math.inf,
        options.ambient_db_spl if options else 38.0,
    )
    clean = SimulatedBench(kit, serial, seed=bench.seed)
    made_at = datetime.now().astimezone().isoformat(timespec="seconds")
    bench.known_load = calibrate_known_load(clean.known_load_capture(SIMULATED_LOAD_OHM), SIMULATED_LOAD_OHM, made_at)
    return bench
