from dataclasses import replace

import numpy as np
import pytest
import scipy

from rig.circuit import fit as fits
from rig.circuit.box import Box
from rig.circuit.channel import Branch, Channel, find_driver, impedance_ohm, with_driver
from rig.circuit.driver import Driver
from rig.circuit.fit import BOX_PARAMETERS, Fit, default_parameters, fit_impedance

FREQUENCY_HZ = np.geomspace(10, 20000, 120)


def altered(channel: Channel, driver_name: str, rng: np.random.Generator, factor: float) -> Channel:
    """The channel with every parameter that a curve shows moved by up to a factor, evenly in its logarithm."""
    driver, box = find_driver(channel, driver_name), channel.box
    of_driver: dict[str, float] = {}
    for name in default_parameters(channel, driver_name):
        by = np.exp(rng.uniform(-1, 1) * np.log(factor))
        if name in BOX_PARAMETERS:
            box = replace(box, **{name: getattr(box, name) * by})
        else:
            of_driver[name] = min(getattr(driver, name) * by, 1.0 if name == "le_exponent" else np.inf)
    return replace(with_driver(channel, driver_name, **of_driver), box=box)


def truth(channel: Channel, driver_name: str, name: str) -> float:
    return float(getattr(channel.box if name in BOX_PARAMETERS else find_driver(channel, driver_name), name))


def noisy(curve: np.ndarray, sigma_ohm: np.ndarray | float, rng: np.random.Generator) -> np.ndarray:
    return curve + sigma_ohm * (rng.standard_normal(curve.shape) + 1j * rng.standard_normal(curve.shape))


@pytest.fixture(scope="module")
def designs(two_way: Channel, woofer: Driver) -> dict[str, tuple[Channel, str]]:
    bare = Channel("bare", (Branch(woofer),))
    return {
        "bare": (bare, "woofer"),
        "closed": (replace(bare, box=Box("closed", 0.014)), "woofer"),
        "vented": (replace(bare, box=Box("vented", 0.014, 50.0, 7.0)), "woofer"),
        "woofer through the network": (two_way, "woofer"),
        "tweeter through the network": (two_way, "tweeter"),
    }


@pytest.mark.parametrize(
    "case", ["bare", "closed", "vented", "woofer through the network", "tweeter through the network"]
)
def test_a_clean_curve_gives_its_parameters_from_a_start_wrong_by_up_to_a_factor_of_two(
    designs: dict[str, tuple[Channel, str]], case: str
) -> None:
    design, name = designs[case]
    rng = np.random.default_rng(5)
    for _ in range(8):
        unit = altered(design, name, rng, 2.0)
        fit = fit_impedance(design, FREQUENCY_HZ, impedance_ohm(unit, FREQUENCY_HZ), name)
        assert fit.converged
        assert fit.residual_rms_relative < 1e-5
        for parameter in default_parameters(design, name):
            assert fit.values[parameter] == pytest.approx(truth(unit, name, parameter), rel=1e-3), parameter
            assert fit.standard_uncertainty[parameter] < 0.01 * fit.values[parameter]


def test_the_search_for_a_start_gives_a_margin_beyond_a_factor_of_two(designs: dict[str, tuple[Channel, str]]) -> None:
    design, name = designs["vented"]
    rng = np.random.default_rng(11)
    for _ in range(25):
        unit = altered(design, name, rng, 3.0)
        fit = fit_impedance(design, FREQUENCY_HZ, impedance_ohm(unit, FREQUENCY_HZ), name)
        assert fit.residual_rms_relative < 1e-5
        assert fit.values["tuning_hz"] == pytest.approx(unit.box.tuning_hz, rel=1e-3)


