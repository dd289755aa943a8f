"""The soak on the screen: what is near, what is hot, how often it is drawn, and what sounds."""

import io
import itertools
from collections.abc import Iterator
from dataclasses import replace

import pytest
from rich.console import Console
from soaks import GUARD, PROGRAMME, rows

from rig.page.view import soak_shown
from rig.screen import terminal
from rig.screen.soak_progress import (
    SoakScreen,
    Watched,
    hot_words,
    leads_to,
    nearest,
    one_line,
    picture,
    programme_words,
    time_words,
)
from rig.values.logs import Outlook, Row
from rig.values.requests import Guard, Programme, RoleGuard
from rig.values.run import Event, Logged, StageReached, Started

REST = replace(PROGRAMME, level_v=0.0, seconds=1800.0, moment="rest")
SINK, AMBIENT = "celsius.heat sink", "celsius.ambient"


def row(seconds: float, state: str = "playing", event: str = "", guard: str = "", **celsius: float) -> Row:
    """A row with temperatures alone: `sink`, `ambient`."""
    names = {"sink": SINK, "ambient": AMBIENT}
    values = {names.get(name, name): value for name, value in celsius.items()}
    return Row(seconds, "2026-01-01T10:00:00+00:00", state, values, event=event, guard=guard)


def watched(*shown: Row, programme: Programme = PROGRAMME, outlooks: tuple[Outlook, ...] = ()) -> Watched:
    known = Watched(programme)
    for one in shown:
        known.add(Logged(programme, one, outlooks))
    return known


def text_of(known: Watched, width: int = 110) -> str:
    console = Console(file=io.StringIO(), width=width, color_system=None)
    console.print(picture(known))
    assert isinstance(console.file, io.StringIO)
    return " ".join(console.file.getvalue().replace("│", " ").split())


def guarded(*roles: RoleGuard) -> Programme:
    return replace(PROGRAMME, guard=replace(GUARD, roles=roles))


@pytest.mark.parametrize(
    ("role", "sink", "words", "share"),
    [
        (RoleGuard("heat sink", "celsius", upper=75.0), 52.3, "heat sink above 75 °C, now 52.3", 30.3 / 53),
        (RoleGuard("heat sink", "celsius", rise_k=40.0), 52.0, "more than 40 K above ambient, now 30.0", 30 / 40),
        (RoleGuard("heat sink", "celsius", lower=20.0), 25.0, "heat sink below 20 °C, now 25", 20 / 25),
    ],
)
def test_what_would_stop_it_is_told_with_how_near_it_is(role: RoleGuard, sink: float, words: str, share: float) -> None:
    near = nearest(watched(row(300, sink=sink, ambient=22.0), programme=guarded(role)))
    assert near
    assert words in near.words
    assert near.share == pytest.approx(share)


def test_of_several_bounds_the_nearest_is_told() -> None:
    roles = (RoleGuard("heat sink", "celsius", upper=75.0), RoleGuard("supply", "ampere", upper=2.0))
    programme = guarded(*roles)
    values = {"sink": 40.0, "ambient": 22.0}
    for ampere, told in ((0.5, "heat sink above 75"), (1.9, "supply above 2 A, now 1.9")):
        near = nearest(watched(row(300, **values, **{"ampere.supply": ampere}), programme=programme))
        assert near
        assert told in near.words


def test_a_fast_rise_is_seen_after_most_of_a_minute() -> None:
    role = RoleGuard("heat sink", "celsius", rate_k_per_min=8.0, upper=200.0)
    shown = [row(5.0 * n, sink=22 + 0.6 * n, ambient=22.0) for n in range(1, 13)]
    near = nearest(watched(*shown, programme=guarded(role)))
    assert near
    assert near.words == "heat sink rising faster than 8 K a minute, now 7.2"
    assert "rising" not in getattr(nearest(watched(*shown[:5], programme=guarded(role))), "words", "")


