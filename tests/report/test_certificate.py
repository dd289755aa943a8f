"""The certificate says everything that was judged, everything that was not, and needs nothing from outside."""

import re
from dataclasses import replace
from html import unescape
from html.parser import HTMLParser
from typing import Any

import numpy as np
import pytest
import run_by_hand as example

from rig.design.limits import Limit
from rig.report import words
from rig.report.certificate import certificate, css_text
from rig.report.unproved import untrusted_ranges
from rig.values.captures import KnownLoad
from rig.values.readings import CheckReadings, Reading
from rig.values.run import Run
from rig.values.verdicts import CheckResult, Mask, Verdict

NAN = float("nan")
HOSTILE = "<script>alert('x')</script> \"&\\ }</style> $\\frac$"


def page(run: Run, **changes: object) -> str:
    return certificate(example.record(**changes), run, example.kit())


def text_of(html: str) -> str:
    """What a reader sees: no style, no tags."""
    without_style = re.sub(r"<style>.*?</style>", "", html, flags=re.DOTALL)
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]*>", " ", without_style)))


class Balance(HTMLParser):
    """Notes elements that are closed in the wrong order, and every element's name."""

    EMPTY = {"meta", "path", "circle", "rect"}

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.names: set[str] = set()
        self.wrong: list[str] = []

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self.names.add(tag)
        if tag not in self.EMPTY:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: object) -> None:
        self.names.add(tag)

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.wrong.append(tag)


@pytest.fixture(scope="module")
def failed() -> str:
    return page(example.run(example.impedance(), example.response(3.4), example.polarity()))


def void_result(reason: str) -> CheckResult:
    return CheckResult("ping", "The intended box plays, at a plausible level", "void", reason, CheckReadings(), ())


def test_every_judged_reading_stands_with_its_verdict(failed: str) -> None:
    rows = re.findall(r"<tr>.*?</tr>", failed, flags=re.DOTALL)
    run = example.run(example.impedance(), example.response(3.4), example.polarity())
    for result in run.results:
        for verdict in result.verdicts:
            own = [
                row
                for row in rows
                if f'>{verdict.quantity}</td><td class="name">{verdict.subject}</td>' in row
                and words.VERDICT_WORDS[verdict.outcome] in text_of(row)
            ]
            assert len(own) == 1, (verdict.quantity, verdict.subject)
            assert words.value_words(verdict) in text_of(own[0])
            assert words.margin_words(verdict) in text_of(own[0])


def test_unjudged_readings_stand_apart(failed: str) -> None:
    after = text_of(failed).split("Also read, not judged")[1]
    assert "Qts left woofer 0.3710 ± 0.0080" in after


def test_failures_are_told_in_words(failed: str) -> None:
    told = text_of(failed)
    assert "level right: 1.8 dB too low at 3.24 kHz" in told
    assert "driver polarity left tweeter: reversed" in told


@pytest.mark.parametrize(
    ("results", "word", "sentence"),
    [
        ((example.impedance(),), "PASS", "judged readings of unit BT-0007 lie within the limits"),
        (
            (example.impedance(), example.polarity()),
            "FAIL",
            "outside the limits of its kit: 1 of 6. 1 more could not be judged.",
        ),
        ((example.impedance(), void_result("the amplifier is off")), "VOID", "Nothing is proved"),
    ],
)
def test_the_big_verdict_has_word_shape_and_sentence(
    results: tuple[CheckResult, ...], word: str, sentence: str
) -> None:
    html = page(example.run(*results))
    big = html.split('<div class="verdict ')[1].split("<h2>")[0]
    assert f'<div class="word">{word}</div>' in big
    assert f'aria-label="{word}"' in big
    assert sentence in text_of(big)


def test_the_three_shapes_differ() -> None:
    html = page(example.run(example.impedance()))
    legend = html.split('<p class="small">')[1].split("</p>")[0]
    shapes = re.findall(r"<svg.*?>(.*?)</svg>", legend, flags=re.DOTALL)
    assert len(set(shapes)) == 3


def test_void_reasons_stand_at_the_verdict_and_in_the_list_of_what_was_not_checked() -> None:
    html = page(example.run(void_result("the amplifier is off"), example.polarity()))
    missing = text_of(html).split("What was not checked")[1].split("Conditions")[0]
    assert "the amplifier is off" in missing
    assert "14 dB too quiet in its band" in missing
    others = [name for name in example.kit().checks if name not in ("ping", "polarity")]
    assert f"{'; '.join(others)} listed by the kit, but no part of this run" in missing
    assert text_of(html).count("the amplifier is off") >= 2


def test_frequencies_that_were_not_judged_are_named(failed: str) -> None:
    missing = text_of(failed).split("Frequencies that were not judged")[1].split("Conditions")[0]
    assert "the limits run from 60 Hz to 16 kHz" in missing
    assert "could not be trusted: 20 Hz to 49 Hz" in missing


