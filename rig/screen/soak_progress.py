"""A soak in the terminal: temperatures, where they lead, time left, what would stop it, and whether it is hot."""

import math
import time
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from rig.report.words import COVERAGE, HOT_CELSIUS, UNIT_SIGNS, celsius, lapse, number
from rig.values.logs import OF_COIL, Outlook, Row, of_quantity
from rig.values.requests import Programme, RoleGuard
from rig.values.run import Logged
from rig.verdict.guard import AMBIENT, MINUTE_S

#: The screen is drawn at most so often, however fast rows come; our choice.
LEAST_S = 0.5
#: Where nobody watches a screen, a line is printed for every so much of the programme; our choice.
LINE_EVERY_S = 60.0
#: Events that stay on the screen; layout.
LAST_EVENTS = 4
#: A reading that is missing for more rows than this is reported before it stops the soak; our choice.
MISSING_ROWS = 2
STATE_WORDS = {
    "cold": "; quiet at first, while the coils are cold",
    "ramp": "; getting louder",
    "gap": "; taken up again",
}
NAN = float("nan")


@dataclass(frozen=True)
class Near:
    """How near something is to what would stop the soak."""

    words: str
    #: 0 at ease, 1 at the bound.
    share: float


@dataclass
class Watched:
    """What is known of a programme under way: the last values, and a little of what was before."""

    programme: Programme
    row: Row | None = None
    outlooks: tuple[Outlook, ...] = ()
    #: Column -> when it last had a value, and that value.
    seen: dict[str, tuple[float, float]] = field(default_factory=dict)
    recent: deque[Row] = field(default_factory=deque)
    #: Channel -> the mean resistance of its coil while it was cold, and of how many rows.
    cold: dict[str, tuple[float, int]] = field(default_factory=dict)
    ambient_at_start: float = NAN
    #: How long the programme stood still between two of its rows.
    gap_s: float = 0.0
    events: deque[tuple[float, str]] = field(default_factory=lambda: deque(maxlen=LAST_EVENTS))

    def add(self, logged: Logged) -> None:
        """Take in another row."""
        row, before = logged.row, self.row
        if row.state == "gap" and before:
            self.gap_s += row.seconds - before.seconds - self.programme.every_s
            self.recent.clear()
        self.row, self.outlooks = row, logged.outlooks
        for name, value in row.values.items():
            if math.isfinite(value):
                self.seen[name] = (row.seconds, value)
        for channel, ohm in of_quantity(row.values, "coil_ohm").items() if row.state == "cold" else ():
            if math.isfinite(ohm):
                mean, count = self.cold.get(channel, (0.0, 0))
                self.cold[channel] = ((mean * count + ohm) / (count + 1), count + 1)
        if not math.isfinite(self.ambient_at_start):
            self.ambient_at_start = row.values.get(AMBIENT, NAN)
        self.recent.append(row)
        while self.recent[0].seconds < row.seconds - MINUTE_S:
            self.recent.popleft()
        self.events.extend((row.seconds, celsius(words)) for words in (row.event, row.guard) if words)

    def now(self, column: str) -> float:
        """The value of a column in the last row; NaN where there was none."""
        return self.row.values.get(column, NAN) if self.row else NAN

    @property
    def left_s(self) -> float:
        """How much of the programme is to come, if nothing ends it early."""
        return max(self.programme.seconds - (self.row.seconds if self.row else 0.0) + self.gap_s, 0.0)


def hot_words(watched: Watched) -> str:
    """What is too hot to touch, as last read: a sensor that went silent has not cooled; empty when nothing is."""
    hot = [
        f"{role.role} {watched.seen[column][1]:.0f} °C"
        for role in watched.programme.guard.roles
        if role.unit == "celsius" and watched.seen.get(column := role.column, (0, NAN))[1] > HOT_CELSIUS
    ]
    return f"HOT: {', '.join(hot)}. Touch nothing before it is below {HOT_CELSIUS:g} °C." if hot else ""


def nearest(watched: Watched) -> Near | None:
    """What would stop the programme first; None at rest or before there is a row."""
    return next(iter(guard_distances(watched)), None)


def guard_distances(watched: Watched) -> list[Near]:
    """All that can be seen coming and would stop the programme, the nearest first; at rest nothing does.

    A lost level is not among it: it comes at once or not at all.
    """
    if watched.row is None or watched.programme.is_rest:
        return []
    found = [near for role in watched.programme.guard.roles for near in _role(watched, role)]
    return sorted([*found, *_others(watched)], key=lambda near: near.share, reverse=True)