def test_a_silent_sensor_and_a_warming_room_and_a_warm_coil_are_seen_coming() -> None:
    role = RoleGuard("heat sink", "celsius", upper=200.0)
    silent = [row(5, sink=23.0, ambient=22.0), row(30, ambient=22.0)]
    near = nearest(watched(*silent, programme=guarded(role)))
    assert near
    assert near.words == "no reading of heat sink for 30 s, now for 25"
    room = nearest(watched(row(5, ambient=22.0, sink=23.0), row(10, ambient=26.5, sink=23.0), programme=guarded(role)))
    assert room
    assert room.words == "ambient more than 5 K from where it began, now +4.5"
    coil = [row(5, "cold", **{"coil_ohm.left": 5.0}), row(10, **{"coil_ohm.left": 7.5})]
    hot_coil = nearest(watched(*coil, programme=guarded(role)))
    assert hot_coil
    assert hot_coil.words == "coil left at 1.6 times its cold resistance, now 1.50"
    assert hot_coil.share == pytest.approx(0.5 / 0.6)


def test_nothing_can_stop_a_rest() -> None:
    assert nearest(watched(row(5, "rest", sink=70.0, ambient=22.0), programme=REST)) is None


@pytest.mark.parametrize("programme", [PROGRAMME, REST])
def test_hot_stands_there_until_it_has_cooled_and_a_silent_sensor_has_not(programme: Programme) -> None:
    hot = watched(row(5, sink=45.1, ambient=22.0), programme=programme)
    assert hot_words(hot).startswith("HOT: heat sink 45 °C. Touch nothing")
    assert "HOT: heat sink" in text_of(hot)
    silent = watched(row(5, sink=60.0, ambient=22.0), row(100, ambient=22.0), programme=programme)
    assert "HOT: heat sink 60 °C" in hot_words(silent)
    assert "no reading" in text_of(silent)
    cooled = watched(row(5, sink=60.0), row(10, sink=44.9), programme=programme)
    assert hot_words(cooled) == ""
    assert "HOT" not in text_of(cooled)


def test_the_picture_shows_temperatures_where_they_lead_and_what_happened() -> None:
    shown = list(rows(until_s=900))
    outlooks = (Outlook("heat sink", 18.9, 29.7, 0.6),)
    shown[-1] = replace(shown[-1], event="the sound broke off for 0.2 s")
    told = text_of(watched(*shown, outlooks=outlooks))
    assert "15 min of 2 h, 1 h 45 min left" in told
    assert "29.7 ± 1.2 K" in told
    assert "at the leads left 3.00 V, right 3.00 V" in told
    assert "15 min: the sound broke off for 0.2 s" in told
    assert "would stop: " in told


def test_what_is_not_known_yet_is_not_told_as_a_number() -> None:
    assert leads_to(None) == leads_to(Outlook("heat sink", 1.0)) == "not known yet"
    assert leads_to(Outlook("heat sink", 1.0, 30.0, float("inf"))) == "not known yet"


def test_a_gap_counts_for_the_time_but_not_for_the_programme() -> None:
    known = watched(row(100, ambient=22.0), row(100 + 600 + 5, "gap", ambient=22.0))
    assert known.gap_s == 600
    assert known.left_s == PROGRAMME.seconds - 105
    assert "taken up again" in time_words(known)


def test_only_the_last_events_stay() -> None:
    known = watched(*(row(5.0 * n, event=f"event {n}") for n in range(1, 100)))
    told = text_of(known)
    assert "event 99" in told
    assert "event 95" not in told


class Ticks:
    """A clock that is moved by hand."""

    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


def test_a_terminal_is_drawn_twice_a_second_at_most_and_at_the_end() -> None:
    file, ticks = io.StringIO(), Ticks()
    console = Console(file=file, force_terminal=True, width=100)
    screen = SoakScreen(Watched(PROGRAMME), console, ticks)
    for n, one in enumerate(rows(until_s=5000)):
        ticks.now_s = n * 0.004
        screen.show(Logged(PROGRAMME, one, ()))
    drawn = file.getvalue().count("would stop:")
    screen.stop()
    # 1000 rows in 4 s, the first of which is drawn at once.
    assert drawn == 8
    assert file.getvalue().count("would stop:") > drawn
    assert "1 h 23 min 20 s of 2 h" in file.getvalue()
    assert screen.live is None


def printed(shown: Iterator[Row], step_s: float) -> list[str]:
    file, ticks = io.StringIO(), Ticks()
    screen = SoakScreen(Watched(PROGRAMME), Console(file=file, width=60), ticks)
    for n, one in enumerate(shown):
        ticks.now_s = n * step_s
        screen.show(Logged(PROGRAMME, one, ()))
    screen.stop()
    return file.getvalue().splitlines()


