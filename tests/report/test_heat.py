"""The certificate of long loud playing: its log as figures, why it ended, what happened, and what the words say."""

from dataclasses import replace
from html import unescape

import heat_by_hand as by_hand
import numpy as np
import pytest
import run_by_hand as example
from soaks import PROGRAMME, rows, without
from test_certificate import HOSTILE, Balance, page, text_of
from test_first_page import first_page

import checks.heat
from rig.design.limits import Limit
from rig.report import heat, words
from rig.report.certificate import plan_words
from rig.report.conditions import conditions, noise_words
from rig.report.figures import band_verdicts
from rig.report.unproved import not_checked, unjudged_ranges
from rig.signals.noise_shape import Noise, NoiseFilter
from rig.values.logs import Log, Stop
from rig.values.readings import CheckReadings, Curve, Reading
from rig.values.requests import RoleGuard
from rig.values.run import Run
from rig.values.verdicts import CheckResult, Verdict

NAN = float("nan")


def heat_run(of: Log, *more: CheckResult, stopped: str = "") -> Run:
    captures = ((example.capture(), ()),)
    return example.run(by_hand.heat(of), *more, stopped=stopped, captures=captures, logs=((of, ()),))


@pytest.fixture(scope="module")
def good() -> Log:
    return by_hand.log()


@pytest.fixture(scope="module")
def stopped() -> Log:
    return by_hand.log(rise_k=70.0)


def test_the_first_page_shows_the_rise_with_its_fit_limit_and_steady_state(good: Log) -> None:
    html = first_page(page(heat_run(good), plan="heat"))
    assert html.count("Rise over ambient</text>") == 1
    for part in ('class="read"', 'class="fit"', 'class="limit"', 'class="guard"', 'class="steady"'):
        assert part in html
    told = text_of(html)
    limit = by_hand.LIMITS["rise heat sink"]
    assert f"limit heat sink: at most {limit.upper:g} K" in told
    assert f"limit heat sink in the last minute: at least {limit.lower:g} K" in told
    steady = by_hand.LIMITS["steady rise heat sink"]
    assert f"limit in the end: {steady.lower:g} to {steady.upper:g} K" in told
    assert "guard stops above 75 °C" in told
    assert "ambient, from 22.0 °C: 0 K" in told
    assert "Stopped by the guard" not in told


def test_without_a_log_there_is_no_heat(good: Log) -> None:
    assert "long loud playing" not in text_of(page(example.run(example.impedance()))).lower()
    empty = replace(good, seconds=np.array([]), states=(), columns={})
    assert heat.soaks(example.run(logs=((empty, ()),)), example.kit()) == []


def test_the_guards_stop_stands_first_and_large(stopped: Log) -> None:
    assert stopped.stopped
    html = first_page(page(heat_run(stopped, stopped="the soak was stopped"), plan="heat"))
    large = text_of(html.split('<div class="guard">')[1].split('<div class="verdict')[0])
    assert f"Stopped by the guard after {words.lapse(stopped.stopped.seconds)}" in large
    assert "heat sink" in large
    assert "allowed" in large
    assert html.index('class="guard"><div') < html.index('class="verdict')
    # Told there, so not once more as a note.
    assert "The run ended early" not in html
    assert f"<li><strong>{words.lapse(stopped.stopped.seconds)}:</strong> " in html


def test_a_stop_for_the_benchs_sake_is_shown_although_the_check_read_nothing(good: Log) -> None:
    silent = [row if row.seconds < 3000 else without(row, "celsius.heat sink") for row in rows(rise_k=by_hand.RISE_K)]
    log = by_hand.log_of(silent)
    assert log.stopped
    assert log.stopped.kind == "void"
    void = CheckResult("heat", "Heat", "void", "stopped", CheckReadings(), ())
    html = page(example.run(void, stopped="the soak was stopped", logs=((log, ()),)), plan="heat")
    told = text_of(html)
    assert "Stopped by the guard after 50 min" in told
    assert "no reading of heat sink for 3" in told
    assert 'class="read"' in first_page(html)
    assert "heat sink last 2" in told
    assert dict(conditions(example.run(logs=((log, ()),)), example.kit()))["log of the programme"].endswith(
        "heat sink without a value in 7"
    )


