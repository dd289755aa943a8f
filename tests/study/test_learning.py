"""Learnt limits: a whole mask fails as many good units as it says, odd builds are named, former masks are kept."""

import json
import math
from pathlib import Path

import numpy as np
import pytest
from simulated_runs import ROOT
from typer.testing import CliRunner

from rig import cli
from rig.commands.learn import mask_grid, write_masks
from rig.design.kit import Kit, load_kit
from rig.design.limits import read_mask
from rig.files.errors import Disagree
from rig.study.learning import Passed, learn, pointwise_factor, refuse_odd, rejects_together, share_rejects
from rig.study.spreads import IMPEDANCE, LEVEL, SCATTER, SCATTER_DB, Spread, spreads_of_units
from rig.values.readings import Curve

KEY = (*LEVEL, "left")
HZ = np.geomspace(100, 10000, 80)


@pytest.fixture(scope="module")
def kit() -> Kit:
    return load_kit(ROOT, "booth-two")


def wandering(units: int, seed: int, sigma_db: float = 0.5) -> np.ndarray:
    """Levels whose neighbouring points hang together: white noise smoothed over a third of the points."""
    random = np.random.default_rng(seed)
    noise = random.standard_normal((units, HZ.size + 24))
    smooth = np.apply_along_axis(lambda row: np.convolve(row, np.ones(25) / 5, "valid"), 1, noise)
    return np.asarray(80 + sigma_db * smooth)


def spread_of(curves: np.ndarray) -> Spread:
    centre = np.median(curves, axis=0)
    return Spread(HZ, centre, curves - centre, SCATTER_DB)


@pytest.mark.parametrize("rejects", [0.005, 0.02, 0.1])
def test_a_mask_fails_as_many_good_units_as_it_says(rejects: float) -> None:
    """Judged on units that it has not seen: binomial, within three standard deviations, and the mask is widened."""
    learnt = learn(KEY, "dB SPL", HZ, {}, spread_of(wandering(20000, 1)), rejects=rejects, confidence=0.95)
    # Seen by a rig that scatters by a third of the narrowest mask.
    new = wandering(20000, 2) + 0.1 * np.random.default_rng(9).standard_normal((20000, HZ.size))
    failed = float(np.mean(np.any((new < learnt.lower) | (new > learnt.upper), axis=1)))
    assert failed == pytest.approx(learnt.rejects, abs=3 * math.sqrt(rejects / 20000) + 0.1 * rejects)
    assert learnt.rejects <= rejects


def test_three_standard_deviations_at_each_point_would_fail_many_good_units() -> None:
    curves = wandering(20000, 3)
    spread = spread_of(curves)
    outside = float(np.mean(np.any(np.abs(spread.deviations) > 3 * spread.sigma, axis=1)))
    assert outside > 0.01
    learnt = learn(KEY, "dB SPL", HZ, {}, spread, rejects=0.003, confidence=0.95)
    assert learnt.factor > 3.5


def test_the_factor_of_a_few_builds_is_wider_and_comes_down_to_that_of_many() -> None:
    few, more, many = (pointwise_factor(3.0, n, 0.95) for n in (3, 10, 2000))
    assert few > more > many > 3.0
    assert many == pytest.approx(3.0, rel=0.05)


def test_a_mask_of_builds_holds_its_share_as_often_as_it_says() -> None:
    """At one point: with the confidence of 90 %, the mask of 5 builds holds the share that 2 standard deviations do."""
    share, random = math.erf(2 / math.sqrt(2)), np.random.default_rng(4)
    held, factor = 0, pointwise_factor(2.0, 5, 0.9)
    for _ in range(400):
        builds = random.standard_normal(5)
        width = factor * np.std(builds, ddof=1)
        low, high = np.mean(builds) - width, np.mean(builds) + width
        inside = 0.5 * (math.erf(high / math.sqrt(2)) - math.erf(low / math.sqrt(2)))
        held += inside >= share
    assert held / 400 == pytest.approx(0.9, abs=0.045)


@pytest.mark.parametrize(("builds", "low", "high"), [(3, 1.1, 1.6), (20, 1.0, 1.2)])
def test_a_mask_of_builds_and_parts_is_as_wide_as_good_units_need(builds: int, low: float, high: float) -> None:
    """Over what a share keeps to at all points at once, though tolerances are a fifth wider than the units lie."""
    parts, good = spread_of(wandering(5000, 5, 0.6)), wandering(5000, 6)
    deviations = good - 80
    sigma = deviations.std(axis=0)
    needed = sigma * np.quantile(np.max(np.abs(deviations) / sigma, axis=1), 0.995)
    ratios = []
    for n in range(6):
        chosen = {f"U{i}": curve for i, curve in enumerate(good[n * builds : (n + 1) * builds])}
        learnt = learn(KEY, "dB SPL", HZ, chosen, parts, rejects=0.005, confidence=0.95)
        ratios.append(float(np.median((learnt.upper - learnt.lower) / 2 / needed)))
    assert low < np.mean(ratios) < high
    assert f"{builds} builds and the parts' tolerances" in learnt.words


