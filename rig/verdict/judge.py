"""Reading and limit give verdict and margin. Every verdict is void until there is evidence for another."""

import functools
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from rig.circuit.notation import hertz
from rig.design.decision import Decision
from rig.design.limits import Files, Limit, limit_key, mask_for, widest_mask, worst_point
from rig.design.uncertainty_budget import with_parts, without_bench
from rig.files.errors import TableError
from rig.signals.arrays import Bools
from rig.statistics.conformity import decide, probability_of_conformity
from rig.values.names import PARTS_MISFIT, SHIFT, WRONG_PART
from rig.values.readings import CheckReadings, Curve, Floats, Reading
from rig.values.verdicts import Mask, Outcome, Verdict

#: Points of a curve further apart than this cannot cover a mask (half an octave); our choice.
WIDEST_GAP = 2**0.5
FAR_AWAY = 1e9
#: The part of an uncertainty that the noise of the reading's own capture makes.
NOISE = "noise"
SIMPLE = Decision()
NOT_LEARNT = "no good build has taught yet how large this may be: verify one that you vouch for, then kitproof learn"
NO_DESIGN = "the kit's model says nothing about this: it knows too little of a driver until a good build is learnt"
#: What may be no more than a driver that is off its sheet.
OF_A_SHEET = "drivers may be so far off their data sheets: verify a build that you vouch for, then kitproof learn"
NOT_ABSOLUTE = "the microphone is not calibrated, so this level proves nothing (bench.toml: microphone_mv_per_pa)"


def outcome_of(outcomes: Sequence[str]) -> Outcome:
    """One outcome of several: any fail is a fail; else any void, or nothing at all, is void; else pass."""
    if "fail" in outcomes:
        return "fail"
    return "pass" if outcomes and all(outcome == "pass" for outcome in outcomes) else "void"


def judge(
    read: CheckReadings,
    limits: dict[str, Limit],
    folder: Path,
    check: str,
    *,
    bench: str = "",
    partial: bool = False,
    decision: Decision = SIMPLE,
    files: Files | None = None,
) -> list[Verdict]:
    """Hold all readings of a check against the kit's limits for it.

    A limit's key is a quantity ("sensitivity": every subject) or a quantity and a subject ("sensitivity left", which
    goes before the former). A limit that meets no reading gives a void verdict: what it asks for was not measured;
    unless only a part of the check's captures was read (`partial`). `bench` is the bench that the captures are from.
    `decision` says how near to a limit a reading may lie; `files` are those of `folder` as the kit was loaded.
    """
    verdicts: list[Verdict] = []
    met = set()
    readings: list[Reading | Curve] = [*read.readings, *read.curves]
    for reading in readings:
        key = _key_of(reading, limits)
        if key not in limits:
            continue
        met.add(key)
        mask_of = functools.partial(mask_for, limits[key], folder=folder, check=check, bench=bench, files=files)
        verdicts += _one(reading, limits[key], mask_of, decision)
    for key in () if partial else limits:
        if key not in met:
            there = ", ".join(sorted({reading.quantity for reading in readings})) or "nothing"
            reason = f"nothing was read that this limit could judge; this check read: {there}"
            verdicts.append(_void(Reading(key, "", float("nan"), ""), reason))
    return verdicts


def _key_of(reading: Reading | Curve, limits: dict[str, Limit]) -> str:
    """Under which key the limit of a reading stands: what builds have taught of good parts is one limit."""
    key, misfit = (limit_key(limits, quantity, reading.subject) for quantity in (reading.quantity, PARTS_MISFIT))
    is_one = reading.quantity == WRONG_PART and key not in limits and misfit in limits and limits[misfit].is_learnt
    return misfit if is_one else key


def _one(reading: Reading | Curve, limit: Limit, mask_of: Callable[[Curve], Mask], decision: Decision) -> list[Verdict]:
    if isinstance(reading, Reading) and limit.is_learnt and np.isfinite(reading.good_at_most):
        limit = Limit(upper=reading.good_at_most)
    words = limit_words(limit, reading.unit)
    if isinstance(reading, Reading) != limit.is_number:
        kind = "a number" if isinstance(reading, Reading) else "a curve"
        unfit = f"the reading is {kind} and the limit is not"
        return [_void(reading, unfit, words)]
    if reading.trouble:
        return [_void(reading, reading.trouble, words, may_pass=True)]
    if limit.is_learnt:
        return [_void(reading, NOT_LEARNT, words)]
    if isinstance(reading, Reading):
        return [
            _judge_around_design(reading, limit, decision)
            if limit.is_around_number
            else judge_number(reading, limit, decision)
        ]
    try:
        mask, widest = mask_of(reading), widest_mask(limit, reading)
    except (LookupError, TableError) as error:
        # A damaged file of the reference build: what rests on it is void, nothing else is lost.
        return [_void(reading, str(error.args[0]), words)]
    verdicts = judge_curve(reading, mask, limit, decision)
    if widest is None or all(verdict.outcome != "fail" for verdict in verdicts):
        return verdicts
    allowed = judge_curve(reading, widest, _wider_shift(limit, reading), decision)
    return [_excused(*pair) for pair in zip(verdicts, allowed, strict=True)]


