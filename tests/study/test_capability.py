"""Studies of trials made by hand, of which the truth is known."""

import math
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.design.limits import Limit
from rig.files.errors import TableError
from rig.store.trials import Key, Trial
from rig.study.capability import Capability, LimitStudy, capability, choose, critical_points, limit_for
from rig.study.capability_words import document, remarks, rows_to_show, sentence, too_tight
from rig.values.readings import Curve, Reading
from rig.values.verdicts import Mask

GRID_HZ = np.geomspace(20, 20000, 241)
FS: Key = ("impedance", "fs", "left woofer")
LEVEL: Key = ("response", "level", "left")


def trial(unit: str, by: str, readings: dict[Key, float] | None = None, **changes: object) -> Trial:
    found = {key: Reading(key[1], key[2], value, "Hz") for key, value in (readings or {}).items()}
    known: dict[str, object] = {"run": "", "outcome": "pass", "kit_sha256": "0", "readings": found, "curves": {}}
    return Trial(unit, by, **(known | changes))  # type: ignore[arg-type]


def trials_of(offsets: np.ndarray, spread_hz: float, key: Key = FS, seed: int = 1) -> list[Trial]:
    """Ten units around 50 Hz by people with these offsets, three times each."""
    random = np.random.default_rng(seed)
    return [
        trial(f"U{unit}", f"P{person}", {key: 50 + 0.1 * unit + offset + spread_hz * random.standard_normal()})
        for unit in range(10)
        for person, offset in enumerate(offsets)
        for _ in range(3)
    ]


def study(trials: list[Trial], limits: dict[str, dict[str, Limit]], folder: Path = Path()) -> Capability:
    return capability(limits, folder, trials)


def row_of(found: Capability, quantity: str) -> LimitStudy:
    return next(row for row in found.limits if row.quantity == quantity)


def test_the_share_of_a_two_sided_limit() -> None:
    # 6 times 0.2 Hz in 8 Hz: 15 %; nothing between the people.
    found = study(trials_of(np.zeros(3), 0.2), {"impedance": {"fs": Limit(lower=46, upper=54)}})
    row = row_of(found, "fs")
    assert row.percent.value == pytest.approx(15, rel=0.15)
    assert row.percent.lower < 15 < row.percent.upper
    assert row.grade == "usable"
    assert found.is_study
    assert sentence(row).startswith("fs of left woofer: the rig alone spreads over 1")
    assert too_tight(found.limits) == []


def test_a_limit_that_is_too_tight_says_where_it_comes_from() -> None:
    limits = {"impedance": {"fs": Limit(lower=49, upper=52)}}
    own = row_of(study(trials_of(np.zeros(3), 0.2), limits), "fs")
    between = row_of(study(trials_of(np.array([-0.6, 0.0, 0.6]), 0.05), limits), "fs")
    assert own.grade == between.grade == "too tight"
    assert "a unit near it may be told either way" in sentence(own)
    assert "of the limit's width" in sentence(own)
    assert "when the same one repeats" in sentence(own)
    assert "between those who measured" in sentence(between)
    # What can be judged at 30 %: 6 x 0.2 / 0.3 wide, half of it on each side.
    assert own.study is not None
    assert f"±{10 * own.study.gauge.value:.2g} Hz" in sentence(own)


def test_one_sided_limit_is_held_against_the_way_to_it() -> None:
    found = study(trials_of(np.zeros(2), 0.2), {"impedance": {"fs": Limit(lower=46)}})
    row = row_of(found, "fs")
    assert row.study is not None
    assert row.percent.value == pytest.approx(100 * 3 * row.study.gauge.value / (row.study.mean - 46))
    assert "of the way from these units to the limit" in sentence(row)


def test_a_limit_of_its_own_goes_before_that_of_the_quantity() -> None:
    limits = {"impedance": {"fs": Limit(lower=0, upper=100), "fs left woofer": Limit(lower=49, upper=51)}}
    assert limit_for(limits, FS) == limits["impedance"]["fs left woofer"]
    assert limit_for(limits, ("leak", "fs", "left woofer")) is None
    assert row_of(study(trials_of(np.zeros(2), 0.2), limits), "fs").upper == 51


