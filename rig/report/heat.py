"""What a certificate tells of long loud playing: the figures of its log, what happened in it, and why it ended."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from markupsafe import Markup

from checks.heat import RISE
from rig.design.kit import Kit
from rig.design.limits import Limit, limit_key
from rig.report.courses import Bound, TimeLine, TimePanel, courses_svg
from rig.report.words import COVERAGE, HOT_CELSIUS, UNIT_SIGNS, celsius, lapse, moment, with_minus
from rig.store.run_json import About
from rig.values.logs import OF_COIL, Log, of_quantity
from rig.values.readings import Course, Floats, Reading
from rig.values.requests import RoleGuard
from rig.values.run import Run
from rig.verdict.guard import AMBIENT, STEADY_RISE

#: Heights of the figures, in the drawing's units; layout.
MAIN_HEIGHT, COILS_HEIGHT, SMALL_HEIGHT = 300, 205, 170
NAMES_WIDTH, SMALL_NAMES_WIDTH = 170, 118
#: No coil lives through such a rise: what seems to be warmer is open; from memory.
MOST_COIL_K = 400.0
#: Events that are reported one by one; the rest is counted; layout.
MOST_EVENTS = 9
UNIT_TITLES = {"ampere": "Current", "volt": "Voltage", "watt": "Power"}


@dataclass(frozen=True)
class Soak:
    """One programme, or the rest after it, as the certificate shows it."""

    title: str
    #: The rise over ambient; empty where no temperature was read.
    main: Markup
    #: Rows of smaller figures.
    small: tuple[Markup, ...]
    #: What is numbered in the figures: when, and in words.
    events: tuple[tuple[str, str], ...]
    #: Events that are not told one by one.
    more_events: int
    #: Coils or heat that a fit was drawn for.
    has_fit: bool


@dataclass(frozen=True)
class Known:
    """What checks and limits say of the places of a log."""

    courses: Mapping[str, Course]
    steady: Mapping[str, Reading]
    limits: Mapping[str, Limit]


def soaks(run: Run, kit: Kit) -> list[Soak]:
    """The programmes of a run that were logged, in their order."""
    known = known_of(run, kit)
    return [_soak(log, known) for log, _ in run.logs if log.seconds.size]


def known_of(run: Run, kit: Kit) -> Known:
    """Courses, predictions and limits of rises, whichever check they are from."""
    courses: dict[str, Course] = {}
    steady: dict[str, Reading] = {}
    limits: dict[str, Limit] = {}
    for result in run.results:
        courses |= {course.subject: course for course in result.read.courses if course.quantity == RISE}
        steady |= {reading.subject: reading for reading in result.read.readings if reading.quantity == STEADY_RISE}
        limits |= {
            name: limit
            for name, limit in kit.limits.get(result.name, {}).items()
            if name.startswith((RISE, STEADY_RISE))
        }
    return Known(courses, steady, limits)


def _soak(log: Log, known: Known) -> Soak:
    listed, more = events(log)
    marks = tuple(seconds for seconds, _ in listed)
    if log.request.is_rest:
        title, main, height = "Rest", cooling_panel(log, marks), SMALL_HEIGHT
        coils, small = None, list[TimePanel]()
    else:
        title, main, height = "Long loud playing", rise_panel(log, known, marks), MAIN_HEIGHT
        coils = coil_panel(log, known, marks)
        small = [panel for panel in (drive_panel(log), *meter_panels(log)) if panel]
    rows = [courses_svg([coils], 1, COILS_HEIGHT, NAMES_WIDTH)] if coils else []
    rows += [courses_svg(small[n : n + 2], 2, SMALL_HEIGHT, SMALL_NAMES_WIDTH) for n in range(0, len(small), 2)]
    # The drawings are made from numbers and escaped text, so they go into the page as they are.
    return Soak(
        title=title,
        main=Markup(courses_svg([main], 1, height, NAMES_WIDTH) if main else ""),
        small=tuple(Markup(row) for row in rows),
        events=tuple((lapse(seconds), words) for seconds, words in listed),
        more_events=more,
        has_fit=any(line.fit is not None for panel in (main, coils) if panel for line in panel.lines),
    )


def events(log: Log) -> tuple[list[tuple[float, str]], int]:
    """What happened in a log, in its order, and how many events are left out; why it ended is always reported."""
    found = [(seconds, with_minus(celsius(words))) for seconds, words in log.events]
    if len(found) <= MOST_EVENTS:
        return found, 0
    kept = [*found[: MOST_EVENTS - 1], found[-1]]
    return kept, len(found) - len(kept)


def rise_panel(log: Log, known: Known, marks: Sequence[float]) -> TimePanel | None:
    """Rises over ambient of all places but the coils, with the ambient's own; None where there is none."""
    guards = {role.role: role for role in log.request.guard.roles if role.unit == "celsius"}
    every = dict.fromkeys([*guards, *of_quantity(log.columns, "celsius")])
    places = [place for place in every if place != "ambient" and not place.startswith(OF_COIL)]
    lines = _rises(log, known, places)
    if not any(np.isfinite(line.value).any() for line in lines):
        return None
    ambient = log.column(AMBIENT)
    begun = ambient[np.isfinite(ambient)][0]
    lines.append(TimeLine(f"ambient, from {begun:.1f} °C:", log.seconds, ambient - begun, is_faint=True))
    bounds = [bound for place in places for bound in _limits(place, known.limits)]
    bounds += [bound for place in places if place in guards for bound in _guards(guards[place], ambient)]
    title = "Rise over ambient"
    return TimePanel(title, "K", length_s(log), tuple(lines), tuple(bounds), tuple(marks), tuple(gaps(log)))


