"""Findings and rework in words, on screen and certificate; uncertainty and conformity beside a value."""

from dataclasses import replace

import pytest
import run_by_hand as example
from test_certificate import page, text_of
from test_first_page import first_page

from rig.design.decision import Decision
from rig.design.limits import Limit
from rig.files.plain import plain, restored
from rig.report import words
from rig.report.certificate import certificate
from rig.report.findings_text import details, headline, ordinal, percent, rework_words
from rig.screen.record_page import findings_words
from rig.store.run_json import Rework, RunBefore
from rig.values.findings import Finding
from rig.values.readings import CheckReadings, Reading
from rig.values.run import Run
from rig.values.verdicts import Verdict

NAN = float("nan")
COIL = Finding(
    words="left L1 measures 0.1 mH, should be 1 mH",
    part="left L1",
    kind="value",
    probability=0.873,
    value=1e-4,
    value_uncertainty=2.5e-6,
    should_be=1e-3,
    unit="H",
    where_to_look="the print on L1",
    what_to_measure="lift one leg of L1",
    alike=("left L1 is short", "left C2 is open"),
    channel="left",
    what=("L1",),
    alike_causes=(("short", ("L1",)), ("open", ("C2",))),
)
UNKNOWN = Finding("no single fault explains this", "right", "unknown", 0.7, channel="right")


def judged(value: float, uncertainty: float = 0.02) -> Run:
    reading = Reading("Re", "left", value, "ohm", uncertainty)
    return example.run(example.result("impedance", "Impedance", CheckReadings((reading,)), {"Re": Limit(upper=6.0)}))


@pytest.mark.parametrize("where", ["screen", "certificate"])
def test_a_finding_is_told_with_everything_that_helps(where: str) -> None:
    run = replace(judged(9.0), findings=(COIL, UNKNOWN))
    told = str(findings_words(run.findings)) if where == "screen" else text_of(first_page(page(run)))
    assert "What is probably wrong" in told
    assert "left L1 measures 0.1 mH, should be 1 mH (or what looks the same: probability 87 %)" in told
    assert "found: 0.1 mH ± 5 uH (k = 2), should be 1 mH" in told
    assert "look at: the print on L1" in told
    assert "measure: lift one leg of L1" in told
    assert "looks the same: left L1 is short; left C2 is open" in told
    assert "right: no single fault explains this" in told
    assert "70 %" not in told


def test_without_findings_nothing_is_said_of_them() -> None:
    assert not findings_words(())
    assert "probably wrong" not in page(judged(9.0))


def test_a_finding_without_a_number_tells_none() -> None:
    bare = replace(COIL, value=NAN, value_uncertainty=NAN, should_be=NAN, alike=())
    assert [name for name, _ in details(bare)] == ["look at", "measure"]
    assert details(UNKNOWN) == []
    assert headline(UNKNOWN) == "right: no single fault explains this"


@pytest.mark.parametrize(
    ("value", "uncertainty", "should_be", "unit", "expected"),
    [
        (0.82, 0.1, 0.5, "", "0.82 ± 0.2 (k = 2), should be 0.5"),
        (51.26, NAN, 40.0, "Hz", "51.3 Hz, should be 40 Hz"),
        (-6.0, 0.25, NAN, "dB", "-6 dB ± 0.5 dB (k = 2)"),
    ],
)
def test_values_of_other_units(value: float, uncertainty: float, should_be: float, unit: str, expected: str) -> None:
    found = replace(COIL, value=value, value_uncertainty=uncertainty, should_be=should_be, unit=unit)
    assert dict(details(found))["found"] == expected


def test_a_finding_comes_back_from_a_record_as_it_was() -> None:
    assert restored(Finding, plain(COIL)) == COIL
    back = restored(Finding, plain(UNKNOWN))
    assert (back.words, back.kind, back.what) == (UNKNOWN.words, "unknown", ())
    assert back.value != back.value


def test_a_probability_is_never_told_as_certain() -> None:
    assert [percent(p) for p in (1.0, 0.994, 0.051, 0.0001)] == ["above 99 %", "99 %", "5 %", "below 1 %"]


def test_times_are_counted_in_words() -> None:
    assert [ordinal(n) for n in (1, 2, 3, 4, 11, 12, 13, 21, 22, 113)] == [
        *("1st", "2nd", "3rd", "4th", "11th", "12th", "13th", "21st", "22nd", "113th")
    ]


NOTE = Rework("2026-03-04T10:00:00+01:00", "new coil L1", "jig 1", "run-1")


@pytest.mark.parametrize(
    ("value", "before", "expected"),
    [
        (5.5, ("impedance Re left",), "It helped: nothing that failed before fails now."),
        (9.0, ("impedance Re left",), "It did not help: all that failed before still fails."),
        (5.5, ("polarity driver polarity left",), "Whether it helped is not known"),
    ],
)
def test_rework_and_whether_it_helped_stand_on_the_first_page(
    value: float, before: tuple[str, ...], expected: str
) -> None:
    known = {"rework": (NOTE,), "runs_untouched": 1, "before": RunBefore("run-1", "fail", before)}
    told = text_of(first_page(page(judged(value), **known)))
    assert "Done since run run-1: new coil L1, by jig 1." in told
    assert expected in told
    assert "nothing done to it" not in told


@pytest.mark.parametrize(("untouched", "is_told"), [(1, False), (2, False), (3, True)])
def test_many_runs_with_nothing_done_are_told(untouched: int, is_told: bool) -> None:
    told = list(rework_words(judged(5.5), example.record(runs_untouched=untouched)))
    assert told == ["This unit was measured for the 3rd time with nothing done to it."] * is_told


def test_the_probability_of_conformity_is_told_where_it_is_in_doubt() -> None:
    def told(conformity: float) -> str:
        return words.conformity_words(Verdict("Re", "a", "pass", 1, "ohm", 1, NAN, "", "", conformity=conformity))

    assert told(0.9772) == "probability of conformity 97.7 %"
    assert told(1e-9) == "probability of conformity below 0.1 %"
    assert told(0.9995) == told(NAN) == ""
    near, far = text_of(page(judged(5.98))), text_of(page(judged(5.5)))
    # A margin of one standard uncertainty: the normal distribution's Phi(1) = 84.1 %.
    assert "probability of conformity 84.1 %" in near
    assert "probability of conformity 1" not in far
    assert "5.980 ± 0.040 ohm" in near
    assert "(k = 2)" in near


def test_the_decision_rule_of_the_kit_is_stated() -> None:
    simple = text_of(page(judged(5.5)))
    assert simple.count(Decision().words()) == 2
    guarded = Decision(rule="guarded", guard=0.8)
    kit = example.kit().model_copy(update={"decision": guarded})
    told = text_of(certificate(example.record(), judged(5.5), kit))
    assert told.count(guarded.words()) == 2
    assert Decision().words() not in told
