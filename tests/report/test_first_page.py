"""The first page, the order of what failed, second looks, sounds, and what a check says in words."""

from dataclasses import replace

import numpy as np
import pytest
import run_by_hand as example
from test_certificate import page, text_of

from rig.design.limits import Limit
from rig.report import words
from rig.report.certificate import MOST_FAILURES, failures, overview
from rig.report.conditions import bench_settings, conditions, repeated_captures
from rig.report.unproved import merged_lines, not_checked
from rig.store.run_json import ResultEntry, SoundEntry
from rig.values.readings import CheckReadings, Reading
from rig.values.verdicts import CheckResult, Verdict

ALIGNED = Limit(around="design", within=[[60, 16000, 2, 2]], align_hz=[200, 4000], align_within_db=10)


def free_field(raised_db: float = 0.0) -> CheckResult:
    """Free-field levels of both boxes and of one at another place; the left one is `raised_db` louder than designed."""
    left = example.level_curve("left", quantity="free-field level")
    louder = type(left)(**{**vars(left), "value": left.value + raised_db})
    others = [example.level_curve(name, quantity="free-field level") for name in ("right", "left 15 degrees")]
    read = CheckReadings((), (louder, *others))
    return example.result("response", "Frequency response", read, {"free-field level": ALIGNED})


def numbers(title: str, limits: dict[str, Limit], *readings: Reading) -> CheckResult:
    return example.result(title.lower(), title, CheckReadings(readings), limits)


def first_page(html: str) -> str:
    return html.split("Summary</h2>")[0]


def test_the_first_page_shows_every_channel_on_axis_and_lines_to_sign() -> None:
    html = first_page(page(example.run(free_field())))
    figure = html.split("Free-field level of each box")[1]
    assert figure.count('class="measured"') == 2
    assert figure.count('class="upper"') == 2
    told = text_of(html)
    assert all(name in told for name in ("tested by", "place", "signature"))


def test_without_free_field_levels_the_first_page_has_no_figure() -> None:
    run = example.run(example.impedance())
    assert overview(run, example.kit()) == []
    assert "Free-field level of each box" not in page(run)


def test_an_aligned_curve_is_told_as_measured_and_its_limit_after_the_shift() -> None:
    plain, raised = free_field().verdicts[1], free_field(6).verdicts[1]
    assert raised.value == pytest.approx(plain.value)
    assert words.measured_value(raised) == pytest.approx(words.measured_value(plain) + 6)
    assert words.number(words.measured_value(raised)) in words.value_words(raised)
    assert f"after taking out the shift of +{raised.shift_db:.1f} dB" in words.limit_words(raised)


def test_polarity_leads_what_failed_and_then_what_is_furthest_outside_for_its_room() -> None:
    limits = {"Re": Limit(lower=5, upper=6), "fs": Limit(lower=0, upper=100)}
    ohms = numbers("Impedance", limits, Reading("Re", "left", 6.5, "ohm"), Reading("fs", "left", 120.0, "Hz"))
    run = example.run(ohms, example.polarity())
    # The kit's own limits are not those of this example: the room is then the margin or the value itself.
    found = [name for name, _ in failures(run, example.kit())]
    assert found[0] == "driver polarity left tweeter"
    assert set(found[1:]) == {"Re left", "fs left"}


def test_a_name_that_two_checks_share_is_told_with_its_check() -> None:
    limits = {"lowest impedance": Limit(lower=4.0)}
    bad = Reading("lowest impedance", "right", 1.0, "ohm")
    twice = example.run(numbers("Leads", limits, bad), numbers("Impedance", limits, bad))
    told = first_page(page(twice))
    assert "lowest impedance right (Leads):" in told
    assert "lowest impedance right (Impedance):" in told
    assert "(Leads)" not in first_page(page(example.run(numbers("Leads", limits, bad))))


@pytest.mark.parametrize("more", [0, 3])
def test_at_most_eight_failures_are_told_and_the_rest_counted(more: int) -> None:
    readings = [Reading("Re", f"driver {n}", 9.0, "ohm") for n in range(MOST_FAILURES + more)]
    html = first_page(page(example.run(numbers("Impedance", {"Re": Limit(upper=6.0)}, *readings))))
    assert html.count("<li><strong>") == MOST_FAILURES
    assert (f"and {more} more" in html) == bool(more)


def test_places_of_the_microphone_that_were_not_used_are_named() -> None:
    run = example.run(example.impedance(), captures=((example.capture(), ()),))
    used = {example.capture().request.position}
    unused = {f"microphone {place.name}" for place in example.kit().positions if place.name not in used}
    told = {name for name, _ in not_checked(run, example.kit())}
    assert unused
    assert unused <= told
    assert told.isdisjoint({f"microphone {name}" for name in used})


def test_second_looks_are_told_apart_from_disturbances() -> None:
    captures = [example.capture(n) for n in (1, 2, 3)]
    troubles: list[tuple[str, ...]] = [("12 samples were lost",), (), ()]
    run = example.run(example.impedance(), captures=tuple(zip(captures, troubles, strict=True)))
    assert [capture.attempt for capture in repeated_captures(run)] == [3]
    told = text_of(page(run))
    assert "3, of these 1 repeated after a disturbance and 1 played again for a second look" in told
    assert (
        f"Played again because a reading was outside or near its limit, or hidden by noise {captures[0].request}"
        in told
    )


