"""`kitproof rejudge`."""

import typer

from rig.commands.common import HERE, STATUS, OfKit, Workspace, newest
from rig.run.verify import job, judge_again
from rig.screen.console import open_console
from rig.screen.margins import verdict_margins
from rig.screen.record_page import findings_words


def rejudge_command(serial: str, workspace: Workspace = HERE, kit: OfKit = "") -> None:
    """Judge the captures of a unit's newest record by today's limits; nothing is captured, nothing is changed."""
    record = newest(workspace, serial, kit)
    work = job(workspace, record.kit.name, record.plan)
    judged = judge_again(work, record)
    console = open_console()
    console.print(verdict_margins(judged.results, console.width))
    if judged.findings:
        console.print(findings_words(judged.findings))
    for words in filter(None, (record.stopped, record.bench_advice)):
        console.print(words)
    console.print(f"then: {record.outcome}; by today's limits: {judged.outcome}")
    raise typer.Exit(STATUS[judged.outcome])