def _judge_around_design(reading: Reading, limit: Limit, decision: Decision) -> Verdict:
    """Hold a number against a limit around what the kit's model has for it."""
    if not np.isfinite(reading.design):
        return _void(reading, NO_DESIGN, limit_words(limit, reading.unit))
    verdict = judge_number(reading, limit.around_number(reading.design, reading.design), decision)
    if not np.isfinite(reading.design_low):
        return verdict
    widest = limit.around_number(reading.design_low, reading.design_high)
    return _excused(verdict, judge_number(reading, widest, decision))


def _excused(verdict: Verdict, allowed: Verdict) -> Verdict:
    """A verdict that is void where it fails by no more than what sheets allow the design to be (`allowed`)."""
    if verdict.outcome != "fail" or allowed.outcome == "fail":
        return verdict
    void = _void(verdict, f"{verdict.reason}, but {OF_A_SHEET}", verdict.limit)
    return replace(void, mask=verdict.mask)


def _wider_shift(limit: Limit, curve: Curve) -> Limit:
    """A limit whose alignment leaves room for all levels that sheets allow the design to have."""
    if limit.align_hz is None or limit.align_within_db is None:
        return limit
    inside = (curve.frequency_hz >= limit.align_hz[0]) & (curve.frequency_hz <= limit.align_hz[1])
    assert curve.design is not None
    sides = [one for one in (curve.design_low, curve.design_high) if one is not None]
    off_db = max(float(np.mean(np.abs(side - curve.design)[inside])) for side in sides)
    return limit.model_copy(update={"align_within_db": limit.align_within_db + off_db})


def judge_number(reading: Reading, limit: Limit, decision: Decision = SIMPLE) -> Verdict:
    """Hold a number against lower and upper."""
    words = limit_words(limit, reading.unit)
    if not np.isfinite(reading.value):
        return _void(reading, "the reading is not a finite number", words)
    lower = -np.inf if limit.lower is None else limit.lower
    upper = np.inf if limit.upper is None else limit.upper
    margin = min(reading.value - lower, upper - reading.value)
    side = "too low" if reading.value - lower < upper - reading.value else "too high"
    if margin < 0 and reading.at_most and reading.value > upper:
        return _void(reading, _bound(reading.value, reading.unit), words, may_pass=True)
    accepted, rejected = _decided(reading.value, reading.uncertainty, lower, upper, decision)
    noise = reading.parts.get(NOISE, 0.0)
    in_noise = within_noise(margin, noise)
    if in_noise or not (accepted or rejected):
        near = (
            _in_noise(margin, noise, reading.unit) if in_noise else _too_near(margin, reading.uncertainty, reading.unit)
        )
        return _void(reading, near, words, may_pass=True)
    outside = reading.said or f"{_figure(-margin)} {delta_unit(reading.unit)} {side}".replace("  ", " ")
    return Verdict(
        quantity=reading.quantity,
        subject=reading.subject,
        outcome="pass" if accepted else "fail",
        value=reading.value,
        unit=reading.unit,
        margin=float(margin),
        at_hz=float("nan"),
        limit=words,
        reason="" if accepted else outside,
        uncertainty=reading.uncertainty,
        conformity=float(probability_of_conformity(reading.value, reading.uncertainty, lower, upper)),
        said=reading.said,
        lower=float(lower),
        upper=float(upper),
        parts=reading.parts,
    )