def test_ranges_of_doubt_name_both_ends_and_single_points() -> None:
    valid = np.ones(240, bool)
    valid[[0, 1, 2, 100, 239]] = False
    at = [f"{value:.3g}" for value in example.GRID_HZ]
    told = untrusted_ranges(example.level_curve("left", valid=valid))
    assert told == [f"{at[0]} Hz to {at[2]} Hz", f"at {at[100]} Hz", "at 20 kHz"]


def test_a_run_that_stopped_early_without_captures() -> None:
    run = example.run(void_result("not done: stopped by the person at the bench"), stopped="stopped by the person")
    told = text_of(page(run))
    assert "because: stopped by the person" in told
    assert "none: nothing was played" in told
    assert "20 s of sound; the run took 23 s" in told


def test_a_failed_run_that_ended_early_tells_why_once() -> None:
    why = "stopped before full level: a short"
    told = text_of(page(example.run(example.polarity(), void_result(f"not done: {why}"), stopped=why)))
    assert f"The run ended early: {why}" in told
    assert "The intended box plays, at a plausible level VOID not done: the run ended early" in told
    assert f"The rest of the run; The intended box plays, at a plausible level {why}" in told.replace("leads; ", "")


def test_a_run_without_any_check() -> None:
    told = text_of(page(example.run(stopped="the sound card is gone")))
    assert "No check was made." in told
    assert "VOID" in told


def test_margins_that_are_not_numbers_are_dashes() -> None:
    verdict = Verdict("Re", "left", "void", NAN, "ohm", NAN, NAN, "at most 6 ohm", "the clip fell off")
    html = page(example.run(CheckResult("impedance", "Impedance", "void", "", CheckReadings(), (verdict,))))
    assert "nan" not in text_of(html).lower().split()
    assert "the clip fell off" in html


def test_hostile_text_stays_text() -> None:
    read = CheckReadings(
        (Reading("Re", HOSTILE, 5.5, "ohm", trouble=HOSTILE),),
        (example.level_curve(HOSTILE, method=HOSTILE),),
        remarks=(HOSTILE,),
    )
    limits = {"level": Limit(around="design", within=[[60, 16000, 3, 3]])}
    result = replace(example.result("x", HOSTILE, read, limits), reason=HOSTILE)
    captures = ((example.capture(), (HOSTILE,)),)
    html = page(
        example.run(result, stopped=HOSTILE, captures=captures),
        serial=HOSTILE,
        by=HOSTILE,
        bench={HOSTILE: HOSTILE},
    )
    assert "<script" not in html
    assert html.count("</style>") == 1
    parser = Balance()
    parser.feed(html)
    assert not parser.wrong
    assert not parser.open
    assert "script" not in parser.names
    assert HOSTILE in unescape(html)


def test_text_in_the_style_sheet_cannot_leave_its_string() -> None:
    assert css_text('a"}</style>') == "a\\22 \\7d \\3c \\2f style\\3e "


def test_the_page_is_well_formed_and_needs_nothing_from_outside(failed: str) -> None:
    parser = Balance()
    parser.feed(failed)
    assert not parser.wrong
    assert not parser.open
    assert parser.names.isdisjoint({"script", "link", "img", "iframe", "object", "image"})
    assert "http" not in failed
    assert "src=" not in failed
    assert "@import" not in failed
    assert set(re.findall(r"url\((.*?)\)", failed)) == {"#outside"}
    assert len(re.findall(r'\bid="', failed)) == 1


def test_serial_run_and_end(failed: str) -> None:
    told = text_of(failed)
    assert "run 3 of this serial: 2026-03-04T101500Z-ab12; previous run 2026-03-03T150000Z-cd34" in told
    assert "2026-03-04 11:14:10 UTC+0100" in told
    assert told.rstrip().endswith("End of the report of serial BT-0007, run 3 (2026-03-04T101500Z-ab12).")
    assert failed.count('<span class="own">BT-0007, run 3</span>') == failed.count("<h2>")
    assert '@bottom-left { content: "BT\\2d 0007, run 3' in failed


def test_a_first_run_names_no_previous() -> None:
    told = text_of(page(example.run(example.impedance()), previous=None, run_number=1))
    assert "the first of this serial" in told


def test_a_simulated_bench_is_called_so() -> None:
    run = example.run(example.impedance())
    assert "says nothing about any real unit" in text_of(page(run, bench={"kind": "simulated"}))
    assert "says nothing about any real unit" not in text_of(page(run))


def test_disturbed_captures_and_their_repeats() -> None:
    captures = ((example.capture(), ("12 samples were lost",)), (example.capture(2), ()))
    told = text_of(page(example.run(example.impedance(), captures=captures)))
    assert f"{example.capture().request}, attempt 1 12 samples were lost" in told
    assert "Played again" not in told
    assert "2, of these 1 repeated after a disturbance" in told
    assert "0.5 m in front of the box" in told
    assert "20 s of sound; the run took 23 s (1.2 times the sound); 51 s more for the person at the bench" in told


