"""Kits without an amplifier of their own, and those with a tone control or a filter before the leads."""

import re
from pathlib import Path

import pytest
from simulated_runs import ROOT

import checks
from rig.design.kit import Kit, load_kit
from rig.files.errors import TableError
from rig.findings.other_places import ALONE
from rig.findings.search import LENT_GAIN, findings
from rig.run.schedule import plan
from rig.simulated.bench import SimulatedBench
from rig.values.requests import Request
from rig.values.verdicts import CheckResult
from rig.verdict.check import ListedCheck, listed_checks
from rig.verdict.examine import examine

TEXT = (ROOT / "limits" / "booth-two" / "kit.toml").read_text(encoding="utf-8")
SHELF, DIP = 'kind = "low-shelf", hz = 120.0, gain_db = 5.0', 'kind = "peak", hz = 900.0, gain_db = -3.0, q = 1.5'


def changed(folder: Path, *changes: tuple[str, str]) -> Kit:
    text = TEXT
    for pattern, replacement in changes:
        text, count = re.subn(pattern, replacement, text, flags=re.MULTILINE)
        assert count, pattern
    (folder / "limits" / "booth-two").mkdir(parents=True, exist_ok=True)
    (folder / "limits" / "booth-two" / "kit.toml").write_text(text, encoding="utf-8")
    for mask in (ROOT / "limits" / "booth-two").glob("*.csv"):
        (folder / "limits" / "booth-two" / mask.name).write_bytes(mask.read_bytes())
    return load_kit(folder, "booth-two")


WITHOUT_BOARD = (
    (r"^supply_v = 24.0\n", "own = false\n"),
    (r'^\[limits.hum_and_noise\]\n("[a-z]+" = .*\n)+', ""),
    (r"^\[checks.hum_and_noise\]\n", ""),
    (r', "hum_and_noise"', ""),
)


def toned(*stages: str) -> tuple[str, str]:
    """A tone control of the left box, which the right one is like."""
    return r"^place_m = \[-0.3", f"tone = [{', '.join(f'{{ {stage} }}' for stage in stages)}]\nplace_m = [-0.3"


WITH_TONE = (toned(SHELF, DIP),)


def judged(kit: Kit, *faults: str, names: tuple[str, ...] = ("ping", "response", "near_field")) -> list[CheckResult]:
    """Results of the left box of a simulated unit, as the sequencer judges them."""
    listed: list[ListedCheck] = []
    for plan_name in ("bench", "around"):
        known = [one.name for one in listed]
        listed += [c for c in listed_checks(kit, checks.ALL, plan_name) if c.name in names and c.name not in known]
    needs = {one.name: [r for r in one.requests(kit) if r.channel == r.at == "left"] for one in listed}
    wanted: dict[Request, None] = dict.fromkeys(request for requests in needs.values() for request in requests)
    with SimulatedBench(kit, "BT-0001", faults).stage("playing") as player:
        captures = {capture.request: capture for capture in player.play(list(wanted))}
    clean = dict.fromkeys(captures, ())
    return [examine(one, needs[one.name], captures, clean, kit, partial=True) for one in listed]


def outcomes(results: list[CheckResult]) -> dict[str, str]:
    return {f"{v.quantity} {v.subject}": v.outcome for result in results for v in result.verdicts}


def test_a_kit_without_an_amplifier_loads_and_says_what_lies_between(tmp_path: Path) -> None:
    kit = changed(tmp_path, *WITHOUT_BOARD)
    schedule = plan(kit, listed_checks(kit, checks.ALL))
    words = {stage.name: stage.words for stage in schedule.stages}
    assert "This kit has no amplifier of its own: between card and leads stands the bench's" in words["playing"]
    assert "with a gain of 26 dB" in words["playing"]
    assert "no amplifier of its own" not in words["leads"]
    found = outcomes(judged(kit))
    assert found["sensitivity left"] == found["joined level left"] == "pass"


def test_its_level_may_be_the_bench_s_fault(tmp_path: Path) -> None:
    kit = changed(tmp_path, *WITHOUT_BOARD)
    named = findings(kit, judged(kit, "quiet:left=6", names=("ping", "response")))
    assert named[0].kind == "gain"
    assert LENT_GAIN in named[0].alike


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ((WITHOUT_BOARD[0],), "limits.hum_and_noise: found limits of what an amplifier does; allowed: none: with ampl"),
        (((r"^supply_v = 24.0\n", ""),), "amplifier.supply_v: found none; allowed: the volts of the board's supply"),
        ((toned(f"{SHELF}, q = 2.0"),), "q: found 2; allowed: a Q with a peak alone"),
        ((toned(SHELF.replace("5.0", "40.0")),), "gain_db: found 40.0; allowed: -24 to 24"),
    ],
)
def test_what_cannot_be_is_told_by_its_key(tmp_path: Path, changes: tuple[tuple[str, str], ...], words: str) -> None:
    with pytest.raises(TableError) as told:
        changed(tmp_path, *changes)
    assert words in str(told.value)


def test_a_tone_control_is_part_of_the_design(tmp_path: Path) -> None:
    kit = changed(tmp_path, *WITH_TONE)
    words = plan(kit, listed_checks(kit, checks.ALL)).stages[-1].words
    assert "Between the card and the leads stands at left +5 dB below 120 Hz, -3 dB around 900 Hz" in words
    found = outcomes(judged(kit))
    assert found["free-field level left"] == found["joined level left"] == "pass"


def test_a_tone_control_that_was_moved_fails_in_the_bass(tmp_path: Path) -> None:
    kit = changed(tmp_path, *WITH_TONE)
    results = judged(kit, "toned:left=6", names=("near_field",))
    assert outcomes(results)["joined level left"] == "fail"
    [finding] = findings(kit, results)
    assert finding.kind == "unknown"
    assert finding.words.startswith(ALONE.format("left"))


def test_what_a_tone_control_lifts_counts_against_the_highest_voltage(tmp_path: Path) -> None:
    kit = changed(tmp_path, *WITH_TONE, (r"^limit_v = 6.0", "limit_v = 3.0"), (r"^level_v = 3.0", "level_v = 1.0"))
    with pytest.raises(TableError, match=r"1.8 V .* filter and tone control lift to 3\.\d+ V; allowed: up to"):
        plan(kit, listed_checks(kit, checks.ALL))
