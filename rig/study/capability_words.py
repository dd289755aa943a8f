"""What a study of the rig found, in words and as plain values."""

import math
from collections.abc import Iterator, Sequence

from rig.circuit.notation import hertz
from rig.files.plain import finite
from rig.statistics.gauge import WIDTH_SIGMA, GaugeStudy, Spread
from rig.study.capability import GOOD_PERCENT, LEAST, RECOMMENDED, WORST_PERCENT, Capability, LimitStudy
from rig.verdict.judge import delta_unit

MEANING = {
    "good": f"under {GOOD_PERCENT:g} %: the limit is seen clearly",
    "usable": f"{GOOD_PERCENT:g} to {WORST_PERCENT:g} %: usable, with care near the limit",
    "too tight": f"over {WORST_PERCENT:g} %: a unit near the limit may be told either way",
}


def needs() -> str:
    """What a study needs."""
    units, people, times = LEAST
    best = "{} units by {}, {} or 3 times each".format(*RECOMMENDED)
    return (
        f"A study needs at least {units} units, each measured by {people} people or jigs, {times} times each, taken "
        f"off the jig and put back between; {best}, is recommended. Name who measures: kitproof verify --by NAME"
    )


def found(capability: Capability) -> str:
    """What there is, in a line."""
    counts = capability.counts
    units, by = {unit for unit, _ in counts}, sorted({by for _, by in counts})
    names = ", ".join(by) if any(by) else "nobody named"
    return f"{sum(counts.values())} runs of {len(units)} units; measured by: {names}"


def remarks(capability: Capability) -> Iterator[str]:
    """What a reader must know before the figures."""
    if capability.nameless:
        yield f"{capability.nameless} runs do not say who measured and are left out"
    if capability.kit_versions > 1:
        yield "the kit was changed between these runs; the limits are today's"
    chosen, runs = capability.chosen, sum(capability.counts.values())
    if chosen is None:
        yield f"too few runs for a study. {needs()}"
        return
    if capability.is_copied:
        yield (
            "every repeat is the same to the last figure: these are no measurements of their own (copies, or a "
            "simulated bench that repeats itself with one seed), so nothing can be said"
        )
    if len(chosen.by) == 1:
        who = f"all by {chosen.by[0]}" if chosen.by[0] else "nobody knows by whom"
        yield f"{who}: repeatability only; what another person or jig would read is not known. {needs()}"
    used = len(chosen.units) * len(chosen.by) * chosen.times
    if used < runs:
        yield f"{runs - used} of {runs} runs are left out: everyone must have measured every unit equally often"
    size = (len(chosen.units), len(chosen.by), chosen.times)
    if any(one < wanted for one, wanted in zip(size, RECOMMENDED, strict=True)):
        best = "{} units by {}, {} or 3 times each".format(*RECOMMENDED)
        yield f"a small study: the percentages are rough, as their intervals say; better: {best}"


def name(row: LimitStudy) -> str:
    """What the limit judges."""
    of = f"{row.quantity} of {row.subject}" if row.subject else row.quantity
    return f"{of} at {hertz(row.at_hz)}" if math.isfinite(row.at_hz) else of


def sentence(row: LimitStudy) -> str:
    """What the study says of a limit, for a builder."""
    if row.study is None:
        return f"{name(row)}: {row.reason}"
    share = percent(row.percent.value)
    of = "of the way from these units to the limit" if row.is_one_sided else "of the limit's width"
    words = f"{name(row)}: the rig alone spreads over {share} {of}"
    if row.percent.value > 100:
        words += ": it tells nothing about a unit near the limit"
    elif row.grade == "too tight":
        words += ": a unit near it may be told either way"
    if row.grade != "too tight":
        return words
    if not row.is_one_sided:
        half = WIDTH_SIGMA * row.study.gauge.value / (WORST_PERCENT / 100) / 2
        words += f"; what this rig can judge is ±{half:.2g} {delta_unit(row.unit)}".rstrip()
    return f"{words}; {source(row.study)}" if source(row.study) else words


