"""`kitproof new`: asked at the terminal, mistaken, gone back, stopped and taken up again; nothing is overwritten."""

from pathlib import Path

import pytest
from builders import FULL_RANGE, MONO_TWO_WAY
from rich.console import Console
from test_cli import kitproof

from rig.study.new_kit import answers_of, read_answers

STOP = "ctrl-c"


@pytest.fixture
def at(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    return tmp_path


def typing(monkeypatch, *texts):
    left = list(texts)

    def answer(console, prompt=""):
        text = left.pop(0) if left else STOP
        if text == STOP:
            raise KeyboardInterrupt
        return text

    monkeypatch.setattr(Console, "input", answer)
    return left


def in_order(answers, without=()):
    """What somebody types who knows these answers, and Enter for the rest."""
    from rig.study.kit_questions import next_question

    given, typed = {}, []
    while question := next_question(given):
        given[question.key] = answers.get(question.key, "")
        typed.append(given[question.key])
    return typed


def test_typed_answers_make_a_kit_in_a_workspace_of_its_own(at, monkeypatch, capsys):
    typed = in_order(FULL_RANGE)
    # In every place something else first, then what is right.
    mistyped = [text for right in typed for text in ("hundred!", right)]
    left = typing(monkeypatch, *mistyped)
    assert kitproof(monkeypatch, "new", "my-kit") == 0
    assert left == []
    said = capsys.readouterr().out
    assert f"a workspace was made in {at}" in said
    assert "found 'hundred!'; possible: 1 one, 2 pair" in said
    assert sorted(path.name for path in (at / "limits").iterdir()) == ["README.md", "my-kit", "my-kit.csv"]
    assert {k: v for k, v in answers_of(at / "limits" / "my-kit.csv").items() if v} == FULL_RANGE
    before = {path: path.read_bytes() for path in at.rglob("*") if path.is_file()}
    assert kitproof(monkeypatch, "new", "my-kit") == 3
    assert "is there; allowed: a name that no kit of this workspace has yet" in capsys.readouterr().err
    assert {path: path.read_bytes() for path in at.rglob("*") if path.is_file()} == before
    assert kitproof(monkeypatch, "kits", "my-kit") == 0
    assert "warning" not in capsys.readouterr().out


def test_a_stop_keeps_all_answers_and_back_keeps_what_was_typed(at, monkeypatch, capsys):
    typing(monkeypatch, "1", "2", "5.6", "130", "back", STOP)
    assert kitproof(monkeypatch, "new", "my-kit") == 2
    kept = read_answers(Path("limits/my-kit.csv"))
    assert {key: text for key, (_, text) in kept.items()} == {"boxes": "1", "drivers": "2", "woofer ohm": "5.6"}
    capsys.readouterr()
    # The size again, then back over it and over the resistance: Enter leaves the one and takes the other as it was.
    typing(monkeypatch, "130", "back", "back", "5.8", "", "47", STOP)
    assert kitproof(monkeypatch, "new", "my-kit") == 2
    said = capsys.readouterr().out
    assert "3 answers are there already" in said
    assert "it was 130: Enter leaves it so" in said
    kept = read_answers(Path("limits/my-kit.csv"))
    assert [text for _, text in kept.values()] == ["1", "2", "5.8", "130", "47"]


def test_a_file_that_is_wrong_makes_nothing(at, monkeypatch, capsys):
    Path("mine.csv").write_text("question,answer\nboxes,7\n", encoding="utf-8")
    assert kitproof(monkeypatch, "new", "my-kit", "--from", "mine.csv") == 3
    assert "mine.csv: line 2, boxes: found '7'" in capsys.readouterr().err
    assert not Path("limits").exists()
    assert kitproof(monkeypatch, "new", "My Kit", "--from", "mine.csv") == 3
    assert "found 'My Kit'; allowed: small letters" in capsys.readouterr().err


def test_a_first_good_unit_passes_and_one_off_its_sheets_waits(at, monkeypatch, capsys):
    Path("mine.csv").write_text("\n".join(f'{k};"{v}"' for k, v in MONO_TWO_WAY.items()), encoding="utf-8")
    assert kitproof(monkeypatch, "new", "my-kit", "--from", "mine.csv") == 0
    assert kitproof(monkeypatch, "verify", "my-kit", "MK-0001", "--yes") == 0
    capsys.readouterr()
    # Its woofer's resonance lies 15 % higher than the sheet says, with the same cone.
    others = {**MONO_TWO_WAY, "woofer fs": "54", "woofer qts": "0.42"}
    Path("others.csv").write_text("\n".join(f'{k};"{v}"' for k, v in others.items()), encoding="utf-8")
    assert kitproof(monkeypatch, "new", "others", "--from", "others.csv") == 0
    from rig.design.kit import load_kit
    from rig.simulated import bench

    real, other = bench.unit_of, load_kit(at, "others")
    monkeypatch.setattr(bench, "unit_of", lambda kit, serial: real(other, serial))
    assert kitproof(monkeypatch, "verify", "my-kit", "MK-0002", "--yes") == 2
    said = " ".join(capsys.readouterr().out.split())
    assert "drivers may be so far off their data sheets" in said
