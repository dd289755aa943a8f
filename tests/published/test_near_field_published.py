"""Near field to far field against D. B. Keele, JAES 22 (1974), and the exact field of a piston on its axis."""

import math

import numpy as np
import pytest
from reference_csv import numbers, rows

from rig.circuit.near_field import (
    Surface,
    close_transfer,
    far_transfer,
    small_to_hz,
    volume_velocities,
)
from rig.circuit.units import AIR_DENSITY_KG_M3

C = 343.0
CONE = Surface("cone", math.pi * 0.05**2, 0.0, 0.0)
F = np.array([20.0, 50.0, 100.0])
#: So low that a piston of any size is small.
LOW = np.array([0.1])


def level(ratio: object) -> np.ndarray:
    return np.asarray(20 * np.log10(np.abs(ratio)))


# source: Keele (JAES 1974): a / (2 r), a / (4 r) in whole space, ka = 1; see the table.
@pytest.mark.parametrize("row", rows("nearfield_farfield"), ids=lambda row: row["piston_radius_m"])
def test_far_over_near(row: dict[str, str]) -> None:
    radius_m, far_m, half_db, whole_db, ka1_hz = numbers(
        row, "piston_radius_m", "distance_m", "far_minus_near_2pi_db", "far_minus_near_4pi_db", "f_ka1_hz"
    )
    cone = Surface("cone", math.pi * radius_m**2, 0.0, 0.0)
    assert small_to_hz(cone, C) == pytest.approx(ka1_hz, rel=1e-4)
    near = close_transfer([cone], [0.0], F, C)[:, 0, 0]
    far = far_transfer([cone], (0.0, 0.0, far_m), None, LOW, C)[0]
    assert level(far / close_transfer([cone], [0.0], LOW, C)[:, 0, 0]) == pytest.approx(half_db, abs=1e-3)
    for width_m, published in ((None, half_db), (0.02, whole_db)):
        far = far_transfer([cone], (0.0, 0.0, far_m), width_m, F, C)[0]
        # A baffle of 2 cm: below 100 Hz it is whole space to 0.01 dB.
        assert level(far / near) == pytest.approx(np.full(3, published), abs=0.05)


# source: Keele (1974): closer than 0.11 of the radius the pressure is that at the piston within 1 dB.
def test_the_error_of_a_distance() -> None:
    near, touching = (close_transfer([CONE], [distance_m], LOW, C)[:, 0, 0] for distance_m in (0.11 * 0.05, 0.0))
    at_a_ninth = level(near / touching)
    assert at_a_ninth == pytest.approx(-0.954, abs=0.002)


# source: Kinsler et al., "Fundamentals of Acoustics" (2000), 7.4: |p| = 2 rho c u |sin(k (sqrt(r^2 + a^2) - r) / 2)|.
@pytest.mark.parametrize("distance_m", [0.0, 0.004, 0.02])
def test_before_a_piston_the_field_is_the_exact_one(distance_m: float) -> None:
    at_hz = np.array([30.0, 500.0, 1091.8, 3000.0])
    k, edge_m = 2 * np.pi * at_hz / C, math.hypot(distance_m, 0.05)
    exact = 2 * AIR_DENSITY_KG_M3 * C * np.abs(np.sin(k * (edge_m - distance_m) / 2)) / CONE.area_m2
    found = close_transfer([CONE], [distance_m], at_hz, C)[:, 0, 0]
    assert np.abs(found) == pytest.approx(exact, rel=1e-9)


# source: Keele (1974): at ka = 1 the pressure at a piston tells that of the far field within 1 dB (here 0.36).
def test_up_to_ka_1_near_and_far_field_go_together() -> None:
    at_hz = np.array([10.0, small_to_hz(CONE, C)])
    ratio = close_transfer([CONE], [0.0], at_hz, C)[:, 0, 0] / far_transfer([CONE], (0.0, 0.0, 1.0), None, at_hz, C)[0]
    assert level(ratio[1] / ratio[0]) == pytest.approx(-0.365, abs=0.005)


# source: Keele (1974): near pressures of cone and port add up as the roots of their areas.
def test_the_port_counts_by_the_root_of_its_area() -> None:
    port = Surface("port", CONE.area_m2 / 6, 0.0, -30.0)
    pressure = np.array([np.full(3, 1.0 + 0.2j), np.full(3, -0.5 + 0.9j)])
    velocity = volume_velocities(pressure, close_transfer([CONE, port], [0.0, 0.0], F, C))
    far = (velocity * far_transfer([CONE, CONE], (0.0, 0.0, 1.0), None, F, C)).sum(axis=0)
    published = 0.05 / 2 * np.abs(pressure[0] + np.sqrt(1 / 6) * pressure[1])
    assert np.abs(far) == pytest.approx(published, rel=0.02)


def test_what_a_microphone_hears_of_the_other_surface_is_taken_out() -> None:
    port = Surface("port", 12e-4, 0.0, -0.12)
    transfer = close_transfer([CONE, port], [0.005, 0.0], F, C)
    truth = np.array([[1e-3, 2e-4 + 1e-4j, 1e-3], [-3e-4j, 5e-4, 1e-5]])
    heard = np.einsum("fij,jf->if", transfer, truth)
    assert volume_velocities(heard, transfer) == pytest.approx(truth)
    assert np.abs(heard[0, 1] / transfer[1, 0, 0]) > 1.2 * abs(truth[0, 1])
