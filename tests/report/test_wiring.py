"""The wiring figures say what they must, and can be read."""

import itertools
import re
import textwrap
import tomllib
from pathlib import Path
from xml.etree import ElementTree

import ttf_opensans
from PIL import ImageFont

from rig.commands.wiring import wiring_command
from rig.report import WIRING

SPACE = "{http://www.w3.org/2000/svg}"
COMMITTED = sorted(WIRING.glob("*.svg"))


def words_of(name: str) -> str:
    tree = ElementTree.parse(WIRING / f"{name}.svg")
    return " ".join(element.text or "" for element in tree.iter(f"{SPACE}text"))


def test_the_command_gives_every_figure_as_it_is(tmp_path: Path) -> None:
    wiring_command(tmp_path / "figures")
    given = sorted((tmp_path / "figures").iterdir())
    assert [path.name for path in given] == [path.name for path in COMMITTED]
    assert [path.read_bytes() for path in given] == [path.read_bytes() for path in COMMITTED]


def test_drawings_hold_no_date() -> None:
    for path in COMMITTED:
        assert not re.search(r"\b20\d\d-\d\d-\d\d", path.read_text(encoding="utf-8"))


def test_words_of_safety() -> None:
    bridged = words_of("bridged")
    assert bridged.count("NEVER") == 2
    assert bridged.count("INSTEAD") == 1
    assert "leads off the amplifier" in bridged
    assert "by the microphone" in bridged
    # Nothing is called safe on a live output.
    assert "SAFE" not in bridged
    for name in ("leads-return", "leads-source", "known-load"):
        assert "amplifier: off, unplugged" in words_of(name)
    assert "nothing else" in words_of("playing")
    heat = words_of("soak")
    assert "both terminals are live and never meet the card's ground" in heat
    assert "thermal switch" in heat
    assert heat.count("isolated pick-up") == 3
    assert "isolated = true" in heat


def test_roles_and_numbers_are_those_of_the_bench_on_its_page() -> None:
    lines = (Path(__file__).parents[2] / "rig" / "bench" / "README.md").read_text(encoding="utf-8").splitlines()
    from_there = itertools.dropwhile(lambda line: line != '    kind = "soundcard"', lines)
    block = itertools.takewhile(lambda line: not line or line.startswith("    "), from_there)
    example = tomllib.loads(textwrap.dedent("\n".join(block)))
    leads, playing = example["leads"], example["playing"]
    for role, number in leads["inputs"].items():
        for name in ("leads-return", "leads-source", "known-load"):
            assert f"input {number}: {role}" in words_of(name)
    (source,) = leads["outputs"].values()
    assert f"output {source}: source" in words_of("leads-return")
    for channel, number in playing["outputs"].items():
        assert f"output {number}: {channel}" in words_of("playing")
    for role, number in playing["inputs"].items():
        assert f"input {number}: {role}" in words_of("playing")
    assert f"output {playing['loopback_output']}: loopback_output" in words_of("playing")


def test_the_soak_is_wired_as_its_page_says() -> None:
    text = (Path(__file__).parents[2] / "rig" / "bench" / "README.md").read_text(encoding="utf-8")
    lines = itertools.dropwhile(lambda line: line != "    [soak]", text.splitlines())
    block = itertools.takewhile(lambda line: not line or line.startswith("    "), lines)
    wiring_of_soak = tomllib.loads(textwrap.dedent("\n".join(block)))["soak"]
    for channel, number in wiring_of_soak["outputs"].items():
        assert f"output {number}: {channel}" in words_of("soak")
    for role, number in wiring_of_soak["inputs"].items():
        assert f"input {number}: {role}" in words_of("soak")
    assert f"{wiring_of_soak['sense_channel']} box" in words_of("soak")


def test_the_known_load_is_told_for_both_wirings() -> None:
    assert "in the source lead" in words_of("known-load")


#: The widest that words of these drawings are in their own font, over the font that they are measured with here.
WIDER = 1.22


def extents(path: Path) -> tuple[tuple[float, float], list[tuple[str, float, float, float, float]]]:
    """Size of a drawing, and each of its words with left, right, upper and lower edge; all in millimetres."""
    root = ElementTree.parse(path).getroot()
    boxes = []
    for element in root.iter(f"{SPACE}text"):
        words, size = element.text or "", float(element.attrib["font-size"])
        face = ttf_opensans.OPENSANS_BOLD if element.get("font-weight") == "bold" else ttf_opensans.OPENSANS_REGULAR
        width = ImageFont.truetype(str(face.path), 100).getlength(words) / 100 * size * WIDER
        share = {"start": 0.0, "middle": 0.5, "end": 1.0}[element.get("text-anchor", "start")]
        left, base = float(element.attrib["x"]) - share * width, float(element.attrib["y"])
        boxes.append((words, left, left + width, base - 0.75 * size, base + 0.2 * size))
    _, _, width, height = map(float, root.attrib["viewBox"].split())
    return (width, height), boxes


def test_no_words_leave_the_sheet_or_lie_on_each_other() -> None:
    for path in COMMITTED:
        (width, height), boxes = extents(path)
        assert len(boxes) > 5
        for n, (words, left, right, top, foot) in enumerate(boxes):
            assert 0 <= left < right <= width, (path.name, words)
            assert 0 <= top < foot <= height, (path.name, words)
            for other, its_left, its_right, its_top, its_foot in boxes[n + 1 :]:
                apart = right <= its_left or its_right <= left or foot <= its_top or its_foot <= top
                assert apart, (path.name, words, other)
