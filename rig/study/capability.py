"""What the rig can see: its own spread over repeated runs against each limit of a kit.

Pure: trials and limits in, a table of gauge studies out.
"""

import math
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from pathlib import Path

import numpy as np

from rig.design.limits import Limit, limit_key, mask_for, reference_note
from rig.signals.bands import band_edges_hz, mid_bands_hz
from rig.statistics.gauge import GaugeStudy, Spread, analysis_of_variance
from rig.store.trials import Key, Trial
from rig.values.names import counted
from rig.values.readings import Floats, Reading
from rig.values.verdicts import Mask
from rig.verdict.judge import FAR_AWAY, judge_curve

#: Units, people or jigs, times each: below the first nothing is said, below the second a study is called small; our
#: choice.
LEAST, RECOMMENDED = (2, 2, 2), (10, 3, 2)
#: %GRR to tolerance: AIAG, Measurement Systems Analysis, 4th ed., chapter II section D.
GOOD_PERCENT, WORST_PERCENT = 10.0, 30.0
NAN = float("nan")
UNKNOWN = Spread(NAN)
#: Of more people or jigs those with the most runs are looked at: every choice among them is tried; our choice.
MOST_PEOPLE = 8

Cells = Mapping[tuple[str, str], Sequence[float]]


@dataclass(frozen=True)
class Chosen:
    """The largest balanced part of what was measured: every unit by everyone, equally often."""

    units: tuple[str, ...]
    by: tuple[str, ...]
    times: int


@dataclass(frozen=True)
class LimitStudy:
    """One limit, and how far the rig spreads over its width."""

    check: str
    quantity: str
    subject: str
    unit: str
    #: Where on a curve; NaN for numbers.
    at_hz: float
    #: -inf or +inf where that side is open.
    lower: float
    upper: float
    #: Why there is no study; empty: there is one.
    reason: str = ""
    chosen: Chosen | None = None
    #: Readings of the study, shape (units, by, times).
    values: Floats | None = None
    study: GaugeStudy | None = None
    #: %GRR to tolerance; NaN without a study.
    percent: Spread = UNKNOWN

    @property
    def is_one_sided(self) -> bool:
        """Whether one side is open; what the spread is held against is then the way from the readings' mean."""
        return not (math.isfinite(self.lower) and math.isfinite(self.upper))

    @property
    def grade(self) -> str:
        """What the percentage means: "good", "usable", "too tight", or "unknown"."""
        if not math.isfinite(self.percent.value):
            return "unknown"
        if self.percent.value < GOOD_PERCENT:
            return "good"
        return "usable" if self.percent.value <= WORST_PERCENT else "too tight"


@dataclass(frozen=True)
class Capability:
    """What a study found."""

    #: The limit that the rig sees worst first; those without a study last.
    limits: tuple[LimitStudy, ...]
    #: How often each unit was measured by each, of the runs that were looked at.
    counts: dict[tuple[str, str], int]
    #: What was chosen of them; None: they are too few for a study.
    chosen: Chosen | None
    #: Units that were told both ways, in words.
    disagreements: tuple[str, ...]
    #: Runs that were left out because they do not say who measured, while others do.
    nameless: int
    #: Versions of the kit that the runs were made with.
    kit_versions: int

    @property
    def is_study(self) -> bool:
        """Whether anything could be said."""
        return any(limit.study for limit in self.limits) and not self.is_copied

    @property
    def is_copied(self) -> bool:
        """Whether every repeat is the same to the last figure: no measurement of its own."""
        spreads = [limit.study.repeatability.value for limit in self.limits if limit.study]
        return bool(spreads) and not any(spreads)


def limit_for(limits: Mapping[str, Mapping[str, Limit]], key: Key) -> Limit | None:
    """The limit that judges a reading."""
    check, quantity, subject = key
    of_check = limits.get(check, {})
    return of_check.get(limit_key(of_check, quantity, subject))


