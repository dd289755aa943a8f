"""First-order responses against printed fractions of a step, and against a general solver of linear systems."""

import math

import numpy as np
import pytest
from reference_csv import rows
from scipy import signal

from rig.signals.heat_response import Power, first_order_response
from rig.signals.heating import fit_rise, predict

TABLE = {row["quantity"]: float(row["value"]) for row in rows("thermal_examples")}
STEP = Power(np.array([0.0]), np.array([1.0]))


@pytest.mark.parametrize(("name", "in_tau"), [("t=tau", 1), ("3 tau", 3), ("5 tau", 5)])
def test_fraction_of_a_step(name, in_tau):
    # Source: textbook, first-order step response; the table's rows "first-order step fraction".
    quantity = f"first-order step fraction at {name}"
    response = first_order_response(np.array([in_tau * 600.0]), STEP, np.array([600.0]))
    assert response[0, 0] == pytest.approx(TABLE[quantity], abs=1e-6)


def test_time_to_nine_tenths():
    # Source: textbook, ln 10 time constants; the table's row "time to 90 percent".
    at = np.array([TABLE["time to 90 percent"] * 600.0])
    assert first_order_response(at, STEP, np.array([600.0]))[0, 0] == pytest.approx(0.9, abs=1e-6)


@pytest.mark.parametrize("tau_s", [3.0, 200.0, 5000.0])
def test_power_in_steps_as_a_general_solver_has_it(tau_s):
    # Source: scipy.signal.lsim, zero-order hold, on tau dy/dt = u - y.
    t = np.arange(0.0, 3000.0)
    part = np.select([t < 20, t < 50, t < 1200, t < 1800], [0.01, 0.3, 1.0, 0.0], 1.0)
    power = Power(np.array([0.0, 20.0, 50.0, 1200.0, 1800.0]), np.array([0.01, 0.3, 1.0, 0.0, 1.0]))
    _, expected, _ = signal.lsim(([1.0], [tau_s, 1.0]), part, t, interp=False)
    assert first_order_response(t, power, np.array([tau_s]))[:, 0] == pytest.approx(expected, abs=1e-9)


def test_a_fitted_rise_reaches_the_printed_fractions():
    # Source: as above; a rise of 30 K with a time constant of 900 s, seen without noise for three constants.
    t = np.arange(5.0, 2701.0, 5.0)
    fit = fit_rise(t, 30 * (1 - np.exp(-t / 900)), STEP)
    at = predict(fit, np.array([900.0, 2700.0]), STEP)
    expected = [30 * TABLE[f"first-order step fraction at {name}"] for name in ("t=tau", "3 tau")]
    assert at == pytest.approx(expected, abs=0.05)
    assert math.isclose(fit.steady_k, 30, abs_tol=1.0)
