"""Learnt masks go into kit.toml by themselves: comments and order stay, and no limit is left that nothing meets."""

import shutil
import tomllib
from pathlib import Path

import pytest
from typer.testing import CliRunner

from rig import cli
from rig.design.kit import load_kit
from rig.files.errors import TableError
from rig.files.toml_edit import edited
from rig.run.verify import job
from rig.study.learnt_limits import difference, with_learnt_limits
from rig.study.spreads import IMPEDANCE, LEVEL

ROOT = Path(__file__).parents[2]


def keys(*channels):
    return [(*kind, channel) for channel in channels for kind in (IMPEDANCE, LEVEL)]


def comments(text):
    return {line for line in text.splitlines() if line.lstrip().startswith("#")}


@pytest.mark.parametrize(
    ("kit", "channels"), [("booth-two", ("left", "right")), ("rehearsal-three", ("left", "right", "bass"))]
)
def test_masks_of_all_boxes_take_the_place_of_former_limits(kit, channels):
    loaded = load_kit(ROOT, kit)
    before = (loaded.folder / "kit.toml").read_text(encoding="utf-8")
    after = with_learnt_limits(loaded, keys(*channels))
    was, now = tomllib.loads(before), tomllib.loads(after)
    for check, quantity in (IMPEDANCE, LEVEL):
        assert quantity not in now["limits"][check]
        was["limits"][check].pop(quantity, None)
        for channel in channels:
            name = f"learnt-{quantity}-{channel}.csv".replace(" ", "-")
            assert now["limits"][check].pop(f"{quantity} {channel}") == {"mask": name}
            was["limits"][check].pop(f"{quantity} {channel}", None)
    assert now == was
    # Nothing else has changed, in its place or its words.
    assert comments(after) == comments(before)
    assert edited(after, Path("kit.toml"), {}) == after


def test_a_limit_of_all_boxes_stays_where_one_has_no_mask():
    limits = tomllib.loads(with_learnt_limits(load_kit(ROOT, "booth-two"), keys("left")))["limits"]
    assert {"impedance", "impedance left"} <= set(limits["impedance"])


def test_the_difference_is_shown_by_lines():
    assert difference("a = 1\nb = 2\n", "a = 1\nb = 3\n")[-2:] == ["-b = 2", "+b = 3"]


def test_a_file_that_cannot_be_edited_says_so():
    with pytest.raises(TableError, match="cannot be edited: a is no table"):
        edited("a = 1\n", Path("kit.toml"), {("a", "b"): {"c": 1}})


@pytest.mark.parametrize("ends", ["\r\n", "\n"])
def test_lines_keep_their_ends_and_new_ones_end_as_most_do(ends):
    lines = ["# mine", "[limits.impedance]", '"impedance left" = { mask = "old.csv" }', "", "[checks]", "ping = {}", ""]
    text = ends.join(lines).replace(f"ping = {{}}{ends}", "ping = {}\n")
    changed = edited(text, Path("kit.toml"), {("limits", "response", "level left"): {"mask": "new.csv"}})
    bare = changed.replace(ends, "\n").splitlines()
    assert [line for line in bare if line in lines] == lines[:-1]
    assert "new.csv" in changed
    # One line ended otherwise before, and still does.
    assert changed.count("\n") - changed.count("\r\n") == (1 if ends == "\r\n" else changed.count("\n"))
    assert "ping = {}\n" in changed


def test_what_stands_there_already_keeps_its_spelling():
    text = '[limits.response]\n"level left"  =  { mask = "new.csv" }  # mine\n'
    assert edited(text, Path("kit.toml"), {("limits", "response", "level left"): {"mask": "new.csv"}}) == text


def test_the_command_shows_the_difference_asks_and_keeps_the_former_file(tmp_path):
    shutil.copytree(ROOT / "limits" / "booth-two", tmp_path / "limits" / "booth-two")
    path = tmp_path / "limits" / "booth-two" / "kit.toml"
    before = path.read_bytes()
    words = ["learn", "booth-two", "--draws", "200", "--workspace", str(tmp_path)]
    done = CliRunner().invoke(cli.app, words)
    assert done.exit_code == 0, done.output
    assert '+"impedance left" = {mask = "learnt-impedance-left.csv"}' in done.output
    assert "kit.toml is left as it is" in done.output
    assert path.read_bytes() == before
    done = CliRunner().invoke(cli.app, [*words, "--yes"])
    assert done.exit_code == 0, done.output
    kept = [folder / "kit.toml" for folder in path.parent.glob("masks-of-*") if (folder / "kit.toml").exists()]
    assert [one.read_bytes() for one in kept] == [before]
    # What was written loads, and every limit is one of a reading.
    assert path.read_bytes() != before
    job(tmp_path, "booth-two")