def _role(watched: Watched, role: RoleGuard) -> Iterator[Near]:
    column, sign = role.column, UNIT_SIGNS.get(role.unit, role.unit)
    now, ambient = watched.now(column), watched.now(AMBIENT)
    # A temperature comes from the ambient, everything else from nothing.
    start = ambient if role.unit == "celsius" else 0.0
    if role.upper is not None and now > start and role.upper > start:
        yield Near(f"{role.role} above {role.upper:g} {sign}, now {now:.4g}", (now - start) / (role.upper - start))
    if role.lower is not None and now > 0:
        yield Near(f"{role.role} below {role.lower:g} {sign}, now {now:.4g}", role.lower / now)
    if role.rise_k is not None and math.isfinite(now - ambient):
        words = f"{role.role} more than {role.rise_k:g} K above ambient, now {now - ambient:.1f}"
        yield Near(words, (now - ambient) / role.rise_k)
    rate = _rate(watched, column)
    if role.rate_k_per_min is not None and math.isfinite(rate):
        words = f"{role.role} rising faster than {role.rate_k_per_min:g} K a minute, now {rate:.1f}"
        yield Near(words, rate / role.rate_k_per_min)
    yield from _missing(watched, column, role.role)


def _rate(watched: Watched, column: str) -> float:
    """Rise over the last minute, in units a minute; NaN before there is one."""
    first, last = watched.recent[0], watched.recent[-1]
    passed_s = last.seconds - first.seconds
    if passed_s < 0.8 * MINUTE_S:
        return NAN
    return (last.values.get(column, NAN) - first.values.get(column, NAN)) / passed_s * 60


def _missing(watched: Watched, column: str, name: str) -> Iterator[Near]:
    assert watched.row
    silent_s = watched.row.seconds - watched.seen.get(column, (0.0, NAN))[0]
    if silent_s > MISSING_ROWS * watched.programme.every_s:
        allowed_s = watched.programme.guard.missing_s
        yield Near(f"no reading of {name} for {allowed_s:g} s, now for {silent_s:.0f}", silent_s / allowed_s)


def _others(watched: Watched) -> Iterator[Near]:
    """The ambient, and coils."""
    guard = watched.programme.guard
    drift_k = watched.now(AMBIENT) - watched.ambient_at_start
    if math.isfinite(drift_k):
        words = f"ambient more than {guard.ambient_drift_k:g} K from where it began, now {drift_k:+.1f}"
        yield Near(words, abs(drift_k) / guard.ambient_drift_k)
    yield from _missing(watched, AMBIENT, "ambient")
    low, high = guard.coil_ratio
    for channel, (cold_ohm, _) in watched.cold.items():
        ratio = watched.now(f"coil_ohm.{channel}") / cold_ohm
        if math.isfinite(ratio):
            bound = high if ratio > 1 else low
            words = f"coil {channel} at {bound:g} times its cold resistance, now {ratio:.2f}"
            yield Near(words, (ratio - 1) / (bound - 1))


def picture(watched: Watched) -> RenderableType:
    """The whole view."""
    programme = watched.programme
    lines: list[RenderableType] = [Text(time_words(watched))]
    hot = hot_words(watched)
    if hot:
        lines.append(Text(f" {hot} ", style="bold reverse"))
    elif programme.is_rest and watched.row:
        lines.append(Text(f"Every watched temperature was below {HOT_CELSIUS:g} °C when it was last read."))
    lines.append(_temperatures(watched))
    near = nearest(watched)
    if near:
        lines.append(Text(f"would stop: {near.words} ({max(near.share, 0):.0%} of the way)", style="bold"))
    lines += [Text(words) for words in (coil_words(watched), drive_words(watched), meter_words(watched)) if words]
    lines += [Text(f"{lapse(seconds)}: {words}", style="italic") for seconds, words in watched.events]
    title = "rest" if programme.is_rest else "long loud playing"
    return Panel(Group(*lines), title=title, title_align="left", expand=False)


def time_words(watched: Watched) -> str:
    """How long it has been going and how long it will."""
    row = watched.row
    text = f"{lapse(row.seconds if row else 0)} of {lapse(watched.programme.seconds + watched.gap_s)}"
    text += f", {lapse(watched.left_s)} left"
    text += early_words(watched.programme)
    return text + STATE_WORDS.get(row.state if row else "", "")


def _temperatures(watched: Watched) -> Table:
    table = Table(box=None, pad_edge=False)
    table.add_column("")
    for name in ("now", "over ambient", "leads to"):
        table.add_column(name, justify="right")
    ambient = watched.now(AMBIENT)
    outlooks = {outlook.role: outlook for outlook in watched.outlooks}
    for role in watched.programme.guard.roles:
        if role.unit == "celsius":
            now = watched.now(f"celsius.{role.role}")
            leads = leads_to(outlooks.get(role.role)) if not watched.programme.is_rest else ""
            table.add_row(Text(role.role), degrees(now), kelvin(now - ambient), leads)
    table.add_row("ambient", degrees(ambient), "", "")
    return table


def degrees(value: float) -> str:
    """A temperature, or that there is none."""
    return f"{value:.1f} °C" if math.isfinite(value) else "no reading"


def kelvin(value: float) -> str:
    """A difference of temperatures; empty where there is none."""
    return f"{value:.1f} K" if math.isfinite(value) else ""


def leads_to(outlook: Outlook | None) -> str:
    """The predicted steady rise with its expanded uncertainty (k = 2); that it is not known yet."""
    if outlook is None or not math.isfinite(outlook.steady_k) or not math.isfinite(outlook.steady_u_k):
        return "not known yet"
    return f"{outlook.steady_k:.1f} ± {COVERAGE * outlook.steady_u_k:.1f} K"