def test_a_run_that_ended_because_all_was_known_says_so(good: Log) -> None:
    stop = Stop("settled", "beyond doubt every steady state lies inside its limit", 3600.0)
    log = replace(good, stopped=stop, events=((3600.0, stop.words),))
    told = text_of(page(heat_run(log)))
    assert "Ended before its time because all was known: after 1 h of 2 h, beyond doubt" in told
    assert "Stopped by the guard" not in told
    assert heat.early_words(heat_run(good)) == ""


def resumed() -> Log:
    """A log that stood still for ten minutes after half an hour."""
    shown = []
    for row in rows(rise_k=by_hand.RISE_K, until_s=5400):
        after = row.seconds > 1800
        state, event = ("gap", "interrupted for 600 s, then resumed") if row.seconds == 1805 else (row.state, "")
        shown.append(replace(row, seconds=row.seconds + 600 * after, state=state, event=event))
    return by_hand.log_of(shown)


def test_an_interrupted_run_says_for_how_long_and_hatches_it() -> None:
    log = resumed()
    assert heat.gaps(log) == [(1800.0, 2400.0)]
    run = heat_run(replace(log, stopped=Stop("settled", "known", 6000.0)))
    html = page(run, resumed_at="2026-03-04T11:14:10+01:00")
    assert "This run was interrupted: the programme stood still for 10 min (hatched in the figure)" in text_of(html)
    assert "last at 2026-03-04 11:14:10 UTC+0100" in text_of(html)
    assert 'class="gap"' in html
    # No line leads across it.
    panel = heat.rise_panel(log, heat.known_of(run, example.kit()), ())
    assert panel
    assert np.isnan(panel.lines[0].value[log.is_state("gap")]).all()
    assert heat.interrupted_words(run, example.record()) == ""


def test_a_run_that_was_only_closed_or_taken_up_between_programmes_says_so(good: Log) -> None:
    run, at = heat_run(good), "2026-03-04T11:14:10+01:00"
    closed, other = (example.record(resumed_at=at, bench={"kind": kind}) for kind in ("closed", "x"))
    assert "not taken up again, only closed" in heat.interrupted_words(run, closed)
    assert "no programme was playing" in heat.interrupted_words(run, other)


def test_events_are_numbered_and_listed_and_of_very_many_the_last_is_kept(good: Log) -> None:
    many = tuple((5.0 * n, f"event {n}") for n in range(1, 41))
    told, more = heat.events(replace(good, events=many))
    assert len(told) == heat.MOST_EVENTS
    assert told[-1] == (200.0, "event 40")
    assert more == 40 - heat.MOST_EVENTS
    html = page(heat_run(replace(good, events=many)))
    assert f"and {more} more, in the log" in html
    assert first_page(html).count('class="mark"') == heat.MOST_EVENTS
    assert "<li><strong>3 min 20 s:</strong> event 40</li>" in html


def test_coils_drive_and_meters_have_panels_and_an_open_coil_is_no_temperature() -> None:
    burnt = by_hand.log(change=lambda seconds: {"coil_ohm.left": 170.0} if seconds > 3600 else {})
    run = heat_run(burnt)
    coils = heat.coil_panel(burnt, heat.known_of(run, example.kit()), ())
    assert coils
    assert np.nanmax(coils.lines[0].value) < 100
    told = text_of(page(run))
    assert "Coils: rise over ambient" in told
    assert "left last 3" in told
    assert "Level at the leads" in told
    assert "guard stops above 3 A" in told
    no_coil = {name: column for name, column in burnt.columns.items() if "coil" not in name}
    assert heat.coil_panel(replace(burnt, columns=no_coil), heat.known_of(run, example.kit()), ()) is None


def test_rest_is_drawn_as_temperatures_down_to_what_may_be_touched(good: Log) -> None:
    rest = by_hand.rest_log()
    run = replace(heat_run(good), logs=((good, ()), (rest, ())))
    html = page(run)
    assert "Cooling down</text>" in html
    assert "hot to the touch above 45 °C" in html
    told = dict(conditions(run, example.kit()))
    assert told["rest"] == "nothing played, instruments read on; 30 min of 30 min"


