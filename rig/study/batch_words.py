"""A batch in sentences, for its screen and its report; and as one document for programs."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING

import numpy as np

from rig.circuit.notation import hertz
from rig.files.plain import finite
from rig.statistics.performance import Index
from rig.study.batch import FEWEST_UNITS, Share, yields
from rig.study.batch_curves import key_row
from rig.study.batch_drift import Change, Series, went_along
from rig.study.batch_readings import Spread
from rig.study.batch_study import BatchStudy, Cause
from rig.values.names import counted
from rig.verdict.judge import delta_unit

if TYPE_CHECKING:
    import pandas as pd

#: Below this Ppk a reading has little room left in its limits; common practice, no source.
ENOUGH = 1.33
#: Readings that tell of a driver's own lot, and of the box.
OF_DRIVER = ("fs", "Re", "Qts", "Qes", "Qms", "Le")
OF_BOX = ("box tuning", "box losses QL", "evidence of blowing air")
#: So many names of what moves too are said, then how many more; layout.
MOST_NAMES = 4


def reading_name(key: tuple[str, str, str], at_hz: float = math.nan) -> str:
    """What a row is called: quantity, of what, and where on a curve."""
    _, quantity, subject = key
    of = f"{quantity} of {subject}" if subject else quantity
    return f"{of} at {hertz(at_hz)}" if math.isfinite(at_hz) else of


def percent(share: float) -> str:
    """A share in percent, without figures that nobody knows."""
    return f"{100 * share:.0f} %" if share in (0, 1) or 0.1 < share < 0.9 else f"{100 * share:.1f} %"


def share_words(share: Share) -> str:
    """So many of so many, in percent, with the interval."""
    low, high = share.interval
    of = f"{share.count} of {counted(share.of, 'unit')}"
    return f"{of} ({percent(share.count / share.of)}; 95 %: {percent(low)} to {percent(high)})" if share.of else of


def some(names: Sequence[str]) -> str:
    """The first few names, and how many more there are."""
    more = len(names) - MOST_NAMES
    return ", ".join(names[:MOST_NAMES]) + (f" and {more} more" if more > 0 else "")


def overview(study: BatchStudy) -> list[tuple[str, str]]:
    """The first lines: what was made, what passes, what it takes."""
    units, runs = study.batch.units, study.batch.runs
    count = len(units) + len(study.batch.unproved)
    rows = [("measured", f"{counted(count, 'unit')} in {counted(len(runs), 'run')}, {_days(runs)}")]
    if len(units):
        shares = yields(units)
        rows += [
            ("pass at the first try", share_words(shares["first"])),
            ("pass in the end", share_words(shares["last"])),
        ]
        rows.append(("runs a unit", f"{units['runs'].mean():.2f} (most: {units['runs'].max()})"))
        rows.append(_time_row(units["minutes"]))
    if study.batch.unproved:
        rows.append(("no valid run yet", some(study.batch.unproved)))
    return rows


def _time_row(minutes: "pd.Series[float]") -> tuple[str, str]:
    """What a unit takes, in minutes, or in seconds where it is less than one."""
    median, mean = minutes.median(), minutes.mean()
    if median >= 1:
        return "minutes a unit", f"{median:.1f} (median), {mean:.1f} (mean, all its runs)"
    return "seconds a unit", f"{60 * median:.0f} (median), {60 * mean:.0f} (mean, all its runs)"


def _days(runs: "pd.DataFrame") -> str:
    first, last = runs["day"].min(), runs["day"].max()
    return f"on {first}" if first == last else f"{first} to {last}"


def remarks(study: BatchStudy) -> list[str]:
    """What a reader must know before the figures."""
    said = list(study.batch.remarks)
    count = len(study.batch.units)
    if count < FEWEST_UNITS:
        said.append(
            f"{counted(count, 'unit')} with a valid run: charts, indices and changes are told from {FEWEST_UNITS} on; "
            "the intervals above say how little few units tell"
        )
    changed = [reading_name(one.key) for one in study.spreads if one.other_limits]
    if changed:
        said.append(f"limits were changed on the way: {some(changed)}; indices are held against the newest")
    if not study.rig.path and count >= FEWEST_UNITS:
        said.append("how much of a spread is the rig's own is not known: kitproof capability tells")
    return said


def index_words(index: Index) -> str:
    """An index with its interval."""
    if not math.isfinite(index.value):
        return "–"
    return f"{index.value:.2f} ({index.lower:.2f} to {index.upper:.2f})"


def figures(value: float, unit: str) -> str:
    """A value in four figures with its unit."""
    return f"{value:.4g} {unit}".rstrip() if math.isfinite(value) else "–"


def limits_words(spread: Spread) -> str:
    """The limits of a reading."""
    low, high = (figures(side, "") for side in (spread.lower, spread.upper))
    if math.isinf(spread.lower) and math.isinf(spread.upper):
        return "not known"
    if math.isinf(spread.lower):
        return f"up to {high} {spread.unit}".rstrip()
    return (
        f"from {low} {spread.unit}".rstrip() if math.isinf(spread.upper) else f"{low} to {high} {spread.unit}".rstrip()
    )


def normal_words(spread: Spread) -> str:
    """How far normal, and so how the interval was made."""
    if spread.index is None:
        return spread.reason
    p = spread.index.normal_p
    return f"yes (p {p:.2f})" if spread.index.is_normal else f"no (p {max(p, 0.0001):.2g}): interval by bootstrap"


def worst_first(spreads: Iterable[Spread]) -> list[Spread]:
    """Readings with an index, the least room first; then those without."""
    return sorted(spreads, key=lambda one: one.index.ppk.value if one.index else math.inf)


def units_at(study: BatchStudy, place: int) -> tuple[str, str]:
    """Serial and day of the unit at a place."""
    row = study.batch.units.iloc[place]
    return str(row["serial"]), str(row["day"])


def change_sentence(study: BatchStudy, cause: Cause) -> str:
    """What changed, since which unit, with what, and who moved: for a builder."""
    head = cause.head
    serial, day = units_at(study, head.before)
    what = f"{reading_name(head.series.key, head.at_hz)} {moved_words(head)}"
    if head.is_drift:
        first, last = (units_at(study, place)[0] for place in (head.window[0], head.window[1] - 1))
        said = f"From {first} to {last} {what}, little by little"
    else:
        likely = [units_at(study, place)[0] for place in (head.earliest, head.latest)]
        within = f"; most likely between {likely[0]} and {likely[1]}" if likely[0] != likely[1] else ""
        said = f"From {serial} on ({day}{within}) {what}"
    others = list(dict.fromkeys(reading_name(one.series.key) for one in cause.changes))
    others = [name for name in others if name != reading_name(head.series.key)]
    if others:
        said += f", and {some(others)} changed too"
    along = went_along(study.batch.units, head.before)
    if along:
        said += f". With it changed {' and '.join(along)}"
    return f"{said}. {_who(head, cause)}"


def moved_words(one: Change) -> str:
    """By how much a reading moved."""
    unit = delta_unit(one.series.unit)
    side = "higher" if one.step > 0 else "lower"
    span = f"{figures(one.mean_before, '')} to {figures(one.mean_after, one.series.unit)}"
    return f"is {abs(one.step):.2g} {unit}".rstrip() + f" {side} ({span})"


def _who(head: Change, cause: Cause) -> str:
    why = head.why[:1].upper() + head.why[1:]
    if head.moved == "bench":
        return f"{why}: the bench, not the units. Calibrate it; units since then were judged with this error"
    if head.moved == "both":
        return f"{why}: bench and units both"
    if head.moved == "units":
        guess = lot_of(one.series for one in cause.changes)
        return f"{why}: the units, not the bench. Another lot of {guess}?"
    return f"Units or bench? {why}"


def lot_of(series: Iterable[Series]) -> str:
    """What another lot of would move these readings."""
    keys = [one.key for one in series]
    drivers = list(dict.fromkeys(subject.split(" ")[-1] for _, quantity, subject in keys if quantity in OF_DRIVER))
    if drivers:
        return " and ".join(f"{driver}s" for driver in drivers)
    if any(quantity in OF_BOX for _, quantity, _ in keys):
        return "boxes"
    return "parts"


def odd_sentences(study: BatchStudy) -> list[str]:
    """The odd units, each with what is odd about it; those that passed first, since nobody looked at them yet."""
    by_unit: dict[int, dict[str, float]] = {}
    for series, place, far in study.drift.odd:
        what = f"{'curve of ' if series.stack is not None else ''}{reading_name(series.key)}"
        of = by_unit.setdefault(place, {})
        of[what] = max(far, of.get(what, 0.0))
    said = []
    first = study.batch.units["first"]
    for place, odd in sorted(by_unit.items(), key=lambda pair: (first.iloc[pair[0]] == "fail", -len(pair[1]))):
        worst = sorted(odd, key=lambda what: -odd[what])
        words = f"{worst[0]} lies {odd[worst[0]]:.0f} standard deviations off"
        more = f", and {len(worst) - 1} more" if len(worst) > 1 else ""
        said.append(f"{units_at(study, place)[0]}, which {first.iloc[place]}ed: {words}{more}")
    return said


def document(study: BatchStudy) -> dict[str, object]:
    """Everything as plain JSON values; what is not known is null."""
    units = study.batch.units
    shares = {name: {**asdict(share), "interval": share.interval} for name, share in yields(units).items()}
    return {
        "kit": study.batch.kit,
        "plan": study.batch.plan,
        "remarks": remarks(study),
        "runs": len(study.batch.runs),
        "units": len(units),
        "unproved": list(study.batch.unproved),
        "yield": shares if len(units) else None,
        "runs_per_unit": finite(units["runs"].mean()),
        "minutes_per_unit": finite(units["minutes"].mean()),
        "failures": {name: [asdict(one) for one in found] for name, found in vars(study.failures).items()},
        "readings": [spread_row(one) for one in study.spreads],
        "is_charted": study.is_charted,
        "charts": len(study.drift.series),
        "changes": [
            {"words": change_sentence(study, cause), "moved": cause.head.moved}
            | {"serial": units_at(study, cause.head.before)[0], "day": units_at(study, cause.head.before)[1]}
            | {"readings": [change_row(study, one) for one in cause.changes]}
            for cause in study.causes
        ],
        "odd": [
            {"serial": units_at(study, place)[0], "standard_deviations": far} | key_row(series.key)
            for series, place, far in study.drift.odd
        ],
    }


def spread_row(one: Spread) -> dict[str, object]:
    """A reading over the batch as plain values; an index with its interval."""
    known = one.known
    row = key_row(one.key)
    row |= {"unit": one.unit, "at_hz": finite(one.at_hz), "lower": finite(one.lower), "upper": finite(one.upper)}
    row |= {"count": int(known.size), "outside": one.outside, "rig_share": finite(one.rig_share), "reason": one.reason}
    row |= {"mean": finite(float(np.mean(known))) if known.size else None}
    row |= {"standard_deviation": finite(float(np.std(known, ddof=1))) if known.size > 1 else None}
    if one.index:
        row |= {name: [finite(x) for x in vars(getattr(one.index, name)).values()] for name in ("pp", "ppk")}
        row |= {"normal_p": one.index.normal_p, "interval_by": "Bissell" if one.index.is_normal else "bootstrap"}
    return row


def change_row(study: BatchStudy, one: Change) -> dict[str, object]:
    """A change as plain values."""
    serials = {name: units_at(study, getattr(one, name))[0] for name in ("before", "earliest", "latest")}
    return key_row(one.series.key) | {
        "component": one.series.component,
        "unit": one.series.unit,
        "at_hz": finite(one.at_hz),
        "from_serial": serials["before"],
        "earliest": serials["earliest"],
        "latest": serials["latest"],
        "mean_before": one.mean_before,
        "mean_after": one.mean_after,
        "step": one.step,
        "standard_error": one.standard_error,
        "is_drift": one.is_drift,
        "charts": list(one.charts),
        "moved": one.moved,
        "why": one.why,
    }