def test_one_person_is_repeatability_only() -> None:
    found = study(trials_of(np.zeros(1), 0.2), {"impedance": {"fs": Limit(lower=46, upper=54)}})
    assert found.is_study
    assert math.isnan(found.limits[0].study.appraiser.value)  # type: ignore[union-attr]
    assert any("all by P0: repeatability only" in line for line in remarks(found))
    nameless = [replace(one, by="") for one in trials_of(np.zeros(1), 0.2)]
    found = study(nameless, {"impedance": {"fs": Limit(lower=46, upper=54)}})
    assert any("nobody knows by whom: repeatability only" in line for line in remarks(found))


def test_runs_without_a_name_are_left_out_where_others_have_one() -> None:
    trials = [*trials_of(np.zeros(2), 0.2), trial("U0", "", {FS: 99.0})]
    found = study(trials, {"impedance": {"fs": Limit(lower=46, upper=54)}})
    assert found.nameless == 1
    assert "1 runs do not say who measured and are left out" in list(remarks(found))
    assert np.max(found.limits[0].values) < 60  # type: ignore[arg-type]


def test_too_few_runs_are_told() -> None:
    limits = {"impedance": {"fs": Limit(lower=46, upper=54)}}
    for few in ([], trials_of(np.zeros(2), 0.2)[:6], [trial(f"U{n}", "A", {FS: 50.0 + n}) for n in range(9)]):
        found = study(few, limits)
        assert not found.is_study
        assert found.chosen is None
        assert all(row.reason for row in found.limits)
        assert "A study needs at least 2 units, each measured by 2 people" in " ".join(remarks(found))


def test_a_small_study_and_left_out_runs_are_told() -> None:
    trials = [one for one in trials_of(np.zeros(2), 0.2) if one.unit in ("U0", "U1", "U2")]
    found = study([*trials, trial("U7", "P0", {FS: 50.0})], {"impedance": {"fs": Limit(lower=46, upper=54)}})
    assert found.chosen is not None
    assert found.chosen.units == ("U0", "U1", "U2")
    told = " ".join(remarks(found))
    assert "a small study" in told
    assert "1 of 19 runs are left out" in told


def test_copies_are_no_study() -> None:
    trials = [trial(unit, by, {FS: value}) for unit, value in (("A", 50.0), ("B", 51.0)) for by in "XY" for _ in "ab"]
    found = study(trials, {"impedance": {"fs": Limit(lower=46, upper=54)}})
    assert not found.is_study
    assert any("no measurements of their own" in line for line in remarks(found))


def test_readings_in_trouble_do_not_count() -> None:
    trials = trials_of(np.zeros(2), 0.2)
    for place, wrong in (
        (0, Reading("fs", "left woofer", 9.0, "Hz", trouble="noise")),
        (1, Reading("fs", "", math.nan, "Hz")),
    ):
        trials[place] = replace(trials[place], readings={FS: wrong})
    row = row_of(study(trials, {"impedance": {"fs": Limit(lower=46, upper=54)}}), "fs")
    # Of the first unit one reading is left: it cannot stay in the study.
    assert row.chosen is not None
    assert row.chosen.units == tuple(f"U{unit}" for unit in range(1, 10))


def test_units_told_both_ways() -> None:
    key: Key = ("polarity", "driver polarity", "left tweeter")
    signs = {"A": (1, 1, 1, -1), "B": (1, 1, 1, 1)}
    trials = [
        trial(unit, by, {key: float(sign)}, outcome="pass" if sign > 0 else "fail")
        for unit, found in signs.items()
        for by, sign in zip("XXYY", found, strict=True)
    ]
    found = study(trials, {"polarity": {"driver polarity": Limit(lower=1, upper=1)}})
    assert found.disagreements == (
        "driver polarity of left tweeter, A: 1 in 3 runs, -1 in 1 run",
        "verdict, A: pass in 3 runs, fail in 1 run",
    )
    assert found.limits == ()


def level_trials(spread_db: np.ndarray, shift_db: float) -> list[Trial]:
    """Four units by two people, three times: 80 dB, each run shifted as a whole, and spread by frequency."""
    random = np.random.default_rng(6)
    found = []
    for unit in range(4):
        for by in "XY":
            for _ in range(3):
                value = 80 + shift_db * random.standard_normal() + spread_db * random.standard_normal()
                curve = Curve("level", "left", GRID_HZ, value, "dB SPL", GRID_HZ > 30, design=np.full(241, 80.0))
                found.append(trial(f"U{unit}", by, curves={LEVEL: curve}))
    return found


