"""Axes have few round ticks, curves keep their peaks, and what is drawn comes out as SVG and as PDF."""

import re
from datetime import UTC, datetime
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from rig.drawing.axes import MOST_TIMES, Axis, frequency_axis, linear_axis, ohm_axis, round_values, time_axis
from rig.drawing.panels import Band, Line, Panel, Rule, curve_axes, figure
from rig.drawing.pdf import _suit, new_document, write_pdf
from rig.drawing.svg import HATCHED, MOST_POINTS, RIM, SERIES, drawing, standalone, text, thinned, write_svg

NAN = float("nan")
AT_HZ = np.geomspace(20, 20000, 200)
MADE_AT = datetime(2026, 3, 4, 11, 15, tzinfo=UTC)
SPACE = "{http://www.w3.org/2000/svg}"


def panel(**changes: object) -> Panel:
    level = 85 + 3 * np.sin(np.log(AT_HZ))
    across, up = curve_axes(AT_HZ, [level], "dB SPL")
    lines = (Line(AT_HZ, level, "a < b"), Line(AT_HZ, level - 1, "second", SERIES[1], marks=1))
    bands = (Band(AT_HZ, level - 2, level + 2, "good units"),)
    whole = {"title": "level", "across": across, "up": up, "lines": lines, "bands": bands}
    return Panel(**(whole | {"rules": (Rule(84.0, "limit"),)} | changes))  # type: ignore[arg-type]


@settings(max_examples=20)
@given(arrays(np.float64, st.integers(2, 2000), elements=st.floats(-1e3, 1e3)))
def test_thinning_keeps_ends_and_extremes(value: np.ndarray) -> None:
    at_hz = np.geomspace(20, 20000, value.size)
    thin_hz, thin = thinned(at_hz, value)
    assert thin_hz.size <= MOST_POINTS + 2
    assert np.all(np.diff(thin_hz) > 0)
    assert thin.min() == value.min()
    assert thin.max() == value.max()
    assert (thin_hz[0], thin_hz[-1]) == (at_hz[0], at_hz[-1])
    assert set(zip(thin_hz, thin, strict=True)) <= set(zip(at_hz, value, strict=True))


@pytest.mark.parametrize(("bottom", "ceiling"), [(1.0, 1.0), (-1e308, 1e308), (0.0, np.inf), (NAN, 1.0)])
def test_round_values_of_no_range_are_one_at_most(bottom: float, ceiling: float) -> None:
    assert round_values(bottom, ceiling, 7).size <= 15


@given(st.floats(1.0, 1e6))
def test_time_axes_have_few_round_ticks(to_s: float) -> None:
    axis = time_axis(to_s)
    at_s = np.array(list(axis.ticks))
    assert 1 <= at_s.size <= MOST_TIMES + 2
    assert at_s[0] == 0
    assert at_s[-1] <= to_s * 1.001
    seconds = {"s": 1, "min": 60, "h": 3600}[axis.words.removeprefix("time in ")]
    assert np.allclose([float(words) * seconds for words in axis.ticks.values()], at_s)


@pytest.mark.parametrize(
    ("axis", "words"),
    [
        (frequency_axis(20, 20000), ["20", "50", "100", "200", "500", "1k", "2k", "5k", "10k", "20k"]),
        (ohm_axis(3.5, 30), ["4", "6", "8", "12", "16", "24"]),
        (linear_axis("dB", -6, 2), ["−6", "−4", "−2", "0", "2"]),
    ],
)
def test_axes_say_round_values(axis: Axis, words: list[str]) -> None:
    assert list(axis.ticks.values()) == words
    shares = axis.share(np.array(list(axis.ticks)))
    assert np.all(np.diff(shares) > 0)
    assert axis.share(axis.start) == 0
    assert axis.share(axis.stop) == 1


def test_an_axis_may_run_downwards_and_not_positive_values_leave_a_logarithmic_one() -> None:
    names = Axis("", 1.5, -0.5, {0.0: "first", 1.0: "second"})
    assert names.share(np.array([0.0, 1.0])) == pytest.approx([0.75, 0.25])
    assert np.all(frequency_axis(20, 20000).share(np.array([0.0, -5.0])) < 0)
    assert np.isnan(frequency_axis(20, 20000).share(NAN))


