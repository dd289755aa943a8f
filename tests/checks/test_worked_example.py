"""A new check is one file and what a kit says of it: the example of checks/README.md, in a workspace of its own."""

import re
import shutil
from pathlib import Path

import pytest
from simulated_runs import ROOT, simulated, trust_checks

import checks
from rig.report.certificate import certificate
from rig.run.verify import job, verify
from rig.store.recorded import read_run, recorded_kit

README = (ROOT / "checks" / "README.md").read_text(encoding="utf-8")


def block(language: str) -> str:
    [found] = re.findall(rf"```{language}\n(.*?)```", README, re.S)
    return found


@pytest.fixture(scope="module")
def workspace(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The example as a workspace's own check, listed by a kit that plans little else."""
    root = tmp_path_factory.mktemp("workspace")
    (root / "checks").mkdir()
    (root / "checks" / "balance.py").write_text(block("python"), encoding="utf-8")
    trust_checks(root)
    kit = Path(shutil.copytree(ROOT / "limits" / "booth-two", root / "limits" / "booth-two"))
    text = (kit / "kit.toml").read_text(encoding="utf-8")
    planned = text.replace("[plans]\n", '[plans]\ntreble = ["leads", "ping", "balance"]\n')
    (kit / "kit.toml").write_text(f"{planned}\n{block('toml')}", encoding="utf-8")
    return root


@pytest.mark.parametrize(
    ("serial", "faults", "outcome"),
    [("BT-0001", [], "pass"), ("BT-0002", ["short:left:R2"], "fail")],
    ids=["good", "resistor before the tweeter bridged"],
)
def test_the_example_is_judged_and_explained_with_nothing_else_told_of_it(workspace, serial, faults, outcome):
    bench = simulated(workspace, "booth-two", serial, faults)
    run, record = verify(
        workspace, job(workspace, "booth-two", "treble"), serial, bench, confirm=lambda _: True, view=lambda _: None
    )
    (result,) = [result for result in run.results if result.name == "balance"]
    assert {verdict.subject: verdict.outcome for verdict in result.verdicts} == {"left": outcome, "right": "pass"}
    # From what is on the disk alone, as years later.
    kit = recorded_kit(record)
    html = certificate(record, read_run(record, kit), kit)
    assert "<th>treble against midrange</th><td>Mean level of the treble minus" in html


def test_the_table_of_the_checks_says_what_they_rest_on():
    rows = re.findall(r"^\| \[(\w+)\]\(\w+\.py\) \|.*\| ([^|]+) \|$", README, re.M)
    said = {name: () if words == "nothing" else tuple(words.split(", ")) for name, words in rows}
    assert said == {check.NAME: check.RESTS_ON.calibrations for check in checks.ALL}


@pytest.mark.parametrize("check", checks.ALL, ids=lambda check: check.NAME)
def test_a_check_names_only_quantities_that_it_explains(check):
    """Those that do not rest on a part of the bench; every reading of a run is held to this elsewhere."""
    assert {name for exempt in check.RESTS_ON.bench.values() for name in exempt} <= set(check.TERMS)