def test_a_log_file_gets_a_line_a_minute_whatever_the_rows() -> None:
    lines = printed(rows(until_s=600), 5.0)
    assert len(lines) == 11
    assert lines[0].startswith("  5 s: heat sink")
    assert lines[1].startswith("  60 s: heat sink")
    # A bench that does not wait gives no more than two lines a second of its own time.
    assert len(printed(rows(until_s=600), 0.01)) == 3


def test_events_and_the_guard_are_printed_the_guard_at_once() -> None:
    shown = [replace(one, event="flicker") if 10 <= one.seconds <= 40 else one for one in rows(until_s=90)]
    shown[-1] = replace(shown[-1], guard="heat sink at 75.1 celsius; allowed up to 75")
    lines = printed(iter(shown), 5.0)
    assert sum("flicker" in line for line in lines) == 4
    assert any("3 more events" in line for line in lines)
    assert lines[-1] == "  90 s: heat sink at 75.1 °C; allowed up to 75"


def test_a_line_says_what_the_screen_says() -> None:
    known = watched(*rows(until_s=900, rise_k=60.0), outlooks=(Outlook("heat sink", 37.0, 59.5, 0.8),))
    told = one_line(known)
    assert "-> 59.5 ± 1.6 K" in told
    assert "would stop: heat sink more than 50 K above ambient" in told
    assert "HOT: heat sink 5" in told


def test_what_sounds_is_said_before() -> None:
    early = replace(PROGRAMME, early_end_after_s=3600.0)
    assert programme_words(PROGRAMME) == ("Noise on left, right together, 3 V at the leads, crest factor 2, for 2 h.")
    assert programme_words(early).endswith("for 2 h; it may end after 1 h, when all is known.")
    assert programme_words(REST) == "Nothing sounds for 30 min: rest, instruments are read on."


def events() -> Iterator[Event]:
    yield StageReached("soak", "heat")
    yield Started(PROGRAMME, 1, 2, 1)
    for one in rows(rise_k=60.0, until_s=1800):
        yield Logged(PROGRAMME, one, ())
    yield StageReached("after", "clips on")


def test_the_terminal_warns_when_the_next_stage_begins_hot() -> None:
    file = io.StringIO()
    screen = terminal.RunScreen([PROGRAMME, REST], Console(file=file, width=100))
    for event in events():
        screen.show(event)
    told = file.getvalue()
    assert "Noise on left, right together" in told
    assert "When last read: HOT: heat sink" in told.split("stage: after")[1]


def test_an_interrupt_leaves_no_live_screen() -> None:
    file = io.StringIO()
    screen = terminal.RunScreen([PROGRAMME, REST], Console(file=file, force_terminal=True, width=100))
    for event in itertools.islice(events(), 20):
        screen.show(event)
    screen.stop()
    hidden, shown = file.getvalue().count("\x1b[?25l"), file.getvalue().count("\x1b[?25h")
    assert hidden == shown == 1


def test_a_guard_without_roles_of_temperature_draws_all_the_same() -> None:
    programme = replace(PROGRAMME, guard=Guard((), 30.0, 5.0, 3.0, (0.7, 1.6)))
    assert "ambient" in text_of(watched(row(5, ambient=22.0), programme=programme))


def test_all_that_would_stop_it_is_shown_on_the_page_the_nearest_first() -> None:
    roles = (RoleGuard("heat sink", "celsius", upper=75.0, rise_k=40.0),)
    known = watched(row(300, sink=52.0, ambient=22.0), programme=guarded(*roles))
    shown = soak_shown(known)
    assert [words.split(", now")[0] for words, _ in shown.guards][:2] == [
        "heat sink more than 40 K above ambient",
        "heat sink above 75 °C",
    ]
    shares = [share for _, share in shown.guards]
    assert shares == sorted(shares, reverse=True)
    assert shown.rows == (
        ("heat sink", "52.0 °C", "30.0 K", "not known yet"),
        ("ambient", "22.0 °C", "", ""),
    )
    assert soak_shown(watched(row(5, sink=50.0, ambient=22.0), programme=replace(REST, guard=GUARD))).guards == ()