def test_bounds_below_and_of_currents_lie_where_they_are_and_limits_may_differ(good: Log) -> None:
    roles = (RoleGuard("heat sink", "celsius", lower=10.0), RoleGuard("supply", "ampere", upper=2.0, lower=0.01))
    log = replace(good, request=replace(PROGRAMME, guard=replace(PROGRAMME.guard, roles=roles)))
    limits = {"rise": Limit(upper=40.0, lower=10.0), "steady rise": Limit(upper=44.0)}
    panel = heat.rise_panel(log, heat.Known({}, {}, limits), ())
    assert panel
    assert [(bound.words, bound.value, bound.is_limit) for bound in panel.bounds] == [
        ("limit heat sink: at most 40 K", 40.0, True),
        ("limit heat sink in the last minute: at least 10 K", 10.0, True),
        ("guard stops below 10 °C", pytest.approx(-12.0), False),
    ]
    assert panel.lines[0].steady_limits == (-np.inf, 44.0)
    (meter,) = heat.meter_panels(log)
    assert [bound.value for bound in meter.bounds] == [2.0, 0.01]


def test_conditions_tell_the_programme(good: Log) -> None:
    told = dict(conditions(heat_run(good), example.kit()))
    assert told["programme"] == "noise on left, right together, each its own; 2 h of 2 h"
    assert told["level of the programme"].startswith("3 V RMS at the leads of each channel")
    assert told["log of the programme"] == "1440 rows, one every 5 s"
    assert told["ambient in the programme"] == "22.0 °C to 22.0 °C"
    early = replace(good, request=replace(PROGRAMME, early_end_after_s=3600.0))
    assert "early end of the programme" in dict(conditions(heat_run(early), example.kit()))
    assert "early end of the programme" not in told


def test_a_noise_is_told_by_its_filters() -> None:
    shape = (NoiseFilter("highpass", 40.0, 2), NoiseFilter("peak", 1000.0, gain_db=-3.0, q=2.0))
    told = "pink, highpass 40 Hz of order 2, peak −3 dB at 1 kHz, Q 2; crest factor 2, seed 7"
    assert noise_words(Noise(shape, 2.0, 7)) == told


def test_the_plan_is_named_with_what_it_leaves_out(good: Log) -> None:
    kit = example.kit()
    assert plan_words(kit, "heat").startswith("heat: leads, impedance, ping, heat, lasting_change.")
    assert "Not done, of the plan bench" in plan_words(kit, "heat")
    run = heat_run(good)
    lines = dict(not_checked(run, kit, "heat"))
    assert lines["response"] == "no check of the plan heat, which this run followed; of the plan bench"
    assert lines["lasting_change"] == "listed by the kit, but no part of this run"
    assert "heat" not in lines
    html = page(run, plan="heat", by="M. Tester")
    assert "by the plan heat lie within the limits" in text_of(html)
    assert "measured by M. Tester" in text_of(html)
    assert "by the plan" not in text_of(page(run)).split("Summary")[0]


def test_the_guard_is_told_in_words_and_leads_what_failed(stopped: Log) -> None:
    worse = example.result("x", "X", CheckReadings((Reading("Re", "left", 50.0, "ohm"),)), {"Re": Limit(upper=6.0)})
    result = by_hand.heat(stopped)
    guard = next(verdict for verdict in result.verdicts if verdict.quantity == "guard")
    assert guard.outcome == "fail"
    assert words.limit_words(guard) == "must not stop it"
    assert words.margin_words(guard) == words.NONE
    assert words.share_of_room(guard, by_hand.LIMITS) == -np.inf
    html = page(heat_run(stopped, worse))
    failed = html.split("<ul>")[1].split("</ul>")[0]
    assert text_of(failed).split()[0] == "guard:"


def test_a_guard_that_held_is_never_the_closest_to_its_limit(good: Log) -> None:
    ordered = words.worst_first(by_hand.heat(good).verdicts, by_hand.LIMITS)
    assert ordered[-1].quantity == "guard"


