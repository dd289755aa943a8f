"""The watch over a programme: what stops it, as what, and when; and that nothing else does."""

import math
from collections.abc import Iterable
from dataclasses import replace

import numpy as np
import pytest
from soaks import GUARD, PROGRAMME, SINK, rows, without

from rig.values.logs import Row, Stop
from rig.values.requests import Programme
from rig.verdict.guard import GuardWatch, rise_over_ambient

NAN = float("nan")


def watched(
    given: Iterable[Row], programme: Programme = PROGRAMME, **limits: dict[str, tuple[float, float]]
) -> tuple[GuardWatch, Stop | None]:
    watch = GuardWatch(programme, **limits)
    for row in given:
        _, stop = watch.add(row)
        if stop:
            return watch, stop
    return watch, None


@pytest.fixture(autouse=True)
def no_look_ahead(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Fits on the way take time; only an early end needs them."""
    if "early" not in request.node.name:
        monkeypatch.setattr("rig.verdict.guard.FIT_FROM_S", math.inf)


def test_a_good_soak_goes_to_its_end() -> None:
    watch, stop = watched(rows())
    assert stop is None
    log = watch.log()
    assert log.seconds[-1] == PROGRAMME.seconds
    assert log.stopped is None


@pytest.mark.parametrize(
    ("name", "value", "kind", "words"),
    [
        ("celsius.heat sink", 75.2, "fail", "heat sink at 75.2 celsius; allowed up to 75"),
        ("celsius.heat sink", 72.5, "fail", "heat sink 50.5 K above ambient; allowed 50 K"),
        ("ampere.supply", 3.2, "fail", "supply at 3.2 ampere; allowed up to 3"),
        ("celsius.ambient", 27.5, "void", "the ambient has moved by +5.5 K"),
        ("coil_ohm.left", 0.4, "fail", "coil of left at 0.4 ohm"),
        ("coil_ohm.left", 90.0, "fail", "coil of left at 90 ohm"),
    ],
)
def test_a_value_beyond_its_bound_stops_at_once(name: str, value: float, kind: str, words: str) -> None:
    _, stop = watched(rows(change=lambda s: {name: value} if s >= 3000 else {}))
    assert stop is not None
    assert (stop.kind, stop.seconds) == (kind, 3000)
    assert words in stop.words


@pytest.mark.parametrize(("name", "value"), [("celsius.heat sink", 72.0), ("ampere.supply", 3.0)])
def test_a_value_on_its_bound_is_allowed(name: str, value: float) -> None:
    guard = replace(GUARD, roles=(replace(SINK, rate_k_per_min=None), GUARD.roles[1]))
    programme = replace(PROGRAMME, guard=guard)
    _, stop = watched(rows(programme, change=lambda s: {name: value} if s >= 3000 else {}), programme)
    assert stop is None


@pytest.mark.parametrize("name", ["celsius.heat sink", "ampere.supply", "celsius.ambient"])
@pytest.mark.parametrize("gone", ["nan", "absent"])
def test_a_guarded_reading_that_is_missing_too_long_voids(name: str, gone: str) -> None:
    lost = (
        without(row, name) if row.seconds > 3000 and gone == "absent" else row
        for row in rows(change=lambda s: {name: NAN} if s > 3000 and gone == "nan" else {})
    )
    _, stop = watched(lost)
    assert stop is not None
    assert stop.kind == "void"
    assert "no reading of" in stop.words
    assert stop.seconds == 3000 + GUARD.missing_s + PROGRAMME.every_s


def test_a_short_gap_in_a_reading_is_allowed() -> None:
    _, stop = watched(rows(change=lambda s: {"celsius.heat sink": NAN} if 3000 < s <= 3030 else {}))
    assert stop is None


def test_a_reading_that_never_came_voids() -> None:
    _, stop = watched(without(row, "celsius.heat sink") for row in rows())
    assert stop is not None
    assert stop.kind == "void"


def test_a_rise_that_is_too_fast_fails_within_its_first_minutes() -> None:
    _, stop = watched(rows(rise_k=45.0, tau_s=150.0))
    assert stop is not None
    assert stop.kind == "fail"
    assert "K a minute" in stop.words
    assert stop.seconds < 300


def test_a_channel_that_loses_level_in_a_band_fails() -> None:
    _, stop = watched(rows(change=lambda s: {"gain_db.right.1000": -16.0} if s >= 3000 else {}))
    assert stop is not None
    assert (stop.kind, stop.seconds) == ("fail", 3010)
    assert "right has lost 4.0 dB at 1000 Hz" in stop.words


def test_a_level_that_falls_everywhere_is_not_the_unit_s() -> None:
    names = [f"gain_db.{channel}.{band}" for channel in ("left", "right") for band in (125, 1000)]
    _, stop = watched(rows(change=lambda s: dict.fromkeys(names, -16.0) if s >= 3000 else {}))
    assert stop is not None
    assert stop.kind == "void"
    assert "was the microphone moved?" in stop.words


def test_a_channel_that_can_no_longer_be_told_ends_the_soak() -> None:
    names = [f"gain_db.right.{band}" for band in (125, 1000)]
    _, stop = watched(without(row, *names) if row.seconds >= 3000 else row for row in rows())
    assert stop is not None
    assert (stop.kind, stop.seconds) == ("void", 3030)
    assert "the sound of right can no longer be told from noise and other channels" in stop.words


def test_gains_of_all_channels_together_show_no_channel_that_falls_silent() -> None:
    def together(row: Row) -> Row:
        values = {name: value for name, value in row.values.items() if not name.startswith("gain_db")}
        return replace(row, values=values | {"gain_db.left and right.1000": -12.0})

    _, stop = watched(together(row) for row in rows())
    assert stop is not None
    # The coil of the other one is followed.
    assert stop.words.startswith("the sound of right cannot be told from noise")
    assert stop.seconds < 200


def test_one_row_of_noise_is_no_loss_of_level() -> None:
    _, stop = watched(rows(change=lambda s: {"gain_db.right.1000": -16.0} if s == 3000 else {}))
    assert stop is None


def test_coils_tell_their_temperature() -> None:
    """0.12 of the cold resistance, in which the cold start's own 0.12 of a hundredth of the power is."""
    watch, _ = watched(rows())
    celsius = watch.log().column("celsius.coil left")
    cold_ohm, hot_ohm = 5.6 * 1.0012, 5.6 * 1.12
    # Copper: IEC 60028, inferred zero resistance at -234.5 degrees C.
    assert celsius[-1] == pytest.approx(hot_ohm / cold_ohm * (234.5 + 22) - 234.5, abs=0.05)
    assert np.all(np.isnan(celsius[:4]))


def test_the_course_leads_to_the_steady_state() -> None:
    watch, _ = watched(rows(until_s=1800))
    _, fit = rise_over_ambient(watch.log(), "heat sink")
    assert fit is not None
    assert fit.steady_k == pytest.approx(30.0, abs=1.5)


@pytest.mark.parametrize(
    ("limits_k", "words"),
    [
        ((20.0, 40.0), "inside its limit"),
        ((-math.inf, 20.0), "heat sink will end above"),
        ((35.0, math.inf), "heat sink will end below"),
    ],
)
def test_an_early_end_when_the_steady_state_is_beyond_doubt(limits_k: tuple[float, float], words: str) -> None:
    programme = replace(PROGRAMME, early_end_after_s=600.0)
    _, stop = watched(rows(programme), programme, steady_limits_k={"heat sink": limits_k})
    assert stop is not None
    assert stop.kind == "settled"
    assert words in stop.words
    assert stop.seconds < 0.5 * programme.seconds


def test_no_early_end_near_the_limit_or_where_the_kit_does_not_allow_it() -> None:
    programme = replace(PROGRAMME, early_end_after_s=600.0)
    assert watched(rows(programme), programme, steady_limits_k={"heat sink": (-math.inf, 30.0)})[1] is None
    assert watched(rows(), PROGRAMME, steady_limits_k={"heat sink": (-math.inf, 40.0)})[1] is None


def test_rest_is_logged_and_never_stopped() -> None:
    rest = replace(PROGRAMME, level_v=0.0, moment="rest")
    watch, stop = watched(
        (replace(row, state="rest") for row in rows(change=lambda s: {"celsius.heat sink": 90.0})), rest
    )
    assert stop is None
    assert watch.log().seconds.size == PROGRAMME.seconds / PROGRAMME.every_s
