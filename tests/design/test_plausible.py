"""What is hardly meant is asked about, the dangerous refused, limits that meet nothing told: when a kit is loaded."""

import shutil
import tomllib
from pathlib import Path

import pytest

from rig.circuit.notation import parse_element
from rig.design.kit import kit_in, load_kit
from rig.design.plausible import implausible, without_effect
from rig.files.errors import TableError
from rig.run.verify import job
from rig.study.kit_warnings import kit_warnings

ROOT = Path(__file__).parents[2]


def changed(folder, *changes, kit="booth-two"):
    """A workspace with one kit, some of its text changed."""
    there = folder / "limits" / kit
    shutil.copytree(ROOT / "limits" / kit, there, ignore=shutil.ignore_patterns("reference"))
    text = (there / "kit.toml").read_text(encoding="utf-8")
    for before, after in changes:
        assert before in text
        text = text.replace(before, after, 1)
    (there / "kit.toml").write_text(text, encoding="utf-8")
    return folder


@pytest.mark.parametrize("name", ["booth-two", "rehearsal-three"])
def test_nothing_is_odd_about_the_demo_kits(name):
    assert implausible(load_kit(ROOT, name)) == []


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [
        ("gain_db = 26.0", "gain_db = 260.0", "amplifier.gain_db: found 260.0; allowed: -20 to 60"),
        (
            "limit_v = 6.0",
            "limit_v = 60.0",
            "amplifier.limit_v: found 60; allowed: up to 17, which is what a board on 24 V",
        ),
        (
            "bridged = true\nlimit_v = 6.0",
            "bridged = false\nlimit_v = 9.0",
            "up to 8.49, which is what a board on 24 V, not",
        ),
    ],
)
def test_what_would_be_dangerous_is_refused(before, after, told, tmp_path):
    with pytest.raises(TableError) as error:
        kit_in(changed(tmp_path, (before, after)) / "limits" / "booth-two")
    assert told in str(error.value)


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [
        ("qes = 0.40", "qes = 48.0", "(left woofer): qms = 4.2, qes = 48: a total Q of 3.86; usual are 0.1 to 3"),
        ("shunt C1 6.8 uF", "shunt C1 10 nF", "it does nothing across a driver of 6 ohm; is its unit right?"),
        ("series C3 3.9 uF", "series C3 3.9 nF", "it lets next to nothing through to a driver of 6 ohm"),
        ("series L1 1.0 mH (0.3 ohm)", "series L1 1.0 uH", "it does nothing before"),
        ("re_ohm = 5.6", "re_ohm = 56", "re_ohm = 56 of a driver rated at 6 ohm; usual are 3 to 6.6 ohm"),
        ("vas_l = 11.0", "vas_l = 0.11", "(left woofer): fs, Q, Vas and Re together make 6"),
        ("sd_cm2 = 86.0", "sd_cm2 = 8.6", "make a moving mass of"),
        (
            "tuning_hz = 54.0",
            "tuning_hz = 540.0",
            "tuning_hz = 540 for a driver with fs = 47 Hz; usual are 18.8 to 118",
        ),
    ],
)
def test_what_is_hardly_meant_is_asked_about(before, after, told, tmp_path):
    found = implausible(load_kit(changed(tmp_path, (before, after)), "booth-two"))
    assert any(told in words for words in found), found


def test_a_part_that_does_something_is_not_asked_about():
    for text in ("series C1 470 uF +- 10 %", "shunt R1 6.8 ohm + C2 12 uF", "shunt L2 0.68 mH", "series R2 0.22 ohm"):
        assert without_effect(parse_element(text), 8.0) == ""


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [
        ('"fs" = {', '"Fs" = {', "limits.impedance.\"Fs\": nothing is read that is called so (did you mean 'fs'?)"),
        ('"fs" = {', '"fs left woofr" = {', "(did you mean 'fs left woofer'?)"),
        ('"harmonic 2" = {', '"harmonc 2" = {', "(did you mean 'harmonic 2'?)"),
        (
            "[limits.hum_and_noise]",
            "[repeatability.hum_and_noise]",
            "limits.hum_and_noise: missing; a check without a limit",
        ),
    ],
)
def test_a_limit_that_no_reading_meets_is_told_when_the_kit_is_loaded(before, after, told, tmp_path):
    changes = [(before, after)]
    if "repeatability" in after:
        text = (ROOT / "limits" / "booth-two" / "kit.toml").read_text(encoding="utf-8")
        whole = text[text.index("[limits.hum_and_noise]") : text.index("[limits.heat]")]
        changes = [(whole, "")]
    folder = changed(tmp_path, *changes)
    with pytest.raises(TableError) as error:
        job(folder, "booth-two")
    assert told in str(error.value)


def test_every_reading_of_a_run_is_among_what_its_check_says_it_reads(good_run):
    run, _ = good_run
    work = job(ROOT, "booth-two")
    for listed in work.checks:
        read = next(result.read for result in run.results if result.name == listed.name)
        assert {one.quantity for one in (*read.readings, *read.curves)} <= set(listed.quantities)


def test_a_limit_that_the_design_does_not_keep_to_is_told(tmp_path):
    kit = load_kit(
        changed(tmp_path, ('"fs" = { lower = 42.0, upper = 52.0 }', '"fs" = { lower = 50.0, upper = 60.0 }')),
        "booth-two",
    )
    assert any('limits.impedance."fs"' in words and "excludes the design" in words for words in kit_warnings(kit))


def test_a_network_that_cannot_be_read_shows_where(tmp_path):
    folder = changed(tmp_path, ("series L1 1.0 mH (0.3 ohm)", "series L1 1.2 mh"))
    with pytest.raises(TableError) as error:
        load_kit(folder, "booth-two")
    first, text, mark, example, *_ = str(error.value).splitlines()
    assert first.endswith("channels.[1].drivers.[1].network.[1]: found 'mh'; allowed: a unit of H, mH, uH")
    assert text == "    series L1 1.2 mh"
    assert mark.index("^") == text.index("mh")
    assert example == "    for example: series L1 1.0 mH (0.3 ohm)"
    assert tomllib.loads(f'x = "{example.split(": ")[1]}"')
