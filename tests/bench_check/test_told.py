"""One thing that is wrong hides what follows from it, and never everything."""

from graphlib import TopologicalSorter

from hypothesis import given
from hypothesis import strategies as st

from rig.bench_check.told import EXPLAINS, Told, right, unknown, without_what_follows

NAMES = sorted({*EXPLAINS, *(what for explained in EXPLAINS.values() for what in explained)})


def is_wrong(what: str) -> Told:
    return Told(what, False, what)


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


def test_what_is_right_stays_and_what_is_unknown_goes_with_its_cause() -> None:
    told = [is_wrong("other sound"), right("clock", "one clock"), unknown("disturbed", "a noise")]
    assert [one.what for one in without_what_follows(told)] == ["other sound", "clock"]