def odd_or_not(builds: dict[str, np.ndarray], seed: int = 8) -> None:
    refuse_odd({KEY: (HZ, builds)}, {KEY: spread_of(wandering(3000, seed))})


@pytest.mark.parametrize("builds", [3, 5])
def test_an_odd_build_is_named(builds: int) -> None:
    """Of three as well, which alone would reveal no outlier."""
    curves = {f"U{n}": curve for n, curve in enumerate(wandering(builds, 7))}
    odd_or_not(curves)
    curves["U2"] = curves["U2"] + 4 * (HZ > 2000)
    with pytest.raises(Disagree, match="U2 is unlike the others"):
        odd_or_not(curves)


def test_of_two_builds_that_differ_neither_is_named_odd() -> None:
    one = wandering(1, 9)[0]
    with pytest.raises(Disagree, match=r"A and B differ .* a third build tells which is odd"):
        odd_or_not({"A": one, "B": one + 5})


def test_around_one_build_there_are_windows() -> None:
    one = wandering(1, 9)[0]
    learnt = learn(KEY, "dB SPL", HZ, {"A": one}, None, rejects=0.005, confidence=0.95)
    middle = np.argmin(np.abs(HZ - 1000))
    assert learnt.upper[middle] - one[middle] == pytest.approx(1.0)
    assert math.isnan(learnt.rejects)


def test_a_mask_is_never_tighter_than_the_rig(kit: Kit) -> None:
    still = Spread(HZ, np.full(HZ.size, 80.0), np.zeros((100, HZ.size)), SCATTER_DB)
    learnt = learn(KEY, "dB SPL", HZ, {}, still, rejects=0.005, confidence=0.95)
    assert 0.3 <= np.min(learnt.half_width) < 0.5


def test_parts_spread_as_a_drawn_unit_of_the_circuit_does(kit: Kit) -> None:
    spreads = spreads_of_units(kit, 600, 3)
    assert set(spreads) == {(*kind, channel) for kind in (IMPEDANCE, LEVEL) for channel in ("left", "right")}
    ohm = spreads[(*IMPEDANCE, "left")]
    # Far below resonance there is the coil's resistance and that of its series coil: 4 % and 5 %, half of it sigma.
    assert ohm.sigma[0] == pytest.approx(0.02, abs=0.006)
    assert spreads[(*IMPEDANCE, "right")] is ohm


def test_all_masks_together_fail_more_than_each() -> None:
    parts = spread_of(wandering(5000, 5))
    ohms = Spread(HZ, np.full(HZ.size, 6.0), (wandering(5000, 6) - 80) / 20, SCATTER)
    made = [
        learn(KEY, "dB SPL", HZ, {}, parts, rejects=0.02, confidence=0.95),
        learn((*IMPEDANCE, "left"), "ohm", HZ, {}, ohms, rejects=0.02, confidence=0.95),
    ]
    together = rejects_together(made)
    each = [one.rejects for one in made]
    assert together == pytest.approx(1 - (1 - each[0]) * (1 - each[1]), abs=0.004)


def test_masks_of_one_channel_fail_together_what_they_may() -> None:
    """Both see the same units, so that they need less width than two masks that each have half of it."""
    drawn, other = wandering(5000, 5), wandering(5000, 11)
    ohms = Spread(HZ, np.full(HZ.size, 6.0), (0.9 * drawn + 0.1 * other - 80) / 20, SCATTER)
    made = [
        learn(KEY, "dB SPL", HZ, {}, spread_of(drawn), rejects=0.02, confidence=0.95),
        learn((*IMPEDANCE, "left"), "ohm", HZ, {}, ohms, rejects=0.02, confidence=0.95),
    ]
    assert rejects_together(made) > 0.022
    shared = share_rejects(made, 0.02)
    assert rejects_together(shared) == pytest.approx(0.02, abs=0.001)
    assert shared[0].rejects == pytest.approx(shared[1].rejects, abs=1e-3)
    assert shared[0].rejects > 0.011
    assert shared[0].upper - shared[0].centre == pytest.approx(shared[0].factor * shared[0].sigma)