def test_a_curve_is_studied_band_by_band_after_its_shift() -> None:
    limit = Limit(around="design", within=[[50, 15000, 2, 2]], align_hz=[200, 2000], align_within_db=1.5)
    spread_db = np.where(GRID_HZ > 8000, 0.3, 0.02)
    found = study(level_trials(spread_db, shift_db=0.25), {"response": {"level": limit}})
    shift = row_of(found, "level shift")
    assert shift.percent.value == pytest.approx(100 * 6 * 0.25 / 3, rel=0.4)
    bands = sorted((row for row in found.limits if row.quantity == "level"), key=lambda row: row.at_hz)
    # Thirds of an octave from 63 Hz to 12.5 kHz lie wholly within the mask.
    assert len(bands) == 24
    assert all(row.upper - row.lower == pytest.approx(4) for row in bands)
    low, high = ([row for row in bands if (row.at_hz > 8000) is above] for above in (False, True))
    assert max(row.percent.value for row in low) < 10
    assert all(20 < row.percent.value < 100 for row in high)
    assert [row.quantity for row in rows_to_show(found.limits)].count("level") == 1


def test_curves_that_cannot_be_studied_say_why() -> None:
    trials = level_trials(np.full(241, 0.1), 0.1)
    below = Limit(around="design", within=[[22, 15000, 2, 2]])
    row = row_of(study(trials, {"response": {"level": below}}), "level")
    assert (row.study, row.reason) == (None, "no run has a curve that covers the mask")
    reference = Limit(around="reference", within=[[50, 15000, 2, 2]])
    assert "no reference build" in row_of(study(trials, {"response": {"level": reference}}), "level").reason
    with pytest.raises(TableError, match="no such file"):
        study(trials, {"response": {"level": Limit(mask="missing.csv")}})


def test_the_critical_point_is_where_the_curves_come_closest() -> None:
    mask = Mask(np.array([100.0, 1000.0]), np.array([-np.inf, -np.inf]), np.array([0.0, 0.0]))
    values = np.full((3, 241), -10.0)
    values[:, 120] = [-1.0, -2.0, -3.0]
    points = critical_points(GRID_HZ, values, np.ones(241, dtype=bool), mask)
    at_hz = [GRID_HZ[index] for index, _, _ in points]
    assert all(100 <= at <= 1000 for at in at_hz)
    assert 120 in [index for index, _, _ in points]
    assert all((lower, upper) == (-np.inf, pytest.approx(0)) for _, lower, upper in points)
    # A mask narrower than a third of an octave is one band.
    narrow = Mask(np.array([600.0, 700.0]), np.array([-20.0, -20.0]), np.array([0.0, 0.0]))
    assert len(critical_points(GRID_HZ, values, np.ones(241, dtype=bool), narrow)) == 1
    assert critical_points(GRID_HZ, values, np.zeros(241, dtype=bool), mask) == []


@given(st.dictionaries(st.tuples(st.sampled_from("ABCD"), st.sampled_from("XYZ")), st.integers(1, 5)))
@settings(max_examples=100, deadline=None)
def test_what_is_chosen_was_measured(counts: dict[tuple[str, str], int]) -> None:
    chosen = choose(counts)
    if chosen is None:
        # Nobody measured two units twice.
        twice = Counter(by for (_, by), count in counts.items() if count >= 2)
        assert max(twice.values(), default=0) < 2
        return
    assert len(chosen.units) >= 2
    assert chosen.times >= 2
    assert all(counts[unit, by] >= chosen.times for unit in chosen.units for by in chosen.by)


def test_everything_is_plain_for_json() -> None:
    import json

    limits = {"impedance": {"fs": Limit(lower=46)}}
    for trials in (trials_of(np.zeros(2), 0.2), trials_of(np.zeros(1), 0.2), []):
        text = json.dumps(document(study(trials, limits)), allow_nan=False)
        assert json.loads(text)["is_study"] is bool(trials)
