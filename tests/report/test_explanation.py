"""What a finding expects, drawn over what was measured; the command that does it."""

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import run_by_hand as example
from simulated_runs import ROOT, verified
from typer.testing import CliRunner

from rig import cli
from rig.circuit.channel import find_part, impedance_ohm, with_part
from rig.commands.explain import curves_of, newest_failed, panels_of
from rig.files.errors import RecordError
from rig.findings.curves import amount_of, curves_under, hypothesis_of
from rig.findings.dictionary import LOUD_NEIGHBOUR, Cause, Hypothesis
from rig.findings.prediction import scene_of
from rig.findings.ranking import dictionary
from rig.findings.sentences import describe
from rig.report.explanation import draw_explanation
from rig.store import records
from rig.store.homes import now
from rig.store.run_json import About
from rig.values.findings import Finding
from rig.values.readings import Curve

NAN = float("nan")
KIT = example.kit()


def curves() -> list[Curve]:
    return [example.impedance_curve("left"), example.level_curve("left", quantity="free-field level")]


def finding(kind: str, *what: str, **numbers: float) -> Finding:
    return Finding("words", "part", kind, 0.9, channel="left", what=what, **numbers)


def test_a_wrong_value_is_drawn_with_the_value_that_was_found() -> None:
    model = KIT.model("left")
    should_be = float(find_part(model, "L1").value)
    impedance, level = curves_under(KIT, curves(), finding("value", "L1", value=0.3 * should_be, should_be=should_be))
    faulty = with_part(model, "L1", value=0.3 * should_be)
    assert impedance.expected is not None
    np.testing.assert_allclose(impedance.expected, np.abs(impedance_ohm(faulty, example.GRID_HZ)).reshape(-1))
    assert level.expected is not None
    # A smaller coil lets more through above the crossover, and next to nothing changes in the bass.
    assert level.measured.design is not None
    change = level.expected - level.measured.design
    assert np.abs(change[example.GRID_HZ < 60]).max() < 0.3
    assert np.abs(change).max() > 3


def test_a_gain_moves_the_level_alone() -> None:
    impedance, level = curves_under(KIT, curves(), finding("gain", value=-6.0, should_be=0.0))
    assert impedance.expected is not None
    np.testing.assert_allclose(impedance.expected, np.abs(impedance_ohm(KIT.model("left"), example.GRID_HZ)).ravel())
    assert level.expected is not None
    np.testing.assert_allclose(level.expected, level.measured.design - 6.0)


def test_two_faults_at_once_are_one_curve(tmp_path: Path) -> None:
    should_be = float(find_part(KIT.model("left"), "L1").value)
    value = finding("value", "L1", value=0.3 * should_be, should_be=should_be)
    pair = [replace(one, one_of_two=True) for one in (value, finding("gain", value=-6.0, should_be=0.0))]
    panels = panels_of(KIT, curves(), pair)
    assert [len(panel) for panel in panels] == [1, 1]
    ((_, alone), ((level,), *_)) = curves_under(KIT, curves(), value), panels[1:]
    assert alone.expected is not None
    assert level.expected is not None
    np.testing.assert_allclose(level.expected, alone.expected - 6.0)
    drawn = draw_explanation(panels, "two", tmp_path / "two.svg").read_text(encoding="utf-8")
    assert "and: words" in drawn


def test_a_channel_that_is_reversed_as_a_whole_names_no_part_behind_it() -> None:
    said = describe(Cause("reversed", "left", ()), KIT.model("left"), 1.0, NAN)
    assert said.where_to_look.startswith("red and black leads of left, at ")


def test_what_the_model_does_not_hold_is_drawn_without_an_expectation() -> None:
    assert [under.expected for under in curves_under(KIT, curves(), finding("unknown"))] == [None, None]
    assert curves_under(KIT, [example.impedance_curve("right")], finding("unknown")) == ()


@pytest.mark.parametrize(
    "hypothesis",
    {h.cause.kind: h for h in dictionary(scene_of(KIT, "left")) if h.cause.kind != LOUD_NEIGHBOUR}.values(),
    ids=lambda h: h.cause.kind,
)
def test_every_kind_comes_back_from_its_words_with_its_amount(hypothesis: Hypothesis) -> None:
    scene = scene_of(KIT, "left")
    said = describe(hypothesis.cause, scene.model, hypothesis.amount, 0.1)
    cause = hypothesis.cause
    back = Finding(
        said.words, said.part, cause.kind, 1.0, said.value, NAN, said.should_be, channel="left", what=cause.what
    )
    assert amount_of(hypothesis, back) == pytest.approx(hypothesis.amount)
    found = hypothesis_of(scene, back)
    assert found is not None
    assert found.cause == Cause(cause.kind, "left", cause.what)
    assert found.amount == pytest.approx(hypothesis.amount)


def test_explain_prints_the_findings_and_draws_them(tmp_path: Path) -> None:
    shutil.copytree(ROOT / "limits", tmp_path / "limits")
    runner = CliRunner()
    with pytest.raises(RecordError, match="it has no record"):
        newest_failed(tmp_path, "BT-0003")
    _, record = verified(tmp_path, "booth-two", "BT-0003", ["tenth:right:L1"])
    found = record.findings
    (panel,) = panels_of(KIT, curves_of(newest_failed(tmp_path, "BT-0003")), found)
    measured, expected = panel[0].measured, panel[0].expected
    assert expected is not None
    assert measured.design is not None
    # Under the finding the curve is explained; under the design it is not.
    assert np.median(np.abs(np.log(measured.value / expected))) < 0.03
    assert np.max(np.abs(np.log(measured.value / measured.design))) > 0.5

    done = runner.invoke(cli.app, ["explain", "BT-0003", "--workspace", str(tmp_path)])
    assert done.exit_code == 0, done.output
    assert "What is probably wrong" in done.output
    assert "What is probably wrong" in runner.invoke(cli.app, ["show", "BT-0003", "--workspace", str(tmp_path)]).output
    (figure,) = (tmp_path / "results" / ".explain").glob("*.svg")
    assert figure.name == f"BT-0003-{record.run}.svg"
    assert str(figure) in done.output
    drawn = figure.read_text(encoding="utf-8")
    assert all(words in drawn for words in ("measured", "design", "expected if: right L1 measures"))


def test_a_unit_that_never_failed_is_not_explained(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    good, about = example.run(example.response()), About(started_at=now())
    assert good.outcome == "pass"
    records.save(records.reserve(tmp_path, KIT, "BT-0001"), KIT, "BT-0001", good, about)
    with pytest.raises(RecordError, match="none of its 1 runs failed"):
        newest_failed(tmp_path, "BT-0001")
    monkeypatch.setattr("sys.argv", ["kitproof", "explain", "BT-0001", "--workspace", str(tmp_path)])
    with pytest.raises(SystemExit) as leaving:
        cli.main()
    assert leaving.value.code == 3
    assert "nothing to explain of 'BT-0001'" in capsys.readouterr().err


def test_a_level_is_drawn_too(tmp_path: Path) -> None:
    panels = [[under] for under in curves_under(KIT, curves(), finding("silent"))]
    path = draw_explanation(panels, "title", tmp_path / "figure.svg")
    drawn = path.read_text(encoding="utf-8")
    assert "free-field level, left" in drawn
    assert drawn.count("expected if: words (probability 90 %)") == 2