def test_former_masks_are_kept(tmp_path: Path) -> None:
    parts = spread_of(wandering(1000, 5))
    one = learn(KEY, "dB SPL", HZ, {}, parts, rejects=0.02, confidence=0.95)
    (path,) = write_masks(tmp_path, [one], {"made_at": "a"})
    first = path.read_bytes()
    mask = read_mask(path)
    assert mask.upper == pytest.approx(one.upper, abs=0.051)
    write_masks(tmp_path, [learn(KEY, "dB SPL", HZ, {}, parts, rejects=0.1, confidence=0.95)], {"made_at": "b"})
    (kept,) = tmp_path.glob("masks-of-*")
    assert (kept / path.name).read_bytes() == first
    assert json.loads((kept / "learnt.json").read_text())["made_at"] == "a"


def test_the_command_learns_from_parts_and_refuses_what_it_cannot_do(workspace: Path) -> None:
    run = CliRunner()
    done = run.invoke(cli.app, ["learn", "booth-two", "--draws", "400", "--workspace", str(workspace)])
    assert done.exit_code == 0, done.output
    folder = workspace / "limits" / "booth-two"
    masks = sorted(path.name for path in folder.glob("learnt-*.csv"))
    assert masks == [f"learnt-{what}-{c}.csv" for what in ("free-field-level", "impedance") for c in ("left", "right")]
    assert (folder / "learnt.svg").read_text(encoding="utf-8").startswith("<svg")
    for path in (*folder.glob("learnt*"),):
        path.unlink()
    for words, told in (
        (["--from", "builds"], "no builds are named"),
        (["--from", "guess"], "allowed: builds, parts, both"),
        (["--rejects", "50"], "found 50; allowed: 0.01 to 20"),
        (["BT-7777"], "no record of 'BT-7777'"),
    ):
        failed = run.invoke(cli.app, ["learn", "booth-two", *words, "--workspace", str(workspace)])
        assert failed.exit_code != 0
        assert told in str(failed.exception)


@pytest.mark.parametrize(
    ("trusted_hz", "is_there"), [((400.0, 20000.0), False), ((40.0, 20000.0), True), (None, False)]
)
def test_a_bass_box_whose_level_is_trusted_nowhere_in_its_band_has_no_mask(
    trusted_hz: tuple[float, float] | None, is_there: bool
) -> None:
    """Behind a short gate a level is trusted from some hundred hertz on, and a bass box ends before."""
    hz = np.geomspace(20, 20000, 200)
    valid = (hz >= trusted_hz[0]) & (hz <= trusted_hz[1]) if trusted_hz else np.zeros(hz.size, bool)
    level = Curve(LEVEL[1], "bass", hz, np.full(hz.size, 80.0), "dB SPL", valid)
    grid = mask_grid(load_kit(ROOT, "rehearsal-three"), (*LEVEL, "bass"), [level])
    assert (grid is not None) == is_there
    if grid is not None:
        assert (grid[0], grid[-1]) == pytest.approx((41.0, 120.0), rel=0.05)


def after_updates(updates: int, is_corrected: bool) -> float:
    """Width of a mask that 100 builds and then units that passed a limit of two sigma taught, over what it was."""
    parts, random = spread_of(wandering(3000, 5)), np.random.default_rng(3)
    units = iter(wandering(20 * updates + 400, 6)[random.permutation(20 * updates + 400)])
    builds = {f"B{n}": next(units) for n in range(100)}
    first = learn(KEY, "dB SPL", HZ, builds, parts, rejects=0.005, confidence=0.95)
    middle, sigma = np.mean(list(builds.values()), axis=0), first.upper - first.centre
    lower, upper = middle - 0.6 * sigma, middle + 0.6 * sigma
    passed: dict[str, np.ndarray] = {}
    for update in range(updates):
        while len(passed) < 5 * (update + 1):
            unit = next(units)
            if np.all((unit > lower) & (unit < upper)):
                passed[f"P{len(passed)}"] = unit
        cut = Passed(list(passed), lower, upper) if is_corrected else None
        learnt = learn(KEY, "dB SPL", HZ, {**builds, **passed}, parts, rejects=0.005, confidence=0.95, passed=cut)
    return float(np.median((learnt.upper - learnt.lower) / (first.upper - first.lower)))


def test_updates_with_units_that_passed_change_no_width() -> None:
    """Of a constant population, though hardly one of two passes: without what was cut off the mask would shrink."""
    assert after_updates(20, is_corrected=True) == pytest.approx(1.0, abs=0.05)
    assert after_updates(20, is_corrected=False) < 0.95