def coil_panel(log: Log, known: Known, marks: Sequence[float]) -> TimePanel | None:
    """Rises of the coils, by their resistance; that of an open coil is none of a temperature and is left out."""
    places = [place for place in of_quantity(log.columns, "celsius") if place.startswith(OF_COIL)]
    lines = [
        replace(line, value=np.where(line.value < MOST_COIL_K, line.value, np.nan))
        for line in _rises(log, known, places)
    ]
    bounds = tuple(bound for place in places for bound in _limits(place, known.limits))
    title = "Coils: rise over ambient, by resistance"
    return TimePanel(title, "K", length_s(log), tuple(lines), bounds, tuple(marks), tuple(gaps(log))) if lines else None


def drive_panel(log: Log) -> TimePanel | None:
    """Volts at the leads of each channel."""
    lines = tuple(_lines(log, "drive_v"))
    return TimePanel("Level at the leads", "V", length_s(log), lines, (), (), tuple(gaps(log))) if lines else None


def meter_panels(log: Log) -> Iterator[TimePanel]:
    """Currents, voltages and powers that instruments read: those the guard watches, else all of the current."""
    for unit, title in UNIT_TITLES.items():
        watched = [role for role in log.request.guard.roles if role.unit == unit]
        lines = tuple(_lines(log, unit, [role.role for role in watched]))
        if lines and (watched or unit == "ampere"):
            bounds = tuple(bound for role in watched for bound in _guards(role, np.zeros(1)))
            yield TimePanel(title, UNIT_SIGNS[unit], length_s(log), lines, bounds, (), tuple(gaps(log)))


def cooling_panel(log: Log, marks: Sequence[float]) -> TimePanel | None:
    """Temperatures at rest, down to what may be touched."""
    lines = [line for line in _lines(log, "celsius") if line.name != "ambient"]
    if not lines:
        return None
    lines.append(TimeLine("ambient", log.seconds, log.column(AMBIENT), is_faint=True))
    bounds = (Bound(f"hot to the touch above {HOT_CELSIUS:g} °C", HOT_CELSIUS),)
    return TimePanel("Cooling down", "°C", length_s(log), tuple(lines), bounds, tuple(marks), tuple(gaps(log)))


