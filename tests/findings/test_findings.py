"""Findings: closed forms, faults on the model's own curves, look-alikes, and a dozen simulated units."""

import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import multivariate_normal
from simulated_runs import ROOT, simulated

from rig.circuit.channel import Channel, channel_parts, impedance_ohm, with_driver, with_part
from rig.circuit.notation import quantity
from rig.circuit.radiation import microphone_at, pressure_pa
from rig.circuit.spread import moved, parameters
from rig.design.kit import Kit, load_kit
from rig.findings import ranking as rankings
from rig.findings.branches import _admittance, _pressure, branches_of, channel_impedance_ohm, channel_pressure_pa
from rig.findings.dictionary import Cause, Hypothesis, hypotheses_of, unchanged
from rig.findings.likelihood import explain, gaussian, linear_at_start, noise_root
from rig.findings.observed import compressed_ohm, observed
from rig.findings.pairs import explains
from rig.findings.prediction import predicted, scene_of
from rig.findings.ranking import dictionary, log_priors
from rig.findings.search import CLIPS, findings
from rig.findings.sentences import PLACES
from rig.run import sequencer
from rig.run.verify import job
from rig.signals.levels import db
from rig.signals.smoothing import log_frequency_grid
from rig.values.findings import Finding
from rig.values.readings import CheckReadings, Curve, Reading
from rig.values.run import Finished
from rig.values.verdicts import CheckResult, Verdict

NAN = float("nan")
GRID_HZ = log_frequency_grid(20.0, 20000.0, 24)


@pytest.fixture(scope="module")
def booth() -> Kit:
    return load_kit(ROOT, "booth-two")


@pytest.fixture(scope="module")
def rehearsal() -> Kit:
    return load_kit(ROOT, "rehearsal-three")


def verdict(quantity: str, subject: str, outcome: str = "fail", said: str = "") -> Verdict:
    """A verdict of which only what it is of and how it came out counts."""
    assert outcome in ("pass", "fail", "void")
    return Verdict(quantity, subject, outcome, NAN, "", NAN, NAN, "", "", said=said)  # type: ignore[arg-type]


def result(readings: CheckReadings, *verdicts: Verdict) -> CheckResult:
    """A check's result."""
    return CheckResult("a check", "A check", "fail", "", readings, verdicts)


def electrical(kit: Kit, faulty: Channel, outcome: str = "fail") -> CheckResult:
    """The impedance check's result of a channel as the model has it, without noise."""
    ohm = impedance_ohm(faulty, GRID_HZ).reshape(-1)
    valid, u = np.ones(GRID_HZ.size, np.bool_), np.full(GRID_HZ.size, 1e-3)
    magnitude = Curve("impedance", faulty.name, GRID_HZ, np.abs(ohm), "ohm", valid, u)
    phase = Curve("phase", faulty.name, GRID_HZ, np.degrees(np.angle(ohm)), "degrees", valid, u)
    return result(CheckReadings(curves=(magnitude, phase)), verdict("impedance", faulty.name, outcome))


def acoustical(kit: Kit, faulty: Channel) -> CheckResult:
    """The response check's result of a channel as the model has it, without noise."""
    place = microphone_at(kit.positions[0].distance_m)
    curves = [np.abs(pressure_pa(c, GRID_HZ, 1.0, place)) for c in (faulty, kit.model(faulty.name))]
    found, design = (db(curve.reshape(-1) / 20e-6) for curve in curves)
    valid, u = GRID_HZ > 400, np.full(GRID_HZ.size, 0.05)
    curve = Curve("free-field level", faulty.name, GRID_HZ, found, "dB SPL", valid, u, design=design)
    return result(CheckReadings(curves=(curve,)), verdict("free-field level", faulty.name))


def signs(channel: str, **of_drivers: int) -> CheckResult:
    """The polarity check's result."""
    readings = tuple(Reading("driver polarity", f"{channel} {name}", sign, "") for name, sign in of_drivers.items())
    return result(
        CheckReadings(readings),
        *(verdict("driver polarity", r.subject, "fail" if r.value < 0 else "pass") for r in readings),
    )


