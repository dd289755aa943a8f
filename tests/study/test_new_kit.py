"""A kit of a builder's answers: what is asked, how answers are read, and that what comes of them suits its design."""

import csv
import io
import tomllib
from itertools import pairwise
from pathlib import Path

import pytest
from builders import BUILDERS, MONO_TWO_WAY

from rig.circuit.notation import parse_element
from rig.design.kit import Kit, kit_in
from rig.files.errors import TableError
from rig.files.patterns import compiled
from rig.study.design_misfits import misfits
from rig.study.design_view import design_views
from rig.study.designed import judge_design
from rig.study.kit_draft import in_chamber, kit_text, vent_tuning_hz
from rig.study.kit_questions import next_question
from rig.study.narrow_limits import narrow_limits
from rig.study.new_kit import WITHOUT_LIMITS, answers_of, answers_text, make_kit, read_answers
from rig.study.typed_answers import read_level, read_part, read_resistance, read_serial, read_tuning, serial_pattern


def answers_file(folder: Path, answers, separator=",") -> Path:
    out = io.StringIO()
    csv.writer(out, delimiter=separator).writerows([("question", "answer"), *answers.items()])
    path = folder / "answers.csv"
    path.write_text(out.getvalue(), encoding="utf-8")
    return path


def test_a_mono_two_way_takes_at_most_25_values(tmp_path):
    answers = answers_of(answers_file(tmp_path, MONO_TWO_WAY))
    assert sum(bool(text) for text in answers.values()) <= 25


@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_answers_go_through_their_file_and_back(separator, tmp_path):
    answers = answers_of(answers_file(tmp_path, MONO_TWO_WAY, separator))
    (tmp_path / "again.csv").write_text(answers_text(answers), encoding="utf-8")
    assert answers_of(tmp_path / "again.csv") == answers
    # Beside each answer stands what was asked.
    assert all(len(row) == 3 and row[2] for row in csv.reader(io.StringIO(answers_text(answers))))


def test_a_file_of_answers_tells_all_that_is_wrong_by_its_line(tmp_path):
    wrong = {
        **MONO_TWO_WAY,
        "woofer fs": "47 l",
        "wofer qts": "0.4",
        "box volume": "",
        "tweeter part 1": "series C2 4 mh",
    }
    path = answers_file(tmp_path, wrong)
    with pytest.raises(TableError) as told:
        answers_of(path)
    words = str(told.value)
    assert f"{path}: line 6, woofer fs: found the unit 'l'; possible: hz, khz" in words
    assert "line 15, box volume: an answer is needed" in words
    assert "'wofer qts' is not asked (did you mean 'woofer qts'?)" in words
    assert "    series C2 4 mh\n                ^" in words
    path.write_text("question,answer\nboxes,1\nboxes,2\n", encoding="utf-8")
    with pytest.raises(TableError, match="line 3: 'boxes' stands in line 2 already"):
        read_answers(path)


@pytest.mark.parametrize("builder", BUILDERS)
def test_a_made_kit_loads_leaves_good_units_room_and_suits_its_own_design(builder, tmp_path):
    answers = answers_of(answers_file(tmp_path, BUILDERS[builder]))
    made = make_kit("my-kit", answers, tmp_path / "answers.csv")
    assert made.odd == ()
    folder = tmp_path / "my-kit"
    folder.mkdir()
    for name, text in made.files.items():
        (folder / name).write_text(text, encoding="utf-8")
    kit = kit_in(folder)
    assert narrow_limits(kit) == ()
    judged = judge_design(kit)
    assert {verdict.outcome for _, _, verdict in judged} == {"pass"}
    assert not any(" excludes the design" in words for words in misfits(kit, design_views(kit), judged))
    for channel in kit.channels:
        bands = sorted(driver.band_hz for driver in channel.drivers)
        assert all(low[1] < high[0] for low, high in pairwise(bands))