def judge_curve(curve: Curve, mask: Mask, limit: Limit, decision: Decision = SIMPLE) -> list[Verdict]:
    """Hold a curve against a mask; to pass, every point of the mask must be covered by valid, finite readings.

    A trusted point outside the mask is a fail whatever is hidden elsewhere. Where only an upper bound is known
    (`Curve.at_most`) a point passes below an upper limit, and above it nothing is proved.
    """
    words = limit_words(limit, curve.unit)
    hole = _hole(curve, mask)
    if hole and not (_known(curve).any() and _is_finite(curve) and _is_known_in(curve, limit.align_hz)):
        return [_void(curve, hole, words, may_pass=True)]
    # A reference build was measured on this very bench: what the bench is off by it was off by then.
    same_bench = limit.around == "reference" and not mask.elsewhere
    comparable = curve.absolute or same_bench
    curve = without_bench(curve) if same_bench else curve
    if limit.align_hz is None or limit.align_within_db is None:
        if not comparable:
            return [_void(curve, NOT_ABSOLUTE, words)]
        return [_shape(curve, mask, words, 0.0, decision, hole)]
    shift_db = _shift_db(curve, mask, (limit.align_hz[0], limit.align_hz[1]))
    if not np.isfinite(shift_db):
        return [_void(curve, "no mask and curve in the alignment band", words)]
    level = _shift(curve, shift_db, limit.align_hz)
    # Nor does it show in the shape, once the level has been taken out.
    curve = without_bench(curve)
    within = Limit(lower=-limit.align_within_db, upper=limit.align_within_db)
    if comparable:
        return [judge_number(level, within, decision), _shape(curve, mask, words, shift_db, decision, hole)]
    unproved = _void(level, NOT_ABSOLUTE, limit_words(within, "dB"))
    return [unproved, _shape(curve, mask, words, shift_db, decision, hole)]


def _shape(curve: Curve, mask: Mask, words: str, shift_db: float, decision: Decision, hole: str) -> Verdict:
    """Verdict of a curve's shape; where it has a hole only what was read itself can speak, and only against it."""
    grid, low, high, value = _on_one_grid(curve, mask)
    if hole:
        read = np.isin(grid, curve.frequency_hz[_known(curve)])
        grid, low, high, value = (each[read] for each in (grid, low, high, value))
    value = value - shift_db
    margins = np.minimum(value - low, high - value)
    uncertainty, noise = (_at(curve, one, grid) for one in (curve.uncertainty, curve.parts.get(NOISE)))
    accepted, rejected = _decided(value, uncertainty, low, high, decision)
    bound = _is_bound(curve, grid)
    # The truth may lie anywhere below a bound.
    accepted &= ~bound | (low <= -FAR_AWAY)
    rejected &= (~bound | (value < low)) & ~within_noise(margins, noise)
    if not rejected.any() and (hole or not accepted.all()):
        if not (why := hole):
            at = worst_point(margins, low, high, curve.unit, ~accepted)
            point = Reading("", "", float(value[at]), curve.unit, float(uncertainty[at]), at_most=bool(bound[at]))
            why = _open(point, float(margins[at]), float(noise[at]), f"at {hertz(grid[at])}")
        return replace(_void(curve, why, words, may_pass=True), mask=mask)
    is_pass = not rejected.any()
    worst = worst_point(margins, low, high, curve.unit, np.ones_like(rejected) if is_pass else rejected)
    side = "too low" if value[worst] - low[worst] < high[worst] - value[worst] else "too high"
    return Verdict(
        quantity=curve.quantity,
        subject=curve.subject,
        outcome="pass" if is_pass else "fail",
        value=float(value[worst]),
        unit=curve.unit,
        margin=float(margins[worst]),
        at_hz=float(grid[worst]),
        limit=words,
        reason="" if is_pass else f"{_figure(-margins[worst])} {delta_unit(curve.unit)} {side} at {hertz(grid[worst])}",
        uncertainty=float(uncertainty[worst]),
        conformity=float(np.min(probability_of_conformity(value, uncertainty, low, high))),
        mask=mask,
        shift_db=shift_db,
        lower=_side(low[worst]),
        upper=_side(high[worst]),
        parts={name: float(_at(curve, part, grid)[worst]) for name, part in curve.parts.items()},
    )


def _side(limit: float) -> float:
    """A side of a mask at a point, infinite where it is open."""
    return float(limit if abs(limit) < FAR_AWAY else np.copysign(np.inf, limit))


def _open(point: Reading, margin: float, noise: float, at: str) -> str:
    """Why a point of a curve is neither inside nor outside."""
    if point.at_most and margin < 0:
        return _bound(point.value, f"{point.unit} {at}")
    if point.at_most:
        return f"noise hides it {at}, where it may not be less than a limit either"
    if within_noise(margin, noise):
        return f"{_in_noise(margin, noise, point.unit)} {at}"
    return f"{_too_near(margin, point.uncertainty, point.unit)} {at}"