def test_a_search_that_was_lost_leaves_far_more_than_one_that_needs_no_other_start(
    designs: dict[str, tuple[Channel, str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    design, name = designs["woofer through the network"]
    rng = np.random.default_rng(11)
    monkeypatch.setattr(fits, "STARTS", 1)
    units = [altered(design, name, rng, 3.0) for _ in range(25)]
    left = [
        fit_impedance(design, FREQUENCY_HZ, impedance_ohm(unit, FREQUENCY_HZ), name).residual_rms_relative
        for unit in units
    ]
    lost = [one for one in left if one > 1e-5]
    assert lost
    assert min(lost) > 2 * fits.EXPLAINED


def test_a_curve_that_is_explained_takes_one_search_and_one_that_is_not_three(
    designs: dict[str, tuple[Channel, str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    design, name = designs["vented"]
    begun: list[np.ndarray] = []
    search = scipy.optimize.least_squares
    monkeypatch.setattr(
        scipy.optimize, "least_squares", lambda f, at, *more, **how: begun.append(at) or search(f, at, *more, **how)
    )
    unit = altered(design, name, np.random.default_rng(5), 1.2)
    fit_impedance(design, FREQUENCY_HZ, impedance_ohm(unit, FREQUENCY_HZ), name)
    assert len(begun) == 1
    fit_impedance(design, FREQUENCY_HZ, np.full(FREQUENCY_HZ.size, 8.0 + 0j), name)
    assert len(begun) == 1 + fits.STARTS


def test_a_curve_up_to_1_khz_with_noise_is_enough_for_resonance_and_q(woofer: Driver) -> None:
    design = Channel("bare", (Branch(woofer),))
    frequency = np.geomspace(10, 1000, 60)
    rng = np.random.default_rng(6)
    for _ in range(10):
        unit = altered(design, "woofer", rng, 1.5)
        curve = impedance_ohm(unit, frequency)
        fit = fit_impedance(design, frequency, noisy(curve, 0.005 * np.abs(curve), rng), "woofer")
        assert fit.converged
        assert fit.values["fs_hz"] == pytest.approx(truth(unit, "woofer", "fs_hz"), rel=0.005)
        for name in ("qms", "qes"):
            assert fit.values[name] == pytest.approx(truth(unit, "woofer", name), rel=0.02)


def coverage(fits: list[tuple[Fit, Channel]], names: tuple[str, ...], factor: float) -> np.ndarray:
    """How often the truth lies within `factor` standard uncertainties, by parameter."""
    return np.array(
        [
            np.mean(
                [
                    abs(fit.values[name] - truth(unit, "woofer", name)) <= factor * fit.standard_uncertainty[name]
                    for fit, unit in fits
                ]
            )
            for name in names
        ]
    )


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["none", "vented"])
@pytest.mark.thorough
def test_uncertainties_cover_the_truth_as_often_as_they_claim(woofer: Driver, kind: str) -> None:
    design = Channel("c", (Branch(woofer),), Box(kind, 0.014, 50.0, 7.0))
    names = default_parameters(design, "woofer")
    frequency = np.geomspace(10, 20000, 60)
    rng = np.random.default_rng(8)
    count = 200
    fits = []
    for _ in range(count):
        unit = altered(design, "woofer", rng, 1.2)
        curve = impedance_ohm(unit, frequency)
        fits.append((fit_impedance(design, frequency, noisy(curve, 0.005 * np.abs(curve), rng), "woofer"), unit))
    assert all(fit.converged for fit, _ in fits)
    for factor, claimed in ((1.0, 0.683), (2.0, 0.954)):
        # Four standard deviations of a share of `count` trials, for each of some ten parameters.
        allowance = 4 * np.sqrt(claimed * (1 - claimed) / count)
        np.testing.assert_allclose(coverage(fits, names, factor), claimed, atol=allowance)


def test_the_uncertainty_of_qts_counts_how_its_two_parts_move_together(woofer: Driver) -> None:
    design = Channel("bare", (Branch(woofer),))
    rng = np.random.default_rng(3)
    errors, claimed = [], []
    for _ in range(40):
        curve = impedance_ohm(design, FREQUENCY_HZ)
        fit = fit_impedance(design, FREQUENCY_HZ, noisy(curve, 0.01 * np.abs(curve), rng), "woofer")
        errors.append(fit.values["qts"] - 4.0 * 0.45 / 4.45)
        claimed.append(fit.standard_uncertainty["qts"])
    assert np.std(errors) == pytest.approx(np.mean(claimed), rel=0.4)


def test_a_closed_box_curve_gives_its_own_resonance_even_if_vas_is_wrong(woofer: Driver) -> None:
    design = Channel("c", (Branch(woofer),), Box("closed", 0.014))
    unit = with_driver(design, "woofer", vas_m3=0.026, fs_hz=40.0)
    fit = fit_impedance(design, FREQUENCY_HZ, impedance_ohm(unit, FREQUENCY_HZ), "woofer")
    stiffer = np.sqrt(1 + 0.026 / 0.014)
    assert fit.values["fc_hz"] == pytest.approx(40.0 * stiffer, rel=1e-6)
    assert fit.values["qtc"] == pytest.approx(4.0 * 0.45 / 4.45 * stiffer, rel=1e-6)
    assert abs(fit.values["fs_hz"] / 40.0 - 1) > 0.03


def test_a_wrong_model_shows_in_the_residual(woofer: Driver) -> None:
    vented = Channel("c", (Branch(woofer),), Box("vented", 0.014, 50.0, 7.0))
    closed = replace(vented, box=Box("closed", 0.014))
    fit = fit_impedance(closed, FREQUENCY_HZ, impedance_ohm(vented, FREQUENCY_HZ), "woofer")
    assert fit.residual_rms_relative > 0.05


def test_a_truth_far_from_the_design_does_not_count_as_converged(woofer: Driver) -> None:
    design = Channel("bare", (Branch(woofer),))
    unit = with_driver(design, "woofer", fs_hz=45.0 * 20)
    assert not fit_impedance(design, FREQUENCY_HZ, impedance_ohm(unit, FREQUENCY_HZ), "woofer").converged


def test_what_the_curve_cannot_show_has_no_finite_uncertainty(woofer: Driver) -> None:
    # In a closed box, Vas and the resonance are one.
    design = Channel("c", (Branch(replace(woofer, le_h=0.0)),), Box("closed", 0.014))
    names = ("re_ohm", "fs_hz", "qms", "qes", "vas_m3")
    measured = noisy(impedance_ohm(design, FREQUENCY_HZ), 0.05, np.random.default_rng(4))
    fit = fit_impedance(design, FREQUENCY_HZ, measured, "woofer", names)
    assert not fit.standard_uncertainty["vas_m3"] < fit.values["vas_m3"]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"frequency_hz": FREQUENCY_HZ[:-1]}, "equal lists"),
        ({"frequency_hz": FREQUENCY_HZ[:3], "measured_ohm": np.ones(3)}, "3 frequencies"),
        ({"frequency_hz": np.r_[0.0, FREQUENCY_HZ[1:]]}, "not above 0 Hz"),
        ({"measured_ohm": np.full(120, np.nan + 0j)}, "zero or not finite"),
        ({"measured_ohm": np.zeros(120)}, "zero or not finite"),
        ({"parameters": ["leakage_q"]}, "channel's leakage_q is inf"),
    ],
)
def test_bad_input_is_refused(woofer: Driver, change: dict[str, object], message: str) -> None:
    design = Channel("bare", (Branch(woofer),))
    arguments = {"frequency_hz": FREQUENCY_HZ, "measured_ohm": np.full(120, 8.0 + 0j), "driver_name": "woofer"}
    with pytest.raises(ValueError, match=message):
        fit_impedance(design, **(arguments | change))
