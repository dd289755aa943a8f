"""The person at the bench and the bench itself, for the commands that calibrate: asking, playing, putting down."""

import math
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np

from rig.bench.base import Bench
from rig.bench.settings import BenchSettings
from rig.bench.soundcard import SoundCardBench
from rig.calibration import volts as calibration_volts
from rig.calibration.calibrated import made_with
from rig.calibration.storage import Cause, Details, Stored, combined
from rig.calibration.volts import MeterReading
from rig.design.trust import CalibrationKind
from rig.files.errors import BenchError, BenchSetupError, Stopped
from rig.values.captures import Capture
from rig.values.requests import Stage, Sweep
from rig.verdict.examine import capture_troubles
from rig.verdict.spacing import spaced

#: A disturbed capture is taken again so often; our choice.
TRIES = 3
#: An instrument is asked for so many answers after it has had time to settle; our choice.
ANSWERS, METER_SETTLE_S, ANSWER_WITHIN_S = 5, 2.0, 15.0


@dataclass(frozen=True)
class Guide:
    """The person at the bench."""

    #: Put a question and get the answer as it was typed.
    ask: Callable[[str], str]
    say: Callable[[str], None]
    #: Ask whether something is done; False stops.
    confirm: Callable[[str], bool]
    #: Show what sounds from now on, where that is shown.
    plays: Callable[[Sweep], None] = lambda request: None

    def ready(self, words: str) -> None:
        """Say what to do, and go on when it is done.

        Raises
        ------
        Stopped
            If it will not be.
        """
        if not self.confirm(words):
            raise Stopped("nothing was changed")


@dataclass(frozen=True)
class Desk:
    """A bench with a person at it."""

    #: With the calibrations that are in force.
    settings: BenchSettings
    bench: SoundCardBench
    guide: Guide
    now: Callable[[], datetime] = lambda: datetime.now().astimezone()

    def made_at(self) -> str:
        """The time of a calibration, as records hold it."""
        return self.now().isoformat(timespec="seconds")

    def calibration_made(
        self,
        kind: CalibrationKind,
        of: str,
        stage: Stage,
        found: tuple[str, float, str],
        budget: Sequence[Cause],
        details: Details,
    ) -> Stored:
        """A calibration with all that it holds for; `found` are quantity, value and unit."""
        wiring, values = self.settings.wiring(stage), self.settings.calibration(stage)
        return Stored(
            kind=kind,
            of=of,
            bench=self.settings.name,
            made_at=self.made_at(),
            quantity=found[0],
            value=found[1],
            unit=found[2],
            uncertainty=combined(tuple(budget)),
            made_with=made_with(self.settings, wiring, kind, of, values),
            budget=tuple(budget),
            details=details,
        )


Meter = Callable[[Guide], MeterReading]


def typed(guide: Guide) -> MeterReading:
    """Ask the person for what the meter shows, until it is a reading."""
    while True:
        text = guide.ask("the meter reads (volts RMS, all its digits): ")
        try:
            return calibration_volts.typed_reading(text)
        except BenchSetupError as error:
            guide.say(str(error))


def asked_over_visa(settings: BenchSettings, role: str) -> Meter:
    """A meter that is asked itself: the role of a value in bench.toml's instruments, in volts.

    Raises
    ------
    BenchSetupError
        If there is no such role in volts.
    """
    known = {value.role: (one, value) for one in settings.instruments for value in one.values}
    volts = [name for name, (_, value) in known.items() if value.unit == "volt"]
    if role not in volts:
        listed = ", ".join(volts) or "none; an instrument with a value in volts must stand in bench.toml"
        raise BenchSetupError(f"--meter: found {role!r}; allowed: a role in volts: {listed}")
    instrument = known[role][0]

    def read(guide: Guide) -> MeterReading:
        from rig.bench.instrument_threads import Instruments

        answers: dict[float, float] = {}
        began_s, trouble = time.monotonic(), ""
        with Instruments([instrument], settings.visa_backend, 0.2) as instruments:
            while len(answers) < ANSWERS and time.monotonic() - began_s < METER_SETTLE_S + ANSWER_WITHIN_S:
                answer = instruments.latest()[role]
                trouble = answer.trouble if answer.is_missing else ""
                if not answer.is_missing and answer.monotonic_s > began_s + METER_SETTLE_S:
                    answers[answer.monotonic_s] = answer.value
                time.sleep(0.05)
        if len(answers) < ANSWERS:
            raise BenchError(f"{role}: {len(answers)} answers within {ANSWER_WITHIN_S:g} s; {trouble or 'too slow'}")
        each = np.array(list(answers.values()))
        if np.min(each) <= 0:
            raise BenchError(f"{role}: reads {np.min(each):g} V; is it on AC volts?")
        guide.say(f"{role}: {np.mean(each):.6g} V")
        return MeterReading(float(np.mean(each)), float(np.std(each, ddof=1) / math.sqrt(each.size)))

    return read


def sound_capture(bench: Bench, guide: Guide, request: Sweep, *roles: str) -> Capture:
    """A capture in a stream of its own that nothing speaks against, of these inputs alone; of all where none is named.

    Raises
    ------
    BenchError
        If there is none in three tries.
    """
    troubles: tuple[str, ...] = ()
    request = request if request.is_silence else spaced(request, is_gate=False)
    for _ in range(TRIES):
        with bench.stage(request.stage) as player:
            guide.plays(request)
            capture = next(iter(player.play([request])))
        if roles:
            rows = [capture.inputs.index(role) for role in roles]
            capture = replace(capture, samples=capture.samples[rows], inputs=roles)
        troubles = capture_troubles(capture)
        if not troubles:
            return capture
        guide.say(f"disturbed: {'; '.join(troubles)}")
    raise BenchError(f"no undisturbed capture in {TRIES} tries: {'; '.join(troubles)}")