def source(study: GaugeStudy) -> str:
    """Where most of the spread comes from; empty where only one measured."""
    if math.isnan(study.appraiser.value):
        return ""
    if math.hypot(study.appraiser.value, study.interaction.value) > study.repeatability.value:
        return "most of it lies between those who measured: agree on how a unit is set up"
    return "most of it comes when the same one repeats: look at jig, clips, microphone and noise"


def percent(value: float) -> str:
    """A percentage in two figures, and nothing finer than a tenth."""
    if not math.isfinite(value):
        return "–"
    return f"{value:.1f} %" if value < 9.95 else f"{value:.0f} %" if value < 999.5 else "over 999 %"


def interval(spread: Spread) -> str:
    """The interval of a percentage."""
    return f"{percent(spread.lower)} to {percent(spread.upper)}" if math.isfinite(spread.upper) else ""


def categories(study: GaugeStudy) -> str:
    """The number of distinct categories."""
    count = study.distinct_categories
    if math.isnan(count):
        return "–"
    return f"{count:.0f}" if count < 100 else "over 99"


def rows_to_show(rows: Sequence[LimitStudy]) -> list[LimitStudy]:
    """Of each curve only the band that the rig sees worst; every number."""
    seen: set[tuple[str, str, str]] = set()
    kept = []
    for row in rows:
        key = (row.check, row.quantity, row.subject)
        if not (math.isfinite(row.at_hz) and key in seen):
            kept.append(row)
        seen.add(key)
    return kept


def worst_of_each(rows: Sequence[LimitStudy]) -> list[LimitStudy]:
    """Of each quantity the row that the rig sees worst."""
    worst: dict[tuple[str, str], LimitStudy] = {}
    for row in rows:
        worst.setdefault((row.check, row.quantity), row)
    return list(worst.values())


def too_tight(rows: Sequence[LimitStudy]) -> list[str]:
    """A sentence for each quantity with limits tighter than the rig can see: on the worst, and how many more."""
    tight = [row for row in rows_to_show(rows) if row.grade == "too tight"]
    sentences = []
    for worst in worst_of_each(tight):
        others = [row.subject for row in tight if (row.check, row.quantity) == (worst.check, worst.quantity)]
        others = [subject for subject in others if subject != worst.subject]
        sentences.append(sentence(worst) + (f"; likewise {', '.join(others)}" if others else ""))
    return sentences


def document(capability: Capability) -> dict[str, object]:
    """Everything as plain JSON values; what is not known is null."""
    chosen = capability.chosen
    return {
        "found": found(capability),
        "is_study": capability.is_study,
        "runs": [{"unit": unit, "by": by, "runs": count} for (unit, by), count in sorted(capability.counts.items())],
        "units": list(chosen.units) if chosen else [],
        "by": list(chosen.by) if chosen else [],
        "times": chosen.times if chosen else 0,
        "remarks": list(remarks(capability)),
        "disagreements": list(capability.disagreements),
        "limits": [_row(row) for row in capability.limits],
    }


def _row(row: LimitStudy) -> dict[str, object]:
    study = row.study
    plain: dict[str, object] = {
        "check": row.check,
        "quantity": row.quantity,
        "subject": row.subject,
        "unit": row.unit,
        "at_hz": finite(row.at_hz),
        "lower": finite(row.lower),
        "upper": finite(row.upper),
        "grade": row.grade,
        "words": sentence(row),
    }
    if study is None:
        return plain
    spreads = {
        "repeatability": study.repeatability,
        "appraiser": study.appraiser,
        "interaction": study.interaction,
        "gauge": study.gauge,
        "part": study.part,
        "total": study.total,
        "percent_of_tolerance": row.percent,
    }
    return plain | {
        "units": study.parts,
        "by": study.appraisers,
        "times": study.trials,
        "mean": study.mean,
        **{key: [finite(value) for value in (s.value, s.lower, s.upper)] for key, s in spreads.items()},
        "percent_of_total": finite(study.percent_of_total),
        "distinct_categories": finite(study.distinct_categories),
        "is_pooled": study.is_pooled,
    }
