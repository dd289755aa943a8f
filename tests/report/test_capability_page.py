"""The page of a study made by hand."""

import re
import xml.etree.ElementTree as ET
from html import unescape
from pathlib import Path

import numpy as np
import pytest
from run_by_hand import kit

from rig.design.limits import Limit
from rig.report.capability_page import by_band, page, wide_words
from rig.screen.capability_table import show
from rig.store.trials import Trial
from rig.study.capability import Capability, capability
from rig.study.capability_words import rows_to_show, sentence
from rig.values.readings import Curve, Reading

GRID_HZ = np.geomspace(20, 20000, 241)
LIMITS = {
    "impedance": {"fs": Limit(lower=49, upper=52)},
    "hum_and_noise": {"hum": Limit(upper=34)},
    "response": {"level": Limit(around="design", within=[[50, 15000, 2, 2]]), "match": Limit(mask="match.csv")},
}


def study(people: tuple[str, ...] = ("Ann", "Bob")) -> Capability:
    """Three units, three times; once Bob's hand slipped."""
    random, trials = np.random.default_rng(2), []
    for unit in range(3):
        for by in people:
            for time in range(3):
                slipped = 1.0 * (unit == 1 and by == "Bob" and time == 2)
                fs_hz = 50 + 0.3 * unit + 0.05 * random.standard_normal() + slipped
                hum_db = 20 + random.standard_normal()
                value = 80 + 0.03 * random.standard_normal(241)
                design = np.full(241, 80.0)
                curves = [
                    Curve("level", box, GRID_HZ, value, "dB SPL", GRID_HZ > 30, design=design) for box in ("a", "b")
                ]
                readings = {
                    ("impedance", "fs", "<left>"): Reading("fs", "<left>", fs_hz, "Hz"),
                    ("hum_and_noise", "hum", "left"): Reading("hum", "left", hum_db, "dB SPL"),
                }
                of_level = {("response", "level", curve.subject): curve for curve in curves}
                trials.append(Trial(f"U{unit}", by, "", "pass", "0", readings, of_level))
    return capability(LIMITS, Path(), trials)


def test_everything_stands_on_the_page() -> None:
    found = study()
    text = page(kit(), found, "2026-03-04T11:15:00+01:00")
    rows = rows_to_show(found.limits)
    assert {row.quantity for row in rows} == {"fs", "hum", "level"}
    assert sentence(rows[0]) in unescape(text)
    assert "<left>" not in text
    assert "These repeats differ by more than the others do; look at them first: U1 by Bob." in text
    assert "49 to 52 Hz" in text
    assert "at most 34 dB SPL" in text
    drawings = re.findall(r"<figure>(.*?)</figure>", text, flags=re.DOTALL)
    # Ranked, one curve over frequency, and the readings of the worst of three quantities and of the other box.
    assert len(drawings) == 1 + 1 + 3
    for drawing in drawings:
        assert len(list(ET.fromstring(drawing.strip()).iter())) > 20
    assert "Ann" in drawings[-1]


def test_lines_over_frequency_go_upwards() -> None:
    lines = by_band(study().limits)
    assert list(lines) == ["response: level"]
    for rows in lines["response: level"].values():
        at_hz = [row.at_hz for row in rows]
        assert at_hz == sorted(at_hz)
        assert len(at_hz) == 24


def test_one_person_and_no_slip() -> None:
    found = study(("Ann",))
    assert all(wide_words(row) == "" for row in found.limits if row.quantity == "fs")
    text = page(kit(), found, "")
    assert "repeatability only" in text
    assert "nan" not in text


def test_a_terminal_shows_the_worst_first(capsys: pytest.CaptureFixture[str]) -> None:
    show(study(), ["one record could not be read"], Path("page.html"))
    out = capsys.readouterr().out
    assert "one record could not be read" in out
    assert out.index("fs of <left>") < out.index("page.html")
    assert "limits lie under 10 %" in out
    assert "■ fs of <left>: the rig alone spreads over" in out
