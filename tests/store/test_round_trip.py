"""Whatever a record holds is read back equal: every field of every value that goes into one."""

import json
import math
import re
from collections.abc import Mapping
from dataclasses import fields, is_dataclass, replace
from functools import cache
from pathlib import Path
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin, get_type_hints
from unittest import mock

import numpy as np
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from test_recordings import ROWS

from rig.calibration import storage as calibration_store
from rig.calibration.storage import Cause, Stored
from rig.design.kit import load_kit
from rig.design.trust import KINDS
from rig.files.plain import json_bytes, plain, restored
from rig.signals.noise_shape import Noise
from rig.signals.programme import MUSIC_LIKE
from rig.signals.silences import Spacing
from rig.store.recorded import read_run
from rig.store.recordings import LogWriter, log_of
from rig.store.records import damages, load_captures, read_record, reserve, save
from rig.store.rework_notes import note, reworks
from rig.store.run_json import About, Rework, RunBefore, SoundEntry
from rig.values.captures import Calibration, Capture, KnownLoad, MicrophoneResponse, OwnHarmonics
from rig.values.findings import Finding
from rig.values.logs import Stop
from rig.values.readings import CheckReadings, Course, Curve, Reading, Sound
from rig.values.requests import Programme, Sweep
from rig.values.run import Run, Timing
from rig.values.verdicts import CheckResult, Mask, Verdict

ROOT = Path(__file__).parents[2]
FINITE = st.floats(allow_nan=False, allow_infinity=False)
NUMBERS = st.floats(width=64)
#: Of such a range that a power of two brings all of it into full scale and nothing becomes subnormal.
LEAST, MOST = 2.0**-60, 2.0**60
SAMPLES = st.one_of(
    st.floats(LEAST, MOST, width=32),
    st.floats(-MOST, -LEAST, width=32),
    st.sampled_from([0.0, np.nan, np.inf, -np.inf]),
)
TEXT = st.text(st.characters(blacklist_categories=("Cs",)), max_size=8)
#: What the rig itself calls things.
KEYS = st.text(st.characters(blacklist_categories=("Cs", "Cc")), max_size=8)
NAMES = st.sampled_from(["+30 deg", "-30 deg", "30 deg", "30-deg", "A/B", "a/b", "..", "a" * 300, "ü", "ö"]) | TEXT


def arrays(dtype: Any, size: int) -> st.SearchStrategy[Any]:
    if dtype is np.bool_:
        return st.lists(st.booleans(), min_size=size, max_size=size).map(np.array)
    if dtype is np.complex128:
        pair = st.tuples(arrays(np.float64, size), arrays(np.float64, size))
        return pair.map(lambda parts: _complex(*parts))
    numbers = SAMPLES if dtype is np.float32 else NUMBERS
    return st.lists(numbers, min_size=size, max_size=size).map(lambda values: np.array(values, dtype))


def _complex(real: Any, imag: Any) -> Any:
    made = np.array(real, np.complex128)
    made.imag = imag
    return made


@cache
def values(kind: Any, size: int) -> st.SearchStrategy[Any]:
    """Any value of a type; arrays of one size, so that the arrays of one value fit each other."""
    origin, inner = get_origin(kind), get_args(kind)
    if origin in (Union, UnionType):
        known = values(next(option for option in inner if option is not NoneType), size)
        # A number that may be left out is a number where it is given.
        return st.none() | known.filter(lambda value: not isinstance(value, float) or not math.isnan(value))
    if origin is Literal:
        return st.sampled_from(inner)
    if origin is tuple and inner[-1] is Ellipsis:
        return st.lists(values(inner[0], size), max_size=3).map(tuple)
    if origin is tuple:
        return st.tuples(*(values(one, size) for one in inner))
    if isinstance(origin, type) and issubclass(origin, Mapping):
        return st.dictionaries(KEYS if inner[0] is str else values(inner[0], size), values(inner[1], size), max_size=3)
    if origin is Annotated:
        dtype = next((about for about in inner[1:] if isinstance(about, str)), None)
        return arrays(np.dtype(dtype).type, size) if dtype else values(inner[0], size)
    if kind is Noise:
        return st.builds(Noise, st.just(MUSIC_LIKE), st.floats(1.5, 4), st.integers(0, 9))
    if kind is Spacing:
        return st.builds(Spacing, *([st.floats(0, 10)] * 4))
    if is_dataclass(kind):
        return whole(kind)
    known = {float: NUMBERS, str: TEXT, bool: st.booleans(), int: st.integers(-9, 10**9)}
    return known[kind]


@st.composite
def whole(draw: Any, kind: Any, /, **given_values: Any) -> Any:
    """A value of a dataclass with every field drawn."""
    size = draw(st.integers(1, 4))
    types = get_type_hints(kind, include_extras=True)
    drawn = {
        field.name: draw(given_values[field.name] if field.name in given_values else values(types[field.name], size))
        for field in fields(kind)
    }
    return kind(**drawn)


