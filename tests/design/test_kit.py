"""The kit's file: what is accepted, and how a mistake is told."""

import contextlib
import os
import re
import shutil
import tomllib
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from simulated_runs import ROOT, trust_checks

import checks
from rig.commands.kits import kits_command
from rig.design.kit import Kit, StageSpec, SweepSpec, kit_names, kit_sha256, load_kit
from rig.design.kit_folder import kit_files, read_files
from rig.design.limits import mask_for, read_mask, reference_note
from rig.design.speaker import HIGHEST_HZ, LOWEST_HZ
from rig.files.errors import TableError
from rig.files.tables import checked
from rig.run.schedule import plan
from rig.signals.stimulus import layout
from rig.values.readings import Curve
from rig.verdict.check import listed_checks, workspace_checks

TEXT = (ROOT / "limits" / "booth-two" / "kit.toml").read_text(encoding="utf-8")


def changed(tmp_path: Path, pattern: str, replacement: str) -> Path:
    """A workspace whose booth-two has one change in kit.toml."""
    text, count = re.subn(pattern, replacement, TEXT, count=1, flags=re.MULTILINE)
    assert count == 1
    folder = tmp_path / "limits" / "booth-two"
    folder.mkdir(parents=True)
    (folder / "kit.toml").write_text(text, encoding="utf-8")
    for mask in (ROOT / "limits" / "booth-two").glob("*.csv"):
        shutil.copy(mask, folder)
    return tmp_path


@pytest.mark.parametrize("name", kit_names(ROOT))
def test_demo_kits_load_and_plan(name: str) -> None:
    kit = load_kit(ROOT, name)
    schedule = plan(kit, listed_checks(kit, checks.ALL))
    assert [stage.name for stage in schedule.stages] == ["leads", "playing"]