def named(found: tuple[Finding, ...]) -> list[tuple[str, tuple[str, ...]]]:
    """Kinds and parts, in order."""
    return [(finding.kind, finding.what) for finding in found]


def test_the_evidence_is_the_density_of_a_normal_distribution() -> None:
    random = np.random.default_rng(1)
    root = np.linalg.cholesky(np.diag(random.uniform(0.5, 2, 6)) + 0.3)
    slopes, there, vector = random.standard_normal((6, 3)), random.standard_normal(6), random.standard_normal(6)
    found = gaussian(Hypothesis(Cause("good", "x"), unchanged), vector, np.zeros(3), there, slopes, root)
    normal = multivariate_normal(there, root @ root.T + slopes @ slopes.T)
    assert found.log_evidence == pytest.approx(normal.logpdf(vector))


def test_deviations_are_those_of_a_regression_with_a_prior() -> None:
    # One value, one deviation: prior 1, slope 2, noise 1, seen 5: the mean is 2 * 5 / (1 + 4), its variance 1 / 5.
    one = np.ones((1, 1))
    found = gaussian(Hypothesis(Cause("good", "x"), unchanged), np.array([5.0]), np.zeros(1), np.zeros(1), 2 * one, one)
    assert found.deviations == pytest.approx([2.0])
    assert found.deviations_u == pytest.approx([0.2**0.5])


def test_a_channel_that_is_not_moved_is_the_design(booth: Kit) -> None:
    model = booth.model("left")
    among = parameters(model)
    still = moved(model, among, np.zeros((2, len(among))))
    np.testing.assert_allclose(impedance_ohm(still, GRID_HZ), np.tile(impedance_ohm(model, GRID_HZ), (2, 1)))


def test_one_deviation_moves_one_number(booth: Kit) -> None:
    model = booth.model("left")
    among = parameters(model)
    for i, parameter in enumerate(among):
        if parameter.owner == "part":
            changed = moved(model, among, np.eye(len(among))[i : i + 1])
            before, after = ({p.name: float(np.max(p.value)) for p in channel_parts(c)} for c in (model, changed))
            expected = before | {parameter.name: before[parameter.name] * np.exp(parameter.sigma)}
            assert after == pytest.approx(expected)


def test_the_design_is_predicted_for_a_good_unit(booth: Kit) -> None:
    model, scene = booth.model("left"), scene_of(booth, "left")
    seen = observed(booth, [electrical(booth, model), acoustical(booth, model)], "left")
    healthy = Hypothesis(Cause("good", "left"), unchanged)
    there = predicted(scene, healthy, np.zeros((1, scene.size)), seen.asked)[0]
    np.testing.assert_allclose(there, seen.vector, atol=1e-9)


@pytest.mark.parametrize("ohm", [1e-9, 1e12], ids=["short", "open"])
def test_shorts_and_opens_are_finite_numbers(ohm: float) -> None:
    found = compressed_ohm(np.array([ohm + 0j, 8 + 0j]))
    assert np.all(np.isfinite(found))
    assert abs(found[0] - found[1]) > 3


def test_every_part_and_driver_of_a_kit_is_in_the_dictionary(booth: Kit, rehearsal: Kit) -> None:
    for kit in (booth, rehearsal):
        for spec in kit.channels:
            model = kit.model(spec.name)
            causes = {(h.cause.kind, h.cause.what) for h in hypotheses_of(model)}
            for part in channel_parts(model):
                assert {(kind, (part.name,)) for kind in ("open", "short", "value")} <= causes
            for driver in model.drivers:
                assert {(kind, (driver.name,)) for kind in ("dead", "driver short", "impedance")} <= causes
            assert {kind for kind, _ in causes} <= set(PLACES)
            assert all(
                np.all(np.isfinite(impedance_ohm(h.change(model, h.amount), GRID_HZ))) for h in hypotheses_of(model)
            )