def _rises(log: Log, known: Known, places: Sequence[str]) -> list[TimeLine]:
    lines = []
    for place in places:
        rise_k = log.column(f"celsius.{place}") - log.column(AMBIENT)
        course, reading, steady = known.courses.get(place), known.steady.get(place), None
        fit = course.fit if course and course.seconds.size == log.seconds.size else None
        if reading and np.isfinite([reading.value, reading.uncertainty]).all():
            steady = (reading.value, COVERAGE * reading.uncertainty)
        name, limits = place.removeprefix("coil "), _limits_of(STEADY_RISE, place, known.limits)
        lines.append(TimeLine(name, log.seconds, _broken(log, rise_k), fit, steady, limits))
    return lines


def _lines(log: Log, quantity: str, only: Sequence[str] = ()) -> Iterator[TimeLine]:
    for subject, column in of_quantity(log.columns, quantity).items():
        if (not only or subject in only) and np.isfinite(column).any():
            yield TimeLine(subject, log.seconds, _broken(log, column))


def _broken(log: Log, column: Floats) -> Floats:
    """Without the first row after a gap: no line leads across one."""
    return np.where(log.is_state("gap"), np.nan, column)


def _limits_of(quantity: str, place: str, limits: Mapping[str, Limit]) -> tuple[float, float]:
    """Lower and upper limit of a quantity at a place, each infinite where there is none."""
    limit = limits.get(limit_key(limits, quantity, place))
    lower = -np.inf if limit is None or limit.lower is None else limit.lower
    upper = np.inf if limit is None or limit.upper is None else limit.upper
    return lower, upper


def _limits(place: str, limits: Mapping[str, Limit]) -> Iterator[Bound]:
    """Limits of a place's rise."""
    lower, upper = _limits_of(RISE, place, limits)
    if np.isfinite(upper):
        yield Bound(f"limit {place}: at most {upper:g} K", upper, is_limit=True)
    if np.isfinite(lower):
        yield Bound(f"limit {place} in the last minute: at least {lower:g} K", lower, is_limit=True, is_lower=True)


def _guards(role: RoleGuard, ambient: Floats) -> Iterator[Bound]:
    """Bounds of the guard, temperatures as a rise over the mean ambient."""
    sign = UNIT_SIGNS[role.unit]
    middle = float(np.nanmean(ambient)) if role.unit == "celsius" else 0.0
    for value, side in ((role.upper, "above"), (role.lower, "below")):
        if value is not None:
            yield Bound(f"guard stops {side} {value:g} {sign}", value - middle)
    if role.rise_k is not None:
        yield Bound(f"guard stops above {role.rise_k:g} K", role.rise_k)


def length_s(log: Log) -> float:
    """How long a log's figures are: to its last row."""
    return float(log.seconds[-1])


def gaps(log: Log) -> list[tuple[float, float]]:
    """From when to when a programme stood still between two of its rows."""
    after = np.flatnonzero(log.is_state("gap"))
    return [(float(log.seconds[n - 1]), float(log.seconds[n] - log.request.every_s)) for n in after if n > 0]


def stop_words(run: Run) -> tuple[str, str] | None:
    """When and why the guard stopped a programme; None where it did not."""
    for log, _ in run.logs:
        if log.stopped and log.stopped.kind != "settled":
            return lapse(log.stopped.seconds), with_minus(celsius(log.stopped.words))
    return None


def early_words(run: Run) -> str:
    """Of a programme that ended early because all was known; empty where none did."""
    for log, _ in run.logs:
        if log.stopped and log.stopped.kind == "settled":
            length = f"{lapse(log.stopped.seconds)} of {lapse(log.request.seconds)}"
            return f"after {length}, {log.stopped.words}. The fit that says so is drawn in the figure of the rise."
    return ""


def interrupted_words(run: Run, about: About) -> str:
    """Of a run that was interrupted and taken up again, or only closed; empty where it was not."""
    if not about.resumed_at:
        return ""
    when = moment(about.resumed_at)
    if about.bench.get("kind") == "closed":
        return f"it was not taken up again, only closed, at {when}; what had been measured by then stands in it."
    stood = [lapse(stop - start) for log, _ in run.logs for start, stop in gaps(log)]
    if not stood:
        return f"it was taken up again at {when}; no programme was playing when it was cut off."
    text = f"the programme stood still for {' and '.join(stood)} (hatched in the figure) and was taken up again"
    return f"{text}, last at {when}."