@pytest.mark.parametrize(
    ("pattern", "replacement", "words"),
    [
        (r"^serial_pattern = .*", "serial_pattern = '(a+)+$'", "serial_pattern: found '(a+)+$' (a repetition within"),
        (r"^serial_pattern = .*", "serial_pattern = '('", "serial_pattern: found '(' (a ( that is never closed)"),
        (r"^serial_example = .*", "serial_example = 'BT-٠٠٠١'", "serial_example: found 'BT-٠٠٠١'; allowed: what fits"),
        (r"^gain_db = 26.0", "gain_db = 1e308", "amplifier.gain_db: found 1e+308; allowed: numbers up to 1e+15"),
        (r"^gain_db = 26.0", "gain_db = 1" + "0" * 400, "amplifier.gain_db: found 1000"),
        (r"^gain_db = 26.0", "gain_db = " + "9" * 5000, "not valid TOML: Exceeds the limit"),
        (r"^gain_db = 26.0", "gain_db = " + "[" * 5000 + "]" * 5000, "nested too deep; allowed: 20 levels"),
        (r"^gain_db = 26.0", "gain_db = " + "[" * 50 + "]" * 50, "amplifier.gain_db.[1].[1]"),
        (r"^gain_db = 26.0", "gain_db" + ".a" * 3000 + " = 1", "nested too deep; allowed: 20 levels"),
        (r"^fs_hz = 47.0", "fs_hz = -47.0", "channels.[1].drivers.[1].fs_hz: found -47.0; allowed: 5 to 5000"),
        (r"^qms = 4.2", "qns = 4.2", "channels.[1].drivers.[1].qns: unknown key (did you mean 'q"),
        (r"^nominal_ohm = .*", "", "channels.[1].drivers.[1].nominal_ohm: missing"),
        (r"^sd_cm2 = 86.0", "", "drivers.[1].size_mm: found neither size_mm nor sd_cm2; allowed: one of them"),
        (r"^sd_cm2 = 86.0", "size_mm = 1.3", "drivers.[1].size_mm: found 1.3; allowed: 10 to 600"),
        (r"^fs_hz = 47.0", "sensitivity_db = 86.0", "drivers.[1].sensitivity_db: found vas_l as well; allowed: one of"),
        (r"^fs_hz = 47.0", "qts = 0.3", "drivers.[1].qts: found qms and qes as well; allowed: two of the three"),
        (r"^qes = 0.40", "qts = 4.5", "drivers.[1].qts: found 4.5; allowed: below qms and qes, here 4.2"),
        (r"series L1 [\d.]+ mH", "series L1 0.9 uF", "0.9 uF"),
        (r"^gain_db = 26.0", 'gain_db = "loud"', "amplifier.gain_db: found 'loud'; allowed: a number"),
        (r"^re_ohm = 5.6", "re_ohm = '5,6 ohm'", "found '5,6 ohm'; allowed: a number: write 5.6, not '5,6 ohm'"),
        (r"^re_ohm = 5.6", "re_ohm = 5600.0", "re_ohm: found 5600.0; allowed: 0.5 to 100"),
        (r"^le_mh = 0.55", "le_mh = 550.0", "le_mh: found 550.0; allowed: 0 to 10"),
        (r"^qes = 0.40", "qes = 0", "qes: found 0; allowed: 0.05 to 100"),
        (r"^vas_l = 11.0", "vas_l = 11000.0", "vas_l: found 11000.0; allowed: 0.001 to 1000"),
        (r"^sd_cm2 = 86.0", "sd_cm2 = 0.0086", "sd_cm2: found 0.0086; allowed: 1 to 2000"),
        (r"volume_l = 7.5", "volume_l = 7500.0", "box.volume_l: found 7500.0; allowed: 0.1 to 1000"),
        (r"volume_l = 7.5, ", "", "box.volume_l: found none; allowed: a volume, with a vented box"),
        (r"volume_l = 7.5", "volume_l = 7,5", "decimal point, not a comma"),
        (r"^re_ohm = 5.6", "re_ohm = 5,6", "decimal point, not a comma"),
        (r"^baffle_width_m = 0.18", "baffle_width_m = 180.0", "baffle_width_m: found 180.0; allowed: 0.03 to 3"),
        (r"^distance_m = 0.5", "distance_m = 500.0", "positions.[1].distance_m: found 500.0; allowed: 0.01 to 10"),
        (r"^distance_m = 0.5", "distance_m = 0.005", "distance_m: found 0.005; allowed: 0.01 to 10; closer with near"),
        (r"^angle_deg = 15.0", 'near = "woofer"', "positions.[2].distance_m: found 0.5; allowed: 0 to 0.05"),
        (
            r"^distance_m = 0.5\nangle_deg = 30.0",
            'distance_m = 0.005\nnear = "wofer"',
            "positions.[3].near: found 'wofer' (did you mean 'woofer'?); allowed: woofer, tweeter, port",
        ),
        (r"port_cm2 = 12.6, ", "", "near: found 'port' (a port needs box.port_cm2); allowed: woofer, tweeter"),
        (
            r"kind = \"vented\", volume_l = 7.5, tuning_hz = 54.0",
            'kind = "closed", volume_l = 7.5',
            "port_cm2: found 12.6",
        ),
        (r"^place_m = .*", "place_m = [-300.0, 0.0]", "place_m.[1]: found -300.0; allowed: -20 to 20"),
        (r"^place_m = .*", "place_m = [0.0]", "place_m: found 1 values; allowed: [right_m, front_m]"),
        (r"^band_hz = .*", "band_hz = [60.0, 1300.0, 2.0]", "band_hz: found 3 values; allowed: [from_hz, to_hz]"),
        (
            r"^band_hz = .*",
            "band_hz = [60.0, 30000.0]",
            "band_hz: found [60.0, 30000.0]; allowed: [from_hz, to_hz], asc",
        ),
        (
            r"^playing = \{ start_hz = 20.0, stop_hz = 20000.0",
            "playing = { start_hz = 20.0, stop_hz = 30000.0",
            "sweeps.playing.stop_hz: found 30000.0; allowed: 5 to 20800",
        ),
        (r"^leads = \{ start_hz = 10.0", "leads = { start_hz = 1.0", "sweeps.leads.start_hz: found 1.0; allowed: 5 to"),
        (
            r"^leads = \{ start_hz = 10.0",
            "leads = { start_hz = 15000.0",
            "sweeps.leads.stop_hz: found 20000; allowed: an",
        ),
        (r"^title = .*", "title = 5", "title: found 5; allowed: text in quotes"),
        (
            r'^"Re" = .*',
            '"impedance left" = { around = "design" }',
            "limits.impedance.impedance left.within: found 0 windows; allowed",
        ),
        (r'^"Re" = .*', '"Re" = 5.0', "limits.impedance.Re: found 5.0; allowed: a table"),
        (
            r"^\[stages.playing\]",
            "[stages.play]",
            "stages.play: found 'play'; allowed: 'leads', 'playing', 'soak' or 'after'",
        ),
        (
            r"^sensitivity_hz = .*",
            "sensitivity_hz = [1.0, 2.0, 3.0]",
            "checks.response.sensitivity_hz: found 3 values; allowed: [from_hz, to_hz]",
        ),
        (r"^bridged = true", 'bridged = "no"', "amplifier.bridged: found 'no'; allowed: true or false, without quotes"),
        (r"^percent = true", 'percent = "no"', "impedance.percent: found 'no'; allowed: true or false, without quotes"),
        (
            r"\[20.0, 100.0, 25.0, 25.0\]",
            "[20.0, 100.0, 25.0]",
            "within.[1]: found 3 values; allowed: [from_hz, to_hz, minus, plus]",
        ),
        (
            r"mask = \"match.csv\"",
            'mask = "../m.csv"',
            "limits.response.match.mask: found '../m.csv'; allowed: the name",
        ),
        (r"shunt C1 6.8 uF", "shunt C1 6.8 F", "network.[2]: found C1 in 'shunt C1 6.8 F'; allowed: 1 nF to 10 mF"),
        (r"L1 1.0 mH", "L1 1.0 H", "network.[1]: found L1 in 'series L1 1.0 H (0.3 ohm)'; allowed: 1 uH to 100 mH"),
        (r"R1 6.8 ohm", "R1 0 ohm", "allowed: 0.01 ohm to 100 kohm"),
        (r"series C3", "series C2", "channels.[1].drivers: found more than one 'C2'; allowed: parts with names of"),
        (r"shunt C1", "shunt C2", "channels.[1].drivers: found more than one 'C2'; allowed: parts with names of"),
        (
            r'^name = "tweeter"',
            'name = "woofer"',
            "channels.[1].drivers: found more than one 'woofer'; allowed: drivers",
        ),
        (r'^name = "15 degrees"', 'name = "on axis"', "positions: found more than one 'on axis'; allowed: positions"),
        (
            r"leads of the \{channel\}",
            "leads of the {box}",
            "stages.leads.each: found '{box}'; allowed: {channel}, {posi",
        ),
        (r"leads of the \{channel\}", "leads of the {channel", "stages.leads.each: found 'Clip on"),
        (r"leads of the \{channel\}", "leads of the {channel.x}", "stages.leads.each: found '{channel.x}'"),
        (r"leads of the \{channel\}", "leads of the {}", "stages.leads.each: found '{}'"),
        (r"leads of the \{channel\}", "leads of the {channel:d}", "stages.leads.each: found '{channel}'"),
        (
            r'^serial_example = ".*"',
            'serial_example = "1"',
            "serial_example: found '1'; allowed: what fits serial_pattern",
        ),
        (r"^playing_v = .*", "playing_v = 60.0", "levels.playing_v: found 60; allowed: up to amplifier.limit_v = 6"),
        (
            r'^like = "left"',
            'like = "middle"',
            "channels.[2].like: found 'middle'; allowed: a channel with drivers: left",
        ),
        (
            r"^\[checks.response\]",
            "[checks.respnse]",
            "limits.response: found limits for a check that the "
            "kit does not list (did you mean 'respnse'?); allowed: leads, impedance",
        ),
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


def test_every_wrong_mask_is_told_before_anything_is_measured(tmp_path: Path) -> None:
    workspace = changed(tmp_path, r'^"mean match" = .*', '"mean match" = { mask = "other.csv" }')
    folder = workspace / "limits" / "booth-two"
    (folder / "match.csv").write_text("frequency_hz,lower,upper\n100,-1,1\n200,-1,l\n", encoding="utf-8")
    with pytest.raises(TableError) as told:
        load_kit(workspace, "booth-two")
    first, second = str(told.value).splitlines()
    assert f"{folder / 'match.csv'}: row 3, upper: found 'l'; allowed: a number" in first
    assert first.endswith("(the mask of limits.response.match)")
    assert f"{folder / 'other.csv'}: there is no such file" in second


@given(st.text(alphabet="{}:!.[]0chanel ", max_size=12) | st.text(max_size=8))
def test_words_that_are_accepted_can_be_filled_in(text: str) -> None:
    with contextlib.suppress(TableError):
        stage = checked(StageSpec, {"words": "", "each": text + "{channel}"}, Path("kit.toml"))
        assert stage.each.format(channel="left", position="", distance="").endswith("left")


@pytest.mark.parametrize(("start_hz", "stop_hz"), [(LOWEST_HZ, 2 * LOWEST_HZ), (LOWEST_HZ, HIGHEST_HZ)])
def test_the_widest_sweeps_of_a_kit_can_be_laid_out(start_hz: float, stop_hz: float) -> None:
    spec = SweepSpec(start_hz=start_hz, stop_hz=stop_hz, seconds=0.5)
    assert layout(spec.start_hz, spec.stop_hz, spec.seconds, 48000.0).total_s > spec.seconds


def test_a_folder_without_kits_is_no_workspace(tmp_path: Path) -> None:
    with pytest.raises(TableError, match="limits: there is no such folder"):
        kits_command(workspace=tmp_path)


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
        text = re.sub(rf"\[limits.{missing}\][^\[]*", "", text).replace(f'"{missing}", ', "")
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
            assert all(request.is_silence or request.level_v > loudest_gate for request in group.requests)


def test_the_hash_of_a_kit_covers_its_masks(tmp_path: Path) -> None:
    workspace = changed(tmp_path, "^name", "name")
    kit = load_kit(workspace, "booth-two")
    before = kit_sha256(kit)
    (kit.folder / "match.csv").write_text("frequency_hz,lower,upper\n1,0,1\n2,0,1\n")
    assert kit_sha256(kit) == before
    assert kit_sha256(load_kit(workspace, "booth-two")) != before


def test_a_kit_that_is_edited_after_it_was_loaded_is_still_the_one_that_was_loaded(tmp_path: Path) -> None:
    shutil.copytree(ROOT / "limits", tmp_path / "limits")
    kit = load_kit(tmp_path, "booth-two")
    key, masked = next((key, limit) for key, limit in kit.limits["response"].items() if limit.mask)
    whole = {path: path.read_bytes() for path in kit_files(kit.folder)}
    wanted = read_mask(kit.folder / masked.mask)
    for path in whole:
        path.write_bytes(b"edited")
    curve = Curve(key, "", np.array([100.0, 1000.0]), np.zeros(2), "dB", np.ones(2, dtype=bool))
    np.testing.assert_array_equal(mask_for(masked, curve, kit.folder, "response", "", kit.files).upper, wanted.upper)
    assert reference_note(kit.folder, kit.files) is not None
    assert kit.files == whole


def test_a_kit_that_is_written_while_it_is_read_is_read_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    workspace = changed(tmp_path, "^name", "name")
    reads, paused = [0], []

    def written_meanwhile(folder: Path) -> dict[Path, bytes]:
        reads[0] += 1
        return {**read_files(folder), folder / "written": b"%d" % min(reads[0], until)}

    monkeypatch.setattr("rig.design.kit.time.sleep", paused.append)
    monkeypatch.setattr("rig.design.kit.read_files", written_meanwhile)
    until = 4
    assert load_kit(workspace, "booth-two").name == "booth-two"
    assert len(paused) == 2
    until, reads[0] = 1000, 0
    with pytest.raises(TableError, match="changed again and again while it was read"):
        load_kit(workspace, "booth-two")


def test_a_folder_that_another_renames_while_a_kit_is_listed_is_left_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    workspace, usual = changed(tmp_path, "^name", "name"), os.scandir
    folder = workspace / "limits" / "booth-two"
    whole = list(kit_files(folder))
    new = folder / ".0123456789abcdef.new"
    new.mkdir()

    def renamed_meanwhile(path: str | Path) -> Iterator[os.DirEntry[str]]:
        if Path(path) == new:
            raise FileNotFoundError(2, "No such file or directory", str(path))
        return usual(path)

    monkeypatch.setattr(os, "scandir", renamed_meanwhile)
    assert list(kit_files(folder)) == whole


def test_a_folder_of_a_kit_that_cannot_be_listed_is_told_and_not_left_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without what was learnt, which lies there too, a unit would be held against other limits."""
    workspace, usual = changed(tmp_path, "^name", "name"), os.scandir
    folder = workspace / "limits" / "booth-two"

    def failing(path: str | Path) -> Iterator[os.DirEntry[str]]:
        if Path(path) == folder:
            raise OSError(5, "Input/output error", str(path))
        return usual(path)

    monkeypatch.setattr(os, "scandir", failing)
    with pytest.raises(TableError, match=r"booth-two: cannot be read \(Input/output error\)"):
        load_kit(workspace, "booth-two")


def test_a_check_of_the_workspaces_own_is_found_and_a_broken_one_told(tmp_path: Path) -> None:
    (tmp_path / "checks").mkdir()
    good = (ROOT / "checks" / "leads.py").read_text(encoding="utf-8").replace('NAME = "leads"', 'NAME = "own"')
    (tmp_path / "checks" / "own.py").write_text(good, encoding="utf-8")
    trust_checks(tmp_path)
    assert [check.NAME for check in workspace_checks(tmp_path)] == ["own"]
    (tmp_path / "checks" / "own.py").write_text("NAME = 'own'", encoding="utf-8")
    trust_checks(tmp_path)
    with pytest.raises(TableError, match=r"own\.py: a check needs .*; missing: TITLE"):
        workspace_checks(tmp_path)
    (tmp_path / "checks" / "own.py").write_text("1 / 0", encoding="utf-8")
    trust_checks(tmp_path)
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


def test_a_mask_that_limits_nothing_is_refused(tmp_path: Path) -> None:
    workspace = changed(tmp_path, "^name", "name")
    path = workspace / "limits" / "booth-two" / "match.csv"
    path.write_text("frequency_hz,lower,upper\n100,,\n200,,\n", encoding="utf-8")
    with pytest.raises(TableError, match="found no limit in any row"):
        load_kit(workspace, "booth-two")
