"""Masks: from files, around a design, around a reference build."""

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from rig.design.limits import Limit, mask_for, read_columns, reference_troubles
from rig.files.errors import TableError
from rig.values.readings import CheckReadings, Curve, Reading
from rig.verdict.judge import judge

GRID_HZ = np.geomspace(20, 20000, 241)


def curve(value=None, design=None, frequency_hz=GRID_HZ):
    value = np.zeros(frequency_hz.size) if value is None else value
    return Curve("level", "left", frequency_hz, value, "dB", np.ones(frequency_hz.size, bool), design=design)


def drawn(limit, design, frequency_hz=GRID_HZ):
    return mask_for(limit, curve(design=design, frequency_hz=frequency_hz), Path(), "response", "")


def at(mask, frequency_hz):
    """Lower and upper limit at a frequency."""
    log = np.log(mask.frequency_hz)
    return tuple(float(np.interp(np.log(frequency_hz), log, side)) for side in (mask.lower, mask.upper))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("frequency_hz,lower\n100,1\n", ["found columns", "upper"]),
        ("", ["found columns []"]),
        ("frequency_hz,lower,upper\n", ["0 rows"]),
        ("frequency_hz,lower,upper\n100,-1,1\n", ["1 rows"]),
        ("frequency_hz,lower,upper\n100,-1,1\n200,minus,1\n", ["row 3", "lower", "'minus'"]),
        ("# a comment\n\nfrequency_hz,lower,upper\n# another\n100,-1,1\n200,x,1\n", ["row 6", "lower", "'x'"]),
        ("frequency_hz,lower,upper\n100,-1,1\n200,-1,nan\n", ["row 3", "upper", "'nan'"]),
        ("frequency_hz,lower,upper\n100,-1,1\n200,-1,inf\n", ["row 3", "upper", "'inf'"]),
        ("frequency_hz,lower,upper\n100,-1,1\n,-1,1\n", ["row 3", "frequency_hz", "''"]),
        ("frequency_hz,lower,upper\n100,-1,1\n300,-1,1\n200,-1,1\n", ["row 4", "frequency_hz", "200"]),
        ("frequency_hz,lower,upper\n100,-1,1\n100,-1,1\n", ["row 3", "frequency_hz"]),
        ("frequency_hz,lower,upper\n-100,-1,1\n200,-1,1\n", ["row 2", "frequency_hz", "-100"]),
        ("frequency_hz,lower,upper\n100,-1,1\n200,2,1\n", ["row 3, lower: found 2; allowed: not above upper = 1"]),
        ("frequency_hz;lower;upper\n100;-1;1\n200;-1;1\n", ["frequency_hz;lower;upper", "commas", "not semicolons"]),
        ("frequency_hz,lower,upper\n100,-1,1\n200,-1\n", ["row 3", "fewer cells than columns"]),
        ("frequency_hz,lower,upper\n100,-1,1\n200,-1,5,1\n", ["row 3", "more cells than columns", "decimal point"]),
        ("100,-1,1\n200,-1,1\n", ["found columns ['100', '-1', '1']; allowed: frequency_hz, lower, upper"]),
    ],
)
def test_a_malformed_mask_is_told_by_file_and_row(tmp_path, text, words):
    path = tmp_path / "mask.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(TableError) as raised:
        mask_for(Limit(mask="mask.csv"), curve(), tmp_path, "response", "")
    assert str(path) in str(raised.value)
    for word in words:
        assert word in str(raised.value)


def test_a_missing_mask_and_one_that_is_not_text(tmp_path):
    with pytest.raises(TableError, match="no such file"):
        read_columns(tmp_path / "none.csv", ("frequency_hz",))
    with pytest.raises(TableError, match="cannot be read"):
        read_columns(tmp_path, ("frequency_hz",))
    (tmp_path / "latin.csv").write_bytes(b"frequency_hz,lower,upper\n100,\xe4,1\n")
    with pytest.raises(TableError, match="not UTF-8"):
        read_columns(tmp_path / "latin.csv", ("frequency_hz", "lower", "upper"))


def test_a_mask_may_be_open_on_a_side_and_come_from_a_spreadsheet(tmp_path):
    (tmp_path / "mask.csv").write_bytes(b"\xef\xbb\xbffrequency_hz, lower, upper\r\n100,,1\r\n200,-1,\r\n# end\r\n")
    mask = mask_for(Limit(mask="mask.csv"), curve(), tmp_path, "response", "")
    assert mask.frequency_hz.tolist() == [100, 200]
    assert mask.lower.tolist() == [-np.inf, -1]
    assert mask.upper.tolist() == [1, np.inf]
    assert mask.centre is None


