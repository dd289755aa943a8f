"""A run's computing before the run: what is worked out once for all captures is worked out while a person still reads.

Made-up captures go through the checks as those of the bench will. What comes of it is nothing; what is left are
libraries that are loaded and transforms that are planned.
"""

from collections.abc import Callable, Sequence
from contextlib import suppress
from threading import Thread

import numpy as np

from rig.design.kit import Kit
from rig.files.errors import BenchError
from rig.run.verify import load_what_computes
from rig.run.walk import Confirm
from rig.signals.stimulus import compose
from rig.values.captures import Calibration, Capture, KnownLoad
from rig.values.requests import AT_LEADS, Request, Sweep
from rig.verdict.check import ListedCheck
from rig.verdict.examine import capture_troubles
from rig.verdict.spacing import spaced

#: Latency of the made-up bench, and the noise of its inputs; our choice.
LATE_S, NOISE = 0.01, 1e-5
#: What it measures; our choice.
SENSE_OHM, LOAD_OHM = 10.0, 8.0


def ready_by_the_first_answer(confirm: Confirm, look: Callable[[], object], tell: Callable[[str], object]) -> Confirm:
    """Asks as `confirm`, and meanwhile gets ready, from now on: loads what computes, and looks for what is to be said.

    All of it before the first answer is taken, for a processor that is busy may lose sound. What cannot be loaded ends
    the run (`BenchError`) before anything sounds; the rest can be done without.

    Parameters
    ----------
    look : what else is done behind the first question
    tell : takes the words why that could not be done
    """
    failed: list[str] = []

    def prepare() -> None:
        try:
            load_what_computes()
        except Exception as error:
            failed.append(f"what measuring computes with cannot be loaded: {type(error).__name__}: {error}")
            return
        try:
            look()
        except Exception as error:
            tell(f"not all could be looked at before the run: {type(error).__name__}: {error}")

    behind = Thread(target=prepare, daemon=True)
    behind.start()

    def ask(words: str) -> bool:
        goes_on = confirm(words)
        behind.join()
        if failed:
            raise BenchError(f"{failed[0]}\nNothing was played. Install kitproof anew, then start the run again.")
        return goes_on

    return ask


def rehearse(kit: Kit, checks: Sequence[ListedCheck], sample_rate_hz: float = 48000.0) -> tuple[str, ...]:
    """Let every check read made-up captures of the first channel; the names of those that could not, for tests."""
    first = kit.channels[0].name
    made: dict[Request, Capture] = {}
    failed = []
    for listed in checks:
        needed = [one for one in listed.requests(kit) if isinstance(one, Sweep)]
        if len(needed) < len(listed.requests(kit)):
            # What a programme is read by has no sweep's transforms.
            continue
        own = [request for request in needed if request.at == first]
        for request in own:
            if request not in made:
                made[request] = _made_up(spaced(request, listed.check.GATE), sample_rate_hz)
                capture_troubles(made[request])
        failed.append(listed.name)
        # A workspace may bring checks of its own; what goes wrong with them is told where something was measured.
        with suppress(Exception):
            listed.read([made[request] for request in own], kit)
            failed.pop()
    return tuple(failed)


def _made_up(request: Sweep, sample_rate_hz: float) -> Capture:
    """What a box without any colour would give."""
    plan = request.layout(sample_rate_hz)
    late = round(LATE_S * sample_rate_hz)
    volts = request.peak_v / request.path_gain * np.pad(compose(plan), (late, round(0.2 * sample_rate_hz) - late))
    ratio = SENSE_OHM / (SENSE_OHM + LOAD_OHM) if request.stage in AT_LEADS else 0.1
    rows = np.vstack((ratio * volts, volts)) + NOISE * np.random.default_rng(1).standard_normal((2, volts.size))
    inputs = ("sense", "drive") if request.stage in AT_LEADS else ("microphone", "loopback")
    flat = KnownLoad(np.array([5.0, 0.45 * sample_rate_hz]), np.ones(2, np.complex128), LOAD_OHM, "")
    calibration = Calibration({}, 1.0, 0.01, 1, sense_ohm=SENSE_OHM, known_load=flat)
    return Capture(request, rows.astype(np.float32), inputs, sample_rate_hz, calibration)
