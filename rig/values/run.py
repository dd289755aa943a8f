"""One verification of one unit: what happens on the way, as events, and what it comes to."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from rig.files.plain import Number
from rig.values.captures import Capture
from rig.values.findings import Finding
from rig.values.logs import Log, Outlook, Row
from rig.values.names import BenchPart
from rig.values.requests import Programme, Request
from rig.values.verdicts import CheckResult, Outcome


@dataclass(frozen=True)
class StageReached:
    """A new wiring of the bench is due."""

    stage: str
    words: str


@dataclass(frozen=True)
class Asked:
    """The person at the bench was asked to do something."""

    words: str
    #: Whether something is moved for it: what sounds after it comes from another place.
    is_place: bool = True


@dataclass(frozen=True)
class Foretold:
    """What the noise of the room will hide from a sweep that is about to sound."""

    words: str


@dataclass(frozen=True)
class DiskWaits:
    """The folder of the run does not answer, or does so again."""

    words: str


@dataclass(frozen=True)
class Started:
    """A request is sounding."""

    request: Request
    number: int
    of: int
    attempt: int


@dataclass(frozen=True)
class Captured:
    """A capture is complete; troubles are what its own samples say against it."""

    capture: Capture
    troubles: tuple[str, ...]


@dataclass(frozen=True)
class Logged:
    """A programme gave another row of its log."""

    programme: Programme
    row: Row
    outlooks: tuple[Outlook, ...]


@dataclass(frozen=True)
class Judged:
    """A check has all it needs and was read and judged."""

    result: CheckResult


@dataclass(frozen=True)
class Finished:
    """The end of the run."""

    run: "Run"


Event = StageReached | Asked | Foretold | DiskWaits | Started | Captured | Logged | Judged | Finished


@dataclass(frozen=True)
class Timing:
    """Where the time went, in seconds."""

    #: What the bench played: the stimuli with their silences and marks; not the wait for the last echo to come back.
    sound_s: Number
    #: From the first request to the last verdict, without the operator's time.
    cycle_s: Number
    #: Spent by the person at the bench.
    operator_s: Number


@dataclass(frozen=True)
class Run:
    """One verification of one unit."""

    outcome: Outcome
    #: Why the run is void although no check says so; empty when it went through.
    stopped: str
    #: The bench could not do it (exit status 4).
    bench_failed: bool
    results: tuple[CheckResult, ...]
    #: Every capture, repeats too, in the order of playing, with what speaks against each.
    captures: tuple[tuple[Capture, tuple[str, ...]], ...]
    #: The logs of its programmes, with what speaks against each.
    logs: tuple[tuple[Log, tuple[str, ...]], ...]
    timing: Timing
    #: Why it failed, probably; nothing where nothing failed.
    findings: tuple[Finding, ...] = ()
    #: What its quiet sweeps said against the bench, and what to do; empty: nothing.
    bench_advice: str = ""
    #: What was told of the room's noise before the sweeps.
    foretold: tuple[str, ...] = ()
    #: Parts of the bench that its quiet sweeps speak against, and in which words; None: records once did not say.
    bench_doubts: Mapping[BenchPart, str] | None = field(default_factory=dict)
