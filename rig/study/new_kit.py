"""A kit made of a builder's answers: the files of its folder, and what its own model finds odd about it."""

import csv
import io
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from rig.design.kit import Kit
from rig.files.errors import TableError
from rig.files.tables import checked, near, read_settings
from rig.study.design_limits import checks_and_limits, loudest_bands, playing_v
from rig.study.kit_draft import kit_text
from rig.study.kit_questions import Answers, Question, answered, next_question
from rig.study.typed_answers import HZ, Number

#: Stands in for checks and limits until the model can tell them.
WITHOUT_LIMITS = "[checks]\nleads = {}\n[limits.leads]\n"
COLUMNS = ("question", "answer", "what is asked")


@dataclass(frozen=True)
class NewKit:
    """What is to be written beside each other, by name; kit.toml among it."""

    files: Mapping[str, str]
    odd: tuple[str, ...]


def make_kit(name: str, answers: Answers, path: Path) -> NewKit:
    """The files of a kit.

    Raises
    ------
    TableError
        If answers do not fit each other; `path` is the file of answers.
    """

    def built(text: str) -> Kit:
        return checked(Kit, tomllib.loads(text + "\n" + WITHOUT_LIMITS), path)

    bands, odd = loudest_bands(built(kit_text(name, answers, {})))
    kit = built(kit_text(name, answers, bands))
    levels = f"[levels]\nplaying_v = {playing_v(kit):g}  # about 85 dB at the microphone"
    text = kit_text(name, answers, bands, levels)
    hand_over_hz = answered(answers, "bass box low-pass", Number(HZ, 30, 500, "Hz"))
    judged = checks_and_limits(built(text), hand_over_hz)
    whole = f"{text}\n{judged.text}"
    checked(Kit, tomllib.loads(whole), path)
    return NewKit({**judged.masks, "kit.toml": whole}, tuple(odd))


def answers_text(answers: Answers) -> str:
    """The file of answers: a table for a spreadsheet, the questions beside them."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    asked: dict[str, str] = {}
    for key, text in answers.items():
        question = next_question(asked)
        words = question.words if question and question.key == key else ""
        writer.writerow([key, text, words])
        asked[key] = text
    return out.getvalue()


def read_answers(path: Path) -> dict[str, tuple[int, str]]:
    """A file of answers: question -> line and answer, as they stand; commas, semicolons or tabs between them.

    Raises
    ------
    TableError
        If it or one of its lines cannot be read, or one question stands there twice.
    """
    lines = read_settings(path).splitlines()
    head = next((line for line in lines if line.strip() and not line.startswith("#")), "")
    separator = max(",;\t", key=head.count)
    found: dict[str, tuple[int, str]] = {}
    for n, line in enumerate(lines, 1):
        try:
            cells = [cell.strip() for cell in next(csv.reader([line], delimiter=separator, skipinitialspace=True), [])]
        except csv.Error as error:
            raise TableError(
                f"{path}: line {n}: found {line[:40]!r} ...; allowed: question, answer ({error})"
            ) from None
        if not cells or not cells[0] or cells[0].startswith("#") or cells[0].lower() in ("question", "key"):
            continue
        key = " ".join(cells[0].lower().split())
        if key in found:
            raise TableError(f"{path}: line {n}: {key!r} stands in line {found[key][0]} already; allowed: once")
        found[key] = n, cells[1] if len(cells) > 1 else ""
    return found


def answers_of(path: Path) -> dict[str, str]:
    """The answers of a file, each read.

    Raises
    ------
    TableError
        With a line for each that is wrong, missing, or no question.
    """
    given = read_answers(path)
    answers: dict[str, str] = {}
    wrong: list[str] = []
    while question := next_question(answers):
        line, text = given.get(question.key, (0, ""))
        problem = _problem(question, text)
        if problem:
            place = f"line {line}, {question.key}" if line else question.key
            wrong.append(f"{path}: {place}: {problem}. {question.words}; for example {question.example}")
        # What follows is looked at as if this one were answered.
        answers[question.key] = text if not problem else question.example.split(", or")[0]
    for key, (line, _) in given.items():
        if key not in answers:
            wrong.append(f"{path}: line {line}: {key!r} is not asked{near(key, answers)}")
    if wrong:
        raise TableError("\n".join(wrong))
    return answers


def _problem(question: Question, text: str) -> str:
    """Why an answer cannot be taken; empty: it can."""
    if not text:
        return "" if question.unknown else "an answer is needed"
    try:
        question.read(text)
    except ValueError as error:
        return str(error)
    return ""
