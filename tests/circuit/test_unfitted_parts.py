"""What a fit holds fixed: the foretold errors are those of fits to units whose other parts differ."""

import numpy as np
import pytest
from one_of_many import one_unit
from simulated_runs import ROOT

from rig.circuit.channel import find_driver, impedance_ohm
from rig.circuit.fit import BOX_PARAMETERS, default_parameters, fit_impedance
from rig.circuit.tolerance import draw
from rig.circuit.unfitted_parts import held_uncertainty, moves_of_fit
from rig.design.kit import load_kit
from rig.signals.smoothing import log_frequency_grid

KIT = load_kit(ROOT, "booth-two")
GRID = log_frequency_grid(10.0, 376.0, 12)


def names(channel: str, driver: str) -> list[str]:
    return [name for name in default_parameters(KIT.model(channel), driver) if name != "le_exponent"]


def test_errors_of_fits_to_units_are_as_large_as_foretold() -> None:
    """Twelve units: their root mean square error lies within 0.6 and 1.5 of the foretold in 99 cases of 100."""
    model, fitted = KIT.model("left"), names("left", "woofer")
    errors: dict[str, list[float]] = {name: [] for name in fitted}
    left = []
    for number in range(12):
        box = one_unit(draw(model, np.random.default_rng(number), 1), 0)
        curve = np.asarray(impedance_ohm(box, GRID)).reshape(-1)
        fit = fit_impedance(model, GRID, curve, "woofer", fitted)
        left.append(fit.residual_rms_relative)
        for name in fitted:
            true = float(getattr(box.box if name in BOX_PARAMETERS else find_driver(box, "woofer"), name))
            errors[name].append(fit.values[name] / true - 1)
    foretold, most = held_uncertainty(model, "woofer", GRID, fitted)
    for name, found in errors.items():
        assert 0.5 < np.sqrt(np.mean(np.square(found))) / foretold[name] < 1.6, name
    # What differs from unit to unit in this is no fit's own error.
    assert np.count_nonzero(np.array(left) <= most) >= 10
    assert most < 2 * np.sqrt(np.mean(np.square(left)))


def test_what_follows_from_fitted_parameters_is_foretold_too() -> None:
    foretold, _ = held_uncertainty(KIT.model("left"), "woofer", GRID, names("left", "woofer"))
    assert 0 < foretold["qts"] < max(foretold["qms"], foretold["qes"]) * 1.01
    assert "fc_hz" not in foretold


def test_in_a_closed_box_the_resonance_in_it_is_known_better_than_the_driver_s_own() -> None:
    """The curve tells the former; the latter hangs on a Vas that is held."""
    kit = load_kit(ROOT, "rehearsal-three")
    model = kit.model("left")
    lowest = min(kit.channel("left").drivers, key=lambda spec: spec.band_hz[0])
    fitted = [name for name in default_parameters(model, lowest.name) if name != "le_exponent"]
    grid = log_frequency_grid(10.0, 8 * lowest.fs_hz, 12)
    foretold, _ = held_uncertainty(model, lowest.name, grid, fitted)
    assert foretold["fc_hz"] < 0.2 * foretold["fs_hz"]


def test_without_anything_held_nothing_is_uncertain() -> None:
    """A single driver with no network in a vented box: all that its curve hangs on is fitted."""
    kit = load_kit(ROOT, "rehearsal-three")
    foretold, _ = held_uncertainty(
        kit.model("bass"),
        kit.channel("bass").drivers[0].name,
        GRID,
        [
            name
            for name in default_parameters(kit.model("bass"), kit.channel("bass").drivers[0].name)
            if name != "le_exponent"
        ],
    )
    assert max(foretold.values()) == pytest.approx(0.0, abs=1e-6)


def test_an_error_of_the_curve_behind_a_crossover_moves_the_inductance_more_than_the_error_itself() -> None:
    """A resistance in series that the network's parts do not have is laid on the inductance, as the fit itself does."""
    model, fitted = KIT.model("left"), names("left", "woofer")
    true = np.asarray(impedance_ohm(model, GRID)).reshape(-1)
    off = 0.0225 + 0.00225 * true
    found = fit_impedance(model, GRID, true + off, "woofer", fitted).values
    moves, left = moves_of_fit(model, "woofer", GRID, fitted, [off / true])
    for name in fitted:
        designed = float(getattr(model.box if name in BOX_PARAMETERS else find_driver(model, "woofer"), name))
        assert np.log(found[name] / designed) == pytest.approx(moves[name][0], rel=0.05, abs=1e-5), name
    assert moves["le_h"][0] > 0.01
    assert left[0] < 1e-3
