"""`kitproof new NAME`: a kit of one's own, asked for at the terminal or taken from a small file."""

import re
from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import typer

from rig.commands.common import HERE, Workspace
from rig.design.demo_kits import copy_page
from rig.files.disk import is_folder_name, why, write_together
from rig.files.errors import RecordError, Stopped, TableError
from rig.screen.console import open_console, say
from rig.study.kit_questions import Question, next_question
from rig.study.new_kit import NewKit, answers_of, answers_text, make_kit

HELP = """Type an answer and Enter. "?" or Enter alone: you do not know, where that is possible. "back": the question
before. Ctrl-C stops; `kitproof new {name}` goes on where you were. Your answers: {path}
"""
BACK, UNKNOWN = "back", "?"


def new_command(
    name: Annotated[str, typer.Argument(help="What the kit is to be called: small letters, digits, -.")],
    file: Annotated[Path | None, typer.Option("--from", help="Take the answers from this file instead.")] = None,
    workspace: Workspace = HERE,
) -> None:
    """Make a kit of your own: asks what you build, writes its kit.toml with limits that follow from the design."""
    folder = workspace / "limits" / name
    if not re.fullmatch(r"[a-z][a-z0-9-]*", name) or not is_folder_name(name):
        allowed = "small letters, digits and -, such as my-kit, and no name of a device, such as con or com1"
        raise TableError(f"the kit's name: found {name!r}; allowed: {allowed}")
    if (folder / "kit.toml").exists():
        raise TableError(f"{folder / 'kit.toml'} is there; allowed: a name that no kit of this workspace has yet")
    is_new_workspace = not (workspace / "limits").is_dir()
    kept = folder.with_suffix(".csv")
    answers = answers_of(file) if file else _asked(name, kept)
    made = make_kit(name, answers, file or kept)
    _write(folder, made, {} if file == kept else {kept: answers_text(answers)})
    if is_new_workspace:
        say(f"a workspace was made in {workspace.resolve()}: limits/ holds your kits, results/ what is measured")
    _show(workspace, name, made)


def _asked(name: str, kept: Path) -> dict[str, str]:
    """Answers typed at the terminal, each kept at once; former ones are taken up again."""
    answers = _former(kept)
    say(HELP.format(name=name, path=kept))
    if answers:
        say(f"{len(answers)} answers are there already.")
    read, former = open_console().input, dict[str, str]()
    while question := next_question(answers):
        say(f"{len(answers) + 1}. {question.words}")
        say(f"   such as {question.example}" + (f"; Enter: {question.unknown}" if question.unknown else ""))
        try:
            _answer(question, answers, former, lambda: read("   > "))
        except (EOFError, OSError, KeyboardInterrupt):
            raise Stopped(f"\nstopped; your answers are kept in {kept}: kitproof new {name} goes on there") from None
        _keep(kept, answers)
    return answers


def _answer(question: Question, answers: dict[str, str], former: dict[str, str], read: Callable[[], str]) -> None:
    """Ask until an answer can be taken, or go one question back; `former` are answers that somebody went back over."""
    before = former.get(question.key, "")
    if before:
        say(f"   it was {before}: Enter leaves it so, {UNKNOWN} takes it away")
    while True:
        text = read().strip() or before
        if text.lower() == BACK:
            if answers:
                former.update([answers.popitem()])
            return
        text = "" if text == UNKNOWN else text
        try:
            if text:
                question.read(text)
            elif not question.unknown:
                raise ValueError("an answer is needed")
        except ValueError as error:
            say(f"   {error}")
            continue
        answers[question.key] = text
        return


def _former(kept: Path) -> dict[str, str]:
    """Answers that were given before, up to the first that is no answer to today's questions."""
    if not kept.is_file():
        return {}
    from rig.study.new_kit import read_answers

    given, answers = read_answers(kept), dict[str, str]()
    while (question := next_question(answers)) and question.key in given:
        text = given[question.key][1]
        try:
            if text:
                question.read(text)
        except ValueError:
            break
        answers[question.key] = text
    return answers


def _keep(kept: Path, answers: dict[str, str]) -> None:
    try:
        kept.parent.mkdir(parents=True, exist_ok=True)
        write_together({kept: answers_text(answers)})
    except OSError as error:
        raise RecordError(f"{kept}: the answers cannot be kept: {why(error)}") from None


def _write(folder: Path, made: NewKit, besides: dict[Path, str]) -> None:
    """Write a kit's files together; kit.toml last, so that a folder with one is whole."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        write_together(besides | {folder / file: text for file, text in made.files.items()})
        copy_page(folder.parent)
    except OSError as error:
        raise RecordError(f"{folder}: the kit could not be written: {why(error)}") from None


def _show(workspace: Path, name: str, made: NewKit) -> None:
    """Say what was made, what is odd about it, and what comes next."""
    from rig.design.plausible import implausible
    from rig.run.verify import job
    from rig.study.design_misfits import misfits
    from rig.study.design_view import design_views
    from rig.study.designed import judge_design

    kit = job(workspace, name).kit
    say(f"\n{kit.folder / 'kit.toml'} is written; open it, every line says why it is there.")
    for words in (*made.odd, *implausible(kit), *misfits(kit, design_views(kit), judge_design(kit))):
        say(f"- {words}")
    say(f"next: kitproof design {name}   draws what the file models")
    say(f"      kitproof verify {name} {kit.serial_example}   measures the first unit")
    say(f"      kitproof learn {name} {kit.serial_example}   when you vouch for it: from then on its drivers count")
