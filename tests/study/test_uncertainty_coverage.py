"""The benchmark of coverage in small: values lie about the truth as their uncertainties say."""

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.append(str(Path(__file__).parents[1] / "benchmarks"))
import uncertainty_coverage as benchmark

AMBIENT_DB = 38.0


@pytest.fixture(scope="module")
def runs() -> list[dict[benchmark.Key, benchmark.Seen]]:
    return [benchmark.one_run((number, AMBIENT_DB)) for number in range(8)]


@pytest.fixture(scope="module")
def true() -> dict[benchmark.Key, tuple[float, str]]:
    return benchmark.true_values(AMBIENT_DB)


def test_runs_lie_about_the_truth_as_stated(runs: list[dict], true: dict) -> None:
    """One interval in twenty may miss; of eight runs more than three do so in four cases of ten thousand."""
    rows = benchmark.coverages(runs, true)
    known = {row.key[0]: row for row in rows if row.source}
    assert {"sensitivity", "mean match", "level", "free-field level", "match", "band level", "ping level"} <= set(known)
    assert {"harmonic 2", "noise", "hiss", "hum", "lowest impedance", "impedance", "phase"} <= set(known)
    for row in rows:
        assert np.isfinite(row.stated)
        if row.source:
            assert row.covered > 0.6, row


def test_an_uncertainty_that_is_far_too_small_would_be_seen(runs: list[dict], true: dict) -> None:
    small = [{key: benchmark.Seen(seen.value, seen.uncertainty / 10) for key, seen in run.items()} for run in runs]
    rows = benchmark.coverages(small, true)
    missed = [row for row in rows if row.source and row.covered <= 0.6]
    assert len(missed) > 0.8 * sum(bool(row.source) for row in rows)


def test_units_about_a_limit_are_judged_and_their_parameters_hold_the_truth() -> None:
    units = [benchmark.one_unit((number, AMBIENT_DB)) for number in range(6)]
    for key in units[0][1]:
        seen = [fitted[key] for _, fitted in units]
        off = [abs(one.value - one.true) / one.uncertainty for one in seen]
        assert max(off) < 4.5, key
    judged = [one for each, _ in units for one in each]
    by_rule = {rule: [one for one in judged if one.rule == rule] for rule, _, _ in benchmark.RULES}
    for one in by_rule["guarded, U"]:
        assert one.outcome != "pass" or one.margin >= 2 * one.uncertainty
    for one in by_rule["risk, 2.5 %"]:
        assert one.outcome != "pass" or one.conformity >= 0.975
    assert {one.outcome for one in by_rule["simple"]} == {"pass", "fail"}
    assert len(benchmark.false_acceptance_table(judged)) == 1 + 2 * len(benchmark.RULES)