@given(
    st.lists(st.tuples(st.floats(0, 30), st.floats(0, 30)), min_size=3, max_size=3),
    st.sampled_from([0.0, 5.0]),
    st.booleans(),
)
def test_windows_apply_each_in_its_own_band_up_to_the_step(widths, slide_percent, percent):
    edges = [30.0, 300.0, 2000.0, 15000.0]
    within = [[lo, hi, *w] for lo, hi, w in zip(edges, edges[1:], widths, strict=False)]
    limit = Limit(around="design", within=within, slide_percent=slide_percent, percent=percent)
    mask = drawn(limit, np.full(GRID_HZ.size, 50.0))
    assert np.all(np.diff(mask.frequency_hz) > 0)
    for low, high, minus, plus in within:
        for frequency_hz in (low * 1.0001, np.sqrt(low * high), high * 0.9999):
            lower, upper = at(mask, frequency_hz)
            scale = 0.5 if percent else 1.0
            assert lower == pytest.approx(50 - minus * scale, abs=1e-9)
            assert upper == pytest.approx(50 + plus * scale, abs=1e-9)


def test_between_two_windows_that_do_not_meet_nothing_is_limited():
    limit = Limit(around="design", within=[[1000.0, 2000.0, 1.0, 1.0], [100.0, 200.0, 1.0, 1.0]])
    mask = drawn(limit, np.zeros(GRID_HZ.size))
    inside = (mask.frequency_hz >= 200) & (mask.frequency_hz < 1000 * (1 - 1e-9))
    gap = (mask.frequency_hz > 200 * (1 - 1e-12)) & (mask.frequency_hz < 999)
    assert inside.any()
    assert np.all(np.isinf(mask.lower[gap]))
    assert np.all(np.isinf(mask.upper[gap]))
    assert at(mask, 150) == (-1, 1)
    assert at(mask, 1500) == (-1, 1)


@given(st.floats(0, 25), st.floats(0, 25), st.integers(0, 2**32 - 1))
def test_a_wider_slide_never_narrows_a_mask(one, other, seed):
    """However rough the curve is."""
    design = np.random.default_rng(seed).uniform(-10, 10, GRID_HZ.size)
    narrow, wide = (
        drawn(Limit(around="design", within=[[100.0, 5000.0, 1.0, 1.0]], slide_percent=slide), design)
        for slide in sorted((one, other))
    )
    assert np.all(wide.lower <= narrow.lower)
    assert np.all(wide.upper >= narrow.upper)


def test_a_slide_forgives_a_slope_that_is_moved_so_far():
    slope = 40 * np.log10(GRID_HZ / 1000)
    limit = Limit(around="design", within=[[100.0, 5000.0, 0.0, 0.0]], slide_percent=10.0)
    mask = drawn(limit, slope)
    up = 40 * np.log10(1.1)
    assert at(mask, 1000)[1] == pytest.approx(up, abs=0.01)
    assert at(mask, 1000)[0] == pytest.approx(-up, abs=0.01)


def reference_folder(tmp_path, frequency_hz, value, bench="card one"):
    folder = tmp_path / "reference"
    folder.mkdir()
    (folder / "reference.json").write_text(json.dumps({"bench": bench}), encoding="utf-8")
    rows = [f"{f},{v}" for f, v in zip(frequency_hz, value, strict=True)]
    (folder / "response-level-left.csv").write_text("frequency_hz,value\n" + "\n".join(rows), encoding="utf-8")
    return tmp_path


AROUND_REFERENCE = Limit(around="reference", within=[[100.0, 5000.0, 1.0, 2.0]])


def test_a_mask_is_drawn_around_the_reference_build_of_this_bench(tmp_path):
    folder = reference_folder(tmp_path, GRID_HZ, np.full(GRID_HZ.size, 80.0))
    mask = mask_for(AROUND_REFERENCE, curve(), folder, "response", "card one")
    assert at(mask, 1000) == (79, 82)
    assert mask.centre == pytest.approx(np.full(mask.frequency_hz.size, 80.0))


def test_a_reference_build_of_another_bench_or_none_is_no_centre(tmp_path):
    with pytest.raises(LookupError, match="no reference build"):
        mask_for(AROUND_REFERENCE, curve(), tmp_path, "response", "card one")
    folder = reference_folder(tmp_path, GRID_HZ, np.zeros(GRID_HZ.size))
    with pytest.raises(LookupError, match="another bench"):
        mask_for(AROUND_REFERENCE, curve(), folder, "response", "card two")


def test_a_broken_note_of_a_reference_build_is_an_error(tmp_path):
    folder = reference_folder(tmp_path, GRID_HZ, np.zeros(GRID_HZ.size))
    (folder / "reference" / "reference.json").write_text("{", encoding="utf-8")
    with pytest.raises(TableError, match=r"reference\.json"):
        mask_for(AROUND_REFERENCE, curve(), folder, "response", "card one")


