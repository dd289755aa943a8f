"""`kitproof design KIT`: what a kit's file models, drawn and in words, and what does not fit in it."""

from datetime import UTC, datetime
from pathlib import Path

import typer

from rig.commands.common import HERE, Workspace
from rig.design.kit import load_kit
from rig.files.disk import why
from rig.files.errors import FAIL, PASS, RecordError
from rig.screen.console import say

#: Under results/; begins with a dot, so that no command takes it for a kit.
FOLDER = ".design"


def design_command(kit: str, workspace: Workspace = HERE) -> None:
    """Draw what a kit's file models: impedance, levels, filters, strain; and say what does not fit in it."""
    loaded = load_kit(workspace, kit)
    from rig.report.design_figures import write_design
    from rig.screen.design_text import design_lines, wrapped
    from rig.study.design_misfits import hints, misfits
    from rig.study.design_view import design_views
    from rig.study.designed import judge_design, masks_of

    views, judged = design_views(loaded), judge_design(loaded)
    masks = masks_of(judged)
    source = f"as {len(loaded.learnt.builds)} builds have taught it" if loaded.learnt else "as kit.toml has it"
    lines = wrapped(f"{loaded.title} ({loaded.name}, revision {loaded.revision}), {source}")
    for view in views:
        lines += design_lines(loaded, view, masks.get(view.names[0], {}))
    wrong, better = misfits(loaded, views, judged), hints(loaded)
    lines += ["", "What does not fit:" if wrong else "Nothing in it speaks against itself."]
    for words in wrong:
        lines += wrapped(words, "- ", "  ")
    for words in better:
        lines += wrapped(words)
    for line in lines:
        say(line)
    stem = workspace / "results" / FOLDER / kit
    try:
        stem.parent.mkdir(parents=True, exist_ok=True)
        paths = write_design(loaded, views, masks, [*wrong, *better], stem, made_at=datetime.now(UTC))
    except OSError as error:
        raise RecordError(f"{stem.parent}: the figures could not be written: {why(error)}") from None
    say(f"figures: {' and '.join(map(str, map(Path, paths)))}")
    raise typer.Exit(FAIL if wrong else PASS)
