"""One thing that is wrong hides what follows from it, and never everything."""

from graphlib import TopologicalSorter

from hypothesis import given
from hypothesis import strategies as st

from rig.bench_check.bench_finding import EXPLAINS, BenchFinding, louder, right, unknown, within, without_what_follows

NAMES = sorted({*EXPLAINS, *(what for explained in EXPLAINS.values() for what in explained)})


def is_wrong(what: str) -> BenchFinding:
    return BenchFinding(what, False, what)


def test_no_cause_explains_itself_through_others() -> None:
    order = list(TopologicalSorter(EXPLAINS).static_order())
    assert set(order) == set(NAMES)


@given(st.lists(st.sampled_from(NAMES), min_size=1, unique=True))
def test_something_wrong_is_always_left(names: list[str]) -> None:
    left = without_what_follows([is_wrong(name) for name in names])
    assert left
    hidden = set(names) - {one.what for one in left}
    assert all(any(name in EXPLAINS.get(cause, ()) for cause in names) for name in hidden)


def test_a_muted_output_explains_a_silent_microphone() -> None:
    told = [is_wrong("microphone silent"), is_wrong("output silent"), is_wrong("hum")]
    assert [one.what for one in without_what_follows(told)] == ["output silent", "hum"]


def test_what_cannot_be_called_right_beside_a_cause_goes_and_so_does_what_is_unknown() -> None:
    told = [is_wrong("automatic gain"), right("clock", "one clock"), right("ambient", "a quiet room")]
    assert [one.what for one in without_what_follows(told)] == ["automatic gain", "clock"]
    told = [is_wrong("other sound"), unknown("disturbed", "a noise"), right("known load", "compared")]
    assert [one.what for one in without_what_follows(told)] == ["other sound", "known load"]


def test_levels_in_words() -> None:
    assert louder(-3.04) == "3.0 dB softer"
    assert louder(12.0) == "12.0 dB louder"
    assert within(-0.04) == "within 0.1 dB"