@pytest.mark.parametrize("units", [1, 4])
def test_branches_one_by_one_add_up_to_the_channel(booth: Kit, rehearsal: Kit, units: int) -> None:
    random = np.random.default_rng(2)
    for kit in (booth, rehearsal):
        for spec in kit.channels:
            scene = scene_of(kit, spec.name)
            channel = moved(scene.model, scene.spread, random.standard_normal((units, len(scene.spread))))
            for h in hypotheses_of(scene.model)[::5]:
                faulty = h.change(channel, h.amount * np.exp(0.1 * random.standard_normal((units, 1))))
                branches = branches_of(faulty, units)
                whole = impedance_ohm(faulty, GRID_HZ) + np.zeros((units, 1))
                found = channel_impedance_ohm(branches, GRID_HZ) + np.zeros((units, 1))
                np.testing.assert_allclose(found, whole, rtol=1e-9)
                whole = pressure_pa(faulty, GRID_HZ, 1.0, scene.microphone_m) + np.zeros((units, 1))
                found = channel_pressure_pa(branches, GRID_HZ, scene.microphone_m) + np.zeros((units, 1))
                np.testing.assert_allclose(found, whole, rtol=1e-9, atol=1e-12)


def test_nothing_is_said_when_nothing_failed(booth: Kit) -> None:
    assert findings(booth, [electrical(booth, with_part(booth.model("left"), "L1", state="open"), "pass")]) == ()
    assert findings(booth, []) == ()


@pytest.mark.parametrize(("name", "by"), [("L1", 0.33), ("C3", 2.2), ("R3", 0.4), ("C2", 0.15), ("L2", 10.0)])
def test_a_wrong_value_is_named_and_measured(booth: Kit, name: str, by: float) -> None:
    model = booth.model("left")
    part = next(part for part in channel_parts(model) if part.name == name)
    faulty = with_part(model, name, value=part.value * by)
    found = findings(booth, [electrical(booth, faulty), acoustical(booth, faulty)])
    assert named(found)[0] == ("value", (name,))
    assert found[0].part == f"left {name}"
    assert found[0].should_be == part.value
    assert abs(found[0].value - part.value * by) < 2 * found[0].value_uncertainty
    assert found[0].value_uncertainty < 0.15 * found[0].value
    assert quantity(part.kind, float(part.value)) in found[0].words


def test_a_value_that_the_curves_hardly_show_is_told_as_a_range(booth: Kit) -> None:
    # From a few times its value on, this capacitor is next to a wire.
    model = booth.model("left")
    faulty = with_part(model, "C4", value=22e-6 * 4.7)
    found = findings(booth, [electrical(booth, faulty), acoustical(booth, faulty)])
    value = next(finding for finding in found if finding.kind == "value")
    assert value.what == ("C4",)
    assert "somewhere from" in value.words
    assert abs(np.log(value.value / (22e-6 * 4.7))) < 2 * value.value_uncertainty / value.value


def test_a_fault_in_one_channel_is_not_told_of_the_other(booth: Kit) -> None:
    bad = with_part(booth.model("right"), "C3", state="open")
    found = findings(booth, [electrical(booth, booth.model("left"), "pass"), electrical(booth, bad)])
    assert {finding.channel for finding in found} == {"right"}


# Groups that no rig can tell apart: two parts in series are one, and so are two across each other.
@pytest.mark.parametrize(
    ("one", "other"),
    [(("open", ("C4",)), ("open", ("R2",))), (("short", ("R3",)), ("driver short", ("tweeter",)))],
    ids=["in series", "across"],
)
def test_faults_that_cannot_be_told_apart_are_told_together(
    booth: Kit, one: tuple[str, tuple[str, ...]], other: tuple[str, tuple[str, ...]]
) -> None:
    faulty = with_part(booth.model("left"), one[1][0], state="open" if one[0] == "open" else "short")
    found = findings(booth, [electrical(booth, faulty), acoustical(booth, faulty)])
    assert {named(found)[0], *found[0].alike_causes} == {one, other}
    assert len(found[0].alike) == 1