def equal(one: Any, other: Any) -> bool:
    """Equal in every field; a number that is not known equals another that is not."""
    if is_dataclass(one):
        return type(one) is type(other) and all(
            equal(getattr(one, field.name), getattr(other, field.name)) for field in fields(one)
        )
    if isinstance(one, np.ndarray):
        return (
            isinstance(other, np.ndarray) and one.dtype == other.dtype and np.array_equal(one, other, one.dtype != bool)
        )
    if isinstance(one, Mapping):
        return one.keys() == other.keys() and all(equal(one[key], other[key]) for key in one)
    if isinstance(one, (list, tuple)):
        return len(one) == len(other) and all(equal(a, b) for a, b in zip(one, other, strict=True))
    return bool(one == other) or (isinstance(one, float) and math.isnan(one) and math.isnan(other))


KIT = load_kit(ROOT, "booth-two")
ABOUT = About(started_at="2026-03-04T10:00:00+01:00")
EMPTY = Run("void", "", False, (), (), (), Timing(0.0, 0.0, 0.0))
PLAIN = (
    Sweep,
    Programme,
    Calibration,
    KnownLoad,
    MicrophoneResponse,
    OwnHarmonics,
    Reading,
    Finding,
    Stop,
    Timing,
)


@pytest.mark.parametrize("kind", PLAIN, ids=lambda kind: kind.__name__)
def test_every_value_comes_back_from_json(kind: Any) -> None:
    @given(whole(kind))
    @settings(max_examples=25)
    def comes_back(value: Any) -> None:
        assert equal(restored(kind, json.loads(json_bytes(value))), value)

    comes_back()


def test_text_that_is_no_utf_8_is_kept_in_json() -> None:
    assert json.loads(json_bytes({"by": "J\udcfcrgen"})) == {"by": "J\udcfcrgen"}


JSON = st.recursive(st.none() | st.booleans() | TEXT | FINITE, lambda inner: st.dictionaries(TEXT, inner, max_size=2))


def with_details(one: Stored) -> st.SearchStrategy[Stored]:
    kind = calibration_store.DETAILS.get(one.kind)
    found = values(kind, 3) if kind else st.dictionaries(TEXT, JSON, max_size=2)
    return found.map(lambda details: replace(one, details=details))


@given(
    whole(
        Stored,
        kind=st.sampled_from(KINDS),
        made_at=st.just("2026-03-04T10:00:00+01:00"),
        value=FINITE,
        uncertainty=st.none() | FINITE,
        made_with=st.dictionaries(TEXT, JSON, max_size=2),
        budget=st.lists(st.builds(Cause, TEXT, FINITE), max_size=2).map(tuple),
        details=st.just({}),
        path=st.none(),
    ).flatmap(with_details)
)
@settings(max_examples=25)
def test_a_calibration_comes_back_from_its_file(tmp_path_factory: pytest.TempPathFactory, one: Stored) -> None:
    workspace = tmp_path_factory.mktemp("calibrations")
    path = calibration_store.save(workspace, one)
    (found,) = calibration_store.stored(workspace, one.bench)
    assert equal(found, replace(one, path=path))


def test_notes_of_reworks_come_back(tmp_path: Path) -> None:
    record = save(reserve(tmp_path, KIT, "BT-0001"), KIT, "BT-0001", EMPTY, ABOUT)

    @given(TEXT.filter(str.strip), TEXT)
    @settings(max_examples=15)
    def comes_back(words: str, by: str) -> None:
        note(tmp_path, KIT, "BT-0001", words, by)
        back = reworks(record.folder.parent)[0][-1]
        assert back == Rework(back.at, " ".join(words.split()), by, record.run)

    comes_back()


NAMED = {"quantity": NAMES, "subject": NAMES}
READ = st.builds(
    CheckReadings,
    st.lists(whole(Reading), max_size=2).map(tuple),
    st.lists(whole(Curve, **NAMED), max_size=4).map(tuple),
    st.lists(whole(Sound, **NAMED, sample_rate_hz=st.floats(1, 1e5)), max_size=2).map(tuple),
    st.lists(whole(Course, **NAMED), max_size=3).map(tuple),
    st.lists(TEXT, max_size=2).map(tuple),
)
VERDICTS = st.lists(whole(Verdict, **NAMED, mask=st.none() | whole(Mask)), max_size=3).map(tuple)
OUTCOMES = st.sampled_from(["pass", "fail", "void"])
RESULTS = st.lists(
    st.builds(CheckResult, TEXT, TEXT, OUTCOMES, TEXT, READ, VERDICTS, may_pass=st.booleans()), max_size=2
).map(tuple)
SAMPLED = (
    st.integers(1, 5).flatmap(lambda size: st.lists(arrays(np.float32, size), min_size=2, max_size=2)).map(np.array)
)
CAPTURES = st.lists(
    st.tuples(
        whole(
            Capture,
            samples=SAMPLED,
            inputs=st.tuples(TEXT, TEXT),
            sample_rate_hz=st.floats(8000, 400000),
        ),
        st.lists(TEXT, max_size=2).map(tuple),
    ),
    max_size=2,
).map(tuple)
LOGS = st.lists(st.tuples(whole(Programme), ROWS, whole(Stop) | st.none(), st.just(("ended",))), max_size=2)