def test_what_is_not_known_is_left_out_and_said():
    answers = {}
    while question := next_question(answers):
        answers[question.key] = BUILDERS["gaps"].get(question.key, "")
    text = kit_text("my-kit", answers, {})
    kit = Kit.model_validate(tomllib.loads(text + WITHOUT_LIMITS))
    woofer, tweeter = kit.channels[0].drivers
    assert (woofer.re_ohm, woofer.qts, tweeter.qts) == (None, None, None)
    assert "# re_ohm, qts: not known" in text
    assert woofer.sensitivity_db == 87.0
    # 1 W into 6 ohm is less than 2.83 V, which is 8 W over 6.
    assert kit.is_serial("MK-0042")
    assert kit.channels[0].box.tuning_hz == pytest.approx(vent_tuning_hz(14, 50, 110), rel=0.01)


def test_a_vent_and_a_chamber_by_their_formulas():
    # 50 mm wide and 120 mm long in 10 l: c / 2 pi * sqrt(S / (V (L + 1.46 r))).
    assert vent_tuning_hz(10, 50, 120) == pytest.approx(343 / 6.28319 * (1.9635e-3 / (0.01 * 0.1565)) ** 0.5, rel=1e-4)
    numbers = {"nominal_ohm": 8.0, "size_mm": 100.0, "re_ohm": 6.0, "fs_hz": 75.0, "qts": 0.4, "vas_l": 5.0}
    changed, _ = in_chamber(numbers, "midrange", 2.5)
    assert changed["fs_hz"] == pytest.approx(75 * 3**0.5)
    assert changed["qts"] == pytest.approx(0.4 * 3**0.5, rel=1e-6)
    assert changed["vas_l"] == pytest.approx(5 / 3)


@pytest.mark.parametrize(
    ("read", "text", "value"),
    [
        (read_level, "86", ("sensitivity_db", 86.0)),
        (read_level, "86,5 dB (2.83 V/1 m)", ("sensitivity_db", 86.5)),
        (read_level, "87 dB 1W", ("db_at_1_w", 87.0)),
        (read_level, "11 l", ("vas_l", 11.0)),
        (read_level, "0.4 ft3", ("vas_l", pytest.approx(11.3, rel=0.01))),
        (read_tuning, "54 Hz", (54.0,)),
        (read_tuning, "50 x 120 mm", (50.0, 120.0)),
        (read_part, "Reversed", "reversed"),
        (read_part, " series L1 1 mH ", "series L1 1 mH"),
        (read_serial, " AB-0001", "AB-0001"),
    ],
)
def test_answers_in_the_units_of_sheets(read, text, value):
    assert read(text) == value


@pytest.mark.parametrize(
    ("read", "text", "told"),
    [
        (read_level, "850", "possible: 60 to 120 dB"),
        (read_level, "86 mm", "or the sheet's Vas"),
        (read_tuning, "abc", "a number is wanted"),
        (read_part, "series C1 4700 F", "C1"),
        (read_serial, "unit", "letters and a number"),
        (read_resistance, "rated eight", "a number is wanted"),
    ],
)
def test_a_wrong_answer_is_told_with_its_reason(read, text, told):
    with pytest.raises(ValueError, match="found") as error:
        read(text)
    assert told in str(error.value)


def test_a_resistance_tells_what_a_driver_is_rated_at():
    assert read_resistance("rated 8").re_ohm is None
    found = {text: read_resistance(text).nominal_ohm for text in ("3.3", "4.6", "5.8", "6.4 ohm")}
    assert found == {"3.3": 4.0, "4.6": 6.0, "5.8": 8.0, "6.4 ohm": 8.0}


@pytest.mark.parametrize("serial", ["AB-0001", "W3-01", "x.7"])
def test_serials_that_look_alike_fit(serial):
    assert compiled(serial_pattern(serial)).fullmatch(serial)
    assert not compiled(serial_pattern(serial)).fullmatch(serial + "0")


def test_every_example_of_a_part_can_be_read():
    answers = {}
    while question := next_question(answers):
        for example in question.example.split(", or: "):
            # A part's name is taken by then.
            parse_element(example) if " part " in question.key else question.read(example)
        answers[question.key] = MONO_TWO_WAY.get(question.key, "")


def test_a_line_that_no_table_holds_is_named(tmp_path: Path) -> None:
    path = tmp_path / "answers.csv"
    path.write_text("question,answer\nboxes," + "a" * 200_000, encoding="utf-8")
    with pytest.raises(TableError, match=r"answers.csv: line 2: found 'boxes,aaa.*allowed: question, answer"):
        read_answers(path)