def test_sounds_are_named_in_their_check() -> None:
    result = example.impedance()
    sounds = (SoundEntry("residual", "left", "sounds/x.wav", 1.0),)
    entry = ResultEntry(result.name, "", "void", "", (), (), (), (), sounds=sounds)
    told = text_of(page(example.run(result), results=(entry,)))
    assert "To be listened to: sounds/x.wav (residual left)." in told
    assert "What is left of the recording" in told


def test_what_a_check_says_in_words_stands_for_the_number() -> None:
    said = "45 dB SPL at multiples of 50.0 Hz"
    result = numbers("Hum", {"hum": Limit(upper=34.0)}, Reading("hum", "left", 45.1, "dB SPL", said=said))
    told = text_of(page(example.run(result)))
    assert f"hum left: {said}" in told
    assert f"hum left {said} – at most 34 dB SPL" in told


def test_a_reading_that_is_only_a_bound_is_told_as_one() -> None:
    bound, exact = Reading("noise", "left", 35.2, "dB(A)", at_most=True), Reading("noise", "right", 30.1, "dB(A)")
    told = text_of(page(example.run(numbers("Noise", {"noise": Limit(upper=42.0)}, bound, exact))))
    assert "noise left at most 35.2 dB(A)" in told
    assert "noise right 30.1 dB(A)" in told


def test_silence_is_no_sweep_of_no_volts() -> None:
    sweep = example.capture()
    silence = replace(sweep, request=example.kit().silence("left", "on axis", 2.0))
    told = dict(conditions(example.run(captures=((sweep, ()), (silence, ()))), example.kit()))
    assert told["silence playing"] == "2 s"
    assert told["level playing"] == f"{sweep.request.level_v:g} V RMS"
    assert "in 2 s" not in told["sweeps playing"]
    only_silence = dict(conditions(example.run(captures=((silence, ()),)), example.kit()))
    assert "level playing" not in only_silence


@pytest.mark.parametrize(("value", "told"), [(0.0483, "0.05 dB"), (-0.332, "−0.33 dB"), (-4e-6, "0.00 dB")])
def test_decibels_have_two_decimals_at_most(value: float, told: str) -> None:
    assert words.value_words(Reading("level shift", "left", value, "dB")) == told


def test_sensitivity_names_voltage_and_distance() -> None:
    reading = Reading("sensitivity", "left", 82.31, "dB SPL")
    assert words.value_words(reading) == "82.3 dB SPL, 2.83 V, 1 m"


def test_the_meaning_of_plus_minus_is_told_once() -> None:
    told = text_of(page(example.run(example.impedance(), example.response(), example.polarity())))
    assert told.count("the expanded uncertainty: twice the standard uncertainty (k = 2)") == 1
    assert "± <" not in told


def test_what_only_a_simulated_bench_has_is_told_of_none_else() -> None:
    bench = {"name": "bench", "seed": 3, "faults": []}
    assert bench_settings({"kind": "sound card", **bench}) == {"kind": "sound card", "name": "bench"}
    assert bench_settings({"kind": "simulated", **bench}) == {"kind": "simulated", **bench}


def test_an_uncertainty_that_would_round_to_nothing_is_left_out() -> None:
    verdict = Verdict("x", "a", "pass", 0.0, "dB", 1.0, float("nan"), "", "", uncertainty=1e-9)
    assert "±" not in words.value_words(verdict)
    assert np.isfinite(verdict.value)


def test_higher_harmonics_are_drawn_only_where_they_are_judged() -> None:
    curves = [example.level_curve("left", quantity=f"harmonic {n}", method="alike") for n in (2, 3, 4, 5)]
    result = example.result(
        "x", "X", CheckReadings((), tuple(curves)), {"harmonic 5": Limit(around="design", within=[[60, 16000, 3, 3]])}
    )
    html = page(example.run(result))
    assert html.count('class="measured"') == 3
    assert "under curves/: harmonic 4." in html
    assert "harmonic 2, harmonic 3, harmonic 4, harmonic 5 of left: alike" in html
    assert "X: harmonic 2, harmonic 3, harmonic 4 of left the kit sets no limit for it" in text_of(html)


def test_moved_limits_are_explained_once_and_only_where_some_were_moved() -> None:
    why = "were moved by the mean difference"
    assert text_of(page(example.run(free_field(6)))).count(why) == 1
    assert why not in text_of(page(example.run(example.response())))


def test_a_shift_downwards_has_a_real_minus_in_the_limit() -> None:
    lowered = free_field(-6).verdicts[1]
    assert f"the shift of −{-lowered.shift_db:.1f} dB" in words.limit_words(lowered)


def test_what_the_same_is_said_of_shares_a_line_and_a_title() -> None:
    lines = [("A: x", "why"), ("A: y", "why"), ("A: x", "why"), ("B", "why"), ("A: z", "else")]
    assert merged_lines(lines) == [("A: x, y; B", "why"), ("A: z", "else")]


def test_words_of_a_check_have_a_real_minus() -> None:
    reading = Reading("worst distortion", "left", -21.8, "dB", said="-21.8 dB at 63 Hz")
    assert words.value_words(reading) == "−21.8 dB at 63 Hz"
