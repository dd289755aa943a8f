"""From captures to verdicts, pure: live runs and archives go the same way."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from rig.check import ListedCheck
from rig.judge import Outcome, Verdict, judge, outcome_of
from rig.kit import Kit
from rig.readings import Capture, CheckReadings, Log, Untrusted
from rig.requests import Request
from rig.signals import integrity, quiet, stimulus
from rig.trust import doubt
from rig.uncertainty import with_repeatability


@dataclass(frozen=True)
class CheckResult:
    """What a check read, and what the limits say of it."""

    name: str
    title: str
    outcome: Outcome
    #: Why it is void as a whole; empty when its verdicts tell.
    reason: str
    read: CheckReadings
    verdicts: tuple[Verdict, ...]


def capture_integrity(capture: Capture) -> integrity.Integrity:
    """What the samples themselves say of a capture: lost samples, clock, clipping, silence.

    The electrical reference is the loopback, or on the leads the drive input; without either the marks must do.
    """
    request = capture.request
    rows = [capture.inputs.index(role) for role in ("loopback", "drive") if capture.has(role)]
    layout = stimulus.layout(request.start_hz, request.stop_hz, request.seconds, capture.sample_rate_hz)
    return integrity.inspect(capture.samples, layout, rows[0] if rows else None, inputs=capture.inputs)


def capture_troubles(capture: Capture) -> tuple[str, ...]:
    """Everything that speaks against a capture: the driver's flags and the samples."""
    flags = tuple(f"the sound driver reported: {flag}" for flag in capture.flags)
    if capture.request.is_silence:
        return flags + quiet.silence_troubles(capture.samples, capture.inputs)
    return flags + capture_integrity(capture).troubles


def void(listed: ListedCheck, reason: str) -> CheckResult:
    """The result of a check of which nothing is proved."""
    return CheckResult(listed.name, listed.check.TITLE, "void", reason, CheckReadings(), ())


def examine(
    listed: ListedCheck,
    needed: Sequence[Request],
    captures: Mapping[Request, Capture | Log],
    troubles: dict[Request, tuple[str, ...]],
    kit: Kit,
    partial: bool = False,
) -> CheckResult:
    """Read one check and judge it; `partial` when `needed` is only a part of what the check asks for.

    `captures` holds the last attempt at each request, `troubles` what speaks against it. A missing or disturbed
    capture makes the check void before anything is read.
    """
    for request in needed:
        if request not in captures:
            return void(listed, f"not measured: {request}")
        if troubles[request]:
            return void(listed, f"{request}: {'; '.join(troubles[request])}")
    for request in needed:
        capture = captures[request]
        doubtful = doubt(listed.check.NAME, capture.calibration.doubts) if isinstance(capture, Capture) else ""
        if doubtful:
            return void(listed, doubtful)
    limits = kit.limits.get(listed.name, {})
    try:
        read = listed.read([captures[request] for request in needed], kit)
        read = with_repeatability(read, kit.repeatability.get(listed.name, {}))
    except Untrusted as error:
        return void(listed, str(error))
    except Exception as error:
        # A mistake in a check (a workspace may bring its own) proves nothing about the unit and loses no run.
        return void(listed, f"the check itself failed: {type(error).__name__}: {error}")
    found = (captures[request] for request in needed)
    bench = next((capture.calibration.bench for capture in found if isinstance(capture, Capture)), "")
    verdicts = tuple(judge(read, limits, kit.folder, listed.name, bench, partial, kit.decision))
    outcome = outcome_of([verdict.outcome for verdict in verdicts])
    reason = "" if verdicts else "the kit sets no limit for this check, so it proves nothing"
    return CheckResult(listed.name, listed.check.TITLE, outcome, reason, read, verdicts)
