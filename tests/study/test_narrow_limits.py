"""Limits without room for good units are told when the kit is loaded, with what they would need."""

from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from rig.cli import app
from rig.design.kit import load_kit
from rig.design.limits import Limit
from rig.study.kit_warnings import kit_warnings
from rig.study.narrow_limits import narrow_limits, reaches

ROOT = Path(__file__).parents[2]
KITS = ("booth-two", "rehearsal-three")


def demo_kit(name):
    return load_kit(ROOT, name)


def with_limit(name, check, key, **limit):
    kit = demo_kit(name)
    limits = {**kit.limits, check: {**kit.limits[check], key: Limit(**limit)}}
    changed = kit.model_copy(update={"limits": limits})
    changed._folder = kit.folder
    return changed


@pytest.mark.parametrize("name", KITS)
def test_the_demo_kits_leave_room(name):
    assert narrow_limits(demo_kit(name)) == ()


@pytest.mark.parametrize(
    ("name", "check", "key", "limit", "told"),
    [
        ("booth-two", "response", "sensitivity", {"lower": 81.0, "upper": 83.6}, "upper = 83.6 dB SPL is too narrow"),
        ("booth-two", "impedance", "Re", {"lower": 5.5, "upper": 6.0}, "lower = 5.5 ohm"),
        ("booth-two", "impedance", "fs", {"lower": 46.0, "upper": 48.0}, "lower = 46 and upper = 48 Hz"),
        ("booth-two", "response", "mean match", {"lower": -0.3, "upper": 0.3}, "lower = -0.3"),
        ("rehearsal-three", "leak", "Qtc", {"lower": 0.6, "upper": 1.0}, "lower = 0.6 is too narrow"),
        ("rehearsal-three", "leads", "lowest impedance", {"lower": 4.0}, "lower = 4 ohm"),
    ],
)
def test_a_limit_without_room_is_told_with_what_it_would_need(name, check, key, limit, told):
    (line,) = narrow_limits(with_limit(name, check, key, **limit))
    assert line.startswith(f'limits.{check}."{key}": ')
    assert told in line
    assert "need" in line


def test_a_level_that_is_aligned_needs_room_for_what_is_taken_out():
    around = {"around": "design", "within": [[500, 5000, 1.4, 1.4]], "align_hz": [500, 5000], "align_within_db": 0.8}
    (line,) = narrow_limits(with_limit("booth-two", "response", "free-field level", **around))
    assert "align_within_db = 0.8 is too narrow" in line
    narrow = with_limit("booth-two", "response", "free-field level", **{**around, "around": "reference"})
    # The bench cancels against a reference build of its own, and how its unit lies is not known here.
    assert narrow_limits(narrow) == ()


def test_a_wide_limit_and_one_side_alone_are_not_told():
    assert narrow_limits(with_limit("booth-two", "impedance", "Re", lower=1.0)) == ()
    assert narrow_limits(with_limit("booth-two", "impedance", "Re", upper=20.0)) == ()


def test_what_is_needed_is_the_tolerance_and_the_bench_beyond():
    found = {(one.quantity, one.subject): one for one in reaches(demo_kit("booth-two")) if one.check == "impedance"}
    fs, re = found["fs", "left woofer"], found["Re", "left woofer"]
    # fs: 8 % to both sides, which a bench hardly adds to; Re: 4 %, and about 1.5 % of a usual bench.
    assert fs.lowest == pytest.approx(47.0 * 0.92, rel=0.01)
    assert fs.highest == pytest.approx(47.0 * 1.08, rel=0.01)
    assert 5.6 * 1.04 + 0.08 < re.highest < 5.6 * 1.04 + 0.2
    level = next(one for one in reaches(demo_kit("booth-two")) if one.quantity == "sensitivity")
    assert 2.2 < level.highest - level.lowest < 3.5
    assert np.isfinite([level.lowest, level.highest]).all()


def test_no_run_is_lost_to_a_warning(monkeypatch):
    def fails(kit):
        raise ValueError("no such model")

    monkeypatch.setattr("rig.study.kit_warnings.narrow_limits", fails)
    (line,) = kit_warnings(demo_kit("booth-two"))
    assert "no such model" in line


def test_kits_lists_them_of_the_kit_that_is_named(tmp_path):
    source = demo_kit("booth-two").folder
    folder = tmp_path / "limits" / "booth-two"
    folder.mkdir(parents=True)
    for file in source.glob("*.csv"):
        (folder / file.name).write_bytes(file.read_bytes())
    text = (source / "kit.toml").read_text(encoding="utf-8").replace("upper = 84.2", "upper = 83.2")
    (folder / "kit.toml").write_text(text, encoding="utf-8")
    done = CliRunner().invoke(app, ["kits", "booth-two", "--workspace", str(tmp_path)])
    assert done.exit_code == 0
    assert "warning" in done.output
    assert "83.2" in done.output
