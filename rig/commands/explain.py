"""`kitproof explain SERIAL`: what is probably wrong with a unit, in words and as a figure of its curves."""

from collections.abc import Sequence
from pathlib import Path

from rig.commands.common import HERE, OfOneKit, Workspace
from rig.design.kit import Kit, kit_sha256, load_kit
from rig.files.errors import RecordError
from rig.findings.curves import OF_THE_MODEL, ExplainedCurve, curves_under
from rig.screen.console import say
from rig.store import records
from rig.store.recorded import read_curve
from rig.store.run_json import Record
from rig.values.findings import Finding
from rig.values.readings import Curve

#: Under results/; begins with a dot, so that no command takes it for a kit.
FOLDER = ".explain"


def explain_command(
    serial: str,
    workspace: Workspace = HERE,
    kit: OfOneKit = "",
) -> None:
    """Show the findings of a unit's newest failed run, and draw its curves with what each finding expects."""
    record = newest_failed(workspace, serial, kit)
    loaded = load_kit(workspace, record.kit.name)
    findings = record.findings
    from rig.report.explanation import draw_explanation
    from rig.screen.terminal import show_findings

    say(f"{serial}, run {record.run}: {record.outcome}")
    if kit_sha256(loaded) != record.kit.sha256:
        say("The kit has changed since this run: design and expected curves are drawn by today's.")
    if not findings:
        say("No finding: nothing is probable enough to be named.")
        return
    show_findings(findings)
    panels = panels_of(loaded, curves_of(record), findings)
    if not panels:
        say("No figure: this run measured neither impedance nor free-field level of what is wrong.")
        return
    path = workspace / "results" / FOLDER / f"{serial}-{record.run}.svg"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        draw_explanation(panels, f"{loaded.title}, {serial}, run {record.run}", path)
    except OSError as error:
        raise RecordError(f"{path}: could not be written: {error.strerror or error}") from None
    say(f"figure: {path}")


def newest_failed(workspace: Path, serial: str, kit: str = "") -> Record:
    """The newest record of a unit that failed.

    Raises
    ------
    RecordError
        If there is none, or several kits have this serial; or one that may be it cannot be read.
    """
    for record in records.newest_first(workspace, serial, kit):
        if record.outcome == "fail":
            return record
    runs = len(records.unit_records(workspace, serial, kit))
    there = f"none of its {runs} runs failed" if runs else "it has no record"
    raise RecordError(f"{workspace / 'results'}: nothing to explain of {serial!r}: {there}")


def curves_of(record: Record) -> list[Curve]:
    """Impedances and free-field levels of a record, in its order.

    Raises
    ------
    RecordError
        If a curve is missing or was changed after the run.
    """
    entries = (entry for result in record.results for entry in result.curves)
    return [read_curve(record, entry) for entry in entries if entry.quantity in OF_THE_MODEL]


def panels_of(kit: Kit, curves: Sequence[Curve], findings: Sequence[Finding]) -> list[list[ExplainedCurve]]:
    """One entry a curve: it under each finding of its channel, in the order of the findings."""
    panels: dict[tuple[str, str], list[ExplainedCurve]] = {}
    pairs = {f.channel: [one for one in findings if one.one_of_two and one.channel == f.channel] for f in findings}
    for finding in findings:
        besides = next((one for one in pairs[finding.channel] if finding.one_of_two and one is not finding), None)
        # Both of two faults at once are one curve: it is drawn with the first of them.
        is_drawn_already = finding.one_of_two and pairs[finding.channel][0] is not finding
        # What a soak did does not show in the curves from before it.
        is_shown = finding.channel in {channel.name for channel in kit.channels} and not finding.since_soak
        if is_shown and not is_drawn_already:
            for under in curves_under(kit, curves, finding, besides):
                panels.setdefault((under.measured.subject, under.measured.quantity), []).append(under)
    return list(panels.values())