def capability(limits: Mapping[str, Mapping[str, Limit]], folder: Path, trials: Sequence[Trial]) -> Capability:
    """Study every limit that the trials have readings for.

    Parameters
    ----------
    limits
        Check -> reading -> limit, as in a kit.
    folder
        The kit's, with its masks and its reference build.
    trials
        Oldest first; only readings and curves with a limit are looked at.

    Raises
    ------
    TableError
        If a mask's file or the reference build's curve is wrong.
    """
    nameless = 0
    if any(trial.by for trial in trials):
        nameless = sum(not trial.by for trial in trials)
        trials = [trial for trial in trials if trial.by]
    counts = dict(Counter((trial.unit, trial.by) for trial in trials))
    chosen = choose(counts)
    found: list[LimitStudy] = []
    for key in _keys(trials, lambda trial: trial.readings):
        limit = limit_for(limits, key)
        if limit is not None and limit.is_number and limit.lower != limit.upper:
            found.append(_of_number(key, limit, trials))
    for key in _keys(trials, lambda trial: trial.curves):
        limit = limit_for(limits, key)
        if limit is not None and not limit.is_number:
            found += _of_curve(key, limit, folder, trials)
    ranked = sorted(found, key=lambda row: -row.percent.value if math.isfinite(row.percent.value) else math.inf)
    inconsistent = (*_two_valued(limits, trials), *_outcomes(trials))
    versions = len({trial.kit_sha256 for trial in trials})
    return Capability(tuple(ranked), counts, chosen, inconsistent, nameless, versions)


def _keys(trials: Sequence[Trial], of: Callable[[Trial], Mapping[Key, object]]) -> list[Key]:
    return list(dict.fromkeys(key for trial in trials for key in of(trial)))


def choose(counts: Mapping[tuple[str, str], int]) -> Chosen | None:
    """The balanced part that keeps the most runs; with two or more people or jigs where that can be had.

    None where there are not at least two units that the same one measured twice.
    """
    units = sorted({unit for unit, _ in counts})
    by_runs = Counter[str]()
    for (_, one), count in counts.items():
        by_runs[one] += count
    everyone = sorted(by_runs, key=lambda one: (-by_runs[one], one))
    best: tuple[tuple[bool, int, int], Chosen] | None = None
    known = everyone[:MOST_PEOPLE]
    for by in (tuple(sorted(some)) for count in range(len(known)) for some in combinations(known, count + 1)):
        people = len(by)
        least = {unit: min(counts.get((unit, one), 0) for one in by) for unit in units}
        for times in sorted({count for count in least.values() if count >= LEAST[2]}):
            kept = tuple(unit for unit in units if least[unit] >= times)
            score = (people > 1, len(kept) * people * times, people)
            if len(kept) >= LEAST[0] and (best is None or score > best[0]):
                best = (score, Chosen(kept, by, times))
    return best[1] if best else None


def studied(row: LimitStudy, cells: Cells) -> LimitStudy:
    """The row with the study of its readings, of each cell the newest; or with the reason why there is none."""
    chosen = choose({cell: len(values) for cell, values in cells.items()})
    if chosen is None:
        return replace(row, reason="too few trusted readings: at least 2 units, each twice by the same one")
    values = np.array([[cells[unit, by][-chosen.times :] for by in chosen.by] for unit in chosen.units])
    study = analysis_of_variance(values)
    row = replace(row, chosen=chosen, values=values)
    tolerance = _tolerance(row, study.mean)
    if tolerance == 0:
        return replace(row, reason="the units' mean lies on the limit")
    return replace(row, study=study, percent=study.percent_of_tolerance(tolerance))


def _tolerance(row: LimitStudy, mean: float) -> float:
    """What six standard deviations are held against; with one side open, twice the way from the mean to the limit."""
    if not row.is_one_sided:
        return row.upper - row.lower
    return 2 * abs(mean - (row.lower if math.isfinite(row.lower) else row.upper))


def _of_number(key: Key, limit: Limit, trials: Sequence[Trial]) -> LimitStudy:
    lower = -math.inf if limit.lower is None else limit.lower
    upper = math.inf if limit.upper is None else limit.upper
    read = [(trial, trial.readings[key]) for trial in trials if key in trial.readings]
    row = LimitStudy(*key, read[0][1].unit, NAN, lower, upper)
    return studied(row, _cells([(trial, reading.value) for trial, reading in read if _is_trusted(reading)]))


def _is_trusted(reading: Reading) -> bool:
    return not reading.trouble and math.isfinite(reading.value)


def _cells(read: Sequence[tuple[Trial, float]]) -> Cells:
    cells: dict[tuple[str, str], list[float]] = {}
    for trial, value in read:
        cells.setdefault((trial.unit, trial.by), []).append(value)
    return cells


