"""The benchmark of detection does what its table says."""

import sys
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import norm

sys.path.append(str(Path(__file__).parents[1] / "benchmarks"))
import rub_and_buzz_detection as benchmark


def test_the_level_of_99_percent_is_told_by_all_levels_together():
    levels = np.arange(-60, -49)
    shares = {int(level): float(share) for level, share in zip(levels, norm.cdf(levels, -56.0, 1.2), strict=True)}
    level, uncertainty = benchmark.level_of(shares, 100)
    assert level == pytest.approx(-56.0 + 1.2 * norm.ppf(0.99), abs=0.05)
    random = np.random.default_rng(3)
    drawn = [
        benchmark.level_of({at: random.binomial(100, share) / 100 for at, share in shares.items()}, 100)[0]
        for _ in range(40)
    ]
    assert np.std(drawn) == pytest.approx(uncertainty, rel=0.3)


@pytest.mark.parametrize("cells", [1, 30])
def test_the_ideal_lets_one_good_unit_in_a_thousand_through_wherever_it_must_search(cells):
    random = np.random.default_rng(1)
    threshold = benchmark.ideal_threshold(random.gamma(40.0, 2.0, 4000), cells)
    greatest = np.max(random.gamma(40.0, 2.0, (400000 // cells, cells)), axis=1)
    assert np.mean(greatest > threshold) == pytest.approx(0.001, rel=0.5)


def test_the_ideal_hears_a_buzz_that_the_check_cannot():
    good = np.array([benchmark.good_unit((35, number))[4][0] for number in range(12)])
    faint = [benchmark.buzzing_unit((35, "noise", -58, number)) for number in range(4)]
    assert all(row[5] > np.max(good) for row in faint)
    assert sum(row[3] == "fail" for row in faint) < 4


@pytest.mark.parametrize("ambient_db", sorted(benchmark.AMBIENT))
def test_units_are_judged_as_wanted(ambient_db):
    wanted_db, _ = benchmark.AMBIENT[ambient_db]
    assert benchmark.good_unit((ambient_db, 0))[1] == "pass"
    for carrier in benchmark.CARRIERS:
        assert benchmark.buzzing_unit((ambient_db, carrier, wanted_db, 0))[3:5] == ("fail", "rub or rattle")


WORDS = {"buzz": "rub or rattle", "loose": "loose particle", "blowing": "blowing air"}


@pytest.mark.parametrize("what", benchmark.OTHERS)
def test_everything_else_is_what_it_is_called(what):
    outcome, kind = benchmark.other_unit((what, 1))[1:]
    if what.startswith(("click", "door", "speech")):
        assert (outcome, kind) == ("void", "disturbed")
    elif what.startswith(("3 %", "good")):
        assert outcome == "pass"
    else:
        assert (outcome, kind) == ("fail", WORDS[what.split()[0].strip(",")])


def test_noise_above_regular_harmonics_is_no_contact():
    """What is left above them is broad only beyond doubt: here its energy is known to half of itself."""
    assert benchmark.other_unit(("good, high harmonics, that breaks up", 86))[1] != "fail"
