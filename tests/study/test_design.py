"""What a kit's file models, what its own limits say of it, and what does not fit: told before anything is measured."""

import functools
import shutil
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from typer.testing import CliRunner

from rig.cli import app
from rig.design.jig import JigSpec
from rig.design.kit import Kit, load_kit
from rig.design.limits import Limit
from rig.files.tables import checked
from rig.study.design_misfits import hints, misfits
from rig.study.design_view import design_views
from rig.study.designed import judge_design

ROOT = Path(__file__).parents[2]
KITS = ("booth-two", "rehearsal-three")


@functools.cache
def demo_kit(name: str) -> Kit:
    return load_kit(ROOT, name)


def with_changes(name: str, **changes) -> Kit:
    """A demonstration kit with some of its keys changed, written a.b.1.c as a__b__1__c."""
    kit = demo_kit(name)
    values = kit.model_dump(exclude_unset=True)
    for key, value in changes.items():
        at = values
        *path, last = key.split("__")
        for step in path:
            at = at[int(step) if isinstance(at, list) else step]
        at[int(last) if isinstance(at, list) else last] = value
    changed = checked(Kit, values, Path("kit.toml"))
    changed._folder, changed._files = kit.folder, kit.files
    return changed


def told(kit: Kit) -> list[str]:
    return misfits(kit, design_views(kit), judge_design(kit))


@pytest.mark.parametrize("name", KITS)
def test_the_demo_kits_fit_themselves(name: str) -> None:
    kit = demo_kit(name)
    assert told(kit) == []
    judged = judge_design(kit)
    assert {verdict.outcome for _, _, verdict in judged} == {"pass"}
    # Every kind of limit that the model can tell is among them.
    keys = {(check, key.split(" left")[0].split(" bass")[0]) for check, key, _ in judged}
    wanted = {
        ("leads", "lowest impedance"),
        ("impedance", "impedance"),
        ("impedance", "fs"),
        ("response", "sensitivity"),
    }
    assert wanted | {("response", "match"), ("leak", "box losses QL")} <= keys


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        (
            {"amplifier__load_ohm": 6.0},
            "left and right: the impedance falls to 5.8 ohm at 270 Hz and lies below the board's load_ohm = 6",
        ),
        (
            {"channels__0__drivers__1__network": ["series C3 3.9 uF 3 V", "shunt L2 0.68 mH (0.25 ohm) 1 A"]},
            "C3 takes ",
        ),
        (
            {"channels__0__drivers__1__network": ["series C3 3.9 uF", "shunt L2 0.68 mH (0.25 ohm)"]},
            "the tweeter is 4.8 dB louder beside the crossover than the woofer",
        ),
        ({"channels__0__drivers__1__polarity": "reversed"}, "woofer and tweeter are 179 degrees apart where they meet"),
        ({"channels__0__drivers__0__power_w": 0.2}, "woofer takes 0.598 W at the sweep's level and stands 0.2 W"),
        (
            {"limits__response__sensitivity": {"lower": 83.0, "upper": 86.0}},
            'limits.response."sensitivity" (83 to 86 dB SPL) excludes the design: the design has 82.6 dB SPL, 0.38 dB',
        ),
        (
            {"limits__impedance__fs": {"upper": 40.0}},
            'limits.impedance."fs" (at most 40 Hz) excludes the design: the design has 47 Hz, 7 Hz too high',
        ),
        (
            {"checks__response__gate_ms": 3.0},
            'limits.response."free-field level" (±1.4 to 1.8 dB around the design) can never be met: '
            "the mask runs from 500 Hz to 15 kHz; the reading can be trusted from 678 Hz",
        ),
        (
            {"jig": {"floor_m": 1.2, "bench_top_m": 0.4}},
            "gate_ms = 5 is longer than the first reflection takes: off the bench top it comes 1.3 ms after",
        ),
    ],
)
def test_what_does_not_fit_is_told(changes: dict, words: str) -> None:
    assert any(words in line for line in told(with_changes("booth-two", **changes))), told(
        with_changes("booth-two", **changes)
    )


def test_a_longer_gate_is_proposed_where_the_jig_allows_it() -> None:
    kit = with_changes("booth-two", jig={"floor_m": 1.6, "side_wall_m": 2.0, "behind_microphone_m": 1.5})
    assert told(kit) == []
    assert "gate_ms = 5 could be 7.5: the first reflection, off the floor, comes after 8.0 ms" in hints(kit)[0]
    assert "[jig]" in hints(demo_kit("booth-two"))[0]
    assert JigSpec() == JigSpec.model_validate({})


def test_what_only_a_guess_knows_is_not_judged() -> None:
    kit = with_changes("booth-two", channels__0__drivers__0__fs_hz=None)
    assert design_views(kit)[0].guessed == ("woofer",)
    assert not any(verdict.subject.startswith("left") for _, _, verdict in judge_design(kit))


def test_boxes_built_alike_are_one_view_and_shares_add_up() -> None:
    one, bass = design_views(demo_kit("rehearsal-three"))
    assert (one.names, bass.names) == (("left", "right"), ("bass",))
    view = design_views(demo_kit("booth-two"))[0]
    assert view.electrical.shape == (2, view.frequency_hz.size)
    assert len(view.sounds) == 3
    levels = 20 * np.log10(np.abs(view.sounds[0].shares.sum(axis=0)) / 20e-6)
    np.testing.assert_allclose(view.sounds[0].level_db, levels)


def test_a_limit_drawn_around_a_build_is_left_alone() -> None:
    kit = demo_kit("booth-two")
    assert isinstance(kit.limits["response"]["level"], Limit)
    assert not any(key == "level" for _, key, _ in judge_design(kit))


@pytest.mark.parametrize("name", KITS)
def test_screen_and_paper(name: str, tmp_path: Path) -> None:
    shutil.copytree(ROOT / "limits", tmp_path / "limits")
    result = CliRunner().invoke(app, ["design", name, "--workspace", str(tmp_path)])
    assert result.exit_code == 0, result.output
    *told, figures = result.output.splitlines()
    assert max(map(len, told)) <= 80
    assert "Nothing in it speaks against itself." in told
    assert figures.startswith("figures: ")
    written = tmp_path / "results" / ".design"
    drawn = ElementTree.fromstring((written / f"{name}.svg").read_text(encoding="utf-8"))
    words = {element.text for element in drawn.iter("{http://www.w3.org/2000/svg}text")}
    assert {"limits", "the lowest load of the board, 4 ohm", "1.87 kHz, 1° apart"} <= words or name != "booth-two"
    assert {"Level aside, against on axis", "bass", "In words"} <= words or name != "rehearsal-three"
    assert (written / f"{name}.pdf").read_bytes().startswith(b"%PDF")
