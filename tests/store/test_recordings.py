"""Logs on the disk: rows come back as they were, and a cut at any byte loses at most the row in writing."""

import json
import math
import os
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from simulated_runs import ROOT, simulated
from soaks import GUARD, PROGRAMME, SINK, SUPPLY, rows

from rig.files.plain import json_bytes, restored
from rig.report.paper import make_certificate
from rig.run.verify import job
from rig.store.recordings import (
    LogWriter,
    log_files,
    read_audio,
    read_captures,
    read_rows,
    write_audio,
    write_captures,
)
from rig.store.records import read_record
from rig.store.run_json import Record
from rig.values.captures import Calibration, Capture
from rig.values.logs import Row
from rig.values.requests import Programme, Sweep
from rig.values.run import Run
from rig.verdict.guard import GuardWatch, watched


def bits(samples: np.ndarray) -> bytes:
    return np.ascontiguousarray(samples).tobytes()


@given(
    st.integers(1, 24).flatmap(
        lambda width: st.lists(st.integers(-(2 ** (width - 1)), 2 ** (width - 1) - 1), min_size=2, max_size=400).map(
            lambda steps: np.array(steps[: len(steps) // 2 * 2], np.float64).reshape(2, -1) / 2 ** (width - 1)
        )
    )
)
@settings(max_examples=60, deadline=None)
def test_what_a_converter_gave_is_kept_as_flac_to_the_last_bit(
    tmp_path_factory: pytest.TempPathFactory, samples: np.ndarray
) -> None:
    captured = samples.astype(np.float32)
    path = write_audio(tmp_path_factory.mktemp("audio") / "001", captured, 48000.0)
    assert path.name == "001.flac"
    found, rate_hz = read_audio(path)
    assert bits(found) == bits(captured)
    assert rate_hz == 48000


@pytest.mark.parametrize(
    "samples",
    [
        np.array([[0.5, 1.0]]),
        np.array([[-0.0, 0.5]]),
        np.array([[1e-9, 0.5]]),
        np.array([[0.5, np.nan]]),
        np.array([[np.inf, 0.5]]),
        np.array([[-1.5, 0.5]]),
        np.zeros((2, 0)),
        np.zeros((9, 4)),
        np.array([1.0, 0.5]),
    ],
    ids=["full scale", "sign of zero", "finer", "NaN", "infinite", "beyond", "empty", "nine inputs", "one row"],
)
def test_what_is_not_the_same_as_flac_is_kept_as_floats(tmp_path: Path, samples: np.ndarray) -> None:
    captured = samples.astype(np.float32)
    path = write_audio(tmp_path / "a.b", captured, 44100.0)
    assert path.name == "a.b.wav"
    assert bits(read_audio(path)[0]) == bits(captured)


def test_the_simulated_card_s_captures_take_a_third_of_the_room(tmp_path: Path) -> None:
    bench, request = simulated(ROOT, "booth-two", "BT-0001"), job(ROOT, "booth-two").schedule.requests[0]
    with bench.stage(request.stage) as player:
        (capture,) = player.play([request])
    _, (entry,) = write_captures([(capture, ())], tmp_path)
    assert entry.file == "captures/001.flac"
    assert bits(read_audio(tmp_path / entry.file)[0]) == bits(capture.samples)
    assert (tmp_path / entry.file).stat().st_size < 0.45 * capture.samples.nbytes
    # What is there already is named as it stands, also by a version that knew no FLAC.
    there = {id(capture.samples): "captures/001.wav"}
    assert write_captures([(capture, ())], tmp_path, there)[1][0].file == "captures/001.wav"


def test_captures_asked_for_in_another_order_keep_their_own_files(tmp_path: Path) -> None:
    request = Sweep("playing", "left", "left", 1.0, 1.0, 100.0, 1000.0, 1.0)
    calibration = Calibration({}, 1.0)
    made = [Capture(request, np.full((1, 64), n / 8, np.float32), ("microphone",), 48e3, calibration) for n in range(3)]
    calibrations, entries = write_captures([(one, ()) for one in made[:2]], tmp_path)
    first, second = read_captures(tmp_path, entries, calibrations)
    files = {id(one.samples): entry.file for one, entry in zip((first, second), entries, strict=True)}
    # A sweep that was not there comes between, and a copy as the sequencer makes one.
    today = [second, made[2], replace(first, attempt=2)]
    calibrations, entries = write_captures([(one, ()) for one in today], tmp_path, files)
    assert [one.samples[0, 0] for one in read_captures(tmp_path, entries, calibrations)] == [1 / 8, 2 / 8, 0]
    assert [entry.file[:12] for entry in entries] == ["captures/002", "captures/003", "captures/001"]


TEXT = st.text(st.characters(blacklist_categories=("Cs",)), max_size=20)
VALUES = st.dictionaries(
    st.sampled_from(["celsius.heat sink", "gain_db.left.63", "ampere.supply", "coil_ohm.left"]),
    st.floats(),
)
ROWS = st.lists(
    st.builds(
        Row,
        seconds=st.floats(0, 1e6),
        clock=st.just("2026-01-01T10:00:00+00:00"),
        state=st.sampled_from(["cold", "ramp", "playing", "rest", "gap"]),
        values=VALUES,
        answers=st.dictionaries(st.sampled_from(["heat sink", "supply"]), TEXT),
        event=TEXT,
        guard=TEXT,
        doubts=st.dictionaries(st.sampled_from(["output", "microphone"]), TEXT.filter(bool)),
    ),
    min_size=1,
    max_size=6,
)


def written(folder: Path, given_rows: list[Row], number: int = 1) -> None:
    writer = LogWriter(folder, number)
    for row in given_rows:
        writer.append(row)
    writer.close()


def same(one: Row, other: Row) -> bool:
    """Equal to the last bit, but for values that were not there."""
    known = {name: value for name, value in one.values.items() if not math.isnan(value)}
    found = {name: value for name, value in other.values.items() if not math.isnan(value)}
    texts = {role: text for role, text in one.answers.items() if text}
    return (
        known == found
        and texts == {role: text for role, text in other.answers.items() if text}
        and replace(one, values={}, answers={}) == replace(other, values={}, answers={})
    )


@given(ROWS)
@settings(max_examples=60, deadline=None)
def test_rows_come_back_as_they_were(tmp_path_factory: pytest.TempPathFactory, given_rows: list[Row]) -> None:
    folder = tmp_path_factory.mktemp("log")
    written(folder, given_rows)
    found = read_rows(folder, 1)
    assert len(found) == len(given_rows)
    assert all(same(one, other) for one, other in zip(given_rows, found, strict=True))


@given(st.integers(0, 4000))
@settings(max_examples=60, deadline=None)
def test_a_cut_at_any_byte_loses_at_most_the_row_in_writing(tmp_path_factory: pytest.TempPathFactory, cut: int) -> None:
    folder = tmp_path_factory.mktemp("log")
    whole = list(rows(until_s=60))
    written(folder, whole)
    path = log_files(folder, 1)[-1]
    data = path.read_bytes()[:cut]
    path.write_bytes(data)
    found = read_rows(folder, 1)
    finished = max(data.count(b"\n") - 1, 0)
    assert len(found) == finished
    assert all(same(one, other) for one, other in zip(whole, found, strict=False))


@pytest.mark.parametrize("upper_k", [5.0, 50.0], ids=["the guard stops it", "the guard holds"])
def test_a_log_judged_again_is_the_log_that_was_judged(tmp_path: Path, upper_k: float) -> None:
    """The guard's own words and times too, which hang on the last digits where a value lies at its bound."""
    sink = replace(SINK, rise_k=upper_k)
    programme = replace(PROGRAMME, seconds=300.0, guard=replace(GUARD, roles=(sink, SUPPLY)))

    def restless(seconds: float) -> dict[str, float]:
        return {"ampere.supply": 1.0 + math.sin(seconds) / 3, "gain_db.left.125": -12 + math.cos(seconds) / 7}

    watch, live = GuardWatch(programme), []
    for row in rows(programme, rise_k=100 / 3, change=restless):
        row, stop = watch.add(replace(row, seconds=row.seconds * (1 + 1e-9)))
        live.append(row)
        if stop:
            break
    written(tmp_path, live)
    was, now = watch.log(), watched(programme, read_rows(tmp_path, 1), {})
    assert (was.stopped, was.events, was.states) == (now.stopped, now.events, now.states)
    assert bool(was.stopped) == (upper_k == 5)
    np.testing.assert_array_equal(was.seconds, now.seconds)
    assert was.columns.keys() == now.columns.keys()
    for name, column in was.columns.items():
        np.testing.assert_array_equal(column, now.columns[name])


def test_what_was_written_is_never_rewritten(tmp_path: Path) -> None:
    first, second = list(rows(until_s=10))
    written(tmp_path, [first])
    before = {path: path.read_bytes() for path in log_files(tmp_path, 1)}
    written(tmp_path, [replace(second, values={**second.values, "celsius.case": 30.0})])
    assert {path: path.read_bytes() for path in before} == before
    assert [row.seconds for row in read_rows(tmp_path, 1)] == [first.seconds, second.seconds]


def test_a_line_s_end_in_an_answer_stays_in_its_row(tmp_path: Path) -> None:
    row = replace(next(rows()), answers={"heat sink": "+2.31E+01\r\n"})
    written(tmp_path, [row])
    assert read_rows(tmp_path, 1)[0].answers == {"heat sink": "+2.31E+01\r\n"}


def test_a_programme_comes_back_from_its_entry() -> None:
    assert restored(Programme, json.loads(json_bytes(PROGRAMME))) == PROGRAMME
    with pytest.raises(ValueError, match="channels: missing"):
        restored(Programme, {"stage": "soak"})


def test_a_unit_on_a_card_of_24_bits_leaves_at_most_4_megabytes(good_run: tuple[Run, Record], tmp_path: Path) -> None:
    _, record = good_run
    copy = tmp_path / record.kit.name / record.serial / record.run
    shutil.copytree(record.folder, copy)
    make_certificate(read_record(copy))
    sizes = {path.relative_to(copy).as_posix(): path.stat().st_size for path in copy.rglob("*") if path.is_file()}
    assert {"report.html", "certificate.pdf", "run.json"} < sizes.keys()
    assert {Path(name).suffix for name in sizes if name.startswith(("captures/", "sounds/"))} == {".flac"}
    assert sum(sizes.values()) < 4e6


def test_a_pipe_in_the_place_of_a_log_is_not_waited_for(tmp_path: Path) -> None:
    (tmp_path / "logs").mkdir()
    os.mkfifo(tmp_path / "logs" / "01-01.csv")
    with pytest.raises(OSError, match="not a plain file"):
        read_rows(tmp_path, 1)
