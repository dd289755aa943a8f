"""Checks that a workspace brings: whatever one of them raises is told, and ends nothing but that check."""

from pathlib import Path
from types import SimpleNamespace

import pytest
from simulated_runs import trust_checks

import checks
from rig.design.kit import load_kit
from rig.files.errors import TableError
from rig.files.tables import Table
from rig.run.schedule import plan
from rig.verdict.check import ListedCheck, listed_checks, workspace_checks
from rig.verdict.examine import examine

ROOT = Path(__file__).parents[2]
KIT = load_kit(ROOT, "booth-two")
WHOLE = """
NAME, TITLE, GATE = "own", "A check of the workspace's own", False
from rig.files.tables import Table as Settings
def requests(kit, settings): return [kit.sweep("leads", "left")]
"""


class Unsayable(Exception):
    """An error that fails to say what it is."""

    def __str__(self) -> str:
        raise RuntimeError


def deeper() -> None:
    deeper()


RAISED = [SystemExit(0), RecursionError("too deep"), MemoryError(), GeneratorExit(), BaseException("odd"), Unsayable()]


def own_check(**parts: object) -> ListedCheck:
    module = SimpleNamespace(NAME="own", TITLE="own", GATE=False, requests=lambda kit, settings: [], **parts)
    return ListedCheck("own", module, Table())


def raising(error: BaseException):
    def call(*_: object) -> None:
        raise error

    return call


@pytest.mark.parametrize("error", RAISED, ids=lambda error: type(error).__name__)
def test_whatever_a_check_raises_is_its_void(error: BaseException) -> None:
    result = examine(own_check(read=raising(error)), [], {}, {}, KIT)
    assert result.outcome == "void"
    assert type(error).__name__ in result.reason


def test_a_check_that_never_ends_calling_itself_is_void() -> None:
    result = examine(own_check(read=lambda *_: deeper()), [], {}, {}, KIT)
    assert "RecursionError" in result.reason


def test_readings_that_nothing_can_be_held_against_are_void() -> None:
    result = examine(own_check(read=lambda *_: SimpleNamespace(readings=[3])), [], {}, {}, KIT)
    assert (result.outcome, result.reason[:23]) == ("void", "the check itself failed")


def test_a_person_who_interrupts_a_check_is_heard() -> None:
    with pytest.raises(KeyboardInterrupt):
        examine(own_check(read=raising(KeyboardInterrupt())), [], {}, {}, KIT)


@pytest.mark.parametrize("error", RAISED, ids=lambda error: type(error).__name__)
def test_a_check_that_cannot_say_what_it_needs_is_told_before_anything_sounds(error: BaseException) -> None:
    listed = own_check(read=None)
    listed.check.requests = raising(error)
    with pytest.raises(TableError, match=rf"kit\.toml: checks\.own: .*{type(error).__name__}"):
        plan(KIT, [listed])


@pytest.mark.parametrize("code", ["import sys; sys.exit(0)", "raise BaseException('odd')", "def f(): f()\nf()", "1 +"])
def test_a_file_of_checks_that_ends_on_being_read_is_named(tmp_path: Path, code: str) -> None:
    (tmp_path / "checks").mkdir()
    (tmp_path / "checks" / "own.py").write_text(code + "\n", encoding="utf-8")
    trust_checks(tmp_path)
    with pytest.raises(TableError, match=r"own\.py: \w+"):
        workspace_checks(tmp_path)


def test_a_workspace_check_is_listed_beside_the_others(tmp_path: Path) -> None:
    (tmp_path / "checks").mkdir()
    (tmp_path / "checks" / "own.py").write_text(WHOLE + "def read(captures, settings, kit): ...\n", encoding="utf-8")
    trust_checks(tmp_path)
    own = workspace_checks(tmp_path)
    listed = listed_checks(KIT.model_copy(update={"checks": {"own": {}}, "plans": {}}), [*checks.ALL, *own])
    assert [one.requests(KIT) for one in listed] == [(KIT.sweep("leads", "left"),)]