def _bound(value: float, unit: str) -> str:
    return f"at most {_figure(value)} {unit}: noise hides whether it is less".replace("  ", " ")


def _known(curve: Curve) -> Bools:
    """Where something is known of a curve: its value, or what it is at most."""
    return curve.valid if curve.at_most is None else curve.valid | curve.at_most


def _is_bound(curve: Curve, frequency_hz: Floats) -> Bools:
    """Where a curve between its known points says no more than what it is at most."""
    if curve.at_most is None:
        return np.zeros(frequency_hz.shape, np.bool_)
    known = _known(curve)
    near = np.interp(np.log(frequency_hz), np.log(curve.frequency_hz[known]), ~curve.valid[known])
    return np.asarray(near > 0)


def _is_finite(curve: Curve) -> bool:
    return bool(np.all(np.isfinite(curve.value[_known(curve)])))


def _is_known_in(curve: Curve, band_hz: Sequence[float] | None) -> bool:
    """Whether a curve has no hole in the band that its level is taken from."""
    if band_hz is None:
        return True
    inside = (curve.frequency_hz >= band_hz[0]) & (curve.frequency_hz <= band_hz[1])
    return bool(inside.any() and curve.valid[inside].all())


def _hole(curve: Curve, mask: Mask) -> str:
    first, last = mask.frequency_hz[0], mask.frequency_hz[-1]
    if not _is_finite(curve):
        return "the curve holds values that are not finite"
    known = _known(curve)
    trusted = curve.frequency_hz[known]
    near = trusted[(trusted >= first / WIDEST_GAP) & (trusted <= last * WIDEST_GAP)]
    if near.size < 2 or near[0] > first * 1.001 or near[-1] < last * 0.999:
        reach = f"from {hertz(near[0])} to {hertz(near[-1])}" if near.size else "nowhere"
        return f"the mask runs from {hertz(first)} to {hertz(last)}; the reading can be trusted {reach}"
    inside = (curve.frequency_hz >= first) & (curve.frequency_hz <= last)
    if not np.all(known[inside]):
        gap = curve.frequency_hz[inside & ~known]
        return f"the reading cannot be trusted between {hertz(gap[0])} and {hertz(gap[-1])}, where the mask judges"
    steps = near[1:] / near[:-1]
    if np.any(steps > WIDEST_GAP):
        return f"the reading has no points between {hertz(near[np.argmax(steps)])} and the next half octave"
    return ""


def _on_one_grid(curve: Curve, mask: Mask) -> tuple[Floats, Floats, Floats, Floats]:
    first, last = mask.frequency_hz[0], mask.frequency_hz[-1]
    known = _known(curve)
    trusted = curve.frequency_hz[known]
    grid = np.union1d(trusted[(trusted >= first) & (trusted <= last)], mask.frequency_hz)
    log, at = np.log(grid), np.log(mask.frequency_hz)
    value = np.interp(log, np.log(trusted), curve.value[known])
    # An open side stands far away: infinities cannot be interpolated.
    low = np.interp(log, at, np.maximum(mask.lower, -FAR_AWAY))
    high = np.interp(log, at, np.minimum(mask.upper, FAR_AWAY))
    return grid, low, high, value


def _shift_db(curve: Curve, mask: Mask, band_hz: tuple[float, float]) -> float:
    grid, low, high, value = _on_one_grid(curve, mask)
    log, at = np.log(grid), np.log(mask.frequency_hz)
    if mask.centre is not None:
        centre = np.interp(log, at, mask.centre)
    else:
        # Beside an open side there is no middle.
        one_sided = np.interp(log, at, np.isinf(mask.lower) | np.isinf(mask.upper)) > 0
        centre = np.where(one_sided, np.nan, (low + high) / 2)
    inside = (grid >= band_hz[0]) & (grid <= band_hz[1]) & np.isfinite(centre)
    if inside.sum() < 2:
        return float("nan")
    at = np.log(grid[inside])
    return float(np.trapezoid((value - centre)[inside], at) / (at[-1] - at[0]))


def _at(curve: Curve, values: Floats | None, frequency_hz: Floats) -> Floats:
    if values is None:
        return np.full(frequency_hz.shape, np.nan)
    return np.asarray(np.interp(np.log(frequency_hz), np.log(curve.frequency_hz), values))


