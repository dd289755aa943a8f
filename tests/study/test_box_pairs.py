"""Pairs of boxes: of all pairings the one that differs least, found by trying them all where there are few."""

import itertools
import json
import math
import shutil
from pathlib import Path

import numpy as np
import pytest
from stored_batch import Plan, stored_batch
from test_batch import give_mask, template
from typer.testing import CliRunner

from rig import cli
from rig.design.kit import load_kit
from rig.files.errors import TableError
from rig.study.box_pairs import alike, differences, matched, random_pairs

ROOT = Path(__file__).parents[2]


def weights(count: int, seed: int) -> np.ndarray:
    places = np.random.default_rng(seed).standard_normal((count, 3))
    weight = np.linalg.norm(places[:, np.newaxis] - places, axis=-1)
    np.fill_diagonal(weight, math.inf)
    return weight


def pairings(left: list[int]) -> list[list[tuple[int, int]]]:
    """All ways to pair an even number of boxes."""
    if not left:
        return [[]]
    first, rest = left[0], left[1:]
    return [[(first, other), *pairs] for other in rest for pairs in pairings([one for one in rest if one != other])]


def test_of_all_pairings_it_is_the_least() -> None:
    for seed in range(3):
        weight = weights(8, seed)
        least = min(sum(weight[pair] for pair in pairs) for pairs in pairings(list(range(8))))
        pairs, is_thinned = matched(weight, ["box"] * 8)
        assert sum(weight[pair] for pair in pairs) == pytest.approx(least)
        assert not is_thinned


def test_left_goes_with_right() -> None:
    weight, sides = weights(10, 4), ["left", "right"] * 5
    least = min(
        sum(weight[2 * a, 2 * b + 1] for a, b in enumerate(order)) for order in itertools.permutations(range(5))
    )
    pairs, _ = matched(weight, sides)
    assert sum(weight[pair] for pair in pairs) == pytest.approx(least)
    assert all({sides[a], sides[b]} == {"left", "right"} for a, b in pairs)


def test_an_odd_box_and_pairs_that_differ_too_much_stay_alone() -> None:
    pairs, _ = matched(weights(7, 5), ["box"] * 7)
    assert len(pairs) == 3
    weight, sides = weights(10, 6), ["left", "right"] * 5
    close, _ = matched(np.where(weight < 1.0, weight, math.inf), sides)
    assert all(weight[pair] < 1.0 for pair in close)
    assert 0 < len(close) < 5


def test_boxes_differ_by_level_and_by_resonance() -> None:
    levels = np.array([[80.0, 82.0], [81.0, 81.0], [80.0, 82.0]])
    level, fs_db = differences(levels, np.array([50.0, 50.0, 50.5]))
    assert level[0, 1] == pytest.approx(1.0)
    assert level[0, 2] == pytest.approx(0.0, abs=1e-6)
    assert fs_db[0, 2] == pytest.approx(0.173, abs=1e-3)


def test_random_pairs_are_worse_and_the_same_each_time() -> None:
    weight = weights(20, 7)
    pairs, _ = matched(weight, ["box"] * 20)
    mean, worst = random_pairs(weight, ["box"] * 20)
    assert mean > np.mean([weight[pair] for pair in pairs])
    assert worst > max(weight[pair] for pair in pairs)
    assert random_pairs(weight, ["box"] * 20) == (mean, worst)


def test_boxes_that_are_not_alike_make_no_pairs() -> None:
    assert alike(load_kit(ROOT, "booth-two")) == ["left", "right"]
    with pytest.raises(TableError, match="allowed: one box a unit, or two that are alike"):
        alike(load_kit(ROOT, "rehearsal-three"))


def store(workspace: Path, plan: Plan) -> None:
    """Units of shelf-one, whose level is judged."""
    shutil.copytree(ROOT / "tests" / "archive" / "limits" / "shelf-one", workspace / "limits" / "shelf-one")
    made = template(workspace / "template")
    give_mask(made, "free-field level", "100,60,100\n15000,60,100\n")
    list(stored_batch(workspace, made, plan))


def test_units_that_are_chosen_by_how_a_run_ended_are_paired_by_their_newest(tmp_path: Path) -> None:
    """Each of these failed at first: their newest runs, which passed, are none that failed."""
    store(tmp_path, Plan(4, lot_from=0, drift_from=0, faulty=1.0, void=0))
    asked = ["pairs", "shelf-one", "--workspace", str(tmp_path), "--outcome", "fail", "--json"]
    done = CliRunner().invoke(cli.app, asked)
    assert done.exit_code == 0, done.output
    assert len(json.loads(done.stdout)["pairs"]) == 2


def test_the_command_pairs_units_that_passed(tmp_path: Path) -> None:
    store(tmp_path, Plan(13, lot_from=0, drift_from=0, faulty=0, void=0))
    done = CliRunner().invoke(cli.app, ["pairs", "shelf-one", "--workspace", str(tmp_path), "--json"])
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    assert len(told["pairs"]) + len(told["left_out"]) // 2 in (5, 6)
    assert told["chosen_db"][0] < told["random_db"][0]
    assert told["built_db"] == [None, None]
    paired = [box["serial"] for pair in told["pairs"] for box in (pair["one"], pair["other"])]
    alone = [box["serial"] for box in told["left_over"]]
    assert len(set(paired + alone)) == len(paired + alone)
    assert len(paired + alone) + len(told["left_out"]) == 13
    table = CliRunner().invoke(cli.app, ["pairs", "shelf-one", "--workspace", str(tmp_path), "--csv"]).stdout
    none = CliRunner().invoke(cli.app, ["pairs", "shelf-one", "--workspace", str(tmp_path), "--most", "0"]).stdout
    assert "no two boxes are near enough by" in none
    assert "nan" not in none
    assert table.splitlines()[0] == "one,one_channel,other,other_channel,total_db,level_db,fs_percent"
