"""Closed and vented boxes against the published alignments."""

import numpy as np
import pytest
from numpy.typing import NDArray
from reference_csv import numbers, rows
from scipy.optimize import brentq, minimize_scalar

from rig.circuit.box import Box, volume_velocity
from rig.circuit.driver import Driver

FS_HZ = 40.0
QMS = 1e9
VAS_M3 = 0.03


def driver_of(total_q: float) -> Driver:
    """A driver of a given Qts with next to no mechanical loss, as the published response functions assume."""
    return Driver("d", 6.0, FS_HZ, QMS, 1 / (1 / total_q - 1 / QMS), VAS_M3, 0.013)


def level_db(driver: Driver, box: Box, frequency_hz: float) -> float:
    """Level of the whole box's volume acceleration relative to its limit at high frequencies."""
    far = 1e6
    here, limit = (hz * np.abs(volume_velocity(driver, box, [hz])[1][0]) for hz in (frequency_hz, far))
    return float(20 * np.log10(here / limit))


# source: Small, Closed-Box Loudspeaker Systems (1972/73); see the table.
@pytest.mark.parametrize("row", rows("closed_box_alignments"), ids=lambda row: row["qtc"])
def test_closed_box_alignment(row: dict[str, str]) -> None:
    qtc, f3_over_fc, peak_db, gain_at_fc_db = numbers(row, "qtc", "f3_over_fc", "peak_db", "gain_at_fc_db")
    alpha = 3.0
    fc_hz = FS_HZ * np.sqrt(1 + alpha)
    driver, box = driver_of(qtc / np.sqrt(1 + alpha)), Box("closed", VAS_M3 / alpha)
    half_power = 10 * np.log10(0.5)
    f3_hz = brentq(lambda hz: level_db(driver, box, hz) - half_power, 0.3 * fc_hz, 2 * fc_hz)
    assert f3_hz / fc_hz == pytest.approx(f3_over_fc, abs=1e-4)
    assert level_db(driver, box, fc_hz) == pytest.approx(gain_at_fc_db, abs=1e-4)
    if row["peak_f_over_fc"]:
        peak = minimize_scalar(lambda hz: -level_db(driver, box, hz), bounds=(0.8 * fc_hz, 4 * fc_hz), method="bounded")
        assert -peak.fun == pytest.approx(peak_db, abs=1e-4)
        assert peak.x / fc_hz == pytest.approx(float(row["peak_f_over_fc"]), rel=1e-3)


# source: Thiele (1961/1971); Small, Vented-Box Loudspeaker Systems (1973); see the table.
VENTED = rows("vented_box_alignments")


def vented(row: dict[str, str]) -> tuple[Driver, Box]:
    total_q, alpha, h, ql = numbers(row, "qts", "alpha_vas_over_vb", "h_fb_over_fs", "ql")
    return driver_of(total_q), Box("vented", VAS_M3 / alpha, FS_HZ * h, ql)


def small_polynomial(row: dict[str, str], frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Small (1973): G = x^4 / (x^4 + a1 x^3 + a2 x^2 + a3 x + 1), x = s / (2 pi fs sqrt(h)), as in the table."""
    total_q, alpha, h, ql = numbers(row, "qts", "alpha_vas_over_vb", "h_fb_over_fs", "ql")
    a1 = (1 / total_q + h / ql) / np.sqrt(h)
    a2 = (1 / ql / total_q) + (alpha + 1 + h**2) / h
    a3 = (h / total_q + 1 / ql) / np.sqrt(h)
    x = 1j * frequency_hz / (FS_HZ * np.sqrt(h))
    return np.asarray(x**4 / (x**4 + a1 * x**3 + a2 * x**2 + a3 * x + 1))


@pytest.mark.parametrize("row", VENTED, ids=lambda row: f"{row['alignment']} QL {row['ql']}")
def test_vented_box_response_is_smalls_polynomial_and_its_f3(row: dict[str, str]) -> None:
    driver, box = vented(row)
    frequency = np.geomspace(10, 1000, 40)
    published = 20 * np.log10(np.abs(small_polynomial(row, frequency)))
    ours = [level_db(driver, box, hz) for hz in frequency]
    np.testing.assert_allclose(ours, published, atol=1e-4)
    f3_hz = FS_HZ * float(row["f3_over_fs"])
    assert level_db(driver, box, f3_hz) == pytest.approx(10 * np.log10(0.5), abs=2e-3)


def test_the_lossless_b4_is_a_butterworth_filter() -> None:
    """Thiele (1961): alignment 5, maximally flat of the fourth order."""
    driver, box = vented(VENTED[0])
    frequency = np.geomspace(10, 400, 30)
    butterworth = -10 * np.log10(1 + (FS_HZ / frequency) ** 8)
    np.testing.assert_allclose([level_db(driver, box, hz) for hz in frequency], butterworth, atol=1e-4)
