"""The curves that a finding expects, beside those that were measured and those of the design."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from checks.impedance import IMPEDANCE
from checks.response import FREE_FIELD_LEVEL
from rig.circuit.channel import impedance_ohm
from rig.design.kit import Kit
from rig.findings.dictionary import Cause, Hypothesis
from rig.findings.likelihood import linear
from rig.findings.model_discrepancy import left_out
from rig.findings.observed import Asked
from rig.findings.prediction import Scene, design, driver_pressures, scene_of
from rig.findings.ranking import dictionary, good
from rig.values.findings import Finding
from rig.values.readings import Curve, Floats

#: The quantities that the model of a channel gives in full.
OF_THE_MODEL = (IMPEDANCE, FREE_FIELD_LEVEL)
#: A level is never expected to be lower than this against the design: silence has no level (our choice;
#: tests/benchmarks/naming_faults.py).
SILENCE_DB = -80.0
#: The band of good units, in standard deviations (our choice; tests/benchmarks/naming_faults.py).
BAND_SIGMAS = 2.0


@dataclass(frozen=True, eq=False)
class ExplainedCurve:
    """A measured curve, and what a finding expects at its frequencies."""

    measured: Curve
    #: Same shape as the curve; None where the finding names nothing that the model could show.
    expected: Floats | None
    finding: Finding
    #: The other one of two faults at once, which the curve has as well.
    besides: Finding | None = None
    #: Between which good units lie, as builds have taught it (two standard deviations); None: no build has.
    good: tuple[Floats, Floats] | None = None


def curves_under(
    kit: Kit, curves: Sequence[Curve], finding: Finding, besides: Finding | None = None
) -> tuple[ExplainedCurve, ...]:
    """Impedance and free-field level of the finding's channel, each with what is expected under the finding.

    Parameters
    ----------
    kit : Kit
    curves : sequence of Curve
        All of a run; the first of a name counts, as for the findings.
    finding : Finding
    besides : Finding or None
        The other one of two faults at once.

    Returns
    -------
    tuple of Under
        One for each of the two quantities that was measured of the channel.
    """
    own: Mapping[str, Curve] = {c.quantity: c for c in reversed(curves) if c.subject == finding.channel}
    there = [own[quantity] for quantity in OF_THE_MODEL if quantity in own]
    if not there:
        return ()
    scene = scene_of(kit, finding.channel)
    faults = [fault for fault in (finding, besides) if fault is not None]
    entries = [hypothesis_of(scene, fault) for fault in faults]
    whole = [(entry, amount_of(entry, fault)) for entry, fault in zip(entries, faults, strict=True) if entry]
    if len(whole) < len(faults):
        return tuple(ExplainedCurve(curve, None, finding, besides, good_band(scene, curve)) for curve in there)
    return tuple(
        ExplainedCurve(curve, _expected(scene, whole, curve), finding, besides, good_band(scene, curve))
        for curve in there
    )


def learnt_band(kit: Kit, curve: Curve) -> tuple[Floats, Floats] | None:
    """Between which good units lie (two standard deviations), as builds have taught it; None where none have."""
    is_of_channel = curve.subject in {channel.name for channel in kit.channels}
    if curve.quantity not in OF_THE_MODEL or not is_of_channel or curve.design is None:
        return None
    return good_band(scene_of(kit, curve.subject), curve)


def good_band(scene: Scene, curve: Curve) -> tuple[Floats, Floats] | None:
    """Between which good units lie at a curve's frequencies, around its design; None where no build has taught it."""
    if curve.design is None or scene.model.population is None:
        return None
    at, is_ohm = tuple(map(float, curve.frequency_hz)), curve.quantity == IMPEDANCE
    like = Asked(at if is_ohm else (), () if is_ohm else at, (), (), False, False, 0.0)
    healthy = good(scene.model.name)
    slopes = linear(scene, healthy, like, np.zeros(scene.size))[1][: len(at), : scene.good_size]
    variance = np.sum(slopes**2, axis=1) + np.diag(left_out(scene, healthy, like))[: len(at)]
    wide = BAND_SIGMAS * np.sqrt(variance if is_ohm else variance + scene.gain_sigma_db**2)
    if is_ohm:
        return curve.design * np.exp(-wide), curve.design * np.exp(wide)
    return curve.design - wide, curve.design + wide


def hypothesis_of(scene: Scene, finding: Finding) -> Hypothesis | None:
    """The entry of the dictionary that a finding names, with the amount nearest to it; None: it holds none such."""
    cause = Cause(finding.kind, finding.channel, finding.what)
    same = [hypothesis for hypothesis in dictionary(scene) if hypothesis.cause == cause]
    return min(same, key=lambda h: abs(np.log(amount_of(h, finding) / h.amount)), default=None)


def amount_of(hypothesis: Hypothesis, finding: Finding) -> float:
    """The amount as the dictionary has it, from the value that was found; where none was found, the entry's own."""
    if not np.isfinite(finding.value):
        return hypothesis.amount
    if finding.kind == "leak":
        return finding.value
    if finding.kind == "gain":
        return float(10 ** (finding.value / 20))
    if finding.kind == "thin wire":
        return finding.value - finding.should_be
    return finding.value / finding.should_be


def _expected(scene: Scene, faults: Sequence[tuple[Hypothesis, float]], curve: Curve) -> Floats:
    faulty, gain = scene.model, 1.0
    for hypothesis, amount in faults:
        faulty = hypothesis.change(faulty, amount)
        gain *= amount if hypothesis.is_gain else 1.0
    if curve.quantity == IMPEDANCE:
        return np.asarray(np.abs(impedance_ohm(faulty, curve.frequency_hz)), np.float64).reshape(-1)
    if curve.design is None:
        # The design's level at the microphone is the check's to know; what a fault changes is counted from it.
        return np.full(curve.value.shape, np.nan)
    swapped = next((hypothesis for hypothesis, _ in faults if hypothesis.box), faults[0][0])
    pressure = driver_pressures(scene, swapped, faulty, curve.frequency_hz).sum(axis=0).reshape(-1)
    ratio: Floats = np.abs(pressure) / np.abs(design(scene, curve.frequency_hz).sum(axis=0))
    return np.asarray(curve.design + 20 * np.log10(np.maximum(gain * ratio, 10 ** (SILENCE_DB / 20))))