def _of_curve(key: Key, limit: Limit, folder: Path, trials: Sequence[Trial]) -> list[LimitStudy]:
    """A row for each third of an octave of the mask, at the point where the units come closest to it; and one for the
    shift that is taken out where levels are aligned.
    """
    check, quantity, subject = key
    curves = [(trial, trial.curves[key]) for trial in trials if key in trial.curves]
    newest = curves[-1][1]
    empty = LimitStudy(*key, newest.unit, NAN, -math.inf, math.inf)
    try:
        # Only widths count here, so that a reference build of another bench serves as well.
        note = reference_note(folder)
        mask = mask_for(limit, newest, folder, check, note.bench if note else "")
    except LookupError as error:
        return [replace(empty, reason=str(error.args[0]))]
    alike = [(trial, curve) for trial, curve in curves if np.array_equal(curve.frequency_hz, newest.frequency_hz)]
    judged = [(trial, curve, judge_curve(curve, mask, limit)) for trial, curve in alike if not curve.trouble]
    kept = [(trial, curve, verdicts) for trial, curve, verdicts in judged if verdicts[-1].outcome != "void"]
    if not kept:
        return [replace(empty, reason="no run has a curve that covers the mask")]
    rows = []
    if limit.align_within_db is not None:
        within = limit.align_within_db
        shift = LimitStudy(check, f"{quantity} shift", subject, "dB", NAN, -within, within)
        if within > 0:
            rows.append(studied(shift, _cells([(trial, verdicts[-1].shift_db) for trial, _, verdicts in kept])))
    owners = [trial for trial, _, _ in kept]
    shifted = np.array([curve.value - verdicts[-1].shift_db for _, curve, verdicts in kept])
    trusted = np.all([curve.valid for _, curve, _ in kept], axis=0)
    for at, lower, upper in critical_points(newest.frequency_hz, shifted, trusted, mask):
        row = replace(empty, at_hz=float(newest.frequency_hz[at]), lower=lower, upper=upper)
        rows.append(studied(row, _cells(list(zip(owners, shifted[:, at].tolist(), strict=True)))))
    return rows


def critical_points(
    frequency_hz: Floats, values: Floats, trusted: np.ndarray[tuple[int], np.dtype[np.bool_]], mask: Mask
) -> list[tuple[int, float, float]]:
    """Of each third of an octave of a mask the point at which the curves come closest to it in the mean.

    Parameters
    ----------
    frequency_hz : shape (points,)
    values : shape (curves, points)
    trusted : shape (points,)
    mask : what the curves are held against

    Returns
    -------
    list of (index of the point, lower, upper), -inf and +inf where a side is open
    """
    log, at = np.log(frequency_hz), np.log(mask.frequency_hz)
    lower = np.interp(log, at, np.maximum(mask.lower, -FAR_AWAY))
    upper = np.interp(log, at, np.minimum(mask.upper, FAR_AWAY))
    # Beside an open side the interpolation runs off into the distance: open as well.
    lower, upper = np.where(lower < -FAR_AWAY / 1e6, -np.inf, lower), np.where(upper > FAR_AWAY / 1e6, np.inf, upper)
    margin = np.mean(np.minimum(values - lower, upper - values), axis=0)
    first, last = float(mask.frequency_hz[0]), float(mask.frequency_hz[-1])
    mids = mid_bands_hz(first, last, 3)
    low, high = band_edges_hz(mids, 3) if mids.size else (np.array([first]), np.array([last]))
    inside = trusted & (frequency_hz >= first) & (frequency_hz <= last) & np.isfinite(margin) & (upper > lower)
    points = []
    for start, stop in zip(low, high, strict=True):
        within = np.flatnonzero(inside & (frequency_hz >= start) & (frequency_hz < stop))
        if within.size:
            index = int(within[np.argmin(margin[within])])
            points.append((index, float(lower[index]), float(upper[index])))
    return points


def _two_valued(limits: Mapping[str, Mapping[str, Limit]], trials: Sequence[Trial]) -> list[str]:
    """Readings with only one right value (a polarity) that came out otherwise in some runs of the same unit."""
    inconsistent = []
    for key in _keys(trials, lambda trial: trial.readings):
        limit = limit_for(limits, key)
        if limit is None or limit.lower is None or limit.lower != limit.upper:
            continue
        seen: dict[str, list[str]] = {}
        for trial in trials:
            reading = trial.readings.get(key)
            if reading is not None and _is_trusted(reading):
                seen.setdefault(trial.unit, []).append(reading.said or f"{reading.value:g}")
        inconsistent += [f"{key[1]} of {key[2]}, {words}" for words in _both_ways(seen)]
    return inconsistent


def _outcomes(trials: Sequence[Trial]) -> list[str]:
    seen: dict[str, list[str]] = {}
    for trial in trials:
        seen.setdefault(trial.unit, []).append(trial.outcome)
    return [f"verdict, {words}" for words in _both_ways(seen)]


def _both_ways(seen: Mapping[str, Sequence[str]]) -> list[str]:
    several = [(unit, Counter(values).most_common()) for unit, values in sorted(seen.items())]
    return [
        f"{unit}: " + ", ".join(f"{value} in {counted(count, 'run')}" for value, count in found)
        for unit, found in several
        if len(found) > 1
    ]