def test_a_part_in_the_other_ones_place_is_told_from_a_wrong_value(booth: Kit) -> None:
    model = booth.model("left")
    c1, c3 = (next(p for p in channel_parts(model) if p.name == name) for name in ("C1", "C3"))
    faulty = with_part(with_part(model, "C1", value=c3.value), "C3", value=c1.value)
    assert named(findings(booth, [electrical(booth, faulty), acoustical(booth, faulty)]))[0] == (
        "exchanged",
        ("C1", "C3"),
    )


@pytest.mark.parametrize(("driver", "read"), [("woofer", (-1, 1)), ("tweeter", (1, -1))])
def test_which_driver_is_reversed_is_told_by_the_signs_alone(booth: Kit, driver: str, read: tuple[int, int]) -> None:
    model = booth.model("left")
    faulty = with_driver(model, driver, polarity=-1)
    curves = [electrical(booth, faulty, "pass"), acoustical(booth, faulty)]
    without = findings(booth, curves)
    assert {named(without)[0], *without[0].alike_causes} == {("reversed", ("woofer",)), ("reversed", ("tweeter",))}
    found = findings(booth, [*curves, signs("left", woofer=read[0], tweeter=read[1])])
    assert named(found)[0] == ("reversed", (driver,))
    assert found[0].alike == ()


def test_two_faults_at_once_are_no_single_one(booth: Kit) -> None:
    model = with_part(booth.model("left"), "C1", state="open")
    faulty = with_driver(with_part(model, "R3", state="open"), "tweeter", re_ohm=11.0, fs_hz=2500.0)
    found = findings(booth, [electrical(booth, faulty), acoustical(booth, faulty)])
    assert named(found) == [("unknown", ())]
    assert found[0].part == "left"


PAIRS = [
    ("L1", 0.5, "C3", 2.2),
    ("C2", 0.5, "C3", 1.3),
    ("R2", 3.3, "C1", 2.2),
]


@pytest.mark.parametrize(("one", "by", "other", "other_by"), PAIRS, ids=[f"{a} and {b}" for a, _, b, _ in PAIRS])
def test_two_wrong_values_are_both_named_and_measured(
    booth: Kit, one: str, by: float, other: str, other_by: float
) -> None:
    model = booth.model("left")
    values = {part.name: float(np.max(part.value)) for part in channel_parts(model)}
    true = {one: values[one] * by, other: values[other] * other_by}
    faulty = with_part(with_part(model, one, value=true[one]), other, value=true[other])
    found = findings(booth, [electrical(booth, faulty), acoustical(booth, faulty)])
    assert {f.what[0] for f in found} == {one, other}
    for finding in found:
        assert finding.kind == "value"
        assert finding.one_of_two
        assert finding.probability > 0.9
        assert abs(np.log(finding.value / true[finding.what[0]])) < 0.1


def test_a_wrong_value_and_a_reversed_driver(booth: Kit) -> None:
    model = booth.model("left")
    faulty = with_driver(with_part(model, "L1", value=0.5e-3), "tweeter", polarity=-1)
    found = findings(booth, [electrical(booth, faulty), acoustical(booth, faulty), signs("left", woofer=1, tweeter=-1)])
    assert set(named(found)) == {("value", ("L1",)), ("reversed", ("tweeter",))}
    assert all(finding.one_of_two for finding in found)


def test_a_fault_that_leaves_good_parts_far_off_explains_nothing(booth: Kit) -> None:
    scene, model = scene_of(booth, "left"), booth.model("left")
    cause = Hypothesis(Cause("short", "left", ("C4",)), lambda channel, _: with_part(channel, "C4", state="short"))
    for by, expected in ((1.0, True), (2.0, False)):
        faulty = with_part(with_part(model, "C4", state="short"), "L1", value=1e-3 * by)
        seen = observed(booth, [electrical(booth, faulty)], "left")
        fit = explain(scene, cause, seen.asked, seen.vector, noise_root(scene, seen), rounds=2)
        assert explains(fit) is expected