def _shift(curve: Curve, shift_db: float, band_hz: Sequence[float]) -> Reading:
    """The mean over a band whose points may all be off together: of each part of their uncertainty the mean counts."""
    inside = (curve.frequency_hz >= band_hz[0]) & (curve.frequency_hz <= band_hz[1]) & curve.valid
    level = Reading(f"{curve.quantity}{SHIFT}", curve.subject, shift_db, "dB")
    if curve.uncertainty is None or not inside.any():
        return level
    parts = {name: float(np.mean(part[inside])) for name, part in curve.parts.items()}
    return with_parts(level, parts) if parts else replace(level, uncertainty=float(np.mean(curve.uncertainty[inside])))


def _decided(
    value: Floats | float, uncertainty: Floats | float, lower: Floats | float, upper: Floats | float, decision: Decision
) -> tuple[Bools, Bools]:
    return decide(value, uncertainty, lower, upper, decision.rule, guard=decision.guard, risk=decision.false_acceptance)


def within_noise(margin: Floats | float, noise: Floats | float) -> Bools:
    """Whether a reading lies outside its limit by no more than the noise of its own capture can do, at k = 2.

    Under every decision rule such a reading proves nothing. Simple acceptance (JCGM 106:2012, 8.2) lets a reading count
    as if it were exact because maker and customer agreed to share what the instruments leave uncertain, and that is the
    same for every unit. Noise is no property of instruments: it is the condition that one capture was made in, known
    from that capture itself, and another capture in quiet tells the truth.

    Parameters
    ----------
    margin, noise
        Distance inside the limit, and the noise's part of the standard uncertainty; NaN: not known, then nothing is
        excused.
    """
    return np.asarray((np.asarray(margin) < 0) & (2 * np.asarray(noise) > -np.asarray(margin)))


def _in_noise(margin: float, noise: float, unit: str) -> str:
    outside, noisy = (f"{_figure(value)} {delta_unit(unit)}".strip() for value in (-margin, 2 * noise))
    return f"noise hides it: {outside} outside its limit, and noise alone can be ±{noisy} (k = 2)"


def _too_near(margin: float, uncertainty: float, unit: str) -> str:
    if not np.isfinite(uncertainty):
        return "its uncertainty is not known, and the kit's decision rule asks for it"
    expanded = f"{_figure(2 * uncertainty)} {delta_unit(unit)}".strip()
    found = f"{_figure(abs(margin))} {delta_unit(unit)} {'inside' if margin >= 0 else 'outside'} its limit"
    return f"{found}, known to ±{expanded} (k = 2): too near to tell"


def _void(of: Reading | Curve | Verdict, reason: str, limit: str = "", may_pass: bool = False) -> Verdict:
    nan = float("nan")
    return Verdict(of.quantity, of.subject, "void", nan, of.unit, nan, nan, limit, reason, may_pass=may_pass)


def limit_words(limit: Limit, unit: str) -> str:
    """The limit as it is reported on screen and certificate."""
    if limit.mask is not None:
        return f"mask {limit.mask}"
    if limit.is_learnt:
        return "as good builds have it"
    if limit.is_around_number:
        sides = [f"{s}{v:g}" for s, v in (("-", limit.minus), ("+", limit.plus)) if v is not None]
        return f"{' '.join(sides)}{' %' if limit.percent else f' {delta_unit(unit)}'.rstrip()} around the design"
    if limit.around is not None or limit.centre is not None:
        sign = " %" if limit.percent else f" {delta_unit(unit)}"
        widest = max(max(window[2], window[3]) for window in limit.within)
        narrowest = min(min(window[2], window[3]) for window in limit.within)
        span = f"{narrowest:g}" if narrowest == widest else f"{narrowest:g} to {widest:g}"
        whom = {"design": "the design", "reference": "the reference build"}.get(limit.around or "", limit.centre)
        return f"±{span}{sign} around {whom}"
    if limit.lower is not None and limit.upper is not None:
        return f"{limit.lower:g} to {limit.upper:g} {unit}".strip()
    if limit.lower is not None:
        return f"at least {limit.lower:g} {unit}".strip()
    return f"at most {limit.upper:g} {unit}".strip()


def delta_unit(unit: str) -> str:
    """The unit of a difference: between two sound pressure levels lie decibels, not a level."""
    return "dB" if unit == "dB SPL" else unit


def _figure(value: float) -> str:
    return f"{value:.2g}" if abs(value) < 10 else f"{value:.0f}"