def test_every_reading_of_the_heat_plan_is_explained(good: Log) -> None:
    result = by_hand.heat(good)
    names = {reading.quantity for reading in result.read.readings}
    assert names <= set(checks.heat.TERMS)
    explained = page(heat_run(good)).split("Words</h2>")[1]
    assert "<th>steady rise</th>" in explained
    assert "paste or pad" in explained


@pytest.mark.parametrize(
    ("seconds", "told"),
    [(0, "0 s"), (45.4, "45 s"), (119, "119 s"), (120, "2 min"), (3630, "1 h 30 s"), (7325, "2 h 2 min 5 s")],
)
def test_lapses(seconds: float, told: str) -> None:
    assert words.lapse(seconds) == told


def test_degrees_have_their_sign() -> None:
    assert words.value_words(Reading("end temperature", "heat sink", 52.3, "celsius")) == "52.3 °C"
    assert words.celsius("heat sink at 75.1 celsius; allowed up to 75") == "heat sink at 75.1 °C; allowed up to 75"


def bands(worst_db: float, **changes: object) -> tuple[Curve, Verdict]:
    hz = np.array([63.0, 125.0, 250.0, 500.0])
    curve = Curve("power compression by band", "left", hz, np.array([0.1, 0.2, worst_db, 0.1]), "dB", np.ones(4, bool))
    worst = Verdict("power compression", "left", "pass", worst_db, "dB", 2.5 - worst_db, NAN, "at most 2.5 dB", "")
    return curve, replace(worst, **changes)  # type: ignore[arg-type]


def test_bands_are_drawn_with_the_limit_of_their_worst() -> None:
    curve, worst = bands(0.9)
    limits = {"power compression": Limit(upper=2.5)}
    (drawn,) = band_verdicts([curve], [worst], limits)
    assert (drawn.quantity, drawn.at_hz) == ("power compression by band", 250.0)
    assert drawn.mask
    assert drawn.mask.upper.tolist() == [2.5, 2.5]
    assert np.all(np.isneginf(drawn.mask.lower))
    result = CheckResult("heat", "Heat", "pass", "", CheckReadings((), (curve,)), (worst,))
    kit = example.kit()
    html = page(example.run(result))
    assert kit.limits["heat"]["power compression"].upper == 2.5
    assert html.count('class="point"') == 4
    assert 'class="upper"' in html
    assert "read, not judged" not in html
    assert unjudged_ranges(example.run(result)) == []


def test_bands_without_a_judged_number_or_of_a_void_one_have_no_limit() -> None:
    curve, void = bands(0.9, outcome="void", value=NAN, margin=NAN)
    limits = {"power compression": Limit(upper=2.5)}
    assert list(band_verdicts([curve], [], limits)) == []
    assert list(band_verdicts([curve], [void], {})) == []
    (drawn,) = band_verdicts([curve], [void], limits)
    assert drawn.mask is None
    result = CheckResult("heat", "Heat", "void", "", CheckReadings((), (curve,)), (void,))
    assert "nan" not in page(example.run(result)).split("<figure>")[1].split("</figure>")[0]


def test_hostile_names_of_roles_and_events_stay_text(good: Log) -> None:
    role = f"celsius.{HOSTILE}"
    columns = good.columns | {role: good.columns["celsius.heat sink"], f"celsius.coil {HOSTILE}": good.seconds * 0 + 30}
    guard = replace(PROGRAMME.guard, roles=(RoleGuard(HOSTILE, "celsius", upper=75.0),))
    log = replace(
        good,
        columns=columns,
        request=replace(PROGRAMME, guard=guard),
        events=((5.0, HOSTILE),),
        stopped=Stop("fail", HOSTILE, 60.0),
    )
    html = page(example.run(stopped=HOSTILE, logs=((log, ()),)), plan="heat", by=HOSTILE, resumed_at=HOSTILE)
    parser = Balance()
    parser.feed(html)
    assert not parser.wrong
    assert not parser.open
    assert "script" not in parser.names
    assert HOSTILE in unescape(html)