def test_single_faults_are_not_taken_for_two(booth: Kit, rehearsal: Kit) -> None:
    random = np.random.default_rng(5)
    for kit in (booth, rehearsal):
        scene = scene_of(kit, "left")
        among = scene.spread
        for h in hypotheses_of(scene.model)[:: 41 if os.environ.get("KITPROOF_THOROUGH") else 83]:
            good = moved(scene.model, among, np.clip(random.standard_normal((1, len(among))), -2, 2))
            faulty = h.change(good, h.amount * np.ones((1, 1)))
            found = findings(kit, [electrical(kit, faulty), acoustical(kit, faulty)])
            assert not any(finding.one_of_two for finding in found), h.cause


def test_the_same_wrong_value_in_both_boxes_points_to_the_delivery(booth: Kit) -> None:
    both = [with_part(booth.model(name), "L1", value=0.5e-3) for name in ("left", "right")]
    found = findings(booth, [electrical(booth, channel) for channel in both])
    assert [(f.channel, f.what) for f in found] == [("left", ("L1",)), ("right", ("L1",))]
    assert "the same is found in right" in found[0].where_to_look
    alone = findings(booth, [electrical(booth, both[0]), electrical(booth, booth.model("right"), "pass")])
    assert "the same is found" not in alone[0].where_to_look


def test_bare_leads_that_lead_nowhere(rehearsal: Kit) -> None:
    leads = Reading("lowest impedance", "left", 12000.0, "ohm", trouble="no current flows")
    found = findings(rehearsal, [result(CheckReadings((leads,)), verdict("lowest impedance", "left", "void"))])
    assert {named(found)[0], *found[0].alike_causes} == {("open", ("C1",)), ("dead", ("cone",))}
    assert any(CLIPS in other for other in found[0].alike)


def test_what_all_channels_have_alike_may_be_the_microphones(booth: Kit) -> None:
    channels = ("left", "right")
    curves = [electrical(booth, booth.model(channel), "pass") for channel in channels]
    reversed_ = [signs(channel, woofer=-1, tweeter=-1) for channel in channels]
    both = findings(booth, [*curves, *reversed_])
    assert [(f.kind, f.what) for f in both] == [("reversed", ())] * 2
    assert all(any("microphone" in other for other in f.alike) for f in both)
    one = findings(booth, [*curves, reversed_[0], signs("right", woofer=1, tweeter=1)])
    assert named(one)[0] == ("reversed", ())
    assert not any("microphone" in other for other in one[0].alike)


def test_what_is_heard_is_told_by_its_check(booth: Kit) -> None:
    heard = verdict("evidence of impulses", "left", said="rub or rattle from 50 to 90 Hz")
    hum = verdict("hum", "right", said="40 dB SPL at multiples of 50.0 Hz")
    assert sorted(f.kind for f in findings(booth, [result(CheckReadings(), heard, hum)])) == [
        "humming",
        "rub or rattle",
    ]


def test_distortion_that_a_fault_explains_is_not_told_besides(booth: Kit) -> None:
    faulty = with_driver(booth.model("left"), "tweeter", polarity=-1)
    bent = result(CheckReadings(), verdict("harmonic 2", "left"))
    alone = findings(booth, [bent])
    assert [f.kind for f in alone] == ["bent"]
    told = findings(booth, [acoustical(booth, faulty), signs("left", woofer=1, tweeter=-1), bent])
    assert [f.kind for f in told] == ["reversed"]


