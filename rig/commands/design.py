"""`kitproof design KIT`: what a kit's file models, drawn and in words, and what does not fit in it."""

import typer

from rig.commands.common import HERE, Workspace
from rig.design.kit import load_kit
from rig.files.errors import FAIL, PASS
from rig.screen.console import say


def design_command(kit: str, workspace: Workspace = HERE) -> None:
    """Draw what a kit's file models: impedance, levels, filters, strain; and say what does not fit in it."""
    loaded = load_kit(workspace, kit)
    from rig.screen.design_text import design_lines, wrapped
    from rig.study.design_misfits import hints, misfits
    from rig.study.design_view import design_views
    from rig.study.designed import judge_design

    views, judged = design_views(loaded), judge_design(loaded)
    source = f"as {len(loaded.learnt.builds)} builds have taught it" if loaded.learnt else "as kit.toml has it"
    for line in wrapped(f"{loaded.title} ({loaded.name}, revision {loaded.revision}), {source}"):
        say(line)
    for view in views:
        masks = {v.quantity: v.mask for _, _, v in judged if v.subject == view.names[0] and v.mask is not None}
        for line in design_lines(loaded, view, masks):
            say(line)
    wrong = misfits(loaded, views, judged)
    say("")
    say("What does not fit:" if wrong else "Nothing in it speaks against itself.")
    for words in wrong:
        for line in wrapped(words, "- ", "  "):
            say(line)
    for words in hints(loaded):
        for line in wrapped(words):
            say(line)
    raise typer.Exit(FAIL if wrong else PASS)