def coil_words(watched: Watched) -> str:
    """Temperatures of the coils; empty where none is measured."""
    return _listed(watched, "celsius", "coils", "°C", OF_COIL)


def drive_words(watched: Watched) -> str:
    """Volts at the leads, and the level at the microphone."""
    text = _listed(watched, "drive_v", "at the leads", "V")
    levels_db = of_quantity(watched.row.values, "level_db").values() if watched.row else ()
    power = sum(10 ** (level / 10) for level in levels_db if math.isfinite(level))
    return text + (f"; at the microphone {10 * math.log10(power):.0f} dB" if text and power > 0 else "")


def meter_words(watched: Watched) -> str:
    """What the meters of the supply read."""
    parts = [_listed(watched, unit, "", sign) for unit, sign in UNIT_SIGNS.items() if unit != "celsius"]
    return "; ".join(part.strip() for part in parts if part)


def _listed(watched: Watched, quantity: str, name: str, sign: str, start: str = "") -> str:
    values = of_quantity(watched.row.values, quantity) if watched.row else {}
    numbers = [
        f"{subject.removeprefix(start)} {number(value, decimals_at_most=2)} {sign}"
        for subject, value in values.items()
        if subject.startswith(start) and math.isfinite(value)
    ]
    return f"{name} {', '.join(numbers)}" if numbers else ""


def one_line(watched: Watched) -> str:
    """The view in a line, for a log."""
    outlooks = {outlook.role: outlook for outlook in watched.outlooks}
    parts = []
    for role in watched.programme.guard.roles:
        now = watched.now(f"celsius.{role.role}") if role.unit == "celsius" else NAN
        if role.unit == "celsius":
            rise = kelvin(now - watched.now(AMBIENT))
            outlook = outlooks.get(role.role)
            known = outlook is not None and math.isfinite(outlook.steady_u_k) and not watched.programme.is_rest
            leads = f" -> {leads_to(outlook)}" if known else ""
            parts.append(f"{role.role} {degrees(now)}" + (f" (+{rise}{leads})" if rise else ""))
    parts.append(f"ambient {degrees(watched.now(AMBIENT))}")
    parts += [words for words in (drive_words(watched), meter_words(watched)) if words]
    near = nearest(watched)
    parts += [f"would stop: {near.words}"] if near else []
    parts += [hot] if (hot := hot_words(watched)) else []
    return f"  {lapse(watched.row.seconds if watched.row else 0)}: {'; '.join(parts)}"


@dataclass
class SoakScreen:
    """Draws a programme while it is under way: a live panel on a terminal, else a line a minute and every event."""

    watched: Watched
    console: Console
    clock: Callable[[], float] = time.monotonic
    live: Live | None = None
    _drawn_s: float = -math.inf
    _line_due_s: float = 0.0
    #: Events since the last line.
    _events: list[str] = field(default_factory=list)

    def show(self, logged: Logged) -> None:
        """Take in a row; draw when it is time."""
        self.watched.add(logged)
        if not self.console.is_terminal:
            self._line(logged.row)
        elif self.clock() - self._drawn_s >= LEAST_S:
            self._draw()

    def stop(self) -> None:
        """Draw the last state, which stays, and let go of the terminal."""
        if self.console.is_terminal and self.watched.row:
            self._draw()
        if self.live:
            self.live.stop()
            self.live = None

    def _draw(self) -> None:
        if self.live is None:
            self.live = Live(console=self.console, auto_refresh=False)
            self.live.start()
        self.live.update(picture(self.watched), refresh=True)
        self._drawn_s = self.clock()

    def _line(self, row: Row) -> None:
        self._events += [words for words in (row.event,) if words]
        is_due = row.seconds >= self._line_due_s and self.clock() - self._drawn_s >= LEAST_S
        if is_due:
            self._line_due_s = (row.seconds // LINE_EVERY_S + 1) * LINE_EVERY_S
            self._drawn_s = self.clock()
            self._print(one_line(self.watched))
        if is_due or row.guard:
            lines = [*self._events[-LAST_EVENTS:], *filter(None, (row.guard,))]
            more = len(self._events) - LAST_EVENTS
            for words in [*([f"{more} more events, in the log"] if more > 0 else []), *lines]:
                self._print(f"  {lapse(row.seconds)}: {celsius(words)}")
            self._events = []

    def _print(self, words: str) -> None:
        self.console.print(words, highlight=False, soft_wrap=True)


def programme_words(programme: Programme) -> str:
    """What is about to sound, or that nothing is."""
    if programme.is_rest:
        return f"Nothing sounds for {lapse(programme.seconds)}: rest, instruments are read on."
    text = f"Noise on {', '.join(programme.channels)} together, {programme.level_v:g} V at the leads, "
    text += f"crest factor {programme.noise.crest_factor:g}, for {lapse(programme.seconds)}"
    return f"{text}{early_words(programme)}."


def early_words(programme: Programme) -> str:
    """That a programme may end before its time; empty where it may not."""
    after_s = programme.early_end_after_s
    return "" if after_s is None else f"; it may end after {lapse(after_s)}, when all is known"