SIMULATED = [
    ("booth-two", "open:left:C3", "open", ("C3",)),
    ("booth-two", "tenth:right:L1", "value", ("L1",)),
    ("booth-two", "short:left:C3", "short", ("C3",)),
    ("booth-two", "reversed:left:tweeter", "reversed", ("tweeter",)),
    ("booth-two", "dead:left:tweeter", "dead", ("tweeter",)),
    ("booth-two", "leak:left=1", "leak", ()),
    ("booth-two", "blocked-port:right", "blocked port", ()),
    ("booth-two", "exchanged:left:C1:C3", "exchanged", ("C1", "C3")),
    ("booth-two", "quiet:left=4", "gain", ()),
    ("rehearsal-three", "undamped:bass=2", "damping", ()),
    ("rehearsal-three", "corner:bass=1.5", "corner", ()),
    ("rehearsal-three", "wrong-impedance:left:cone=2", "impedance", ("cone",)),
    ("rehearsal-three", "shorted-turns:bass:bass=30", "shorted turns", ("bass",)),
]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("kit_name", "fault", "kind", "what"),
    # Every third with every test run.
    [pytest.param(*row, id=row[1], marks=[pytest.mark.thorough] * (n % 3 > 0)) for n, row in enumerate(SIMULATED)],
)
def test_a_simulated_fault_is_named(kit_name: str, fault: str, kind: str, what: tuple[str, ...]) -> None:
    work = job(Path(ROOT), kit_name)
    bench = simulated(Path(ROOT), kit_name, work.kit.serial_example[:3] + "7301", [fault])
    *_, last = sequencer.run(work.schedule, work.checks, work.kit, bench, lambda words: True)
    assert isinstance(last, Finished)
    found = last.run.findings
    assert (kind, what) in [named(found)[0], *found[0].alike_causes]
    assert found[0].channel == fault.split(":")[1].split("=")[0]


def test_a_box_that_drowns_its_neighbour_is_the_one_that_is_too_loud(booth: Kit) -> None:
    # The right box is as loud as it should be; the left one, at its place, is louder than that.
    readings = (
        Reading("ping level", "right", 0.0, "dB"),
        Reading("ping over noise", "right", 40.0, "dB"),
        Reading("louder than the other boxes", "right", -2.5, "dB"),
    )
    results = [result(CheckReadings(readings), verdict("louder than the other boxes", "right"))]
    results += [electrical(booth, booth.model("right"), "pass")]
    first = findings(booth, results)[0]
    assert (first.kind, first.channel, first.what) == ("gain", "left", ())
    assert 3.0 < first.value < 10.0
    assert "left is" in first.words
    assert "too loud" in first.words


def test_a_swapped_pair_is_one_finding(booth: Kit) -> None:
    # What the ping reads when each box is played by the other's output: quiet, and the other box louder.
    readings = [
        (
            Reading("ping level", c, -5.0, "dB"),
            Reading("ping over noise", c, 30.0, "dB"),
            Reading("louder than the other boxes", c, -5.0, "dB"),
        )
        for c in ("left", "right")
    ]
    results = [result(CheckReadings(of), verdict("louder than the other boxes", of[0].subject)) for of in readings]
    results += [electrical(booth, replace(booth.model(c)), "pass") for c in ("left", "right")]
    found = findings(booth, results)
    assert named(found) == [("swapped", ("right",))]
    assert found[0].probability > 0.9


def test_what_a_dictionary_weighs_is_summed_once_for_a_scene(booth: Kit, monkeypatch: pytest.MonkeyPatch) -> None:
    scene = scene_of(booth, "left")
    log_priors(scene)
    monkeypatch.setattr(rankings, "dictionary", lambda scene: pytest.fail("summed again"))
    assert log_priors(scene_of(booth, "left")) == log_priors(scene)


@pytest.mark.parametrize("name", ["booth-two", "rehearsal-three"])
def test_what_is_kept_for_the_next_unit_takes_no_more_memory_however_many_units_come(name: str) -> None:
    kit = load_kit(ROOT, name)
    channel = kit.channels[0].name
    like = observed(kit, [electrical(kit, kit.model(channel))], channel).asked
    scene = scene_of(kit, channel)
    hypothesis = next(one for one in dictionary(scene) if one.amount_sigma)
    there, slopes = linear_at_start(scene, hypothesis, like)
    # Of as many units as a linearisation asks for, one at each of its deviations.
    curve_bytes = (2 + slopes.shape[1]) * len(like.z_hz) * np.dtype(complex).itemsize
    entries = {linear_at_start: there.nbytes + slopes.nbytes, _admittance: curve_bytes, _pressure: curve_bytes}
    most_bytes = sum(size * kept.cache_parameters()["maxsize"] for kept, size in entries.items())
    assert 5e6 < most_bytes < 35e6