@pytest.mark.parametrize(
    ("kind", "wrong"),
    [
        (Reading, {"quantity": "fs", "subject": "left", "value": 50.0, "unit": "Hz", "at_most": "no"}),
        (Reading, {"quantity": "fs", "subject": "left", "value": "50", "unit": "Hz"}),
        (RunBefore, {"run": "1", "outcome": "maybe", "failed": []}),
        (SoundEntry, {"quantity": "x", "subject": "left", "file": "a.wav", "scale": True}),
    ],
)
def test_what_is_none_of_a_field_s_kind_is_refused_and_never_guessed(kind: type, wrong: dict[str, object]) -> None:
    with pytest.raises(ValueError, match="allowed"):
        restored(kind, wrong)


@given(whole(Run, results=RESULTS, captures=CAPTURES, logs=LOGS, outcome=OUTCOMES))
@settings(max_examples=8, phases=[Phase.generate])
def test_a_run_comes_back_from_its_record(tmp_path_factory: pytest.TempPathFactory, drawn: Run) -> None:
    folder = reserve(tmp_path_factory.mktemp("records"), KIT, "BT-0001")
    run = replace(drawn, logs=tuple(logged(folder, n, *entry) for n, entry in enumerate(drawn.logs, 1)))
    # What is proved here is what the files hold, not that the disk has them.
    with mock.patch("os.fsync"), mock.patch("rig.store.records._copy_kit"):
        saved = save(folder, KIT, "BT-0001", run, ABOUT)
    record = read_record(saved.folder)
    assert equal(record, saved)
    assert damages(record) == []
    back = read_run(record, KIT)
    for field in fields(Run):
        if field.name != "captures":
            assert equal(getattr(back, field.name), getattr(run, field.name)), field.name
    assert [troubles for _, troubles in back.captures] == [troubles for _, troubles in run.captures]
    sounded = list(load_captures(record))
    assert equal(sounded, [capture for capture, _ in run.captures])
    assert equal([replace(one, samples=0) for one, _ in back.captures], [replace(one, samples=0) for one in sounded])


def logged(folder: Path, number: int, request: Programme, rows: Any, stopped: Stop | None, troubles: Any) -> Any:
    writer = LogWriter(folder, number)
    # What is missing is NaN or absent: a column that no row has a value for is none.
    rows = [replace(row, values={name: v for name, v in row.values.items() if not math.isnan(v)}) for row in rows]
    for row in rows:
        writer.append(row)
    writer.close()
    return log_of(request, rows, stopped), troubles


TWO = np.array([20.0, 200.0])
CURVE = Curve("level", "", TWO, TWO, "dB SPL", TWO > 0, absolute=False)


def test_positions_of_opposite_sign_have_files_of_their_own(tmp_path: Path) -> None:
    names = [f"left {sign}30 deg" for sign in "+-"]
    curves = [replace(CURVE, subject=name, value=np.full(2, 70.0 + n)) for n, name in enumerate(names)]
    result = CheckResult("response", "Frequency response", "void", "", CheckReadings(curves=tuple(curves)), ())
    run = Run("void", "", False, (result,), (), (), Timing(0.0, 0.0, 0.0))
    record = save(reserve(tmp_path, KIT, "BT-0001"), KIT, "BT-0001", run, ABOUT)
    assert equal(read_run(record, KIT).results[0].read.curves, tuple(curves))
    names = [entry.file for entry in record.results[0].curves]
    assert len({name.casefold() for name in names}) == 2
    assert not any(re.search(r"[^\w./-]", name) for name in names)


def test_a_value_of_another_type_is_told_by_its_key() -> None:
    entry = plain(Reading("Re", "left", 5.0, "ohm")) | {"value": "five"}
    with pytest.raises(ValueError, match="value: found 'five'; allowed: a number"):
        restored(Reading, entry)
    with pytest.raises(ValueError, match=r"volts: unknown key; allowed: at_most, .*parts, quantity"):
        restored(Reading, plain(Reading("Re", "left", 5.0, "ohm")) | {"volts": 1})