def files_of(folder):
    return {path: path.read_bytes() for path in (folder / "reference").iterdir()}


@pytest.mark.parametrize("name", ["reference.json", "response-level-left.csv"])
@pytest.mark.parametrize("text", ["", "{", "frequency_hz,value\n100,1e308\n200,80\n", "a" * 200_000 + ",\0\n"])
def test_a_damaged_reference_build_is_told_before_and_makes_void_what_rests_on_it(tmp_path, name, text):
    one = curve()
    folder = reference_folder(tmp_path, GRID_HZ, np.zeros(GRID_HZ.size))
    limits = {"response": {one.quantity: AROUND_REFERENCE}}
    assert reference_troubles(limits, folder, files_of(folder)) == []
    (folder / "reference" / name).write_text(text, encoding="utf-8")
    (told,) = reference_troubles(limits, folder, files_of(folder))
    assert f"{folder / 'reference' / name}: " in told
    assert reference_troubles({"response": {one.quantity: Limit(mask="a.csv")}}, folder, files_of(folder)) == []
    number = Reading("gain", "left", 1.0, "dB")
    both = {**limits["response"], "gain": Limit(lower=0.0)}
    void, passed = judge(CheckReadings((number,), (one,)), both, folder, "response", bench="card one")[::-1]
    assert (void.outcome, passed.outcome) == ("void", "pass")
    assert name in void.reason


@pytest.mark.parametrize(
    "kept", [GRID_HZ > 150, GRID_HZ < 4000, (GRID_HZ < 700) | (GRID_HZ > 1400)], ids=["low end", "high end", "middle"]
)
def test_a_reference_build_that_was_not_trusted_all_over_the_windows_is_no_centre(tmp_path, kept):
    folder = reference_folder(tmp_path, GRID_HZ[kept], np.zeros(int(kept.sum())))
    with pytest.raises(LookupError, match="does not cover"):
        mask_for(AROUND_REFERENCE, curve(), folder, "response", "card one")


@pytest.mark.parametrize("wrong", [np.nan, -np.inf])
def test_a_design_that_is_not_finite_is_no_centre(wrong):
    design = np.zeros(GRID_HZ.size)
    design[120] = wrong
    with pytest.raises(LookupError, match="does not cover"):
        drawn(Limit(around="design", within=[[100.0, 5000.0, 1.0, 1.0]]), design)


def test_a_quantity_without_a_model_has_no_design():
    with pytest.raises(LookupError, match="says nothing"):
        drawn(Limit(around="design", within=[[100.0, 5000.0, 1.0, 1.0]]), None)


def test_a_limit_that_meets_no_reading_tells_what_was_read():
    read = CheckReadings((Reading("fs", "left", 47.0, "Hz"), Reading("fs", "right", 47.0, "Hz")), (curve(),))
    (verdict,) = judge(read, {"Fs": Limit(lower=40.0)}, Path(), "impedance")
    assert (verdict.outcome, verdict.quantity) == ("void", "Fs")
    assert verdict.reason.endswith("this check read: fs, level")
    (verdict,) = judge(CheckReadings((), ()), {"Fs": Limit(lower=40.0)}, Path(), "impedance")
    assert verdict.reason.endswith("this check read: nothing")


@pytest.mark.parametrize(
    "table",
    [
        {},
        {"lower": 1.0, "mask": "m.csv"},
        {"lower": 2.0, "upper": 1.0},
        {"around": "reference"},
        {"around": "design", "percent": True},
        {"around": "design", "slide_percent": 5.0},
        {"within": [[1.0, 2.0, 1.0, 1.0]]},
        {"around": "design", "within": [[2.0, 1.0, 1.0, 1.0]]},
        {"around": "design", "within": [[1.0, 2.0, -1.0, 1.0]]},
        {"around": "design", "within": [[1.0, 3.0, 1.0, 1.0], [2.0, 4.0, 1.0, 1.0]]},
        {"mask": "m.csv", "align_hz": [1.0, 2.0]},
        {"mask": "m.csv", "align_hz": [2.0, 1.0], "align_within_db": 1.0},
        {"mask": "m.csv", "align_hz": [1.0, 2.0], "align_within_db": -1.0},
        {"lower": float("nan")},
        {"lower": 1.0, "uper": 2.0},
        {"mask": "../m.csv"},
        {"mask": "/m.csv"},
        {"mask": "..\\m.csv"},
        {"mask": ""},
        {"around": "design", "percent": "no", "within": [[1.0, 2.0, 1.0, 1.0]]},
        {"around": "design", "within": [[1.0, 2.0, 1.0]]},
    ],
)
def test_a_limit_that_says_nothing_clear_is_refused(table):
    with pytest.raises(ValidationError):
        Limit(**table)
