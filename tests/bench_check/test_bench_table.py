"""A small version of the benchmark: one severity of each kind, and a few faulty units."""

import sys
from pathlib import Path

import pytest

sys.path.append(str(Path(__file__).parents[1] / "benchmarks"))
import bench_faults as benchmark


def test_sixteen_kinds_and_more_can_be_made():
    assert len(benchmark.CASES) >= 16


@pytest.mark.parametrize("kind", benchmark.CASES)
def test_each_kind_is_told_rightly(kind):
    amounts, _ = benchmark.CASES[kind]
    kit = benchmark.KITS[sum(map(ord, kind)) % 2]
    fault = benchmark.fault_text(kind, amounts[len(amounts) // 2])
    assert benchmark.verdict(benchmark.Job(kit, fault, benchmark.serial_of(kit, 7), 7))[0] == "rightly"


@pytest.mark.parametrize("has_loopback", [True, False])
@pytest.mark.parametrize("kit", benchmark.KITS)
def test_good_units_on_good_benches_blame_nothing(kit, has_loopback):
    assert benchmark.blame(benchmark.Job(kit, "", benchmark.serial_of(kit, 8), 8, has_loopback))[0] == "nothing"


@pytest.mark.slow
@pytest.mark.parametrize(
    "job",
    # Every third with every test run.
    [pytest.param(job, marks=[pytest.mark.thorough] * (n % 3 > 0)) for n, job in enumerate(benchmark.unit_jobs(40))],
    ids=lambda job: f"{job.kit} {job.fault}",
)
def test_a_faulty_unit_is_not_blamed_on_the_bench(job):
    assert benchmark.blame(job)[0] != "blamed"