def test_calibrations_are_told_once_each() -> None:
    load = KnownLoad(np.array([20.0, 2e4]), np.ones(2, complex), 8.2, "2026-03-01T09:00:00+01:00")
    known: dict[str, Any] = {"microphone_v_per_pa": 0.0125, "microphone_sign": 1, "sense_ohm": 10.0, "known_load": load}
    captures = tuple((example.capture(**known), ()) for _ in range(3))
    told = text_of(page(example.run(example.impedance(), captures=captures)))
    assert told.count("12.5 mV/Pa") == 1
    assert "10 ohm in the return lead" in told
    assert "8.2 ohm, 2026-03-01 09:00:00 UTC+0100" in told
    assert "positive voltage for a rise of pressure" in told


def test_only_words_that_occur_are_explained(failed: str) -> None:
    explained = failed.split("Words</h2>")[1]
    assert "<th>Qts</th>" in explained
    assert "<th>octave</th>" in explained
    assert "<th>ping level</th>" not in explained


@pytest.mark.parametrize(
    ("value", "uncertainty", "expected"),
    [
        (86.314, NAN, "86.3"),
        (0.0, NAN, "0"),
        (-1.0, NAN, "−1.00"),
        (1234.5, NAN, "1234"),
        (5.6123, 0.0114, "5.612"),
        (47.3, 15.0, "47"),
        (-0.00000012, NAN, "−1e−07"),
        (NAN, NAN, "–"),
        (float("inf"), NAN, "–"),
    ],
)
def test_numbers(value: float, uncertainty: float, expected: str) -> None:
    assert words.number(value, uncertainty) == expected


@pytest.mark.parametrize(
    ("value", "uncertainty", "expected"),
    [
        (6.08863, 0.00021, "6.089 ohm"),
        (6.08863, 0.0061, "6.089 ± 0.012 ohm"),
        (12345.6, 5.0, "12350 ohm"),
        (12345.6, 200.0, "12350 ± 400 ohm"),
        (49.97, 0.2, "49.97 ± 0.40 ohm"),
        (120.0, 15.0, "120 ± 30 ohm"),
        (0.01, 5.0, "0.01 ± 10.00 ohm"),
        (0.00001, 0.000002, "1e−05 ± 4e−06 ohm"),
        (6.1, NAN, "6.10 ohm"),
        (NAN, 0.1, "–"),
    ],
)
def test_values_carry_as_many_figures_as_mean_something(value: float, uncertainty: float, expected: str) -> None:
    assert words.value_words(Reading("Re", "left", value, "ohm", uncertainty)) == expected


def test_descriptions_carry_their_units() -> None:
    nested = {"sample_rate_hz": 48000.0, "device": {"name": "card", "output_v": 1.5, "on": True}, "sense_ohm": None}
    assert list(words.flat(nested)) == [
        ("sample rate", "48000 Hz"),
        ("device, name", "card"),
        ("device, output", "1.5 V"),
        ("device, on", "yes"),
        ("sense ohm", "not known"),
    ]


def test_a_margin_next_to_nothing_is_not_told_as_nothing() -> None:
    verdict = Verdict("Re", "left", "fail", 6.0000001, "ohm", -1e-7, NAN, "at most 6 ohm", "1e-07 ohm too high")
    assert words.margin_words(verdict) == "1e−07 ohm outside"
    assert words.margin_words(replace(verdict, margin=0.0, outcome="pass")) == "on the limit"


def test_the_worst_leads_and_room_is_what_the_limits_leave() -> None:
    limits = {
        "Re": Limit(lower=5.0, upper=6.0),
        "fs": Limit(upper=50.0),
        "level": Limit(around="design", within=[[20, 99, 1, 1]], align_hz=[20, 90], align_within_db=2),
    }
    mask = Mask(np.array([20.0, 100.0]), np.array([-1.0, -2.0]), np.array([1.0, 2.0]))
    near = Verdict("Re", "a", "pass", 5.1, "ohm", 0.1, NAN, "", "")
    far = Verdict("fs", "a", "pass", 30.0, "Hz", 20.0, NAN, "", "")
    curve = Verdict("level", "a", "pass", 0.0, "dB", 2.0, 95.0, "", "", mask=mask)
    shift = Verdict("level shift", "a", "pass", 1.0, "dB", 1.0, NAN, "", "")
    void = Verdict("Qts", "a", "void", NAN, "", NAN, NAN, "", "no fit")
    bad = Verdict("Re", "b", "fail", 9.0, "ohm", -3.0, NAN, "", "3 ohm too high")
    assert [words.room(verdict, limits) for verdict in (near, far, curve, shift)] == [1.0, 30.0, 4.0, 4.0]
    assert words.worst_first([far, curve, near, shift, void, bad], limits) == [bad, void, near, shift, curve, far]


def test_a_reading_closer_to_its_limit_than_its_uncertainty_is_marked() -> None:
    close = example.result(
        "impedance",
        "Impedance",
        CheckReadings((Reading("Re", "left", 5.99, "ohm", 0.02), Reading("Re", "right", 5.5, "ohm", 0.02))),
        {"Re": Limit(upper=6.0)},
    )
    told = text_of(page(example.run(close)))
    assert told.count("less than its uncertainty") == 1
