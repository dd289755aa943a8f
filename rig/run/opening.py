"""Which bench: the one that `bench.toml` describes, or the simulated one where there is no such file."""

import math
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

from rig.bench.base import Bench
from rig.bench.listening import Listener, card_listening
from rig.bench.settings import BenchSettings, simulated_name
from rig.calibration.calibrated import Held, asked_ages, calibrated, daily_doubts
from rig.calibration.known_load import OPEN, SHORT, calibrate_sense, resistor
from rig.calibration.storage import read_store
from rig.circuit.parts import OPEN_OHM
from rig.design.fault_names import parse_fault
from rig.design.kit import Kit
from rig.design.trust import CalibrationKind
from rig.files.errors import BenchSetupError, FaultError
from rig.simulated.bench import SimulatedBench

#: The resistor that the simulated bench calibrates itself with; made up.
SIMULATED_LOAD_OHM = 8.2


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
        bench = simulated(settings, kit, serial, faults)
        asked = asked_ages(settings or BenchSettings(kind="simulated"), kit.calibrations)
        # It calibrates itself; what a daily check of it found still counts.
        bench.doubts = daily_doubts(_held(workspace, simulated_name(bench.seed), asked))
        return bench
    if faults:
        raise BenchSetupError("faults can only be asked of the simulated bench")
    from rig.bench.soundcard import SoundCardBench

    ready = with_calibrations(workspace, settings, kit.calibrations)
    return SoundCardBench(ready, kit, ready.calibration("leads").known_load if ready.leads else None)


def calibrations_name(settings: BenchSettings) -> str:
    """The name that calibrations of a bench are kept under."""
    if settings.kind == "simulated":
        return simulated_name(settings.simulated.seed if settings.simulated else 0)
    return settings.name


@contextmanager
def listening(workspace: Path, settings: BenchSettings | None, kit: Kit) -> Iterator[Listener]:
    """The bench's inputs alone, to be listened to; nothing can be played meanwhile.

    Raises
    ------
    BenchSetupError, BenchError
        As `open_bench`.
    """
    if settings is None or settings.kind == "simulated":
        from rig.simulated.live_inputs import SimulatedListener

        bench = simulated(settings, kit, kit.serial_example, [])
        # It keeps the time itself.
        bench.faster = math.inf
        yield SimulatedListener(kit, bench)
        return
    with card_listening(with_calibrations(workspace, settings, kit.calibrations)) as card:
        yield card


def with_calibrations(workspace: Path, settings: BenchSettings, asked: Sequence[CalibrationKind] = ()) -> BenchSettings:
    """A bench's settings with its calibrations in force, as they are now; `asked` are those that a kit asks for."""
    held = _held(workspace, settings.name, asked_ages(settings, asked))
    return settings.calibrated_by(lambda stage, plain: calibrated(settings, stage, plain, held))


def _held(workspace: Path, bench: str, ages_days: Mapping[CalibrationKind, float]) -> Held:
    found, damaged = read_store(workspace, bench)
    return Held(tuple(found), ages_days, datetime.now().astimezone(), tuple(damaged))


def simulated(settings: BenchSettings | None, kit: Kit, serial: str, faults: Sequence[str]) -> SimulatedBench:
    """The simulated bench, its leads calibrated on open, short and a known load as a real one's are."""
    options = settings.simulated if settings else None
    try:
        built_in = [parse_fault(kit, fault) for fault in (*(options.faults if options else ()), *faults)]
    except FaultError as error:
        raise BenchSetupError(f"{error}\nkitproof faults {kit.name} lists them all") from None
    bench = SimulatedBench(
        kit,
        serial,
        built_in,
        seed=options.seed if options else 0,
        faster=options.faster if options else math.inf,
        ambient_db=options.ambient_db_spl if options else 38.0,
        microphone_ppm=options.microphone_ppm if options else None,
    )
    clean = SimulatedBench(kit, serial, seed=bench.seed)
    made_at = datetime.now().astimezone().isoformat(timespec="seconds")
    loads = ((OPEN, OPEN_OHM), (SHORT, 0.0), (resistor(SIMULATED_LOAD_OHM), SIMULATED_LOAD_OHM))
    bench.known_load = calibrate_sense([(one, clean.known_load_capture(ohm)) for one, ohm in loads], made_at)
    return bench
