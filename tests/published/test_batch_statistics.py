"""What a batch is judged by, against worked examples: shares, performance indices, moving averages, change points."""

import math

import numpy as np
import pytest
import scipy
from reference_csv import numbers, rows

from rig.statistics.change import change_point, moving_average, moving_average_sigma
from rig.statistics.equivalence import of_groups, of_pairs
from rig.statistics.performance import anderson_darling, bissell, normal_pp, performance
from rig.statistics.proportion import clopper_pearson

#: Volume of the Nile at Aswan from 1871 on, 1e8 m3 (Cobb, The problem of the Nile: conditional solution to a
#: changepoint problem, Biometrika 65, 1978); from memory, its mean 919.35 and standard deviation 169.23 are published.
NILE = (
    *(1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960, 1180, 799, 958, 1140),
    *(1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694, 940, 833, 701, 916, 692, 1020, 1050, 969),
    *(831, 726, 456, 824, 702, 1120, 1100, 832, 764, 821, 768, 845, 864, 862, 698, 845, 744, 796, 1040, 759),
    *(781, 865, 845, 944, 984, 897, 822, 1010, 771, 676, 649, 846, 812, 742, 801, 1040, 860, 874, 848, 890),
    *(744, 749, 838, 1050, 918, 986, 797, 923, 975, 815, 1020, 906, 901, 1170, 912, 746, 919, 718, 714, 740),
)


@pytest.mark.parametrize("row", rows("proportion_confidence"))
def test_shares(row):
    count, of, confidence, lower, upper = numbers(row, "nonconforming", "n", "confidence", "exact_lower", "exact_upper")
    assert clopper_pearson(int(count), int(of), confidence) == pytest.approx((lower, upper), abs=2e-6)


def test_shares_of_none_and_of_all():
    # The rule of three's exact form: 1 - 0.025^(1/n).
    assert clopper_pearson(0, 10) == pytest.approx((0.0, 1 - 0.025**0.1))
    assert clopper_pearson(10, 10) == pytest.approx((0.025**0.1, 1.0))
    found = scipy.stats.binomtest(57, 60).proportion_ci(method="exact")
    assert clopper_pearson(57, 60) == pytest.approx((found.low, found.high))


def test_intervals_of_indices():
    # Montgomery, Introduction to statistical quality control, section 8.3.5 (from memory): 20 parts, Cp 2.29 is 1.57 to
    # 3.01; 20 parts, Cpk 1.33 is 0.88 to 1.78 (Bissell's interval).
    pp = normal_pp((62 - 38) / (6 * 1.75), 20)
    assert (pp.value, pp.lower, pp.upper) == pytest.approx((2.29, 1.57, 3.01), abs=0.006)
    ppk = bissell(1.33, 20)
    assert (ppk.lower, ppk.upper) == pytest.approx((0.88, 1.78), abs=0.006)


def test_indices_of_the_handbook_s_process():
    # NIST/SEMATECH e-Handbook 6.1.6 (from memory): limits 8 and 20, mean 16, standard deviation 2.
    z = scipy.special.ndtri((np.arange(1, 101) - 0.5) / 100)
    values = 16 + 2 * (z - z.mean()) / z.std(ddof=1)
    found = performance(values, 8, 20)
    assert found.is_normal
    assert (found.pp.value, found.ppk.value) == pytest.approx((1.0, 2 / 3))


def test_intervals_hold_what_they_say():
    random = np.random.default_rng(5)
    truth, inside = 4 / 3, {"normal": 0, "two heaps": 0}
    sigma = math.sqrt(1 + 4 * 0.24 * 4)
    for _ in range(100):
        normal = performance(random.standard_normal(60), -4, 4).ppk
        inside["normal"] += normal.lower <= truth <= normal.upper
        heaps = np.where(random.random(60) < 0.4, 4.0, 0.0) + random.standard_normal(60)
        other = performance(heaps, 1.6 - 3 * sigma * truth, 1.6 + 3 * sigma * truth)
        inside["two heaps"] += other.ppk.lower <= truth <= other.ppk.upper
    assert inside["normal"] >= 89
    assert inside["two heaps"] >= 86


def test_how_far_normal():
    # Rejected as often as it says: the critical values for unknown mean and variance, D'Agostino and Stephens
    # (1986), table 4.7: 0.752 at 5 %, 1.035 at 1 %.
    draws = np.random.default_rng(2).standard_normal((4000, 40))
    found = np.array([anderson_darling(row) for row in draws])
    assert np.mean(found[:, 0] > 0.752) == pytest.approx(0.05, abs=0.011)
    assert np.mean(found[:, 0] > 1.035) == pytest.approx(0.01, abs=0.005)
    assert np.mean(found[:, 1] < 0.05) == pytest.approx(0.05, abs=0.011)
    assert anderson_darling(np.exp(draws[0]))[1] < 0.001


def test_moving_average_of_the_handbook():
    table = [numbers(row, "x", "ewma_table", "ewma_calc") for row in rows("ewma_nist_data") if row["x"]]
    x, printed, computed_elsewhere = np.array(table).T
    found = moving_average(x, 50.0, 0.3)
    assert found == pytest.approx(printed, abs=0.005)
    assert found == pytest.approx(computed_elsewhere, abs=1e-5)
    # Limits 50 +- 3 x 0.4201 x 2.0539, once the average has grown up: 52.5884 and 47.4115.
    assert 50 + 3 * 2.0539 * moving_average_sigma(100, 0.3)[-1] == pytest.approx(52.5884, abs=2e-3)


def test_the_nile_changed_after_1898():
    assert (np.mean(NILE), np.std(NILE, ddof=1)) == pytest.approx((919.35, 169.23), abs=0.01)
    found = change_point(np.array(NILE, float))
    # Cobb (1978), and every text since: 1898 is the last year before; means 1097.8 and 850.0.
    assert 1870 + found.before == 1898
    assert (found.mean_before, found.mean_after) == pytest.approx((1097.75, 849.97), abs=2.0)
    assert not found.is_drift
    assert 1870 + found.earliest >= 1895
    assert 1870 + found.latest <= 1901


def test_equivalence_tests_are_those_of_the_t_tests():
    random = np.random.default_rng(3)
    first, second = random.normal(0, 1, 30), random.normal(0.2, 2, 25)
    found = of_groups(first, second)
    welch = scipy.stats.ttest_ind(second, first, equal_var=False)
    interval = welch.confidence_interval(0.9)
    assert found.difference_p() == pytest.approx(welch.pvalue)
    assert found.interval(0.9) == pytest.approx((interval.low, interval.high))
    # Equivalent at 5 % where the 90 % interval lies inside the margin, and only there (Schuirmann 1987).
    edge = max(abs(interval.low), abs(interval.high))
    assert found.equivalence_p(edge) == pytest.approx(0.05)
    paired = of_pairs(first[:25], second)
    assert paired.difference_p() == pytest.approx(scipy.stats.ttest_rel(second, first[:25]).pvalue)
