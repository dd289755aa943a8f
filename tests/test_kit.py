"""The kit's file: what is accepted, and how a mistake is told."""

import contextlib
import re
import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from simulated_runs import ROOT

import checks
from rig.check import listed_checks, workspace_checks
from rig.kit import Kit, kit_names, kit_sha256, load_kit
from rig.schedule import plan
from rig.tables import TableError, checked

TEXT = (ROOT / "limits" / "booth-two" / "kit.toml").read_text(encoding="utf-8")


def changed(tmp_path: Path, pattern: str, replacement: str) -> Path:
    """A workspace whose booth-two has one change in kit.toml."""
    text, count = re.subn(pattern, replacement, TEXT, count=1, flags=re.MULTILINE)
    assert count == 1
    folder = tmp_path / "limits" / "booth-two"
    folder.mkdir(parents=True)
    (folder / "kit.toml").write_text(text, encoding="utf-8")
    return tmp_path


@pytest.mark.parametrize("name", kit_names(ROOT))
def test_demo_kits_load_and_plan(name: str) -> None:
    kit = load_kit(ROOT, name)
    schedule = plan(kit, listed_checks(kit, checks.ALL))
    assert [stage.name for stage in schedule.stages] == ["leads", "playing"]


@pytest.mark.parametrize(
    ("pattern", "replacement", "words"),
    [
        (r"^fs_hz = 47.0", "fs_hz = -47.0", "channels.[1].drivers.[1].fs_hz: found -47.0; allowed: greater than 0"),
        (r"^qms = 4.2", "qsm = 4.2", "channels.[1].drivers.[1].qsm: unknown key (did you mean 'qms'?)"),
        (r"^re_ohm = 5.6", "", "channels.[1].drivers.[1].re_ohm: missing"),
        (r"series L1 [\d.]+ mH", "series L1 0.9 uF", "0.9 uF"),
        (r"^gain_db = 26.0", 'gain_db = "loud"', "amplifier.gain_db: found 'loud'; allowed: a valid number"),
        (r'^serial_example = ".*"', 'serial_example = "1"', "found '1'"),
        (r"^playing_v = .*", "playing_v = 60.0", "allowed: levels.playing_v up to amplifier.limit_v"),
        (r'^like = "left"', 'like = "middle"', "found 'middle'"),
        (r"^\[checks.response\]", "[checks.respnse]", "limits only for checks that the kit lists (found ['response'])"),
        (r'^name = "booth-two"', 'name = "other"', "name: found 'other'; allowed: 'booth-two'"),
        (r"^supply_v = 24.0", "supply_v = = 24", "not valid TOML"),
        (r"^sensitivity_hz = .*", "sensitvity_hz = [1.0, 2.0]", "checks.response.sensitvity_hz: unknown key"),
    ],
)
def test_a_mistake_is_told_by_file_key_found_and_allowed(
    tmp_path: Path, pattern: str, replacement: str, words: str
) -> None:
    workspace = changed(tmp_path, pattern, replacement)
    with pytest.raises(TableError) as told:
        listed_checks(load_kit(workspace, "booth-two"), checks.ALL)
    assert words in str(told.value)
    assert str(workspace / "limits" / "booth-two" / "kit.toml") in str(told.value)


def test_an_unknown_kit_is_told_with_those_there_are() -> None:
    with pytest.raises(TableError, match="kits there: booth-two, rehearsal-three"):
        load_kit(ROOT, "booth-too")


@pytest.mark.parametrize("name", ["../limits/booth-two", "", "booth-two/", "."])
def test_a_kit_is_never_a_path(name: str) -> None:
    with pytest.raises(TableError):
        load_kit(ROOT, name)


def test_without_leads_or_ping_nothing_is_played(tmp_path: Path) -> None:
    for missing in ("leads", "ping"):
        workspace = changed(tmp_path / missing, rf"^\[checks.{missing}\]$", "")
        text = (workspace / "limits" / "booth-two" / "kit.toml").read_text(encoding="utf-8")
        text = re.sub(rf"\[limits.{missing}\][^\[]*", "", text)
        (workspace / "limits" / "booth-two" / "kit.toml").write_text(text, encoding="utf-8")
        kit = load_kit(workspace, "booth-two")
        with pytest.raises(TableError, match="list the checks leads and ping"):
            plan(kit, listed_checks(kit, checks.ALL))


def test_equal_requests_merge_and_the_quiet_ones_come_first() -> None:
    kit = load_kit(ROOT, "booth-two")
    schedule = plan(kit, listed_checks(kit, checks.ALL))
    assert schedule.needs["polarity"] == schedule.needs["response"]
    assert len(schedule.requests) == len(set(schedule.requests))
    for stage in schedule.stages:
        for group in stage.groups:
            assert group.gates
            loudest_gate = max(request.level_v for request in group.gates)
            assert all(request.level_v > loudest_gate for request in group.requests)


def test_the_hash_of_a_kit_covers_its_masks(tmp_path: Path) -> None:
    workspace = changed(tmp_path, "^name", "name")
    kit = load_kit(workspace, "booth-two")
    before = kit_sha256(kit)
    (kit.folder / "match.csv").write_text("frequency_hz,lower,upper\n1,0,1\n2,0,1\n")
    assert kit_sha256(kit) != before


def test_a_check_of_the_workspaces_own_is_found_and_a_broken_one_told(tmp_path: Path) -> None:
    (tmp_path / "checks").mkdir()
    good = (ROOT / "checks" / "leads.py").read_text(encoding="utf-8").replace('NAME = "leads"', 'NAME = "own"')
    (tmp_path / "checks" / "own.py").write_text(good, encoding="utf-8")
    assert [check.NAME for check in workspace_checks(tmp_path)] == ["own"]
    (tmp_path / "checks" / "own.py").write_text("NAME = 'own'", encoding="utf-8")
    with pytest.raises(TableError, match=r"own\.py: a check needs .*; missing: TITLE"):
        workspace_checks(tmp_path)
    (tmp_path / "checks" / "own.py").write_text("1 / 0", encoding="utf-8")
    with pytest.raises(TableError, match="ZeroDivisionError"):
        workspace_checks(tmp_path)


json_like = st.recursive(
    st.none() | st.booleans() | st.floats(allow_nan=True) | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=8,
)


@given(st.sampled_from(sorted(tomllib.loads(TEXT))), json_like)
def test_any_value_at_any_key_is_accepted_or_told_never_a_crash(key: str, value: object) -> None:
    values = {**tomllib.loads(TEXT), key: value}
    with contextlib.suppress(TableError):
        assert checked(Kit, values, Path("kit.toml")).channels
