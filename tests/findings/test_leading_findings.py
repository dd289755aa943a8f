"""What may lead, what is also possible, and which alternatives are possible at all."""

from dataclasses import replace

import numpy as np
import pytest
from simulated_runs import ROOT
from test_findings import acoustical, electrical, named, result, signs, verdict

from rig.circuit.channel import Channel
from rig.design.kit import Kit, load_kit
from rig.files.plain import restored, table
from rig.findings import search
from rig.findings.leading import UNKNOWN, groups_of, in_order
from rig.findings.search import findings
from rig.report.findings_text import titled
from rig.store.run_json import up_to_date
from rig.values.findings import Finding
from rig.values.readings import CheckReadings, Reading
from rig.values.verdicts import CheckResult


@pytest.fixture(scope="module")
def booth() -> Kit:
    return load_kit(ROOT, "booth-two")


@pytest.fixture(scope="module")
def mono(booth: Kit) -> Kit:
    return booth.model_copy(update={"channels": booth.channels[:1]})


def quieter(kit: Kit, channel: str, by_db: float, *failed: str) -> CheckResult:
    """The response check's result of a good box that plays more quietly; these readings of it fail."""
    found = acoustical(kit, kit.model(channel))
    curves = tuple(replace(curve, value=curve.value - by_db) for curve in found.read.curves)
    return result(replace(found.read, curves=curves), *(verdict(name, channel) for name in failed))


def ping(channel: str, level_db: float, louder_db: float, outcome: str = "pass") -> CheckResult:
    readings = (
        Reading("ping level", channel, level_db, "dB"),
        Reading("ping over noise", channel, 40.0, "dB"),
        Reading("louder than the other boxes", channel, louder_db, "dB"),
    )
    return result(CheckReadings(readings), verdict("louder than the other boxes", channel, outcome))


def leaking(kit: Kit, channel: str, losses_q: float) -> Channel:
    model = kit.model(channel)
    return replace(model, box=replace(model.box, leakage_q=losses_q))


def everything(one: str) -> list[str]:
    return list("abcdefgh")


@pytest.mark.parametrize(
    ("share", "leads", "sizes"), [(0.2, True, [3, 2]), (0.12, False, [3, 3])], ids=["five", "eight"]
)
def test_a_group_of_three_leads_from_one_half_and_no_larger_one(share: float, leads: bool, sizes: list[int]) -> None:
    causes = "abcde" if share == 0.2 else "abcdefgh"
    groups = groups_of(dict.fromkeys(causes, share), everything)
    assert [1 + len(group.alike) for group in groups][:2] == sizes
    assert groups[0].probability == pytest.approx(3 * share)
    assert [group.also_possible for group in groups] == [not leads, *[True] * (len(groups) - 1)]


def test_the_likeliest_group_leads_not_the_likeliest_cause() -> None:
    alike = {"a": (), "b": ("c", "d"), "c": ("b", "d"), "d": ("b", "c"), "e": ()}
    groups = groups_of({"a": 0.3, "b": 0.25, "c": 0.2, "d": 0.2, "e": 0.01}, alike.__getitem__)
    assert [(group.first, group.also_possible) for group in groups] == [("b", False), ("a", True)]


def read_back(entry: dict[str, object]) -> Finding:
    return restored(Finding, up_to_date({"findings": [entry]})["findings"][0])


def test_screen_paper_and_record_tell_alike_what_leads() -> None:
    unknown = Finding("several faults would look like this", "left", UNKNOWN, 0.9, channel="left")
    beside = Finding("left L1 is open", "left L1", "open", 0.3, channel="left", also_possible=True)
    found = in_order([beside, unknown])
    assert found == (unknown, beside)
    assert [(title, entries[0][0]) for title, entries in titled(found)] == [
        ("What is probably wrong", "left: several faults would look like this"),
        ("Also possible", "left L1 is open (probability 30 %)"),
    ]
    assert read_back(table(beside)).also_possible
    # A record from before findings said what leads.
    old = {name: value for name, value in table(beside).items() if name not in ("also_possible", "since_soak")}
    assert read_back(old).also_possible
    assert not read_back(old | {"probability": 0.6}).also_possible


def test_nothing_is_sought_where_nothing_failed(booth: Kit, monkeypatch: pytest.MonkeyPatch) -> None:
    def sought(*_: object) -> None:
        raise AssertionError("a cause was sought")

    monkeypatch.setattr(search, "ranking", sought)
    monkeypatch.setattr(search, "of_soak", sought)
    assert findings(booth, [electrical(booth, booth.model("left"), "pass"), ping("left", 0.0, 4.0)]) == ()


def test_a_failed_heat_test_says_nothing_of_good_curves(booth: Kit) -> None:
    before = [electrical(booth, booth.model("left"), "pass"), ping("left", -0.2, 4.3)]
    heat = result(CheckReadings(), verdict("guard", ""), verdict("power compression", "left"))
    assert findings(booth, [*before, heat]) == ()


def test_a_leak_is_no_loud_neighbour(booth: Kit) -> None:
    for losses_q in (1.5, 3.0, 5.0):
        faulty = leaking(booth, "left", losses_q)
        found = findings(booth, [electrical(booth, faulty), ping("left", -0.5, 3.5)])
        assert {(f.channel, f.kind) for f in found} <= {("left", "leak"), ("left", "unknown")}
        assert not any("loud" in words for f in found for words in (f.words, *f.alike))


@pytest.mark.parametrize("by_db", [2.0, -2.0])
def test_a_unit_that_is_two_decibels_off_is_told_as_such(booth: Kit, by_db: float) -> None:
    good = [electrical(booth, booth.model(channel), "pass") for channel in ("left", "right")]
    quiet = quieter(booth, "left", by_db, "sensitivity", "free-field level shift")
    right = replace(quieter(booth, "right", 0.0), verdicts=(verdict("sensitivity", "right", "pass"),))
    (found,) = findings(booth, [*good, quiet, right])
    assert (found.kind, found.channel, found.also_possible) == ("gain", "left", False)
    assert found.value == pytest.approx(-by_db, abs=0.4)
    # The same microphone hears the other box as it should.
    assert found.alike == ()


@pytest.mark.parametrize(
    ("kind", "words"), [("reversed", "the sign of the microphone"), ("gain", "the microphone's gain")]
)
def test_of_a_single_channel_the_microphone_is_an_alternative(mono: Kit, kind: str, words: str) -> None:
    good = electrical(mono, mono.model("left"), "pass")
    odd = signs("left", woofer=-1, tweeter=-1) if kind == "reversed" else quieter(mono, "left", 6.0, "sensitivity")
    (found,) = findings(mono, [good, odd])
    assert named((found,)) == [(kind, ())]
    assert any(other.startswith(words) for other in found.alike)


def test_a_driver_of_a_single_channel_is_not_the_microphones(mono: Kit) -> None:
    good = electrical(mono, mono.model("left"), "pass")
    (found,) = findings(mono, [good, signs("left", woofer=1, tweeter=-1)])
    assert named((found,)) == [("reversed", ("tweeter",))]
    assert not any("microphone" in other for other in found.alike)


def test_a_number_outside_its_tolerance_is_the_fault(booth: Kit) -> None:
    model = booth.model("left")
    tuned = replace(model, box=replace(model.box, tuning_hz=model.box.tuning_hz * 1.075))
    found = findings(booth, [electrical(booth, tuned), ping("left", 0.0, 4.3)])
    assert (found[0].kind, found[0].also_possible) == ("tuning", False)
    assert found[0].value == pytest.approx(54.0 * 1.075, rel=0.02)
    assert np.isfinite(found[0].value_uncertainty)