def test_a_figure_holds_its_panels_side_by_side_with_a_legend_each() -> None:
    tree = ElementTree.fromstring(figure([panel(), panel(title="other")], columns=2, title="whole\nfigure"))
    words = [element.text for element in tree.iter("text")]
    assert {"whole", "figure", "level", "other", "a < b", "second", "good units", "limit", "20k", "dB SPL"} <= set(
        words
    )
    assert words.count("a < b") == 2
    left, right = (float(part.attrib["x"]) for part in tree.findall("svg"))
    assert right > left + 300
    assert float(tree.attrib["viewBox"].split()[3]) > 205


def test_a_line_is_broken_where_it_is_not_known_and_a_band_too() -> None:
    gap = np.where((AT_HZ > 100) & (AT_HZ < 200), NAN, 85.0)
    svg = figure([panel(lines=(Line(AT_HZ, gap),), bands=(Band(AT_HZ, gap, gap + 1),))])
    (line,) = re.findall(r'class="line" d="([^"]*)"', svg)
    assert line.count("M") == 2
    assert len(re.findall(r'class="band"', svg)) == 2


def test_an_open_side_of_a_band_goes_to_the_edge_of_the_panel() -> None:
    svg = figure([panel(lines=(), bands=(Band(AT_HZ, np.full(200, -np.inf), np.full(200, 85.0)),))])
    assert "inf" not in svg
    (area,) = re.findall(r'class="band" d="([^"]*)"', svg)
    depths = [float(y) for y in re.findall(r" ([\d.]+)(?=[LZ])", area)]
    assert max(depths) > 205 - 24 - 36


def test_a_file_of_its_own_is_white_and_has_its_size_and_hatching(tmp_path: Path) -> None:
    file = write_svg(
        tmp_path / "figure.svg", figure([panel(bands=(Band(AT_HZ, AT_HZ * 0, AT_HZ, "x", HATCHED),))]), 120
    )
    root = ElementTree.parse(file).getroot()
    assert root.tag == f"{SPACE}svg"
    assert root.attrib["width"] == "120mm"
    assert root.find(f"{SPACE}rect").attrib["fill"] == "#fff"  # type: ignore[union-attr]
    assert root.find(f".//{SPACE}pattern").attrib["id"] == "outside"  # type: ignore[union-attr]
    assert standalone("".join(['<svg viewBox="0 0 10 5">', "</svg>"])).count('height="95.0mm"') == 1


def test_words_from_outside_leave_a_drawing_well_formed(tmp_path: Path) -> None:
    words = "\x1b[2J\x00\ufffe<b>&\"'\ud800 ü \U0001f50a"
    path = write_svg(tmp_path / "x.svg", drawing(9, 9, [text(1, 1, words)], words))
    [element] = ElementTree.fromstring(path.read_bytes()).iter(f"{SPACE}text")
    assert element.text == "[2J<b>&\"' ü \U0001f50a"


def test_a_pdf_holds_drawings_as_vectors_with_its_font_and_is_the_same_every_time(tmp_path: Path) -> None:
    drawings = [figure([panel()], title="ohm Ω − 5 µF")] * 5
    first = write_pdf(tmp_path / "one.pdf", drawings, "five", MADE_AT).read_bytes()
    assert first == write_pdf(tmp_path / "two.pdf", drawings, "five", MADE_AT).read_bytes()
    # Five drawings of 60 mm and more do not fit on one page; no picture of points is in it, and the font is.
    assert len(re.findall(rb"/Type /Page\b", first)) == 2
    assert b"/Subtype /Image" not in first
    assert b"OpenSans" in first
    assert len(first) < 60_000


def test_words_with_a_rim_are_not_drawn_over_by_it_on_paper() -> None:
    root = ElementTree.fromstring(f'<svg xmlns="http://www.w3.org/2000/svg"><text {RIM}>words</text></svg>')
    _suit(root)
    # What has no stroke of its own is given one by the library, as wide as the rim.
    assert root.find(f"{SPACE}text").get("stroke") == "none"


def test_a_document_that_could_not_be_drawn_leaves_no_file_open() -> None:
    files = []

    def fail() -> None:
        with new_document("x", MADE_AT) as document:
            files.extend(font.ttfont.reader.file for font in document.fonts.values())
            raise RuntimeError

    with pytest.raises(RuntimeError):
        fail()
    assert [file.closed for file in files] == [True, True]
